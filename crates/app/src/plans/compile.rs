//! From a season to the planner's problem. Pure: the same season gives the same problem.
//!
//! Ids of the problem are the ids of the records; a class of stations carries the id of its first
//! station. Consumables are what `goods` says: what is at hand before new goods can come.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use cotyl_calendar::IsoWeek;
use cotyl_growth::{ContainerYield, Relaxed, growing_arcs};
use cotyl_planner::problem::{
    Arc, Class, ClassCrop, Committed, CommittedWork, MixLitres, Objective, PROBLEM_FORMAT, Problem,
    Rules, Site, Sowing, Spread, Station, Target, WorkMinutes,
};

use super::days::{Deliveries, SiteDays, climate, working_days};
use super::due::given_up;
use super::goods::{self, StatedGood};
use super::season::{
    Season, SeasonCrop, SeasonError, SeasonPledge, SeasonSite, SeasonSowing, SeasonStation,
};
use super::standing::{Standing, taken};

/// Name of every problem made here; plans carry it back.
pub const PROBLEM_NAME: &str = "season";

/// Rules left out, one at a time, to find which of them stands in the way of a pledge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LeftOut {
    /// Closed days can be worked.
    pub closures: bool,
    /// Every crop grows by every method.
    pub method: bool,
    /// Rules of growth.
    pub growth: Relaxed,
}

/// A problem with remarks on what had to be bent to state it.
#[derive(Debug, Clone, PartialEq)]
pub struct Compiled {
    /// The problem.
    pub problem: Problem,
    /// In words for a coordinator.
    pub notes: Vec<String>,
    /// Remarks on stores: the site and what is to be said.
    pub store_notes: Vec<(String, String)>,
    /// Consumables that limit, and what they stand for.
    pub goods: Vec<StatedGood>,
}

/// Sites with their days, stations and crops by id.
#[derive(Debug)]
pub(super) struct Directory<'a> {
    sites: BTreeMap<&'a str, (&'a SeasonSite, SiteDays)>,
    stations: BTreeMap<&'a str, &'a SeasonStation>,
    crops: BTreeMap<&'a str, &'a SeasonCrop>,
    /// Sowings of a plan that are due and cannot be sown as they are.
    given_up: BTreeSet<String>,
}

impl<'a> Directory<'a> {
    pub(super) fn of(season: &'a Season, with_closures: bool) -> Result<Self, SeasonError> {
        let mut sites = BTreeMap::new();
        for site in &season.sites {
            let days = SiteDays::of(season, site, with_closures)?;
            sites.insert(site.id.as_str(), (site, days));
        }
        Ok(Self {
            sites,
            stations: season.stations.iter().map(|s| (s.id.as_str(), s)).collect(),
            crops: season.crops.iter().map(|c| (c.id.as_str(), c)).collect(),
            given_up: given_up(season)?,
        })
    }

    pub(super) fn site(&self, id: &str) -> Option<(&'a SeasonSite, &SiteDays)> {
        self.sites.get(id).map(|(site, days)| (*site, days))
    }

    /// Whether a sowing stays as it is, whatever is planned.
    pub(super) fn stands(&self, season: &Season, sowing: &SeasonSowing) -> bool {
        !season.is_replanned(sowing) && !self.given_up.contains(&sowing.id)
    }

    pub(super) fn station(&self, id: &str) -> Option<&'a SeasonStation> {
        self.stations.get(id).copied()
    }

    pub(super) fn crop(&self, id: &str) -> Option<&'a SeasonCrop> {
        self.crops.get(id).copied()
    }
}

/// States the season as a problem.
///
/// # Errors
/// [`SeasonError`] for a site whose zone, hours or closures cannot be read.
pub fn compile(season: &Season, left_out: LeftOut) -> Result<Compiled, SeasonError> {
    let directory = Directory::of(season, !left_out.closures)?;
    let deliveries = Deliveries::of(season);
    let standing = Standing::of(season, &directory, &deliveries);
    let weeks = season.weeks as usize;
    let mut notes = Vec::new();
    let mut sites = Vec::new();
    for (site, days) in directory.sites.values() {
        sites.push(state_site(
            site,
            days,
            &deliveries,
            &standing,
            weeks,
            &mut notes,
        ));
    }
    let (mut classes, stations) = state_stations(season, &directory, left_out);
    // with a rule left out it is only asked what could be cut at all
    let stated = if left_out == LeftOut::default() {
        goods::state(season, &directory, &mut classes, &stations)
    } else {
        goods::Stated::default()
    };
    let adopted = adopted(season, &stations);
    let problem = Problem {
        format: PROBLEM_FORMAT.to_owned(),
        name: PROBLEM_NAME.to_owned(),
        start_date: season.first_monday,
        weeks: (0..weeks)
            .map(|week| week_label(season.first_monday, week))
            .collect(),
        crops: directory.crops.keys().map(|id| (*id).to_owned()).collect(),
        sites,
        classes,
        stations,
        targets: state_targets(season, &directory),
        committed: committed(standing.harvest),
        committed_work: committed_work(standing.work),
        objective: objective(),
        rules: Rules {
            minutes: true,
            mixing: true,
            stock: !stated.consumables.is_empty(),
            smallest_sowing: true,
            most_sowings: true,
        },
        adopted: (!adopted.is_empty()).then_some(adopted),
        spread: season.crops.iter().map(spread).collect(),
        shares: Vec::new(),
        consumables: stated.consumables,
    };
    Ok(Compiled {
        problem,
        notes,
        store_notes: stated.notes,
        goods: stated.goods,
    })
}

/// Sowings of the plan in force that are planned anew.
fn adopted(season: &Season, stations: &[Station]) -> Vec<Sowing> {
    season
        .sowings
        .iter()
        .filter(|sowing| season.is_replanned(sowing))
        .filter(|sowing| stations.iter().any(|known| known.id == sowing.station_id))
        .map(|sowing| Sowing {
            station: sowing.station_id.clone(),
            crop: sowing.crop_id.clone(),
            sow: sowing.sow_on,
            containers: i64::from(sowing.containers),
            cuts: sowing.planned_cuts.clone(),
        })
        .collect()
}

/// The label of a week of the season, such as `2026-W40`.
pub(super) fn week_label(first_monday: NaiveDate, week: usize) -> String {
    let monday = first_monday + Days::new(7 * week as u64);
    IsoWeek::of(monday).map_or_else(|_| monday.to_string(), |week| week.to_string())
}

/// The weights of the format's example: a gram short weighs far more than work or surplus.
fn objective() -> Objective {
    Objective {
        shortfall_bands: vec![(200, 1000), (300, 2000), (500, 4000)],
        surplus_per_g: 50,
        cost_per_cent: 10,
        labour_per_minute: 50,
        change_per_container: 200,
    }
}

fn spread(crop: &SeasonCrop) -> (String, Spread) {
    let spread = Spread {
        cv_permille: crop.profile.yield_variation_permille,
        germination_permille: crop.profile.germination_permille,
    };
    (crop.id.clone(), spread)
}

fn committed(harvest: BTreeMap<(String, String, usize), i64>) -> Vec<Committed> {
    harvest
        .into_iter()
        .map(|((site, crop, week), dg)| Committed {
            site,
            crop,
            week,
            dg,
        })
        .collect()
}

fn committed_work(work: BTreeMap<(String, usize), (i64, i64)>) -> Vec<CommittedWork> {
    work.into_iter()
        .map(|((site, week), (minutes10, mixing_dl))| CommittedWork {
            site,
            week,
            minutes10,
            mixing_dl,
        })
        .collect()
}

/// Decilitres of solution for a container, of millilitres for the reference container; rounded up.
pub(super) fn mixed_decilitres(millilitres: i64, container: &ContainerYield) -> i64 {
    let reference = ContainerYield::REFERENCE.liquid_millilitres * 100;
    let scaled = millilitres.saturating_mul(container.liquid_millilitres);
    (scaled + reference - 1).div_euclid(reference)
}

/// A site with its limits: what an ordinary week has, in the share of its open days that are left.
/// Work that standing sowings need in any case raises a limit it exceeds, with a note.
fn state_site(
    site: &SeasonSite,
    days: &SiteDays,
    deliveries: &Deliveries,
    standing: &Standing,
    weeks: usize,
    notes: &mut Vec<String>,
) -> Site {
    let slots = days.slots(deliveries);
    let open = |week: usize| slots.iter().filter(|slot| slot.week == week).count() as i64;
    let ordinary = (days.ordinary_days as i64).max(1);
    let share = |whole: i64, week: usize| whole * open(week).min(ordinary) / ordinary;
    let work = |week: usize| {
        let key = (site.id.clone(), week);
        standing.work.get(&key).copied().unwrap_or_default()
    };
    let mut limits = |whole: Option<i64>, needed: &dyn Fn(usize) -> i64, what: &str| {
        let whole = whole?;
        let by_week = (0..weeks).map(|week| {
            let (limit, needed) = (share(whole, week), needed(week));
            if needed > limit {
                notes.push(format!(
                    "{}: what stands already needs {needed} {what} in {}, {limit} are at hand",
                    site.name,
                    week_label(days.first_monday(), week),
                ));
            }
            Some(limit.max(needed))
        });
        Some(by_week.collect())
    };
    let minutes = limits(
        site.weekly_minutes,
        &|week| (work(week).0 + 9).div_euclid(10),
        "minutes of work",
    );
    let mixing_dl = limits(
        site.weekly_mixing_microlitres
            .map(|litres| litres / 100_000),
        &|week| work(week).1,
        "decilitres of solution",
    );
    let most_sowings = site.most_sowings_per_week.map(|most| {
        let left = |week| {
            let planned = standing.batches.get(&(site.id.clone(), week));
            Some((most - planned.copied().unwrap_or(0)).max(0))
        };
        (0..weeks).map(left).collect()
    });
    Site {
        id: site.id.clone(),
        slots,
        minutes,
        mixing_dl,
        most_sowings,
    }
}

fn serves(crop: &SeasonCrop, pledge: &SeasonPledge) -> bool {
    pledge.crop_id.as_deref() == Some(&crop.id)
        || pledge.crop_group_id.as_deref() == Some(&crop.group_id)
}

/// Stations in use by class. A station that loses places later on is a class of its own.
fn state_stations(
    season: &Season,
    directory: &Directory,
    left_out: LeftOut,
) -> (Vec<Class>, Vec<Station>) {
    let mut class_of: BTreeMap<String, String> = BTreeMap::new();
    let (mut classes, mut stations) = (Vec::new(), Vec::new());
    for station in directory.stations.values() {
        let Some((site, days)) = directory.site(&station.site_id) else {
            continue;
        };
        if station.retired || site.retired {
            continue;
        }
        let taken = taken(season, directory, station, days.in_season());
        let loses_places = taken
            .windows(2)
            .any(|pair| pair[1].0 > pair[0].1 || pair[1].2 > pair[0].2)
            || taken.first().is_some_and(|run| run.0 > 0);
        let class = if loses_places {
            station.id.clone()
        } else {
            class_of
                .entry(likeness(season, station))
                .or_insert_with(|| station.id.clone())
                .clone()
        };
        if class == station.id {
            classes.push(Class {
                id: class.clone(),
                site: station.site_id.clone(),
                crops: grown_at(season, station, days, left_out),
            });
        }
        stations.push(Station {
            id: station.id.clone(),
            site: station.site_id.clone(),
            class,
            places: station.places,
            taken,
        });
    }
    (classes, stations)
}

/// What must be equal for two stations to be alike for growing.
fn likeness(season: &Season, station: &SeasonStation) -> String {
    let known: Vec<_> = season
        .crops
        .iter()
        .filter_map(|crop| {
            let (known, learned) = (crop.known.get(&station.id), crop.learned.get(&station.id));
            (known.is_some() || learned.is_some()).then_some((&crop.id, known, learned))
        })
        .collect();
    format!(
        "{:?}",
        (
            &station.site_id,
            &station.container,
            station.method,
            &station.container_kind_id,
            &station.environment,
            known
        )
    )
}

/// Crops that serve a pledge, as they grow at a station.
fn grown_at(
    season: &Season,
    station: &SeasonStation,
    days: &SiteDays,
    left_out: LeftOut,
) -> Vec<ClassCrop> {
    let climate = climate(station, season.first_monday, season.weeks as usize);
    let working_days = working_days(days.in_season(), season.first_monday);
    let arc = |&(from, to, permille): &(usize, usize, i64)| Arc { from, to, permille };
    let mut grown: Vec<ClassCrop> = season
        .crops
        .iter()
        .filter(|crop| !crop.retired)
        .filter(|crop| season.pledges.iter().any(|pledge| serves(crop, pledge)))
        .filter(|crop| left_out.method || crop.profile.methods.contains(&station.method))
        .map(|crop| {
            let profile = &*crop.profile_at(&station.id);
            let arcs = growing_arcs(
                profile,
                &climate,
                &working_days,
                &station.container,
                crop.known.get(&station.id).copied().unwrap_or_default(),
                left_out.growth,
            );
            ClassCrop {
                crop: crop.id.clone(),
                smallest_sowing: profile.smallest_sowing,
                first: arcs.first.iter().map(arc).collect(),
                again: arcs.again.iter().map(arc).collect(),
                cut_dg: arcs.cut_decigrams,
                free_at: arcs.free_at,
                minutes10: WorkMinutes {
                    sow: profile.sow_minutes_tenths,
                    cut: profile.cut_minutes_tenths,
                    clean: profile.clean_minutes_tenths,
                },
                mix_dl: MixLitres {
                    sow: mixed_decilitres(profile.mix_at_sowing_millilitres, &station.container),
                    cut: mixed_decilitres(profile.mix_at_cut_millilitres, &station.container),
                },
                uses: BTreeMap::new(),
            }
        })
        .collect();
    grown.sort_by(|a, b| a.crop.cmp(&b.crop));
    grown
}

fn state_targets(season: &Season, directory: &Directory) -> Vec<Target> {
    let sites: Vec<String> = directory.sites.keys().map(|id| (*id).to_owned()).collect();
    let mut targets: Vec<Target> = season
        .pledges
        .iter()
        .map(|pledge| Target {
            id: pledge.id.clone(),
            crops: directory
                .crops
                .values()
                .filter(|crop| serves(crop, pledge))
                .map(|crop| crop.id.clone())
                .collect(),
            sites: sites.clone(),
            priority: i64::from(pledge.priority),
            pledge_dg: (0..u64::from(season.weeks))
                .map(|week| {
                    let monday = season.first_monday + Days::new(7 * week);
                    let holds = pledge.first_monday <= monday && monday <= pledge.last_monday;
                    if holds {
                        pledge.weekly_milligrams / 100
                    } else {
                        0
                    }
                })
                .collect(),
        })
        .collect();
    targets.sort_by(|a, b| a.id.cmp(&b.id));
    targets
}
