//! What stands at a site, as far as it brings work. Days are days at the site.

use std::collections::BTreeSet;

use chrono::{NaiveDate, Weekday};
use cotyl_calendar::SiteCalendar;
use uuid::Uuid;

/// A site with everything that brings work.
#[derive(Debug, Clone)]
pub struct SiteFacts {
    /// The site.
    pub site_id: Uuid,
    /// Its zone, hours and closures.
    pub calendar: SiteCalendar,
    /// Today.
    pub today: NaiveDate,
    /// Sowings that are planned or stand; those that are over bring no work.
    pub sowings: Vec<SowingFacts>,
    /// Its stations.
    pub stations: Vec<StationFacts>,
    /// Readings of solution where something stands, in the order in which they were taken.
    pub readings: Vec<ReadingFacts>,
    /// Batches that are being mixed.
    pub batches: Vec<BatchFacts>,
    /// Solution that there is and is needed.
    pub solution: SolutionFacts,
    /// Its store; `None` while nothing was ever kept there.
    pub stock: Option<StockFacts>,
    /// Recipients that are in use.
    pub recipients: Vec<RecipientFacts>,
    /// Occasions of work that was done.
    pub finished: BTreeSet<String>,
}

/// Where a sowing stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum SowingStage {
    /// To be sown.
    Planned,
    /// Sown, nothing seen yet.
    Sown,
    /// Seedlings stand.
    Sprouted,
    /// At least one cut was taken.
    Cutting,
}

/// A sowing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SowingFacts {
    /// The sowing.
    pub id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// Containers.
    pub containers: u32,
    /// Where it stands.
    pub stage: SowingStage,
    /// The day on which it was sown, or is to be.
    pub sow_on: NaiveDate,
    /// The day on which it should come up.
    pub emergence_on: NaiveDate,
    /// Looks for seedlings that were finished or missed: how many, and the day of the last.
    pub looks: Option<(u32, NaiveDate)>,
    /// Its cuts, the first first.
    pub cuts: Vec<CutFacts>,
    /// The day from which its places are free again.
    pub free_on: NaiveDate,
    /// The liquid in its containers, where they are still.
    pub liquid: Option<LiquidFacts>,
    /// What its crop likes.
    pub range: CropRange,
    /// Work on one container.
    pub minutes: CropMinutes,
}

/// A cut of a sowing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CutFacts {
    /// Which one, from 1.
    pub number: u32,
    /// Its day, as things stand.
    pub day: NaiveDate,
    /// The day from which the crop is ready, where that is known.
    pub ready_on: Option<NaiveDate>,
    /// The last day that it may wait, where that is known.
    pub holds_until: Option<NaiveDate>,
    /// Whether it was taken.
    pub taken: bool,
}

/// The liquid in the containers of a sowing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LiquidFacts {
    /// The day on which they were filled last.
    pub filled_on: NaiveDate,
    /// The day in the course of which they may fall below their mark; `None` beyond what is looked.
    pub low_on: Option<NaiveDate>,
    /// How many of them wait for it: all, or those that a part of the work left.
    pub containers: u32,
    /// What to pour into all of these then.
    pub microlitres: i64,
}

/// The solution that a crop likes: thousandths of pH, microsiemens per centimetre.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CropRange {
    /// Lowest pH.
    pub ph_low: i32,
    /// Highest pH.
    pub ph_high: i32,
    /// Lowest conductivity.
    pub ec_low: i32,
    /// Highest conductivity.
    pub ec_high: i32,
}

/// Tenths of a minute of work on one container, by the profile of the crop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CropMinutes {
    /// To sow it.
    pub sow_tenths: u32,
    /// To cut it once.
    pub cut_tenths: u32,
    /// To clear and clean it.
    pub clean_tenths: u32,
}

/// A station.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StationFacts {
    /// The station.
    pub id: Uuid,
    /// Whether its solution is aerated: such containers are not turned round.
    pub aerated: bool,
    /// The day on which its solution was measured last.
    pub measured_on: Option<NaiveDate>,
}

/// A reading of solution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReadingFacts {
    /// The reading.
    pub id: Uuid,
    /// The station at which it was taken.
    pub station_id: Uuid,
    /// The sowing, where it was taken of its containers alone.
    pub sowing_id: Option<Uuid>,
    /// The day.
    pub read_on: NaiveDate,
    /// Thousandths of pH.
    pub ph: Option<i32>,
    /// Microsiemens per centimetre at 25 °C.
    pub ec: Option<i32>,
}

impl CropRange {
    /// Whether a reading lies outside.
    #[must_use]
    pub fn leaves_out(&self, reading: &ReadingFacts) -> bool {
        let out = |value: Option<i32>, low, high| value.is_some_and(|it| it < low || it > high);
        out(reading.ph, self.ph_low, self.ph_high) || out(reading.ec, self.ec_low, self.ec_high)
    }
}

/// A batch that is being mixed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BatchFacts {
    /// The batch.
    pub id: Uuid,
    /// The day on which it was begun.
    pub begun_on: NaiveDate,
}

/// Solution that there is, and what is needed beside what topping up needs.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SolutionFacts {
    /// What is left in batches that can be used or are being mixed.
    pub left_microlitres: i64,
    /// What is needed on which day, in the order of the days.
    pub needs: Vec<(NaiveDate, i64)>,
}

/// A store.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StockFacts {
    /// The day of the last stock-taking, or the first on which something was there.
    pub counted_on: NaiveDate,
}

/// A recipient.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipientFacts {
    /// The recipient.
    pub id: Uuid,
    /// Weekdays on which it receives produce.
    pub weekdays: Vec<Weekday>,
    /// Days that cut greens may wait for it.
    pub keep_days: u32,
    /// What it was promised.
    pub pledges: Vec<PledgeFacts>,
    /// Days on which this site handed something over to it.
    pub delivered_on: Vec<NaiveDate>,
    /// Days on which something was packed for it at this site.
    pub packed_on: Vec<NaiveDate>,
}

/// A promise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PledgeFacts {
    /// Monday of the first week.
    pub first_monday: NaiveDate,
    /// Monday of the last week.
    pub last_monday: NaiveDate,
    /// Crops that count towards it.
    pub crop_ids: Vec<Uuid>,
}

impl RecipientFacts {
    /// The delivery day that a cut of a crop goes out on, where it was promised there.
    #[must_use]
    pub fn delivery_of(&self, crop_id: Uuid, cut_on: NaiveDate) -> Option<NaiveDate> {
        let week = cotyl_calendar::delivery_week(cut_on, &self.weekdays, self.keep_days)?;
        let promised = self.pledges.iter().any(|pledge| {
            (pledge.first_monday..=pledge.last_monday).contains(&week.monday())
                && pledge.crop_ids.contains(&crop_id)
        });
        if !promised {
            return None;
        }
        cut_on
            .iter_days()
            .take(7)
            .find(|day| self.weekdays.contains(&chrono::Datelike::weekday(day)))
    }
}
