//! Which containers will be low, and how far they may be filled.

use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get, post};
use chrono::NaiveDate;
use cotyl_app::records;
use cotyl_app::top_ups::{
    RefillAnswer as AppAnswer, RefillLimit as AppLimit, RefillRule, TopUp as AppTopUp,
    TopUpsWanted, USUAL_MARK_PERMILLE, WATER_USE_SOURCE, reason, source,
};
use cotyl_domain::quantity::Volume;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::container_kinds::REFILL_CAUTION;
use crate::extract::{Signed, SignedBody};
use crate::problem::{ReadProblems, WriteProblems};
use crate::respond::Answer;
use crate::serve::ApiState;

/// How far a container may be filled, and why not further.
#[derive(Debug, Serialize, ToSchema)]
pub struct RefillLimit {
    /// Highest level in one container.
    pub highest: Volume,
    /// `fill_line`, `kind_limit` or `rise_of_2_cm`.
    #[schema(example = "kind_limit")]
    pub rule: &'static str,
    /// Why.
    pub reason: &'static str,
    /// Where the rule comes from.
    pub source: &'static str,
    /// What to mind once roots hang in the air, with its source; `null` where the liquid goes to the
    /// fill line.
    pub caution: Option<&'static str>,
}

/// A sowing whose containers will be low. Levels are those of one container.
#[derive(Debug, Serialize, ToSchema)]
pub struct TopUp {
    /// The sowing.
    pub sowing_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Name of the station.
    pub station_name: String,
    /// Its crop.
    pub crop_id: Uuid,
    /// Name of the crop.
    pub crop_name: String,
    /// Containers that wait for it: all, or those that a part of the work left.
    pub containers: i32,
    /// Level at the start of today, as it is reckoned.
    pub level: Volume,
    /// The mark below which it counts as low.
    pub mark: Volume,
    /// A tenth of the fill line: a still crop has come to its end below it.
    pub end_of_crop: Volume,
    /// The day in the course of which it is expected to fall below the mark; `null` when that is
    /// further off than is looked.
    pub low_on: Option<NaiveDate>,
    /// The same with the greatest use that is published, or with the use that readings showed.
    pub low_on_at_the_earliest: NaiveDate,
    /// The open day on which to top up.
    pub top_up_on: NaiveDate,
    /// Whether that is after it may have become low.
    pub late: bool,
    /// Why the site is closed on the day on which it becomes low.
    #[schema(example = json!(null))]
    pub closure: Option<String>,
    /// Level expected on the day of topping up.
    pub level_then: Volume,
    /// How far it may be filled.
    pub limit: RefillLimit,
    /// What to pour into one container.
    pub add: Volume,
    /// What to pour into all of them.
    pub add_in_all: Volume,
    /// A batch that has enough left for it, the oldest first.
    pub batch_id: Option<Uuid>,
}

/// A batch of solution that can be used.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchLeft {
    /// The batch.
    pub batch_id: Uuid,
    /// Its code.
    pub code: String,
    /// What is left of it.
    pub left: Volume,
}

/// Top-ups that are due at a site.
#[derive(Debug, Serialize, ToSchema)]
pub struct TopUps {
    /// Today at the site.
    pub today: NaiveDate,
    /// Each sowing whose containers will be low, by the day on which to top up.
    pub items: Vec<TopUp>,
    /// What all of them take.
    pub in_all: Volume,
    /// Batches of solution at the site that can be used.
    pub batches: Vec<BatchLeft>,
    /// What they lack to cover it.
    pub lacking: Volume,
    /// Where the litres for each kilogram of growth come from.
    pub source: &'static str,
}

/// Solution that somebody wants to pour in.
#[derive(Debug, Deserialize, ToSchema)]
pub struct TopUpCheckInput {
    /// The sowing.
    pub sowing_id: Uuid,
    /// For all its containers together.
    pub volume: Volume,
}

/// How far the containers of a sowing may be filled now. Levels are those of one container.
#[derive(Debug, Serialize, ToSchema)]
pub struct RefillAnswer {
    /// Containers that may be filled: all, or those that a part of a top-up left.
    pub containers: i32,
    /// Level now, as it is reckoned.
    pub level: Volume,
    /// How far it may be filled.
    pub limit: RefillLimit,
    /// What may be poured into one container.
    pub may_add: Volume,
    /// What may be poured into all of them.
    pub may_add_in_all: Volume,
}

impl From<AppLimit> for RefillLimit {
    fn from(limit: AppLimit) -> Self {
        let rule = limit.rule;
        Self {
            highest: Volume::of_microlitres(limit.highest_microlitres),
            rule: match rule {
                RefillRule::FillLine => "fill_line",
                RefillRule::KindLimit => "kind_limit",
                RefillRule::Rise => "rise_of_2_cm",
            },
            reason: reason(rule),
            source: source(rule),
            caution: (rule != RefillRule::FillLine).then_some(REFILL_CAUTION),
        }
    }
}

impl From<AppTopUp> for TopUp {
    fn from(item: AppTopUp) -> Self {
        Self {
            sowing_id: item.sowing_id,
            station_id: item.station_id,
            station_name: item.station_name,
            crop_id: item.crop_id,
            crop_name: item.crop_name,
            containers: item.containers,
            level: Volume::of_microlitres(item.level_microlitres),
            mark: Volume::of_microlitres(item.mark_microlitres),
            end_of_crop: Volume::of_microlitres(item.end_microlitres),
            low_on: item.low_on,
            low_on_at_the_earliest: item.low_on_at_the_earliest,
            top_up_on: item.top_up_on,
            late: item.late,
            closure: item.closure,
            level_then: Volume::of_microlitres(item.level_then_microlitres),
            limit: item.limit.into(),
            add: Volume::of_microlitres(item.add_microlitres),
            add_in_all: Volume::of_microlitres(item.add_in_all_microlitres),
            batch_id: item.batch_id,
        }
    }
}

impl From<records::ReadyBatch> for BatchLeft {
    fn from(batch: records::ReadyBatch) -> Self {
        Self {
            batch_id: batch.id,
            code: batch.code,
            left: Volume::of_microlitres(batch.left_microlitres),
        }
    }
}

impl From<AppAnswer> for RefillAnswer {
    fn from(answer: AppAnswer) -> Self {
        let in_all = answer
            .may_add_microlitres
            .saturating_mul(answer.containers.into());
        Self {
            containers: answer.containers,
            level: Volume::of_microlitres(answer.level_microlitres),
            limit: answer.limit.into(),
            may_add: Volume::of_microlitres(answer.may_add_microlitres),
            may_add_in_all: Volume::of_microlitres(in_all),
        }
    }
}

/// Which top-ups are told.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct TopUpsQuery {
    /// The site.
    pub site_id: Uuid,
    /// Days from today on which people can top up, 0 to 60; 7 when left out.
    #[param(minimum = 0, maximum = 60)]
    pub days: Option<u32>,
    /// Thousandths of the fill line at which a container counts as low, 100 to 900; 250 when left out
    /// (common practice, no source).
    #[param(minimum = 100, maximum = 900)]
    pub mark_permille: Option<i64>,
}

/// Read which containers will be low
///
/// Levels are reckoned from the growth that the crop's profile expects, and corrected by levels that were
/// read and by what was poured in. A container that would become low while the site is closed is to be
/// topped up on the last open day before.
#[utoipa::path(
    tag = "solution", operation_id = "read_top_ups", params(TopUpsQuery),
    responses((status = 200, description = "Sowings whose containers will be low, with what to pour in on which day", body = TopUps), ReadProblems)
)]
#[get("/top_ups")]
pub async fn read_top_ups(
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<TopUpsQuery>,
) -> Answer {
    let wanted = TopUpsWanted {
        site_id: query.site_id,
        days: query.days.unwrap_or(7),
        mark_permille: query.mark_permille.unwrap_or(USUAL_MARK_PERMILLE),
    };
    let found = state.app.read_top_ups(&caller, &wanted).await?;
    Ok(HttpResponse::Ok().json(TopUps {
        today: found.today,
        items: found.items.into_iter().map(Into::into).collect(),
        in_all: Volume::of_microlitres(found.microlitres),
        batches: found.batches.into_iter().map(Into::into).collect(),
        lacking: Volume::of_microlitres(found.lacking_microlitres),
        source: WATER_USE_SOURCE,
    }))
}

/// Ask whether so much may be poured in
///
/// Changes nothing. More than the containers of the sowing may be filled with is a problem of the type
/// `past-refill-limit`, which tells the limit, the reason and its source.
#[utoipa::path(
    tag = "solution", operation_id = "check_top_up", request_body = TopUpCheckInput,
    responses((status = 200, description = "It may; so far may be filled in all", body = RefillAnswer), WriteProblems)
)]
#[post("/top_ups/checks")]
pub async fn check_top_up(state: Data<ApiState>, signed: SignedBody<TopUpCheckInput>) -> Answer {
    let answer = state
        .app
        .check_top_up(
            &signed.caller,
            signed.body.sowing_id,
            signed.body.volume.microlitres(),
        )
        .await?;
    Ok(HttpResponse::Ok().json(RefillAnswer::from(answer)))
}
