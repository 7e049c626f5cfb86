//! Terms: named spans of days that the co-operative reports by.

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

/// What a term is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct TermInput {
    /// Unique among the terms of the co-operative.
    #[schema(example = "Autumn term 2026")]
    pub name: String,
    /// First day.
    #[schema(example = "2026-09-07")]
    pub first_day: NaiveDate,
    /// Last day, at most 1000 days later.
    #[schema(example = "2026-12-18")]
    pub last_day: NaiveDate,
}

/// A term.
#[derive(Debug, Serialize, ToSchema)]
pub struct Term {
    /// The term.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: TermInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<TermInput> for records::TermFields {
    fn from(input: TermInput) -> Self {
        Self {
            name: input.name,
            first_day: input.first_day,
            last_day: input.last_day,
        }
    }
}

impl From<records::Term> for Term {
    fn from(term: records::Term) -> Self {
        Self {
            id: term.id,
            fields: TermInput {
                name: term.fields.name,
                first_day: term.fields.first_day,
                last_day: term.fields.last_day,
            },
            created_at: term.created_at,
            updated_at: term.updated_at,
            retired_at: term.retired_at,
        }
    }
}

/// List terms
#[utoipa::path(
    tag = "reports", operation_id = "list_terms", params(RecordsQuery),
    responses((status = 200, description = "A page of terms", body = Listed<Term>), ReadProblems)
)]
#[get("/terms")]
pub async fn list_terms(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let terms = state
        .app
        .list_terms(&caller, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, terms, |t| t.id, Term::from))
}

/// Describe a new term
#[utoipa::path(
    tag = "reports", operation_id = "create_term", request_body = TermInput,
    responses((status = 201, description = "Described", body = Term), WriteProblems)
)]
#[post("/terms")]
pub async fn create_term(state: Data<ApiState>, signed: SignedBody<TermInput>) -> Answer {
    let term = state
        .app
        .create_term(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        term.version,
        &format!("/terms/{}", term.id),
        &Term::from(term),
    ))
}

/// Read a term
#[utoipa::path(
    tag = "reports", operation_id = "read_term",
    responses((status = 200, description = "The term", body = Term), ReadProblems)
)]
#[get("/terms/{term_id}")]
pub async fn read_term(
    state: Data<ApiState>,
    Signed(caller): Signed,
    term_id: Path<Uuid>,
) -> Answer {
    let term = state.app.read_term(&caller, *term_id).await?;
    Ok(record(term.version, &Term::from(term)))
}

/// Change a term
#[utoipa::path(
    tag = "reports", operation_id = "change_term", request_body = TermInput,
    params(("If-Match" = String, Header, description = "ETag of the term as last read")),
    responses((status = 200, description = "The term now", body = Term), ChangeProblems)
)]
#[put("/terms/{term_id}")]
pub async fn change_term(
    state: Data<ApiState>,
    term_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<TermInput>,
) -> Answer {
    let term = state
        .app
        .change_term(&signed.caller, *term_id, expected, &signed.body.into())
        .await?;
    Ok(record(term.version, &Term::from(term)))
}

/// Take a term out of use
#[utoipa::path(
    tag = "reports", operation_id = "retire_term",
    params(("If-Match" = String, Header, description = "ETag of the term as last read")),
    responses((status = 200, description = "The retired term", body = Term), ChangeProblems)
)]
#[delete("/terms/{term_id}")]
pub async fn retire_term(
    state: Data<ApiState>,
    Signed(caller): Signed,
    term_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let term = state.app.retire_term(&caller, *term_id, expected).await?;
    Ok(record(term.version, &Term::from(term)))
}
