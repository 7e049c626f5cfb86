//! Who carries how much of the work at a site.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use cotyl_calendar::IsoWeek;
use cotyl_domain::Operation;
use cotyl_store::{rota, sites};
use uuid::Uuid;

use crate::input::Problems;
use crate::{App, Caller, Error, Result};

/// The longest period that is looked at, in days.
const MOST_DAYS: i64 = 371;

/// Tasks and minutes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Amount {
    /// Tasks.
    pub tasks: i64,
    /// Minutes, each place of a task its part.
    pub minutes: i64,
}

/// What one member did, holds and is offered.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Shares {
    /// Done.
    pub done: Amount,
    /// Held now.
    pub held: Amount,
    /// Offered by somebody who holds it, and not answered yet.
    pub offered: Amount,
}

impl Shares {
    fn add(&mut self, kind: &str, tasks: i64, minutes: i64) {
        let amount = match kind {
            "done" => &mut self.done,
            "held" => &mut self.held,
            _ => &mut self.offered,
        };
        amount.tasks += tasks;
        amount.minutes += minutes;
    }
}

/// The share of one member.
#[derive(Debug, Clone)]
pub struct MemberShare {
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
    /// The whole period.
    pub total: Shares,
    /// Week by week, where there is anything.
    pub weeks: Vec<(IsoWeek, Shares)>,
}

impl App {
    /// What everybody who works at a site did, holds and is offered of its tasks in a period.
    ///
    /// # Errors
    /// [`Error::NotFound`] for a site that is not theirs; [`Error::Invalid`] for a period out of order.
    pub async fn read_fair_share(
        &self,
        caller: &Caller,
        site_id: Uuid,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Vec<MemberShare>> {
        let mut problems = Problems::new();
        problems.day("from", from);
        problems.day("to", to);
        problems.require(
            (0..MOST_DAYS).contains(&(to - from).num_days()),
            "to",
            "range",
            "must be the first day or at most 370 days later",
        );
        problems.finish()?;
        let operation = Operation::ReadFairShare;
        self.read(operation, caller, async |tx, actor| {
            sites::get(tx, site_id)
                .await?
                .filter(|_| operation.reach(actor).covers_site(site_id))
                .ok_or(Error::NotFound("site"))?;
            let now = self.clock().now();
            let shares = rota::shares(tx, site_id, from, to, now).await?;
            let mut ids = rota::working_at(tx, site_id).await?;
            ids.extend(shares.iter().map(|share| share.member_id));
            ids.sort_unstable();
            ids.dedup();
            let mut of_members: BTreeMap<Uuid, MemberShare> = rota::names(tx, &ids)
                .await?
                .into_iter()
                .map(|(member_id, name)| {
                    let share = MemberShare {
                        member_id,
                        name,
                        total: Shares::default(),
                        weeks: Vec::new(),
                    };
                    (member_id, share)
                })
                .collect();
            for share in shares {
                let Some(member) = of_members.get_mut(&share.member_id) else {
                    continue;
                };
                let (tasks, minutes) = (share.tasks, share.minutes);
                member.total.add(&share.kind, tasks, minutes);
                let week = IsoWeek::of(share.day).map_err(Error::internal)?;
                match member.weeks.iter_mut().find(|(other, _)| *other == week) {
                    Some((_, shares)) => shares.add(&share.kind, tasks, minutes),
                    None => {
                        let mut shares = Shares::default();
                        shares.add(&share.kind, tasks, minutes);
                        member.weeks.push((week, shares));
                    }
                }
            }
            let mut all: Vec<_> = of_members.into_values().collect();
            for member in &mut all {
                member.weeks.sort_by_key(|(week, _)| *week);
            }
            all.sort_by(|a, b| (&a.name, a.member_id).cmp(&(&b.name, b.member_id)));
            Ok(all)
        })
        .await
    }
}
