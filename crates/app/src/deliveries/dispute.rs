//! The recipient's reader says that something else came; the co-operative corrects, or says why not.
//!
//! Both are entries. Whether a delivery is disputed follows from its disputes: its own states stay as
//! they are, since what was handed over was handed over.

use std::collections::BTreeSet;

use cotyl_domain::{DeliveryState, Operation, Refusal};
use cotyl_store::Tx;
use cotyl_store::deliveries::{self, DeliveryCorrection, DeliveryLine};
use cotyl_store::disputes::{self, Dispute, DisputeLine, NewAnswer};
use serde::Serialize;
use uuid::Uuid;

use super::{DeliveryDetail, detail, lock, require_state};
use crate::cuts::{MOST_MILLIGRAMS, NewWeight, change};
use crate::input::Problems;
use crate::{App, Caller, Error, Result};

/// The most lines that one dispute or answer may name.
const MOST_LINES: usize = 200;

/// The weight of a line, as found by the recipient or corrected by the co-operative.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct LineWeight {
    /// The line.
    pub line_id: Uuid,
    /// Its weight.
    pub milligrams: i64,
}

/// What is told about a dispute.
#[derive(Debug, Clone, Serialize)]
pub struct DisputeFields {
    /// Why.
    pub reason: String,
    /// What was found of lines; may be empty when the trouble is none of weight.
    pub lines: Vec<LineWeight>,
}

/// How the co-operative answers.
#[derive(Debug, Clone, Serialize)]
pub struct AnswerFields {
    /// What it says.
    pub statement: String,
    /// Lines with their weight as it should have been; none when the dispute is rejected.
    pub corrections: Vec<LineWeight>,
}

impl App {
    /// Disputes what came; for readers of the recipient, after the hand-over.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] before the hand-over; [`Refusal::DisputeOpen`] while an earlier dispute is
    /// not answered; [`Error::Invalid`] for lines of another delivery.
    pub async fn dispute_delivery(
        &self,
        caller: &Caller,
        id: Uuid,
        fields: &DisputeFields,
    ) -> Result<DeliveryDetail> {
        check(("/reason", &fields.reason, 1000), &fields.lines, "/lines")?;
        let operation = Operation::DisputeDelivery;
        self.write_once(operation, caller, async |tx, actor| {
            let delivery = lock(tx, actor, operation, id).await?;
            if delivery.state != DeliveryState::Confirmed.as_str() {
                require_state(&delivery, DeliveryState::HandedOver, "disputed")?;
            }
            let lines = deliveries::lines(tx, id).await?;
            for (index, line) in fields.lines.iter().enumerate() {
                line_of(&lines, line.line_id, &format!("/lines/{index}"))?;
            }
            let dispute = Dispute {
                id: self.new_id(),
                delivery_id: id,
                reason: fields.reason.trim().to_owned(),
                member_id: actor.member_id,
                recorded_at: self.clock().now(),
                outcome: None,
                statement: None,
                answered_by: None,
                answered_at: None,
            };
            disputes::insert(tx, &dispute).await?;
            for line in &fields.lines {
                let found = DisputeLine {
                    dispute_id: dispute.id,
                    delivery_line_id: line.line_id,
                    found_milligrams: line.milligrams,
                };
                disputes::insert_line(tx, found).await?;
            }
            deliveries::count_version(tx, id).await?;
            self.audit_delivery(tx, operation, caller, id, fields)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Answers a dispute: with corrections of lines, each an entry that names it, or with a statement
    /// that rejects it.
    ///
    /// # Errors
    /// [`Error::NotFound`] for no dispute of the delivery; [`Refusal::Taken`] when it is answered;
    /// [`Refusal::MoreThanCut`] when more would be delivered than was cut.
    pub async fn answer_dispute(
        &self,
        caller: &Caller,
        id: Uuid,
        dispute_id: Uuid,
        fields: &AnswerFields,
    ) -> Result<DeliveryDetail> {
        let lines = &fields.corrections;
        // it becomes the reason of the corrections
        check(
            ("/statement", &fields.statement, 300),
            lines,
            "/corrections",
        )?;
        let operation = Operation::AnswerDispute;
        self.write_once(operation, caller, async |tx, actor| {
            lock(tx, actor, operation, id).await?;
            require_open(tx, id, dispute_id).await?;
            let outcome = if fields.corrections.is_empty() {
                "rejected"
            } else {
                "corrected"
            };
            let answer = NewAnswer {
                id: self.new_id(),
                dispute_id,
                outcome,
                statement: fields.statement.trim(),
                member_id: actor.member_id,
                recorded_at: self.clock().now(),
            };
            self.correct_for(tx, id, &answer, &fields.corrections)
                .await?;
            disputes::insert_answer(tx, &answer).await?;
            deliveries::count_version(tx, id).await?;
            self.audit_delivery(tx, operation, caller, id, &answer)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Cuts are held in the order of their ids, as when packing.
    async fn correct_for(
        &self,
        tx: &mut Tx,
        id: Uuid,
        answer: &NewAnswer<'_>,
        corrections: &[LineWeight],
    ) -> Result<()> {
        let lines = deliveries::lines(tx, id).await?;
        let mut wanted = Vec::with_capacity(corrections.len());
        for (index, correction) in corrections.iter().enumerate() {
            let prefix = format!("/corrections/{index}");
            let line = line_of(&lines, correction.line_id, &prefix)?;
            let change_milligrams = change(line.milligrams, NewWeight::To(correction.milligrams))
                .map_err(|error| under(error, &prefix))?;
            wanted.push((line.cut_id, line.id, change_milligrams));
        }
        wanted.sort_unstable();
        for (_, delivery_line_id, change_milligrams) in wanted {
            let correction = DeliveryCorrection {
                id: self.new_id(),
                delivery_line_id,
                change_milligrams,
                reason: answer.statement.to_owned(),
                member_id: answer.member_id,
                recorded_at: answer.recorded_at,
                dispute_id: Some(answer.dispute_id),
            };
            deliveries::insert_correction(tx, &correction).await?;
        }
        Ok(())
    }
}

fn check(
    (pointer, text, most): (&str, &str, usize),
    lines: &[LineWeight],
    lines_pointer: &str,
) -> Result<()> {
    let mut problems = Problems::new();
    problems.text(pointer, text, 1, most);
    problems.require(
        lines.len() <= MOST_LINES,
        lines_pointer,
        "length",
        "may be at most 200",
    );
    let mut seen = BTreeSet::new();
    for (index, line) in lines.iter().enumerate() {
        problems.require(
            (0..=MOST_MILLIGRAMS).contains(&line.milligrams),
            &format!("{lines_pointer}/{index}/weight"),
            "range",
            "must not be less than nothing, and at most 1000000 kg",
        );
        problems.require(
            seen.insert(line.line_id),
            &format!("{lines_pointer}/{index}/line_id"),
            "twice",
            "names a line that was named before",
        );
    }
    problems.finish()
}

fn line_of<'a>(lines: &'a [DeliveryLine], id: Uuid, prefix: &str) -> Result<&'a DeliveryLine> {
    lines.iter().find(|line| line.id == id).ok_or_else(|| {
        Error::field(
            format!("{prefix}/line_id"),
            "unknown",
            "there is no such line in this delivery",
        )
    })
}

fn under(error: Error, prefix: &str) -> Error {
    match error {
        Error::Invalid(problems) => Error::Invalid(
            problems
                .into_iter()
                .map(|problem| problem.under(prefix))
                .collect(),
        ),
        other => other,
    }
}

async fn require_open(tx: &mut Tx, delivery_id: Uuid, dispute_id: Uuid) -> Result<()> {
    let dispute = disputes::of_delivery(tx, delivery_id)
        .await?
        .into_iter()
        .find(|dispute| dispute.id == dispute_id)
        .ok_or(Error::NotFound("dispute"))?;
    match dispute.outcome {
        None => Ok(()),
        Some(outcome) => Err(Refusal::WrongState {
            what: "the dispute".into(),
            state: format!("{outcome} already"),
            step: "answered".into(),
        }
        .into()),
    }
}
