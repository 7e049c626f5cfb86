//! What a plan says of the future: chances, what a margin came to, what would help.

use chrono::NaiveDate;
use cotyl_app::plans::answer::KeptAnswer;
use cotyl_app::plans::chances::{MarginOutcome, NotReached, WeekChance};
use cotyl_app::plans::due::DueSowing as AppDue;
use cotyl_app::plans::remedies::{Change, Remedy, RemedyCost as AppCost};
use cotyl_domain::quantity::{Amount, Mass, StockDimension};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{id, points, week};

/// Weeks below a wanted chance that the summary names.
const MOST_TOLD: usize = 5;

/// How likely a pledge of one week is to be met.
#[derive(Debug, Serialize, ToSchema)]
pub struct PledgeChance {
    /// Seasons of a thousand in which it is met.
    #[schema(example = 912)]
    pub met_permille: i64,
    /// Mean of what is missing.
    pub short: Mass,
    /// Delivered in a season worse than nine in ten. From here to `high` is the 80 % band.
    pub low: Mass,
    /// Delivered in a middling season.
    pub middle: Mass,
    /// Delivered in a season worse than one in ten; never more than is pledged.
    pub high: Mass,
    /// Sowings, and harvests that stand already, from which it comes.
    pub sowings: usize,
}

/// What a wanted chance came to.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanMargin {
    /// The chance asked for, in thousandths.
    pub wanted_permille: i64,
    /// Weekly pledges that something sown from now on can serve.
    pub asked: usize,
    /// Those of them that would reach the chance without a margin.
    pub reached_before: usize,
    /// Those of them that reach the chance.
    pub reached: usize,
    /// Containers more than without a margin.
    pub more_containers: i64,
    /// Minutes of work more than without a margin.
    pub more_work_minutes: f64,
    /// Rounds of raised pledges that were solved.
    pub rounds: usize,
    /// Sowings of which a part was moved to another day or station, so that one failure costs less.
    pub spread: usize,
    /// Weekly pledges that do not reach the chance, by week.
    pub not_reached: Vec<PledgeNotReached>,
}

/// A pledge of one week that does not reach the wanted chance.
#[derive(Debug, Serialize, ToSchema)]
pub struct PledgeNotReached {
    /// ISO week.
    #[schema(example = "2026-W44")]
    pub week: String,
    /// The pledge.
    pub pledge_id: Uuid,
    /// Who is to receive it.
    pub recipient_name: String,
    /// The crop or group.
    pub what: String,
    /// Seasons of a thousand in which it is met.
    pub met_permille: i64,
    /// Whether anything sown from now on can serve it.
    pub can_be_served: bool,
}

/// What a change would take. Work counts as the plan's objective says; nothing else is given a price
/// that nobody knows.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RemedyCost {
    /// What has to be provided beside work: `days` (of opening), `litres_a_week`, `goods`, `places` or `light`;
    /// `null` when nothing has to be.
    #[schema(example = "places")]
    pub provide: Option<String>,
    /// How much of it: days, litres of solution a week, packs of goods (grams, millilitres or pieces where the
    /// pack is not described), places, or mol of light a square metre and day.
    pub amount: Option<f64>,
    /// Containers sown more over these weeks; below 0 for fewer.
    pub more_containers: i64,
    /// Minutes of work more over these weeks; below 0 for fewer.
    pub more_work_minutes: f64,
    /// Tenths of a cent that the goods used more are worth at the prices of their packs.
    pub more_goods_tenths_of_cents: i64,
    /// Points that work and goods count; `better_by` is what is left when they are paid.
    pub points: f64,
    /// What pledges are short of less for each unit that has to be provided.
    pub less_short_per_unit: Option<Mass>,
    /// Points gained for each point of work, where work is all that it takes; `null` when it takes no
    /// more work than before, too.
    pub points_per_point: Option<f64>,
    /// In words.
    #[schema(example = "8 places, 12 containers more and 1.4 hours of work more")]
    pub words: String,
}

/// A sowing that was due when the plan was made and not sown. A plan leaves it as it is, since whoever
/// claimed it may be on the way, unless it cannot be sown as it is.
#[derive(Debug, Serialize, ToSchema)]
pub struct DueSowing {
    /// The sowing.
    pub sowing_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// How many.
    pub containers: i64,
    /// The day for which it is or was planned.
    pub sow_on: NaiveDate,
    /// Members who had claimed to sow it.
    pub claims: i64,
    /// Whether it was left as it is.
    pub kept: bool,
    /// Why it cannot be sown as it is; `null` when it can.
    pub why: Option<String>,
    /// All of it in words.
    #[schema(
        example = "4 lettuce at Lamp shelf (North school), due on 2026-10-06 and claimed by one member, stays as it is"
    )]
    pub words: String,
}

/// A change to the co-operative that would help.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlanRemedy {
    /// `places`, `minutes`, `mixing`, `most_sowings`, `open`, `goods` (an order that comes sooner than is
    /// usual) or `light`.
    #[schema(example = "places")]
    pub kind: String,
    /// The site, for what is changed at a site.
    pub site_id: Option<Uuid>,
    /// The station, for what is changed at a station.
    pub station_id: Option<Uuid>,
    /// Places, minutes a week, litres a week, batches a week, or mol a square metre and day more.
    pub more: Option<f64>,
    /// First closed day on which it would be open.
    pub first_day: Option<NaiveDate>,
    /// Last closed day on which it would be open.
    pub last_day: Option<NaiveDate>,
    /// The item that would be ordered.
    pub stock_item_id: Option<Uuid>,
    /// How much of it.
    pub quantity: Option<Amount>,
    /// The day on which it would have to be there.
    pub there_by: Option<NaiveDate>,
    /// In words.
    #[schema(
        example = "8 more places at Lamp shelf: 1.20 kg less short over these weeks; takes 8 places, 12 containers more and 1.4 hours of work more; 150 g for each place"
    )]
    pub words: String,
    /// What pledges are short of less, over all weeks; the mean over seasons where a chance was wanted.
    pub less_short: Mass,
    /// Weekly pledges more that reach the wanted chance; `null` when none was asked for.
    pub more_reached: Option<i64>,
    /// Points by which the plan would be better; where a chance was wanted, with the pledges as the margin
    /// raised them.
    pub better_by: f64,
    /// What it takes; `null` for plans solved before that was kept.
    pub cost: Option<RemedyCost>,
}

impl From<WeekChance> for PledgeChance {
    fn from(chance: WeekChance) -> Self {
        Self {
            met_permille: chance.met_permille,
            short: Mass::of_milligrams(chance.short_milligrams),
            low: Mass::of_milligrams(chance.low_milligrams),
            middle: Mass::of_milligrams(chance.middle_milligrams),
            high: Mass::of_milligrams(chance.high_milligrams),
            sowings: chance.sowings,
        }
    }
}

impl From<Remedy> for PlanRemedy {
    fn from(remedy: Remedy) -> Self {
        let cost = remedy.cost().map(Into::into);
        let ordered = remedy.dimension.as_deref().and_then(StockDimension::parse);
        let bare = Self {
            kind: String::new(),
            site_id: None,
            station_id: None,
            more: None,
            first_day: None,
            last_day: None,
            stock_item_id: None,
            quantity: None,
            there_by: None,
            words: remedy.words,
            less_short: Mass::of_milligrams(remedy.less_short_milligrams),
            more_reached: remedy.more_reached,
            better_by: points(remedy.better_by_e4),
            cost,
        };
        let at_site = |kind: &str, site_id: &str, more: i64| Self {
            kind: kind.to_owned(),
            site_id: Some(id(site_id)),
            more: Some(more as f64),
            ..bare.clone()
        };
        let at_station = |kind: &str, station_id: &str, more: f64| Self {
            kind: kind.to_owned(),
            station_id: Some(id(station_id)),
            more: Some(more),
            ..bare.clone()
        };
        match remedy.change {
            Change::Places { station_id, more } => at_station("places", &station_id, more as f64),
            Change::Light {
                station_id,
                more_mol,
            } => at_station("light", &station_id, more_mol),
            Change::Goods {
                site_id,
                item_id,
                quantity,
                there_by,
            } => Self {
                kind: "goods".to_owned(),
                site_id: Some(id(&site_id)),
                stock_item_id: Some(item_id),
                quantity: ordered.map(|dimension| Amount::of(dimension, quantity)),
                there_by: Some(there_by),
                ..bare
            },
            Change::Minutes { site_id, more } => at_site("minutes", &site_id, more),
            Change::Mixing { site_id, more } => at_site("mixing", &site_id, more),
            Change::MostSowings { site_id, more } => at_site("most_sowings", &site_id, more),
            Change::Open {
                site_id,
                first_day,
                last_day,
            } => Self {
                kind: "open".to_owned(),
                site_id: Some(id(&site_id)),
                first_day: Some(first_day),
                last_day: Some(last_day),
                ..bare
            },
        }
    }
}

impl From<AppCost> for RemedyCost {
    fn from(cost: AppCost) -> Self {
        Self {
            provide: cost.provide.map(str::to_owned),
            amount: cost.amount,
            more_containers: cost.more_containers,
            more_work_minutes: cost.more_minutes_tenths as f64 / 10.0,
            more_goods_tenths_of_cents: cost.more_cents_tenths,
            points: points(cost.points_e4),
            less_short_per_unit: cost.less_short_milligrams_per_unit.map(Mass::of_milligrams),
            points_per_point: cost.points_per_point,
            words: cost.words,
        }
    }
}

impl From<AppDue> for DueSowing {
    fn from(due: AppDue) -> Self {
        Self {
            sowing_id: id(&due.sowing_id),
            station_id: id(&due.station_id),
            crop_id: id(&due.crop_id),
            containers: due.containers,
            sow_on: due.sow_on,
            claims: due.claims,
            kept: due.kept,
            why: due.why,
            words: due.words,
        }
    }
}

impl From<NotReached> for PledgeNotReached {
    fn from(cell: NotReached) -> Self {
        Self {
            week: week(cell.monday),
            pledge_id: id(&cell.pledge_id),
            recipient_name: cell.recipient_name,
            what: cell.what,
            met_permille: cell.met_permille,
            can_be_served: cell.can_be_served,
        }
    }
}

impl From<MarginOutcome> for PlanMargin {
    fn from(margin: MarginOutcome) -> Self {
        Self {
            wanted_permille: margin.wanted_permille,
            asked: margin.asked,
            reached_before: margin.reached_before,
            reached: margin.reached,
            more_containers: margin.more_containers,
            more_work_minutes: margin.more_minutes_tenths as f64 / 10.0,
            rounds: margin.rounds,
            spread: margin.spread,
            not_reached: margin.not_reached.into_iter().map(Into::into).collect(),
        }
    }
}

/// What the chances say, in a sentence or two.
pub(super) fn likelihood(answer: &KeptAnswer) -> String {
    let chances: Vec<i64> = answer
        .weeks
        .iter()
        .filter_map(|cell| Some(cell.chance?.met_permille))
        .collect();
    if chances.is_empty() {
        return String::new();
    }
    let likely = chances.iter().filter(|met| **met >= 900).count();
    let even = chances.iter().filter(|met| **met >= 500).count();
    let mut text = format!(
        " {likely} of {} weekly pledges have a chance of 90 % or better to be met in full, {even} one of 50 % or better.",
        chances.len()
    );
    if let Some(margin) = &answer.margin {
        text += &format!(
            " The wanted chance of {} % is reached in {} of the {} that can still be served, {} without the margin; \
             it takes {} containers and {:.1} hours of work more.",
            margin.wanted_permille as f64 / 10.0,
            margin.reached,
            margin.asked,
            margin.reached_before,
            margin.more_containers,
            margin.more_minutes_tenths as f64 / 600.0,
        );
        text += &below(&margin.not_reached);
    }
    text
}

/// Weeks that do not reach the wanted chance: the least likely of those that can be served, and how
/// many nothing can serve.
fn below(not_reached: &[NotReached]) -> String {
    let (mut served, hopeless): (Vec<&NotReached>, Vec<&NotReached>) =
        not_reached.iter().partition(|cell| cell.can_be_served);
    served.sort_by_key(|cell| (cell.met_permille, cell.monday));
    let mut text = String::new();
    if !served.is_empty() {
        let told: Vec<String> = served
            .iter()
            .take(MOST_TOLD)
            .map(|cell| {
                format!(
                    "{} {} for {} ({:.0} %)",
                    week(cell.monday),
                    cell.what,
                    cell.recipient_name,
                    cell.met_permille as f64 / 10.0
                )
            })
            .collect();
        text += &format!(" It is not reached in {}", told.join(", "));
        if served.len() > MOST_TOLD {
            text += &format!(" and {} more", served.len() - MOST_TOLD);
        }
        text += ".";
    }
    if !hopeless.is_empty() {
        text += &format!(
            " Nothing sown from now on can serve {} weekly pledges.",
            hopeless.len()
        );
    }
    text
}
