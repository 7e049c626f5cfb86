//! The problem the planner reads: `planning-problem/1`.
//!
//! Growth has been worked out beforehand: the problem says which cuts are possible and what they
//! give, not why. Every number is an integer. Units: weights in decigrams (`dg`), work in tenths of
//! a minute (`minutes10`), liquid in decilitres (`dl`), money in tenths of a cent
//! (`price_cents10`), shares and objective weights in thousandths. Intervals of indexes are
//! half-open.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// The value of [`Problem::format`].
pub const PROBLEM_FORMAT: &str = "planning-problem/1";

/// A whole planning problem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Problem {
    /// Always [`PROBLEM_FORMAT`].
    pub format: String,
    /// A short name, repeated in the plan.
    pub name: String,
    /// The Monday of the first week; day numbers count from it.
    pub start_date: NaiveDate,
    /// Consecutive ISO week labels such as `2026-W37`.
    pub weeks: Vec<String>,
    /// Crop ids.
    pub crops: Vec<String>,
    /// Sites with their working days and limits.
    pub sites: Vec<Site>,
    /// Stations alike for growing.
    pub classes: Vec<Class>,
    /// Places for containers.
    pub stations: Vec<Station>,
    /// Pledges by week.
    pub targets: Vec<Target>,
    /// Expected harvest of sowings already in the ground.
    pub committed: Vec<Committed>,
    /// Work that those sowings still need.
    pub committed_work: Vec<CommittedWork>,
    /// What a sowing uses up.
    pub consumables: Vec<Consumable>,
    /// Weights of the objective.
    pub objective: Objective,
    /// Which limits hold.
    pub rules: Rules,
    /// The plan adopted earlier, for the change cost.
    pub adopted: Option<Vec<Sowing>>,
    /// Scatter of yield by crop, for simulation only.
    #[serde(default)]
    pub spread: BTreeMap<String, Spread>,
    /// Variety shares over rolling runs of weeks.
    #[serde(default)]
    pub shares: Vec<Share>,
}

/// A site: its working days and weekly limits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Site {
    /// Unique id.
    pub id: String,
    /// Working days in ascending order; "slot i" is an index in this list.
    pub slots: Vec<Slot>,
    /// Minutes of work per week; `None` for no limit.
    pub minutes: Option<Vec<Option<i64>>>,
    /// Decilitres that can be mixed per week.
    pub mixing_dl: Option<Vec<Option<i64>>>,
    /// Most batches sown per week.
    pub most_sowings: Option<Vec<Option<i64>>>,
}

/// A working day of a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Slot {
    /// Day number from [`Problem::start_date`].
    pub day: u32,
    /// Week in which work on this day is booked.
    pub week: usize,
    /// Week in which greens cut that day are delivered; `None` when no pledge week receives them.
    pub harvest_week: Option<usize>,
}

/// Stations of one site that are alike for growing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Class {
    /// Unique id.
    pub id: String,
    /// Site id.
    pub site: String,
    /// What can be grown here.
    pub crops: Vec<ClassCrop>,
}

/// A crop as it grows in a class.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassCrop {
    /// Crop id.
    pub crop: String,
    /// Least containers of one batch (same class, crop, sow slot).
    pub smallest_sowing: i64,
    /// Arcs `[sow slot, first cut slot, permille]`.
    pub first: Vec<Arc>,
    /// Arcs `[cut slot, next cut slot, permille]`.
    pub again: Vec<Arc>,
    /// Decigrams per container of cut 1, 2, ... at 1000 permille, after germination losses.
    pub cut_dg: Vec<i64>,
    /// After a last cut on slot b the place is free again from slot `free_at[b]`.
    pub free_at: Vec<usize>,
    /// Work per container.
    pub minutes10: WorkMinutes,
    /// Solution mixed per container.
    pub mix_dl: MixLitres,
    /// Units of each consumable per container, taken in the sow week.
    pub uses: BTreeMap<String, i64>,
}

/// An arc between two slots with its share of the reference weight; written as a triple.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "(usize, usize, i64)", into = "(usize, usize, i64)")]
pub struct Arc {
    /// Slot it starts on.
    pub from: usize,
    /// Slot it ends on, later than `from`.
    pub to: usize,
    /// Thousandths of the reference weight.
    pub permille: i64,
}

impl From<(usize, usize, i64)> for Arc {
    fn from((from, to, permille): (usize, usize, i64)) -> Self {
        Self { from, to, permille }
    }
}

impl From<Arc> for (usize, usize, i64) {
    fn from(arc: Arc) -> Self {
        (arc.from, arc.to, arc.permille)
    }
}

/// Tenths of a minute per container.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct WorkMinutes {
    /// To sow.
    pub sow: i64,
    /// For every cut.
    pub cut: i64,
    /// To clear and clean after the last cut.
    pub clean: i64,
}

/// Decilitres of solution per container.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct MixLitres {
    /// At sowing.
    pub sow: i64,
    /// At every cut but the last.
    pub cut: i64,
}

/// A place for containers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Station {
    /// Unique id.
    pub id: String,
    /// Site id.
    pub site: String,
    /// Class id; the class is of the same site.
    pub class: String,
    /// Containers it holds.
    pub places: i64,
    /// `[first slot, end slot, places]` not available; entries may overlap and add up.
    pub taken: Vec<(usize, usize, i64)>,
}

/// A pledge by week.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// Unique id.
    pub id: String,
    /// Crops whose harvest may serve it.
    pub crops: Vec<String>,
    /// Sites whose harvest may serve it.
    pub sites: Vec<String>,
    /// At least 1.
    pub priority: i64,
    /// Decigrams pledged in each week.
    pub pledge_dg: Vec<i64>,
}

/// Expected harvest of sowings already in the ground.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Committed {
    /// Site id.
    pub site: String,
    /// Crop id.
    pub crop: String,
    /// Week of delivery.
    pub week: usize,
    /// Decigrams.
    pub dg: i64,
}

/// Work of sowings already in the ground.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CommittedWork {
    /// Site id.
    pub site: String,
    /// Week of the work.
    pub week: usize,
    /// Tenths of a minute.
    pub minutes10: i64,
    /// Decilitres to mix.
    pub mixing_dl: i64,
}

/// Something a sowing uses up, with its supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Consumable {
    /// Unique id.
    pub id: String,
    /// Units on hand.
    pub stock: i64,
    /// Tenths of a cent per unit.
    pub price_cents10: i64,
    /// Purchases arrive in this week or later.
    pub lead_weeks: usize,
    /// Most units received in one week.
    pub most_per_week: i64,
    /// What one unit is, as text.
    #[serde(default)]
    pub unit: String,
}

/// Weights of the objective, in thousandths of a point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Objective {
    /// `[share in permille, slope]`; shares add up to 1000, slopes do not descend.
    pub shortfall_bands: Vec<(i64, i64)>,
    /// Per gram of harvest that serves no pledge.
    pub surplus_per_g: i64,
    /// Per cent spent.
    pub cost_per_cent: i64,
    /// Per minute of work.
    pub labour_per_minute: i64,
    /// Per container by which a batch differs from the adopted plan.
    pub change_per_container: i64,
}

/// Which limits hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rules {
    /// Minutes per site and week.
    pub minutes: bool,
    /// Mixing per site and week.
    pub mixing: bool,
    /// Consumables never run out.
    pub stock: bool,
    /// Batches have a least size.
    pub smallest_sowing: bool,
    /// Batches per site and week have a limit.
    pub most_sowings: bool,
}

/// Scatter of a crop's yield.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Spread {
    /// Coefficient of variation of a sowing's yield, in thousandths.
    pub cv_permille: i64,
    /// Share of seeds that germinate, in thousandths.
    pub germination_permille: i64,
}

/// A share of one crop in the harvest of several, over every run of `weeks` weeks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Share {
    /// The crops whose harvest is the whole.
    pub crops: Vec<String>,
    /// The sites that count.
    pub sites: Vec<String>,
    /// The crop whose share is limited.
    pub crop: String,
    /// Least share in thousandths.
    pub min_permille: Option<i64>,
    /// Greatest share in thousandths.
    pub max_permille: Option<i64>,
    /// Length of a run in weeks.
    pub weeks: usize,
    /// First week of the first run.
    pub from_week: usize,
}

/// Containers of one crop at one station sown on one day, with their cut days.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sowing {
    /// Station id.
    pub station: String,
    /// Crop id.
    pub crop: String,
    /// Day of sowing.
    pub sow: NaiveDate,
    /// More than 0.
    pub containers: i64,
    /// Days of the cuts in order; may be missing in an adopted plan.
    #[serde(default)]
    pub cuts: Vec<NaiveDate>,
}
