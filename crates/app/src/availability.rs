//! When a member can help: stated by themselves, or by a coordinator for them.

use chrono::NaiveDate;
use cotyl_calendar::{OpeningHours, PeriodText};
use cotyl_domain::{FieldProblem, Operation};
use cotyl_store::availability;
use cotyl_store::members;
use serde::{Deserialize, Serialize};
use serde_json::json;
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::members::require_known;
use crate::{App, Caller, Changed, Error, Result};

/// Most periods away that one member keeps.
const MOST_PERIODS_AWAY: usize = 100;

/// Days on which a member is away, both included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct DaysAway {
    /// The first.
    pub first_day: NaiveDate,
    /// The last.
    pub last_day: NaiveDate,
}

/// When a member can help.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Availability {
    /// The member.
    pub member_id: Uuid,
    /// Hours of an ordinary week, by the clock of the site where the work is.
    pub free_hours: Vec<PeriodText>,
    /// Days on which they cannot.
    pub days_away: Vec<DaysAway>,
    /// Counts up with every change; 0 while they have said nothing.
    pub version: i64,
}

impl Availability {
    /// The stored form as the rules take it.
    ///
    /// # Errors
    /// A fault of this program for stored data that cannot be read.
    pub(crate) fn of(kept: availability::Availability) -> Result<Self> {
        Ok(Self {
            member_id: kept.member_id,
            free_hours: serde_json::from_value(kept.free_hours).map_err(Error::internal)?,
            days_away: serde_json::from_value(kept.days_away).map_err(Error::internal)?,
            version: kept.version,
        })
    }

    fn unsaid(member_id: Uuid) -> Self {
        Self {
            member_id,
            free_hours: Vec::new(),
            days_away: Vec::new(),
            version: 0,
        }
    }
}

impl App {
    /// When a member can help; most roles see their own only.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is no such member that the caller may know of.
    pub async fn read_availability(
        &self,
        caller: &Caller,
        member_id: Uuid,
    ) -> Result<Availability> {
        self.read(Operation::ReadAvailability, caller, async |tx, actor| {
            require_known(actor, member_id)?;
            members::get(tx, member_id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            match availability::get(tx, member_id).await? {
                Some(kept) => Availability::of(kept),
                None => Ok(Availability::unsaid(member_id)),
            }
        })
        .await
    }

    /// Replaces what a member has said; coordinators anyone's, others their own.
    ///
    /// # Errors
    /// [`Error::Invalid`] for hours that overlap or days out of order; [`Error::Stale`].
    pub async fn change_availability(
        &self,
        caller: &Caller,
        member_id: Uuid,
        expected: Option<i64>,
        free_hours: &[PeriodText],
        days_away: &[DaysAway],
    ) -> Result<Availability> {
        check(free_hours, days_away)?;
        let operation = Operation::ChangeAvailability;
        self.write(operation, caller, async |tx, actor| {
            require_known(actor, member_id)?;
            let member = members::lock(tx, member_id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            if !operation.reach(actor).all && member_id != actor.member_id {
                return Err(Error::Forbidden(operation));
            }
            require_not_retired("the member", &member.retired_at)?;
            let before = availability::get(tx, member_id).await?;
            require_version(expected, before.map_or(0, |kept| kept.version))?;
            let kept = availability::put(
                tx,
                self.new_id(),
                member_id,
                &json!(free_hours),
                &json!(days_away),
            )
            .await?;
            let changed = Changed {
                noun: "member",
                id: member_id,
            };
            self.audit(tx, operation, caller, changed, &kept).await?;
            Availability::of(kept)
        })
        .await
    }
}

fn check(free_hours: &[PeriodText], days_away: &[DaysAway]) -> Result<()> {
    let mut problems = Problems::new();
    if let Err(faults) = OpeningHours::parse(free_hours) {
        problems.extend(faults.into_iter().map(|fault| {
            let pointer = fault.pointer.replace("/opens", "/from");
            let pointer = pointer.replace("/closes", "/to");
            FieldProblem::new(pointer, "hours", fault.fault.to_string()).under("/free_hours")
        }));
    }
    if days_away.len() > MOST_PERIODS_AWAY {
        let detail = format!("must be at most {MOST_PERIODS_AWAY} periods");
        problems.add("/days_away", "length", detail);
    }
    for (index, away) in days_away.iter().enumerate().take(MOST_PERIODS_AWAY) {
        let mut period = Problems::new();
        period.period(away.first_day, away.last_day);
        if let Err(Error::Invalid(faults)) = period.finish() {
            let prefix = format!("/days_away/{index}");
            problems.extend(faults.into_iter().map(|fault| fault.under(&prefix)));
        }
    }
    problems.finish()
}
