//! What the sowings to come need, less what is on hand and on order: what to buy by when.

mod adjuster;
mod item;
mod wants;

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::{Actor, Operation};
use cotyl_growth::GrowingMethod;
use cotyl_growth::water::{Level, Vessel, WaterUse, planned_refills, refill_limit};
use cotyl_store::levels::{ReadyBatch, ready_batches};
use cotyl_store::sites::Site;
use cotyl_store::supply::{self, Bench, Item, Supply, UsualRecipe};
use cotyl_store::{Page, Tx, sites};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::growing::Ground;
use crate::input::Problems;
use crate::lots::hidden_sites;
use crate::plans::{DraftSowings, Replaced, draft_sowings};
use crate::top_ups::{USUAL_MARK_PERMILLE, load_site, vessel_of};
use crate::{App, Caller, Error, Result};

pub use adjuster::AdjusterDose;
pub(crate) use adjuster::{DoseRows, Found, dose};
pub use cotyl_stock::needs::{Purchase, Risk};
pub use cotyl_stock::seed::{
    GerminationBasis, LEAST_GERMINATION_SOURCE, LotVerdict, SEED_LIFE_SOURCE,
};
pub use item::{LotLeft, SeedLotReport, ShoppingItem, SowingAtRisk, WeekNeed};
pub(crate) use item::{Shelf, lots_that_count, open_orders, report};
pub use wants::{Gap, GapKind};
pub(crate) use wants::{Wanted, of as wanted};

/// Days that are looked ahead when nothing else is asked for.
const USUAL_DAYS: u64 = 84;

/// Most days that are looked ahead.
const MOST_DAYS: i64 = 400;

/// Days of record that reorder points rest on.
const DAYS_OF_RECORD: u64 = 180;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ListWanted {
    /// One site; all when left out.
    pub site_id: Option<Uuid>,
    /// A draft plan, whose sowings are taken instead of those that it would replace.
    pub plan_id: Option<Uuid>,
    /// The last day; the end of the plan, or twelve weeks, when left out.
    pub until: Option<NaiveDate>,
    /// Days by which orders are taken to be late when risks are told.
    pub late_days: u32,
}

/// What to buy by when.
#[derive(Debug, Clone, PartialEq)]
pub struct ShoppingList {
    /// The last day that was looked at.
    pub until: NaiveDate,
    /// Every item at every site that is needed, kept or on order.
    pub items: Vec<ShoppingItem>,
    /// What could not be worked out.
    pub gaps: Vec<Gap>,
    /// The acid or base that a litre of solution takes, site by site.
    pub doses: Vec<AdjusterDose>,
}

/// A sowing as far as supplies go.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SowingToSupply {
    /// The sowing; `None` for one of a draft.
    pub id: Option<Uuid>,
    /// Its station.
    pub station_id: Uuid,
    /// Name of the station.
    pub station_name: String,
    /// Its crop.
    pub crop_id: Uuid,
    /// Name of the crop.
    pub crop_name: String,
    /// Containers.
    pub containers: i64,
    /// When it is or was sown.
    pub sow_on: NaiveDate,
    /// Days of its cuts.
    pub cuts: Vec<NaiveDate>,
    /// Whether it stands already, so that it needs solution only.
    pub stands: bool,
    /// Solution that it needs: day and microlitres.
    pub solution: Vec<(NaiveDate, i64)>,
}

/// What is the same for all sites.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Cupboard {
    pub benches: BTreeMap<Uuid, Bench>,
    pub items: Vec<Item>,
    pub supplies: Vec<Supply>,
    pub recipe: Option<UsualRecipe>,
    pub past_lead_days: Vec<(Uuid, i64)>,
}

/// The days of a site that are looked at.
pub(crate) struct Window {
    pub site_id: Uuid,
    pub site_name: String,
    pub today: NaiveDate,
    pub until: NaiveDate,
    pub late_days: u32,
}

/// A site on a day.
pub(crate) struct SiteToday {
    pub site: Site,
    pub zone: SiteZone,
    pub today: NaiveDate,
    pub until: NaiveDate,
    pub late_days: u32,
}

impl App {
    /// The shopping list of a site or of all.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Error::NotFound`] for a site or plan that the co-operative lacks;
    /// [`cotyl_domain::Refusal::WrongState`] for a plan that is neither a solved draft nor adopted.
    pub async fn read_shopping_list(
        &self,
        caller: &Caller,
        wanted: &ListWanted,
    ) -> Result<ShoppingList> {
        let now = self.clock().now();
        let (cupboard, rows, mut list) = self
            .read(Operation::ReadShoppingList, caller, async |tx, actor| {
                let draft = match wanted.plan_id {
                    Some(id) => draft_sowings(tx, id).await?,
                    None => None,
                };
                let today = now.date_naive();
                let usual = draft
                    .as_ref()
                    .map_or(today + Days::new(USUAL_DAYS), |draft| draft.last_day);
                let until = wanted.until.unwrap_or(usual);
                check(wanted, until, today)?;
                let mut list = ShoppingList {
                    until,
                    items: Vec::new(),
                    gaps: Vec::new(),
                    doses: Vec::new(),
                };
                let cupboard = Cupboard::load(tx).await?;
                let hidden = hidden_sites(tx, actor).await?;
                let mut rows = Vec::new();
                for site in sites_wanted(tx, actor, wanted.site_id).await? {
                    if hidden.contains(&site.id) {
                        list.gaps.push(stock_hidden(&site));
                        continue;
                    }
                    let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
                    let site = SiteToday {
                        today: zone.today(now),
                        late_days: wanted.late_days,
                        site,
                        zone,
                        until,
                    };
                    let replaced = draft.as_ref().map(|draft| &draft.replaces);
                    let mut sowings = planned(tx, &cupboard, &site, replaced).await?;
                    if let Some(draft) = &draft {
                        sowings.extend(of_draft(draft, &site)?);
                    }
                    sowings.sort_by_key(|sowing| (sowing.sow_on, sowing.station_id, sowing.id));
                    rows.push(site.load(tx, &cupboard, sowings, now).await?);
                }
                Ok((cupboard, rows, list))
            })
            .await?;
        for site in &rows {
            site.add_to(&mut list, &cupboard);
        }
        Ok(list)
    }
}

/// What a site needs tells what it has; whoever may be counting there must not know.
fn stock_hidden(site: &Site) -> Gap {
    Gap {
        site_id: site.id,
        kind: GapKind::StockHidden,
        text: format!(
            "a stock-taking that hides the ledger is open at {}, so what is to be bought there is not shown to you; ask again when it is posted",
            site.fields.name
        ),
    }
}

/// What is read of a site; what follows is worked out when the transaction has ended.
struct SiteRows {
    site: SiteToday,
    sowings: Vec<SowingToSupply>,
    grounds: BTreeMap<(Uuid, Uuid), Ground>,
    mixed: Vec<ReadyBatch>,
    shelf: item::Shelf,
    dose: Option<DoseRows>,
}

impl SiteRows {
    fn add_to(&self, list: &mut ShoppingList, cupboard: &Cupboard) {
        let profiles = self
            .grounds
            .iter()
            .map(|((_, crop_id), ground)| (*crop_id, &ground.profile))
            .collect();
        let window = &self.site.window();
        let dose = || adjuster::dose(self.dose.as_ref(), cupboard, &self.shelf, window.site_id);
        let wanted = wants::of(
            window,
            cupboard,
            &self.sowings,
            &profiles,
            &self.mixed,
            dose,
        );
        list.gaps.extend(wanted.gaps);
        list.doses.extend(wanted.dose);
        for item in &cupboard.items {
            let needs = wanted.wants.get(&item.id).map_or(&[][..], Vec::as_slice);
            let profile = item.crop_id.and_then(|id| profiles.get(&id).copied());
            list.items.extend(item::report(
                window,
                cupboard,
                item,
                needs,
                &self.sowings,
                &self.shelf,
                profile,
            ));
        }
    }
}

impl App {
    /// What is needed, kept and on order at every site of the co-operative, as things stand.
    pub(crate) async fn supplies_of_all(&self, tx: &mut Tx) -> Result<Vec<ShoppingItem>> {
        let now = self.clock().now();
        let until = now.date_naive() + Days::new(USUAL_DAYS);
        let mut list = ShoppingList {
            until,
            items: Vec::new(),
            gaps: Vec::new(),
            doses: Vec::new(),
        };
        let cupboard = Cupboard::load(tx).await?;
        for site in sites::list(tx, false, Page::ALL).await? {
            let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
            let site = SiteToday {
                today: zone.today(now),
                late_days: 0,
                site,
                zone,
                until,
            };
            let mut sowings = planned(tx, &cupboard, &site, None).await?;
            sowings.sort_by_key(|sowing| (sowing.sow_on, sowing.station_id, sowing.id));
            let rows = site.load(tx, &cupboard, sowings, now).await?;
            rows.add_to(&mut list, &cupboard);
        }
        Ok(list.items)
    }
}

fn check(wanted: &ListWanted, until: NaiveDate, today: NaiveDate) -> Result<()> {
    let mut problems = Problems::new();
    let days = until.signed_duration_since(today).num_days();
    problems.require(
        (0..=MOST_DAYS).contains(&days),
        "until",
        "range",
        "must be from today to 400 days ahead",
    );
    problems.within("late_days", wanted.late_days.into(), 0, 90);
    problems.finish()
}

async fn sites_wanted(tx: &mut Tx, actor: &Actor, site_id: Option<Uuid>) -> Result<Vec<Site>> {
    let reach = Operation::ReadShoppingList.reach(actor);
    let found = match site_id {
        Some(id) => vec![
            sites::get(tx, id)
                .await?
                .filter(|site| reach.covers_site(site.id))
                .ok_or(Error::NotFound("site"))?,
        ],
        None => sites::list(tx, false, Page::ALL).await?,
    };
    Ok(found
        .into_iter()
        .filter(|site| reach.covers_site(site.id))
        .collect())
}

impl Cupboard {
    pub(crate) async fn load(tx: &mut Tx) -> Result<Self> {
        Ok(Self {
            benches: supply::benches(tx)
                .await?
                .into_iter()
                .map(|bench| (bench.station_id, bench))
                .collect(),
            items: supply::items(tx).await?,
            supplies: supply::supplies(tx).await?,
            recipe: supply::usual_recipe(tx).await?,
            past_lead_days: supply::past_lead_days(tx).await?,
        })
    }
}

/// Planned sowings of a site without those that a draft would replace.
async fn planned(
    tx: &mut Tx,
    cupboard: &Cupboard,
    site: &SiteToday,
    replaced: Option<&Replaced>,
) -> Result<Vec<SowingToSupply>> {
    let rows = supply::planned(tx, site.site.id, site.until).await?;
    Ok(rows
        .into_iter()
        .filter(|row| {
            let is_replaced = row.plan_id.is_some()
                && row.sow_on > site.today
                && replaced.is_some_and(|days| days.contains(&row.sow_on));
            !is_replaced
        })
        .map(|row| SowingToSupply {
            id: Some(row.id),
            station_id: row.station_id,
            station_name: cupboard
                .benches
                .get(&row.station_id)
                .map(|bench| bench.station_name.clone())
                .unwrap_or_default(),
            crop_id: row.crop_id,
            crop_name: row.crop_name,
            containers: row.containers.into(),
            sow_on: row.sow_on,
            cuts: row.planned_cuts,
            stands: false,
            solution: Vec::new(),
        })
        .collect())
}

/// What a draft would sow at a site.
fn of_draft(draft: &DraftSowings, site: &SiteToday) -> Result<Vec<SowingToSupply>> {
    let id = |text: &str| text.parse::<Uuid>().map_err(Error::internal);
    let here = site.site.id.to_string();
    draft
        .sowings
        .iter()
        .filter(|sowing| sowing.site_id == here && sowing.sow_on <= site.until)
        .map(|sowing| {
            Ok(SowingToSupply {
                id: None,
                station_id: id(&sowing.station_id)?,
                station_name: sowing.station_name.clone(),
                crop_id: id(&sowing.crop_id)?,
                crop_name: sowing.crop_name.clone(),
                containers: sowing.containers,
                sow_on: sowing.sow_on,
                cuts: sowing.cuts.iter().map(|cut| cut.day).collect(),
                stands: false,
                solution: Vec::new(),
            })
        })
        .collect()
}

/// The first filling of a container and its refills by the forecast of its level, from its daily use:
/// days after the sowing and microlitres.
pub(crate) fn fillings(
    vessel: &Vessel,
    method: GrowingMethod,
    daily_use: &[i64],
) -> Vec<(u64, i64)> {
    let highest = refill_limit(vessel, method, true, 0, None).highest_microlitres;
    let mark = vessel.fill_microlitres * USUAL_MARK_PERMILLE / 1000;
    let refills = planned_refills(vessel.fill_microlitres, mark, highest, daily_use);
    let refills = refills.into_iter().map(|(day, added)| (day as u64, added));
    std::iter::once((0, vessel.fill_microlitres))
        .chain(refills)
        .collect()
}

impl SiteToday {
    fn window(&self) -> Window {
        Window {
            site_id: self.site.id,
            site_name: self.site.fields.name.clone(),
            today: self.today,
            until: self.until,
            late_days: self.late_days,
        }
    }

    /// Reads what the list of the site rests on.
    async fn load(
        self,
        tx: &mut Tx,
        cupboard: &Cupboard,
        mut sowings: Vec<SowingToSupply>,
        now: DateTime<Utc>,
    ) -> Result<SiteRows> {
        let mut grounds: BTreeMap<(Uuid, Uuid), Ground> = BTreeMap::new();
        for sowing in &mut sowings {
            let key = (sowing.station_id, sowing.crop_id);
            let ground = match grounds.entry(key) {
                Entry::Occupied(found) => found.into_mut(),
                Entry::Vacant(place) => place.insert(Ground::load(tx, key.0, key.1).await?),
            };
            if let Some(bench) = cupboard.benches.get(&sowing.station_id) {
                sowing.solution = self.solution_of(sowing, ground, bench)?;
            }
        }
        sowings.extend(self.standing(tx, now).await?);
        let since = (self.today - Days::new(DAYS_OF_RECORD))
            .and_time(NaiveTime::MIN)
            .and_utc();
        let (site_id, zone) = (self.site.id, self.zone.name());
        let shelf = item::Shelf {
            lots: supply::lots(tx, site_id).await?,
            orders: supply::orders(tx, site_id).await?,
            issued: supply::issued(tx, site_id, zone, since).await?,
            first_days: supply::first_days(tx, site_id, zone).await?,
        };
        let dose = match &cupboard.recipe {
            Some(recipe) => DoseRows::load(tx, recipe, site_id).await?,
            None => None,
        };
        Ok(SiteRows {
            mixed: ready_batches(tx, site_id).await?,
            sowings,
            grounds,
            shelf,
            dose,
            site: self,
        })
    }

    /// The first filling of a sowing to come, and refills by the forecast of its level.
    fn solution_of(
        &self,
        sowing: &SowingToSupply,
        ground: &Ground,
        bench: &Bench,
    ) -> Result<Vec<(NaiveDate, i64)>> {
        let (vessel, method) = vessel_of(bench);
        let sow_on = sowing.sow_on.max(self.today);
        let uses = ground.daily_use(
            WaterUse::USUAL,
            sow_on,
            &sowing.cuts,
            sow_on..self.until.max(sow_on) + Days::new(1),
        )?;
        let solution = fillings(&vessel, method, &uses)
            .into_iter()
            .map(|(day, each)| (sow_on + Days::new(day), each));
        let whole = |(day, each): (NaiveDate, i64)| (day, each.saturating_mul(sowing.containers));
        Ok(solution.map(whole).collect())
    }

    /// Sowings that stand, with their refills by the forecast of their levels.
    pub(crate) async fn standing(
        &self,
        tx: &mut Tx,
        now: DateTime<Utc>,
    ) -> Result<Vec<SowingToSupply>> {
        let mut found = Vec::new();
        for course in load_site(tx, self.site.id, now).await? {
            let uses = course.coming_use(self.until.max(self.today) + Days::new(1))?;
            let Level {
                microlitres,
                use_permille,
            } = course.mean;
            let uses: Vec<i64> = uses.iter().map(|used| used * use_permille / 1000).collect();
            let mark = course.vessel.fill_microlitres * USUAL_MARK_PERMILLE / 1000;
            let highest = course.later_limit().highest_microlitres;
            let containers = i64::from(course.sowing.containers);
            let solution: Vec<(NaiveDate, i64)> =
                planned_refills(microlitres, mark, highest, &uses)
                    .into_iter()
                    .map(|(day, added)| {
                        (
                            self.today + Days::new(day as u64),
                            added.saturating_mul(containers),
                        )
                    })
                    .collect();
            let sowing = course.sowing;
            found.push(SowingToSupply {
                id: Some(sowing.id),
                station_id: sowing.station_id,
                station_name: sowing.station_name,
                crop_id: sowing.crop_id,
                crop_name: sowing.crop_name,
                containers,
                sow_on: sowing.sown_on,
                cuts: sowing.planned_cuts,
                stands: true,
                solution,
            });
        }
        Ok(found)
    }
}
