//! Container kinds.

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

/// What was published on refilling: the level cannot be told from a volume alone, so whoever refills
/// measures it.
pub const REFILL_CAUTION: &str = "Once air roots hang above the liquid, do not raise its level by more than 2 cm: \
    roots that live in air may be injured. Measure the level; the refill limit in litres does not show it. \
    Source: Kratky, A suspended pot, non-circulating hydroponic method, Acta Horticulturae 648:83-89, 2004.";

/// What a container kind is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ContainerKindInput {
    /// Unique among the container kinds of the co-operative.
    #[schema(example = "Jar")]
    pub name: String,
    /// What it holds to the brim, at most 1000 L.
    pub volume: Volume,
    /// What it holds at the fill line.
    pub fill: Volume,
    /// Highest refill once air roots have formed, as the liquid in the container; at most the fill line.
    pub refill_limit: Volume,
    /// Plants it carries.
    #[schema(example = 1)]
    pub plants_per_container: i32,
    /// Weight it gives, in thousandths of the reference container (a jar filled to 3.5 L, 20 cm apart);
    /// 1000 when left out.
    #[serde(default = "as_the_reference")]
    #[schema(example = 1000)]
    pub yield_permille: i32,
}

fn as_the_reference() -> i32 {
    1000
}

/// A container kind.
#[derive(Debug, Serialize, ToSchema)]
pub struct ContainerKind {
    /// The container kind.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: ContainerKindInput,
    /// What to mind when refilling, with its source.
    #[schema(value_type = String)]
    pub caution: &'static str,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<ContainerKindInput> for records::ContainerKindFields {
    fn from(input: ContainerKindInput) -> Self {
        Self {
            name: input.name,
            volume_microlitres: input.volume.microlitres(),
            fill_microlitres: input.fill.microlitres(),
            refill_limit_microlitres: input.refill_limit.microlitres(),
            plants_per_container: input.plants_per_container,
            yield_permille: input.yield_permille,
        }
    }
}

impl From<records::ContainerKind> for ContainerKind {
    fn from(container_kind: records::ContainerKind) -> Self {
        Self {
            id: container_kind.id,
            fields: ContainerKindInput {
                name: container_kind.fields.name,
                volume: Volume::of_microlitres(container_kind.fields.volume_microlitres),
                fill: Volume::of_microlitres(container_kind.fields.fill_microlitres),
                refill_limit: Volume::of_microlitres(
                    container_kind.fields.refill_limit_microlitres,
                ),
                plants_per_container: container_kind.fields.plants_per_container,
                yield_permille: container_kind.fields.yield_permille,
            },
            caution: REFILL_CAUTION,
            created_at: container_kind.created_at,
            updated_at: container_kind.updated_at,
            retired_at: container_kind.retired_at,
        }
    }
}

/// List container kinds
#[utoipa::path(
    tag = "stations", operation_id = "list_container_kinds", params(RecordsQuery),
    responses((status = 200, description = "A page of container kinds", body = Listed<ContainerKind>), ReadProblems)
)]
#[get("/container_kinds")]
pub async fn list_container_kinds(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let kinds = state
        .app
        .list_container_kinds(&caller, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, kinds, |k| k.id, ContainerKind::from))
}

/// Describe a new container kind
#[utoipa::path(
    tag = "stations", operation_id = "create_container_kind", request_body = ContainerKindInput,
    responses((status = 201, description = "Described", body = ContainerKind), WriteProblems)
)]
#[post("/container_kinds")]
pub async fn create_container_kind(
    state: Data<ApiState>,
    signed: SignedBody<ContainerKindInput>,
) -> Answer {
    let container_kind = state
        .app
        .create_container_kind(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        container_kind.version,
        &format!("/container_kinds/{}", container_kind.id),
        &ContainerKind::from(container_kind),
    ))
}

/// Read a container kind
#[utoipa::path(
    tag = "stations", operation_id = "read_container_kind",
    responses((status = 200, description = "The container kind", body = ContainerKind), ReadProblems)
)]
#[get("/container_kinds/{container_kind_id}")]
pub async fn read_container_kind(
    state: Data<ApiState>,
    Signed(caller): Signed,
    container_kind_id: Path<Uuid>,
) -> Answer {
    let container_kind = state
        .app
        .read_container_kind(&caller, *container_kind_id)
        .await?;
    Ok(record(
        container_kind.version,
        &ContainerKind::from(container_kind),
    ))
}

/// Change a container kind
#[utoipa::path(
    tag = "stations", operation_id = "change_container_kind", request_body = ContainerKindInput,
    params(("If-Match" = String, Header, description = "ETag of the container kind as last read")),
    responses((status = 200, description = "The container kind now", body = ContainerKind), ChangeProblems)
)]
#[put("/container_kinds/{container_kind_id}")]
pub async fn change_container_kind(
    state: Data<ApiState>,
    container_kind_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<ContainerKindInput>,
) -> Answer {
    let container_kind = state
        .app
        .change_container_kind(
            &signed.caller,
            *container_kind_id,
            expected,
            &signed.body.into(),
        )
        .await?;
    Ok(record(
        container_kind.version,
        &ContainerKind::from(container_kind),
    ))
}

/// Take a container kind out of use
#[utoipa::path(
    tag = "stations", operation_id = "retire_container_kind",
    params(("If-Match" = String, Header, description = "ETag of the container kind as last read")),
    responses((status = 200, description = "The retired container kind", body = ContainerKind), ChangeProblems)
)]
#[delete("/container_kinds/{container_kind_id}")]
pub async fn retire_container_kind(
    state: Data<ApiState>,
    Signed(caller): Signed,
    container_kind_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let container_kind = state
        .app
        .retire_container_kind(&caller, *container_kind_id, expected)
        .await?;
    Ok(record(
        container_kind.version,
        &ContainerKind::from(container_kind),
    ))
}
