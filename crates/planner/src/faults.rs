//! Everything that can be wrong with a problem itself, and the readers of problems and plans.

use std::collections::{BTreeMap, HashSet};

use chrono::{Datelike, Days, Weekday};
use serde::Serialize;

use crate::problem::{
    Arc, Class, ClassCrop, PROBLEM_FORMAT, Problem, Share, Site, Station, Target,
};

mod reading;

pub use reading::{ReadError, read_plan, read_problem};

/// Greatest amount of anything in a problem or plan: products of two still fit in 64 bits.
pub const MOST_AMOUNT: i64 = 1_000_000_000;
/// Most weeks of a problem, about ten years.
pub const MOST_WEEKS: usize = 530;
/// Greatest day number: some weeks past the last possible week.
pub const MOST_DAY: u32 = 4000;

/// Something wrong with a problem.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// JSON pointer to the field.
    pub path: String,
    /// What is wrong, in words.
    pub message: String,
}

/// Everything wrong with a problem itself; empty when it is well formed.
pub fn faults(problem: &Problem) -> Vec<Fault> {
    let mut list = List::default();
    if problem.format != PROBLEM_FORMAT {
        list.add(
            "/format",
            format!("is {:?}, expected {PROBLEM_FORMAT:?}", problem.format),
        );
        return list.0;
    }
    list.calendar(problem);
    list.no_repeats("/crops", &problem.crops);
    list.no_repeats("/sites", problem.sites.iter().map(|site| &site.id));
    list.no_repeats("/classes", problem.classes.iter().map(|class| &class.id));
    list.no_repeats(
        "/stations",
        problem.stations.iter().map(|station| &station.id),
    );
    list.no_repeats("/targets", problem.targets.iter().map(|target| &target.id));
    list.no_repeats(
        "/consumables",
        problem.consumables.iter().map(|consumable| &consumable.id),
    );
    let known = Known::new(problem);
    for (n, site) in problem.sites.iter().enumerate() {
        list.site(&format!("/sites/{n}"), site, &known);
    }
    for (n, class) in problem.classes.iter().enumerate() {
        list.class(&format!("/classes/{n}"), class, &known);
    }
    for (n, station) in problem.stations.iter().enumerate() {
        list.station(&format!("/stations/{n}"), station, &known);
    }
    for (n, target) in problem.targets.iter().enumerate() {
        list.target(&format!("/targets/{n}"), target, &known);
    }
    list.committed(problem, &known);
    list.consumables(problem);
    list.objective(problem);
    list.adopted(problem, &known);
    for (n, share) in problem.shares.iter().enumerate() {
        list.share(&format!("/shares/{n}"), share, &known);
    }
    list.0
}

/// What ids stand for.
struct Known<'a> {
    weeks: usize,
    crops: HashSet<&'a str>,
    consumables: HashSet<&'a str>,
    sites: BTreeMap<&'a str, &'a Site>,
    classes: BTreeMap<&'a str, &'a Class>,
    stations: BTreeMap<&'a str, &'a Station>,
}

impl<'a> Known<'a> {
    fn new(problem: &'a Problem) -> Self {
        Self {
            weeks: problem.weeks.len(),
            crops: problem.crops.iter().map(String::as_str).collect(),
            consumables: problem
                .consumables
                .iter()
                .map(|item| item.id.as_str())
                .collect(),
            sites: problem
                .sites
                .iter()
                .map(|site| (site.id.as_str(), site))
                .collect(),
            classes: problem
                .classes
                .iter()
                .map(|class| (class.id.as_str(), class))
                .collect(),
            stations: problem
                .stations
                .iter()
                .map(|item| (item.id.as_str(), item))
                .collect(),
        }
    }
}

#[derive(Default)]
struct List(Vec<Fault>);

impl List {
    fn add(&mut self, path: impl Into<String>, message: impl Into<String>) {
        self.0.push(Fault {
            path: path.into(),
            message: message.into(),
        });
    }

    /// A whole number from `least` to [`MOST_AMOUNT`].
    fn amount(&mut self, path: impl FnOnce() -> String, value: i64, least: i64) {
        if value < least || value > MOST_AMOUNT {
            self.add(
                path(),
                format!("is {value}, expected {least} to {MOST_AMOUNT}"),
            );
        }
    }

    fn week(&mut self, path: impl FnOnce() -> String, week: usize, known: &Known) {
        if week >= known.weeks {
            self.add(path(), format!("week {week} is past the last week"));
        }
    }

    fn no_repeats<'a>(&mut self, path: &str, ids: impl IntoIterator<Item = &'a String>) {
        let mut seen = HashSet::new();
        for (n, id) in ids.into_iter().enumerate() {
            if !seen.insert(id) {
                self.add(format!("{path}/{n}"), format!("{id:?} is there twice"));
            }
        }
    }

    fn all_known(&mut self, path: &str, ids: &[String], is_known: impl Fn(&str) -> bool) {
        for (n, id) in ids.iter().enumerate() {
            if !is_known(id) {
                self.add(format!("{path}/{n}"), format!("{id:?} is unknown"));
            }
        }
        self.no_repeats(path, ids);
    }

    fn calendar(&mut self, problem: &Problem) {
        let start = problem.start_date;
        if start.weekday() != Weekday::Mon {
            self.add("/start_date", format!("{start} is not a Monday"));
        }
        // Four-digit years, so that no date of the plan can fall outside the calendar.
        if !(1..=9000).contains(&start.year()) {
            self.add("/start_date", "the year must be from 1 to 9000");
            return;
        }
        if problem.weeks.len() > MOST_WEEKS {
            self.add(
                "/weeks",
                format!("{} weeks, at most {MOST_WEEKS}", problem.weeks.len()),
            );
            return;
        }
        for (n, label) in problem.weeks.iter().enumerate() {
            let monday = start
                .checked_add_days(Days::new(7 * n as u64))
                .unwrap_or(start);
            let week = monday.iso_week();
            let expected = format!("{}-W{:02}", week.year(), week.week());
            if *label != expected {
                self.add(
                    format!("/weeks/{n}"),
                    format!("is {label:?}, expected {expected:?}"),
                );
            }
        }
    }

    fn site(&mut self, path: &str, site: &Site, known: &Known) {
        for (n, slot) in site.slots.iter().enumerate() {
            let path = || format!("{path}/slots/{n}");
            if slot.day > MOST_DAY {
                self.add(path(), format!("day {} is past day {MOST_DAY}", slot.day));
            }
            self.week(path, slot.week, known);
            if let Some(week) = slot.harvest_week {
                self.week(path, week, known);
            }
            if n > 0 && slot.day <= site.slots[n - 1].day {
                self.add(path(), "its day is not after the day before it in the list");
            }
            if n > 0 && slot.week < site.slots[n - 1].week {
                self.add(
                    path(),
                    "its week is before the week of the day before it in the list",
                );
            }
        }
        for (key, limit) in [
            ("minutes", &site.minutes),
            ("mixing_dl", &site.mixing_dl),
            ("most_sowings", &site.most_sowings),
        ] {
            let Some(limit) = limit else { continue };
            if limit.len() != known.weeks {
                self.add(format!("{path}/{key}"), "must have one value per week");
            }
            for (n, value) in limit.iter().enumerate() {
                if let Some(value) = *value {
                    self.amount(|| format!("{path}/{key}/{n}"), value, 0);
                }
            }
        }
    }

    fn class(&mut self, path: &str, class: &Class, known: &Known) {
        let Some(site) = known.sites.get(class.site.as_str()) else {
            self.add(
                format!("{path}/site"),
                format!("{:?} is unknown", class.site),
            );
            return;
        };
        self.no_repeats(
            &format!("{path}/crops"),
            class.crops.iter().map(|entry| &entry.crop),
        );
        for (n, entry) in class.crops.iter().enumerate() {
            self.class_crop(&format!("{path}/crops/{n}"), entry, site.slots.len(), known);
        }
    }

    fn class_crop(&mut self, path: &str, entry: &ClassCrop, slots: usize, known: &Known) {
        if !known.crops.contains(entry.crop.as_str()) {
            self.add(
                format!("{path}/crop"),
                format!("{:?} is unknown", entry.crop),
            );
        }
        self.amount(
            || format!("{path}/smallest_sowing"),
            entry.smallest_sowing,
            0,
        );
        self.arcs(&format!("{path}/first"), &entry.first, slots);
        self.arcs(&format!("{path}/again"), &entry.again, slots);
        if entry.cut_dg.is_empty() {
            self.add(format!("{path}/cut_dg"), "must have at least one cut");
        }
        for (n, &dg) in entry.cut_dg.iter().enumerate() {
            self.amount(|| format!("{path}/cut_dg/{n}"), dg, 0);
        }
        if entry.free_at.len() != slots {
            self.add(
                format!("{path}/free_at"),
                "must have one value per slot of the site",
            );
        }
        for (n, &free) in entry.free_at.iter().enumerate() {
            if free < n || free > slots {
                self.add(
                    format!("{path}/free_at/{n}"),
                    format!("is {free}, expected {n} to {slots}"),
                );
            }
        }
        let minutes = &entry.minutes10;
        for (key, value) in [
            ("minutes10/sow", minutes.sow),
            ("minutes10/cut", minutes.cut),
            ("minutes10/clean", minutes.clean),
            ("mix_dl/sow", entry.mix_dl.sow),
            ("mix_dl/cut", entry.mix_dl.cut),
        ] {
            self.amount(|| format!("{path}/{key}"), value, 0);
        }
        for (id, &units) in &entry.uses {
            if !known.consumables.contains(id.as_str()) {
                self.add(format!("{path}/uses"), format!("{id:?} is unknown"));
            }
            self.amount(|| format!("{path}/uses/{id}"), units, 0);
        }
    }

    fn arcs(&mut self, path: &str, arcs: &[Arc], slots: usize) {
        let mut seen = HashSet::new();
        for (n, arc) in arcs.iter().enumerate() {
            if arc.from >= arc.to || arc.to >= slots {
                self.add(
                    format!("{path}/{n}"),
                    format!("goes from slot {} to {} of {slots}", arc.from, arc.to),
                );
            }
            if !seen.insert((arc.from, arc.to)) {
                self.add(
                    format!("{path}/{n}"),
                    format!(
                        "the arc from slot {} to {} is there twice",
                        arc.from, arc.to
                    ),
                );
            }
            self.amount(|| format!("{path}/{n}/2"), arc.permille, 0);
        }
    }

    fn station(&mut self, path: &str, station: &Station, known: &Known) {
        self.amount(|| format!("{path}/places"), station.places, 0);
        let Some(site) = known.sites.get(station.site.as_str()) else {
            self.add(
                format!("{path}/site"),
                format!("{:?} is unknown", station.site),
            );
            return;
        };
        match known.classes.get(station.class.as_str()) {
            None => self.add(
                format!("{path}/class"),
                format!("{:?} is unknown", station.class),
            ),
            Some(class) if class.site != station.site => self.add(
                format!("{path}/class"),
                format!("{:?} is a class of site {:?}", class.id, class.site),
            ),
            Some(_) => {}
        }
        let mut taken = vec![0_i64; site.slots.len()];
        for (n, &(first, end, places)) in station.taken.iter().enumerate() {
            self.amount(|| format!("{path}/taken/{n}/2"), places, 0);
            if first > end || end > taken.len() {
                self.add(
                    format!("{path}/taken/{n}"),
                    format!("slots {first} to {end} are not a run of the site's slots"),
                );
                continue;
            }
            for slot in &mut taken[first..end] {
                *slot = slot.saturating_add(places);
            }
        }
        if let Some(slot) = taken.iter().position(|&places| places > station.places) {
            self.add(
                format!("{path}/taken"),
                format!(
                    "{} of {} places taken on slot {slot}",
                    taken[slot], station.places
                ),
            );
        }
    }

    fn target(&mut self, path: &str, target: &Target, known: &Known) {
        self.all_known(&format!("{path}/crops"), &target.crops, |id| {
            known.crops.contains(id)
        });
        self.all_known(&format!("{path}/sites"), &target.sites, |id| {
            known.sites.contains_key(id)
        });
        self.amount(|| format!("{path}/priority"), target.priority, 1);
        if target.pledge_dg.len() != known.weeks {
            self.add(format!("{path}/pledge_dg"), "must have one value per week");
        }
        for (n, &dg) in target.pledge_dg.iter().enumerate() {
            self.amount(|| format!("{path}/pledge_dg/{n}"), dg, 0);
        }
    }

    fn committed(&mut self, problem: &Problem, known: &Known) {
        for (n, item) in problem.committed.iter().enumerate() {
            if !known.sites.contains_key(item.site.as_str()) {
                self.add(
                    format!("/committed/{n}/site"),
                    format!("{:?} is unknown", item.site),
                );
            }
            if !known.crops.contains(item.crop.as_str()) {
                self.add(
                    format!("/committed/{n}/crop"),
                    format!("{:?} is unknown", item.crop),
                );
            }
            self.week(|| format!("/committed/{n}/week"), item.week, known);
            self.amount(|| format!("/committed/{n}/dg"), item.dg, 0);
        }
        for (n, item) in problem.committed_work.iter().enumerate() {
            let path = format!("/committed_work/{n}");
            if !known.sites.contains_key(item.site.as_str()) {
                self.add(
                    format!("{path}/site"),
                    format!("{:?} is unknown", item.site),
                );
            }
            self.week(|| format!("{path}/week"), item.week, known);
            self.amount(|| format!("{path}/minutes10"), item.minutes10, 0);
            self.amount(|| format!("{path}/mixing_dl"), item.mixing_dl, 0);
        }
    }

    fn consumables(&mut self, problem: &Problem) {
        for (n, item) in problem.consumables.iter().enumerate() {
            let path = format!("/consumables/{n}");
            self.amount(|| format!("{path}/stock"), item.stock, 0);
            self.amount(|| format!("{path}/price_cents10"), item.price_cents10, 0);
            self.amount(|| format!("{path}/most_per_week"), item.most_per_week, 0);
        }
    }

    fn objective(&mut self, problem: &Problem) {
        let objective = &problem.objective;
        let bands = &objective.shortfall_bands;
        for (n, &(share, slope)) in bands.iter().enumerate() {
            let path = format!("/objective/shortfall_bands/{n}");
            self.amount(|| format!("{path}/0"), share, 0);
            self.amount(|| format!("{path}/1"), slope, 0);
            if n > 0 && slope < bands[n - 1].1 {
                self.add(path, "the slope is less than that of the band before");
            }
        }
        let shares = bands
            .iter()
            .fold(0_i64, |sum, band| sum.saturating_add(band.0));
        if shares != 1000 {
            self.add(
                "/objective/shortfall_bands",
                format!("the shares add up to {shares}, not 1000"),
            );
        }
        for (key, value) in [
            ("surplus_per_g", objective.surplus_per_g),
            ("cost_per_cent", objective.cost_per_cent),
            ("labour_per_minute", objective.labour_per_minute),
            ("change_per_container", objective.change_per_container),
        ] {
            self.amount(|| format!("/objective/{key}"), value, 0);
        }
    }

    fn adopted(&mut self, problem: &Problem, known: &Known) {
        for (n, sowing) in problem.adopted.iter().flatten().enumerate() {
            let path = format!("/adopted/{n}");
            if !known.stations.contains_key(sowing.station.as_str()) {
                self.add(
                    format!("{path}/station"),
                    format!("{:?} is unknown", sowing.station),
                );
            }
            self.amount(|| format!("{path}/containers"), sowing.containers, 0);
        }
    }

    fn share(&mut self, path: &str, share: &Share, known: &Known) {
        self.all_known(&format!("{path}/crops"), &share.crops, |id| {
            known.crops.contains(id)
        });
        self.all_known(&format!("{path}/sites"), &share.sites, |id| {
            known.sites.contains_key(id)
        });
        if !known.crops.contains(share.crop.as_str()) {
            self.add(
                format!("{path}/crop"),
                format!("{:?} is unknown", share.crop),
            );
        }
        for (key, permille) in [
            ("min_permille", share.min_permille),
            ("max_permille", share.max_permille),
        ] {
            if let Some(permille) = permille {
                self.amount(|| format!("{path}/{key}"), permille, 0);
            }
        }
        if share.weeks == 0 || share.weeks > MOST_WEEKS {
            self.add(
                format!("{path}/weeks"),
                format!("must be from 1 to {MOST_WEEKS}"),
            );
        }
    }
}
