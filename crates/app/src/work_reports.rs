//! What members reported of tasks: seen by themselves and by leads.

use cotyl_domain::{Actor, Operation};
use cotyl_store::Page;
use cotyl_store::work_reports::{self, WorkReport, WorkReportFilter};
use uuid::Uuid;

use crate::{App, Caller, Error, Result};

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
}

/// A report of a site within reach, or one's own where that reaches; others they may not know of.
pub(crate) fn within_reach(
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
