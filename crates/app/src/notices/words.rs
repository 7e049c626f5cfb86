//! The words of mails: plain text, times by the clock where the work is.

use chrono::{DateTime, Utc};
use cotyl_calendar::SiteZone;
use cotyl_store::notices::{ClaimAhead, WeekFigures};
use cotyl_store::tasks::Task;

/// Where the link stands in a text that is kept.
pub(super) const LINK_HERE: &str = "(the link is put in here when the mail is sent)";

/// What a task is called.
pub fn called(kind: &str, title: Option<&str>) -> String {
    match title {
        Some(title) => title.to_owned(),
        None => {
            let words = kind.replace('_', " ");
            let mut letters = words.chars();
            letters.next().map_or(String::new(), |first| {
                first.to_uppercase().chain(letters).collect()
            })
        }
    }
}

fn window(zone: SiteZone, opens_at: DateTime<Utc>, due_at: DateTime<Utc>) -> String {
    let (opens, due) = (zone.local(opens_at), zone.local(due_at));
    let until = if opens.date_naive() == due.date_naive() {
        due.format("%H:%M").to_string()
    } else {
        due.format("%A %-d %B, %H:%M").to_string()
    };
    format!("{} to {until}", opens.format("%A %-d %B %Y, %H:%M"))
}

pub(super) fn link(
    kind: &str,
    member: &str,
    cooperative: &str,
    expires_at: DateTime<Utc>,
) -> (String, String) {
    let until = expires_at.format("%-d %B %Y, %H:%M UTC");
    let (subject, what) = if kind == "invitation" {
        (
            format!("Your invitation to {cooperative}"),
            format!("you are invited to help at {cooperative}. Accept with this link:"),
        )
    } else {
        (
            format!("A new password for {cooperative}"),
            "a coordinator made a link with which you can set a new password:".to_owned(),
        )
    };
    let body = format!(
        "Hello {member},\n\n{what}\n\n{LINK_HERE}\n\nIt works once, until {until}. Hand it to nobody else.\n"
    );
    (subject, body)
}

pub(super) fn reminder(claim: &ClaimAhead, zone: SiteZone) -> (String, String) {
    let what = called(&claim.kind, claim.title.as_deref());
    let when = window(zone, claim.opens_at, claim.due_at);
    let had = if claim.given {
        "You were given this task"
    } else {
        "You took this task"
    };
    let body = format!(
        "{had}:\n\n{what}\n{}\n{when}\n\nIf you cannot come, please give it back, so that somebody else can take it.\n",
        claim.site_name
    );
    (format!("Reminder: {what} at {}", claim.site_name), body)
}

pub(super) fn task_free(task: &Task, zone: SiteZone) -> (String, String) {
    let what = called(&task.kind, task.title.as_deref());
    let when = window(zone, task.opens_at, task.due_at);
    let body = format!(
        "This task was given back, and somebody is needed for it:\n\n{what}\n{}\n{when}\n",
        task.site_name
    );
    (format!("Free again: {what} at {}", task.site_name), body)
}

pub(super) fn summary(week: &str, figures: WeekFigures) -> (String, String) {
    let WeekFigures {
        mine,
        open,
        done,
        missed,
    } = figures;
    let body = format!(
        "Week {week}\n\nTasks that you hold this week: {mine}\nTasks at your sites that somebody is needed for: {open}\n\nLast week at your sites: {done} done, {missed} missed.\n"
    );
    (format!("Your week {week}"), body)
}
