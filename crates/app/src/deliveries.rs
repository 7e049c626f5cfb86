//! Deliveries: packed from cuts, handed over, confirmed, or withdrawn before that; corrected by entries.

mod dispute;
mod hand_over;
mod held_back;
mod pack;
mod withdraw;

use cotyl_calendar::IsoWeek;
use cotyl_domain::permission::Reach;
use cotyl_domain::{Actor, DeliveryState, Operation, Refusal};
use cotyl_store::deliveries::{
    self, Delivery, DeliveryCorrection, DeliveryFilter, DeliveryLine, Within,
};
use cotyl_store::disputes::{self, Dispute, DisputeLine};
use cotyl_store::{Page, Tx};
use serde::{Deserialize, Serialize};
use serde_json::json;
use uuid::Uuid;

use crate::cuts::{NewWeight, change};
use crate::input::Problems;
use crate::{App, Caller, Changed, Error, Result};

pub use dispute::{AnswerFields, DisputeFields, LineWeight};
pub use hand_over::HandOverFields;
pub(crate) use hand_over::{MEASURABLE_DECICELSIUS, MOST_AHEAD, MOST_LATE};
pub use held_back::WithheldBy;
pub use pack::{DeliveryFields, LineFields};

/// A delivery with its lines and their corrections.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeliveryDetail {
    /// The delivery.
    pub delivery: Delivery,
    /// Its lines in the order of packing.
    pub lines: Vec<DeliveryLine>,
    /// Corrections of its lines, the oldest first.
    pub corrections: Vec<DeliveryCorrection>,
    /// Its disputes, the oldest first.
    pub disputes: Vec<Dispute>,
    /// What was found of lines.
    pub found: Vec<DisputeLine>,
    /// The recalls that hold it back.
    #[serde(default)]
    pub withheld: WithheldBy,
}

/// Which deliveries are asked for.
#[derive(Debug, Clone, Default)]
pub struct DeliveriesWanted<'a> {
    /// To one recipient.
    pub recipient_id: Option<Uuid>,
    /// From one site.
    pub site_id: Option<Uuid>,
    /// In one state; in any but withdrawn when left out.
    pub state: Option<DeliveryState>,
    /// Handed over, or before that packed, in an ISO week such as `2026-W40`.
    pub week: Option<&'a str>,
    /// With a dispute that is not answered, or without.
    pub disputed: Option<bool>,
}

impl App {
    /// One delivery with its lines.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none in the caller's reach.
    pub async fn read_delivery(&self, caller: &Caller, id: Uuid) -> Result<DeliveryDetail> {
        self.read(Operation::ReadDelivery, caller, async |tx, actor| {
            let found = detail(tx, id).await?;
            if !covers(&Operation::ReadDelivery.reach(actor), &found.delivery) {
                return Err(Error::NotFound("delivery"));
            }
            Ok(found)
        })
        .await
    }

    /// A page of deliveries, each with the recalls that hold it back: of the caller's sites, or to the
    /// caller's recipients in any state, so that a reader sees what is coming.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a week that is none.
    pub async fn list_deliveries(
        &self,
        caller: &Caller,
        wanted: &DeliveriesWanted<'_>,
        page: Page,
    ) -> Result<Vec<(Delivery, WithheldBy)>> {
        let week = wanted
            .week
            .map(|text| {
                text.parse::<IsoWeek>()
                    .map_err(|fault| Error::field("week", "week", fault.to_string()))
            })
            .transpose()?;
        let filter = DeliveryFilter {
            recipient_id: wanted.recipient_id,
            site_id: wanted.site_id,
            state: wanted.state.map(DeliveryState::as_str),
            days: week.map(|week| (week.monday(), week.sunday())),
            disputed: wanted.disputed,
        };
        self.read(Operation::ListDeliveries, caller, async |tx, actor| {
            let reach = Operation::ListDeliveries.reach(actor);
            let within = Within {
                all: reach.all,
                sites: &reach.sites,
                recipients: &reach.recipients,
            };
            let found = deliveries::list(tx, &filter, within, page).await?;
            let mut withheld = held_back::of_packed(tx, &found).await?;
            let with = |delivery: Delivery| {
                let withheld = withheld.remove(&delivery.id).unwrap_or_default();
                (delivery, withheld)
            };
            Ok(found.into_iter().map(with).collect())
        })
        .await
    }

    /// Confirms what came; for readers of the recipient.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] when it is not handed over, or confirmed already;
    /// [`Refusal::DisputeOpen`] while a dispute of it is not answered.
    pub async fn confirm_delivery(
        &self,
        caller: &Caller,
        id: Uuid,
        remark: &str,
    ) -> Result<DeliveryDetail> {
        let mut problems = Problems::new();
        problems.text("/remark", remark, 0, 1000);
        problems.finish()?;
        self.write_once(Operation::ConfirmDelivery, caller, async |tx, actor| {
            let delivery = lock(tx, actor, Operation::ConfirmDelivery, id).await?;
            require_state(&delivery, DeliveryState::HandedOver, "confirmed")?;
            if delivery.is_disputed {
                return Err(Refusal::DisputeOpen.into());
            }
            let (now, remark) = (self.clock().now(), remark.trim());
            deliveries::confirm(tx, id, actor.member_id, now, remark).await?;
            let became = json!({"remark": remark});
            self.audit_delivery(tx, Operation::ConfirmDelivery, caller, id, &became)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Corrects the weight of a line, in any state but withdrawn, by an entry that names the reason.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] when it is withdrawn; [`Refusal::MoreThanCut`] when more would be delivered than was cut.
    pub async fn correct_delivery(
        &self,
        caller: &Caller,
        id: Uuid,
        line_id: Uuid,
        milligrams: i64,
        reason: &str,
    ) -> Result<DeliveryDetail> {
        let mut problems = Problems::new();
        problems.text("/reason", reason, 1, 300);
        problems.finish()?;
        self.write_once(Operation::CorrectDelivery, caller, async |tx, actor| {
            let delivery = lock(tx, actor, Operation::CorrectDelivery, id).await?;
            if delivery.state == DeliveryState::Withdrawn.as_str() {
                return Err(wrong_state(&delivery, "corrected"));
            }
            let line = deliveries::lines(tx, id)
                .await?
                .into_iter()
                .find(|line| line.id == line_id)
                .ok_or_else(|| {
                    Error::field(
                        "/line_id",
                        "unknown",
                        "there is no such line in this delivery",
                    )
                })?;
            let correction = DeliveryCorrection {
                id: self.new_id(),
                delivery_line_id: line_id,
                change_milligrams: change(line.milligrams, NewWeight::To(milligrams))?,
                reason: reason.trim().to_owned(),
                member_id: actor.member_id,
                recorded_at: self.clock().now(),
                dispute_id: None,
            };
            deliveries::insert_correction(tx, &correction).await?;
            deliveries::count_version(tx, id).await?;
            self.audit_delivery(tx, Operation::CorrectDelivery, caller, id, &correction)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    async fn audit_delivery(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
        became: &impl Serialize,
    ) -> Result<()> {
        let changed = Changed {
            noun: "delivery",
            id,
        };
        self.audit(tx, operation, caller, changed, became).await
    }
}

fn covers(reach: &Reach, delivery: &Delivery) -> bool {
    reach.covers_site(delivery.site_id) || reach.covers_recipient(delivery.recipient_id)
}

/// The delivery, held against other writers, when the actor may do the operation on it.
async fn lock(tx: &mut Tx, actor: &Actor, operation: Operation, id: Uuid) -> Result<Delivery> {
    deliveries::lock(tx, id).await?;
    let delivery = deliveries::get(tx, id)
        .await?
        .ok_or(Error::NotFound("delivery"))?;
    if !covers(&Operation::ReadDelivery.reach(actor), &delivery) {
        return Err(Error::NotFound("delivery"));
    }
    if !covers(&operation.reach(actor), &delivery) {
        return Err(Error::Forbidden(operation));
    }
    Ok(delivery)
}

fn require_state(delivery: &Delivery, state: DeliveryState, step: &str) -> Result<()> {
    if delivery.state == state.as_str() {
        return Ok(());
    }
    Err(wrong_state(delivery, step))
}

fn wrong_state(delivery: &Delivery, step: &str) -> Error {
    Refusal::WrongState {
        what: "the delivery".into(),
        state: delivery.state.replace('_', " "),
        step: step.into(),
    }
    .into()
}

async fn detail(tx: &mut Tx, id: Uuid) -> Result<DeliveryDetail> {
    let delivery = deliveries::get(tx, id)
        .await?
        .ok_or(Error::NotFound("delivery"))?;
    let withheld = held_back::of_packed(tx, std::slice::from_ref(&delivery)).await?;
    Ok(DeliveryDetail {
        delivery,
        withheld: withheld.into_values().next().unwrap_or_default(),
        lines: deliveries::lines(tx, id).await?,
        corrections: deliveries::corrections(tx, id).await?,
        disputes: disputes::of_delivery(tx, id).await?,
        found: disputes::found_of_delivery(tx, id).await?,
    })
}
