//! The history of a sowing: what people write down, and how mistakes are put right.

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_domain::{Operation, Refusal};
use cotyl_store::sowings::{self, Sowing, SowingEvent};
use cotyl_store::{Page, Tx};
use serde::{Deserialize, Serialize};
use serde_json::json;
use uuid::Uuid;

use crate::growing::Ground;
use crate::input::Problems;
use crate::sowing_steps::{SowingStep, free_from};
use crate::{App, Caller, Error, Result};

/// What a member may write down about a sowing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EntryKind {
    /// Seed is in the medium.
    Sown,
    /// Seedlings stand.
    Sprouted,
    /// Cleared and cleaned.
    Cleared,
    /// Given up.
    Lost,
    /// An earlier entry had a wrong day or count.
    Corrected,
    /// Anything else.
    Noted,
}

/// An entry as it comes in.
#[derive(Debug, Clone, Serialize)]
pub struct NewEntry {
    /// What happened.
    pub kind: EntryKind,
    /// When; today at the site when left out. For a correction, the right day of the entry it corrects.
    pub happened_on: Option<NaiveDate>,
    /// Containers in which seedlings stand.
    pub sprouted_containers: Option<i32>,
    /// Why it was given up.
    pub cause: Option<String>,
    /// The entry that is corrected.
    pub corrects: Option<Uuid>,
    /// Words to go with it; the reason of a correction.
    pub note: Option<String>,
}

/// An entry that was made, with the version of its sowing since.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Entered {
    /// The entry.
    pub event: SowingEvent,
    /// Version of the sowing.
    pub version: i64,
}

impl App {
    /// The history of a sowing.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none of this id within the reach of the member.
    pub async fn list_sowing_events(
        &self,
        caller: &Caller,
        sowing_id: Uuid,
        page: Page,
    ) -> Result<Vec<SowingEvent>> {
        let operation = Operation::ListSowingEvents;
        self.read(operation, caller, async |tx, actor| {
            let found = sowings::get(tx, sowing_id).await?;
            found
                .filter(|view| operation.reach(actor).covers_site(view.sowing.site_id))
                .ok_or(Error::NotFound("sowing"))?;
            Ok(sowings::events(tx, sowing_id, page).await?)
        })
        .await
    }

    /// Writes down what happened to a sowing.
    ///
    /// # Errors
    /// [`Error::Invalid`], [`Refusal::WrongState`], [`Refusal::DayNotAllowed`].
    pub async fn record_sowing_event(
        &self,
        caller: &Caller,
        sowing_id: Uuid,
        entry: &NewEntry,
    ) -> Result<Entered> {
        let operation = Operation::RecordSowingEvent;
        self.write_once(operation, caller, async |tx, actor| {
            let sowing = crate::sowings::lock(tx, actor, operation, sowing_id).await?;
            check(&sowing, entry)?;
            let ground = Ground::load(tx, sowing.station_id, sowing.crop_id).await?;
            let now = self.clock().now();
            let today = ground.day_of(now);
            let on = entry.happened_on.unwrap_or(today);
            let done_at = if on == today {
                now
            } else {
                midday(&ground, on)
            };
            let step = match entry.kind {
                EntryKind::Sown => Some(SowingStep::Sown { on }),
                EntryKind::Sprouted => Some(SowingStep::Sprouted {
                    on,
                    count: entry.sprouted_containers,
                }),
                EntryKind::Cleared => Some(SowingStep::Cleared { on }),
                EntryKind::Lost => Some(SowingStep::Lost {
                    on,
                    cause: entry.cause.clone().unwrap_or_default().trim().to_owned(),
                }),
                EntryKind::Corrected | EntryKind::Noted => None,
            };
            let (sowing, event) = match (step, entry.corrects) {
                (Some(step), _) => {
                    self.step_sowing(tx, caller, sowing_id, &step, done_at)
                        .await?
                }
                (None, Some(corrects)) => {
                    self.correct_entry(tx, caller, sowing, &ground, entry, corrects)
                        .await?
                }
                (None, None) => {
                    require_not_future(on, today)?;
                    let detail = json!({"note": entry.note});
                    let event = self
                        .note_sowing_event(tx, caller, &sowing, "noted", on, detail)
                        .await?;
                    (sowing, event)
                }
            };
            self.audit_sowing(tx, operation, caller, sowing_id, entry)
                .await?;
            Ok(Entered {
                event,
                version: sowing.version,
            })
        })
        .await
    }

    /// Puts the day or the count of an earlier entry right; the earlier entry stays as it is.
    async fn correct_entry(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        mut sowing: Sowing,
        ground: &Ground,
        entry: &NewEntry,
        corrects: Uuid,
    ) -> Result<(Sowing, SowingEvent)> {
        let corrected = sowings::event(tx, sowing.id, corrects)
            .await?
            .ok_or_else(|| {
                Error::field("/corrects", "unknown", "must be an entry of this sowing")
            })?;
        let today = ground.day_of(self.clock().now());
        let on = entry.happened_on.unwrap_or(corrected.happened_on);
        require_not_future(on, today)?;
        if corrected.kind == "sown" {
            let next = [sowing.sprouted_on, sowing.cleared_on, sowing.lost_on];
            require_order(sowings::first_cut_on(tx, sowing.id).await?, on)?;
            for later in next {
                require_order(later, on)?;
            }
        } else if let Some(sown_on) = sowing.sown_on {
            require_order(Some(on), sown_on)?;
        }
        match corrected.kind.as_str() {
            "sown" => {
                sowing.sown_on = Some(on);
                sowing.sow_on = sowing.sow_on.min(on);
            }
            "sprouted" => sowing.sprouted_on = Some(on),
            "cleared" => {
                sowing.cleared_on = Some(on);
                free_from(&mut sowing, on);
            }
            "lost" => {
                sowing.lost_on = Some(on);
                free_from(&mut sowing, on);
            }
            "noted" => {}
            kind => {
                return Err(Error::field(
                    "/corrects",
                    "kind",
                    format!("an entry of the kind {kind} is not corrected here"),
                ));
            }
        }
        let sowing = sowings::update(tx, &sowing).await?;
        let detail = json!({
            "corrects": corrects, "corrected_kind": corrected.kind, "note": entry.note,
            "sprouted_containers": entry.sprouted_containers,
        });
        let event = self
            .note_sowing_event(tx, caller, &sowing, "corrected", on, detail)
            .await?;
        let sowing = self.move_sowing(tx, caller, sowing, ground).await?;
        Ok((sowing, event))
    }
}

/// An instant within a day that is over, for work of which only the day is known.
fn midday(ground: &Ground, on: NaiveDate) -> DateTime<Utc> {
    let day = ground.calendar.zone().day(on);
    day.start + day.length() / 2
}

fn require_not_future(on: NaiveDate, today: NaiveDate) -> Result<()> {
    if on <= today {
        return Ok(());
    }
    Err(not_allowed(on, format!("today is {today} at the site")))
}

fn require_order(later: Option<NaiveDate>, earlier: NaiveDate) -> Result<()> {
    match later {
        Some(later) if later < earlier => Err(not_allowed(
            earlier.max(later),
            "the steps of a sowing follow one another".into(),
        )),
        _ => Ok(()),
    }
}

fn not_allowed(day: NaiveDate, why: String) -> Error {
    Refusal::DayNotAllowed {
        what: "the day of the entry".into(),
        day,
        why,
    }
    .into()
}

/// Every kind has what belongs to it and nothing else.
fn check(sowing: &Sowing, entry: &NewEntry) -> Result<()> {
    use EntryKind::{Corrected, Lost, Noted, Sprouted};
    let mut problems = Problems::new();
    let mut belongs = |pointer: &str, given: bool, allowed: bool, needed: bool| {
        if given && !allowed {
            let detail = "does not belong to an entry of this kind";
            problems.add(pointer, "unexpected", detail);
        } else if needed && !given {
            problems.add(pointer, "missing", "is needed for an entry of this kind");
        }
    };
    let kind = entry.kind;
    let counts = matches!(kind, Sprouted | Corrected);
    belongs(
        "/sprouted_containers",
        entry.sprouted_containers.is_some(),
        counts,
        false,
    );
    belongs("/cause", entry.cause.is_some(), kind == Lost, kind == Lost);
    let corrected = kind == Corrected;
    belongs("/corrects", entry.corrects.is_some(), corrected, corrected);
    let worded = corrected || kind == Noted;
    belongs("/note", entry.note.is_some(), worded, worded);
    if let Some(count) = entry.sprouted_containers {
        problems.within(
            "/sprouted_containers",
            count.into(),
            1,
            sowing.containers.into(),
        );
    }
    if let Some(cause) = &entry.cause {
        problems.text("/cause", cause, 1, 300);
    }
    if let Some(note) = &entry.note {
        problems.text("/note", note, 1, 1000);
    }
    problems.finish()
}
