//! Batches of nutrient solution.

pub mod next_step;
pub mod wire;

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use cotyl_app::batches::BatchRequest;
use cotyl_app::records;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use crate::batches::wire::{Batch, BatchDetail, BatchEntryInput, BatchInput, BatchPreview};
use crate::extract::{Signed, SignedBody, page};
use crate::problem::{ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// Which batches are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct BatchesQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// In this state only: `mixing`, `ready`, `in_use`, `used_up` or `discarded`.
    pub state: Option<String>,
}

/// With which acid or base the next step is worked out.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct BatchQuery {
    /// An acid or base; left out, that which was dosed last, else one of the kind that is needed, from
    /// the shelf where it holds one.
    pub adjuster_id: Option<Uuid>,
}

/// List batches
#[utoipa::path(
    tag = "batches", operation_id = "list_batches", params(BatchesQuery),
    responses((status = 200, description = "A page of batches", body = Listed<Batch>), ReadProblems)
)]
#[get("/batches")]
pub async fn list_batches(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<BatchesQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::BatchFilter {
        site_id: query.site_id,
        state: query.state.clone(),
    };
    let found = state
        .app
        .list_batches(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, found, |b| b.id, Batch::from))
}

/// See what a batch would be
///
/// Amounts, order of mixing, expected readings, cautions, and what the shelf lacks. Nothing is kept or
/// drawn.
#[utoipa::path(
    tag = "batches", operation_id = "preview_batch", request_body = BatchInput,
    responses((status = 200, description = "What it would be", body = BatchPreview), WriteProblems)
)]
#[post("/batches/previews")]
pub async fn preview_batch(state: Data<ApiState>, signed: SignedBody<BatchInput>) -> Answer {
    let request = BatchRequest::from(signed.body);
    let preview = state.app.preview_batch(&signed.caller, &request).await?;
    Ok(HttpResponse::Ok().json(BatchPreview::of(preview, request.microlitres)))
}

/// Begin a batch
///
/// Its products are drawn from the shelf of the site in the same step: the lots that expire first, or
/// those that are named. When something is missing, nothing happens. Where a product is an acid, a base
/// or a concentrate, whoever begins it needs a current `concentrates` qualification.
#[utoipa::path(
    tag = "batches", operation_id = "start_batch", request_body = BatchInput,
    responses((status = 201, description = "Begun; weigh, mix, read", body = BatchDetail), WriteProblems)
)]
#[post("/batches")]
pub async fn start_batch(state: Data<ApiState>, signed: SignedBody<BatchInput>) -> Answer {
    let detail = state
        .app
        .start_batch(&signed.caller, &signed.body.into())
        .await?;
    Ok(made(detail))
}

/// Read a batch
///
/// With its amounts, its entries and the litres left, and, while it is mixed or ready, the next step for
/// its pH.
#[utoipa::path(
    tag = "batches", operation_id = "read_batch", params(BatchQuery),
    responses((status = 200, description = "The batch", body = BatchDetail), ReadProblems)
)]
#[get("/batches/{batch_id}")]
pub async fn read_batch(
    state: Data<ApiState>,
    Signed(caller): Signed,
    batch_id: Path<Uuid>,
    query: Query<BatchQuery>,
) -> Answer {
    let detail = state
        .app
        .read_batch(&caller, *batch_id, query.adjuster_id)
        .await?;
    Ok(record(detail.batch.version, &BatchDetail::from(detail)))
}

/// Record what happened to a batch
///
/// A `reading` (`ph`, `conductivity`, `temperature`), a `dose` of acid or base (`product_id`, `amount`),
/// `ready`, a `use` (`volume`, `station_id`, `sowing_id`), the volume that is `left`, a `discard`, a
/// `note`; or that an entry is `withdrawn` (`withdraws_id` and a note that says why), which brings a dose
/// back to the shelf. A dose needs a current `concentrates` qualification, and a reading before it where
/// it passes what is advised. The answer holds the next step.
#[utoipa::path(
    tag = "batches", operation_id = "record_batch_entry", request_body = BatchEntryInput,
    responses((status = 201, description = "Recorded", body = BatchDetail), WriteProblems)
)]
#[post("/batches/{batch_id}/entries")]
pub async fn record_batch_entry(
    state: Data<ApiState>,
    batch_id: Path<Uuid>,
    signed: SignedBody<BatchEntryInput>,
) -> Answer {
    let fields = signed.body.fields()?;
    let detail = state
        .app
        .record_batch_entry(&signed.caller, *batch_id, &fields)
        .await?;
    Ok(made(detail))
}

fn made(detail: cotyl_app::batches::file::BatchDetail) -> HttpResponse {
    created(
        detail.batch.version,
        &format!("/batches/{}", detail.batch.id),
        &BatchDetail::from(detail),
    )
}
