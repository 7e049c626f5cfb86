//! What whoever does the work of several sowings of one batch is told of them: how many containers belong
//! to which, and when each is cut first. They stay apart on the station, since they are cut on different
//! days. Common practice, no source.

use chrono::NaiveDate;
use cotyl_domain::task::TaskKind;

/// The containers of one sowing among those of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Portion<'a> {
    /// How many.
    pub containers: i32,
    /// The days of their cuts, the first first; none where none is planned.
    pub cuts_on: &'a [NaiveDate],
}

/// One more step for whoever does the work of several portions; `None` where there is one.
#[must_use]
pub fn keep_apart(kind: TaskKind, portions: &[Portion<'_>]) -> Option<String> {
    if portions.len() < 2 {
        return None;
    }
    let all: i32 = portions.iter().map(|portion| portion.containers).sum();
    let alike = |one: &Portion<'_>| {
        let first = one.cuts_on.first();
        let same = |other: &&Portion<'_>| other.cuts_on.first() == first;
        portions.iter().filter(same).count() > 1
    };
    let listed: Vec<String> = portions
        .iter()
        .map(|portion| in_words(portion, alike(portion)))
        .collect();
    let listed = listed.join("; ");
    let label = if portions.iter().any(alike) {
        "days of the cuts"
    } else {
        "day of the first cut"
    };
    let count = portions.len();
    let told = match kind {
        TaskKind::Sow => format!(
            "These {all} containers are {count} portions that are cut on different days: {listed}. Write the {label} on each label too, and set each portion on the station by itself."
        ),
        TaskKind::CheckGermination => format!(
            "{all} containers stand here in {count} portions: {listed}. Count each portion by itself."
        ),
        TaskKind::TopUp => format!(
            "{all} containers wait here in {count} portions: {listed}. Note what goes into each portion, and finish each by itself."
        ),
        TaskKind::Cut => format!(
            "{all} containers are cut here in {count} portions: {listed}. Weigh each portion by itself, in trays of its own, and finish each by itself."
        ),
        _ => format!(
            "{all} containers stand here in {count} portions: {listed}. Do all of them, and leave each portion by itself."
        ),
    };
    Some(told)
}

/// A portion with the day of its first cut; with the later days too where that alone does not tell it apart.
fn in_words(portion: &Portion<'_>, with_later: bool) -> String {
    let noun = if portion.containers == 1 {
        "container"
    } else {
        "containers"
    };
    let days = portion.cuts_on.iter().enumerate().map(|(index, day)| {
        let day = day.format("%-d %B %Y");
        if index == 0 {
            format!("first cut {day}")
        } else {
            format!("then {day}")
        }
    });
    let shown = if with_later { portion.cuts_on.len() } else { 1 };
    let days: Vec<String> = days.take(shown).collect();
    let days = if days.is_empty() {
        "no cut planned".to_owned()
    } else {
        days.join(", ")
    };
    format!("{} {noun}, {days}", portion.containers)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn days(texts: &[&str]) -> Vec<NaiveDate> {
        texts.iter().map(|text| text.parse().unwrap()).collect()
    }

    fn told(kind: TaskKind, portions: &[(i32, Vec<NaiveDate>)]) -> Option<String> {
        let portions: Vec<Portion<'_>> = portions
            .iter()
            .map(|(containers, cuts_on)| Portion {
                containers: *containers,
                cuts_on,
            })
            .collect();
        keep_apart(kind, &portions)
    }

    #[test]
    fn a_sower_is_told_which_containers_are_cut_when() {
        let portions = [
            (4, days(&["2026-10-05", "2026-10-19"])),
            (1, days(&["2026-10-12", "2026-10-26"])),
        ];
        assert_eq!(
            told(TaskKind::Sow, &portions).unwrap(),
            "These 5 containers are 2 portions that are cut on different days: 4 containers, first cut 5 October 2026; 1 container, first cut 12 October 2026. Write the day of the first cut on each label too, and set each portion on the station by itself."
        );
    }

    #[test]
    fn later_days_tell_apart_what_is_cut_first_on_the_same() {
        let portions = [
            (2, days(&["2026-10-05", "2026-10-19"])),
            (3, days(&["2026-10-05", "2026-10-21"])),
            (1, days(&["2026-10-12", "2026-10-26"])),
        ];
        let told = told(TaskKind::Sow, &portions).unwrap();
        let listed = "2 containers, first cut 5 October 2026, then 19 October 2026; 3 containers, first cut 5 October 2026, then 21 October 2026; 1 container, first cut 12 October 2026. Write the days of the cuts on each label";
        assert!(told.contains(listed), "{told}");
    }

    #[test]
    fn one_portion_needs_no_word_and_every_kind_has_one_for_two() {
        let one = (4, days(&["2026-10-05"]));
        for kind in TaskKind::ALL {
            assert_eq!(told(kind, std::slice::from_ref(&one)), None);
            assert_eq!(told(kind, &[]), None);
            let both = told(kind, &[one.clone(), (1, Vec::new())]).unwrap();
            assert!(both.contains("1 container, no cut planned"), "{both}");
        }
        let both = |kind| told(kind, &[one.clone(), (1, Vec::new())]).unwrap();
        assert!(both(TaskKind::CheckGermination).contains("Count each portion by itself"));
        assert!(both(TaskKind::Cut).contains("Weigh each portion by itself"));
    }
}
