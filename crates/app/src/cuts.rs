//! Cuts: recorded at the bench, corrected by entries.

mod weighing;

use chrono::NaiveDate;
use cotyl_calendar::SiteZone;
use cotyl_domain::harvest::{MOST_TRAY_LETTERS, tray_code};
use cotyl_domain::sowing::SowingState;
use cotyl_domain::{Actor, CutHarm, CutQuality, FieldProblem, Operation, Refusal};
use cotyl_store::cuts::{self, Cut, CutCorrection, CutDays, CutFilter, NewCut, SowingToCut};
use cotyl_store::{Page, Tx};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::input::Problems;
use crate::sowing_steps::SowingStep;
use crate::withheld::Withheld;
use crate::{App, Caller, Changed, Error, Result};
use weighing::{changes, check_correction, check_group, require_plausible};

pub use weighing::Weighed;
pub(crate) use weighing::change;

/// The most that one tray or one line may weigh, in milligrams: a thousand tonnes, as in the database.
pub(crate) const MOST_MILLIGRAMS: i64 = 1_000_000_000_000;
/// The most cuts that a sowing may have, as in the database.
const MOST_CUTS: i32 = 100;
/// Letters of a tray code where that is enough to be unique.
const USUAL_TRAY_LETTERS: u32 = 4;

/// What is told about a cut.
#[derive(Debug, Clone, Serialize)]
pub struct CutFields {
    /// What was cut.
    pub sowing_id: Uuid,
    /// The local day; today at the site when left out.
    pub cut_on: Option<NaiveDate>,
    /// Which cut of the sowing. Left out, it is that of the task; else that of a cut on the same day,
    /// which gives one more tray; else the next.
    pub number: Option<i32>,
    /// Weight.
    pub weighed: Weighed,
    /// Trimmings and spoiled leaves of the same cut, weighed apart.
    pub waste_milligrams: i64,
    /// Why a weight past what is plausible is true all the same.
    pub weight_accepted_because: Option<String>,
    /// The group that cut it.
    pub group_id: Option<Uuid>,
    /// How it came out.
    pub quality: CutQuality,
    /// What came from outside and harmed it.
    pub harmed_by: Option<CutHarm>,
    /// What is written on the tray; generated when left out.
    pub tray_code: Option<String>,
    /// The cut task it answers.
    pub task_id: Option<Uuid>,
}

/// How a weight is corrected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NewWeight {
    /// To what it should have been, in milligrams.
    To(i64),
    /// By a difference, in milligrams.
    By(i64),
}

/// How a cut is corrected.
#[derive(Debug, Clone)]
pub struct CutCorrectionFields {
    /// The weight.
    pub weight: Option<NewWeight>,
    /// The waste as it should have been.
    pub waste_milligrams: Option<i64>,
    /// Why.
    pub reason: String,
    /// Whether a weight past what is plausible is true all the same.
    pub weight_accepted: bool,
}

/// A cut with its corrections.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CutDetail {
    /// The cut as it stands now.
    pub cut: Cut,
    /// Its corrections, the oldest first.
    pub corrections: Vec<CutCorrection>,
    /// Whether a recall holds it back.
    #[serde(default)]
    pub is_withheld: bool,
}

impl App {
    /// Records a cut; the sowing goes on to `cutting`.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Refusal::WrongState`] for a sowing that was not sown yet or is over;
    /// [`Refusal::Taken`] for a tray code in use.
    pub async fn record_cut(&self, caller: &Caller, fields: &CutFields) -> Result<CutDetail> {
        weighing::check(fields)?;
        self.write_once(Operation::RecordCut, caller, async |tx, actor| {
            let sowing = lock_sowing(tx, actor, fields.sowing_id).await?;
            let (cut_on, number) = self.day_and_number(tx, &sowing, fields).await?;
            check_group(tx, sowing.site_id, fields.group_id).await?;
            let milligrams = fields.weighed.net();
            if fields.weight_accepted_because.is_none() {
                let more = milligrams + fields.waste_milligrams;
                let how = "weight_accepted_because and the reason";
                require_plausible(tx, fields.sowing_id, number, more, how).await?;
            }
            let id = self.new_id();
            let code = match &fields.tray_code {
                Some(code) => code.trim().to_owned(),
                None => free_tray_code(tx, cut_on, id).await?,
            };
            let cut = NewCut {
                id,
                sowing_id: fields.sowing_id,
                number,
                cut_on,
                milligrams,
                with_tare: fields.weighed.with_tare(),
                waste_milligrams: fields.waste_milligrams,
                accepted_because: fields.weight_accepted_because.as_deref().map(str::trim),
                group_id: fields.group_id,
                quality: fields.quality.as_str(),
                harmed_by: fields.harmed_by.map(CutHarm::as_str),
                tray_code: &code,
                member_id: actor.member_id,
                task_id: fields.task_id,
                recorded_at: self.clock().now(),
            };
            cuts::insert(tx, &cut).await?;
            let step = SowingStep::Cut { on: cut_on, number };
            self.advance_sowing(tx, caller, fields.sowing_id, step)
                .await?;
            let changed = Changed { noun: "cut", id };
            self.audit(tx, Operation::RecordCut, caller, changed, fields)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// One cut with its corrections.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none in the caller's reach.
    pub async fn read_cut(&self, caller: &Caller, id: Uuid) -> Result<CutDetail> {
        self.read(Operation::ReadCut, caller, async |tx, actor| {
            let found = detail(tx, id).await?;
            if !Operation::ReadCut
                .reach(actor)
                .covers_site(found.cut.site_id)
            {
                return Err(Error::NotFound("cut"));
            }
            Ok(found)
        })
        .await
    }

    /// A page of cuts in the caller's reach, each with whether a recall holds it back.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_cuts(
        &self,
        caller: &Caller,
        filter: &CutFilter,
        page: Page,
    ) -> Result<Vec<(Cut, bool)>> {
        self.read(Operation::ListCuts, caller, async |tx, actor| {
            let reach = Operation::ListCuts.reach(actor);
            let found = cuts::list(tx, filter, reach.site_filter(), page).await?;
            let ids: Vec<Uuid> = found.iter().map(|cut| cut.id).collect();
            let withheld = Withheld::load(tx).await?.of_cuts(tx, &ids).await?;
            let flagged = found.into_iter().map(|cut| {
                let is_withheld = withheld.contains_key(&cut.id);
                (cut, is_withheld)
            });
            Ok(flagged.collect())
        })
        .await
    }

    /// Corrects the weight of a cut, or its waste, by an entry that names the reason.
    ///
    /// # Errors
    /// [`Refusal::MoreThanCut`] when less would be left than is in deliveries already;
    /// [`Refusal::ImplausibleWeight`].
    pub async fn correct_cut(
        &self,
        caller: &Caller,
        id: Uuid,
        fields: &CutCorrectionFields,
    ) -> Result<CutDetail> {
        check_correction(fields)?;
        self.write_once(Operation::CorrectCut, caller, async |tx, actor| {
            cuts::lock(tx, id).await?;
            let cut = cuts::get(tx, id).await?.ok_or(Error::NotFound("cut"))?;
            if !Operation::CorrectCut.reach(actor).covers_site(cut.site_id) {
                let may_see = Operation::ReadCut.reach(actor).covers_site(cut.site_id);
                return Err(if may_see {
                    Error::Forbidden(Operation::CorrectCut)
                } else {
                    Error::NotFound("cut")
                });
            }
            let (more, waste_more) = changes(&cut, fields)?;
            if more + waste_more > 0 && !fields.weight_accepted {
                let how = "weight_accepted";
                require_plausible(tx, cut.sowing_id, cut.number, more + waste_more, how).await?;
            }
            let correction = CutCorrection {
                id: self.new_id(),
                change_milligrams: more,
                waste_change_milligrams: waste_more,
                reason: fields.reason.trim().to_owned(),
                member_id: actor.member_id,
                recorded_at: self.clock().now(),
            };
            cuts::insert_correction(tx, id, &correction).await?;
            let changed = Changed { noun: "cut", id };
            self.audit(tx, Operation::CorrectCut, caller, changed, &correction)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    async fn day_and_number(
        &self,
        tx: &mut Tx,
        sowing: &SowingToCut,
        fields: &CutFields,
    ) -> Result<(NaiveDate, i32)> {
        let task_number = match fields.task_id {
            Some(task_id) => Some(cut_task(tx, task_id, fields).await?),
            None => None,
        };
        let zone: SiteZone = sowing.zone.parse().map_err(Error::internal)?;
        let today = zone.today(self.clock().now());
        let cut_on = fields.cut_on.unwrap_or(today);
        let mut problems = Problems::new();
        problems.require(
            cut_on <= today,
            "/cut_on",
            "range",
            &format!("must not be after today, which is {today} at the site"),
        );
        problems.require(
            cut_on >= sowing.sown_on,
            "/cut_on",
            "range",
            &format!(
                "must not be before the day of sowing, which is {}",
                sowing.sown_on
            ),
        );
        problems.finish()?;
        let taken = cuts::days_of_sowing(tx, fields.sowing_id).await?;
        let number = choose_number(&taken, fields.number.or(task_number), cut_on)
            .map_err(|problem| Error::Invalid(vec![problem]))?;
        Ok((cut_on, number))
    }
}

/// The sowing, when the actor may cut there.
async fn lock_sowing(tx: &mut Tx, actor: &Actor, sowing_id: Uuid) -> Result<SowingToCut> {
    let unknown = || {
        Error::field(
            "/sowing_id",
            "unknown",
            "there is no such sowing in this co-operative",
        )
    };
    let sowing = cuts::lock_sowing(tx, sowing_id)
        .await?
        .ok_or_else(unknown)?;
    if !Operation::RecordCut
        .reach(actor)
        .covers_site(sowing.site_id)
    {
        let may_see = Operation::ReadSowing
            .reach(actor)
            .covers_site(sowing.site_id);
        return Err(if may_see {
            Error::Forbidden(Operation::RecordCut)
        } else {
            unknown()
        });
    }
    let may_be_cut = SowingState::parse(&sowing.state)
        .is_some_and(|state| state.may_become(SowingState::Cutting));
    if !may_be_cut {
        return Err(Refusal::WrongState {
            what: "the sowing".into(),
            state: sowing.state,
            step: "cut".into(),
        }
        .into());
    }
    Ok(sowing)
}

/// The number of the cut that the task asks for, when it is a cut task of the sowing.
async fn cut_task(tx: &mut Tx, task_id: Uuid, fields: &CutFields) -> Result<i32> {
    let task = cuts::task(tx, task_id).await?.ok_or_else(|| {
        Error::field(
            "/task_id",
            "unknown",
            "there is no such task in this co-operative",
        )
    })?;
    if task.kind != "cut" || task.sowing_id != Some(fields.sowing_id) {
        return Err(Error::field(
            "/task_id",
            "other",
            "must be a cut task of this sowing",
        ));
    }
    match fields.number {
        Some(number) if number != task.cut_number => Err(Error::field(
            "/number",
            "other",
            format!("must be {}, as the task says", task.cut_number),
        )),
        _ => Ok(task.cut_number),
    }
}

/// Which cut it is: the wanted one, or that of a cut on the same day, or the next. Cuts follow one
/// another without a gap and in the order of their days.
fn choose_number(
    taken: &[CutDays],
    wanted: Option<i32>,
    on: NaiveDate,
) -> std::result::Result<i32, FieldProblem> {
    let next = taken.last().map_or(1, |last| last.number + 1);
    let same_day = || {
        taken
            .iter()
            .rev()
            .find(|cut| cut.first_day <= on && on <= cut.last_day)
    };
    let number = wanted.unwrap_or_else(|| same_day().map_or(next, |cut| cut.number));
    if number < 1 || number > next.min(MOST_CUTS) {
        return Err(FieldProblem::new(
            "/number",
            "range",
            format!("must be between 1 and {}", next.min(MOST_CUTS)),
        ));
    }
    for cut in taken {
        let fits = match cut.number.cmp(&number) {
            std::cmp::Ordering::Less => cut.last_day <= on,
            std::cmp::Ordering::Equal => true,
            std::cmp::Ordering::Greater => on <= cut.first_day,
        };
        if !fits {
            return Err(FieldProblem::new(
                "/cut_on",
                "order",
                format!(
                    "cut {} of this sowing was taken from {} to {}; cut {number} must keep the order",
                    cut.number, cut.first_day, cut.last_day
                ),
            ));
        }
    }
    Ok(number)
}

async fn free_tray_code(tx: &mut Tx, cut_on: NaiveDate, id: Uuid) -> Result<String> {
    for letters in USUAL_TRAY_LETTERS..MOST_TRAY_LETTERS {
        let code = tray_code(cut_on, id, letters);
        if !cuts::has_tray_code(tx, &code).await? {
            return Ok(code);
        }
    }
    Ok(tray_code(cut_on, id, MOST_TRAY_LETTERS))
}

async fn detail(tx: &mut Tx, id: Uuid) -> Result<CutDetail> {
    let cut = cuts::get(tx, id).await?.ok_or(Error::NotFound("cut"))?;
    let corrections = cuts::corrections(tx, id).await?;
    let withheld = Withheld::load(tx).await?.of_cuts(tx, &[id]).await?;
    Ok(CutDetail {
        cut,
        corrections,
        is_withheld: withheld.contains_key(&id),
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    #[test]
    fn cuts_are_numbered_in_the_order_of_their_days() {
        let day = |day| NaiveDate::from_ymd_opt(2026, 9, day).unwrap();
        let cut = |number, first, last| CutDays {
            number,
            first_day: day(first),
            last_day: day(last),
        };
        let taken = [cut(1, 1, 2), cut(2, 10, 10)];
        for (taken, wanted, on, expect) in [
            (&taken[..0], None, 5, Ok(1)),
            (&taken[..0], Some(2), 5, Err("/number")),
            (&taken, None, 12, Ok(3)),
            (&taken, None, 10, Ok(2)),
            (&taken, None, 2, Ok(1)),
            (&taken, None, 5, Err("/cut_on")),
            (&taken, Some(1), 5, Ok(1)),
            (&taken, Some(1), 11, Err("/cut_on")),
            (&taken, Some(2), 2, Ok(2)),
            (&taken, Some(3), 9, Err("/cut_on")),
            (&taken, Some(4), 12, Err("/number")),
            (&taken, Some(0), 12, Err("/number")),
        ] {
            let chosen = choose_number(taken, wanted, day(on)).map_err(|p| p.pointer);
            assert_eq!(chosen, expect.map_err(str::to_owned), "{wanted:?} {on}");
        }
        let many: Vec<CutDays> = (1..=100).map(|number| cut(number, 1, 1)).collect();
        assert!(choose_number(&many, None, day(2)).is_err());
    }
}
