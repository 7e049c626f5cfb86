//! Sites.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use cotyl_domain::quantity::Volume;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, RecordsQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// An open period of a weekday, by the clock on the wall.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct OpenPeriod {
    /// `monday` to `sunday`.
    #[schema(example = "monday")]
    pub weekday: String,
    /// `HH:MM`.
    #[schema(example = "08:00")]
    pub opens: String,
    /// `HH:MM`; `24:00` is the end of the day.
    #[schema(example = "16:30")]
    pub closes: String,
}

/// What a site is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct SiteInput {
    /// Unique among the sites of the co-operative.
    #[schema(example = "North school")]
    pub name: String,
    /// IANA time zone.
    #[schema(example = "America/New_York")]
    pub zone: String,
    /// When people can work there. Days without a period are closed.
    pub opening_hours: Vec<OpenPeriod>,
    /// Minutes of work that volunteers give in a week; `null` for no limit.
    #[schema(example = 300)]
    pub weekly_minutes: Option<i32>,
    /// Solution that can be mixed in a week; `null` for no limit.
    pub weekly_mixing: Option<Volume>,
    /// Most batches sown in a week; `null` for no limit.
    #[schema(example = 6)]
    pub most_sowings_per_week: Option<i32>,
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
            opening_hours: serde_json::json!(input.opening_hours),
            weekly_minutes: input.weekly_minutes,
            weekly_mixing_microlitres: input.weekly_mixing.map(Volume::microlitres),
            most_sowings_per_week: input.most_sowings_per_week,
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
                // checked before it was kept
                opening_hours: serde_json::from_value(site.fields.opening_hours)
                    .unwrap_or_default(),
                weekly_minutes: site.fields.weekly_minutes,
                weekly_mixing: site
                    .fields
                    .weekly_mixing_microlitres
                    .map(Volume::of_microlitres),
                most_sowings_per_week: site.fields.most_sowings_per_week,
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
