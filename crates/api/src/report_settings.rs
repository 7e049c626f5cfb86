//! How the co-operative reports.

use actix_web::web::Data;
use actix_web::{get, put};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::extract::{IfMatch, Signed, SignedBody};
use crate::problem::{ChangeProblems, ReadProblems};
use crate::respond::{Answer, record};
use crate::serve::ApiState;

/// How the co-operative reports.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ReportSettings {
    /// Month in which the funding year begins.
    #[schema(minimum = 1, maximum = 12, example = 9)]
    pub funding_year_month: u32,
    /// Day of that month on which it begins; one that every year has.
    #[schema(minimum = 1, maximum = 31, example = 1)]
    pub funding_year_day: u32,
}

impl From<records::ReportSettings> for ReportSettings {
    fn from(settings: records::ReportSettings) -> Self {
        Self {
            funding_year_month: settings.funding_year_month.unsigned_abs(),
            funding_year_day: settings.funding_year_day.unsigned_abs(),
        }
    }
}

/// Read how the co-operative reports
///
/// The funding year begins on 1 January until that is changed.
#[utoipa::path(
    tag = "reports", operation_id = "read_report_settings",
    responses((status = 200, description = "The settings", body = ReportSettings), ReadProblems)
)]
#[get("/report_settings")]
pub async fn read_report_settings(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    let settings = state.app.read_report_settings(&caller).await?;
    Ok(record(settings.version, &ReportSettings::from(settings)))
}

/// Change how the co-operative reports
#[utoipa::path(
    tag = "reports", operation_id = "change_report_settings", request_body = ReportSettings,
    params(("If-Match" = String, Header, description = "ETag of the settings as last read")),
    responses((status = 200, description = "The settings now", body = ReportSettings), ChangeProblems)
)]
#[put("/report_settings")]
pub async fn change_report_settings(
    state: Data<ApiState>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<ReportSettings>,
) -> Answer {
    let input = signed.body;
    let settings = state
        .app
        .change_report_settings(
            &signed.caller,
            expected,
            input.funding_year_month,
            input.funding_year_day,
        )
        .await?;
    Ok(record(settings.version, &ReportSettings::from(settings)))
}
