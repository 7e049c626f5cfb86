//! What to buy by when.

use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use cotyl_app::records::IsoWeek;
use cotyl_app::shopping_list::{self as app, GapKind, ListWanted};
use cotyl_domain::quantity::Amount;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::Signed;
use crate::handling::tidy;
use crate::problem::ReadProblems;
use crate::respond::Answer;
use crate::serve::ApiState;
use crate::stock_items::dimension;

/// Days by which orders are taken to be late when nothing else is asked for.
const USUAL_LATE_DAYS: u32 = 7;

/// What to buy.
#[derive(Debug, Serialize, ToSchema)]
pub struct Purchase {
    /// The first day on which something lacks.
    pub short_on: NaiveDate,
    /// What lacks in all.
    pub shortfall: Amount,
    /// Whole packs that cover it; `null` when the pack is not described.
    pub packs: Option<i64>,
    /// What is in them; the shortfall when the pack is not described.
    pub quantity: Amount,
    /// What they cost; `null` when pack or price is not described.
    pub cost_cents: Option<i64>,
    /// The last day on which ordering is in time for the first day.
    pub order_by: NaiveDate,
    /// Whether that day is over.
    pub too_late: bool,
    /// The first day on which goods ordered today can be used.
    pub earliest_on: NaiveDate,
}

/// What a week needs of an item.
#[derive(Debug, Serialize, ToSchema)]
pub struct WeekNeed {
    /// The ISO week.
    #[schema(example = "2026-W40")]
    pub week: String,
    /// What is needed.
    pub needed: Amount,
    /// What of it lacks.
    pub short: Amount,
}

/// A sowing at risk.
#[derive(Debug, Serialize, ToSchema)]
pub struct SowingAtRisk {
    /// The sowing; `null` for one of a draft.
    pub sowing_id: Option<Uuid>,
    /// Name of its station.
    pub station_name: String,
    /// Name of its crop.
    pub crop_name: String,
    /// Containers.
    pub containers: i64,
    /// When it is to be, or was, sown.
    pub sow_on: NaiveDate,
    /// When it needs the item.
    pub day: NaiveDate,
    /// What would lack.
    pub short: Amount,
    /// `too_late_to_order`: ordered today it would still come after that day. `open_order_late`: when
    /// what is on order comes `late_days` late. `purchase_late`: when what is to be bought is ordered on
    /// the last day and comes `late_days` late.
    #[schema(example = "purchase_late")]
    pub risk: &'static str,
}

/// What no sowing takes of a lot before its last day.
#[derive(Debug, Serialize, ToSchema)]
pub struct ExpiringLot {
    /// The lot.
    pub lot_id: Uuid,
    /// The supplier's code.
    pub code: String,
    /// Its last day.
    pub expires_on: Option<NaiveDate>,
    /// What is left of it then.
    pub left: Amount,
}

/// A lot of seed that does not give the plan its plants, or may not.
#[derive(Debug, Serialize, ToSchema)]
pub struct SeedLot {
    /// The lot.
    pub lot_id: Uuid,
    /// The supplier's code.
    pub code: String,
    /// What is left of it.
    pub quantity: Amount,
    /// What of that the list counts: less where more seeds are needed for each plant.
    pub counts_for: Amount,
    /// What it may germinate today at least, in thousandths.
    pub low_permille: u32,
    /// What it may germinate today at most, in thousandths.
    pub high_permille: u32,
    /// What the plan reckons with, in thousandths.
    pub planned_permille: u32,
    /// `test`, `age` or `unknown`.
    #[schema(example = "age")]
    pub basis: &'static str,
    /// `too_few`, or `doubtful`: test it.
    #[schema(example = "doubtful")]
    pub verdict: &'static str,
    /// Seeds for each plant that the plan reckons with.
    pub planned_seeds_a_plant: u32,
    /// Seeds for each plant with which it gives as many plants, by the lower figure; `null` when no sane
    /// number does.
    pub seeds_a_plant: Option<u32>,
    /// Seeds to raise in a tray, from which as many plants as these sowings take come up with a
    /// probability of 95 %, by the lower figure; `null` when no number of seeds does.
    pub tray_seeds: Option<u64>,
    /// Germination, in thousandths, below which a packet must say so, where the crop is listed.
    pub least_permille: Option<u32>,
    /// Where that figure comes from.
    pub least_source: &'static str,
    /// Where the effect of age comes from.
    pub life_source: &'static str,
}

/// When to order an item again by what was used of it. Numbers are milligrams, microlitres or pieces.
#[derive(Debug, Serialize, ToSchema)]
pub struct Reorder {
    /// Mean use in a day.
    pub mean_a_day: f64,
    /// Its standard deviation.
    pub deviation_a_day: f64,
    /// Mean use while an order is on its way.
    pub lead_time_demand: f64,
    /// Margin on top of it for the item's service level.
    pub safety_stock: f64,
    /// Order when no more than this is on hand and on order.
    pub point: Amount,
    /// Whether it has come to that.
    pub due: bool,
}

/// An item at a site.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShoppingItem {
    /// The site.
    pub site_id: Uuid,
    /// Its name.
    pub site_name: String,
    /// The item.
    pub stock_item_id: Uuid,
    /// Its name.
    pub name: String,
    /// `seed`, `medium`, `cup`, `fertiliser`, `adjuster` or `other`.
    pub category: String,
    /// Where it is bought.
    pub supplier: String,
    /// Days from ordering until it is there.
    pub lead_days: i32,
    /// On the shelf and not past its last day.
    pub on_hand: Amount,
    /// On order.
    pub on_order: Amount,
    /// What of that should have come already; it is taken to come today at the earliest.
    pub overdue: Amount,
    /// Needed in all.
    pub needed: Amount,
    /// Needed week by week.
    pub weeks: Vec<WeekNeed>,
    /// What to buy; `null` when nothing lacks.
    pub purchase: Option<Purchase>,
    /// Sowings that are at risk.
    pub at_risk: Vec<SowingAtRisk>,
    /// Lots that expire before they are used up.
    pub expiring: Vec<ExpiringLot>,
    /// Lots of seed that do not give the plan its plants, or may not.
    pub seed_lots: Vec<SeedLot>,
    /// When to order again by what was used; `null` where the record is too short or nothing was used.
    pub reorder: Option<Reorder>,
}

/// Something that could not be worked out.
#[derive(Debug, Serialize, ToSchema)]
pub struct Gap {
    /// The site.
    pub site_id: Uuid,
    /// `no_seed_item`, `seed_by_volume`, `no_supplies`, `no_usual_recipe`, `unreadable_recipe`,
    /// `no_item_of_product`, `no_density`, `no_source_water`, `no_adjuster`, `dose_unknown`, `dose_past_most` or
    /// `stock_hidden`.
    #[schema(example = "no_seed_item")]
    pub kind: &'static str,
    /// What is missing and what to do about it.
    pub text: String,
}

/// The acid or base that is reckoned with for a litre of solution. What a batch really takes follows from its
/// readings, portion by portion.
#[derive(Debug, Serialize, ToSchema)]
pub struct AdjusterDose {
    /// The site.
    pub site_id: Uuid,
    /// Its water: that of the latest batch of the usual recipe, else the one described last.
    pub source_water_id: Uuid,
    /// Name of the water.
    pub source_water_name: String,
    /// The acid or base.
    pub product_id: Uuid,
    /// Its name.
    pub product_name: String,
    /// pH of the recipe in this water before any dose, by its composition.
    #[schema(example = 7.3)]
    pub ph: f64,
    /// The middle of the recipe's range, which is aimed at.
    #[schema(example = 5.9)]
    pub target_ph: f64,
    /// Grams in a litre by the composition; `null` where by it none is needed and earlier batches took some.
    pub model_grams_per_litre: Option<f64>,
    /// Grams in a litre that are reckoned with: the same times what earlier batches took of what had been worked
    /// out for them.
    #[schema(example = 3.08)]
    pub grams_per_litre: f64,
    /// Earlier batches of the recipe in this water that count in it.
    pub earlier_batches: usize,
}

impl From<app::AdjusterDose> for AdjusterDose {
    fn from(found: app::AdjusterDose) -> Self {
        let hundredths = |ph: f64| (ph * 100.0).round() / 100.0;
        Self {
            site_id: found.site_id,
            source_water_id: found.water_id,
            source_water_name: found.water_name,
            product_id: found.product_id,
            product_name: found.product_name,
            ph: hundredths(found.ph),
            target_ph: hundredths(found.target_ph),
            model_grams_per_litre: found.model_grams_per_litre.map(tidy),
            grams_per_litre: tidy(found.grams_per_litre),
            earlier_batches: found.earlier_batches,
        }
    }
}

/// What to buy by when.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShoppingList {
    /// The last day that was looked at.
    pub until: NaiveDate,
    /// Days by which orders are taken to be late where sowings are at risk.
    pub late_days: u32,
    /// Every item that is needed, kept or on order.
    pub items: Vec<ShoppingItem>,
    /// What the purchases cost whose price is known.
    pub cost_cents: i64,
    /// Purchases whose price is not known.
    pub without_price: usize,
    /// What could not be worked out.
    pub gaps: Vec<Gap>,
    /// The acid or base that a litre of solution takes, for each site with solution to mix.
    pub adjuster_doses: Vec<AdjusterDose>,
}

fn amount(name: &str, base_units: i64) -> Amount {
    Amount::of(dimension(name), base_units)
}

fn gap_kind(kind: GapKind) -> &'static str {
    match kind {
        GapKind::NoSeedItem => "no_seed_item",
        GapKind::SeedByVolume => "seed_by_volume",
        GapKind::NoSupplies => "no_supplies",
        GapKind::NoUsualRecipe => "no_usual_recipe",
        GapKind::UnreadableRecipe => "unreadable_recipe",
        GapKind::NoItemOfProduct => "no_item_of_product",
        GapKind::NoDensity => "no_density",
        GapKind::NoSourceWater => "no_source_water",
        GapKind::NoAdjuster => "no_adjuster",
        GapKind::DoseUnknown => "dose_unknown",
        GapKind::DosePastMost => "dose_past_most",
        GapKind::StockHidden => "stock_hidden",
    }
}

fn at_risk(found: app::SowingAtRisk, dimension: &str) -> SowingAtRisk {
    SowingAtRisk {
        sowing_id: found.sowing.id,
        station_name: found.sowing.station_name,
        crop_name: found.sowing.crop_name,
        containers: found.sowing.containers,
        sow_on: found.sowing.sow_on,
        day: found.day,
        short: amount(dimension, found.short),
        risk: match found.risk {
            app::Risk::TooLateToOrder => "too_late_to_order",
            app::Risk::OpenOrderLate => "open_order_late",
            app::Risk::PurchaseLate => "purchase_late",
        },
    }
}

fn seed_lot(report: app::SeedLotReport, dimension: &str) -> SeedLot {
    SeedLot {
        lot_id: report.lot.id,
        code: report.lot.code,
        quantity: amount(dimension, report.lot.quantity),
        counts_for: amount(dimension, report.counts_for),
        low_permille: report.germination.low_permille,
        high_permille: report.germination.high_permille,
        planned_permille: report.planned_permille,
        basis: match report.germination.basis {
            app::GerminationBasis::Test => "test",
            app::GerminationBasis::Age => "age",
            app::GerminationBasis::Unknown => "unknown",
        },
        verdict: match report.verdict {
            app::LotVerdict::Enough => "enough",
            app::LotVerdict::Doubtful => "doubtful",
            app::LotVerdict::TooFew => "too_few",
        },
        planned_seeds_a_plant: report.planned_seeds_a_plant,
        seeds_a_plant: report.seeds_a_plant,
        tray_seeds: report.tray_seeds,
        least_permille: report.least_permille,
        least_source: app::LEAST_GERMINATION_SOURCE,
        life_source: app::SEED_LIFE_SOURCE,
    }
}

fn reorder(found: &app::ShoppingItem) -> Option<Reorder> {
    let (demand, point) = found.demand.zip(found.reorder)?;
    Some(Reorder {
        mean_a_day: demand.mean,
        deviation_a_day: demand.standard_deviation,
        lead_time_demand: point.lead_time_demand,
        safety_stock: point.safety_stock,
        point: amount(&found.item.dimension, point.quantity),
        due: found.is_due_by_record(),
    })
}

fn purchase(found: app::Purchase, dimension: &str) -> Purchase {
    Purchase {
        short_on: found.short_on,
        shortfall: amount(dimension, found.shortfall),
        packs: found.packs,
        quantity: amount(dimension, found.quantity),
        cost_cents: found.cents,
        order_by: found.order_by,
        too_late: found.earliest_on > found.short_on,
        earliest_on: found.earliest_on,
    }
}

fn week_need(week: app::WeekNeed, dimension: &str) -> WeekNeed {
    WeekNeed {
        week: IsoWeek::of(week.monday)
            .map(|week| week.to_string())
            .unwrap_or_default(),
        needed: amount(dimension, week.needed),
        short: amount(dimension, week.short),
    }
}

impl From<app::ShoppingItem> for ShoppingItem {
    fn from(found: app::ShoppingItem) -> Self {
        let dimension = found.item.dimension.clone();
        let of = |base_units| amount(&dimension, base_units);
        Self {
            reorder: reorder(&found),
            site_id: found.site_id,
            site_name: found.site_name,
            stock_item_id: found.item.id,
            name: found.item.name,
            category: found.item.category,
            supplier: found.item.supplier,
            lead_days: found.item.lead_days,
            on_hand: of(found.on_hand),
            on_order: of(found.on_order),
            overdue: of(found.overdue),
            needed: of(found.needed),
            weeks: found
                .weeks
                .into_iter()
                .map(|week| week_need(week, &dimension))
                .collect(),
            purchase: found.purchase.map(|found| purchase(found, &dimension)),
            at_risk: found
                .at_risk
                .into_iter()
                .map(|found| at_risk(found, &dimension))
                .collect(),
            expiring: found
                .expiring
                .into_iter()
                .map(|left| ExpiringLot {
                    lot_id: left.lot.id,
                    code: left.lot.code,
                    expires_on: left.lot.expires_on,
                    left: of(left.left),
                })
                .collect(),
            seed_lots: found
                .seed_lots
                .into_iter()
                .map(|report| seed_lot(report, &dimension))
                .collect(),
        }
    }
}

/// What the list is made for.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ShoppingListQuery {
    /// One site; all when left out.
    pub site_id: Option<Uuid>,
    /// A solved draft: its sowings instead of those that it would replace.
    pub plan_id: Option<Uuid>,
    /// The last day, at most 400 days ahead; the end of the draft, or twelve weeks, when left out.
    pub until: Option<NaiveDate>,
    /// Days by which orders are taken to be late where sowings are at risk, 0 to 90; 7 when left out.
    #[param(minimum = 0, maximum = 90)]
    pub late_days: Option<u32>,
}

/// Read the shopping list
///
/// Seed, medium, cups, fertiliser and acid or base for the sowings to come and for the refills of those that stand,
/// less what is on hand and on order. What cannot be worked out stands in `gaps`.
#[utoipa::path(
    tag = "stock", operation_id = "read_shopping_list", params(ShoppingListQuery),
    responses((status = 200, description = "What to buy by when", body = ShoppingList), (status = 409, description = "The plan is neither a solved draft nor in force", body = crate::problem::Problem, content_type = "application/problem+json"), ReadProblems)
)]
#[get("/shopping_list")]
pub async fn read_shopping_list(
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ShoppingListQuery>,
) -> Answer {
    let late_days = query.late_days.unwrap_or(USUAL_LATE_DAYS);
    let wanted = ListWanted {
        site_id: query.site_id,
        plan_id: query.plan_id,
        until: query.until,
        late_days,
    };
    let list = state.app.read_shopping_list(&caller, &wanted).await?;
    let purchases = || list.items.iter().filter_map(|item| item.purchase);
    Ok(HttpResponse::Ok().json(ShoppingList {
        until: list.until,
        late_days,
        cost_cents: purchases().filter_map(|purchase| purchase.cents).sum(),
        without_price: purchases()
            .filter(|purchase| purchase.cents.is_none())
            .count(),
        items: list.items.into_iter().map(Into::into).collect(),
        gaps: list
            .gaps
            .into_iter()
            .map(|gap| Gap {
                site_id: gap.site_id,
                kind: gap_kind(gap.kind),
                text: gap.text,
            })
            .collect(),
        adjuster_doses: list.doses.into_iter().map(Into::into).collect(),
    }))
}
