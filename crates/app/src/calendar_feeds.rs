//! Calendars that programs read by a secret address.

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_domain::Operation;
use cotyl_store::calendar_feeds::{self as store, FeedTask};
use cotyl_store::{Scope, cooperatives, members};
use subtle::ConstantTimeEq;

use crate::keys::{random_token, token_hash};
use crate::{App, Caller, Changed, Error, Result};

/// How far back and ahead a calendar reaches. What was cancelled is said for as long.
const BACK: TimeDelta = TimeDelta::days(30);
const AHEAD: TimeDelta = TimeDelta::days(120);
/// A secret is 43 characters long; nothing longer is looked at.
const MOST_SECRET_BYTES: usize = 100;

/// A member's calendar.
#[derive(Debug, Clone)]
pub struct MemberCalendar {
    /// What it is called.
    pub name: String,
    /// Its entries.
    pub entries: Vec<CalendarEntry>,
}

/// How an entry stands for the member.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryState {
    /// They hold it, or did it.
    Mine,
    /// Somebody is needed for it.
    Open,
    /// It was theirs, or open, and is no longer.
    Cancelled,
}

/// A task in a calendar.
#[derive(Debug, Clone)]
pub struct CalendarEntry {
    /// The task.
    pub task: FeedTask,
    /// How it stands for the member.
    pub state: EntryState,
}

impl App {
    /// Makes the address of the member's calendar anew; an earlier one is void. The secret is shown
    /// now and never again.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn open_calendar_feed(
        &self,
        caller: &Caller,
        with_open_tasks: bool,
    ) -> Result<String> {
        let secret = random_token();
        let hash = token_hash(&secret);
        let operation = Operation::OpenCalendarFeed;
        self.write(operation, caller, async |tx, actor| {
            let now = self.clock().now();
            // the member first, so that two at the same moment come one after the other
            members::lock(tx, actor.member_id).await?;
            store::revoke(tx, actor.member_id, now).await?;
            let id = self.new_id();
            store::insert(tx, id, actor.member_id, &hash, with_open_tasks, now).await?;
            let became = serde_json::json!({ "with_open_tasks": with_open_tasks });
            let noun = "calendar_feed";
            self.audit(tx, operation, caller, Changed { noun, id }, &became)
                .await
        })
        .await?;
        Ok(secret)
    }

    /// Makes the address of the member's calendar void.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none.
    pub async fn revoke_calendar_feed(&self, caller: &Caller) -> Result<()> {
        let operation = Operation::RevokeCalendarFeed;
        self.write(operation, caller, async |tx, actor| {
            if !store::revoke(tx, actor.member_id, self.clock().now()).await? {
                return Err(Error::NotFound("calendar feed"));
            }
            let changed = Changed {
                noun: "calendar_feed",
                id: actor.member_id,
            };
            self.audit(tx, operation, caller, changed, &serde_json::json!({}))
                .await
        })
        .await
    }

    /// The calendar of a secret.
    ///
    /// # Errors
    /// [`Error::NotFound`], always the same, for a secret that is unknown or void.
    pub async fn read_calendar_feed(&self, secret: &str) -> Result<MemberCalendar> {
        let missing = Error::NotFound("calendar");
        if secret.len() > MOST_SECRET_BYTES {
            return Err(missing);
        }
        let presented = token_hash(secret);
        let found = self
            .store()
            .read(Scope::System, async |tx| {
                Ok::<_, Error>(store::of_hash(tx, &presented).await?)
            })
            .await?;
        // looked up by its hash, which tells nothing of the secret; compared in constant time all the same
        let feed = found
            .filter(|feed| bool::from(feed.secret_hash.ct_eq(&presented[..])))
            .ok_or(missing)?;
        let now = self.clock().now();
        let scope = Scope::Cooperative(feed.cooperative_id);
        self.store()
            .read(scope, async |tx| {
                let name = cooperatives::get(tx, feed.cooperative_id)
                    .await?
                    .map(|cooperative| cooperative.name)
                    .unwrap_or_default();
                let open = feed.with_open_tasks;
                let tasks = store::tasks(tx, feed.member_id, open, now - BACK, now + AHEAD).await?;
                Ok(MemberCalendar {
                    name,
                    entries: tasks
                        .into_iter()
                        .map(|task| entry(task, open, now))
                        .collect(),
                })
            })
            .await
    }
}

fn entry(task: FeedTask, open: bool, now: DateTime<Utc>) -> CalendarEntry {
    let wanted = task.state == "open" && task.due_at > now;
    let state = if task.mine || (task.finished && task.state == "done") {
        EntryState::Mine
    } else if open && wanted {
        EntryState::Open
    } else {
        EntryState::Cancelled
    };
    CalendarEntry { task, state }
}
