//! The store of a site, and what sowings would take of it.

use std::collections::BTreeMap;

use chrono::{Datelike, Days, NaiveDate};
use cotyl_growth::water::{Growing, WaterUse};
use cotyl_growth::{Climate, CropProfile};
use cotyl_stock::lots::LotOnShelf;
use cotyl_stock::needs::OpenOrder;
use cotyl_store::levels::ReadyBatch;
use cotyl_store::supply::Item;
use uuid::Uuid;

use super::super::compile::Directory;
use super::super::days::climate;
use super::super::season::{Season, SeasonCrop, SeasonSite, SeasonStation};
use super::{SeasonGoods, SiteGoods};
use crate::shopping_list::{
    Found, Shelf, ShoppingItem, SowingToSupply, Wanted, Window, fillings, lots_that_count,
    open_orders, report, wanted,
};
use crate::top_ups::vessel_of;

/// Weeks past the season that a crop is foreseen.
const WEEKS_BEYOND: usize = 52;

/// The store of a site of a season.
pub(in super::super) struct Store<'a> {
    goods: &'a SeasonGoods,
    pub(in super::super) site: &'a SeasonSite,
    pub(in super::super) of: &'a SiteGoods,
    window: Window,
    profiles: BTreeMap<Uuid, &'a CropProfile>,
    crop_names: BTreeMap<Uuid, &'a str>,
    /// Monday from which days are counted.
    base: NaiveDate,
    climates: BTreeMap<&'a str, Climate>,
}

impl<'a> Store<'a> {
    /// The store of a site until the end of the season; `None` where nothing is known of it.
    pub(in super::super) fn of(season: &'a Season, site: &'a SeasonSite) -> Option<Self> {
        let goods = season.goods.as_ref()?;
        let of = goods.site(&site.id)?;
        let key = |crop: &&SeasonCrop| goods.key("crop", &crop.id);
        let monday = site.today - Days::new(u64::from(site.today.weekday().num_days_from_monday()));
        let base = season.first_monday.min(monday);
        let ahead = usize::try_from((season.first_monday - base).num_weeks()).unwrap_or(0);
        let weeks = ahead + season.weeks as usize + WEEKS_BEYOND;
        Some(Self {
            goods,
            site,
            of,
            window: Window {
                site_id: goods.key("site", &site.id)?,
                site_name: site.name.clone(),
                today: site.today,
                until: season.end() - Days::new(1),
                late_days: 0,
            },
            profiles: season
                .crops
                .iter()
                .filter_map(|crop| Some((key(&crop)?, &crop.profile)))
                .collect(),
            crop_names: season
                .crops
                .iter()
                .filter_map(|crop| Some((key(&crop)?, crop.name.as_str())))
                .collect(),
            base,
            climates: season
                .stations
                .iter()
                .filter(|station| station.site_id == site.id)
                .map(|station| (station.id.as_str(), climate(station, base, weeks)))
                .collect(),
        })
    }

    pub(in super::super) fn items(&self) -> &'a [Item] {
        &self.goods.cupboard.items
    }

    /// A sowing to come with the solution that it will take; `None` at a station of which nothing is known.
    pub(in super::super) fn sowing(
        &self,
        station: &SeasonStation,
        crop: &SeasonCrop,
        containers: i64,
        sow_on: NaiveDate,
        cuts: Vec<NaiveDate>,
    ) -> Option<SowingToSupply> {
        let station_id = self.goods.key("station", &station.id)?;
        let crop_id = self.goods.key("crop", &crop.id)?;
        let bench = self.goods.cupboard.benches.get(&station_id)?;
        let from = sow_on.max(self.site.today);
        let number = |day: NaiveDate| (day - self.base).num_days();
        let growing = Growing {
            profile: &crop.profile_at(&station.id),
            climate: self.climates.get(station.id.as_str())?,
            container: &station.container,
            known: crop.known.get(&station.id).copied().unwrap_or_default(),
        };
        let cut_days: Vec<i64> = cuts.iter().map(|day| number(*day)).collect();
        let days = number(from)..number(self.window.until.max(from)) + 1;
        let uses = growing.daily_use_microlitres(WaterUse::USUAL, number(from), &cut_days, days);
        let (vessel, method) = vessel_of(bench);
        Some(SowingToSupply {
            id: None,
            station_id,
            station_name: station.name.clone(),
            crop_id,
            crop_name: crop.name.clone(),
            containers,
            sow_on,
            cuts,
            stands: false,
            solution: fillings(&vessel, method, &uses)
                .into_iter()
                .map(|(day, each)| (from + Days::new(day), each.saturating_mul(containers)))
                .collect(),
        })
    }

    /// Sowings that no plan changes: those in the ground, and those that are still to be sown as they are.
    pub(in super::super) fn standing(
        &self,
        season: &Season,
        directory: &Directory,
    ) -> Vec<SowingToSupply> {
        let planned = season
            .sowings
            .iter()
            .filter(|sowing| sowing.site_id == self.site.id && sowing.state == "planned")
            .filter(|sowing| directory.stands(season, sowing))
            .filter_map(|sowing| {
                self.sowing(
                    directory.station(&sowing.station_id)?,
                    directory.crop(&sowing.crop_id)?,
                    i64::from(sowing.containers),
                    sowing.sow_on,
                    sowing.planned_cuts.clone(),
                )
            });
        self.of.standing.iter().cloned().chain(planned).collect()
    }

    /// What sowings take on which day, less what is mixed.
    pub(in super::super) fn wanted(
        &self,
        sowings: &[SowingToSupply],
        mixed: &[ReadyBatch],
    ) -> Wanted {
        let dose = || {
            let dose = self.of.dose.clone();
            dose.map_or(Found::Nothing, Found::Dose)
        };
        let cupboard = &self.goods.cupboard;
        wanted(&self.window, cupboard, sowings, &self.profiles, mixed, dose)
    }

    /// Solution by the usual recipe that is mixed.
    pub(super) fn mixed_microlitres(&self) -> i64 {
        let usual = self.goods.cupboard.recipe.as_ref().map(|recipe| recipe.id);
        let batches = self.of.mixed.iter();
        batches
            .filter(|batch| Some(batch.recipe_id) == usual)
            .map(|batch| batch.left_microlitres)
            .sum()
    }

    /// What of an item is in so much solution.
    pub(super) fn in_solution(&self, item: &Item, microlitres: i64) -> i64 {
        let poured = SowingToSupply {
            id: None,
            station_id: Uuid::nil(),
            station_name: String::new(),
            crop_id: Uuid::nil(),
            crop_name: String::new(),
            containers: 0,
            sow_on: self.site.today,
            cuts: Vec::new(),
            stands: true,
            solution: vec![(self.site.today, microlitres)],
        };
        let needs = self.wanted(&[poured], &[]).wants;
        let needs = needs.get(&item.id).into_iter().flatten();
        needs.map(|need| need.quantity).sum()
    }

    /// Lots of an item, each with what it counts for.
    pub(super) fn lots(&self, item: &Item) -> Vec<LotOnShelf<Uuid>> {
        let crop = item.crop_id;
        let name = crop.and_then(|id| self.crop_names.get(&id).copied());
        let profile = crop.and_then(|id| self.profiles.get(&id).copied());
        lots_that_count(
            &self.window,
            item,
            name.unwrap_or(&item.name),
            &self.of.lots,
            profile,
        )
    }

    /// Open orders of an item.
    pub(super) fn orders(&self, item: &Item) -> Vec<OpenOrder> {
        open_orders(&self.window, item, &self.of.orders)
    }

    /// The shopping list of these sowings.
    pub(super) fn shopping(&self, sowings: &[SowingToSupply]) -> Vec<ShoppingItem> {
        let needs = self.wanted(sowings, &self.of.mixed).wants;
        let shelf = Shelf {
            lots: self.of.lots.clone(),
            orders: self.of.orders.clone(),
            issued: Vec::new(),
            first_days: Vec::new(),
        };
        let cupboard = &self.goods.cupboard;
        let of_item = |item: &Item| {
            let wanted = needs.get(&item.id).map_or(&[][..], Vec::as_slice);
            let profile = item.crop_id.and_then(|id| self.profiles.get(&id).copied());
            report(
                &self.window,
                cupboard,
                item,
                wanted,
                sowings,
                &shelf,
                profile,
            )
        };
        cupboard.items.iter().filter_map(of_item).collect()
    }
}
