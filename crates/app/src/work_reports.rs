//! What members reported of tasks: seen by themselves and by leads, who settle what something stood
//! against.

use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::Page;
use cotyl_store::work_reports::{self, WorkReport, WorkReportFilter};
use uuid::Uuid;

use crate::input::{Problems, require_version};
use crate::{App, Caller, Changed, Error, Result};

pub use crate::work_effects::containers_of;

/// States of a report.
pub const STATES: [&str; 4] = ["counted", "waiting", "accepted", "set_aside"];

impl App {
    /// Reports within the reach of the member: of their sites for leads, their own for volunteers.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a state that there is not.
    pub async fn list_work_reports(
        &self,
        caller: &Caller,
        site_id: Option<Uuid>,
        task_id: Option<Uuid>,
        state: Option<&str>,
        page: Page,
    ) -> Result<Vec<WorkReport>> {
        if state.is_some_and(|state| !STATES.contains(&state)) {
            let detail = "must be counted, waiting, accepted or set_aside";
            return Err(Error::field("state", "unknown", detail));
        }
        let operation = Operation::ListWorkReports;
        self.read(operation, caller, async |tx, actor| {
            let reach = operation.reach(actor);
            let reached = reach.site_filter().map(<[Uuid]>::to_vec);
            let (sites, member_id) = match (site_id, reached) {
                (Some(site_id), _) if reach.covers_site(site_id) => (Some(vec![site_id]), None),
                (Some(_), _) => (Some(Vec::new()), None),
                (None, reached) => (reached, Some(actor.member_id)),
            };
            let filter = WorkReportFilter {
                sites,
                task_id,
                member_id,
                state: state.map(str::to_owned),
            };
            Ok(work_reports::list(tx, &filter, page).await?)
        })
        .await
    }

    /// One report.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none that the member may know of.
    pub async fn read_work_report(&self, caller: &Caller, id: Uuid) -> Result<WorkReport> {
        let operation = Operation::ReadWorkReport;
        self.read(operation, caller, async |tx, actor| {
            let report = work_reports::get(tx, id).await?;
            within_reach(actor, operation, report)
        })
        .await
    }

    /// Settles a report that waits: it counts as additional work, or is set aside with a reason.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] for one that does not wait; [`Error::Stale`].
    pub async fn settle_work_report(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        accept: bool,
        reason: &str,
    ) -> Result<WorkReport> {
        let mut problems = Problems::new();
        problems.text("/reason", reason, usize::from(!accept), 300);
        problems.finish()?;
        let operation = Operation::SettleWorkReport;
        self.write_once(operation, caller, async |tx, actor| {
            let report = work_reports::lock(tx, id).await?;
            let report = within_reach(actor, operation, report)?;
            require_version(expected, report.version)?;
            if report.state != "waiting" {
                return Err(Refusal::WrongState {
                    what: "the report".into(),
                    state: report.state.replace('_', " "),
                    step: "settled".into(),
                }
                .into());
            }
            let state = if accept { "accepted" } else { "set_aside" };
            let reason = Some(reason.trim()).filter(|reason| !reason.is_empty());
            let now = self.clock().now();
            work_reports::settle(tx, id, state, actor.member_id, now, reason).await?;
            let settled = work_reports::get(tx, id)
                .await?
                .ok_or(Error::NotFound("report"))?;
            let changed = Changed {
                noun: "work report",
                id,
            };
            self.audit(tx, operation, caller, changed, &settled).await?;
            Ok(settled)
        })
        .await
    }
}

/// A report of a site within reach, or one's own where that reaches; others they may not know of.
fn within_reach(
    actor: &Actor,
    operation: Operation,
    report: Option<WorkReport>,
) -> Result<WorkReport> {
    let reach = operation.reach(actor);
    report
        .filter(|report| {
            reach.covers_site(report.site_id) || (reach.own && report.member_id == actor.member_id)
        })
        .ok_or(Error::NotFound("report"))
}
