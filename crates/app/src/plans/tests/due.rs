//! Sowings that are due while a plan is made, worked by hand.

use chrono::NaiveDate;

use super::super::due::{DueSowing, due_sowings};
use super::super::season::{Season, SeasonDue, SeasonOutage, SeasonSowing};
use super::{day, season, small, solved, sowing, stated};

/// The small season on a Tuesday, with four containers of a plan to be sown on it until 25 March.
fn due_today() -> Season {
    let mut season = season(&small());
    season.sites[0].today = day("2026-03-03");
    season.sowings = vec![sowing("planned", "2026-03-03", true)];
    season
}

fn claimed(season: &mut Season, id: &str, claims: i64) {
    season.due.push(SeasonDue {
        id: id.into(),
        site_id: "hall".into(),
        site_name: "Hall".into(),
        station_id: "bench".into(),
        station_name: "Bench".into(),
        crop_id: "leaf".into(),
        crop_name: "leaf lettuce".into(),
        containers: 4,
        sow_on: day("2026-03-03"),
        lost_on: None,
        lost_cause: None,
        claims,
    });
}

fn told(season: &Season) -> Vec<DueSowing> {
    due_sowings(season).unwrap()
}

fn why(season: &Season) -> Option<String> {
    let told = told(season);
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].kept, told[0].why.is_none());
    told[0].why.clone()
}

#[test]
fn what_is_due_stays() {
    let mut season = due_today();
    claimed(&mut season, "standing", 2);
    let told = told(&season);
    assert_eq!((told[0].kept, told[0].claims), (true, 2));
    assert!(
        told[0].words.ends_with(
            "at Bench (Hall), due on 2026-03-03 and claimed by 2 members, stays as it is"
        ),
        "{}",
        told[0].words
    );
    assert!(!stated(&season).committed.is_empty());
    let answer = solved(&season);
    assert!(answer.notes.contains(&told[0].words));
    assert_eq!(answer.due, told);
    // what is to be sown on another day is not due
    season.sites[0].today = day("2026-03-02");
    assert_eq!(due_sowings(&season).unwrap(), []);
}

#[test]
fn what_cannot_be_sown_as_it_is_is_planned_anew() {
    let outage = |first: &str, last: &str, places| SeasonOutage {
        first_day: day(first),
        last_day: day(last),
        places,
    };
    let mut season = due_today();
    season.sites[0].closures = vec![(day("2026-03-03"), day("2026-03-03"))];
    assert_eq!(why(&season).unwrap(), "Hall is closed on 2026-03-03");
    // it is overdue, and can wait for the next day on which the site is open
    season.sites[0].today = day("2026-03-04");
    assert_eq!(why(&season), None);

    let mut season = due_today();
    season.stations[0].retired = true;
    assert_eq!(why(&season).unwrap(), "Bench is out of use");
    season.sites[0].retired = true;
    assert_eq!(why(&season).unwrap(), "Hall is out of use");

    // ten places: six that are out of use leave four, seven leave three
    let mut season = due_today();
    season.stations[0].outages = vec![outage("2026-03-10", "2026-03-12", 6)];
    assert_eq!(why(&season), None);
    season.stations[0].outages = vec![outage("2026-03-10", "2026-03-12", 7)];
    assert_eq!(
        why(&season).unwrap(),
        "Bench has 3 of 10 places free on 2026-03-10"
    );
    let told = told(&season);
    assert!(
        told[0].words.ends_with(
            "claimed by nobody, had to be changed, since Bench has 3 of 10 places free on 2026-03-10; it is planned anew"
        ),
        "{}",
        told[0].words
    );
    // it brings nothing and holds nothing any more; only the outage does
    let problem = stated(&season);
    assert!(problem.committed.is_empty() && problem.committed_work.is_empty());
    assert!(problem.stations[0].taken.iter().all(|run| run.2 == 7));
    // an outage after it is cleared, or before today, does not matter
    season.stations[0].outages = vec![
        outage("2026-03-25", "2026-03-30", 10),
        outage("2026-02-20", "2026-03-02", 10),
    ];
    assert_eq!(why(&season), None);
}

fn named(id: &str, state: &str, on: &str, from_plan: bool, containers: i32) -> SeasonSowing {
    SeasonSowing {
        id: id.into(),
        containers,
        ..sowing(state, on, from_plan)
    }
}

#[test]
fn of_two_that_do_not_both_fit_the_claimed_one_stays() {
    let mut season = due_today();
    season.sowings = vec![
        named("a", "planned", "2026-03-03", true, 6),
        named("b", "planned", "2026-03-03", true, 6),
    ];
    claimed(&mut season, "a", 0);
    claimed(&mut season, "b", 1);
    let kept = |season: &Season| -> Vec<(String, bool)> {
        let told = told(season).into_iter();
        told.map(|due| (due.sowing_id, due.kept)).collect()
    };
    let both = |a, b| vec![("a".to_owned(), a), ("b".to_owned(), b)];
    assert_eq!(kept(&season), both(false, true));
    season.due.clear();
    assert_eq!(kept(&season), both(true, false));
    // what is sown holds its places before either
    let standing = named("c", "sprouted", "2026-02-17", true, 5);
    season.sowings.push(standing);
    assert_eq!(kept(&season), both(false, false));
}

#[test]
fn what_was_put_down_by_hand_is_never_changed() {
    let mut season = due_today();
    season.sowings = vec![named("by hand", "planned", "2026-03-03", false, 4)];
    season.stations[0].retired = true;
    let told = told(&season);
    assert!(told[0].kept);
    assert!(
        told[0]
            .words
            .contains("Bench is out of use; it is of no plan"),
        "{}",
        told[0].words
    );
    let free: NaiveDate = season.sowings[0].free_on;
    assert!(free > season.sites[0].today);
}
