//! The work that one sowing brings.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use cotyl_calendar::{Flexibility, TaskWindow};

use crate::facts::{CutFacts, SowingFacts, SowingStage};
use crate::placing::{Calendar, Piece, Repeated, shifted};
use crate::rule::{Rule, RuleBook, RuleKey};
use crate::wanted::{Subject, WantedTask, Wish};

/// How long after expected emergence seeds are still kept moist. Common practice, no source.
const MOST_DAYS_LATE: i32 = 21;

/// A sowing whose work is looked for.
pub(crate) struct SowingWork<'a> {
    pub rules: &'a RuleBook,
    pub calendar: &'a Calendar<'a>,
    pub sowing: &'a SowingFacts,
    pub today: NaiveDate,
    pub horizon: NaiveDate,
}

impl SowingWork<'_> {
    /// Everything but what depends on levels and readings.
    pub(crate) fn steps(&self, wanted: &mut Vec<WantedTask>) {
        let sowing = self.sowing;
        if sowing.stage == SowingStage::Planned
            && let Some(rule) = self.rules.enabled(RuleKey::Sow)
        {
            let piece = self.piece(rule, "", sowing.sow_on, sowing.minutes.sow_tenths);
            wanted.extend(self.calendar.place(piece));
        }
        if sowing.stage <= SowingStage::Sown {
            self.mist(wanted);
            wanted.extend(self.look());
        }
        if let Some(rule) = self.rules.enabled(RuleKey::Cut) {
            wanted.extend(sowing.cuts.iter().filter_map(|cut| self.cut(rule, cut)));
        }
        if let (Some(rule), Some(last)) = (
            self.rules.enabled(RuleKey::ClearAndClean),
            sowing.cuts.last(),
        ) {
            let piece = self.piece(rule, "", last.day, sowing.minutes.clean_tenths);
            wanted.extend(self.calendar.place(piece));
        }
    }

    /// A piece of work of this sowing, so many days after an event as its rule says.
    fn piece<'r>(
        &self,
        rule: &'r Rule,
        which: &str,
        event: NaiveDate,
        profile_tenths: u32,
    ) -> Piece<'r> {
        let SowingFacts { id, station_id, .. } = self.sowing;
        let colon = if which.is_empty() { "" } else { ":" };
        Piece {
            rule,
            occasion: format!("sowing:{id}:{}{colon}{which}", rule.key.as_str()),
            subject: Subject::sowing(*id, *station_id),
            nominal: shifted(event, rule.offset_days),
            containers: self.sowing.containers,
            profile_tenths,
        }
    }

    /// Seeds are kept moist from the day after sowing until they have sprouted.
    fn mist(&self, wanted: &mut Vec<WantedTask>) {
        let Some(rule) = self.rules.enabled(RuleKey::Mist) else {
            return;
        };
        let sowing = self.sowing;
        let sown = sowing.stage == SowingStage::Sown;
        // what was not sown on its day has nothing to keep moist yet
        if !sown && sowing.sow_on < self.today {
            return;
        }
        let given_up = shifted(sowing.emergence_on, MOST_DAYS_LATE);
        let until = if sown {
            sowing.emergence_on.max(self.today.min(given_up))
        } else {
            sowing.emergence_on
        };
        let first = shifted(sowing.sow_on, rule.offset_days);
        let repeated = Repeated {
            rule,
            first,
            last: until,
            today: self.today,
            horizon: self.horizon,
        };
        for day in repeated.days(self.calendar) {
            let mut piece = self.piece(rule, &day.to_string(), day, 0);
            piece.nominal = day;
            wanted.extend(repeated.task(self.calendar, piece));
        }
    }

    /// A look for seedlings when they are expected, and again while nothing was seen.
    fn look(&self) -> Option<WantedTask> {
        let rule = self.rules.enabled(RuleKey::CheckGermination)?;
        let sowing = self.sowing;
        let Some((count, last_on)) = sowing.looks else {
            let piece = self.piece(rule, "", sowing.emergence_on, 0);
            // seedlings are not looked for on the day of sowing
            return self.after(piece, sowing.sow_on);
        };
        let again = i32::try_from(rule.repeat_days.unwrap_or(1)).unwrap_or(1);
        let mut piece = self.piece(rule, &(count + 1).to_string(), last_on, 0);
        piece.nominal = shifted(last_on, again);
        self.after(piece, last_on)
    }

    /// Work placed on a day after another.
    fn after(&self, piece: Piece<'_>, before: NaiveDate) -> Option<WantedTask> {
        let spare = piece.rule.spare_days.into();
        let window = self
            .calendar
            .window(piece.nominal, spare)
            .filter(|window| window.day > before)
            .or_else(|| {
                let from = piece.nominal.max(shifted(before, 1));
                self.calendar.window(from, Flexibility::OrAfter)
            });
        self.calendar.note(&piece, window, false);
        window.map(|window| self.calendar.task(piece, window))
    }

    /// A cut: put off as its rule says while the crop can wait so long, otherwise brought forward to
    /// an open day on which it is ready.
    fn cut(&self, rule: &Rule, cut: &CutFacts) -> Option<WantedTask> {
        let number = cut.number.to_string();
        let piece = self.piece(rule, &number, cut.day, self.sowing.minutes.cut_tenths);
        let usual = self.calendar.window(piece.nominal, rule.spare_days.into());
        let waits = |window: &TaskWindow| cut.holds_until.is_none_or(|last| window.day <= last);
        let early = || {
            self.calendar
                .window(piece.nominal, Flexibility::OrBefore)
                .filter(|window| cut.ready_on.is_some_and(|ready| window.day >= ready))
                .filter(|window| window.day >= self.today)
        };
        let (window, too_late) = match usual {
            // a day that was chosen past what the crop can wait is the choice of whoever planned it
            Some(window) if window.day == piece.nominal || waits(&window) => (Some(window), false),
            late => match early() {
                Some(window) => (Some(window), false),
                None => (late, true),
            },
        };
        self.calendar.note(&piece, window, too_late && !cut.taken);
        let mut task = self.calendar.task(piece, window?);
        task.cut_number = i32::try_from(cut.number).unwrap_or(0);
        if cut.taken {
            task.wish = Wish::Keep;
        }
        Some(task)
    }

    /// Topping up before the level falls below the mark.
    ///
    /// Where it was done since the last filling, and the containers are low all the same, it comes
    /// again, but not on the same day: whoever was there found nothing to pour, or poured too little.
    pub(crate) fn top_up(&self, finished: &BTreeSet<String>) -> Option<WantedTask> {
        let rule = self.rules.enabled(RuleKey::TopUp)?;
        let liquid = self.sowing.liquid?;
        let low_on = liquid.low_on?;
        let mut piece = self.piece(rule, &liquid.filled_on.to_string(), low_on, 0);
        if piece.nominal > self.horizon {
            return None;
        }
        piece.containers = liquid.containers;
        let pressing = piece.nominal <= self.today;
        let first = piece.occasion.clone();
        let mut from = self.today;
        let mut again = 1;
        while finished.contains(&piece.occasion) {
            again += 1;
            from = shifted(self.today, 1);
            piece.occasion = format!("{first}:{again}");
        }
        let mut task = self.calendar.place_from(piece, from)?;
        task.microlitres = Some(liquid.microlitres);
        task.pressing = pressing || task.window.day == self.today;
        Some(task)
    }
}
