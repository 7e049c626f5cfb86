//! How a co-operative shares its work.

use actix_web::web::Data;
use actix_web::{get, put};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::extract::{IfMatch, Signed, SignedBody};
use crate::problem::{ChangeProblems, ReadProblems};
use crate::respond::{Answer, record};
use crate::serve::ApiState;

/// How work is shared.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct WorkSettings {
    /// Tasks that one member may hold at once, at all sites together; 10 where nothing was chosen.
    #[schema(minimum = 1, maximum = 100, example = 10)]
    pub most_claims: i32,
}

impl From<records::WorkSettings> for WorkSettings {
    fn from(settings: records::WorkSettings) -> Self {
        Self {
            most_claims: settings.most_claims,
        }
    }
}

/// Read how work is shared
#[utoipa::path(
    tag = "tasks", operation_id = "read_work_settings",
    responses((status = 200, description = "The settings in force", body = WorkSettings), ReadProblems)
)]
#[get("/work_settings")]
pub async fn read_work_settings(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    let settings = state.app.read_work_settings(&caller).await?;
    Ok(record(settings.version, &WorkSettings::from(settings)))
}

/// Choose how work is shared
///
/// What members hold already stays theirs.
#[utoipa::path(
    tag = "tasks", operation_id = "change_work_settings", request_body = WorkSettings,
    params(("If-Match" = String, Header, description = "ETag of the settings as last read")),
    responses((status = 200, description = "The settings now", body = WorkSettings), ChangeProblems)
)]
#[put("/work_settings")]
pub async fn change_work_settings(
    state: Data<ApiState>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<WorkSettings>,
) -> Answer {
    let settings = state
        .app
        .change_work_settings(&signed.caller, expected, signed.body.most_claims)
        .await?;
    Ok(record(settings.version, &WorkSettings::from(settings)))
}
