//! Files of many records.

use actix_web::web::Data;
use actix_web::{HttpResponse, post};
use cotyl_app::imports;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::SignedFile;
use crate::problem::WriteProblems;
use crate::respond::Answer;
use crate::serve::ApiState;

/// What came of a file.
#[derive(Debug, Serialize, ToSchema)]
pub struct Imported {
    /// How many records it made.
    #[schema(example = 1)]
    pub imported: usize,
    /// The records, in the order of their lines.
    pub ids: Vec<Uuid>,
}

fn imported(made: imports::Imported) -> HttpResponse {
    HttpResponse::Created().json(Imported {
        imported: made.ids.len(),
        ids: made.ids,
    })
}

/// Describe many stations from a file
///
/// CSV (RFC 4180) in UTF-8 with a header row and at most 5000 lines, all or nothing. Columns, in any
/// order: `site` and `container_kind` (names of those in use), `name`, `method` (`passive` or
/// `aerated`), `places`, `temperature_celsius` and `daily_light_mol` (the same all year). Every bad
/// line is reported, with its number in the file, as `/lines/7/places`.
#[utoipa::path(
    tag = "imports", operation_id = "import_stations",
    request_body(
        content = String, content_type = "text/csv",
        example = "site,name,method,container_kind,places,temperature_celsius,daily_light_mol\nNorth school,Sill,passive,Jar,6,19.5,11\n",
    ),
    responses((status = 201, description = "Described", body = Imported), WriteProblems)
)]
#[post("/imports/stations")]
pub async fn import_stations(state: Data<ApiState>, file: SignedFile) -> Answer {
    let made = state.app.import_stations(&file.caller, &file.bytes).await?;
    Ok(imported(made))
}

/// Describe many crops from a file
///
/// CSV (RFC 4180) in UTF-8 with a header row and at most 5000 lines, all or nothing. Columns, in any
/// order: `name`, `crop_group` (name of one in use), `starter` (name of the starter crop whose profile
/// and sources are taken), and, if wanted, `days_to_first_cut` and `days_to_regrow`, which replace
/// those of the starter where they are filled in. Every bad line is reported, with its number in the
/// file, as `/lines/7/starter`.
#[utoipa::path(
    tag = "imports", operation_id = "import_crops",
    request_body(
        content = String, content_type = "text/csv",
        example = "name,crop_group,starter,days_to_first_cut,days_to_regrow\nRed oak leaf,Salad greens,leaf lettuce,38,\n",
    ),
    responses((status = 201, description = "Described", body = Imported), WriteProblems)
)]
#[post("/imports/crops")]
pub async fn import_crops(state: Data<ApiState>, file: SignedFile) -> Answer {
    let made = state.app.import_crops(&file.caller, &file.bytes).await?;
    Ok(imported(made))
}

/// Describe many closures from a file
///
/// CSV (RFC 4180) in UTF-8 with a header row and at most 5000 lines, all or nothing. Columns, in any
/// order: `site` (name of one in use), `first_day`, `last_day` (`YYYY-MM-DD`) and `reason`. Every bad
/// line is reported, with its number in the file, as `/lines/7/last_day`.
#[utoipa::path(
    tag = "imports", operation_id = "import_closures",
    request_body(
        content = String, content_type = "text/csv",
        example = "site,first_day,last_day,reason\nNorth school,2026-12-24,2027-01-02,Winter break\n",
    ),
    responses((status = 201, description = "Described", body = Imported), WriteProblems)
)]
#[post("/imports/closures")]
pub async fn import_closures(state: Data<ApiState>, file: SignedFile) -> Answer {
    let made = state.app.import_closures(&file.caller, &file.bytes).await?;
    Ok(imported(made))
}
