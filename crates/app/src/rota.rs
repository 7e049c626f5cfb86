//! A suggestion of who does which task of the coming days. It is a draft: nothing is held before a lead
//! assigns it.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use cotyl_domain::task::{TaskState, may_claim, works_at};
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_rota::{Answer, Hindrance, Member, Problem, WORK_LIMIT, assign, why};
use cotyl_store::rota::Share;
use cotyl_store::tasks::{self, Moment, Task, TaskFilter, TaskPage};
use cotyl_store::{Tx, rota, sites, work_settings};
use uuid::Uuid;

use crate::availability::Availability;
use crate::calendars::{Calendars, free_time, open_within};
use crate::claim_rules::{minutes_each, work_of};
use crate::input::Problems;
use crate::tasks::claimable;
use crate::{App, Caller, Error, Result};

/// The longest period that is suggested for, in days.
const MOST_DAYS: i64 = 14;
/// The most tasks that are suggested for at once.
const MOST_TASKS: i64 = 300;
/// How long work that was done counts towards the spread.
const LOOK_BACK: TimeDelta = TimeDelta::days(28);
/// What is due within this time is urgent.
const SOON: TimeDelta = TimeDelta::hours(48);
/// What spoils or lets seedlings and people down when it is late: common practice, no source.
const URGENT_KINDS: [&str; 5] = ["mist", "top_up", "cut", "pack", "deliver"];

/// A task that somebody could take.
#[derive(Debug, Clone)]
pub struct Suggested {
    /// The task.
    pub task: Task,
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
    /// Minutes at their place.
    pub minutes: i64,
}

/// Places of a task that nobody is suggested for.
#[derive(Debug, Clone)]
pub struct Unfilled {
    /// The task.
    pub task: Task,
    /// Places.
    pub places: usize,
    /// Stable word for what hinders the member who comes closest.
    pub code: &'static str,
    /// In words.
    pub detail: String,
}

/// What a member carries.
#[derive(Debug, Clone)]
pub struct Load {
    /// The member.
    pub member_id: Uuid,
    /// Their name.
    pub name: String,
    /// Whether they have said when they can help.
    pub has_said: bool,
    /// Minutes done in the four weeks before, and held.
    pub minutes_before: i64,
    /// Minutes suggested.
    pub minutes_suggested: i64,
}

/// Who could do which task.
#[derive(Debug, Clone)]
pub struct Suggestion {
    /// Tasks with members.
    pub given: Vec<Suggested>,
    /// Tasks with places that stay free.
    pub unfilled: Vec<Unfilled>,
    /// What everybody carries.
    pub loads: Vec<Load>,
    /// The figures of the answer.
    pub answer: Answer,
}

/// A problem with what its positions stand for.
struct Gathered {
    tasks: Vec<Task>,
    members: Vec<Actor>,
    said: Vec<bool>,
    problem: Problem,
}

impl App {
    /// Suggests members for the open tasks of a site in a period: by their free hours, qualifications, the
    /// limit of claims and what they carry already.
    ///
    /// # Errors
    /// [`Error::NotFound`] for a site that is not theirs; [`Error::Invalid`]; [`Refusal::TooMuch`].
    pub async fn suggest_assignments(
        &self,
        caller: &Caller,
        site_id: Uuid,
        from: NaiveDate,
        to: NaiveDate,
    ) -> Result<Suggestion> {
        let mut problems = Problems::new();
        problems.day("from", from);
        problems.day("to", to);
        problems.require(
            (0..MOST_DAYS).contains(&(to - from).num_days()),
            "to",
            "range",
            "must be the first day or at most 13 days later",
        );
        problems.finish()?;
        let operation = Operation::SuggestAssignments;
        let now = self.clock().now();
        let gathered = self
            .read(operation, caller, async |tx, actor| {
                sites::get(tx, site_id)
                    .await?
                    .filter(|_| operation.reach(actor).covers_site(site_id))
                    .ok_or(Error::NotFound("site"))?;
                gather(tx, site_id, from, to, now).await
            })
            .await?;
        tokio::task::spawn_blocking(move || suggestion(gathered))
            .await
            .map_err(Error::internal)
    }
}

/// Reads tasks with free places, the people of the site, and what they carry.
async fn gather(
    tx: &mut Tx,
    site_id: Uuid,
    from: NaiveDate,
    to: NaiveDate,
    now: DateTime<Utc>,
) -> Result<Gathered> {
    let filter = TaskFilter {
        sites: Some(vec![site_id]),
        states: Some(vec![TaskState::Open, TaskState::Held]),
        from: Some(Moment::Day(from)),
        to: Some(Moment::Day(to)),
        ..TaskFilter::default()
    };
    let page = TaskPage {
        after: None,
        limit: Some(MOST_TASKS + 1),
    };
    let mut open = tasks::list(tx, &filter, page).await?;
    if i64::try_from(open.len()).unwrap_or(i64::MAX) > MOST_TASKS {
        return Err(Refusal::TooMuch {
            what: "the tasks of a suggestion (choose a shorter period)".into(),
            most: MOST_TASKS,
        }
        .into());
    }
    for task in &mut open {
        task.see_at(now);
    }
    open.retain(|task| free_places(task) > 0);
    let people = people(tx, site_id, from, to, &open, now).await?;
    let tasks = open
        .iter()
        .map(|task| {
            let opens_at = task.opens_at.max(now);
            Ok(cotyl_rota::Task {
                places: free_places(task),
                minutes: minutes_each(task),
                urgency: usize::from(!is_urgent(task, now)),
                day: i64::from(chrono::Datelike::num_days_from_ce(&task.day)),
                open: people
                    .calendars
                    .open_within(site_id, opens_at, task.due_at)?,
                who: who_may(task, &people.actors)?,
            })
        })
        .collect::<Result<_>>()?;
    Ok(Gathered {
        tasks: open,
        said: people.said,
        members: people.actors,
        problem: Problem {
            tasks,
            members: people.members,
        },
    })
}

/// Who works at a site, and what they can do and carry.
struct People {
    actors: Vec<Actor>,
    said: Vec<bool>,
    members: Vec<Member>,
    calendars: Calendars,
}

async fn people(
    tx: &mut Tx,
    site_id: Uuid,
    from: NaiveDate,
    to: NaiveDate,
    open: &[Task],
    now: DateTime<Utc>,
) -> Result<People> {
    let ids = rota::working_at(tx, site_id).await?;
    let actors = rota::members(tx, &ids).await?;
    let mut said: BTreeMap<Uuid, Availability> = BTreeMap::new();
    for kept in rota::availabilities(tx, &ids).await? {
        said.insert(kept.member_id, Availability::of(kept)?);
    }
    let held = rota::held(tx, &ids, now).await?;
    let sites = held.iter().map(|each| each.site_id).chain([site_id]);
    let calendars = Calendars::load(tx, sites).await?;
    let settings = work_settings::get(tx).await?;
    let before = rota::shares(tx, site_id, from - LOOK_BACK, to, now).await?;
    let calendar = calendars.of(site_id)?;
    let last_due = open.iter().map(|task| task.due_at).max().unwrap_or(now);
    let mut members = Vec::new();
    for actor in &actors {
        let free = match said.get(&actor.member_id) {
            Some(said) => open_within(&free_time(calendar.zone(), said)?, now, last_due),
            None => Vec::new(),
        };
        let own = held
            .iter()
            .filter(|each| each.member_id == actor.member_id)
            .map(|each| work_of(&calendars, each))
            .collect::<Result<Vec<_>>>()?;
        let most = usize::try_from(settings.most_claims).unwrap_or(0);
        members.push(Member {
            minutes_before: carried(&before, actor.member_id),
            free,
            most: most.saturating_sub(own.len()),
            held: own,
        });
    }
    Ok(People {
        said: actors
            .iter()
            .map(|actor| said.contains_key(&actor.member_id))
            .collect(),
        actors,
        members,
        calendars,
    })
}

fn free_places(task: &Task) -> usize {
    usize::try_from(task.people)
        .unwrap_or(0)
        .saturating_sub(task.holders.len())
}

fn is_urgent(task: &Task, now: DateTime<Utc>) -> bool {
    URGENT_KINDS.contains(&task.kind.as_str()) || task.due_at <= now + SOON
}

/// Minutes done and held at the site.
fn carried(shares: &[Share], member_id: Uuid) -> i64 {
    shares
        .iter()
        .filter(|share| share.member_id == member_id && share.kind != "offered")
        .map(|share| share.minutes)
        .sum()
}

/// Members, by position, who work at the site of the task, are qualified and do not hold it.
fn who_may(task: &Task, members: &[Actor]) -> Result<Vec<usize>> {
    let rules = claimable(task)?;
    Ok(members
        .iter()
        .enumerate()
        .filter(|(_, actor)| works_at(actor, task.site_id) && may_claim(&rules, actor).is_ok())
        .map(|(position, _)| position)
        .collect())
}

fn suggestion(gathered: Gathered) -> Suggestion {
    let Gathered {
        tasks,
        members,
        said,
        problem,
    } = gathered;
    let answer = assign(&problem, WORK_LIMIT);
    let given = answer
        .given
        .iter()
        .map(|&(task, member)| Suggested {
            task: tasks[task].clone(),
            member_id: members[member].member_id,
            name: members[member].name.clone(),
            minutes: problem.tasks[task].minutes,
        })
        .collect();
    let unfilled = (0..tasks.len())
        .filter_map(|position| {
            let reason = why(&problem, &answer, position)?;
            let taken = answer.given.iter().filter(|(task, _)| *task == position);
            let (code, detail) = reason_in_words(&tasks[position], &problem, position, reason);
            Some(Unfilled {
                task: tasks[position].clone(),
                places: problem.tasks[position].places - taken.count(),
                code,
                detail,
            })
        })
        .collect();
    let loads = members
        .iter()
        .zip(said)
        .enumerate()
        .map(|(position, (actor, has_said))| Load {
            member_id: actor.member_id,
            name: actor.name.clone(),
            has_said,
            minutes_before: problem.members[position].minutes_before,
            minutes_suggested: answer
                .given
                .iter()
                .filter(|(_, member)| *member == position)
                .map(|(task, _)| problem.tasks[*task].minutes)
                .sum(),
        })
        .collect();
    Suggestion {
        given,
        unfilled,
        loads,
        answer,
    }
}

fn reason_in_words(
    task: &Task,
    problem: &Problem,
    position: usize,
    reason: Hindrance,
) -> (&'static str, String) {
    let minutes = problem.tasks[position].minutes;
    if cotyl_rota::length(&problem.tasks[position].open) < minutes {
        let detail =
            format!("the site is not open for {minutes} minutes more before the task is due");
        return ("site_closed", detail);
    }
    match reason {
        Hindrance::MayNot => match (&task.qualification, problem.tasks[position].who.is_empty()) {
            (Some(kind), true) => (
                "nobody_qualified",
                format!(
                    "nobody else at the site has a {} qualification that holds on {}",
                    kind.replace('_', " "),
                    task.day
                ),
            ),
            _ => (
                "nobody_left",
                "everybody at the site who may do it has a place of it already".to_owned(),
            ),
        },
        Hindrance::NotFree => (
            "nobody_free",
            format!(
                "of those who may do it, nobody has said that they are free for {minutes} minutes while it can be done"
            ),
        ),
        Hindrance::AtLimit => (
            "everybody_at_limit",
            "those who are free hold as many tasks as they may".to_owned(),
        ),
        Hindrance::Busy => (
            "everybody_busy",
            "what those who are free hold already takes the time".to_owned(),
        ),
        Hindrance::NeededElsewhere => (
            "needed_elsewhere",
            "those who could do it are suggested for other tasks, and there is no time or claim left for this one"
                .to_owned(),
        ),
    }
}
