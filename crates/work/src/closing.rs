//! What will suffer while a site is closed, said before it closes.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use cotyl_domain::task::TaskKind;
use uuid::Uuid;

use crate::derive::derive_until;
use crate::facts::SiteFacts;
use crate::placing::shifted;
use crate::rule::{RuleBook, RuleKey};
use crate::wanted::Subject;

/// A closure that comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Closing {
    /// Its first day.
    pub first_day: NaiveDate,
    /// Its last day.
    pub last_day: NaiveDate,
}

/// Work that a closure keeps from being done in time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosureWarning {
    /// The rule whose work it is.
    pub rule: RuleKey,
    /// The work.
    pub kind: TaskKind,
    /// What it is about.
    pub subject: Subject,
    /// Days of the closure on which it would have fallen.
    pub days: Vec<NaiveDate>,
    /// The day after the closure to which it goes; `None` where it falls away.
    pub put_off_to: Option<NaiveDate>,
    /// What goes wrong when nobody comes.
    pub harm: &'static str,
}

/// What goes wrong during a closure when nobody comes.
///
/// `low_again_on` says on which day the containers of a sowing run low that were filled on a day as
/// far as they may be.
pub fn closure_warnings(
    rules: &RuleBook,
    facts: &SiteFacts,
    closing: Closing,
    low_again_on: impl Fn(Uuid, NaiveDate) -> Option<NaiveDate>,
) -> Vec<ClosureWarning> {
    let derived = derive_until(rules, facts, closing.last_day);
    let within = closing.first_day..=closing.last_day;
    let mut by_work: BTreeMap<_, ClosureWarning> = BTreeMap::new();
    for placing in &derived.placings {
        let put_off = placing.placed.is_none_or(|day| day > closing.last_day);
        let harmed = match placing.rule {
            // liquid is judged by what a filling before the closure lasts
            RuleKey::TopUp => false,
            RuleKey::Cut => placing.too_late,
            _ => put_off,
        };
        if !harmed || !within.contains(&placing.nominal) {
            continue;
        }
        let rule = rules.get(placing.rule);
        let key = (placing.rule, key_of(placing.subject));
        let warning = by_work.entry(key).or_insert_with(|| ClosureWarning {
            rule: placing.rule,
            kind: rule.kind,
            subject: placing.subject,
            days: Vec::new(),
            put_off_to: None,
            harm: rule.harm,
        });
        warning.days.push(placing.nominal);
        warning.put_off_to = warning.put_off_to.max(placing.placed);
    }
    for warning in dry(rules, facts, closing, low_again_on) {
        by_work.insert((warning.rule, key_of(warning.subject)), warning);
    }
    let mut warnings: Vec<ClosureWarning> = by_work.into_values().collect();
    for warning in &mut warnings {
        warning.days.sort_unstable();
        warning.days.dedup();
    }
    warnings
}

fn key_of(subject: Subject) -> [Option<Uuid>; 4] {
    [
        subject.sowing_id,
        subject.station_id,
        subject.batch_id,
        subject.recipient_id,
    ]
}

/// Still containers that run below their mark during the closure though they are filled on the last
/// open day before it.
fn dry(
    rules: &RuleBook,
    facts: &SiteFacts,
    closing: Closing,
    low_again_on: impl Fn(Uuid, NaiveDate) -> Option<NaiveDate>,
) -> Vec<ClosureWarning> {
    let Some(rule) = rules.enabled(RuleKey::TopUp) else {
        return Vec::new();
    };
    let reopens = facts.calendar.next_open_day(closing.last_day);
    let last_open = facts
        .calendar
        .previous_open_day(closing.first_day)
        .filter(|day| *day >= facts.today);
    let standing = facts
        .sowings
        .iter()
        .filter(|sowing| sowing.free_on > closing.first_day);
    standing
        .filter_map(|sowing| {
            let liquid = sowing.liquid?;
            let low_on = match last_open {
                // filled before, it may last; one that is not low before it reopens is no matter
                Some(day) => {
                    liquid.low_on.filter(|low| *low <= closing.last_day)?;
                    low_again_on(sowing.id, day)?
                }
                None => liquid.low_on?,
            };
            let first = low_on.max(closing.first_day);
            (low_on <= closing.last_day).then(|| ClosureWarning {
                rule: RuleKey::TopUp,
                kind: rule.kind,
                subject: Subject::sowing(sowing.id, sowing.station_id),
                days: first
                    .iter_days()
                    .take_while(|day| *day <= closing.last_day)
                    .collect(),
                put_off_to: reopens.filter(|day| *day >= shifted(closing.last_day, 1)),
                harm: rule.harm,
            })
        })
        .collect()
}
