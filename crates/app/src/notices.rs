//! Telling members by mail: what is written down, when it may go out, and what becomes of it.
//!
//! A mail is a row of the transaction that causes it. A worker takes it, hands it to the mail server and
//! records that. When a worker dies between the two, the mail goes out again: at least once, under the
//! same Message-ID, by which mail programs know the second for the first.

mod coordinators;
mod timely;
mod words;

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use cotyl_calendar::{QuietHours, SiteZone};
use cotyl_domain::Operation;
use cotyl_store::members::Member;
use cotyl_store::notices::{self as store, LeasedNotice, NewNotice, NoticeEnd};
use cotyl_store::tasks::Task;
use cotyl_store::{Page, Scope, Tx, cooperatives, members, sites};
use cotyl_work::{LEAST_REMINDED_AHEAD, MOST_REMINDED_AHEAD, REMINDED_AHEAD};
use uuid::Uuid;

use crate::input::{Problems, require_version};
use crate::links::Link;
use crate::{App, Caller, Changed, Error, Result};

pub use cotyl_store::notices::{Notice, NoticeChoice};
pub use words::called;

/// How long a mail is held without a word from its worker.
const LEASE: TimeDelta = TimeDelta::minutes(3);
/// Pauses after each attempt that failed but may succeed later; after the last the mail is given up.
const PAUSES: [TimeDelta; 6] = [
    TimeDelta::minutes(1),
    TimeDelta::minutes(5),
    TimeDelta::minutes(20),
    TimeDelta::hours(1),
    TimeDelta::hours(3),
    TimeDelta::hours(6),
];
/// How often a mail is tried.
pub const MOST_ATTEMPTS: usize = PAUSES.len() + 1;
/// How long news that has no end of its own is worth telling.
const WORTH_TELLING: TimeDelta = TimeDelta::days(3);
/// How long work is still worth doing that was not done by its due time, where nothing says.
const LATE_WORK: TimeDelta = TimeDelta::days(1);
/// The local hour from which what is told once a day or week is written.
const MORNING: u32 = 6;

/// The kinds that members choose, and whether each is told to those who have chosen nothing.
pub const CHOSEN_KINDS: [(&str, bool); 5] = [
    ("reminder", true),
    ("task_free", false),
    ("low_stock", true),
    ("week_at_risk", true),
    ("week_summary", true),
];

/// How mail is sent, as far as its words depend on it.
#[derive(Debug, Clone, Default)]
pub struct Telling {
    /// Whether a mail server is named.
    pub mail_is_sent: bool,
    /// An address with `{token}` in it, to which links in mails lead; without it they carry the token.
    pub link_address: Option<String>,
}

/// What a member hears, as it stands.
#[derive(Debug, Clone)]
pub struct MyNotices {
    /// What they chose, or what is usual.
    pub choice: NoticeChoice,
    /// The zone of their quiet hours.
    pub zone: String,
    /// Whether mail is sent at all.
    pub mail_is_sent: bool,
}

/// A mail to be handed to the mail server.
#[derive(Debug, Clone)]
pub struct Letter {
    /// The notice; its Message-ID is made of it.
    pub id: Uuid,
    /// The hold on it.
    pub lease_id: Uuid,
    /// Their name.
    pub to_name: String,
    /// Their address.
    pub to_address: String,
    /// One line.
    pub subject: String,
    /// Plain text.
    pub body: String,
    /// When it was written.
    pub written_at: DateTime<Utc>,
    attempts: usize,
}

/// How handing it over went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Handed {
    /// The mail server took it.
    Over,
    /// Not now: the server is out of reach, or said so.
    NotNow(String),
    /// Never: the server refuses it, or it cannot be written.
    Never(String),
}

impl App {
    /// The same application with mail.
    #[must_use]
    pub fn telling(self, telling: Telling) -> Self {
        Self { telling, ..self }
    }

    /// Mails in the order of their writing, newest first: all for coordinators, their own for others.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_notices(&self, caller: &Caller, page: Page) -> Result<Vec<Notice>> {
        self.read(Operation::ListNotices, caller, async |tx, actor| {
            let own = (!actor.is_coordinator()).then_some(actor.member_id);
            Ok(store::list(tx, own, self.clock().now(), page).await?)
        })
        .await
    }

    /// What the member hears.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn read_notice_choices(&self, caller: &Caller) -> Result<MyNotices> {
        let operation = Operation::ReadNoticeChoices;
        self.write(operation, caller, async |tx, actor| {
            let choice = store::choice(tx, actor.member_id).await?;
            self.my_notices(tx, &actor.sites(), choice.unwrap_or_else(usual))
                .await
        })
        .await
    }

    /// Chooses what the member hears, and when not.
    ///
    /// # Errors
    /// [`Error::Stale`], [`Error::Invalid`].
    pub async fn choose_notices(
        &self,
        caller: &Caller,
        expected: Option<i64>,
        chosen: &NoticeChoice,
    ) -> Result<MyNotices> {
        check_choice(chosen)?;
        let operation = Operation::ChooseNotices;
        self.write(operation, caller, async |tx, actor| {
            // the member first, so that two first choices come one after the other
            members::lock(tx, actor.member_id).await?;
            let kept = store::choice(tx, actor.member_id).await?;
            require_version(expected, kept.map_or(0, |kept| kept.version))?;
            let choice = store::choose(tx, actor.member_id, chosen).await?;
            let changed = Changed {
                noun: "notice_choice",
                id: actor.member_id,
            };
            self.audit(tx, operation, caller, changed, &choice).await?;
            self.my_notices(tx, &actor.sites(), choice).await
        })
        .await
    }

    async fn my_notices(
        &self,
        tx: &mut Tx,
        at: &[Uuid],
        choice: NoticeChoice,
    ) -> Result<MyNotices> {
        let zone = match &choice.zone {
            Some(zone) => Some(zone.clone()),
            None => sites::zone_among(tx, at).await?,
        };
        Ok(MyNotices {
            choice,
            zone: zone.unwrap_or_else(|| "UTC".into()),
            mail_is_sent: self.telling.mail_is_sent,
        })
    }

    async fn write_down(&self, tx: &mut Tx, cooperative_id: Uuid, new: NewNotice) -> Result<bool> {
        let new = NewNotice {
            subject: one_line(&new.subject),
            ..new
        };
        Ok(store::insert(tx, self.new_id(), cooperative_id, &new).await?)
    }

    /// Sends an invitation or a password reset to its member. The token of the link is put in as the
    /// mail goes out.
    pub(crate) async fn tell_link(
        &self,
        tx: &mut Tx,
        kind: &'static str,
        member: &Member,
        link: &Link,
    ) -> Result<()> {
        let cooperative_id = tx.cooperative_id();
        let name = cooperatives::get(tx, cooperative_id)
            .await?
            .map(|cooperative| cooperative.name)
            .unwrap_or_default();
        let (subject, body) = words::link(kind, &member.name, &name, link.expires_at);
        let new = NewNotice {
            member_id: member.id,
            kind,
            about: format!("link:{}", link.id),
            subject,
            body,
            link_id: Some(link.id),
            due_at: self.clock().now(),
            expires_at: link.expires_at,
        };
        self.write_down(tx, cooperative_id, new).await?;
        Ok(())
    }

    /// Tells those who want to know it that a place of a task has come free.
    pub(crate) async fn tell_task_free(&self, tx: &mut Tx, task: &Task, ended: Uuid) -> Result<()> {
        let now = self.clock().now();
        let cooperative_id = tx.cooperative_id();
        let zone: SiteZone = task.zone.parse().map_err(Error::internal)?;
        let (subject, body) = words::task_free(task, zone);
        // work that was not done by its due time can still be done until it counts as missed
        let expires_at = task
            .missed_after
            .unwrap_or(task.due_at + LATE_WORK)
            .max(task.due_at);
        for member_id in store::wanting_free_tasks(tx, task.site_id).await? {
            if expires_at <= now || task.holders.iter().any(|h| h.member_id == member_id) {
                continue;
            }
            let new = NewNotice {
                member_id,
                kind: "task_free",
                about: format!("task:{}:{ended}", task.id),
                subject: subject.clone(),
                body: body.clone(),
                link_id: None,
                due_at: now,
                expires_at,
            };
            self.write_down(tx, cooperative_id, new).await?;
        }
        Ok(())
    }

    /// Tells coordinators something once: low stock, or a week at risk.
    pub(crate) async fn tell_coordinators(
        &self,
        tx: &mut Tx,
        kind: &'static str,
        about: &str,
        subject: &str,
        body: &str,
    ) -> Result<()> {
        let now = self.clock().now();
        let cooperative_id = tx.cooperative_id();
        for member_id in store::coordinators(tx).await? {
            let new = NewNotice {
                member_id,
                kind,
                about: about.chars().take(200).collect(),
                subject: subject.to_owned(),
                body: body.to_owned(),
                link_id: None,
                due_at: now,
                expires_at: now + WORTH_TELLING,
            };
            self.write_down(tx, cooperative_id, new).await?;
        }
        Ok(())
    }

    /// Takes the next mail that may go out now. On the way, what nobody needs any more or did not choose
    /// is withdrawn, and what falls into quiet hours waits for their end.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn lease_letter(&self) -> Result<Option<Letter>> {
        self.store()
            .write("lease_letter", Scope::System, async |tx| {
                let now = self.clock().now();
                while let Some(taken) = store::lease(tx, self.new_id(), now, now + LEASE).await? {
                    match hindrance(&taken, now) {
                        Some(end) => {
                            store::end_lease(tx, taken.id, taken.lease_id, &end).await?;
                        }
                        None => return Ok(Some(self.letter(taken))),
                    }
                }
                Ok(None)
            })
            .await
    }

    fn letter(&self, taken: LeasedNotice) -> Letter {
        let mut body = taken.body;
        if let Some(id) = taken.link_id {
            let token = self.keys.link_token(id);
            let link = match &self.telling.link_address {
                Some(address) => address.replace("{token}", &token),
                None => token,
            };
            body = body.replace(words::LINK_HERE, &link);
        }
        Letter {
            id: taken.id,
            lease_id: taken.lease_id,
            to_name: one_line(&taken.member_name),
            to_address: taken.email,
            subject: one_line(&taken.subject),
            body,
            written_at: taken.created_at,
            attempts: usize::try_from(taken.attempts).unwrap_or(usize::MAX),
        }
    }

    /// Records how handing a mail over went; whether the hold on it was still the caller's.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn record_letter(&self, letter: &Letter, handed: &Handed) -> Result<bool> {
        let now = self.clock().now();
        let end = match handed {
            Handed::Over => NoticeEnd::Sent(now),
            Handed::Never(why) => NoticeEnd::GivenUp(why.clone()),
            Handed::NotNow(why) => match PAUSES.get(letter.attempts.saturating_sub(1)) {
                Some(pause) => NoticeEnd::Again(now + *pause, why.clone()),
                None => NoticeEnd::GivenUp(format!("tried {} times: {why}", letter.attempts)),
            },
        };
        self.store()
            .write("record_letter", Scope::System, async |tx| {
                Ok(store::end_lease(tx, letter.id, letter.lease_id, &end).await?)
            })
            .await
    }
}

/// Whether the morning has begun on the day that it is in a zone.
fn is_up(zone: SiteZone, now: DateTime<Utc>) -> bool {
    let from = NaiveTime::from_hms_opt(MORNING, 0, 0).unwrap_or_default();
    now >= zone.instant(zone.today(now).and_time(from))
}

/// Why a mail does not go out now, if it does not.
fn hindrance(taken: &LeasedNotice, now: DateTime<Utc>) -> Option<NoticeEnd> {
    if taken.member_left {
        return Some(NoticeEnd::Withdrawn("the member has left"));
    }
    if taken.expires_at <= now {
        return Some(NoticeEnd::Withdrawn("too late"));
    }
    if !taken.still_true {
        return Some(NoticeEnd::Withdrawn("no longer so"));
    }
    let attempts = usize::try_from(taken.attempts).unwrap_or(usize::MAX);
    if attempts > MOST_ATTEMPTS {
        let why = "begun several times and never came to its end".into();
        return Some(NoticeEnd::GivenUp(why));
    }
    // what somebody asked for is told at once, whatever they chose
    if !CHOSEN_KINDS.iter().any(|(kind, _)| *kind == taken.kind) {
        return None;
    }
    let wanted = match &taken.kinds {
        Some(kinds) => kinds.contains(&taken.kind),
        None => told_by_default(&taken.kind),
    };
    if !wanted {
        return Some(NoticeEnd::Withdrawn("not chosen"));
    }
    let quiet = (taken.quiet_from.zip(taken.quiet_to)).and_then(|(from, to)| {
        let zone = taken.zone.as_deref().unwrap_or("UTC").parse().ok()?;
        QuietHours::new(zone, from, to)
    })?;
    let allowed = quiet.next_allowed(now);
    (allowed > now).then_some(NoticeEnd::PutOff(allowed))
}

fn told_by_default(kind: &str) -> bool {
    CHOSEN_KINDS
        .iter()
        .any(|(known, usual)| *known == kind && *usual)
}

fn usual() -> NoticeChoice {
    NoticeChoice {
        kinds: CHOSEN_KINDS
            .iter()
            .filter(|(_, usual)| *usual)
            .map(|(kind, _)| (*kind).to_owned())
            .collect(),
        quiet_from: None,
        quiet_to: None,
        zone: None,
        reminder_minutes_ahead: minutes(REMINDED_AHEAD),
        version: 0,
    }
}

/// How long before its work a reminder comes for those who have chosen nothing, in minutes.
pub fn usual_reminder_minutes() -> i32 {
    minutes(REMINDED_AHEAD)
}

fn minutes(length: TimeDelta) -> i32 {
    i32::try_from(length.num_minutes()).unwrap_or(i32::MAX)
}

fn check_choice(chosen: &NoticeChoice) -> Result<()> {
    let mut problems = Problems::new();
    problems.within(
        "/reminder_minutes_ahead",
        chosen.reminder_minutes_ahead.into(),
        LEAST_REMINDED_AHEAD.num_minutes(),
        MOST_REMINDED_AHEAD.num_minutes(),
    );
    for (at, kind) in chosen.kinds.iter().enumerate() {
        if !CHOSEN_KINDS.iter().any(|(known, _)| known == kind) {
            let known = CHOSEN_KINDS.map(|(kind, _)| kind).join(", ");
            problems.add(
                format!("/kinds/{at}"),
                "unknown",
                format!("must be one of {known}"),
            );
        }
    }
    if chosen.quiet_from.is_some() != chosen.quiet_to.is_some() {
        problems.add(
            "/quiet_to",
            "missing",
            "quiet hours have a beginning and an end",
        );
    }
    if chosen.quiet_from.is_some() && chosen.quiet_from == chosen.quiet_to {
        problems.add(
            "/quiet_to",
            "range",
            "must be another time than the beginning",
        );
    }
    if let Some(fault) = chosen
        .zone
        .as_deref()
        .and_then(|zone| zone.parse::<SiteZone>().err())
    {
        problems.add("/zone", "unknown", fault.to_string());
    }
    problems.finish()
}

/// A text without line ends and other control characters, cut to what a subject may have.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(200)
        .collect()
}
