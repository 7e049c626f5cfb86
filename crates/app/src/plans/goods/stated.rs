//! What a season's goods are in the problem: consumables, and what a container of a crop takes of them.
//!
//! The format knows one stock for all weeks and purchases from a week on. What comes in between is stated
//! as one consumable for each step: so much may be used up to the week of the step, and any quantity
//! afterwards. Together these say exactly what is at hand in which week.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use cotyl_planner::problem::{Class, ClassCrop, Consumable, Station};
use cotyl_planner::{Plan, Problem};
use cotyl_stock::lots::LotOnShelf;
use cotyl_stock::needs::{Need, OpenOrder, net};
use cotyl_store::supply::Item;
use uuid::Uuid;

use super::super::compile::{Directory, week_label};
use super::super::season::{Season, SeasonStation};
use super::{Store, comes_on, told};
use crate::shopping_list::SowingToSupply;

/// The consumable that stands for money: a unit is a tenth of a cent.
const MONEY: &str = "goods at their price";

/// Goods as they are stated.
#[derive(Debug, Default)]
pub(in super::super) struct Stated {
    /// Consumables of the problem.
    pub(in super::super) consumables: Vec<Consumable>,
    /// Of sites, in words for a coordinator.
    pub(in super::super) notes: Vec<(String, String)>,
    /// What consumables stand for.
    pub(in super::super) goods: Vec<StatedGood>,
}

/// A consumable that limits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatedGood {
    /// Id of the consumable.
    pub consumable: String,
    /// The site of the store.
    pub site_id: String,
    /// The item.
    pub item_id: Uuid,
}

/// What is at hand of an item before new goods can come.
struct Limit<'a> {
    item: &'a Item,
    comes_on: NaiveDate,
    /// Weeks in which something is sown before that.
    weeks: usize,
    /// The most that may be used up to the end of a week; the last one is of the last of these weeks.
    steps: Vec<(usize, i64)>,
}

/// States the goods; what containers take is written into the classes.
pub(in super::super) fn state(
    season: &Season,
    directory: &Directory,
    classes: &mut [Class],
    stations: &[Station],
) -> Stated {
    let mut stated = Stated::default();
    let mut costs = false;
    for site in &season.sites {
        let Some(store) = Store::of(season, site) else {
            continue;
        };
        let Some((_, days)) = directory.site(&site.id) else {
            continue;
        };
        let at_site = SiteStatement {
            season,
            directory,
            slots: days.in_season(),
            limits: limits(
                season,
                directory,
                &store,
                days.in_season(),
                &mut stated.notes,
            ),
            store,
        };
        let mut own: Vec<&mut Class> = classes
            .iter_mut()
            .filter(|class| class.site == site.id)
            .collect();
        costs |= at_site.state(&mut own, stations, &mut stated);
    }
    if costs {
        let most_per_week = most_per_week(classes, stations);
        stated.consumables.push(Consumable {
            id: MONEY.to_owned(),
            stock: 0,
            price_cents10: 1,
            lead_weeks: 0,
            most_per_week,
            unit: "0.1 cent".to_owned(),
        });
    }
    stated
}

/// What of an item a plan takes more than is at hand before new goods can come, and the first week in which
/// it does; `None` when nothing lacks.
pub(in super::super) fn lacking(
    problem: &Problem,
    goods: &[StatedGood],
    plan: &Plan,
    of: (&str, Uuid),
) -> Option<(i64, usize)> {
    let own = goods
        .iter()
        .filter(|good| (good.site_id.as_str(), good.item_id) == of);
    let lacks = own.filter_map(|good| {
        let known = problem
            .consumables
            .iter()
            .find(|c| c.id == good.consumable)?;
        let used = used_by_week(problem, plan, &good.consumable);
        let mut sum = 0;
        let early = used.iter().take(known.lead_weeks).enumerate();
        let short = early.filter_map(|(week, units)| {
            sum += units;
            (sum > known.stock).then_some((sum - known.stock, week))
        });
        short.fold(None, |found: Option<(i64, usize)>, (lacks, week)| {
            Some(found.map_or((lacks, week), |(most, first)| (most.max(lacks), first)))
        })
    });
    lacks.reduce(|(most, first), (lacks, week)| (most.max(lacks), first.min(week)))
}

/// Units of a consumable that a plan takes, by week.
fn used_by_week(problem: &Problem, plan: &Plan, consumable: &str) -> Vec<i64> {
    let mut used = vec![0; problem.weeks.len()];
    for sowing in &plan.sowings {
        let station = problem.stations.iter().find(|s| s.id == sowing.station);
        let class = station.and_then(|s| problem.classes.iter().find(|c| c.id == s.class));
        let grown = class.and_then(|c| c.crops.iter().find(|g| g.crop == sowing.crop));
        let units = grown.and_then(|grown| grown.uses.get(consumable));
        let week = (sowing.sow - problem.start_date).num_weeks();
        if let (Some(units), Some(used)) = (units, used.get_mut(week as usize)) {
            *used += units * sowing.containers;
        }
    }
    used
}

/// More than can be spent in any week: every place sown with what costs most, once more than it can be free.
fn most_per_week(classes: &[Class], stations: &[Station]) -> i64 {
    classes
        .iter()
        .map(|class| {
            let places = places_of(class, stations);
            let dearest = |grown: &ClassCrop| grown.uses.get(MONEY).copied().unwrap_or(0);
            let cost = class.crops.iter().map(dearest).max().unwrap_or(0);
            let shortest = class
                .crops
                .iter()
                .filter_map(|grown| shortest_stay(grown, usize::MAX))
                .min();
            // a week has seven slots at most
            let turns = 2 + 7 / shortest.unwrap_or(usize::MAX);
            places.saturating_mul(cost).saturating_mul(turns as i64)
        })
        .fold(0, i64::saturating_add)
}

fn places_of(class: &Class, stations: &[Station]) -> i64 {
    let own = stations.iter().filter(|station| station.class == class.id);
    own.map(|station| station.places).sum()
}

/// Fewest slots that a place is held by what is sown before a slot.
fn shortest_stay(grown: &ClassCrop, before: usize) -> Option<usize> {
    let sown = grown.first.iter().filter(|arc| arc.from < before);
    let stays = sown.map(|arc| {
        let free = grown.free_at.get(arc.to).copied().unwrap_or(arc.to);
        free.saturating_sub(arc.from).max(1)
    });
    stays.min()
}

/// What a container takes of each item.
struct Taken {
    /// Before new goods can come, by item.
    early: BTreeMap<Uuid, i64>,
    /// Until its last cut, by item.
    whole: BTreeMap<Uuid, i64>,
}

struct SiteStatement<'a> {
    season: &'a Season,
    directory: &'a Directory<'a>,
    store: Store<'a>,
    slots: &'a [NaiveDate],
    limits: Vec<Limit<'a>>,
}

impl SiteStatement<'_> {
    /// States the goods of the site; whether anything of them costs money.
    fn state(&self, classes: &mut [&mut Class], stations: &[Station], stated: &mut Stated) -> bool {
        let mut costs = false;
        let mut most: BTreeMap<Uuid, i64> = BTreeMap::new();
        let mut not_kept: BTreeMap<Uuid, &str> = BTreeMap::new();
        let mut taken: Vec<Vec<Taken>> = Vec::new();
        for class in classes.iter_mut() {
            let places = places_of(class, stations);
            let mut of_class = Vec::new();
            let mut dearest: BTreeMap<Uuid, i64> = BTreeMap::new();
            for grown in &mut class.crops {
                let container = self.container(&class.id, grown);
                let cents10 = self.cents10(&container.whole);
                if cents10 > 0 {
                    costs = true;
                    grown.uses.insert(MONEY.to_owned(), cents10);
                }
                for item in self.store.items() {
                    if container.whole.contains_key(&item.id)
                        && !self.store.of.kept.contains(&item.id)
                    {
                        not_kept.insert(item.id, &item.name);
                    }
                }
                for (item_id, units) in &container.early {
                    let slots = self.slots_before(*item_id);
                    let stay = shortest_stay(grown, slots).unwrap_or(usize::MAX);
                    let turns = 1 + slots.saturating_sub(1) / stay;
                    let most = dearest.entry(*item_id).or_default();
                    *most = (*most).max(units.saturating_mul(turns as i64));
                }
                of_class.push(container);
            }
            for (item_id, units) in dearest {
                *most.entry(item_id).or_default() += units.saturating_mul(places);
            }
            taken.push(of_class);
        }
        self.consumables(classes, &taken, &most, stated);
        if self.limits_hold() && !not_kept.is_empty() {
            let names: Vec<&str> = not_kept.into_values().collect();
            let note = format!(
                "{}: not counted, and so no limit, since its store has never held any: {}",
                self.store.site.name,
                names.join(", ")
            );
            stated.notes.push((self.store.site.id.clone(), note));
        }
        costs
    }

    fn limits_hold(&self) -> bool {
        self.season.goods.as_ref().is_some_and(|goods| goods.limits)
    }

    /// Working days before new goods can come.
    fn slots_before(&self, item_id: Uuid) -> usize {
        let limit = self.limits.iter().find(|limit| limit.item.id == item_id);
        limit.map_or(0, |limit| {
            self.slots.partition_point(|day| *day < limit.comes_on)
        })
    }

    /// One consumable for each step that the site could reach.
    fn consumables(
        &self,
        classes: &mut [&mut Class],
        taken: &[Vec<Taken>],
        most: &BTreeMap<Uuid, i64>,
        stated: &mut Stated,
    ) {
        for limit in &self.limits {
            let most = most.get(&limit.item.id).copied().unwrap_or(0);
            let steps = limit.steps.iter().filter(|(_, units)| *units < most);
            for (week, units) in steps {
                let id = format!(
                    "{} at {} until {}",
                    limit.item.id,
                    self.store.site.id,
                    week_label(self.season.first_monday, *week)
                );
                for (class, taken) in classes.iter_mut().zip(taken) {
                    for (grown, container) in class.crops.iter_mut().zip(taken) {
                        if let Some(units) = container.early.get(&limit.item.id) {
                            grown.uses.insert(id.clone(), *units);
                        }
                    }
                }
                stated.consumables.push(Consumable {
                    id: id.clone(),
                    stock: *units,
                    price_cents10: 0,
                    lead_weeks: week + 1,
                    most_per_week: self.most_ever(classes, &id, most),
                    unit: limit.item.dimension.clone(),
                });
                stated.goods.push(StatedGood {
                    consumable: id,
                    site_id: self.store.site.id.clone(),
                    item_id: limit.item.id,
                });
            }
        }
    }

    /// More than all weeks can use.
    fn most_ever(&self, classes: &[&mut Class], id: &str, most: i64) -> i64 {
        let shortest = classes
            .iter()
            .flat_map(|class| &class.crops)
            .filter(|grown| grown.uses.contains_key(id))
            .filter_map(|grown| shortest_stay(grown, usize::MAX))
            .min();
        let turns = 1 + self.slots.len() / shortest.unwrap_or(usize::MAX);
        most.saturating_mul(turns as i64)
    }

    /// What a container of a crop takes at the first station of a class.
    fn container(&self, class_id: &str, grown: &ClassCrop) -> Taken {
        let mut taken = Taken {
            early: BTreeMap::new(),
            whole: BTreeMap::new(),
        };
        let Some(station) = self.directory.station(class_id) else {
            return taken;
        };
        if let Some((sow_on, cuts)) = self.usual_days(grown) {
            let sowing = self.sowing(station, &grown.crop, sow_on, cuts);
            for (item_id, needs) in self.needs(sowing) {
                let sum = needs.iter().map(|need| need.1).sum();
                taken.whole.insert(item_id, sum);
            }
        }
        let Some(weeks) = self.limits.iter().map(|limit| limit.weeks).max() else {
            return taken;
        };
        let monday = self.season.first_monday;
        let mut before = None;
        for day in self.slots {
            let week = (*day - monday).num_weeks();
            if week as usize >= weeks {
                break;
            }
            if before.replace(week) == Some(week) {
                continue;
            }
            let sowing = self.sowing(station, &grown.crop, *day, Vec::new());
            for (item_id, needs) in self.needs(sowing) {
                let Some(limit) = self.limits.iter().find(|limit| limit.item.id == item_id) else {
                    continue;
                };
                if *day >= limit.comes_on {
                    continue;
                }
                let early = needs.iter().filter(|need| need.0 < limit.comes_on);
                let sum: i64 = early.map(|need| need.1).sum();
                let most = taken.early.entry(item_id).or_default();
                *most = (*most).max(sum);
            }
        }
        taken
    }

    fn sowing(
        &self,
        station: &SeasonStation,
        crop_id: &str,
        sow_on: NaiveDate,
        cuts: Vec<NaiveDate>,
    ) -> Option<SowingToSupply> {
        let crop = self.directory.crop(crop_id)?;
        self.store.sowing(station, crop, 1, sow_on, cuts)
    }

    /// Dated needs of one container by item.
    fn needs(&self, sowing: Option<SowingToSupply>) -> BTreeMap<Uuid, Vec<(NaiveDate, i64)>> {
        let Some(sowing) = sowing else {
            return BTreeMap::new();
        };
        let wanted = self.store.wanted(&[sowing], &[]).wants;
        wanted
            .into_iter()
            .map(|(item_id, needs)| {
                let needs = needs.iter().map(|need| (need.day, need.quantity));
                (item_id, needs.collect())
            })
            .collect()
    }

    /// A middling day of sowing with its cuts, each on the first day on which it is ready.
    fn usual_days(&self, grown: &ClassCrop) -> Option<(NaiveDate, Vec<NaiveDate>)> {
        let sow = grown.first.get(grown.first.len() / 2)?.from;
        let mut cuts = Vec::new();
        let mut at = sow;
        for cut in 0..grown.cut_dg.len() {
            let arcs = if cut == 0 { &grown.first } else { &grown.again };
            let next = arcs.iter().filter(|arc| arc.from == at).map(|arc| arc.to);
            let Some(next) = next.min() else { break };
            cuts.push(*self.slots.get(next)?);
            at = next;
        }
        Some((*self.slots.get(sow)?, cuts))
    }

    /// Tenths of a cent that goods cost, rounded up.
    fn cents10(&self, taken: &BTreeMap<Uuid, i64>) -> i64 {
        let cost = |item: &Item| {
            let units = i128::from(*taken.get(&item.id)?);
            let size = i128::from(item.pack_quantity.filter(|size| *size > 0)?);
            let cents = i128::from(item.pack_cents?);
            let cost = (units * cents * 10 + size - 1).div_euclid(size);
            i64::try_from(cost).ok()
        };
        self.store.items().iter().filter_map(cost).sum()
    }
}

/// What is at hand at a site before new goods can come, item by item.
fn limits<'a>(
    season: &Season,
    directory: &Directory,
    store: &Store<'a>,
    slots: &[NaiveDate],
    notes: &mut Vec<(String, String)>,
) -> Vec<Limit<'a>> {
    if season.goods.as_ref().is_none_or(|goods| !goods.limits) || store.site.retired {
        return Vec::new();
    }
    let standing = store.standing(season, directory);
    let wanted = store.wanted(&standing, &store.of.mixed).wants;
    let mut limits = Vec::new();
    for item in store.items() {
        if !store.of.kept.contains(&item.id) {
            continue;
        }
        let comes_on = comes_on(store.site.today, item);
        let needs = wanted.get(&item.id).into_iter().flatten();
        let needs: Vec<Need<usize>> = needs
            .filter(|need| need.day < comes_on)
            .enumerate()
            .map(|(id, need)| Need {
                id,
                day: need.day,
                quantity: need.quantity,
            })
            .collect();
        let at_hand = AtHand::of(&needs, &store.lots(item), &store.orders(item), comes_on);
        if let Some((lacks, day)) = at_hand.lacks {
            let note = format!(
                "{}: what stands already lacks {} of {} by {day}, before what is ordered today comes ({comes_on})",
                store.site.name,
                told(item, lacks),
                item.name,
            );
            notes.push((store.site.id.clone(), note));
        }
        let mixed = already_mixed(store, &standing, item, comes_on);
        let mut steps: Vec<(usize, i64)> = Vec::new();
        for day in slots.iter().take_while(|day| **day < comes_on) {
            let week = (*day - season.first_monday).num_weeks() as usize;
            if steps.last().is_some_and(|step| step.0 == week) {
                continue;
            }
            let units = at_hand.on(*day) + mixed;
            match steps.last_mut() {
                Some(step) if step.1 == units => step.0 = week,
                _ => steps.push((week, units)),
            }
        }
        if let Some((last, _)) = steps.last() {
            limits.push(Limit {
                item,
                comes_on,
                weeks: last + 1,
                steps,
            });
        }
    }
    limits
}

/// What of an item is in solution that is mixed and that nothing standing takes before new goods come,
/// rounded down.
fn already_mixed(
    store: &Store<'_>,
    standing: &[SowingToSupply],
    item: &Item,
    comes_on: NaiveDate,
) -> i64 {
    let taken = standing.iter().flat_map(|sowing| &sowing.solution);
    let taken: i64 = taken
        .filter(|(day, _)| *day < comes_on)
        .map(|(_, microlitres)| microlitres)
        .sum();
    let left = store.mixed_microlitres() - taken;
    if item.product_id.is_none() || left <= 0 {
        return 0;
    }
    // a part of a base unit was rounded up
    (store.in_solution(item, left) - 1).max(0)
}

/// What new sowings may use of an item.
struct AtHand {
    /// Lots that hold until new goods come.
    lots: i64,
    orders: Vec<OpenOrder>,
    /// What stands takes of these, by day.
    standing: Vec<(NaiveDate, i64)>,
    /// What it lacks at most, and since when.
    lacks: Option<(i64, NaiveDate)>,
}

impl AtHand {
    fn of(
        standing: &[Need<usize>],
        lots: &[LotOnShelf<Uuid>],
        orders: &[OpenOrder],
        comes_on: NaiveDate,
    ) -> Self {
        let (expiring, lasting): (Vec<_>, Vec<_>) = lots.iter().copied().partition(|lot| {
            let day = lot.expires_on.unwrap_or(NaiveDate::MAX);
            day.succ_opt().is_some_and(|after| after < comes_on)
        });
        let left = net(standing, &expiring, &[]).short;
        let mut at_hand = Self {
            lots: lasting.iter().map(|lot| lot.quantity).sum(),
            orders: orders.to_vec(),
            standing: left.iter().map(|need| (need.day, need.quantity)).collect(),
            lacks: None,
        };
        let days = at_hand.standing.iter().map(|(day, _)| *day);
        let least = days.map(|day| (at_hand.spare(day), day)).min();
        at_hand.lacks = least
            .filter(|(spare, _)| *spare < 0)
            .map(|(spare, day)| (-spare, day));
        at_hand
    }

    /// What has come by a day, less what stands has taken by then.
    fn spare(&self, day: NaiveDate) -> i64 {
        let come = self.orders.iter().filter(|order| order.expected_on <= day);
        let taken = self.standing.iter().filter(|(on, _)| *on <= day);
        self.lots + come.map(|order| order.quantity).sum::<i64>()
            - taken.map(|(_, quantity)| quantity).sum::<i64>()
    }

    /// What may be used up to a day so that nothing that stands lacks anything later.
    fn on(&self, day: NaiveDate) -> i64 {
        let later = self.standing.iter().map(|(on, _)| *on);
        let days = later.filter(|on| *on >= day).chain([day]);
        days.map(|day| self.spare(day)).min().unwrap_or(0).max(0)
    }
}
