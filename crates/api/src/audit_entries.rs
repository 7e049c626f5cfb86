//! Who did what, when, from which device.

use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, get};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{Signed, page};
use crate::problem::ReadProblems;
use crate::respond::{Answer, Listed, listed, one_more};
use crate::serve::ApiState;

/// Which audit entries.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct AuditQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    after: Option<String>,
    /// Only entries about this record.
    noun_id: Option<Uuid>,
}

/// One change.
#[derive(Debug, Serialize, ToSchema)]
pub struct AuditEntry {
    /// The entry.
    id: Uuid,
    /// When.
    at: DateTime<Utc>,
    /// Who; `null` for the server itself.
    member_id: Option<Uuid>,
    /// Their name now.
    #[schema(example = "Ada Moss")]
    member_name: Option<String>,
    /// The operation, by its `operationId`.
    #[schema(example = "change_site")]
    operation: String,
    /// The kind of record, in the singular.
    #[schema(example = "site")]
    noun: String,
    /// The record.
    noun_id: Option<Uuid>,
    /// What the client called itself.
    device: String,
    /// The request, as in `X-Request-Id` and in the log.
    request_id: String,
    /// What the record became, or what was asked for.
    change: Value,
}

impl From<records::AuditLine> for AuditEntry {
    fn from(line: records::AuditLine) -> Self {
        Self {
            id: line.entry.id,
            at: line.entry.at,
            member_id: line.entry.member_id,
            member_name: line.member_name,
            operation: line.entry.operation,
            noun: line.entry.noun,
            noun_id: line.entry.noun_id,
            device: line.entry.device,
            request_id: line.entry.request_id,
            change: line.entry.change,
        }
    }
}

/// List who changed what
///
/// In the order of the changes, the oldest first.
#[utoipa::path(
    tag = "audit", operation_id = "list_audit_entries", params(AuditQuery),
    responses((status = 200, description = "A page of entries", body = Listed<AuditEntry>), ReadProblems)
)]
#[get("/audit_entries")]
pub async fn list_audit_entries(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<AuditQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let lines = state
        .app
        .list_audit_entries(&caller, query.noun_id, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        lines,
        |l| l.entry.id,
        AuditEntry::from,
    ))
}
