//! Recalls: what is suspect, which deliveries it affects, who is told by whom, until all of them are; and until when
//! what is suspect is held back.

use chrono::{DateTime, Utc};
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::recalls::{self, AffectedDelivery, NewRecall, Notice, Recall, RecallEntry, Told};
use cotyl_store::traces::{Start, Within, details};
use cotyl_store::{Page, Tx, cooperatives, members};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::traces::{Direction, MOST_RECORDS, Suspect, TraceWanted, follow};
use crate::{App, Caller, Changed, Error, Result};

/// What a recall is drafted from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RecallFields {
    /// What to call it.
    pub title: String,
    /// Why.
    pub why: String,
    /// What is suspect.
    pub suspect: Suspect,
}

/// A recall as a member may see it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecallDetail {
    /// The recall.
    pub recall: Recall,
    /// The deliveries of its last trace, without those that were withdrawn since.
    pub deliveries: Vec<AffectedDelivery>,
    /// Who is to be told.
    pub notices: Vec<Notice>,
    /// What was done, in order; empty for those who only tell a recipient.
    pub entries: Vec<RecallEntry>,
}

impl RecallDetail {
    /// The suspect weight that a recipient got or is to get.
    pub fn milligrams_to(&self, recipient_id: Uuid) -> i64 {
        let own = self.deliveries.iter();
        let own = own.filter(|delivery| delivery.recipient_id == recipient_id);
        own.map(|delivery| delivery.milligrams).sum()
    }

    /// Whether a recipient knows what the last trace found. Whoever was told of a delivery that was withdrawn since
    /// knows of more than there is, and need not be told again.
    pub fn is_told(&self, notice: &Notice) -> bool {
        let weight = self.milligrams_to(notice.recipient_id);
        let of_last_trace = notice.told_revision == Some(self.recall.revision);
        match notice.told_milligrams {
            None => weight == 0,
            Some(told) => {
                of_last_trace || told == weight || told == weight + notice.withdrawn_milligrams
            }
        }
    }

    /// Those who do not.
    fn untold(&self) -> impl Iterator<Item = &Notice> {
        self.notices.iter().filter(|notice| !self.is_told(notice))
    }
}

impl App {
    /// Drafts a recall: traces what is suspect and keeps which deliveries it affects.
    ///
    /// # Errors
    /// [`Error::Invalid`], also for what is not there; [`Refusal::TooMuch`] for more than can be traced at once.
    pub async fn draft_recall(
        &self,
        caller: &Caller,
        fields: &RecallFields,
    ) -> Result<RecallDetail> {
        let mut problems = Problems::new();
        problems.name("/title", &fields.title);
        problems.text("/why", &fields.why, 1, 1000);
        fields.suspect.check(&mut problems, "/suspect/");
        problems.finish()?;
        self.write_once(Operation::DraftRecall, caller, async |tx, actor| {
            let suspect = &fields.suspect;
            let start = suspect.start(tx).await.map_err(|error| match error {
                Error::NotFound(what) => {
                    let detail = format!("there is no such {what} in this co-operative");
                    Error::field("/suspect/id", "unknown", detail)
                }
                other => other,
            })?;
            let id = self.new_id();
            let recall = NewRecall {
                id,
                title: fields.title.trim(),
                why: fields.why.trim(),
                suspect_kind: suspect.of.as_str(),
                suspect_id: start.id,
                suspect_name: &start.name.chars().take(300).collect::<String>(),
                days: (suspect.first_day, suspect.last_day),
                drafted_by: actor.member_id,
                drafted_at: self.clock().now(),
            };
            recalls::insert(tx, &recall).await?;
            let found = self.trace_recall(tx, (id, 1), suspect, start).await?;
            self.note_recall(tx, Operation::DraftRecall, caller, (id, "drafted", found))
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// One recall.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none that the caller may see.
    pub async fn read_recall(&self, caller: &Caller, id: Uuid) -> Result<RecallDetail> {
        self.read(Operation::ReadRecall, caller, async |tx, actor| {
            let found = detail(tx, id).await?;
            visible(actor, found).ok_or(Error::NotFound("recall"))
        })
        .await
    }

    /// A page of recalls that the caller may see.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a state that there is not.
    pub async fn list_recalls(
        &self,
        caller: &Caller,
        state: Option<&str>,
        page: Page,
    ) -> Result<Vec<Recall>> {
        if state.is_some_and(|state| !["draft", "under_way", "closed"].contains(&state)) {
            let detail = "must be draft, under_way or closed";
            return Err(Error::field("state", "unknown", detail));
        }
        self.read(Operation::ListRecalls, caller, async |tx, actor| {
            let reach = Operation::ListRecalls.reach(actor);
            let own = (!reach.all).then_some(actor.member_id);
            Ok(recalls::list(tx, state, own, page).await?)
        })
        .await
    }

    /// Traces what is suspect again: deliveries packed, told late or corrected since are found. A closed recall is
    /// under way again when somebody is to be told of them: to close it said that everybody was.
    ///
    /// # Errors
    /// [`Error::Stale`]; [`Refusal::WrongState`] for a released one; [`Refusal::TooMuch`].
    pub async fn retrace_recall(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<RecallDetail> {
        self.write(Operation::RetraceRecall, caller, async |tx, _| {
            let mut recall = lock(tx, id).await?;
            require_version(expected, recall.version)?;
            require_not_released(&recall, "traced again")?;
            let mut found = self.trace_again(tx, &mut recall).await?;
            if recall.state == "closed" && detail(tx, id).await?.untold().next().is_some() {
                recall.state = "under_way".to_owned();
                recall.closed_at = None;
                recall.outcome.clear();
                recalls::update(tx, &recall).await?;
                found["reopened"] = json!(true);
            }
            self.note_recall(tx, Operation::RetraceRecall, caller, (id, "traced", found))
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Starts a drafted recall: from now on recipients are told, and what is suspect is held back. It is traced again
    /// once nobody can pack any of it any more, so that all that was packed is found.
    ///
    /// # Errors
    /// [`Error::Stale`]; [`Refusal::WrongState`]; [`Refusal::TooMuch`].
    pub async fn start_recall(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<RecallDetail> {
        self.write(Operation::StartRecall, caller, async |tx, _| {
            // nobody packs or hands over meanwhile
            cooperatives::hold(tx).await?;
            let mut recall = lock(tx, id).await?;
            require_version(expected, recall.version)?;
            require_state(&recall, &["draft"], "started")?;
            recall.state = "under_way".to_owned();
            recall.started_at = Some(self.clock().now());
            let found = self.trace_again(tx, &mut recall).await?;
            self.note_recall(tx, Operation::StartRecall, caller, (id, "started", found))
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Names the member who is to tell a recipient.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a recipient who is not affected or a member who is not there;
    /// [`Refusal::WrongState`] for a closed one.
    pub async fn assign_recall_notice(
        &self,
        caller: &Caller,
        id: Uuid,
        (recipient_id, member_id): (Uuid, Uuid),
    ) -> Result<RecallDetail> {
        self.write_once(Operation::AssignRecallNotice, caller, async |tx, _| {
            let recall = lock(tx, id).await?;
            require_state(&recall, &["draft", "under_way"], "assigned")?;
            notice(tx, id, recipient_id).await?;
            let member = members::get(tx, member_id).await?.ok_or_else(|| {
                let detail = "there is no such member in this co-operative";
                Error::field("/member_id", "unknown", detail)
            })?;
            require_not_retired("the member", &member.retired_at)?;
            recalls::assign(tx, id, recipient_id, member_id).await?;
            recalls::update(tx, &recall).await?;
            let told = json!({"recipient_id": recipient_id, "member_id": member_id});
            let entry = (id, "assigned", told);
            self.note_recall(tx, Operation::AssignRecallNotice, caller, entry)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Notes that a recipient was told what the last trace found; by a coordinator, or by the member who was to do
    /// it.
    ///
    /// # Errors
    /// [`Error::Forbidden`] for anybody else; [`Error::Invalid`]; [`Refusal::WrongState`] unless it is under way.
    pub async fn tell_recall_notice(
        &self,
        caller: &Caller,
        id: Uuid,
        recipient_id: Uuid,
        (told_at, note): (Option<DateTime<Utc>>, &str),
    ) -> Result<RecallDetail> {
        let mut problems = Problems::new();
        problems.text("/note", note, 0, 1000);
        problems.finish()?;
        let operation = Operation::TellRecallNotice;
        self.write_once(operation, caller, async |tx, actor| {
            let recall = lock(tx, id).await?;
            let before = detail(tx, id).await?;
            let Some(before) = visible(actor, before) else {
                return Err(Error::NotFound("recall"));
            };
            let notice = notice(tx, id, recipient_id).await?;
            let may = operation.reach(actor).all || notice.assigned_to == Some(actor.member_id);
            if !may {
                return Err(Error::Forbidden(operation));
            }
            require_state(&recall, &["under_way"], "told of")?;
            let at = self.happened_at("/told_at", told_at)?;
            let told = Told {
                at,
                by: actor.member_id,
                revision: recall.revision,
                milligrams: before.milligrams_to(recipient_id),
                note: note.trim(),
            };
            recalls::tell(tx, id, recipient_id, told).await?;
            recalls::update(tx, &recall).await?;
            let entry = json!({
                "recipient_id": recipient_id, "told_at": at, "revision": told.revision,
                "milligrams": told.milligrams, "note": told.note,
            });
            self.note_recall(tx, operation, caller, (id, "told", entry))
                .await?;
            let after = detail(tx, id).await?;
            visible(actor, after).ok_or(Error::NotFound("recall"))
        })
        .await
    }

    /// Closes a recall when every recipient knows what its last trace found.
    ///
    /// # Errors
    /// [`Error::Stale`]; [`Error::Invalid`]; [`Refusal::WrongState`] unless it is under way and everybody is told.
    pub async fn close_recall(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        outcome: &str,
    ) -> Result<RecallDetail> {
        let mut problems = Problems::new();
        problems.text("/outcome", outcome, 1, 1000);
        problems.finish()?;
        self.write(Operation::CloseRecall, caller, async |tx, _| {
            let mut recall = lock(tx, id).await?;
            require_version(expected, recall.version)?;
            require_state(&recall, &["under_way"], "closed")?;
            let found = detail(tx, id).await?;
            let untold: Vec<&str> = found.untold().map(|n| n.recipient_name.as_str()).collect();
            if !untold.is_empty() {
                return Err(Refusal::WrongState {
                    what: "the recall".into(),
                    state: format!("not told in full to {}", untold.join(", ")),
                    step: "closed".into(),
                }
                .into());
            }
            recall.state = "closed".to_owned();
            recall.closed_at = Some(self.clock().now());
            outcome.trim().clone_into(&mut recall.outcome);
            recalls::update(tx, &recall).await?;
            let entry = (id, "closed", json!({"outcome": recall.outcome}));
            self.note_recall(tx, Operation::CloseRecall, caller, entry)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Ends that a recall holds back what is suspect; under way or closed, and once.
    ///
    /// # Errors
    /// [`Error::Stale`]; [`Error::Invalid`]; [`Refusal::WrongState`].
    pub async fn release_recall(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        why: &str,
    ) -> Result<RecallDetail> {
        let mut problems = Problems::new();
        problems.text("/why", why, 1, 1000);
        problems.finish()?;
        self.write_once(Operation::ReleaseRecall, caller, async |tx, actor| {
            // nobody packs or hands over meanwhile
            cooperatives::hold(tx).await?;
            let mut recall = lock(tx, id).await?;
            require_version(expected, recall.version)?;
            require_state(&recall, &["under_way", "closed"], "released")?;
            require_not_released(&recall, "released again")?;
            recall.released_at = Some(self.clock().now());
            recall.released_by = Some(actor.member_id);
            recalls::update(tx, &recall).await?;
            let entry = (id, "released", json!({"why": why.trim()}));
            self.note_recall(tx, Operation::ReleaseRecall, caller, entry)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Keeps a recall with one trace more, and says what that found.
    async fn trace_again(&self, tx: &mut Tx, recall: &mut Recall) -> Result<Value> {
        recall.revision += 1;
        recalls::update(tx, recall).await?;
        let suspect = Suspect::of_recall(recall)?;
        let start = suspect.start(tx).await?;
        self.trace_recall(tx, (recall.id, recall.revision), &suspect, start)
            .await
    }

    /// Traces what is suspect, keeps what it affects, and says what was found.
    async fn trace_recall(
        &self,
        tx: &mut Tx,
        (id, revision): (Uuid, i32),
        suspect: &Suspect,
        start: Start,
    ) -> Result<Value> {
        let wanted = TraceWanted {
            suspect: suspect.clone(),
            direction: Direction::Forward,
            most: MOST_RECORDS,
        };
        let followed = follow(tx, &wanted, start, Within::everywhere(MOST_RECORDS)).await?;
        if followed.is_cut_short {
            return Err(Refusal::TooMuch {
                what: "the records that are traced for one recall; narrow it to days or to single sowings".into(),
                most: MOST_RECORDS,
            }
            .into());
        }
        let now = self.clock().now();
        for delivery in details::deliveries(tx, &followed.ids).await? {
            if delivery.milligrams > 0 {
                let ids = (self.new_id(), self.new_id());
                let affected = (delivery.id, delivery.recipient_id, delivery.milligrams);
                recalls::insert_delivery(tx, ids, (id, revision), affected, now).await?;
            }
        }
        Ok(json!({"revision": revision, "found": followed.ids}))
    }

    async fn note_recall(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        (id, kind, what): (Uuid, &'static str, Value),
    ) -> Result<()> {
        let entry = RecallEntry {
            id: self.new_id(),
            kind: kind.to_owned(),
            member_id: caller.member_id,
            recorded_at: self.clock().now(),
            detail: what,
        };
        recalls::insert_entry(tx, id, &entry).await?;
        let changed = Changed { noun: "recall", id };
        self.audit(tx, operation, caller, changed, &entry.detail)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Recall> {
    recalls::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("recall"))
}

async fn detail(tx: &mut Tx, id: Uuid) -> Result<RecallDetail> {
    Ok(RecallDetail {
        recall: recalls::get(tx, id)
            .await?
            .ok_or(Error::NotFound("recall"))?,
        deliveries: recalls::deliveries(tx, id).await?,
        notices: recalls::notices(tx, id).await?,
        entries: recalls::entries(tx, id).await?,
    })
}

/// What a member may see of a recall: all of it, or what they are to tell.
fn visible(actor: &Actor, mut found: RecallDetail) -> Option<RecallDetail> {
    if Operation::ReadRecall.reach(actor).all {
        return Some(found);
    }
    found
        .notices
        .retain(|notice| notice.assigned_to == Some(actor.member_id));
    let own: Vec<Uuid> = found.notices.iter().map(|n| n.recipient_id).collect();
    found
        .deliveries
        .retain(|delivery| own.contains(&delivery.recipient_id));
    found.entries.clear();
    (!found.notices.is_empty()).then_some(found)
}

async fn notice(tx: &mut Tx, id: Uuid, recipient_id: Uuid) -> Result<Notice> {
    let notices = recalls::notices(tx, id).await?;
    let own = |notice: &Notice| notice.recipient_id == recipient_id;
    notices.into_iter().find(own).ok_or_else(|| {
        let detail = "must be a recipient whom this recall affects";
        Error::field("/recipient_id", "unknown", detail)
    })
}

fn require_state(recall: &Recall, states: &[&str], step: &str) -> Result<()> {
    if states.contains(&recall.state.as_str()) {
        return Ok(());
    }
    Err(Refusal::WrongState {
        what: "the recall".into(),
        state: recall.state.replace('_', " "),
        step: step.into(),
    }
    .into())
}

fn require_not_released(recall: &Recall, step: &str) -> Result<()> {
    if recall.released_at.is_none() {
        return Ok(());
    }
    Err(Refusal::WrongState {
        what: "the recall".into(),
        state: "released".into(),
        step: step.into(),
    }
    .into())
}
