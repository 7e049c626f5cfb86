//! Qualifications of members.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, RecordsQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a qualification is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct QualificationInput {
    /// What it allows: `concentrates` (acids, bases and fertiliser concentrates) or `food_handling`.
    #[schema(example = "concentrates")]
    pub kind: String,
    /// First day on which it holds.
    #[schema(example = "2026-09-01")]
    pub issued_on: NaiveDate,
    /// Last day on which it holds; `null` for no end.
    #[schema(example = "2028-08-31")]
    pub expires_on: Option<NaiveDate>,
    /// Who trained them, or whatever else is worth keeping; up to 1000 characters.
    #[serde(default)]
    #[schema(example = "Course at the town college")]
    pub note: String,
}

/// A qualification.
#[derive(Debug, Serialize, ToSchema)]
pub struct Qualification {
    /// The qualification.
    pub id: Uuid,
    /// Who has it.
    pub member_id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: QualificationInput,
    /// When it was recorded.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it does not count any more.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<QualificationInput> for records::QualificationFields {
    fn from(input: QualificationInput) -> Self {
        Self {
            kind: input.kind,
            issued_on: input.issued_on,
            expires_on: input.expires_on,
            note: input.note,
        }
    }
}

impl From<records::Qualification> for Qualification {
    fn from(qualification: records::Qualification) -> Self {
        Self {
            id: qualification.id,
            member_id: qualification.member_id,
            fields: QualificationInput {
                kind: qualification.fields.kind,
                issued_on: qualification.fields.issued_on,
                expires_on: qualification.fields.expires_on,
                note: qualification.fields.note,
            },
            created_at: qualification.created_at,
            updated_at: qualification.updated_at,
            retired_at: qualification.retired_at,
        }
    }
}

/// List the qualifications of a member
///
/// Volunteers and readers see their own only.
#[utoipa::path(
    tag = "qualifications", operation_id = "list_qualifications", params(RecordsQuery),
    responses((status = 200, description = "A page of qualifications", body = Listed<Qualification>), ReadProblems)
)]
#[get("/members/{member_id}/qualifications")]
pub async fn list_qualifications(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    member_id: Path<Uuid>,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let found = state
        .app
        .list_qualifications(&caller, *member_id, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, found, |q| q.id, Qualification::from))
}

/// Record a qualification of a member
#[utoipa::path(
    tag = "qualifications", operation_id = "add_qualification", request_body = QualificationInput,
    responses((status = 201, description = "Recorded", body = Qualification), WriteProblems)
)]
#[post("/members/{member_id}/qualifications")]
pub async fn add_qualification(
    state: Data<ApiState>,
    member_id: Path<Uuid>,
    signed: SignedBody<QualificationInput>,
) -> Answer {
    let added = state
        .app
        .add_qualification(&signed.caller, *member_id, &signed.body.into())
        .await?;
    Ok(created(
        added.version,
        &format!("/qualifications/{}", added.id),
        &Qualification::from(added),
    ))
}

/// Read a qualification
#[utoipa::path(
    tag = "qualifications", operation_id = "read_qualification",
    responses((status = 200, description = "The qualification", body = Qualification), ReadProblems)
)]
#[get("/qualifications/{qualification_id}")]
pub async fn read_qualification(
    state: Data<ApiState>,
    Signed(caller): Signed,
    qualification_id: Path<Uuid>,
) -> Answer {
    let found = state
        .app
        .read_qualification(&caller, *qualification_id)
        .await?;
    Ok(record(found.version, &Qualification::from(found)))
}

/// Change a qualification
#[utoipa::path(
    tag = "qualifications", operation_id = "change_qualification", request_body = QualificationInput,
    params(("If-Match" = String, Header, description = "ETag of the qualification as last read")),
    responses((status = 200, description = "The qualification now", body = Qualification), ChangeProblems)
)]
#[put("/qualifications/{qualification_id}")]
pub async fn change_qualification(
    state: Data<ApiState>,
    qualification_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<QualificationInput>,
) -> Answer {
    let changed = state
        .app
        .change_qualification(
            &signed.caller,
            *qualification_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(changed.version, &Qualification::from(changed)))
}

/// Withdraw a qualification
#[utoipa::path(
    tag = "qualifications", operation_id = "retire_qualification",
    params(("If-Match" = String, Header, description = "ETag of the qualification as last read")),
    responses((status = 200, description = "The withdrawn qualification", body = Qualification), ChangeProblems)
)]
#[delete("/qualifications/{qualification_id}")]
pub async fn retire_qualification(
    state: Data<ApiState>,
    Signed(caller): Signed,
    qualification_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let retired = state
        .app
        .retire_qualification(&caller, *qualification_id, expected)
        .await?;
    Ok(record(retired.version, &Qualification::from(retired)))
}
