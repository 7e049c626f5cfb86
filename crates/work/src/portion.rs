//! What whoever does the work of several sowings of one batch is told of them: how many containers belong
//! to which, and when each is cut first. They stay apart on the station, since they are cut on different
//! days. Common practice, no source.

use chrono::NaiveDate;
use cotyl_domain::task::TaskKind;

/// The containers of one sowing among those of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Portion {
    /// How many.
    pub containers: i32,
    /// The day of their first cut; `None` where none is planned.
    pub first_cut_on: Option<NaiveDate>,
}

/// One more step for whoever does the work of several portions; `None` where there is one.
#[must_use]
pub fn keep_apart(kind: TaskKind, portions: &[Portion]) -> Option<String> {
    if portions.len() < 2 {
        return None;
    }
    let all: i32 = portions.iter().map(|portion| portion.containers).sum();
    let listed: Vec<String> = portions.iter().map(in_words).collect();
    let listed = listed.join("; ");
    let count = portions.len();
    let told = match kind {
        TaskKind::Sow => format!(
            "These {all} containers are {count} portions that are cut on different days: {listed}. Write the day of the first cut on each label too, and set each portion on the station by itself."
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

fn in_words(portion: &Portion) -> String {
    let noun = if portion.containers == 1 {
        "container"
    } else {
        "containers"
    };
    let cut = portion.first_cut_on.map_or_else(
        || "no cut planned".to_owned(),
        |day| format!("first cut {}", day.format("%-d %B %Y")),
    );
    format!("{} {noun}, {cut}", portion.containers)
}

#[cfg(test)]
mod tests {
    use super::*;

    const EARLY: Portion = Portion {
        containers: 4,
        first_cut_on: NaiveDate::from_ymd_opt(2026, 10, 5),
    };
    const LATE: Portion = Portion {
        containers: 1,
        first_cut_on: NaiveDate::from_ymd_opt(2026, 10, 12),
    };

    #[test]
    fn a_sower_is_told_which_containers_are_cut_when() {
        let told = keep_apart(TaskKind::Sow, &[EARLY, LATE]).unwrap_or_default();
        assert!(told.contains("5 containers are 2 portions"), "{told}");
        assert!(
            told.contains(
                "4 containers, first cut 5 October 2026; 1 container, first cut 12 October 2026"
            ),
            "{told}"
        );
        assert!(told.contains("label"), "{told}");
    }

    #[test]
    fn one_portion_needs_no_word_and_every_kind_has_one_for_two() {
        for kind in TaskKind::ALL {
            assert_eq!(keep_apart(kind, &[EARLY]), None);
            assert_eq!(keep_apart(kind, &[]), None);
            let uncut = Portion {
                first_cut_on: None,
                ..LATE
            };
            let told = keep_apart(kind, &[EARLY, uncut]).unwrap_or_default();
            assert!(told.contains("1 container, no cut planned"), "{told}");
        }
        let told = |kind| keep_apart(kind, &[EARLY, LATE]).unwrap_or_default();
        assert!(told(TaskKind::CheckGermination).contains("Count each portion by itself"));
        assert!(told(TaskKind::Cut).contains("Weigh each portion by itself"));
    }
}
