//! From sowings to dated needs of items, and what cannot be worked out.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use cotyl_growth::CropProfile;
use cotyl_stock::needs::Need;
use cotyl_store::levels::ReadyBatch;
use cotyl_store::supply::{Item, UsualRecipe};
use serde::Deserialize;
use uuid::Uuid;

use super::adjuster::{AdjusterDose, Found};
use super::{Cupboard, SowingToSupply, Window};

/// A sowing by its place in the list, and the day on which it needs something.
pub(crate) type WantId = (usize, NaiveDate);

/// Dated needs by item.
pub(crate) type Wants = BTreeMap<Uuid, Vec<Need<WantId>>>;

/// Something that cannot be worked out.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Gap {
    /// The site.
    pub site_id: Uuid,
    /// What it is.
    pub kind: GapKind,
    /// What is missing, in words, and what to do about it.
    pub text: String,
}

/// Kinds of what cannot be worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum GapKind {
    /// No item is the seed of a crop.
    NoSeedItem,
    /// The seed of a crop is kept by volume.
    SeedByVolume,
    /// Nothing is said to be taken by a container of a kind.
    NoSupplies,
    /// No recipe is the usual one.
    NoUsualRecipe,
    /// The amounts of the usual recipe cannot be read.
    UnreadableRecipe,
    /// No item is a product of the usual recipe.
    NoItemOfProduct,
    /// A product is dosed in one dimension and kept in another without a density.
    NoDensity,
    /// No source water of the site is described, so acid or base is not worked out.
    NoSourceWater,
    /// Acid or base is needed, and no stock item keeps one.
    NoAdjuster,
    /// The dose of acid or base comes to no figure.
    DoseUnknown,
    /// More acid or base is needed than may be dosed.
    DosePastMost,
    /// What the store holds is hidden while it is counted.
    StockHidden,
}

/// A line of a recipe as it is kept.
#[derive(Debug, Deserialize)]
struct RecipeLine {
    product_id: Uuid,
    micrograms_per_litre: Option<i64>,
    nanolitres_per_litre: Option<i64>,
}

/// Collects needs and gaps of a site.
struct Collector<'a> {
    window: &'a Window,
    cupboard: &'a Cupboard,
    wants: BTreeMap<Uuid, BTreeMap<WantId, i64>>,
    gaps: BTreeSet<Gap>,
    dose: Option<AdjusterDose>,
}

/// What comes of the sowings of a site.
pub(crate) struct Wanted {
    /// Dated needs.
    pub wants: Wants,
    /// What cannot be worked out.
    pub gaps: Vec<Gap>,
    /// The acid or base in a litre of solution that is to be mixed, where any is needed.
    pub dose: Option<AdjusterDose>,
}

/// Dated needs of the sowings of a site.
pub(crate) fn of(
    window: &Window,
    cupboard: &Cupboard,
    sowings: &[SowingToSupply],
    profiles: &BTreeMap<Uuid, &CropProfile>,
    mixed: &[ReadyBatch],
    adjuster: impl FnOnce() -> Found,
) -> Wanted {
    let mut collector = Collector {
        window,
        cupboard,
        wants: BTreeMap::new(),
        gaps: BTreeSet::new(),
        dose: None,
    };
    for (place, sowing) in sowings.iter().enumerate().filter(|(_, s)| !s.stands) {
        if let Some(profile) = profiles.get(&sowing.crop_id) {
            collector.seed(place, sowing, profile);
        }
        collector.supplies(place, sowing);
    }
    collector.solution(sowings, mixed, adjuster);
    let wants = collector
        .wants
        .into_iter()
        .map(|(item_id, needs)| {
            let needs = needs.into_iter().map(|(id, quantity)| Need {
                id,
                day: id.1,
                quantity,
            });
            (item_id, needs.collect())
        })
        .collect();
    Wanted {
        wants,
        gaps: collector.gaps.into_iter().collect(),
        dose: collector.dose,
    }
}

impl Collector<'_> {
    fn want(&mut self, item_id: Uuid, place: usize, day: NaiveDate, quantity: i64) {
        let day = day.max(self.window.today);
        if quantity > 0 && day <= self.window.until {
            let sum = self.wants.entry(item_id).or_default().entry((place, day));
            let sum = sum.or_default();
            *sum = sum.saturating_add(quantity);
        }
    }

    fn gap(&mut self, kind: GapKind, text: String) {
        self.gaps.insert(Gap {
            site_id: self.window.site_id,
            kind,
            text,
        });
    }

    fn seed(&mut self, place: usize, sowing: &SowingToSupply, profile: &CropProfile) {
        let cupboard = self.cupboard;
        let name = &sowing.crop_name;
        let Some(item) = cupboard
            .items
            .iter()
            .find(|item| item.crop_id == Some(sowing.crop_id))
        else {
            let text = format!("no stock item is the seed of {name}; describe one");
            return self.gap(GapKind::NoSeedItem, text);
        };
        let each = match item.dimension.as_str() {
            "mass" => profile.seed_milligrams_per_container,
            "count" => {
                let plants = cupboard
                    .benches
                    .get(&sowing.station_id)
                    .map_or(1, |bench| bench.plants_per_container);
                i64::from(profile.seeds_per_plant).saturating_mul(plants.into())
            }
            _ => {
                let text =
                    format!("the seed of {name} is kept by volume; keep it by weight or count");
                return self.gap(GapKind::SeedByVolume, text);
            }
        };
        let whole = each.saturating_mul(sowing.containers);
        self.want(item.id, place, sowing.sow_on, whole);
    }

    fn supplies(&mut self, place: usize, sowing: &SowingToSupply) {
        let cupboard = self.cupboard;
        let Some(bench) = cupboard.benches.get(&sowing.station_id) else {
            return;
        };
        let mut any = false;
        for supply in &cupboard.supplies {
            if supply.container_kind_id == bench.container_kind_id {
                any = true;
                let whole = supply.quantity.saturating_mul(sowing.containers);
                self.want(supply.stock_item_id, place, sowing.sow_on, whole);
            }
        }
        if !any {
            let name = &bench.container_kind_name;
            let text = format!(
                "nothing is said of what a container of the kind {name} takes (medium, cups); describe its supplies"
            );
            self.gap(GapKind::NoSupplies, text);
        }
    }

    /// What solution takes that is still to be mixed, by the amounts of the usual recipe and what it takes of acid
    /// or base; what is mixed already serves the earliest.
    fn solution(
        &mut self,
        sowings: &[SowingToSupply],
        mixed: &[ReadyBatch],
        adjuster: impl FnOnce() -> Found,
    ) {
        let mut litres: Vec<(NaiveDate, usize, i64)> = sowings
            .iter()
            .enumerate()
            .flat_map(|(place, sowing)| {
                let entries = sowing.solution.iter();
                entries.map(move |(day, microlitres)| (*day, place, *microlitres))
            })
            .filter(|(day, _, _)| *day <= self.window.until)
            .collect();
        litres.sort_unstable();
        if litres.is_empty() {
            return;
        }
        let cupboard = self.cupboard;
        let Some(recipe) = &cupboard.recipe else {
            let text = "no recipe is the usual one, so fertiliser and acid or base are not worked out; mark one as usual";
            return self.gap(GapKind::NoUsualRecipe, text.to_owned());
        };
        let mut left: i64 = mixed
            .iter()
            .filter(|batch| batch.recipe_id == recipe.id)
            .map(|batch| batch.left_microlitres)
            .sum();
        for (_, _, microlitres) in &mut litres {
            let served = left.min(*microlitres);
            *microlitres -= served;
            left -= served;
        }
        litres.retain(|(_, _, microlitres)| *microlitres > 0);
        let mut lines = self.lines(recipe);
        if !litres.is_empty() {
            lines.extend(self.adjuster(adjuster()));
        }
        for line in lines {
            let Some((item_id, amount)) = self.amount(recipe, &line) else {
                continue;
            };
            for &(day, place, microlitres) in &litres {
                self.want(item_id, place, day, amount.base_units(microlitres));
            }
        }
    }

    /// The acid or base as one more line of the recipe.
    fn adjuster(&mut self, found: Found) -> Option<RecipeLine> {
        let dose = match found {
            Found::Nothing => return None,
            Found::Gap(kind, text) => {
                self.gap(kind, text);
                return None;
            }
            Found::PastMost(dose, text) => {
                self.gap(GapKind::DosePastMost, text);
                dose
            }
            Found::Dose(dose) => dose,
        };
        let line = RecipeLine {
            product_id: dose.product_id,
            micrograms_per_litre: Some((dose.grams_per_litre * 1e6).ceil() as i64),
            nanolitres_per_litre: None,
        };
        self.dose = Some(dose);
        Some(line)
    }

    fn lines(&mut self, recipe: &UsualRecipe) -> Vec<RecipeLine> {
        match serde_json::from_value(recipe.lines.clone()) {
            Ok(lines) => lines,
            Err(_) => {
                let text = format!("the amounts of the recipe {} cannot be read", recipe.name);
                self.gap(GapKind::UnreadableRecipe, text);
                Vec::new()
            }
        }
    }

    /// The item of a line with its amount in thousandths of a base unit for a litre.
    fn amount(&mut self, recipe: &UsualRecipe, line: &RecipeLine) -> Option<(Uuid, Amount)> {
        let cupboard = self.cupboard;
        let Some(item) = cupboard
            .items
            .iter()
            .find(|item| item.product_id == Some(line.product_id))
        else {
            let text = format!(
                "no stock item is one of the products of the recipe {}; describe one",
                recipe.name
            );
            self.gap(GapKind::NoItemOfProduct, text);
            return None;
        };
        match Amount::of(line, item) {
            Some(amount) => Some((item.id, amount)),
            None => {
                let text = format!(
                    "{} is kept in another dimension than it is dosed; state its density",
                    item.name
                );
                self.gap(GapKind::NoDensity, text);
                None
            }
        }
    }
}

/// An amount for a litre of solution: a numerator over a denominator of base units for a microlitre.
#[derive(Debug, Clone, Copy)]
struct Amount {
    numerator: i128,
    denominator: i128,
}

/// Micrograms or nanolitres for a litre over milligrams or microlitres for a microlitre.
const BASE_PER_LITRE: i128 = 1_000_000_000;

impl Amount {
    fn of(line: &RecipeLine, item: &Item) -> Option<Self> {
        // milligrams in a millilitre are micrograms in a microlitre
        let density = item.density_milligrams_per_millilitre.map(i128::from);
        let (numerator, denominator) = match (
            line.micrograms_per_litre,
            line.nanolitres_per_litre,
            item.dimension.as_str(),
        ) {
            (Some(micrograms), None, "mass") => (i128::from(micrograms), BASE_PER_LITRE),
            (None, Some(nanolitres), "volume") => (i128::from(nanolitres), BASE_PER_LITRE),
            (Some(micrograms), None, "volume") => (
                i128::from(micrograms) * 1000,
                BASE_PER_LITRE * density?.max(1),
            ),
            (None, Some(nanolitres), "mass") => {
                (i128::from(nanolitres) * density?, BASE_PER_LITRE * 1000)
            }
            _ => return None,
        };
        Some(Self {
            numerator,
            denominator,
        })
    }

    /// Base units for so much solution, rounded up.
    fn base_units(self, microlitres: i64) -> i64 {
        let product = self.numerator * i128::from(microlitres);
        let rounded = product.div_euclid(self.denominator)
            + i128::from(product.rem_euclid(self.denominator) > 0);
        i64::try_from(rounded).unwrap_or(i64::MAX)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    fn item(dimension: &str, density: Option<i32>) -> Item {
        Item {
            id: Uuid::nil(),
            name: "Salt".into(),
            category: "fertiliser".into(),
            dimension: dimension.into(),
            crop_id: None,
            product_id: None,
            supplier: String::new(),
            pack_quantity: None,
            pack_cents: None,
            lead_days: 7,
            service_permille: 950,
            density_milligrams_per_millilitre: density,
        }
    }

    /// 1.5 g/L in 20 L is 30 g; 2 mL/L in 20 L is 40 mL, at 1.25 g/mL 50 g; 50 g of it are 40 mL.
    #[test]
    fn amounts_of_a_recipe_in_the_dimension_of_the_item() {
        let by_weight = |micrograms| RecipeLine {
            product_id: Uuid::nil(),
            micrograms_per_litre: Some(micrograms),
            nanolitres_per_litre: None,
        };
        let by_volume = |nanolitres| RecipeLine {
            product_id: Uuid::nil(),
            micrograms_per_litre: None,
            nanolitres_per_litre: Some(nanolitres),
        };
        let check = |line: RecipeLine, item: &Item, microlitres: i64, expect: Option<i64>| {
            let got = Amount::of(&line, item).map(|amount| amount.base_units(microlitres));
            assert_eq!(got, expect, "{line:?} {}", item.dimension);
        };
        let twenty_litres = 20_000_000;
        check(
            by_weight(1_500_000),
            &item("mass", None),
            twenty_litres,
            Some(30_000),
        );
        check(
            by_volume(2_000_000),
            &item("volume", None),
            twenty_litres,
            Some(40_000),
        );
        check(
            by_volume(2_000_000),
            &item("mass", Some(1250)),
            twenty_litres,
            Some(50_000),
        );
        check(
            by_weight(2_500_000),
            &item("volume", Some(1250)),
            twenty_litres,
            Some(40_000),
        );
        check(
            by_weight(1_500_000),
            &item("volume", None),
            twenty_litres,
            None,
        );
        check(
            by_weight(1_500_000),
            &item("count", Some(1000)),
            twenty_litres,
            None,
        );
        // a part of a milligram counts as one
        check(by_weight(1), &item("mass", None), 1, Some(1));
    }
}
