//! Drawing seasons of a plan.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Serialize;

use super::draw::{Binomial, Normal, exponential};
use super::handing::{self, Week};
use super::{Scatter, Uncertainty};
use crate::check::{ViolationKind, check};
use crate::problem::{ClassCrop, Sowing};
use crate::{Plan, Problem};

/// Why no seasons can be drawn.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ChanceError {
    /// A sowing of the plan is not possible in the problem, or the problem is faulty.
    #[error("the plan does not fit the problem: {0}")]
    BadPlan(String),
    /// A share, a coefficient or a number of days is out of its range.
    #[error("germination, scatter or days are out of range")]
    BadUncertainty,
    /// No season was asked for, or more than a million.
    #[error("1 to 1 000 000 seasons can be drawn")]
    BadSeasons,
}

/// The chance of one target's pledge of one week.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CellChance {
    /// Target id.
    pub target: String,
    /// Week index.
    pub week: usize,
    /// Decigrams pledged.
    pub pledge_dg: i64,
    /// Share of seasons in which the pledge is met.
    pub met: f64,
    /// 95 % Wilson score interval of `met` for this number of seasons (Wilson, J. Am. Stat. Assoc. 22,
    /// 1927).
    pub met_interval: (f64, f64),
    /// Mean shortfall in grams.
    pub expected_short_grams: f64,
    /// 10 %, 50 % and 90 % quantiles of grams delivered, none above the pledge; the first and the last
    /// are the 80 % band.
    pub delivered_grams: [f64; 3],
    /// Sowings and committed harvests the planned proportions draw on.
    pub sowings: usize,
}

/// Chances of every pledge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chances {
    /// Seasons drawn.
    pub seasons: usize,
    /// Every target and week with a pledge, by week and then by target.
    pub cells: Vec<CellChance>,
}

struct Cut {
    slot: usize,
    /// Days from the sowing, or from the cut before, at which it is ready when nothing is late.
    ready_after: i64,
    /// Decigrams of one container.
    dg: f64,
}

struct Entry {
    standing: Binomial,
    sow_day: i64,
    cuts: Vec<Cut>,
}

/// A sowing: what shares one yield factor.
struct Batch {
    normal: Normal,
    containers: Normal,
    days: Normal,
    scatter: Scatter,
    deviation: f64,
    station: usize,
    site: usize,
    crop: usize,
    entries: Vec<Entry>,
}

/// Draws `seasons` seasons of a plan by the model of [`super`]; the same seed gives the same chances on
/// any machine. A sowing keeps its luck in season i when other sowings change.
///
/// # Errors
/// [`ChanceError`] when plan, uncertainty or number of seasons cannot be used.
pub fn simulate(
    problem: &Problem,
    plan: &Plan,
    uncertainty: &Uncertainty,
    seasons: usize,
    seed: u64,
) -> Result<Chances, ChanceError> {
    if seasons == 0 || seasons > 1_000_000 {
        return Err(ChanceError::BadSeasons);
    }
    if !uncertainty.is_sound() {
        return Err(ChanceError::BadUncertainty);
    }
    fits(problem, plan)?;
    let mut batches = batches(problem, plan, uncertainty, seed)?;
    let mut committed = committed(problem, uncertainty, seed);
    let weeks = problem.weeks.len();
    let place =
        |site: usize, crop: usize, week: usize| (site * problem.crops.len() + crop) * weeks + week;
    let size = problem.sites.len() * problem.crops.len() * weeks;
    let (mut expected, mut sowings) = (vec![0_i64; size], vec![0_usize; size]);
    planned_harvest(problem, &batches, &mut expected, &mut sowings);
    let handing = handing::weeks(problem, &expected);
    let mut stations: Vec<Normal> = problem
        .stations
        .iter()
        .map(|station| Normal::new(seed, &format!("station/{}", station.id)))
        .collect();
    let cells: usize = handing.iter().map(|week| week.cells.len()).sum();
    let mut lacks = vec![Vec::with_capacity(seasons); cells];
    let (mut harvest, mut lack, mut left) = (vec![0.0; size], Vec::new(), Vec::new());
    for _ in 0..seasons {
        harvest.fill(0.0);
        let luck: Vec<f64> = stations.iter_mut().map(Normal::next).collect();
        for batch in &mut batches {
            let station = luck[batch.station];
            batch.draw(problem, station, |site, crop, week, dg| {
                harvest[place(site, crop, week)] += dg;
            });
        }
        for (place, dg, deviation, normal) in &mut committed {
            harvest[*place] += *dg * factor(*deviation * normal.next(), *deviation);
        }
        let mut cell = 0;
        for week in &handing {
            week.hand_out(&harvest, &mut lack, &mut left);
            for &missing in &lack {
                lacks[cell].push(missing);
                cell += 1;
            }
        }
    }
    Ok(Chances {
        seasons,
        cells: summary(problem, &handing, &sowings, &mut lacks),
    })
}

/// exp(z - s²/2): mean 1 when z is normal with deviation s.
fn factor(z: f64, deviation: f64) -> f64 {
    exponential(z - deviation * deviation / 2.0)
}

/// Standard deviation of the logarithm.
fn deviation(cv: f64) -> f64 {
    crate::random::negative_logarithm(1.0 / (1.0 + cv * cv))
        .max(0.0)
        .sqrt()
}

fn fits(problem: &Problem, plan: &Plan) -> Result<(), ChanceError> {
    use ViolationKind as Kind;
    let wrong = check(problem, plan).problems.into_iter().find(|violation| {
        matches!(
            violation.kind,
            Kind::FaultyProblem
                | Kind::OtherProblem
                | Kind::Station
                | Kind::Containers
                | Kind::Crop
                | Kind::Day
                | Kind::Cuts
                | Kind::Arc
                | Kind::TooLarge
        )
    });
    wrong.map_or(Ok(()), |violation| {
        Err(ChanceError::BadPlan(violation.message))
    })
}

fn batches(
    problem: &Problem,
    plan: &Plan,
    uncertainty: &Uncertainty,
    seed: u64,
) -> Result<Vec<Batch>, ChanceError> {
    let mut grouped: BTreeMap<(&str, &str, NaiveDate), Vec<&Sowing>> = BTreeMap::new();
    for sowing in &plan.sowings {
        let key = (sowing.station.as_str(), sowing.crop.as_str(), sowing.sow);
        grouped.entry(key).or_default().push(sowing);
    }
    grouped
        .into_iter()
        .map(|((station, crop, sow), mut sowings)| {
            sowings.sort_by(|a, b| (&a.cuts, a.containers).cmp(&(&b.cuts, b.containers)));
            batch(problem, uncertainty, seed, &sowings)
                .ok_or_else(|| ChanceError::BadPlan(format!("{crop} on {station}, sown {sow}")))
        })
        .collect()
}

fn batch(
    problem: &Problem,
    uncertainty: &Uncertainty,
    seed: u64,
    sowings: &[&Sowing],
) -> Option<Batch> {
    let first = sowings.first()?;
    let station = problem
        .stations
        .iter()
        .position(|s| s.id == first.station)?;
    let of_station = &problem.stations[station];
    let site = problem.sites.iter().position(|s| s.id == of_station.site)?;
    let class = problem.classes.iter().find(|c| c.id == of_station.class)?;
    let grown = class.crops.iter().find(|c| c.crop == first.crop)?;
    let scatter = uncertainty.of(&of_station.site, Some(&of_station.id), &first.crop);
    let name = format!("{}/{}/{}", first.station, first.crop, first.sow);
    let entries = sowings
        .iter()
        .map(|sowing| {
            Some(Entry {
                standing: Binomial::new(sowing.containers, scatter.germination),
                sow_day: (sowing.sow - problem.start_date).num_days(),
                cuts: cuts(problem, site, grown, sowing)?,
            })
        })
        .collect::<Option<_>>()?;
    Some(Batch {
        normal: Normal::new(seed, &format!("sowing/{name}")),
        containers: Normal::new(seed, &format!("containers/{name}")),
        days: Normal::new(seed, &format!("days/{name}")),
        scatter,
        deviation: deviation(scatter.cv),
        station,
        site,
        crop: problem.crops.iter().position(|crop| *crop == first.crop)?,
        entries,
    })
}

fn cuts(problem: &Problem, site: usize, grown: &ClassCrop, sowing: &Sowing) -> Option<Vec<Cut>> {
    let slots = &problem.sites[site].slots;
    let slot = |date: NaiveDate| {
        let day = (date - problem.start_date).num_days();
        slots.iter().position(|slot| i64::from(slot.day) == day)
    };
    let mut from = slot(sowing.sow)?;
    let mut cuts = Vec::new();
    for (number, &date) in sowing.cuts.iter().enumerate() {
        let to = slot(date)?;
        let arcs = if number == 0 {
            &grown.first
        } else {
            &grown.again
        };
        let taken = arcs.iter().find(|arc| arc.from == from && arc.to == to)?;
        let earliest = arcs
            .iter()
            .filter(|arc| arc.from == from)
            .map(|arc| arc.to)
            .min()?;
        let dg = i128::from(*grown.cut_dg.get(number)?) * i128::from(taken.permille) / 1000;
        cuts.push(Cut {
            slot: to,
            ready_after: i64::from(slots[earliest].day) - i64::from(slots[from].day),
            dg: dg as f64,
        });
        from = to;
    }
    Some(cuts)
}

/// Committed harvest: place in the table of harvests, decigrams, deviation and its own luck.
fn committed(
    problem: &Problem,
    uncertainty: &Uncertainty,
    seed: u64,
) -> Vec<(usize, f64, f64, Normal)> {
    let entries = problem.committed.iter().enumerate();
    entries
        .filter_map(|(number, entry)| {
            let site = problem
                .sites
                .iter()
                .position(|site| site.id == entry.site)?;
            let crop = problem.crops.iter().position(|crop| *crop == entry.crop)?;
            let place = (site * problem.crops.len() + crop) * problem.weeks.len() + entry.week;
            let scatter = uncertainty.of(&entry.site, None, &entry.crop);
            let normal = Normal::new(seed, &format!("committed/{number}"));
            Some((place, entry.dg as f64, deviation(scatter.cv), normal))
        })
        .collect()
}

fn planned_harvest(
    problem: &Problem,
    batches: &[Batch],
    expected: &mut [i64],
    sowings: &mut [usize],
) {
    let (crops, weeks) = (problem.crops.len(), problem.weeks.len());
    for batch in batches {
        let mut touched = std::collections::BTreeSet::new();
        for entry in &batch.entries {
            for cut in &entry.cuts {
                let slot = problem.sites[batch.site].slots[cut.slot];
                if let Some(week) = slot.harvest_week {
                    let place = (batch.site * crops + batch.crop) * weeks + week;
                    touched.insert(place);
                    expected[place] += entry.standing.count * cut.dg as i64;
                }
            }
        }
        touched.into_iter().for_each(|place| sowings[place] += 1);
    }
    for entry in &problem.committed {
        let site = problem.sites.iter().position(|site| site.id == entry.site);
        let crop = problem.crops.iter().position(|crop| *crop == entry.crop);
        if let (Some(site), Some(crop)) = (site, crop) {
            let place = (site * crops + crop) * weeks + entry.week;
            expected[place] += entry.dg;
            sowings[place] += 1;
        }
    }
}

impl Batch {
    fn draw(
        &mut self,
        problem: &Problem,
        station: f64,
        mut give: impl FnMut(usize, usize, usize, f64),
    ) {
        let scatter = self.scatter;
        let s = self.deviation;
        let own = (1.0 - scatter.station_share - scatter.container_share).max(0.0);
        let z = self.normal.next() * own.sqrt() + station * scatter.station_share.sqrt();
        let common = factor(s * z, s * (own + scatter.station_share).sqrt());
        let late = if scatter.days_sd > 0.0 {
            (scatter.days_sd * self.days.next()).round().max(0.0) as i64
        } else {
            0
        };
        let slots = &problem.sites[self.site].slots;
        let alone = s * scatter.container_share.sqrt();
        for entry in &self.entries {
            let standing = entry.standing.at(self.normal.random.unit());
            let sum = if alone > 0.0 {
                (0..standing)
                    .map(|_| factor(alone * self.containers.next(), alone))
                    .sum()
            } else {
                standing as f64
            };
            let yielding = common * sum / scatter.germination;
            let mut ready = entry.sow_day + late;
            for cut in &entry.cuts {
                let mut slot = cut.slot;
                if late > 0 {
                    ready += cut.ready_after;
                    slot += slots[slot..].partition_point(|slot| i64::from(slot.day) < ready);
                    let Some(taken) = slots.get(slot) else { break };
                    ready = i64::from(taken.day);
                }
                if let Some(week) = slots[slot].harvest_week {
                    give(self.site, self.crop, week, yielding * cut.dg);
                }
            }
        }
    }
}

fn summary(
    problem: &Problem,
    handing: &[Week],
    sowings: &[usize],
    lacks: &mut [Vec<f64>],
) -> Vec<CellChance> {
    let places = handing
        .iter()
        .flat_map(|week| (0..week.cells.len()).map(move |cell| (week, cell)));
    places
        .zip(lacks)
        .map(|((week, cell), lacks)| {
            let (target, pledge) = week.cells[cell];
            let seasons = lacks.len();
            let met = lacks.iter().filter(|&&lack| lack <= 1e-9 * pledge).count();
            let mean = lacks.iter().sum::<f64>() / seasons as f64;
            lacks.sort_unstable_by(|a, b| b.total_cmp(a));
            let quantile = |tenths: usize| {
                let rank = (seasons * tenths).div_ceil(10).max(1) - 1;
                (pledge - lacks[rank]) / 10.0
            };
            let drawn = week
                .sources
                .iter()
                .filter(|source| source.planned.iter().any(|&(to, _)| to == cell));
            CellChance {
                target: problem.targets[target].id.clone(),
                week: week.week,
                pledge_dg: problem.targets[target].pledge_dg[week.week],
                met: met as f64 / seasons as f64,
                met_interval: wilson(met, seasons),
                expected_short_grams: mean / 10.0,
                delivered_grams: [quantile(1), quantile(5), quantile(9)],
                sowings: drawn.map(|source| sowings[source.harvest]).sum(),
            }
        })
        .collect()
}

/// Wilson score interval at 95 %.
fn wilson(met: usize, seasons: usize) -> (f64, f64) {
    let (n, z) = (seasons as f64, 1.959_963_984_540_054);
    let share = met as f64 / n;
    let middle = share + z * z / (2.0 * n);
    let half = z * (share * (1.0 - share) / n + z * z / (4.0 * n * n)).sqrt();
    let scale = 1.0 + z * z / n;
    (
        ((middle - half) / scale).max(0.0),
        ((middle + half) / scale).min(1.0),
    )
}
