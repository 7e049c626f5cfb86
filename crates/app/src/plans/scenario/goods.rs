//! What a scenario keeps: items, what containers take, the usual recipe, lots and orders.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use cotyl_domain::quantity::{Amount, ItemMeasure, Mass, StockDimension, Volume};
use cotyl_growth::GrowingMethod;
use cotyl_store::supply::{Bench, Item, LotAtSite, OrderUnderWay, Supply, UsualRecipe};
use serde::Deserialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::super::goods::{SeasonGoods, SiteGoods};
use super::super::season::{Season, SeasonError, SeasonSite};
use super::{Register, ScenarioKind, fault};
use crate::shopping_list::Cupboard;

/// Days from order to arrival when nothing is said.
const USUAL_LEAD_DAYS: i32 = 7;

/// The part of a scenario that is about goods.
pub(super) struct ScenarioGoods {
    pub(super) stock_items: Vec<ScenarioItem>,
    pub(super) container_supplies: Vec<ScenarioSupply>,
    pub(super) usual_recipe: Option<ScenarioRecipe>,
    pub(super) lots: Vec<ScenarioLot>,
    pub(super) stock_orders: Vec<ScenarioOrder>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScenarioItem {
    id: Option<String>,
    name: String,
    category: String,
    dimension: StockDimension,
    crop_id: Option<String>,
    product_id: Option<String>,
    pack: Option<Amount>,
    pack_cents: Option<i64>,
    lead_days: Option<i32>,
    density_milligrams_per_millilitre: Option<i32>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScenarioSupply {
    container_kind_id: String,
    stock_item_id: String,
    amount: Amount,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScenarioRecipe {
    name: String,
    lines: Vec<ScenarioLine>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScenarioLine {
    product_id: String,
    per_litre: Amount,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScenarioLot {
    stock_item_id: String,
    site_id: String,
    code: String,
    amount: Amount,
    received_on: Option<NaiveDate>,
    expires_on: Option<NaiveDate>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ScenarioOrder {
    stock_item_id: String,
    site_id: String,
    amount: Amount,
    expected_on: NaiveDate,
}

/// The id of a record of a kind, where it is a UUID, or one made of its text: the 128-bit hash FNV-1a, so
/// that the order of a document does not matter.
fn key(kind: &str, id: &str) -> Uuid {
    const OFFSET: u128 = 0x6c62_272e_07bb_0142_62b8_2175_6295_c58d;
    const PRIME: u128 = 0x0000_0000_0100_0000_0000_0000_0000_013b;
    let hash = || {
        let bytes = kind.bytes().chain([0]).chain(id.bytes());
        bytes.fold(OFFSET, |hash, byte| {
            (hash ^ u128::from(byte)).wrapping_mul(PRIME)
        })
    };
    id.parse().unwrap_or_else(|_| Uuid::from_u128(hash()))
}

impl ScenarioGoods {
    /// The goods of a season; `None` where no item is described.
    pub(super) fn goods(
        self,
        season: &Season,
        kinds: &[ScenarioKind],
        [sites, kind_register, crops]: [&Register; 3],
    ) -> Result<Option<SeasonGoods>, SeasonError> {
        if self.stock_items.is_empty() {
            return Ok(None);
        }
        let names = Register::of(
            "stock item",
            self.stock_items.iter().map(|r| (&r.id, &r.name)),
        )?;
        let mut items = self
            .stock_items
            .iter()
            .map(|item| item.item(crops))
            .collect::<Result<Vec<_>, _>>()?;
        items.sort_by_key(|item| (item.category.clone(), item.name.to_lowercase(), item.id));
        let find = |by: &str, reference: &str| -> Result<usize, SeasonError> {
            let key = key("item", &names.find(by, reference)?);
            let at = items.iter().position(|item| item.id == key);
            at.ok_or_else(|| fault(by, "there is no such stock item"))
        };
        let mut supplies = Vec::new();
        for (number, supply) in self.container_supplies.iter().enumerate() {
            let by = format!("container supply {}", number + 1);
            let item = &items[find(&by, &supply.stock_item_id)?];
            let kind_id = kind_register.find(&by, &supply.container_kind_id)?;
            supplies.push((kind_id, item.id, base_units(&by, item, &supply.amount)?));
        }
        supplies.sort();
        let mut stores: Vec<SiteGoods> = season.sites.iter().map(empty_store).collect();
        let mut shelves = Shelves {
            sites,
            today: season.sites.first().map(|site| site.today),
            stores: &mut stores,
        };
        for (number, lot) in self.lots.iter().enumerate() {
            let by = format!("lot {}", lot.code);
            shelves.lay(&by, number, lot, &items[find(&by, &lot.stock_item_id)?])?;
        }
        for (number, order) in self.stock_orders.iter().enumerate() {
            let by = format!("stock order {}", number + 1);
            shelves.expect(&by, order, &items[find(&by, &order.stock_item_id)?])?;
        }
        let recipe = match &self.usual_recipe {
            Some(recipe) => Some(recipe.recipe()?),
            None => None,
        };
        Ok(Some(SeasonGoods {
            limits: true,
            cupboard: Cupboard {
                benches: benches(season, kinds),
                items,
                supplies: supplies
                    .into_iter()
                    .map(|(kind_id, stock_item_id, quantity)| Supply {
                        container_kind_id: key("kind", &kind_id),
                        stock_item_id,
                        quantity,
                    })
                    .collect(),
                recipe,
                past_lead_days: Vec::new(),
            },
            sites: stores,
            keys: of_records(season),
        }))
    }
}

fn empty_store(site: &SeasonSite) -> SiteGoods {
    SiteGoods {
        site_id: site.id.clone(),
        lots: Vec::new(),
        orders: Vec::new(),
        kept: Vec::new(),
        mixed: Vec::new(),
        standing: Vec::new(),
        dose: None,
    }
}

/// Stores that are filled.
struct Shelves<'a> {
    sites: &'a Register,
    today: Option<NaiveDate>,
    stores: &'a mut Vec<SiteGoods>,
}

impl Shelves<'_> {
    fn store(&mut self, by: &str, reference: &str) -> Result<&mut SiteGoods, SeasonError> {
        let id = self.sites.find(by, reference)?;
        let mut stores = self.stores.iter_mut();
        stores
            .find(|store| store.site_id == id)
            .ok_or_else(|| fault(by, "there is no such site"))
    }

    /// A lot of nothing says that the store has held the item.
    fn lay(
        &mut self,
        by: &str,
        number: usize,
        lot: &ScenarioLot,
        item: &Item,
    ) -> Result<(), SeasonError> {
        let held = LotAtSite {
            id: key("lot", &format!("{} {} {number}", lot.code, lot.site_id)),
            stock_item_id: item.id,
            code: lot.code.clone(),
            quantity: base_units(by, item, &lot.amount)?,
            received_on: lot.received_on.or(self.today).unwrap_or_default(),
            expires_on: lot.expires_on,
            germination_permille: None,
            germination_tested_on: None,
        };
        let store = self.store(by, &lot.site_id)?;
        if !store.kept.contains(&item.id) {
            store.kept.push(item.id);
        }
        if held.quantity > 0 {
            store.lots.push(held);
        }
        Ok(())
    }

    fn expect(&mut self, by: &str, order: &ScenarioOrder, item: &Item) -> Result<(), SeasonError> {
        let under_way = OrderUnderWay {
            stock_item_id: item.id,
            quantity: base_units(by, item, &order.amount)?,
            expected_on: order.expected_on,
        };
        self.store(by, &order.site_id)?.orders.push(under_way);
        Ok(())
    }
}

/// Keys of sites, stations and crops by their ids.
fn of_records(season: &Season) -> BTreeMap<String, Uuid> {
    let sites = season.sites.iter().map(|site| ("site", &site.id));
    let stations = season.stations.iter().map(|s| ("station", &s.id));
    let crops = season.crops.iter().map(|crop| ("crop", &crop.id));
    let all: Vec<(&str, &String)> = sites.chain(stations).chain(crops).collect();
    all.into_iter()
        .map(|(kind, id)| (format!("{kind} {id}"), key(kind, id)))
        .collect()
}

fn benches(season: &Season, kinds: &[ScenarioKind]) -> BTreeMap<Uuid, Bench> {
    let mut benches = BTreeMap::new();
    for station in &season.stations {
        let kind = kinds
            .iter()
            .find(|kind| kind.id.as_ref().unwrap_or(&kind.name) == &station.container_kind_id);
        let Some(kind) = kind else { continue };
        let fill = kind.fill.microlitres();
        let station_id = key("station", &station.id);
        benches.insert(
            station_id,
            Bench {
                station_id,
                station_name: station.name.clone(),
                method: match station.method {
                    GrowingMethod::Passive => "passive".to_owned(),
                    GrowingMethod::Aerated => "aerated".to_owned(),
                },
                container_kind_id: key("kind", &station.container_kind_id),
                container_kind_name: kind.name.clone(),
                volume_microlitres: kind.volume.map_or(fill, Volume::microlitres),
                fill_microlitres: fill,
                refill_limit_microlitres: kind.refill_limit.map_or(fill, Volume::microlitres),
                plants_per_container: kind.plants_per_container,
            },
        );
    }
    benches
}

impl ScenarioItem {
    fn item(&self, crops: &Register) -> Result<Item, SeasonError> {
        let id = self.id.as_ref().unwrap_or(&self.name);
        let crop = match &self.crop_id {
            Some(crop) => Some(crops.find(id, crop)?),
            None => None,
        };
        let mut item = Item {
            id: key("item", id),
            name: self.name.clone(),
            category: self.category.clone(),
            dimension: self.dimension.as_str().to_owned(),
            crop_id: crop.map(|crop| key("crop", &crop)),
            product_id: self.product_id.as_ref().map(|id| key("product", id)),
            supplier: String::new(),
            pack_quantity: None,
            pack_cents: self.pack_cents,
            lead_days: self.lead_days.unwrap_or(USUAL_LEAD_DAYS),
            service_permille: 950,
            density_milligrams_per_millilitre: self.density_milligrams_per_millilitre,
        };
        if !(0..=365).contains(&item.lead_days) || self.pack_cents.is_some_and(|cents| cents < 0) {
            return Err(fault(
                id,
                "lead_days must be from 0 to 365, pack_cents 0 or more",
            ));
        }
        if let Some(pack) = &self.pack {
            item.pack_quantity = Some(base_units(id, &item, pack)?);
        }
        Ok(item)
    }
}

impl ScenarioRecipe {
    /// The recipe as it is kept: micrograms or nanolitres in a litre.
    fn recipe(&self) -> Result<UsualRecipe, SeasonError> {
        let mut lines: Vec<Value> = Vec::new();
        for line in &self.lines {
            let text = &line.per_litre.0;
            let mass = Mass::parse(&text.value, &text.unit).map(|mass| mass.milligrams() * 1000);
            let volume =
                Volume::parse(&text.value, &text.unit).map(|volume| volume.microlitres() * 1000);
            if mass.is_err() && volume.is_err() {
                let words =
                    "per_litre must be a mass or a volume of whole milligrams or microlitres";
                return Err(fault(&self.name, words));
            }
            lines.push(json!({
                "product_id": key("product", &line.product_id),
                "micrograms_per_litre": mass.ok(), "nanolitres_per_litre": volume.ok(),
            }));
        }
        Ok(UsualRecipe {
            id: key("recipe", &self.name),
            name: self.name.clone(),
            lines: lines.into(),
        })
    }
}

/// Base units of an item, none or more.
fn base_units(by: &str, item: &Item, amount: &Amount) -> Result<i64, SeasonError> {
    let measure = ItemMeasure {
        dimension: StockDimension::parse(&item.dimension).unwrap_or(StockDimension::Count),
        density_milligrams_per_millilitre: item.density_milligrams_per_millilitre.map(i64::from),
        scoop_quantity: None,
    };
    let found = measure.read_found(amount);
    found.map_err(|error| fault(by, error.to_string()))
}
