//! The work that a sowing brings: which tasks, on which days, for how long.

use chrono::NaiveDate;
use cotyl_calendar::{Flexibility, TaskWindow};
use cotyl_domain::QualificationKind;
use cotyl_domain::task::TaskKind;
use cotyl_store::Tx;
use cotyl_store::sowings::Sowing;
use cotyl_store::tasks::{self, TaskFields, TaskSubject, Window, sowing_occasion};
use serde_json::json;
use uuid::Uuid;

use crate::growing::Ground;
use crate::{App, Result};

/// Days from which the tasks of a sowing follow.
pub(crate) struct WorkDays<'a> {
    /// When it is sown.
    pub sow: NaiveDate,
    /// When it is cut, cut 1 first.
    pub cuts: &'a [NaiveDate],
}

/// The tasks of a sowing.
///
/// # Errors
/// A field problem when the site has no open day within reach.
pub(crate) fn tasks_of(
    sowing: &Sowing,
    ground: &Ground,
    days: &WorkDays<'_>,
) -> Result<Vec<TaskFields>> {
    let task = |kind, cut_number, window: TaskWindow| TaskFields {
        site_id: sowing.site_id,
        kind,
        occasion: sowing_occasion(sowing.id, kind, cut_number),
        subject: TaskSubject {
            sowing_id: Some(sowing.id),
            cut_number,
            ..TaskSubject::default()
        },
        rule: None,
        title: None,
        note: String::new(),
        detail: json!({}),
        missed_after: None,
        people: 1,
        created_by: None,
        window: Window {
            day: window.day,
            opens_at: window.opens,
            due_at: window.closes,
        },
        minutes: minutes(kind, ground, sowing.containers),
        // what is cut is handed to people as food
        qualification: (kind == TaskKind::Cut).then_some(QualificationKind::FoodHandling),
    };
    let mut tasks = vec![
        task(
            TaskKind::Sow,
            0,
            ground.window(days.sow, Flexibility::OrAfter)?,
        ),
        task(
            TaskKind::CheckGermination,
            0,
            ground.germination_check(days.sow)?,
        ),
    ];
    for (number, day) in (1..).zip(days.cuts) {
        let window = ground.window(*day, Flexibility::OrAfter)?;
        tasks.push(task(TaskKind::Cut, number, window));
    }
    if let Some(last) = days.cuts.last() {
        let window = ground.window(*last, Flexibility::OrAfter)?;
        tasks.push(task(TaskKind::ClearAndClean, 0, window));
    }
    Ok(tasks)
}

/// Minutes of work, rounded up to a whole one.
fn minutes(kind: TaskKind, ground: &Ground, containers: i32) -> i32 {
    let tenths_per_container = match kind {
        TaskKind::Sow => ground.profile.sow_minutes_tenths,
        TaskKind::CheckGermination => CHECK_MINUTES_TENTHS,
        TaskKind::Cut => ground.profile.cut_minutes_tenths,
        TaskKind::ClearAndClean => ground.profile.clean_minutes_tenths,
        // not work that a profile knows of
        _ => 0,
    };
    let tenths = tenths_per_container.saturating_mul(containers.into());
    i32::try_from(tenths.saturating_add(9) / 10)
        .unwrap_or(MOST_MINUTES)
        .min(MOST_MINUTES)
}

/// A look into each container: common practice, no source; profiles do not say.
const CHECK_MINUTES_TENTHS: i64 = 5;
/// What a task row can hold.
const MOST_MINUTES: i32 = 100_000;

impl App {
    /// Adds the tasks that the sowing does not have yet.
    pub(crate) async fn add_sowing_tasks(
        &self,
        tx: &mut Tx,
        sowing: &Sowing,
        ground: &Ground,
    ) -> Result<()> {
        let days = WorkDays {
            sow: sowing.sow_on,
            cuts: &sowing.planned_cuts,
        };
        for task in tasks_of(sowing, ground, &days)? {
            tasks::insert(tx, self.new_id(), &task).await?;
        }
        Ok(())
    }

    /// Drops what is still to be done for a sowing that is lost or replaced, keeps the cause, and
    /// ends the claims on it; how many tasks were dropped.
    pub(crate) async fn drop_sowing_tasks(
        &self,
        tx: &mut Tx,
        sowing_id: Uuid,
        cause: &str,
    ) -> Result<u64> {
        Ok(tasks::drop_of_sowing(tx, sowing_id, cause, self.clock().now()).await?)
    }
}
