//! Steps of a sowing: what happened, what follows for its tasks and its places.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use cotyl_domain::Refusal;
use cotyl_domain::sowing::SowingState;
use cotyl_domain::task::TaskKind;
use cotyl_store::Tx;
use cotyl_store::sowings::{self, Sowing, SowingEvent, StateColumn};
use cotyl_store::tasks::{self, Done};
use serde::Deserialize;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::growing::Ground;
use crate::{App, Caller, Error, Result};

/// Something that happened to a sowing. Days are local days of its site.
#[derive(Debug, Clone)]
pub enum SowingStep {
    /// Seed is in the medium.
    Sown {
        /// When.
        on: NaiveDate,
    },
    /// Seedlings stand.
    Sprouted {
        /// When.
        on: NaiveDate,
        /// In how many containers, where it was counted.
        count: Option<i32>,
    },
    /// A cut was taken.
    Cut {
        /// When.
        on: NaiveDate,
        /// Which cut of the sowing, 1 for the first.
        number: i32,
    },
    /// Cleared and cleaned.
    Cleared {
        /// When.
        on: NaiveDate,
    },
    /// Given up.
    Lost {
        /// When.
        on: NaiveDate,
        /// Why.
        cause: String,
    },
}

impl SowingStep {
    /// The day on which it happened.
    pub fn on(&self) -> NaiveDate {
        match self {
            Self::Sown { on }
            | Self::Sprouted { on, .. }
            | Self::Cut { on, .. }
            | Self::Cleared { on }
            | Self::Lost { on, .. } => *on,
        }
    }

    fn becomes(&self) -> SowingState {
        match self {
            Self::Sown { .. } => SowingState::Sown,
            Self::Sprouted { .. } => SowingState::Sprouted,
            Self::Cut { .. } => SowingState::Cutting,
            Self::Cleared { .. } => SowingState::Cleared,
            Self::Lost { .. } => SowingState::Lost,
        }
    }

    /// The step in the words of a refusal.
    fn words(&self) -> &'static str {
        match self {
            Self::Sown { .. } => "sown",
            Self::Sprouted { .. } => "marked as sprouted",
            Self::Cut { .. } => "cut",
            Self::Cleared { .. } => "cleared",
            Self::Lost { .. } => "given up",
        }
    }

    fn kind(&self) -> &'static str {
        match self {
            Self::Cut { .. } => "cut",
            step => step.becomes().as_str(),
        }
    }

    fn detail(&self) -> Value {
        match self {
            Self::Sown { .. } | Self::Cleared { .. } => json!({}),
            Self::Sprouted { count, .. } => json!({"sprouted_containers": count}),
            Self::Cut { number, .. } => json!({"number": number}),
            Self::Lost { cause, .. } => json!({"cause": cause}),
        }
    }
}

impl App {
    /// Takes a sowing one step on: state, entry, tasks and places. The caller's reach is the business
    /// of the use case around it.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] for a step that its state does not allow, [`Refusal::DayNotAllowed`]
    /// for a day in the future or before what came before.
    pub(crate) async fn advance_sowing(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing_id: Uuid,
        step: SowingStep,
    ) -> Result<Sowing> {
        let done_at = self.clock().now();
        let (sowing, _) = self
            .step_sowing(tx, caller, sowing_id, &step, done_at)
            .await?;
        Ok(sowing)
    }

    /// The same, with the entry that was made and the instant at which the work was done.
    pub(crate) async fn step_sowing(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing_id: Uuid,
        step: &SowingStep,
        done_at: DateTime<Utc>,
    ) -> Result<(Sowing, SowingEvent)> {
        let mut sowing = sowings::lock(tx, sowing_id)
            .await?
            .ok_or(Error::NotFound("sowing"))?;
        let ground = Ground::load(tx, sowing.station_id, sowing.crop_id).await?;
        let next = step.becomes();
        if !sowing.state.0.may_become(next) {
            return Err(Refusal::WrongState {
                what: "the sowing".into(),
                state: sowing.state.0.as_str().into(),
                step: step.words().into(),
            }
            .into());
        }
        self.check_step_day(&sowing, &ground, step.on(), step.words())?;
        sowing.state = StateColumn(next);
        apply(&mut sowing, step);
        let sowing = sowings::update(tx, &sowing).await?;
        let event = self
            .note_sowing_event(tx, caller, &sowing, step.kind(), step.on(), step.detail())
            .await?;
        self.finish_work_shown(tx, caller, &sowing, step, done_at)
            .await?;
        let sowing = self.move_sowing(tx, caller, sowing, &ground).await?;
        Ok((sowing, event))
    }

    /// A day on which a step may have happened: not in the future at the site, nor before what came
    /// before it.
    pub(crate) fn check_step_day(
        &self,
        sowing: &Sowing,
        ground: &Ground,
        on: NaiveDate,
        step: &str,
    ) -> Result<()> {
        let refuse = |why: String| {
            Err(Refusal::DayNotAllowed {
                what: format!("the day on which it was {step}"),
                day: on,
                why,
            }
            .into())
        };
        let today = ground.day_of(self.clock().now());
        if on > today {
            return refuse(format!("today is {today} at the site"));
        }
        let earliest = match sowing.state.0 {
            SowingState::Planned => sowing.sow_on.min(today) - MOST_DAYS_EARLY,
            _ => sowing.sown_on.unwrap_or(sowing.sow_on),
        };
        if on < earliest {
            return refuse(format!("it cannot have been before {earliest}"));
        }
        Ok(())
    }

    /// A step shows that the work before it was done, whoever did it, or is no longer needed.
    async fn finish_work_shown(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing: &Sowing,
        step: &SowingStep,
        done_at: DateTime<Utc>,
    ) -> Result<()> {
        let mut shown = match step {
            SowingStep::Sown { .. } => vec![(TaskKind::Sow, 0)],
            SowingStep::Sprouted { .. } | SowingStep::Cut { .. } => {
                vec![(TaskKind::CheckGermination, 0)]
            }
            SowingStep::Cleared { .. } => vec![(TaskKind::ClearAndClean, 0)],
            SowingStep::Lost { .. } => vec![],
        };
        if sowing.state.0.is_over() {
            for (number, _) in (1..).zip(&sowing.planned_cuts) {
                if tasks::weighed_on(tx, sowing.id, number).await?.is_some() {
                    shown.push((TaskKind::Cut, number));
                }
            }
        }
        for (kind, cut_number) in shown {
            let done = Done {
                kind,
                cut_number,
                done_at,
                recorded_at: self.clock().now(),
                member_id: caller.doer(),
            };
            tasks::finish_of_sowing(tx, sowing.id, done).await?;
        }
        match step {
            SowingStep::Cleared { .. } => {
                self.drop_sowing_tasks(tx, sowing.id, "the sowing was cleared")
                    .await?;
            }
            SowingStep::Lost { cause, .. } => {
                self.drop_sowing_tasks(tx, sowing.id, cause).await?;
            }
            _ => {}
        }
        Ok(())
    }

    /// Drops what is still to be done for a sowing that is lost or replaced, keeps the cause, and
    /// ends the claims on it; how many tasks were dropped.
    pub(crate) async fn drop_sowing_tasks(
        &self,
        tx: &mut Tx,
        sowing_id: Uuid,
        cause: &str,
    ) -> Result<u64> {
        Ok(tasks::drop_of_sowing(tx, sowing_id, cause, self.clock().now()).await?)
    }

    /// Moves what is still to be done to where it belongs now, and the end of the places with it
    /// while the station has room.
    pub(crate) async fn move_sowing(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing: Sowing,
        ground: &Ground,
    ) -> Result<Sowing> {
        if sowing.state.0.is_over() {
            return Ok(sowing);
        }
        let plan: AsPlanned = serde_json::from_value(sowings::as_planned(tx, sowing.id).await?)
            .map_err(Error::internal)?;
        let cuts = cuts_now(tx, &sowing, &plan, ground).await?;
        if cuts == sowing.planned_cuts {
            self.follow_sowing(tx, &sowing, ground).await?;
            return Ok(sowing);
        }
        let mut moved = sowing.clone();
        moved.planned_cuts = cuts;
        let mut detail =
            json!({"planned_cuts": {"from": sowing.planned_cuts, "to": moved.planned_cuts}});
        if let Some(wanted) = plan.free_after(&moved.planned_cuts) {
            let (id, count) = (sowing.station_id, sowing.containers);
            let room = wanted <= sowing.free_on
                || sowings::has_room(tx, id, count, sowing.free_on, wanted).await?;
            detail["free_on"] = json!({"from": sowing.free_on, "wanted": wanted, "has_room": room});
            if room {
                moved.free_on = wanted;
            }
        }
        let moved = sowings::update(tx, &moved).await?;
        self.follow_sowing(tx, &moved, ground).await?;
        let today = ground.day_of(self.clock().now());
        self.note_sowing_event(tx, caller, &moved, "moved", today, detail)
            .await?;
        Ok(moved)
    }
}

/// The days of a sowing as they were planned, kept in its `planned` entry.
#[derive(Deserialize)]
struct AsPlanned {
    sow_on: NaiveDate,
    free_on: NaiveDate,
    planned_cuts: Vec<NaiveDate>,
}

impl AsPlanned {
    /// The places stay taken as long after the last cut as they were to be.
    fn free_after(&self, cuts: &[NaiveDate]) -> Option<NaiveDate> {
        let cleaning = self.free_on - *self.planned_cuts.last()?;
        cuts.last()?.checked_add_signed(cleaning)
    }
}

/// Days of all cuts as things stand: those taken, and all while nothing is late or early, stay
/// where they were planned.
async fn cuts_now(
    tx: &mut Tx,
    sowing: &Sowing,
    plan: &AsPlanned,
    ground: &Ground,
) -> Result<Vec<NaiveDate>> {
    let planned = &plan.planned_cuts;
    let Some(sown_on) = sowing.sown_on else {
        return Ok(planned.clone());
    };
    let (taken, planned_from, from) = match sowings::last_cut(tx, sowing.id).await? {
        Some((number, on)) => {
            let taken = usize::try_from(number).unwrap_or(0).min(planned.len());
            let planned_from = planned[..taken].last().copied();
            (taken, planned_from.unwrap_or(plan.sow_on), on)
        }
        None => {
            let check = ground.germination_check(sown_on)?.day;
            let expected = ground.emergence_on(sown_on)?.max(check);
            let late = sowing
                .sprouted_on
                .map_or(0, |on| (on - expected).num_days().max(0));
            (0, plan.sow_on, sown_on + TimeDelta::days(late))
        }
    };
    if from == planned_from {
        return Ok(planned.clone());
    }
    let mut cuts = planned[..taken].to_vec();
    cuts.extend(ground.cuts_as_things_stand(from, planned, taken..planned.len())?);
    Ok(cuts)
}

/// How long before its planned day a sowing may have been sown.
const MOST_DAYS_EARLY: TimeDelta = TimeDelta::days(60);

fn apply(sowing: &mut Sowing, step: &SowingStep) {
    match step {
        SowingStep::Sown { on } => {
            sowing.sown_on = Some(*on);
            // the places are taken from the day on which they really were
            sowing.sow_on = sowing.sow_on.min(*on);
        }
        SowingStep::Sprouted { on, .. } => sowing.sprouted_on = Some(*on),
        SowingStep::Cut { .. } => {}
        SowingStep::Cleared { on } => {
            sowing.cleared_on = Some(*on);
            free_from(sowing, *on);
        }
        SowingStep::Lost { on, cause } => {
            sowing.lost_on = Some(*on);
            sowing.lost_cause = Some(cause.clone());
            free_from(sowing, *on);
        }
    }
}

/// Frees the places from a day, if they were to be taken longer.
pub(crate) fn free_from(sowing: &mut Sowing, on: NaiveDate) {
    sowing.free_on = sowing.free_on.min(on).max(sowing.sow_on);
}
