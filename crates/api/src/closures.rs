//! Closures.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a closure is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ClosureInput {
    /// The site that is closed. It cannot change.
    pub site_id: Uuid,
    /// First closed day.
    #[schema(example = "2026-12-24")]
    pub first_day: NaiveDate,
    /// Last closed day, at most 1000 days later.
    #[schema(example = "2027-01-02")]
    pub last_day: NaiveDate,
    /// Why.
    #[schema(example = "Winter break")]
    pub reason: String,
}

/// A closure.
#[derive(Debug, Serialize, ToSchema)]
pub struct Closure {
    /// The closure.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: ClosureInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

/// Which closures are listed.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ClosuresQuery {
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// Still closed on this day or later.
    pub from: Option<NaiveDate>,
    /// Closed on this day or before.
    pub to: Option<NaiveDate>,
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Whether retired records are listed too.
    #[serde(default)]
    pub with_retired: bool,
}

impl From<ClosureInput> for records::ClosureFields {
    fn from(input: ClosureInput) -> Self {
        Self {
            site_id: input.site_id,
            first_day: input.first_day,
            last_day: input.last_day,
            reason: input.reason,
        }
    }
}

impl From<records::Closure> for Closure {
    fn from(closure: records::Closure) -> Self {
        Self {
            id: closure.id,
            fields: ClosureInput {
                site_id: closure.fields.site_id,
                first_day: closure.fields.first_day,
                last_day: closure.fields.last_day,
                reason: closure.fields.reason,
            },
            created_at: closure.created_at,
            updated_at: closure.updated_at,
            retired_at: closure.retired_at,
        }
    }
}

/// List closures, of one site or within a period
#[utoipa::path(
    tag = "sites", operation_id = "list_closures", params(ClosuresQuery),
    responses((status = 200, description = "A page of closures", body = Listed<Closure>), ReadProblems)
)]
#[get("/closures")]
pub async fn list_closures(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ClosuresQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::ClosureFilter {
        site_id: query.site_id,
        from: query.from,
        to: query.to,
        with_retired: query.with_retired,
    };
    let closures = state
        .app
        .list_closures(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, closures, |c| c.id, Closure::from))
}

/// Close a site for some days
#[utoipa::path(
    tag = "sites", operation_id = "create_closure", request_body = ClosureInput,
    responses((status = 201, description = "Described", body = Closure), WriteProblems)
)]
#[post("/closures")]
pub async fn create_closure(state: Data<ApiState>, signed: SignedBody<ClosureInput>) -> Answer {
    let closure = state
        .app
        .create_closure(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        closure.version,
        &format!("/closures/{}", closure.id),
        &Closure::from(closure),
    ))
}

/// Read a closure
#[utoipa::path(
    tag = "sites", operation_id = "read_closure",
    responses((status = 200, description = "The closure", body = Closure), ReadProblems)
)]
#[get("/closures/{closure_id}")]
pub async fn read_closure(
    state: Data<ApiState>,
    Signed(caller): Signed,
    closure_id: Path<Uuid>,
) -> Answer {
    let closure = state.app.read_closure(&caller, *closure_id).await?;
    Ok(record(closure.version, &Closure::from(closure)))
}

/// Change a closure
#[utoipa::path(
    tag = "sites", operation_id = "change_closure", request_body = ClosureInput,
    params(("If-Match" = String, Header, description = "ETag of the closure as last read")),
    responses((status = 200, description = "The closure now", body = Closure), ChangeProblems)
)]
#[put("/closures/{closure_id}")]
pub async fn change_closure(
    state: Data<ApiState>,
    closure_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<ClosureInput>,
) -> Answer {
    let closure = state
        .app
        .change_closure(&signed.caller, *closure_id, expected, &signed.body.into())
        .await?;
    Ok(record(closure.version, &Closure::from(closure)))
}

/// Take a closure back
#[utoipa::path(
    tag = "sites", operation_id = "retire_closure",
    params(("If-Match" = String, Header, description = "ETag of the closure as last read")),
    responses((status = 200, description = "The retired closure", body = Closure), ChangeProblems)
)]
#[delete("/closures/{closure_id}")]
pub async fn retire_closure(
    state: Data<ApiState>,
    Signed(caller): Signed,
    closure_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let closure = state
        .app
        .retire_closure(&caller, *closure_id, expected)
        .await?;
    Ok(record(closure.version, &Closure::from(closure)))
}
