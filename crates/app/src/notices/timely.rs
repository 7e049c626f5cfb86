//! What is written when its time has come: reminders, and the week's summaries. Each co-operative in a
//! transaction of its own, so that one that cannot be read holds up no other.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, TimeDelta, Utc, Weekday};
use cotyl_calendar::{IsoWeek, SiteZone};
use cotyl_store::notices::{self as store, ClaimAhead, NewNotice, Summarised};
use cotyl_store::{Scope, Tx};
use cotyl_work::{HeldFor, REMINDED_AHEAD, Reminder};
use uuid::Uuid;

use super::{WORTH_TELLING, is_up, told_by_default, usual_reminder_minutes, words};
use crate::{App, Error, Result};

/// Claims that are looked through in one go.
const MOST_CLAIMS: i64 = 500;

impl App {
    /// Writes down the reminders that are due; how many. Doing it again, or at the same moment
    /// elsewhere, writes nothing more.
    ///
    /// # Errors
    /// [`Error::Unavailable`].
    pub async fn write_reminders(&self) -> Result<usize> {
        let now = self.clock().now();
        let usual = usual_reminder_minutes();
        let (mut written, mut after) = (0, None);
        let mut look = self.left_out.look("reminders", now);
        loop {
            let ahead = self
                .store()
                .read(Scope::System, async |tx| {
                    let found = store::claims_ahead(tx, now, usual, after, MOST_CLAIMS).await?;
                    Ok::<_, Error>(found)
                })
                .await?;
            after = ahead.last().map(|claim| claim.claim_id);
            if after.is_none() {
                look.end();
                return Ok(written);
            }
            for (cooperative_id, claims) in by_cooperative(ahead, |claim| claim.cooperative_id) {
                let wrote = self.remind_of(&claims, now).await;
                written += look.brought(cooperative_id, wrote)?;
            }
        }
    }

    /// Writes down the reminders of some claims of one co-operative that are due.
    async fn remind_of(&self, claims: &[ClaimAhead], now: DateTime<Utc>) -> Result<usize> {
        let mut due = Vec::new();
        for claim in claims {
            due.extend(reminder(claim, now)?.map(|notice| (claim.cooperative_id, notice)));
        }
        self.write_all("write_reminders", &due).await
    }

    async fn write_all(&self, name: &'static str, notices: &[(Uuid, NewNotice)]) -> Result<usize> {
        if notices.is_empty() {
            return Ok(0);
        }
        self.store()
            .write(name, Scope::System, async |tx| {
                let mut written = 0;
                for (cooperative_id, notice) in notices {
                    let new = self.write_down(tx, *cooperative_id, notice.clone()).await?;
                    written += usize::from(new);
                }
                Ok(written)
            })
            .await
    }

    /// Writes down the week's summaries for whom it is Monday morning; how many.
    ///
    /// # Errors
    /// [`Error::Unavailable`].
    pub async fn write_summaries(&self) -> Result<usize> {
        let now = self.clock().now();
        let all = self
            .store()
            .read(Scope::System, async |tx| {
                let usual = told_by_default("week_summary");
                Ok::<_, Error>(store::to_summarise(tx, usual).await?)
            })
            .await?;
        let mut written = 0;
        let mut look = self.left_out.look("summaries", now);
        for (cooperative_id, members) in by_cooperative(all, |member| member.cooperative_id) {
            let wrote = self.summarise(&members, now).await;
            written += look.brought(cooperative_id, wrote)?;
        }
        look.end();
        Ok(written)
    }

    async fn summarise(&self, members: &[Summarised], now: DateTime<Utc>) -> Result<usize> {
        let mut due = Vec::new();
        for member in members {
            let zone: SiteZone = member.zone.parse().map_err(Error::internal)?;
            if zone.today(now).weekday() == Weekday::Mon && is_up(zone, now) {
                due.push((member, zone));
            }
        }
        if due.is_empty() {
            return Ok(0);
        }
        self.store()
            .write("write_summaries", Scope::System, async |tx| {
                let mut written = 0;
                for (member, zone) in &due {
                    let new = summary(tx, member, *zone, now).await?;
                    let new = self.write_down(tx, member.cooperative_id, new).await?;
                    written += usize::from(new);
                }
                Ok(written)
            })
            .await
    }
}

async fn summary(
    tx: &mut Tx,
    member: &Summarised,
    zone: SiteZone,
    now: DateTime<Utc>,
) -> Result<NewNotice> {
    let today = zone.today(now);
    let week = IsoWeek::of(today).map_err(Error::internal)?;
    let figures = store::week_figures(tx, member, today).await?;
    let (subject, body) = words::summary(&week.to_string(), figures);
    Ok(NewNotice {
        member_id: member.member_id,
        kind: "week_summary",
        about: format!("week:{week}"),
        subject,
        body,
        link_id: None,
        due_at: now,
        expires_at: now + WORTH_TELLING,
    })
}

/// The reminder of a claim, if it is due.
fn reminder(claim: &ClaimAhead, now: DateTime<Utc>) -> Result<Option<NewNotice>> {
    let chosen = claim.reminder_minutes_ahead;
    let held = HeldFor {
        claimed_at: claim.claimed_at,
        given: claim.given,
        opens_at: claim.opens_at,
        due_at: claim.due_at,
        zone: claim.zone.parse().map_err(Error::internal)?,
        ahead: chosen.map_or(REMINDED_AHEAD, |minutes| TimeDelta::minutes(minutes.into())),
    };
    let due = |reminder: &Reminder| reminder.at <= now && now < reminder.until;
    if held.reminder().filter(due).is_none() {
        return Ok(None);
    }
    let (subject, body) = words::reminder(claim, held.zone);
    Ok(Some(NewNotice {
        member_id: claim.member_id,
        kind: "reminder",
        about: format!("claim:{}", claim.claim_id),
        subject,
        body,
        link_id: None,
        due_at: now,
        expires_at: claim.due_at,
    }))
}

fn by_cooperative<T>(all: Vec<T>, of: impl Fn(&T) -> Uuid) -> BTreeMap<Uuid, Vec<T>> {
    let mut grouped: BTreeMap<Uuid, Vec<T>> = BTreeMap::new();
    for one in all {
        grouped.entry(of(&one)).or_default().push(one);
    }
    grouped
}
