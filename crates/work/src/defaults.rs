//! The rules as they are when a co-operative changes nothing.

use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskKind;

use crate::rule::{Event, Labour, Rule, RuleKey, SpareDays};

const PRACTICE: &str = "common practice, no source";
const PROFILE: &str =
    "days and minutes from the crop's profile and its sowing; the rest common practice, no source";

/// A rule for work that comes once, on the day of its event, of one person, without training.
const fn plain(key: RuleKey, kind: TaskKind, event: Event) -> Rule {
    Rule {
        key,
        kind,
        event,
        offset_days: 0,
        repeat_days: None,
        spare_days: SpareDays::After,
        fixed_minutes: 0,
        per_container: Labour::Tenths(0),
        people: 1,
        qualification: None,
        missed_after_days: None,
        mark_permille: None,
        enabled: true,
        basis: PRACTICE,
        harm: "",
    }
}

/// The default of a rule.
pub(crate) const fn default_rule(key: RuleKey) -> Rule {
    match key {
        RuleKey::Sow
        | RuleKey::Mist
        | RuleKey::CheckGermination
        | RuleKey::Cut
        | RuleKey::ClearAndClean
        | RuleKey::TopUp => of_sowings(key),
        _ => of_sites(key),
    }
}

const fn of_sowings(key: RuleKey) -> Rule {
    match key {
        RuleKey::Sow => Rule {
            per_container: Labour::CropProfile,
            missed_after_days: Some(14),
            basis: PROFILE,
            harm: "it is sown later, and every cut of it comes later",
            ..plain(key, TaskKind::Sow, Event::SowingDay)
        },
        RuleKey::Mist => Rule {
            offset_days: 1,
            repeat_days: Some(1),
            spare_days: SpareDays::ThatDay,
            per_container: Labour::Tenths(2),
            missed_after_days: Some(0),
            harm: "seeds and seedlings dry out",
            ..plain(key, TaskKind::Mist, Event::Unsprouted)
        },
        RuleKey::CheckGermination => Rule {
            repeat_days: Some(3),
            spare_days: SpareDays::Nearest,
            per_container: Labour::Tenths(5),
            missed_after_days: Some(7),
            basis: PROFILE,
            harm: "seedlings crowd each other, and a failed sowing is found late",
            ..plain(key, TaskKind::CheckGermination, Event::Emergence)
        },
        RuleKey::Cut => Rule {
            per_container: Labour::CropProfile,
            // what is cut is handed to people as food
            qualification: Some(QualificationKind::FoodHandling),
            missed_after_days: Some(14),
            basis: PROFILE,
            harm: "it stands past the days that it may wait: less of it is good, and it may bolt",
            ..plain(key, TaskKind::Cut, Event::EachCut)
        },
        RuleKey::ClearAndClean => Rule {
            per_container: Labour::CropProfile,
            missed_after_days: Some(28),
            basis: PROFILE,
            harm: "the places stay taken, and what is left in the containers rots",
            ..plain(key, TaskKind::ClearAndClean, Event::LastCut)
        },
        // the mark of 250 is that of the list of top-ups
        _ => Rule {
            spare_days: SpareDays::Before,
            per_container: Labour::Tenths(10),
            mark_permille: Some(250),
            harm: "containers run below their mark, and the crop may wilt",
            ..plain(RuleKey::TopUp, TaskKind::TopUp, Event::LevelMark)
        },
    }
}

const fn of_sites(key: RuleKey) -> Rule {
    match key {
        RuleKey::Measure => Rule {
            repeat_days: Some(3),
            spare_days: SpareDays::Nearest,
            fixed_minutes: 5,
            per_container: Labour::Tenths(5),
            missed_after_days: Some(2),
            harm: "pH and conductivity drift unseen",
            ..plain(key, TaskKind::Measure, Event::StationStands)
        },
        RuleKey::Turn => Rule {
            repeat_days: Some(7),
            spare_days: SpareDays::Nearest,
            per_container: Labour::Tenths(1),
            missed_after_days: Some(3),
            harm: "plants grow towards the light on one side",
            ..plain(key, TaskKind::Turn, Event::StationStands)
        },
        RuleKey::Adjust => Rule {
            fixed_minutes: 20,
            qualification: Some(QualificationKind::Concentrates),
            harm: "the crop goes on standing outside its range",
            ..plain(key, TaskKind::Adjust, Event::ReadingOutOfRange)
        },
        RuleKey::Mix => Rule {
            offset_days: -1,
            spare_days: SpareDays::Before,
            fixed_minutes: 40,
            qualification: Some(QualificationKind::Concentrates),
            harm: "there is no solution for sowing and topping up",
            ..plain(key, TaskKind::Mix, Event::SolutionNeeded)
        },
        RuleKey::ReadBatch => Rule {
            fixed_minutes: 10,
            harm: "a batch stays unread and cannot be used",
            ..plain(key, TaskKind::Measure, Event::BatchBegun)
        },
        RuleKey::Count => Rule {
            repeat_days: Some(28),
            fixed_minutes: 30,
            harm: "what is on the shelf and what is written down drift apart",
            ..plain(key, TaskKind::Count, Event::StockTaking)
        },
        RuleKey::Pack => Rule {
            spare_days: SpareDays::Before,
            fixed_minutes: 20,
            qualification: Some(QualificationKind::FoodHandling),
            missed_after_days: Some(1),
            harm: "nothing is ready when it is to be handed over",
            ..plain(key, TaskKind::Pack, Event::DeliveryDay)
        },
        _ => Rule {
            spare_days: SpareDays::ThatDay,
            fixed_minutes: 30,
            qualification: Some(QualificationKind::FoodHandling),
            missed_after_days: Some(1),
            harm: "the recipient gets nothing on that day: agree another day with them",
            ..plain(RuleKey::Deliver, TaskKind::Deliver, Event::DeliveryDay)
        },
    }
}
