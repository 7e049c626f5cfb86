//! What will suffer while a site is closed.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use cotyl_app::closure_warnings::{ClosureOutlook as AppOutlook, NamedWarning};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::Signed;
use crate::problem::ReadProblems;
use crate::respond::Answer;
use crate::serve::ApiState;

/// Work that a closure keeps from being done in time.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClosureWarning {
    /// The rule whose work it is.
    #[schema(example = "mist")]
    pub rule: &'static str,
    /// The kind of work.
    #[schema(example = "mist")]
    pub kind: &'static str,
    /// The sowing it is about.
    pub sowing_id: Option<Uuid>,
    /// Name of its crop.
    pub crop_name: Option<String>,
    /// The station it is about.
    pub station_id: Option<Uuid>,
    /// Its name.
    pub station_name: Option<String>,
    /// The batch it is about.
    pub batch_id: Option<Uuid>,
    /// The recipient it is for.
    pub recipient_id: Option<Uuid>,
    /// Its name.
    pub recipient_name: Option<String>,
    /// Days of the closure on which it would have fallen.
    pub days: Vec<NaiveDate>,
    /// The day after the closure to which it goes; `null` where it falls away.
    pub put_off_to: Option<NaiveDate>,
    /// What goes wrong when nobody comes.
    #[schema(example = "seeds and seedlings dry out")]
    pub harm: &'static str,
}

/// A closure that comes, with what will go wrong.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClosureOutlook {
    /// The closure.
    pub closure_id: Uuid,
    /// Its first day.
    pub first_day: NaiveDate,
    /// Its last day.
    pub last_day: NaiveDate,
    /// Why the site is closed.
    #[schema(example = "Winter break")]
    pub reason: String,
    /// The last open day before it; `null` when none is left.
    pub last_open_day: Option<NaiveDate>,
    /// What will go wrong when nobody comes: arrange a visit, or do without.
    pub warnings: Vec<ClosureWarning>,
}

/// Closures that come.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClosureWarnings {
    /// The closures in the order of their beginning.
    pub items: Vec<ClosureOutlook>,
}

impl From<NamedWarning> for ClosureWarning {
    fn from(named: NamedWarning) -> Self {
        let warning = named.warning;
        Self {
            rule: warning.rule.as_str(),
            kind: warning.kind.as_str(),
            sowing_id: warning.subject.sowing_id,
            crop_name: named.crop_name,
            station_id: warning.subject.station_id,
            station_name: named.station_name,
            batch_id: warning.subject.batch_id,
            recipient_id: warning.subject.recipient_id,
            recipient_name: named.recipient_name,
            days: warning.days,
            put_off_to: warning.put_off_to,
            harm: warning.harm,
        }
    }
}

impl From<AppOutlook> for ClosureOutlook {
    fn from(outlook: AppOutlook) -> Self {
        Self {
            closure_id: outlook.closure_id,
            first_day: outlook.first_day,
            last_day: outlook.last_day,
            reason: outlook.reason,
            last_open_day: outlook.last_open_day,
            warnings: outlook.warnings.into_iter().map(Into::into).collect(),
        }
    }
}

/// How far ahead to look.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ClosureWarningsQuery {
    /// Days within which a closure begins, 0 to 366; when left out 28, or as many as the plan in force
    /// still lasts.
    #[param(minimum = 0, maximum = 366)]
    pub days_ahead: Option<u32>,
}

/// Read what will go wrong during closures that come
///
/// Work that cannot fall in a closure is brought forward or put off; what is listed here cannot be, or is
/// put off for longer than the crop can wait. A closure is looked at up to the end of the plan in force, at
/// most 366 days from today; of a closure longer than 60 days the first 60 in any case.
#[utoipa::path(
    tag = "tasks", operation_id = "read_closure_warnings", params(ClosureWarningsQuery),
    responses((status = 200, description = "Closures, each with what will go wrong when nobody comes", body = ClosureWarnings), ReadProblems)
)]
#[get("/sites/{site_id}/closure_warnings")]
pub async fn read_closure_warnings(
    state: Data<ApiState>,
    Signed(caller): Signed,
    site_id: Path<Uuid>,
    query: Query<ClosureWarningsQuery>,
) -> Answer {
    let outlooks = state
        .app
        .read_closure_warnings(&caller, *site_id, query.days_ahead)
        .await?;
    Ok(HttpResponse::Ok().json(ClosureWarnings {
        items: outlooks.into_iter().map(Into::into).collect(),
    }))
}
