//! Cuts.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::cuts::{
    CutCorrectionFields, CutDetail as AppCutDetail, CutFields, NewWeight, Weighed,
};
use cotyl_app::records;
use cotyl_domain::food_safety::{FoodCaution, at_cut};
use cotyl_domain::quantity::Mass;
use cotyl_domain::{CutHarm, CutQuality};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{Signed, SignedBody, page};
use crate::problem::{Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What is told about a cut: one tray of it.
#[derive(Debug, Deserialize, ToSchema)]
#[schema(example = json!({
    "sowing_id": "0199d3a2-7c00-7000-8000-000000000005", "cut_on": "2026-10-14", "number": 1,
    "weight": {"value": "412.5", "unit": "g"}, "waste": {"value": "20", "unit": "g"}, "quality": "good",
    "tray_code": "261014-KXRT"
}))]
pub struct CutInput {
    /// What was cut.
    pub sowing_id: Uuid,
    /// The day at the site; today when left out. Not in the future, not before the day of sowing.
    #[schema(example = "2026-10-14")]
    pub cut_on: Option<NaiveDate>,
    /// Which cut of the sowing. Left out, it is that of the task; else that of a cut on the same day,
    /// which gives one more tray; else the next.
    #[schema(example = 1)]
    pub number: Option<i32>,
    /// Weight of the greens alone, in any unit of mass. Nothing (`0`) only with quality `poor`.
    pub weight: Option<Mass>,
    /// Instead of `weight`: the tray with the greens in it; `tare` goes with it.
    pub gross: Option<Mass>,
    /// The empty tray.
    pub tare: Option<Mass>,
    /// Trimmings and spoiled leaves of the same cut, weighed apart. They are no part of the weight and
    /// go into no delivery.
    pub waste: Option<Mass>,
    /// Why a weight is true that is more than 5 times what is expected of the containers of the sowing;
    /// without it such a weight is refused, and the refusal names the bound.
    pub weight_accepted_because: Option<String>,
    /// The group that cut it; one that works at the site of the sowing.
    pub group_id: Option<Uuid>,
    /// How it came out; `poor` is waste and goes into no delivery.
    pub quality: CutQuality,
    /// What came from outside and harmed it, if anything did. Nothing is then learned from its grams, nor
    /// from its day where it is the first: they are no property of the crop at its station.
    pub harmed_by: Option<CutHarm>,
    /// What is written on the tray, unique in the co-operative; generated when left out.
    #[schema(example = "261014-KXRT")]
    pub tray_code: Option<String>,
    /// The cut task of the sowing that it answers.
    pub task_id: Option<Uuid>,
}

/// A correction: the weight as it should have been, or the change; the waste; or both.
#[derive(Debug, Deserialize, ToSchema)]
#[schema(example = json!({"weight": {"value": "118", "unit": "g"}, "reason": "The tray itself was weighed with the leaves"}))]
pub struct CutCorrectionInput {
    /// The weight as it should have been.
    pub weight: Option<Mass>,
    /// What is to be added; negative when too much was written down.
    pub change: Option<Mass>,
    /// The waste as it should have been.
    pub waste: Option<Mass>,
    /// Why.
    #[schema(example = "The tray itself was weighed with the leaves")]
    pub reason: String,
    /// Whether a weight past what is plausible is true all the same.
    #[serde(default)]
    pub weight_accepted: bool,
}

/// What to mind about food, and where it comes from. The label and local rules come first.
#[derive(Debug, Serialize, ToSchema)]
pub struct Caution {
    /// What to do.
    pub text: String,
    /// Its source.
    pub source: String,
}

/// A cut as it stands now.
#[derive(Debug, Serialize, ToSchema)]
pub struct Cut {
    /// The cut.
    pub id: Uuid,
    /// What was cut.
    pub sowing_id: Uuid,
    /// Where the sowing stands.
    pub site_id: Uuid,
    /// The station of the sowing.
    pub station_id: Uuid,
    /// Its name.
    pub station_name: String,
    /// The crop.
    pub crop_id: Uuid,
    /// Its name.
    pub crop_name: String,
    /// Which cut of the sowing.
    pub number: i32,
    /// The day at the site.
    pub cut_on: NaiveDate,
    /// Weight as it was first written down.
    pub first_weight: Mass,
    /// Weight now, with its corrections.
    pub weight: Mass,
    /// How much of it is in deliveries.
    pub delivered: Mass,
    /// How much of it is left; of a poor cut nothing, as it goes into no delivery.
    pub left: Mass,
    /// The tray with the greens in it, where it was weighed so.
    pub gross: Option<Mass>,
    /// The empty tray.
    pub tare: Option<Mass>,
    /// Waste as it was first written down; no part of the weight.
    pub first_waste: Mass,
    /// Waste now, with its corrections.
    pub waste: Mass,
    /// Why a weight past what is plausible is true all the same.
    pub weight_accepted_because: Option<String>,
    /// The group that cut it.
    pub group_id: Option<Uuid>,
    /// How it came out.
    #[schema(value_type = CutQuality)]
    pub quality: String,
    /// What came from outside and harmed it; its grams are left out of learning.
    #[schema(value_type = Option<CutHarm>)]
    pub harmed_by: Option<String>,
    /// What is written on the tray.
    pub tray_code: String,
    /// Whether a recall holds it back: it cannot be packed or handed over, and nobody should eat it.
    pub withheld: bool,
    /// Who recorded it.
    pub member_id: Uuid,
    /// The task it answers.
    pub task_id: Option<Uuid>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
}

/// A correction of a cut.
#[derive(Debug, Serialize, ToSchema)]
pub struct CutCorrection {
    /// The correction.
    pub id: Uuid,
    /// What it adds to the weight; negative when too much was written down.
    pub change: Mass,
    /// What it adds to the waste.
    pub waste_change: Mass,
    /// Why.
    pub reason: String,
    /// Who corrected.
    pub member_id: Uuid,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
}

/// A cut with its corrections and what to mind.
#[derive(Debug, Serialize, ToSchema)]
pub struct CutDetail {
    /// The cut.
    #[serde(flatten)]
    pub cut: Cut,
    /// Its corrections, the oldest first.
    pub corrections: Vec<CutCorrection>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

impl From<FoodCaution> for Caution {
    fn from(caution: FoodCaution) -> Self {
        Self {
            text: caution.text.to_owned(),
            source: caution.source.to_owned(),
        }
    }
}

impl From<(records::Cut, bool)> for Cut {
    fn from((cut, withheld): (records::Cut, bool)) -> Self {
        let left = if cut.quality == CutQuality::Poor.as_str() {
            0
        } else {
            cut.milligrams - cut.delivered_milligrams
        };
        Self {
            id: cut.id,
            sowing_id: cut.sowing_id,
            site_id: cut.site_id,
            station_id: cut.station_id,
            station_name: cut.station_name,
            crop_id: cut.crop_id,
            crop_name: cut.crop_name,
            number: cut.number,
            cut_on: cut.cut_on,
            first_weight: Mass::of_milligrams(cut.first_milligrams),
            weight: Mass::of_milligrams(cut.milligrams),
            delivered: Mass::of_milligrams(cut.delivered_milligrams),
            left: Mass::of_milligrams(left),
            gross: cut.gross_milligrams.map(Mass::of_milligrams),
            tare: cut.tare_milligrams.map(Mass::of_milligrams),
            first_waste: Mass::of_milligrams(cut.first_waste_milligrams),
            waste: Mass::of_milligrams(cut.waste_milligrams),
            weight_accepted_because: cut.accepted_because,
            group_id: cut.group_id,
            quality: cut.quality,
            harmed_by: cut.harmed_by,
            tray_code: cut.tray_code,
            withheld,
            member_id: cut.member_id,
            task_id: cut.task_id,
            recorded_at: cut.recorded_at,
        }
    }
}

impl From<AppCutDetail> for CutDetail {
    fn from(detail: AppCutDetail) -> Self {
        let correction = |correction: records::CutCorrection| CutCorrection {
            id: correction.id,
            change: Mass::of_milligrams(correction.change_milligrams),
            waste_change: Mass::of_milligrams(correction.waste_change_milligrams),
            reason: correction.reason,
            member_id: correction.member_id,
            recorded_at: correction.recorded_at,
        };
        Self {
            cut: (detail.cut, detail.is_withheld).into(),
            corrections: detail.corrections.into_iter().map(correction).collect(),
            cautions: at_cut(detail.is_withheld)
                .into_iter()
                .map(Into::into)
                .collect(),
        }
    }
}

/// Which cuts are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct CutsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this sowing only.
    pub sowing_id: Option<Uuid>,
    /// Of this site only.
    pub site_id: Option<Uuid>,
    /// Cut on this day or later.
    pub from: Option<NaiveDate>,
    /// Cut on this day or earlier.
    pub to: Option<NaiveDate>,
}

/// List cuts
#[utoipa::path(
    tag = "cuts", operation_id = "list_cuts", params(CutsQuery),
    responses((status = 200, description = "A page of cuts", body = Listed<Cut>), ReadProblems)
)]
#[get("/cuts")]
pub async fn list_cuts(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<CutsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::CutFilter {
        sowing_id: query.sowing_id,
        site_id: query.site_id,
        from: query.from,
        to: query.to,
    };
    let cuts = state
        .app
        .list_cuts(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, cuts, |(cut, _)| cut.id, Cut::from))
}

/// Record a cut
///
/// Weigh the greens alone, or the full and the empty tray. A weight that the containers of the sowing can
/// hardly give is refused (`implausible-weight`) unless a reason comes with it.
#[utoipa::path(
    tag = "cuts", operation_id = "record_cut", request_body = CutInput,
    responses((status = 201, description = "Recorded; the sowing is being cut", body = CutDetail), WriteProblems)
)]
#[post("/cuts")]
pub async fn record_cut(state: Data<ApiState>, signed: SignedBody<CutInput>) -> Answer {
    let input = signed.body;
    let weighed = match (input.weight, input.gross, input.tare) {
        (Some(net), None, None) => Weighed::Net(net.milligrams()),
        (None, Some(gross), Some(tare)) => Weighed::WithTare {
            gross: gross.milligrams(),
            tare: tare.milligrams(),
        },
        _ => {
            return Err(Problem::field(
                "/weight",
                "either",
                "give either the weight of the greens alone, or gross and tare",
            ));
        }
    };
    let fields = CutFields {
        sowing_id: input.sowing_id,
        cut_on: input.cut_on,
        number: input.number,
        weighed,
        waste_milligrams: input.waste.unwrap_or_default().milligrams(),
        weight_accepted_because: input.weight_accepted_because,
        group_id: input.group_id,
        quality: input.quality,
        harmed_by: input.harmed_by,
        tray_code: input.tray_code,
        task_id: input.task_id,
    };
    let detail = state.app.record_cut(&signed.caller, &fields).await?;
    Ok(made(detail))
}

/// Read a cut
#[utoipa::path(
    tag = "cuts", operation_id = "read_cut",
    responses((status = 200, description = "The cut", body = CutDetail), ReadProblems)
)]
#[get("/cuts/{cut_id}")]
pub async fn read_cut(state: Data<ApiState>, Signed(caller): Signed, cut_id: Path<Uuid>) -> Answer {
    let detail = state.app.read_cut(&caller, *cut_id).await?;
    Ok(record(detail.cut.version, &CutDetail::from(detail)))
}

/// Correct the weight of a cut, or its waste
///
/// The correction is an entry of its own; what was written down first stays. A cut cannot weigh less
/// than what is in deliveries already.
#[utoipa::path(
    tag = "cuts", operation_id = "correct_cut", request_body = CutCorrectionInput,
    responses((status = 201, description = "The cut with its corrections", body = CutDetail), WriteProblems)
)]
#[post("/cuts/{cut_id}/corrections")]
pub async fn correct_cut(
    state: Data<ApiState>,
    cut_id: Path<Uuid>,
    signed: SignedBody<CutCorrectionInput>,
) -> Answer {
    let weight = match (signed.body.weight, signed.body.change) {
        (Some(weight), None) => Some(NewWeight::To(weight.milligrams())),
        (None, Some(change)) => Some(NewWeight::By(change.milligrams())),
        (None, None) => None,
        (Some(_), Some(_)) => {
            return Err(Problem::field(
                "/weight",
                "either",
                "give either the weight as it should have been, or the change",
            ));
        }
    };
    let fields = CutCorrectionFields {
        weight,
        waste_milligrams: signed.body.waste.map(Mass::milligrams),
        reason: signed.body.reason,
        weight_accepted: signed.body.weight_accepted,
    };
    let detail = state
        .app
        .correct_cut(&signed.caller, *cut_id, &fields)
        .await?;
    Ok(made(detail))
}

fn made(detail: AppCutDetail) -> actix_web::HttpResponse {
    created(
        detail.cut.version,
        &format!("/cuts/{}", detail.cut.id),
        &CutDetail::from(detail),
    )
}
