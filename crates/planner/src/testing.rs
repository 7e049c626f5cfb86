//! Tiny random problems and their optimum by enumeration, for tests only.
//!
//! The enumeration works from the format alone: it lists every sowing at every station and every number
//! of containers, checks each limit as the format words it, and shares with the engine only the division
//! of one week's harvest (which has checks of its own).

use std::collections::BTreeMap;

use chrono::{Datelike, Days, NaiveDate};

use crate::problem::{
    Arc, Class, ClassCrop, Committed, CommittedWork, Consumable, MixLitres, Objective,
    PROBLEM_FORMAT, Problem, Rules, Site, Slot, Sowing, Station, Target, WorkMinutes,
};
use crate::random::Random;
use crate::transport::Week;

/// Most plans an instance may have; keeps the enumeration fast.
const MOST_PLANS: usize = 1_500;

/// A tiny problem: 4 to 8 weeks, one or two working days a week, 1 to 3 places, two crops; sometimes a
/// closed week, limits on minutes, mixing and stock, committed harvest, an adopted plan, least batches.
pub fn tiny_instance(seed: u64) -> Problem {
    let mut random = Random::new(seed);
    loop {
        let problem = draw(&mut random, seed);
        if Enumeration::new(&problem).plans_within(MOST_PLANS) {
            return problem;
        }
    }
}

fn between(random: &mut Random, low: i64, high: i64) -> i64 {
    low + random.below((high - low + 1) as usize) as i64
}

fn chance(random: &mut Random, percent: usize) -> bool {
    random.below(100) < percent
}

fn week_labels(start: NaiveDate, weeks: usize) -> Vec<String> {
    (0..weeks as u64)
        .filter_map(|w| start.checked_add_days(Days::new(7 * w)))
        .map(|day| format!("{}-W{:02}", day.iso_week().year(), day.iso_week().week()))
        .collect()
}

fn slots(random: &mut Random, weeks: usize, twice: bool) -> Vec<Slot> {
    let closed = if chance(random, 50) {
        random.below(weeks)
    } else {
        weeks
    };
    let mut out = Vec::new();
    for week in (0..weeks).filter(|&week| week != closed) {
        out.push(Slot {
            day: 7 * week as u32 + 1,
            week,
            harvest_week: Some(week),
        });
        if twice {
            out.push(Slot {
                day: 7 * week as u32 + 5,
                week,
                harvest_week: Some(week + 1).filter(|&next| next < weeks),
            });
        }
    }
    out
}

fn arcs(random: &mut Random, slots: &[Slot], days: u32, wait: u32) -> Vec<Arc> {
    let mut out = Vec::new();
    for (from, a) in slots.iter().enumerate() {
        for (to, b) in slots.iter().enumerate().skip(from + 1) {
            let late = (b.day - a.day).checked_sub(days);
            if late.is_some_and(|late| late <= wait) && !chance(random, 8) {
                out.push(Arc {
                    from,
                    to,
                    permille: 1000 - 15 * i64::from(b.day - a.day - days),
                });
            }
        }
    }
    out
}

fn crop(
    random: &mut Random,
    name: &str,
    slots: &[Slot],
    first_weeks: u32,
    cuts: usize,
) -> ClassCrop {
    let wait = [0, 3, 7][random.below(3)];
    let clean = [0, 2][random.below(2)];
    let free = |b: usize| {
        slots
            .iter()
            .position(|slot| slot.day >= slots[b].day + clean)
            .unwrap_or(slots.len())
    };
    ClassCrop {
        crop: name.into(),
        smallest_sowing: between(random, 1, 2),
        first: arcs(random, slots, 7 * first_weeks, wait),
        again: if cuts > 1 {
            arcs(random, slots, 7, wait)
        } else {
            Vec::new()
        },
        cut_dg: (0..cuts).map(|_| between(random, 150, 420)).collect(),
        free_at: (0..slots.len()).map(free).collect(),
        minutes10: WorkMinutes {
            sow: between(random, 5, 25),
            cut: between(random, 5, 15),
            clean: between(random, 0, 12),
        },
        mix_dl: MixLitres {
            sow: between(random, 0, 12),
            cut: between(random, 0, 6),
        },
        uses: BTreeMap::from([("seed".to_string(), between(random, 0, 4))]),
    }
}

fn limits(
    random: &mut Random,
    weeks: usize,
    percent: usize,
    low: i64,
    high: i64,
) -> Option<Vec<Option<i64>>> {
    chance(random, percent).then(|| {
        (0..weeks)
            .map(|_| (!chance(random, 20)).then(|| between(random, low, high)))
            .collect()
    })
}

fn draw(random: &mut Random, seed: u64) -> Problem {
    let twice = chance(random, 40);
    let weeks = if twice {
        between(random, 4, 5)
    } else {
        between(random, 4, 8)
    } as usize;
    let slots = slots(random, weeks, twice);
    let two = 2 + random.below(2) as u32;
    let one = 1 + random.below(2) as u32;
    let crops = vec![
        crop(random, "leaf", &slots, two, 2),
        crop(random, "cress", &slots, one, 1),
    ];
    let mut stations = vec![Station {
        id: "a".into(),
        site: "hall".into(),
        class: "shelf".into(),
        places: 1,
        taken: Vec::new(),
    }];
    if chance(random, 50) {
        stations[0].places = 2;
    } else if chance(random, 50) {
        stations.push(Station {
            id: "b".into(),
            ..stations[0].clone()
        });
    }
    if chance(random, 30) && slots.len() > 2 {
        let from = if chance(random, 50) {
            0
        } else {
            random.below(slots.len())
        };
        let end = from + random.below(slots.len() + 1 - from);
        stations[0].taken.push((from, end, 1));
    }
    let pledge = |random: &mut Random, most: usize| {
        (0..weeks)
            .map(|_| [0, 100, 200, 310, 450][random.below(most)])
            .collect::<Vec<i64>>()
    };
    let target = |id: &str, crops: &[&str], priority, pledge_dg| Target {
        id: id.into(),
        crops: crops.iter().map(|&c| c.into()).collect(),
        sites: vec!["hall".into()],
        priority,
        pledge_dg,
    };
    let targets = vec![
        target(
            "pantry",
            &["leaf", "cress"],
            between(random, 1, 3),
            pledge(random, 5),
        ),
        target(
            "kitchen",
            &["cress"],
            between(random, 1, 2),
            pledge(random, 3),
        ),
    ];
    let start_date = NaiveDate::from_ymd_opt(2026, 3, 2).unwrap_or_default();
    let adopted = (chance(random, 20) && !slots.is_empty()).then(|| {
        let slot = slots[random.below(slots.len())];
        let sow = start_date + Days::new(u64::from(slot.day));
        vec![Sowing {
            station: "a".into(),
            crop: "leaf".into(),
            sow,
            containers: between(random, 1, 2),
            cuts: Vec::new(),
        }]
    });
    let committed = if chance(random, 30) {
        let dg = between(random, 50, 400);
        vec![Committed {
            site: "hall".into(),
            crop: "leaf".into(),
            week: random.below(weeks),
            dg,
        }]
    } else {
        Vec::new()
    };
    Problem {
        format: PROBLEM_FORMAT.into(),
        name: format!("tiny-{seed}"),
        start_date,
        weeks: week_labels(start_date, weeks),
        crops: vec!["leaf".into(), "cress".into()],
        sites: vec![Site {
            id: "hall".into(),
            slots,
            minutes: limits(random, weeks, 40, 2, 7),
            mixing_dl: limits(random, weeks, 30, 5, 30),
            most_sowings: limits(random, weeks, 50, 1, 2),
        }],
        classes: vec![Class {
            id: "shelf".into(),
            site: "hall".into(),
            crops,
        }],
        stations,
        targets,
        committed,
        committed_work: vec![CommittedWork {
            site: "hall".into(),
            week: 0,
            minutes10: between(random, 0, 10),
            mixing_dl: 2,
        }],
        consumables: vec![Consumable {
            id: "seed".into(),
            stock: between(random, 2, 14),
            price_cents10: between(random, 0, 120),
            lead_weeks: random.below(3),
            most_per_week: between(random, 0, 4),
            unit: "0.1 g".into(),
        }],
        objective: Objective {
            shortfall_bands: vec![(200, 1000), (300, 2000), (500, 4000)],
            surplus_per_g: [0, 50, 300][random.below(3)],
            cost_per_cent: 10,
            labour_per_minute: 50,
            change_per_container: 3000,
        },
        rules: Rules {
            minutes: true,
            mixing: true,
            stock: chance(random, 60),
            smallest_sowing: chance(random, 20),
            most_sowings: chance(random, 20),
        },
        adopted,
        spread: BTreeMap::new(),
        shares: Vec::new(),
    }
}

/// The least objective in ten-thousandths of a point over every valid plan, by listing them all.
pub fn brute_force(problem: &Problem) -> i64 {
    let mut enumeration = Enumeration::new(problem);
    enumeration.list(0, usize::MAX);
    enumeration.best
}

/// A possible sowing at a station.
struct Choice<'a> {
    station: usize,
    entry: &'a ClassCrop,
    slots: Vec<usize>,
    dg: Vec<i64>,
    end: usize,
}

struct Enumeration<'a> {
    problem: &'a Problem,
    choices: Vec<Choice<'a>>,
    counts: Vec<i64>,
    free: Vec<Vec<i64>>,
    divisions: BTreeMap<(usize, Vec<i64>), i64>,
    best: i64,
    plans: usize,
}

impl<'a> Enumeration<'a> {
    fn new(problem: &'a Problem) -> Self {
        let mut choices = Vec::new();
        let mut free = Vec::new();
        for (station, place) in problem.stations.iter().enumerate() {
            let slots = problem
                .sites
                .iter()
                .find(|site| site.id == place.site)
                .map_or(0, |site| site.slots.len());
            let mut left = vec![place.places; slots];
            for &(from, end, places) in &place.taken {
                left[from..end]
                    .iter_mut()
                    .for_each(|value| *value -= places);
            }
            free.push(left);
            for entry in problem
                .classes
                .iter()
                .filter(|class| class.id == place.class)
                .flat_map(|class| &class.crops)
            {
                for arc in &entry.first {
                    extend(
                        station,
                        entry,
                        vec![arc.from, arc.to],
                        vec![entry.cut_dg[0] * arc.permille / 1000],
                        &mut choices,
                    );
                }
            }
        }
        let counts = vec![0; choices.len()];
        Self {
            problem,
            choices,
            counts,
            free,
            divisions: BTreeMap::new(),
            best: i64::MAX,
            plans: 0,
        }
    }

    fn plans_within(&mut self, most: usize) -> bool {
        self.list(0, most);
        self.plans <= most
    }

    /// Every count of every choice from `at` on; gives up beyond `most` plans.
    fn list(&mut self, at: usize, most: usize) {
        if self.plans > most {
            return;
        }
        if at == self.choices.len() {
            self.plans += 1;
            // a count alone needs no values
            if most == usize::MAX
                && let Some(cost) = self.value()
            {
                self.best = self.best.min(cost);
            }
            return;
        }
        let (station, from, end) = (
            self.choices[at].station,
            self.choices[at].slots[0],
            self.choices[at].end,
        );
        loop {
            self.list(at + 1, most);
            if self.free[station][from..end].contains(&0) {
                break;
            }
            self.free[station][from..end]
                .iter_mut()
                .for_each(|left| *left -= 1);
            self.counts[at] += 1;
        }
        let count = std::mem::take(&mut self.counts[at]);
        self.free[station][from..end]
            .iter_mut()
            .for_each(|left| *left += count);
    }

    /// Objective of the present counts; `None` when a rule is broken. One site and one class.
    fn value(&mut self) -> Option<i64> {
        let problem = self.problem;
        let weeks = problem.weeks.len();
        let site = &problem.sites[0];
        let mut minutes = vec![0_i64; weeks];
        let mut mixing = vec![0_i64; weeks];
        let mut used = vec![0_i64; weeks];
        let mut harvest = vec![vec![0_i64; problem.crops.len()]; weeks];
        let mut batches: BTreeMap<(&str, usize), (i64, i64)> = BTreeMap::new();
        let mut lost = 0;
        for work in &problem.committed_work {
            minutes[work.week] += work.minutes10;
            mixing[work.week] += work.mixing_dl;
        }
        let crop_at = |id: &str| {
            problem
                .crops
                .iter()
                .position(|crop| crop == id)
                .unwrap_or(0)
        };
        for committed in &problem.committed {
            harvest[committed.week][crop_at(&committed.crop)] += committed.dg;
        }
        for (choice, &count) in self
            .choices
            .iter()
            .zip(&self.counts)
            .filter(|&(_, &count)| count > 0)
        {
            let entry = choice.entry;
            let sow = site.slots[choice.slots[0]].week;
            minutes[sow] += count * entry.minutes10.sow;
            mixing[sow] += count * entry.mix_dl.sow;
            used[sow] += count * entry.uses["seed"];
            for (n, (&slot, &dg)) in choice.slots[1..].iter().zip(&choice.dg).enumerate() {
                let last = n + 1 == choice.dg.len();
                let week = site.slots[slot].week;
                minutes[week] +=
                    count * (entry.minutes10.cut + if last { entry.minutes10.clean } else { 0 });
                mixing[week] += if last { 0 } else { count * entry.mix_dl.cut };
                match site.slots[slot].harvest_week {
                    Some(week) => harvest[week][crop_at(&entry.crop)] += count * dg,
                    None => lost += count * dg,
                }
            }
            let batch = batches
                .entry((&entry.crop, choice.slots[0]))
                .or_insert((0, entry.smallest_sowing));
            batch.0 += count;
        }
        let cost = self.cost(&minutes, &mixing, &used, &batches)?;
        Some(
            cost + problem.objective.surplus_per_g * lost
                + (0..weeks)
                    .map(|week| self.divide(week, &harvest[week]))
                    .sum::<i64>(),
        )
    }

    /// Costs other than the division, when the limits hold.
    fn cost(
        &self,
        minutes: &[i64],
        mixing: &[i64],
        used: &[i64],
        batches: &BTreeMap<(&str, usize), (i64, i64)>,
    ) -> Option<i64> {
        let problem = self.problem;
        let (site, rules, objective) = (&problem.sites[0], problem.rules, &problem.objective);
        let limit = |list: &Option<Vec<Option<i64>>>, week: usize| {
            list.as_ref()
                .and_then(|list| list[week])
                .unwrap_or(i64::MAX / 100)
        };
        let seed = &problem.consumables[0];
        let mut need = 0;
        for week in 0..problem.weeks.len() {
            let sown = batches
                .keys()
                .filter(|key| site.slots[key.1].week == week)
                .count() as i64;
            need += used[week];
            let supply =
                seed.stock + seed.most_per_week * (week as i64 + 1 - seed.lead_weeks as i64).max(0);
            if minutes[week] > 10 * limit(&site.minutes, week)
                || mixing[week] > limit(&site.mixing_dl, week)
                || (rules.most_sowings && sown > limit(&site.most_sowings, week))
                || (rules.stock && need > supply)
            {
                return None;
            }
        }
        if rules.smallest_sowing && batches.values().any(|&(count, least)| count < least) {
            return None;
        }
        let bought = if rules.stock {
            (need - seed.stock).max(0)
        } else {
            0
        };
        let mut cost = objective.cost_per_cent * seed.price_cents10 * bought;
        cost += objective.labour_per_minute * minutes.iter().sum::<i64>();
        if let Some(adopted) = &problem.adopted {
            let mut differences: BTreeMap<(&str, NaiveDate), i64> = BTreeMap::new();
            for (&(crop, slot), &(count, _)) in batches {
                let day = problem.start_date + Days::new(u64::from(site.slots[slot].day));
                *differences.entry((crop, day)).or_default() += count;
            }
            for sowing in adopted {
                *differences.entry((&sowing.crop, sowing.sow)).or_default() -= sowing.containers;
            }
            cost += 10
                * objective.change_per_container
                * differences.values().map(|v| v.abs()).sum::<i64>();
        }
        Some(cost)
    }

    fn divide(&mut self, week: usize, harvest: &[i64]) -> i64 {
        let problem = self.problem;
        *self
            .divisions
            .entry((week, harvest.to_vec()))
            .or_insert_with(|| {
                let serves = |crop: &String| {
                    (0..problem.targets.len())
                        .filter(|&t| problem.targets[t].crops.contains(crop))
                        .collect::<Vec<_>>()
                };
                let bands = |target: &Target| {
                    let mut share = 0;
                    let mut below = 0;
                    let widths = problem
                        .objective
                        .shortfall_bands
                        .iter()
                        .map(|&(part, slope)| {
                            share += part;
                            let top = target.pledge_dg[week] * share / 1000;
                            let width = top - below;
                            below = top;
                            (width, slope * target.priority)
                        });
                    widths.collect::<Vec<_>>()
                };
                let division = Week {
                    supply: harvest.to_vec(),
                    serves: problem.crops.iter().map(serves).collect(),
                    bands: problem.targets.iter().map(bands).collect(),
                }
                .divide();
                division.shortfall_e4 + problem.objective.surplus_per_g * division.surplus_dg
            })
    }
}

/// A sowing and all its continuations.
fn extend<'a>(
    station: usize,
    entry: &'a ClassCrop,
    slots: Vec<usize>,
    dg: Vec<i64>,
    out: &mut Vec<Choice<'a>>,
) {
    let last = slots[slots.len() - 1];
    if dg.len() < entry.cut_dg.len() {
        for arc in entry.again.iter().filter(|arc| arc.from == last) {
            let (mut slots, mut dg) = (slots.clone(), dg.clone());
            slots.push(arc.to);
            dg.push(entry.cut_dg[dg.len()] * arc.permille / 1000);
            extend(station, entry, slots, dg, out);
        }
    }
    out.push(Choice {
        station,
        entry,
        end: entry.free_at[last],
        slots,
        dg,
    });
}
