//! Withdrawing a delivery that was packed by mistake, before anybody got it.
//!
//! Its rows stay. What is in it goes back to the cuts by corrections, one for each line, so that whatever adds up lines
//! leaves it out without asking for its state; and the work that it finished is to be done again.

use cotyl_domain::{Actor, DeliveryState, Operation, Refusal};
use cotyl_store::deliveries::{self, Delivery, DeliveryCorrection, Withdrawal};
use cotyl_store::{Tx, cooperatives, tasks};
use serde_json::json;
use uuid::Uuid;

use super::{DeliveryDetail, detail, lock, require_state};
use crate::input::{Problems, require_version};
use crate::withheld::Withheld;
use crate::{App, Caller, Changed, Result};

impl App {
    /// Withdraws a delivery that is packed, for good: its grams go back to their cuts, and tasks that it finished are
    /// to be done again.
    ///
    /// # Errors
    /// [`crate::Error::Stale`]; [`crate::Error::Invalid`]; [`Refusal::WrongState`] when it was handed over or withdrawn;
    /// [`Refusal::DeliveryWithheld`] when there is something in it and a recall holds it back as a whole: its trays
    /// would be free again.
    pub async fn withdraw_delivery(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        reason: &str,
    ) -> Result<DeliveryDetail> {
        let mut problems = Problems::new();
        problems.text("/reason", reason, 1, 300);
        problems.finish()?;
        let operation = Operation::WithdrawDelivery;
        self.write_once(operation, caller, async |tx, actor| {
            // no recall starts or is released meanwhile
            cooperatives::share(tx).await?;
            // tasks come before deliveries in the order of locks
            let finished = tasks::packed_as(tx, id).await?;
            tasks::hold(tx, &finished).await?;
            let delivery = lock(tx, actor, operation, id).await?;
            if tasks::packed_as(tx, id).await? != finished {
                return Err(cotyl_store::Error::overtaken().into());
            }
            require_version(expected, delivery.version)?;
            require_state(&delivery, DeliveryState::Packed, "withdrawn")?;
            require_not_suspect(tx, &delivery).await?;
            let withdrawal = Withdrawal {
                at: self.clock().now(),
                member_id: actor.member_id,
                reason: reason.trim(),
            };
            self.empty(tx, actor, id, &withdrawal).await?;
            deliveries::withdraw(tx, id, &withdrawal).await?;
            tasks::open_again(tx, &finished).await?;
            self.audit_delivery(tx, operation, caller, id, &withdrawal)
                .await?;
            for id in finished {
                let changed = Changed { noun: "task", id };
                let became = json!({"state": "open", "withdrawn_delivery_id": delivery.id});
                self.audit(tx, operation, caller, changed, &became).await?;
            }
            detail(tx, id).await
        })
        .await
    }

    /// Corrects every line to nothing. Cuts are held in the order of their ids, as when packing.
    async fn empty(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        id: Uuid,
        withdrawal: &Withdrawal<'_>,
    ) -> Result<()> {
        let mut lines = deliveries::lines(tx, id).await?;
        lines.retain(|line| line.milligrams != 0);
        lines.sort_by_key(|line| (line.cut_id, line.id));
        for line in lines {
            let correction = DeliveryCorrection {
                id: self.new_id(),
                delivery_line_id: line.id,
                change_milligrams: -line.milligrams,
                reason: withdrawal.reason.to_owned(),
                member_id: actor.member_id,
                recorded_at: withdrawal.at,
                dispute_id: None,
            };
            deliveries::insert_correction(tx, &correction).await?;
        }
        Ok(())
    }
}

/// What a recall finds suspect because it is in this delivery is found nowhere else: it stays where it is.
async fn require_not_suspect(tx: &mut Tx, delivery: &Delivery) -> Result<()> {
    let is_empty = delivery.total_milligrams == 0;
    if is_empty || Withheld::load(tx).await?.of_delivery(delivery.id).is_none() {
        return Ok(());
    }
    Err(Refusal::DeliveryWithheld.into())
}
