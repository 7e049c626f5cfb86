//! Why a pledge is short: facts that need no knowledge of growth and no search.
//!
//! For each short pledge every *column* that could deliver to it is looked at: a crop at a class of
//! stations, sown on one day and cut on certain days, at least one of which is delivered in the week
//! in question. Either there is none, or one more batch in that column (one more container, where a
//! batch is planned) is held up by limits that can be named, or by none.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use serde::Serialize;

use crate::check::{Findings, Index, Ledger, Verdict, tenths};
use crate::faults::faults;
use crate::plan::Plan;
use crate::problem::Problem;

mod room;
#[cfg(test)]
mod tests;

use room::{Blocked, Chain, Room, chains, delivers};

/// Stations named in an example at most.
const MOST_STATIONS_NAMED: usize = 3;

/// Why one pledge of one week is short.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShortReason {
    /// Target id.
    pub target: String,
    /// Week index.
    pub week: usize,
    /// The week's label, such as `2026-W37`.
    pub week_label: String,
    /// Decigrams that are missing.
    pub short_dg: i64,
    /// Decigrams pledged.
    pub pledge_dg: i64,
    /// Set when nothing sown within this plan can deliver to the pledge.
    pub nothing_delivers: Option<NothingDelivers>,
    /// Columns that could deliver, of those looked at.
    pub columns: usize,
    /// Columns in which one more batch breaks no limit.
    pub open: usize,
    /// An open column.
    pub open_example: Option<Column>,
    /// Limits that one more batch would break, the commonest first.
    pub causes: Vec<Cause>,
    /// Whether every column was looked at; otherwise those with the most cuts were left out.
    pub complete: bool,
}

/// Why nothing sown within the plan can deliver in a week.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NothingDelivers {
    /// No station of the target's sites grows any of its crops.
    NothingGrown,
    /// No working day of the target's sites is delivered in that week.
    NoDeliveryDay,
    /// There are such days, but no sowing of the target's crops can be cut on them.
    NoCut,
}

/// A crop at a class of stations with its sow and cut days.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Column {
    /// Class id.
    pub class: String,
    /// Crop id.
    pub crop: String,
    /// Day of sowing.
    pub sow: NaiveDate,
    /// Days of the cuts in order.
    pub cuts: Vec<NaiveDate>,
}

/// How many columns one kind of limit holds up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Cause {
    /// The kind of limit.
    pub kind: CauseKind,
    /// Columns it holds up.
    pub columns: usize,
    /// Columns that nothing else holds up.
    pub alone: usize,
    /// One of these columns, one that nothing else holds up if there is any.
    pub example: Column,
    /// The limit that this column meets.
    pub limit: Limit,
}

/// Kinds of limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CauseKind {
    /// Too few places are free from sowing to the last cut.
    Places,
    /// Too few minutes.
    Minutes,
    /// Too little solution can be mixed.
    Mixing,
    /// A consumable is used up and no purchase arrives in time.
    Stock,
    /// No further batch may be sown that week.
    MostSowings,
    /// A crop's share of the harvest would leave its limits.
    Share,
}

/// The limit that a column meets.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Limit {
    /// The stations of the class are too full at some time.
    Places {
        /// Stations of the class.
        stations: usize,
        /// Some of them with their fullest day.
        fullest: Vec<FullStation>,
        /// Containers that would have to be added.
        added: i64,
    },
    /// The site's minutes of a week.
    Minutes {
        /// Site id.
        site: String,
        /// Week index.
        week: usize,
        /// The week's label.
        week_label: String,
        /// Tenths of a minute of work planned.
        used_minutes10: i64,
        /// Tenths of a minute at hand.
        limit_minutes10: i64,
        /// Tenths of a minute that they take that week.
        needed_minutes10: i64,
        /// Containers that would have to be added.
        added: i64,
    },
    /// What the site can mix in a week.
    Mixing {
        /// Site id.
        site: String,
        /// Week index.
        week: usize,
        /// The week's label.
        week_label: String,
        /// Decilitres planned.
        used_dl: i64,
        /// Decilitres that can be mixed.
        limit_dl: i64,
        /// Decilitres that they take that week.
        needed_dl: i64,
        /// Containers that would have to be added.
        added: i64,
    },
    /// A consumable.
    Stock {
        /// Consumable id.
        consumable: String,
        /// Week index of the sowing.
        week: usize,
        /// The week's label.
        week_label: String,
        /// Units that can be spared with every possible purchase made; below 0 when there are too
        /// few already.
        spare: i64,
        /// Units that they take.
        needed: i64,
        /// Containers that would have to be added.
        added: i64,
    },
    /// Batches of the site in a week.
    MostSowings {
        /// Site id.
        site: String,
        /// Week index.
        week: usize,
        /// The week's label.
        week_label: String,
        /// Batches allowed.
        most: i64,
    },
    /// A crop's share of the harvest.
    Share {
        /// Crop id.
        crop: String,
        /// First week of the run, as an index.
        from_week: usize,
        /// The week's label.
        week_label: String,
        /// Length of the run.
        weeks: usize,
    },
}

/// A station on its fullest day within a column's time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FullStation {
    /// Station id.
    pub station: String,
    /// The first of its fullest days.
    pub day: NaiveDate,
    /// Containers there and places taken.
    pub containers: i64,
    /// Places of the station.
    pub places: i64,
}

/// What holds up the columns of one crop at one site for one week.
#[derive(Default)]
struct Tally {
    columns: usize,
    open: usize,
    open_example: Option<Column>,
    causes: BTreeMap<CauseKind, Cause>,
}

impl Tally {
    fn enter(&mut self, room: &Room, chain: &Chain, blocked: &[Blocked]) {
        self.columns += 1;
        if blocked.is_empty() {
            self.open += 1;
            self.open_example.get_or_insert_with(|| room.column(chain));
        }
        let alone = blocked.len() == 1;
        for block in blocked {
            let describe = || Cause {
                kind: block.kind(),
                columns: 0,
                alone: 0,
                example: room.column(chain),
                limit: room.limit(chain, block),
            };
            let cause = self.causes.entry(block.kind()).or_insert_with(describe);
            if alone && cause.alone == 0 && cause.columns > 0 {
                *cause = Cause {
                    columns: cause.columns,
                    ..describe()
                };
            }
            cause.columns += 1;
            cause.alone += usize::from(alone);
        }
    }

    fn merge(&mut self, other: &Self) {
        self.columns += other.columns;
        self.open += other.open;
        if self.open_example.is_none() {
            self.open_example.clone_from(&other.open_example);
        }
        for (&kind, cause) in &other.causes {
            let Some(mine) = self.causes.get_mut(&kind) else {
                self.causes.insert(kind, cause.clone());
                continue;
            };
            if mine.alone == 0 && cause.alone > 0 {
                mine.example = cause.example.clone();
                mine.limit = cause.limit.clone();
            }
            mine.columns += cause.columns;
            mine.alone += cause.alone;
        }
    }
}

/// What is known of one crop at one site.
#[derive(Default)]
struct Source {
    /// By week.
    tallies: BTreeMap<usize, Tally>,
    /// Weeks in which a sowing can deliver.
    delivers: BTreeSet<usize>,
    /// Whether chains were left out.
    cut_off: bool,
}

/// What holds up every short pledge of a verdict on this plan; nothing if the problem is faulty.
pub fn binding(problem: &Problem, plan: &Plan, verdict: &Verdict) -> Vec<ShortReason> {
    if !faults(problem).is_empty() {
        return Vec::new();
    }
    let index = Index::new(problem);
    let ledger = Ledger::of(&index, plan, &mut Findings::default());
    let room = Room::new(&index, &ledger);
    let short: BTreeSet<usize> = verdict.short_cells.iter().map(|cell| cell.week).collect();
    let mut sources: BTreeMap<(&str, &str), Source> = BTreeMap::new();
    for (class, grown) in problem.classes.iter().enumerate() {
        for (entry, growth) in grown.crops.iter().enumerate() {
            let source = sources.entry((&grown.site, &growth.crop)).or_default();
            let slots = &problem.sites[index.site_of_class[class]].slots;
            source.delivers.extend(delivers(growth, slots));
            let (found, complete) = chains(growth, class, entry);
            source.cut_off |= !complete;
            for chain in &found {
                let weeks = room.delivery_weeks(chain);
                if weeks.is_disjoint(&short) {
                    continue;
                }
                let blocked = room.blocked(chain);
                for week in weeks.intersection(&short) {
                    source
                        .tallies
                        .entry(*week)
                        .or_default()
                        .enter(&room, chain, &blocked);
                }
            }
        }
    }
    let reason = |cell: &crate::check::ShortCell| {
        let target = problem
            .targets
            .iter()
            .find(|target| target.id == cell.target)?;
        let week_label = problem.weeks.get(cell.week)?.clone();
        let pairs = target
            .sites
            .iter()
            .flat_map(|site| target.crops.iter().map(move |crop| (site, crop)));
        let serving: Vec<&Source> = pairs
            .filter_map(|(site, crop)| sources.get(&(site.as_str(), crop.as_str())))
            .collect();
        let mut tally = Tally::default();
        for found in serving
            .iter()
            .filter_map(|source| source.tallies.get(&cell.week))
        {
            tally.merge(found);
        }
        let mut causes: Vec<Cause> = tally.causes.into_values().collect();
        causes.sort_by_key(|cause| std::cmp::Reverse(cause.columns));
        let delivery_day = problem.sites.iter().any(|site| {
            let received = site
                .slots
                .iter()
                .any(|slot| slot.harvest_week == Some(cell.week));
            target.sites.contains(&site.id) && received
        });
        let nothing_delivers = if serving.is_empty() {
            Some(NothingDelivers::NothingGrown)
        } else if !delivery_day {
            Some(NothingDelivers::NoDeliveryDay)
        } else if !serving
            .iter()
            .any(|source| source.delivers.contains(&cell.week))
        {
            Some(NothingDelivers::NoCut)
        } else {
            None
        };
        Some(ShortReason {
            target: cell.target.clone(),
            week: cell.week,
            week_label,
            short_dg: cell.short_dg,
            pledge_dg: cell.pledge_dg,
            nothing_delivers,
            columns: tally.columns,
            open: tally.open,
            open_example: tally.open_example,
            causes,
            complete: !serving.iter().any(|source| source.cut_off),
        })
    };
    verdict.short_cells.iter().filter_map(reason).collect()
}

impl ShortReason {
    /// The reason in plain words, for a coordinator.
    pub fn summary(&self) -> String {
        let grams = |dg: i64| tenths(i128::from(dg));
        let mut parts = vec![format!(
            "{} in {}: {} of {} g are missing.",
            self.target,
            self.week_label,
            grams(self.short_dg),
            grams(self.pledge_dg)
        )];
        match self.nothing_delivers {
            Some(NothingDelivers::NothingGrown) => {
                parts.push("Nothing that may serve it grows at its sites.".into());
            }
            Some(NothingDelivers::NoDeliveryDay) => {
                parts.push("No working day of its sites is delivered in that week.".into());
            }
            Some(NothingDelivers::NoCut) => {
                parts.push("Nothing sown within this plan can be ready in that week.".into());
            }
            None => {
                let ways = if self.columns == 1 { "way" } else { "ways" };
                parts.push(format!(
                    "{} {ways} of sowing could deliver in that week.",
                    self.columns
                ));
                parts.extend(self.causes.iter().map(Cause::summary));
            }
        }
        if let Some(example) = &self.open_example {
            parts.push(format!(
                "For {} of them nothing is in the way ({example}): the plan could still be improved, \
                 or one batch more costs more in work, purchases and surplus than it gains.",
                self.open
            ));
        }
        if !self.complete {
            parts.push("The ways with the most cuts were not looked at.".into());
        }
        parts.join(" ")
    }
}

impl std::fmt::Display for Column {
    fn fmt(&self, out: &mut std::fmt::Formatter) -> std::fmt::Result {
        let cuts: Vec<String> = self.cuts.iter().map(ToString::to_string).collect();
        let Self {
            class, crop, sow, ..
        } = self;
        write!(
            out,
            "{crop} in {class} sown on {sow} and cut on {}",
            cuts.join(", ")
        )
    }
}

impl Cause {
    /// The cause in plain words.
    fn summary(&self) -> String {
        let ways = self.columns;
        format!(
            "For {ways} of them {} (for example {}).",
            self.limit, self.example
        )
    }
}

impl std::fmt::Display for Limit {
    fn fmt(&self, out: &mut std::fmt::Formatter) -> std::fmt::Result {
        let decimal = |count: &i64| tenths(i128::from(*count));
        match self {
            Self::Places { stations: 0, .. } => write!(out, "there is no station"),
            Self::Places {
                stations,
                fullest,
                added,
            } => {
                let mut named: Vec<String> = fullest.iter().map(ToString::to_string).collect();
                if *stations > named.len() {
                    let others = stations - named.len();
                    named.push(format!("and no better at {others} further stations"));
                }
                write!(
                    out,
                    "there is no room for {} throughout: {}",
                    containers(*added),
                    named.join(", ")
                )
            }
            Self::Minutes {
                site,
                week_label,
                used_minutes10,
                limit_minutes10,
                needed_minutes10,
                added,
                ..
            } => {
                let used = decimal(used_minutes10);
                let (limit, needed) = (decimal(limit_minutes10), decimal(needed_minutes10));
                write!(
                    out,
                    "time is too short: {site} has {used} of {limit} minutes booked in {week_label}, \
                     and {} would take {needed}",
                    containers(*added)
                )
            }
            Self::Mixing {
                site,
                week_label,
                used_dl,
                limit_dl,
                needed_dl,
                added,
                ..
            } => {
                let (used, limit, needed) =
                    (decimal(used_dl), decimal(limit_dl), decimal(needed_dl));
                write!(
                    out,
                    "too much is to be mixed: {site} mixes {used} of {limit} litres in {week_label}, \
                     and {} would take {needed}",
                    containers(*added)
                )
            }
            Self::Stock {
                consumable,
                week_label,
                spare,
                needed,
                added,
                ..
            } => {
                let spare = (*spare).max(0);
                let units = if *needed == 1 { "unit" } else { "units" };
                write!(
                    out,
                    "{consumable} runs out: {} sown in {week_label} would take {needed} {units}, \
                     {spare} can be spared, and no further purchase arrives in time",
                    containers(*added)
                )
            }
            Self::MostSowings {
                site,
                week_label,
                most,
                ..
            } => write!(
                out,
                "the batch would be one too many: {site} sows at most {most} in {week_label}"
            ),
            Self::Share {
                crop,
                week_label,
                weeks,
                ..
            } => write!(
                out,
                "the share of {crop} in the {weeks} weeks from {week_label} would leave its limits"
            ),
        }
    }
}

fn containers(count: i64) -> String {
    if count == 1 {
        "one container more".to_owned()
    } else {
        format!("{count} containers more")
    }
}

impl std::fmt::Display for FullStation {
    fn fmt(&self, out: &mut std::fmt::Formatter) -> std::fmt::Result {
        let Self {
            station,
            day,
            containers,
            places,
        } = self;
        write!(out, "{station} holds {containers} of {places} on {day}")
    }
}
