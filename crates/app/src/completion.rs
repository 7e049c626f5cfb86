//! What is told when work was done, and what belongs to which kind of work; pure.

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_domain::quantity::Volume;
use cotyl_domain::task::TaskKind;
use cotyl_domain::temperature::Temperature;
use cotyl_store::tasks::Task;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::batches::entry_input::ShownConductivity;
use crate::input::Problems;
use crate::{Error, Result};

/// How long ago work may have been done that is reported now: a phone may have been offline.
pub const MOST_DAYS_BACK: TimeDelta = TimeDelta::days(7);
/// How far the clock of a phone may be ahead.
pub const MOST_AHEAD: TimeDelta = TimeDelta::minutes(5);

/// Most minutes of one report: a day.
const MOST_MINUTES: i64 = 24 * 60;

/// What was done.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Completion {
    /// The report, made by whoever sends it; sent again it has one effect.
    #[serde(skip)]
    pub id: Option<Uuid>,
    /// When, by the clock of the one who did it; now when left out.
    #[serde(skip)]
    pub done_at: Option<DateTime<Utc>>,
    /// When the program first heard of it, where that was before now.
    #[serde(skip)]
    pub heard_at: Option<DateTime<Utc>>,
    /// Whether only a part of it was done, and the rest stays to be done.
    #[serde(skip)]
    pub partial: bool,
    /// Minutes that each who did it took, where they were told.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<i32>,
    /// Containers really done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub containers: Option<i32>,
    /// Of so many, where a part was done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of_containers: Option<i32>,
    /// Containers in which seedlings stand, for the check of germination.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sprouted_containers: Option<i32>,
    /// Of measuring.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ph: Option<f64>,
    /// Of measuring.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conductivity: Option<ShownConductivity>,
    /// Of measuring.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature: Option<Temperature>,
    /// Of topping up: what went in, in all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volume: Option<Volume>,
    /// Of topping up: from this batch; of mixing: this one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub batch_id: Option<Uuid>,
    /// Of topping up: what went in was plain water, of no batch.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub plain_water: bool,
    /// Of topping up: it was poured already, though past the limit; the note says why.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub past_limit_accepted: bool,
    /// Of adjusting: the entry of the batch that shows it; of topping up the one that was made of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub batch_entry_id: Option<Uuid>,
    /// Of counting: the stock-taking.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stock_count_id: Option<Uuid>,
    /// Of packing and delivering: the delivery.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub delivery_id: Option<Uuid>,
    /// The reading that was made of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reading_id: Option<Uuid>,
    /// Anything worth knowing.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// Where a picture of it is kept, in words of the client.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub photo_reference: Option<String>,
}

impl Completion {
    /// Whether it comes from a client that may have been offline: such a report is kept, whatever
    /// stands against it.
    pub fn comes_late(&self) -> bool {
        self.id.is_some() || self.done_at.is_some()
    }
}

/// Fields of a kind of work: those it may have, and those it must have when it is done as a whole.
fn fields_of(kind: TaskKind) -> (&'static [&'static str], &'static [&'static str]) {
    match kind {
        TaskKind::Sow | TaskKind::Mist | TaskKind::Turn | TaskKind::ClearAndClean => {
            (&["containers"], &[])
        }
        TaskKind::CheckGermination => (&["sprouted_containers"], &["sprouted_containers"]),
        TaskKind::TopUp => (
            &[
                "containers",
                "volume",
                "batch_id",
                "plain_water",
                "past_limit_accepted",
            ],
            &["volume"],
        ),
        TaskKind::Measure => (&["ph", "conductivity", "temperature"], &[]),
        TaskKind::Mix => (&["batch_id"], &["batch_id"]),
        TaskKind::Adjust => (&["batch_id", "batch_entry_id"], &["batch_entry_id"]),
        TaskKind::Count => (&["stock_count_id"], &["stock_count_id"]),
        TaskKind::Pack | TaskKind::Deliver => (&["delivery_id"], &["delivery_id"]),
        TaskKind::Cut | TaskKind::Other => (&[], &[]),
    }
}

/// Kinds of which a part can be done.
fn has_parts(kind: TaskKind) -> bool {
    matches!(
        kind,
        TaskKind::Sow
            | TaskKind::Mist
            | TaskKind::Turn
            | TaskKind::ClearAndClean
            | TaskKind::TopUp
            | TaskKind::Other
    )
}

/// Checks what was done against the kind of the task, and says when.
///
/// # Errors
/// [`Error::Invalid`] with every field that does not fit.
pub(crate) fn check(task: &Task, done: &Completion, now: DateTime<Utc>) -> Result<DateTime<Utc>> {
    let done_at = done.done_at.unwrap_or(now);
    let kind = task.kind()?;
    let mut problems = Problems::new();
    problems.require(
        done_at >= now - MOST_DAYS_BACK && done_at <= now + MOST_AHEAD,
        "/done_at",
        "range",
        "must be within the last 7 days and not in the future",
    );
    if done.id.is_some_and(|id| id.get_version_num() != 7) {
        problems.add("/id", "format", "must be a UUID of version 7");
    }
    check_fields(&mut problems, kind, done);
    check_minutes(&mut problems, done);
    let most = task.containers.unwrap_or(10_000);
    if let Some(count) = done.sprouted_containers {
        problems.within("/sprouted_containers", count.into(), 0, most.into());
    }
    if let Some(containers) = done.containers {
        // more may be sown than was planned, but not more looked after than stand there
        let most = if kind == TaskKind::Sow { 10_000 } else { most };
        problems.within("/containers", containers.into(), 1, most.into());
    }
    if let Some(volume) = done.volume {
        problems.require(
            (0..=100_000_000_000).contains(&volume.microlitres()),
            "/volume",
            "range",
            "must be from nothing to 100000 L",
        );
        problems.require(
            volume.microlitres() == 0 || done.batch_id.is_some() || done.plain_water,
            "/batch_id",
            "missing",
            "name the batch that it came from, or say that it was plain water",
        );
    }
    problems.require(
        !done.plain_water || done.batch_id.is_none(),
        "/plain_water",
        "unexpected",
        "plain water comes from no batch: finish a part for each",
    );
    if done.partial {
        check_part(&mut problems, kind, done);
    } else if kind == TaskKind::Measure
        && done.ph.is_none()
        && done.conductivity.is_none()
        && done.temperature.is_none()
    {
        let detail = "give a pH, a conductivity or a temperature";
        problems.add("/ph", "missing", detail);
    }
    problems.text("/note", &done.note, 0, 300);
    if let Some(reference) = &done.photo_reference {
        problems.text("/photo_reference", reference, 1, 300);
    }
    problems.finish()?;
    Ok(done_at)
}

fn check_fields(problems: &mut Problems, kind: TaskKind, done: &Completion) {
    let (may, must) = fields_of(kind);
    for (name, given) in [
        ("containers", done.containers.is_some()),
        ("sprouted_containers", done.sprouted_containers.is_some()),
        ("ph", done.ph.is_some()),
        ("conductivity", done.conductivity.is_some()),
        ("temperature", done.temperature.is_some()),
        ("volume", done.volume.is_some()),
        ("batch_id", done.batch_id.is_some()),
        ("plain_water", done.plain_water),
        ("past_limit_accepted", done.past_limit_accepted),
        ("batch_entry_id", done.batch_entry_id.is_some()),
        ("stock_count_id", done.stock_count_id.is_some()),
        ("delivery_id", done.delivery_id.is_some()),
    ] {
        let what = kind.as_str().replace('_', " ");
        let pointer = format!("/{name}");
        if given && !may.contains(&name) {
            let detail = format!("does not belong to the work {what}");
            problems.add(pointer, "unexpected", detail);
        } else if !given && must.contains(&name) && !done.partial {
            problems.add(pointer, "missing", format!("belongs to the work {what}"));
        }
    }
}

/// Minutes that were told are those of one stay, and of the whole: a part counts by its containers.
pub(crate) fn check_minutes(problems: &mut Problems, done: &Completion) {
    let Some(minutes) = done.minutes else {
        return;
    };
    problems.within("/minutes", minutes.into(), 0, MOST_MINUTES);
    problems.require(
        !done.partial,
        "/minutes",
        "unexpected",
        "a part counts by its containers",
    );
}

fn check_part(problems: &mut Problems, kind: TaskKind, done: &Completion) {
    problems.require(
        has_parts(kind),
        "/partial",
        "unexpected",
        "this kind of work is done as a whole or not at all",
    );
    problems.require(
        kind == TaskKind::Other || done.containers.is_some(),
        "/containers",
        "missing",
        "say how many containers were done",
    );
    problems.require(
        kind != TaskKind::Other || !done.note.trim().is_empty(),
        "/note",
        "missing",
        "say what was done",
    );
}

/// Containers of a task that are left after its parts, where it has any.
///
/// # Errors
/// [`Error::Invalid`] for a part that leaves nothing to be done.
pub(crate) fn left_after_part(task: &Task, before: i32, part: Option<i32>) -> Result<()> {
    let (Some(all), Some(part)) = (task.containers, part) else {
        return Ok(());
    };
    if before.saturating_add(part) < all {
        return Ok(());
    }
    let left = all.saturating_sub(before);
    let detail =
        format!("{left} were left; where all of them were done, finish the task as a whole");
    Err(Error::field("/containers", "range", detail))
}
