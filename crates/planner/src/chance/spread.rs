//! Spreading: the same containers in more sowings.
//!
//! What a sowing has in common, its seed, its day, its mishap, hits all of its containers at once, so
//! that several small sowings meet a pledge more often than a large one of the same weight. A part of
//! a large sowing is moved to another station of its class, which costs nothing, or to another sow day
//! or class of its site from which it is cut for the same weeks; no part is smaller than the least
//! batch of the crop, where that is a rule. What is moved must leave the plan valid for [`check`] and
//! may worsen the objective, all moves together, by [`COST_PER_KILOGRAM`]; and it counts only when the
//! weeks below the wanted chance lack less of it in sum in two draws of seasons, each with the same luck
//! before and after.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};

use super::margin::{MarginRequest, lack};
use super::{ChanceError, Chances, Uncertainty, simulate};
use crate::check::check;
use crate::problem::{ClassCrop, Slot, Sowing};
use crate::solve::Control;
use crate::{Plan, Problem};

/// Most points by which spreading may worsen the objective, for each kilogram pledged.
pub const COST_PER_KILOGRAM: f64 = 1.0;
/// Passes over the plan: a sowing can be halved as often.
const PASSES: usize = 3;
/// Most moves of a pass.
const MOST_MOVES: usize = 400;
/// Places that are tried for a part.
const MOST_TRIED: usize = 4;
/// Most seasons that are drawn to judge a pass; chances that are told are drawn with more.
const MOST_SEASONS: usize = 2_000;
/// Fewest moves that are judged apart when all together do not help.
const FEWEST_APART: usize = 8;

/// Containers of a station, a crop, a sow slot and cut slots.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Part {
    station: usize,
    entry: usize,
    sow: usize,
    cuts: Vec<usize>,
    containers: i64,
}

/// Some containers of one part become another.
#[derive(Debug, Clone)]
struct Move {
    from: Part,
    to: Part,
}

/// What is drawn with.
pub(super) struct Draw<'a> {
    pub(super) problem: &'a Problem,
    pub(super) uncertainty: &'a Uncertainty,
    pub(super) request: &'a MarginRequest,
    pub(super) seed: u64,
}

impl Draw<'_> {
    /// What weeks lack of the wanted chance, in two draws.
    fn lacks(&self, plan: &Plan) -> Result<[f64; 2], ChanceError> {
        let seasons = self.request.seasons.min(MOST_SEASONS);
        let drawn = |seed| -> Result<f64, ChanceError> {
            let chances = simulate(self.problem, plan, self.uncertainty, seasons, seed)?;
            Ok(lack(&chances, self.request))
        };
        Ok([drawn(self.seed)?, drawn(self.seed.wrapping_add(2))?])
    }
}

/// Spreads a plan as far as that helps: the plan, and how many parts were moved. `chances` are those of
/// the plan. The same input gives the same plan unless `control` stops it.
///
/// # Errors
/// [`ChanceError`] when seasons cannot be drawn.
pub(super) fn spread(
    draw: &Draw<'_>,
    plan: &Plan,
    chances: &Chances,
    control: &dyn Control,
) -> Result<(Plan, usize), ChanceError> {
    let problem = draw.problem;
    let weak: Vec<(&str, usize)> = chances
        .cells
        .iter()
        .filter(|cell| cell.week >= draw.request.from_week && cell.met < draw.request.chance)
        .map(|cell| (cell.target.as_str(), cell.week))
        .collect();
    let given = check(problem, plan);
    if weak.is_empty() || !given.valid {
        return Ok((plan.clone(), 0));
    }
    let ground = Ground::new(problem);
    let Some(mut parts) = ground.parts(plan) else {
        return Ok((plan.clone(), 0));
    };
    let pledged_kilograms = given.pledged_dg as f64 / 1e4;
    let most_e4 = given.objective_e4 + (COST_PER_KILOGRAM * pledged_kilograms * 1e4) as i64;
    let judge = Judge {
        draw,
        ground: &ground,
        plan,
        most_e4,
        control,
    };
    let mut lacks = draw.lacks(plan)?;
    let mut moved = 0;
    for _ in 0..PASSES {
        let moves = judge.moves(&parts, &weak);
        let before = moved;
        judge.accept(&moves, &mut parts, &mut lacks, &mut moved)?;
        if moved == before || control.should_stop() {
            break;
        }
    }
    if moved == 0 {
        return Ok((plan.clone(), 0));
    }
    Ok((ground.plan(plan, &parts), moved))
}

/// The sites, stations and days of a problem by number.
struct Ground<'a> {
    problem: &'a Problem,
    site_of: Vec<usize>,
    class_of: Vec<usize>,
}

impl<'a> Ground<'a> {
    fn new(problem: &'a Problem) -> Self {
        let numbered = |ids: Vec<&'a str>| -> BTreeMap<&'a str, usize> {
            ids.into_iter().enumerate().map(|(n, id)| (id, n)).collect()
        };
        let sites = numbered(problem.sites.iter().map(|site| site.id.as_str()).collect());
        let classes = numbered(problem.classes.iter().map(|c| c.id.as_str()).collect());
        let stations = problem.stations.iter();
        let (site_of, class_of) = stations
            .map(|station| {
                let site = sites.get(station.site.as_str()).copied().unwrap_or(0);
                let class = classes.get(station.class.as_str()).copied().unwrap_or(0);
                (site, class)
            })
            .unzip();
        Self {
            problem,
            site_of,
            class_of,
        }
    }

    fn slots(&self, station: usize) -> &'a [Slot] {
        &self.problem.sites[self.site_of[station]].slots
    }

    fn grown(&self, part: &Part) -> &'a ClassCrop {
        &self.problem.classes[self.class_of[part.station]].crops[part.entry]
    }

    /// The plan in parts; `None` for one that does not fit the problem.
    fn parts(&self, plan: &Plan) -> Option<Vec<Part>> {
        let mut parts: Vec<Part> = Vec::new();
        for sowing in &plan.sowings {
            let mut stations = self.problem.stations.iter();
            let station = stations.position(|known| known.id == sowing.station)?;
            let class = &self.problem.classes[self.class_of[station]];
            let slot = |date: NaiveDate| {
                let day = (date - self.problem.start_date).num_days();
                let slots = self.slots(station);
                slots.iter().position(|slot| i64::from(slot.day) == day)
            };
            let part = Part {
                station,
                entry: class.crops.iter().position(|c| c.crop == sowing.crop)?,
                sow: slot(sowing.sow)?,
                cuts: sowing
                    .cuts
                    .iter()
                    .map(|cut| slot(*cut))
                    .collect::<Option<_>>()?,
                containers: sowing.containers,
            };
            add(&mut parts, part);
        }
        Some(parts)
    }

    fn plan(&self, like: &Plan, parts: &[Part]) -> Plan {
        let mut parts: Vec<&Part> = parts.iter().filter(|part| part.containers > 0).collect();
        parts.sort_by(|a, b| {
            (a.station, a.entry, a.sow, &a.cuts).cmp(&(b.station, b.entry, b.sow, &b.cuts))
        });
        let sowings = parts.into_iter().map(|part| {
            let date = |slot: usize| {
                let day = self.slots(part.station)[slot].day;
                self.problem.start_date + Days::new(u64::from(day))
            };
            Sowing {
                station: self.problem.stations[part.station].id.clone(),
                crop: self.grown(part).crop.clone(),
                sow: date(part.sow),
                containers: part.containers,
                cuts: part.cuts.iter().map(|cut| date(*cut)).collect(),
            }
        });
        Plan {
            sowings: sowings.collect(),
            objective: None,
            bound: None,
            ..like.clone()
        }
    }

    /// Slots from sowing until the place is free again.
    fn stay(&self, part: &Part) -> std::ops::Range<usize> {
        let free = part.cuts.last().map(|last| self.grown(part).free_at[*last]);
        part.sow..free.unwrap_or(part.sow)
    }

    /// Free places of every station at every slot.
    fn free(&self, parts: &[Part]) -> Vec<Vec<i64>> {
        let stations = self.problem.stations.iter().enumerate();
        let mut free: Vec<Vec<i64>> = stations
            .map(|(number, station)| {
                let mut free = vec![station.places; self.slots(number).len()];
                for &(from, end, places) in &station.taken {
                    free[from..end].iter_mut().for_each(|free| *free -= places);
                }
                free
            })
            .collect();
        for part in parts {
            hold(&mut free, part.station, self.stay(part), part.containers);
        }
        free
    }

    /// Weeks in which the cuts of a part are delivered.
    fn weeks<'b>(&'b self, part: &'b Part) -> impl Iterator<Item = Option<usize>> + 'b {
        let slots = self.slots(part.station);
        part.cuts.iter().map(|cut| slots[*cut].harvest_week)
    }

    /// Whether a part may serve a target in a week.
    fn serves(&self, part: &Part, target: &str, week: usize) -> bool {
        let site = &self.problem.sites[self.site_of[part.station]].id;
        let crop = &self.grown(part).crop;
        let mut targets = self.problem.targets.iter();
        self.weeks(part).any(|delivered| delivered == Some(week))
            && targets.any(|known| {
                known.id == target && known.sites.contains(site) && known.crops.contains(crop)
            })
    }

    /// Ways to sow the crop of a part at another station of its site, or on another day, that are cut
    /// for the same weeks: stations of its class on the same days first, then by least weight lost.
    fn alternatives(&self, part: &Part, containers: i64) -> Vec<Part> {
        let wanted: Vec<Option<usize>> = self.weeks(part).collect();
        let whole = self.decigrams(part);
        let mut found: Vec<((bool, i64, usize), Part)> = Vec::new();
        for station in 0..self.problem.stations.len() {
            if self.site_of[station] != self.site_of[part.station] {
                continue;
            }
            let class = &self.problem.classes[self.class_of[station]];
            let crop = &self.grown(part).crop;
            let Some(entry) = class.crops.iter().position(|grown| grown.crop == *crop) else {
                continue;
            };
            for (sow, cuts) in chains(&class.crops[entry], self.slots(station), &wanted) {
                let other = Part {
                    station,
                    entry,
                    sow,
                    cuts,
                    containers,
                };
                if (other.station, other.sow) == (part.station, part.sow) {
                    continue;
                }
                let same_days = self.is_same_class_and_days(part, &other);
                let lost = whole - self.decigrams(&other);
                found.push(((!same_days, lost, station), other));
            }
        }
        found.sort_by_key(|(order, other)| (*order, other.sow));
        found.into_iter().map(|(_, part)| part).collect()
    }

    fn is_same_class_and_days(&self, a: &Part, b: &Part) -> bool {
        (self.class_of[a.station], a.entry, a.sow, &a.cuts)
            == (self.class_of[b.station], b.entry, b.sow, &b.cuts)
    }

    /// Fewest containers of a part: the least batch of the crop, where that is a rule.
    fn least(&self, part: &Part) -> i64 {
        if self.problem.rules.smallest_sowing {
            self.grown(part).smallest_sowing.max(1)
        } else {
            1
        }
    }

    /// Decigrams that a container gives in all.
    fn decigrams(&self, part: &Part) -> i64 {
        let grown = self.grown(part);
        let mut from = part.sow;
        let mut sum = 0;
        for (number, &to) in part.cuts.iter().enumerate() {
            let arcs = if number == 0 {
                &grown.first
            } else {
                &grown.again
            };
            let arc = arcs.iter().find(|arc| arc.from == from && arc.to == to);
            sum += arc.map_or(0, |arc| grown.cut_dg[number] * arc.permille / 1000);
            from = to;
        }
        sum
    }
}

/// Sow slots and cuts of a crop that are delivered in given weeks, one cut for each.
fn chains(grown: &ClassCrop, slots: &[Slot], wanted: &[Option<usize>]) -> Vec<(usize, Vec<usize>)> {
    if wanted.is_empty() || wanted.len() > grown.cut_dg.len() {
        return Vec::new();
    }
    let starts = grown.first.iter();
    let mut found: Vec<(usize, Vec<usize>)> = starts
        .filter(|arc| slots[arc.to].harvest_week == wanted[0])
        .map(|arc| (arc.from, vec![arc.to]))
        .collect();
    for week in &wanted[1..] {
        found = found
            .into_iter()
            .flat_map(|(sow, cuts)| {
                let last = cuts.last().copied();
                let next = grown.again.iter().filter(move |arc| {
                    Some(arc.from) == last && slots[arc.to].harvest_week == *week
                });
                next.map(move |arc| {
                    let mut longer = cuts.clone();
                    longer.push(arc.to);
                    (sow, longer)
                })
            })
            .collect();
    }
    found
}

fn hold(free: &mut [Vec<i64>], station: usize, stay: std::ops::Range<usize>, containers: i64) {
    free[station][stay]
        .iter_mut()
        .for_each(|free| *free -= containers);
}

fn is_same(a: &Part, b: &Part) -> bool {
    (a.station, a.entry, a.sow, &a.cuts) == (b.station, b.entry, b.sow, &b.cuts)
}

fn add(parts: &mut Vec<Part>, part: Part) {
    match parts.iter_mut().find(|known| is_same(known, &part)) {
        Some(known) => known.containers += part.containers,
        None => parts.push(part),
    }
}

/// Makes moves and judges them.
struct Judge<'a> {
    draw: &'a Draw<'a>,
    ground: &'a Ground<'a>,
    plan: &'a Plan,
    most_e4: i64,
    control: &'a dyn Control,
}

impl Judge<'_> {
    /// Moves of one pass: half of every sowing on which a weak week hangs, the largest first, each valid
    /// after those before it. What one sowing is cut on different days shares its luck, so the whole of
    /// it counts.
    fn moves(&self, parts: &[Part], weak: &[(&str, usize)]) -> Vec<Move> {
        let mut current = parts.to_vec();
        let mut order: Vec<&Part> = parts
            .iter()
            .filter(|part| {
                let serves =
                    |&(target, week): &(&str, usize)| self.ground.serves(part, target, week);
                let least = self.ground.least(part);
                together(parts, part) >= 2 * least
                    && part.containers >= least
                    && weak.iter().any(serves)
            })
            .collect();
        order.sort_by_key(|part| {
            (
                std::cmp::Reverse(together(parts, part)),
                part.sow,
                part.station,
                part.entry,
            )
        });
        let mut moves = Vec::new();
        for part in order {
            if moves.len() >= MOST_MOVES || self.control.should_stop() {
                break;
            }
            let whole = together(&current, part);
            let half = part.containers.min(whole / 2);
            if half < self.ground.least(part) {
                continue;
            }
            let free = self.ground.free(&current);
            let fitting = self
                .ground
                .alternatives(part, half)
                .into_iter()
                .filter(|other| {
                    let stay = self.ground.stay(other);
                    // what leaves the same station makes room there
                    let own = if other.station == part.station {
                        half
                    } else {
                        0
                    };
                    let room = free[other.station][stay].iter().min().copied();
                    room.unwrap_or(0) + own >= half && together(&current, other) + half < whole
                });
            for other in fitting.take(MOST_TRIED) {
                let step = Move {
                    from: part.clone(),
                    to: other,
                };
                let mut next = current.clone();
                // on the same days in the same class nothing changes but the places, which are free
                let same = self.ground.is_same_class_and_days(&step.from, &step.to);
                if make(&mut next, &step) && (same || self.is_valid(&next)) {
                    current = next;
                    moves.push(step);
                    break;
                }
            }
        }
        moves
    }

    fn is_valid(&self, parts: &[Part]) -> bool {
        let verdict = check(self.draw.problem, &self.ground.plan(self.plan, parts));
        verdict.valid && verdict.objective_e4 <= self.most_e4
    }

    /// Keeps the moves if they help in both draws; otherwise each half of them for itself.
    fn accept(
        &self,
        moves: &[Move],
        parts: &mut Vec<Part>,
        lacks: &mut [f64; 2],
        moved: &mut usize,
    ) -> Result<(), ChanceError> {
        if moves.is_empty() || self.control.should_stop() {
            return Ok(());
        }
        let mut next = parts.clone();
        let made = moves.iter().filter(|step| make(&mut next, step)).count();
        if made > 0 && self.is_valid(&next) {
            let found = self.draw.lacks(&self.ground.plan(self.plan, &next))?;
            if found[0] < lacks[0] && found[1] < lacks[1] {
                *parts = next;
                *lacks = found;
                *moved += made;
                return Ok(());
            }
        }
        if moves.len() >= 2 * FEWEST_APART {
            let (first, second) = moves.split_at(moves.len() / 2);
            self.accept(first, parts, lacks, moved)?;
            self.accept(second, parts, lacks, moved)?;
        }
        Ok(())
    }
}

/// Containers that would share the luck of a part.
fn together(parts: &[Part], part: &Part) -> i64 {
    let alike = parts.iter().filter(|other| {
        (other.station, other.entry, other.sow) == (part.station, part.entry, part.sow)
    });
    alike.map(|other| other.containers).sum()
}

/// Makes a move; `false` when there are too few containers left to be moved.
fn make(parts: &mut Vec<Part>, step: &Move) -> bool {
    let Some(from) = parts.iter_mut().find(|part| is_same(part, &step.from)) else {
        return false;
    };
    if from.containers < step.to.containers {
        return false;
    }
    from.containers -= step.to.containers;
    parts.retain(|part| part.containers > 0);
    add(parts, step.to.clone());
    true
}
