//! Sites.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, RecordsQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a site is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SiteInput {
    /// Unique among the sites of the co-operative.
    #[schema(example = "North school")]
    pub name: String,
    /// IANA time zone.
    #[schema(example = "America/New_York")]
    pub zone: String,
}

/// A site.
#[derive(Debug, Serialize, ToSchema)]
pub struct Site {
    /// The site.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: SiteInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<SiteInput> for records::SiteFields {
    fn from(input: SiteInput) -> Self {
        Self {
            name: input.name,
            zone: input.zone,
            opening_hours: serde_json::Value::Null,
            weekly_minutes: None,
            weekly_mixing_microlitres: None,
            most_sowings_per_week: None,
        }
    }
}

impl From<records::Site> for Site {
    fn from(site: records::Site) -> Self {
        Self {
            id: site.id,
            fields: SiteInput {
                name: site.fields.name,
                zone: site.fields.zone,
            },
            created_at: site.created_at,
            updated_at: site.updated_at,
            retired_at: site.retired_at,
        }
    }
}

/// List sites
#[utoipa::path(
    tag = "sites", operation_id = "list_sites", params(RecordsQuery),
    responses((status = 200, description = "A page of sites", body = Listed<Site>), ReadProblems)
)]
#[get("/sites")]
pub async fn list_sites(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let sites = state
        .app
        .list_sites(&caller, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, sites, |s| s.id, Site::from))
}

/// Describe a new site
#[utoipa::path(
    tag = "sites", operation_id = "create_site", request_body = SiteInput,
    responses((status = 201, description = "Described", body = Site), WriteProblems)
)]
#[post("/sites")]
pub async fn create_site(state: Data<ApiState>, signed: SignedBody<SiteInput>) -> Answer {
    let site = state
        .app
        .create_site(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        site.version,
        &format!("/sites/{}", site.id),
        &Site::from(site),
    ))
}

/// Read a site
#[utoipa::path(
    tag = "sites", operation_id = "read_site",
    responses((status = 200, description = "The site", body = Site), ReadProblems)
)]
#[get("/sites/{site_id}")]
pub async fn read_site(
    state: Data<ApiState>,
    Signed(caller): Signed,
    site_id: Path<Uuid>,
) -> Answer {
    let site = state.app.read_site(&caller, *site_id).await?;
    Ok(record(site.version, &Site::from(site)))
}

/// Change a site
#[utoipa::path(
    tag = "sites", operation_id = "change_site", request_body = SiteInput,
    params(("If-Match" = String, Header, description = "ETag of the site as last read")),
    responses((status = 200, description = "The site now", body = Site), ChangeProblems)
)]
#[put("/sites/{site_id}")]
pub async fn change_site(
    state: Data<ApiState>,
    site_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<SiteInput>,
) -> Answer {
    let site = state
        .app
        .change_site(&signed.caller, *site_id, expected, &signed.body.into())
        .await?;
    Ok(record(site.version, &Site::from(site)))
}

/// Take a site out of use
#[utoipa::path(
    tag = "sites", operation_id = "retire_site",
    params(("If-Match" = String, Header, description = "ETag of the site as last read")),
    responses((status = 200, description = "The retired site", body = Site), ChangeProblems)
)]
#[delete("/sites/{site_id}")]
pub async fn retire_site(
    state: Data<ApiState>,
    Signed(caller): Signed,
    site_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let site = state.app.retire_site(&caller, *site_id, expected).await?;
    Ok(record(site.version, &Site::from(site)))
}
