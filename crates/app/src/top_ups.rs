//! Which containers will be low when, and how far they may be filled.

mod water_course;

use chrono::{DateTime, Days, NaiveDate, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::quantity::Volume;
use cotyl_domain::{Operation, Refusal};
use cotyl_growth::water::{END_OF_CROP_PERMILLE, REFILL_SOURCE};
pub use cotyl_growth::water::{RefillLimit, RefillRule, WATER_USE_SOURCE};
use cotyl_store::levels::{ReadyBatch, ready_batches};
use cotyl_store::{Tx, sites, sowings};
use uuid::Uuid;

use crate::input::Problems;
use crate::sowings::stood_at;
use crate::{App, Caller, Error, Result};

pub(crate) use water_course::{WaterCourse, load_site, vessel_of};

/// Thousandths of the fill line at which a container counts as low when nothing else is asked for.
/// Common practice, no source; a still crop has come to its end at 100.
pub const USUAL_MARK_PERMILLE: i64 = 250;

/// Days that are looked past the asked ones, for containers that run low while the site is closed.
const DAYS_BEYOND: u64 = 100;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TopUpsWanted {
    /// The site.
    pub site_id: Uuid,
    /// Days from today on which people can top up.
    pub days: u32,
    /// Thousandths of the fill line at which a container counts as low.
    pub mark_permille: i64,
}

/// Top-ups that are due at a site.
#[derive(Debug, Clone, PartialEq)]
pub struct TopUps {
    /// Today at the site.
    pub today: NaiveDate,
    /// Each sowing whose containers will be low, by the day on which to top up.
    pub items: Vec<TopUp>,
    /// What all of them take.
    pub microlitres: i64,
    /// Batches of solution at the site that can be used, with what is left of each.
    pub batches: Vec<ReadyBatch>,
    /// What they lack to cover it.
    pub lacking_microlitres: i64,
}

/// A sowing whose containers will be low. Levels are those of one container.
#[derive(Debug, Clone, PartialEq)]
pub struct TopUp {
    /// The sowing.
    pub sowing_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Name of the station.
    pub station_name: String,
    /// Its crop.
    pub crop_id: Uuid,
    /// Name of the crop.
    pub crop_name: String,
    /// Containers that wait for it: all, or those that a part of the work left.
    pub containers: i32,
    /// Level at the start of today.
    pub level_microlitres: i64,
    /// The mark.
    pub mark_microlitres: i64,
    /// Level below which a still crop has come to its end.
    pub end_microlitres: i64,
    /// The day in the course of which the level is expected to fall below the mark; `None` when that
    /// is further off than is looked.
    pub low_on: Option<NaiveDate>,
    /// The same with the greatest use that is published, or with the use that readings showed.
    pub low_on_at_the_earliest: NaiveDate,
    /// The open day on which to top up.
    pub top_up_on: NaiveDate,
    /// Whether that is after it may have become low.
    pub late: bool,
    /// Why the site is closed on the day on which it becomes low.
    pub closure: Option<String>,
    /// Level expected on the day of topping up.
    pub level_then_microlitres: i64,
    /// How far it may be filled.
    pub limit: RefillLimit,
    /// What to pour into one container.
    pub add_microlitres: i64,
    /// What to pour into all of them.
    pub add_in_all_microlitres: i64,
    /// A batch that has enough left for it.
    pub batch_id: Option<Uuid>,
}

/// How far the containers of a sowing may be filled now. Levels are those of one container.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RefillAnswer {
    /// Containers that may be filled: all, or those that a part of a top-up left.
    pub containers: i32,
    /// Level now, as it is reckoned.
    pub level_microlitres: i64,
    /// How far it may be filled.
    pub limit: RefillLimit,
    /// What may be poured into one container.
    pub may_add_microlitres: i64,
}

impl TopUp {
    fn of(course: &WaterCourse, wanted: &TopUpsWanted) -> Result<Option<Self>> {
        let sowing = &course.sowing;
        let vessel = course.vessel;
        let mark = vessel.fill_microlitres * wanted.mark_permille / 1000;
        let today = course.today;
        let until = today + Days::new(u64::from(wanted.days) + DAYS_BEYOND);
        let expected = course.coming_use(until)?;
        let on = |day: usize| today + Days::new(day as u64);
        let low = course.level.low_day(mark, &expected).map(on);
        let Some(earliest) = course.cautious.low_day(mark, &expected).map(on) else {
            return Ok(None);
        };
        let calendar = &course.ground.calendar;
        let before = calendar
            .previous_open_day(earliest)
            .filter(|day| *day >= today);
        let Some(top_up_on) = before.or_else(|| calendar.next_open_day(today)) else {
            return Ok(None);
        };
        if top_up_on > today + Days::new(wanted.days.into()) {
            return Ok(None);
        }
        let offset = usize::try_from((top_up_on - today).num_days()).unwrap_or(0);
        let levels = course.level.course(&expected);
        let level_then = levels.get(offset).copied().unwrap_or(0);
        let limit = course.limit_at(level_then);
        let add = (limit.highest_microlitres - level_then).max(0);
        Ok(Some(Self {
            sowing_id: sowing.id,
            station_id: sowing.station_id,
            station_name: sowing.station_name.clone(),
            crop_id: sowing.crop_id,
            crop_name: sowing.crop_name.clone(),
            containers: course.left,
            level_microlitres: course.level.microlitres,
            mark_microlitres: mark,
            end_microlitres: vessel.fill_microlitres * END_OF_CROP_PERMILLE / 1000,
            low_on: low,
            low_on_at_the_earliest: earliest,
            top_up_on,
            late: top_up_on > earliest,
            closure: calendar
                .closure_on(earliest)
                .map(|closure| closure.reason().to_owned()),
            level_then_microlitres: level_then,
            limit,
            add_microlitres: add,
            add_in_all_microlitres: add.saturating_mul(course.left.into()),
            batch_id: None,
        }))
    }
}

impl App {
    /// Containers at a site that will be low, with what to pour into them on which open day.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Error::NotFound`] when there is no such site within the reach of the
    /// member.
    pub async fn read_top_ups(&self, caller: &Caller, wanted: &TopUpsWanted) -> Result<TopUps> {
        let mut problems = Problems::new();
        problems.within("days", wanted.days.into(), 0, 60);
        problems.within(
            "mark_permille",
            wanted.mark_permille,
            END_OF_CROP_PERMILLE,
            900,
        );
        problems.finish()?;
        let operation = Operation::ReadTopUps;
        let now = self.clock().now();
        self.read(operation, caller, async |tx, actor| {
            let site = sites::get(tx, wanted.site_id)
                .await?
                .filter(|site| operation.reach(actor).covers_site(site.id))
                .ok_or(Error::NotFound("site"))?;
            let zone: cotyl_calendar::SiteZone =
                site.fields.zone.parse().map_err(Error::internal)?;
            let mut items = Vec::new();
            for course in load_site(tx, wanted.site_id, now).await? {
                items.extend(TopUp::of(&course, wanted)?);
            }
            items.sort_by_key(|item| (item.top_up_on, item.low_on_at_the_earliest, item.sowing_id));
            let batches = ready_batches(tx, wanted.site_id).await?;
            allot(&mut items, &batches);
            let microlitres = items.iter().map(|item| item.add_in_all_microlitres).sum();
            let left: i64 = batches.iter().map(|batch| batch.left_microlitres).sum();
            Ok(TopUps {
                today: zone.today(now),
                items,
                microlitres,
                batches,
                lacking_microlitres: (microlitres - left).max(0),
            })
        })
        .await
    }

    /// Whether so much may be poured into the containers of a sowing, all together.
    ///
    /// # Errors
    /// [`Refusal::PastRefillLimit`] when it may not; [`Refusal::WrongState`] for a sowing that is
    /// over; [`Error::NotFound`].
    pub async fn check_top_up(
        &self,
        caller: &Caller,
        sowing_id: Uuid,
        microlitres: i64,
    ) -> Result<RefillAnswer> {
        let operation = Operation::CheckTopUp;
        self.read(operation, caller, async |tx, actor| {
            sowings::get(tx, sowing_id)
                .await?
                .filter(|view| operation.reach(actor).covers_site(view.sowing.site_id))
                .ok_or_else(|| {
                    Error::field(
                        "/sowing_id",
                        "unknown",
                        "there is no such sowing in this co-operative or in your reach",
                    )
                })?;
            let now = self.clock().now();
            self.require_within_refill_limit(tx, sowing_id, (microlitres, None), now)
                .await
        })
        .await
    }

    /// The rule behind [`Self::check_top_up`], for use cases that pour solution into a sowing: into so many
    /// of its containers, or into all that wait for it. On the day of sowing, and before, it is the first
    /// filling that is checked. What was poured earlier than now is held to the level that stood then, since
    /// a reading that was made later shows it already; and, until there is such a reading, to the level after
    /// everything that was poured after it.
    ///
    /// # Errors
    /// As [`Self::check_top_up`].
    pub(crate) async fn require_within_refill_limit(
        &self,
        tx: &mut Tx,
        sowing_id: Uuid,
        (microlitres, containers): (i64, Option<i32>),
        at: DateTime<Utc>,
    ) -> Result<RefillAnswer> {
        if microlitres <= 0 {
            return Err(Error::field(
                "/volume",
                "range",
                "must be more than nothing",
            ));
        }
        let view = sowings::get(tx, sowing_id)
            .await?
            .ok_or(Error::NotFound("sowing"))?;
        let zone: SiteZone = view.zone.parse().map_err(Error::internal)?;
        if view.sowing.state.0.is_over() && !stood_at(tx, &view.sowing, zone, at).await? {
            return Err(Refusal::WrongState {
                what: "the sowing".into(),
                state: view.sowing.state.0.as_str().into(),
                step: "topped up".into(),
            }
            .into());
        }
        let now = self.clock().now();
        let sowing = &view.sowing;
        let answer = water_course::refill_at(tx, sowing, at, now).await?;
        require_room_for(microlitres, containers, &answer)?;
        if at < now {
            for later in water_course::poured_until_read(tx, sowing, at).await? {
                let then = water_course::refill_at(tx, sowing, later, now).await?;
                require_room_for(microlitres, containers, &then)?;
            }
        }
        Ok(answer)
    }
}

/// So much may be poured into so many containers, or into all that wait for it.
fn require_room_for(microlitres: i64, containers: Option<i32>, room: &RefillAnswer) -> Result<()> {
    let into = containers.unwrap_or(room.containers);
    let wanted = microlitres / i64::from(into.max(1));
    if wanted <= room.may_add_microlitres {
        return Ok(());
    }
    Err(Refusal::PastRefillLimit {
        level: Volume::of_microlitres(room.level_microlitres),
        wanted: Volume::of_microlitres(wanted),
        highest: Volume::of_microlitres(room.limit.highest_microlitres),
        may_add: Volume::of_microlitres(room.may_add_microlitres),
        why: reason(room.limit.rule),
        rule_source: source(room.limit.rule),
    }
    .into())
}

/// Gives each top-up the oldest batch that still has enough, in the order of their days.
fn allot(items: &mut [TopUp], batches: &[ReadyBatch]) {
    let mut left: Vec<(Uuid, i64)> = batches
        .iter()
        .map(|batch| (batch.id, batch.left_microlitres))
        .collect();
    for item in items {
        let wanted = item.add_in_all_microlitres;
        let found = left
            .iter_mut()
            .find(|(_, microlitres)| wanted > 0 && *microlitres >= wanted);
        item.batch_id = found.map(|(id, microlitres)| {
            *microlitres -= wanted;
            *id
        });
    }
}

/// Why a container may not be filled further, in words.
#[must_use]
pub fn reason(rule: RefillRule) -> &'static str {
    match rule {
        RefillRule::FillLine => "the fill line of the container kind",
        RefillRule::KindLimit => {
            "roots hang in the air above the liquid and take oxygen there; the refill limit of the container kind keeps them dry"
        }
        RefillRule::Rise => {
            "roots hang in the air above the liquid; raising it by more than 2 cm may injure them"
        }
    }
}

/// Where the rule comes from.
#[must_use]
pub fn source(rule: RefillRule) -> &'static str {
    match rule {
        RefillRule::FillLine => "the co-operative's own description of the container kind",
        RefillRule::KindLimit | RefillRule::Rise => REFILL_SOURCE,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rules_about_air_roots_name_their_source() {
        for rule in [RefillRule::KindLimit, RefillRule::Rise] {
            assert!(reason(rule).contains("roots") && source(rule).contains("648:83-89"));
        }
    }
}
