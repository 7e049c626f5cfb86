//! Handing a delivery over to the recipient.

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::temperature::Temperature;
use cotyl_domain::{Actor, DeliveryState, Operation, Refusal};
use cotyl_store::deliveries::{self, Delivery, DeliveryLine, HandOver};
use cotyl_store::{Tx, cooperatives};
use uuid::Uuid;

use super::{DeliveryDetail, covers, detail, lock, require_state};
use crate::input::Problems;
use crate::withheld::Withheld;
use crate::{App, Caller, Error, Result};

/// How late a hand-over may be told.
pub(crate) const MOST_LATE: TimeDelta = TimeDelta::days(7);
/// How far the clock of a phone may be ahead.
pub(crate) const MOST_AHEAD: TimeDelta = TimeDelta::minutes(5);
/// Coldest and warmest that a thermometer in produce can show, in tenths of a degree Celsius.
pub(crate) const MEASURABLE_DECICELSIUS: std::ops::RangeInclusive<i32> = -500..=600;

/// What is told about a hand-over.
#[derive(Debug, Clone)]
pub struct HandOverFields {
    /// Who took it at the recipient.
    pub received_by: String,
    /// When; now when left out.
    pub at: Option<DateTime<Utc>>,
    /// Temperature of the produce, where it was measured.
    pub temperature: Option<Temperature>,
}

impl App {
    /// Hands a delivery over. Its week is that of the local day at its site.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] when it is empty or was handed over already; [`Refusal::TraysWithheld`] and
    /// [`Refusal::DeliveryWithheld`]; [`Error::Invalid`] for a time more than 7 days back, more than 5 minutes
    /// ahead, or before it was cut and packed.
    pub async fn hand_over_delivery(
        &self,
        caller: &Caller,
        id: Uuid,
        fields: &HandOverFields,
    ) -> Result<DeliveryDetail> {
        self.check_hand_over(fields)?;
        self.write_once(Operation::HandOverDelivery, caller, async |tx, actor| {
            // no recall starts or is released meanwhile
            cooperatives::share(tx).await?;
            let delivery = lock(tx, actor, Operation::HandOverDelivery, id).await?;
            require_state(&delivery, DeliveryState::Packed, "handed over")?;
            if delivery.total_milligrams == 0 {
                return Err(Refusal::WrongState {
                    what: "the delivery".into(),
                    state: "empty".into(),
                    step: "handed over".into(),
                }
                .into());
            }
            let zone: SiteZone = delivery.zone.parse().map_err(Error::internal)?;
            let recorded_at = self.clock().now();
            let at = fields.at.unwrap_or(recorded_at);
            let on = zone.today(at);
            let lines = deliveries::lines(tx, id).await?;
            require_not_withheld(tx, actor, &delivery, &lines, at).await?;
            let ready_on = lines
                .iter()
                .map(|line| line.cut_on)
                .fold(delivery.packed_on, std::cmp::Ord::max);
            if on < ready_on {
                return Err(Error::field(
                    "/at",
                    "order",
                    format!("must not be before {ready_on}, when it was cut and packed"),
                ));
            }
            let hand_over = HandOver {
                on,
                at,
                recorded_at,
                member_id: actor.member_id,
                received_by: fields.received_by.trim().to_owned(),
                temperature_decicelsius: fields.temperature.map(Temperature::decicelsius),
            };
            deliveries::hand_over(tx, id, &hand_over).await?;
            self.audit_delivery(tx, Operation::HandOverDelivery, caller, id, &hand_over)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    fn check_hand_over(&self, fields: &HandOverFields) -> Result<()> {
        let now = self.clock().now();
        let mut problems = Problems::new();
        problems.name("/received_by", &fields.received_by);
        if let Some(at) = fields.at {
            problems.require(
                now - MOST_LATE <= at && at <= now + MOST_AHEAD,
                "/at",
                "range",
                "must not be more than 7 days ago or more than 5 minutes ahead",
            );
        }
        if let Some(temperature) = fields.temperature {
            problems.require(
                MEASURABLE_DECICELSIUS.contains(&temperature.decicelsius()),
                "/temperature",
                "range",
                "must be between -50 and 60 degrees Celsius (-58 and 140 degrees Fahrenheit)",
            );
        }
        problems.finish()
    }
}

/// No recall holds back what is in the delivery. Whoever may correct deliveries may still write down that it went
/// out before the recall began: it is gone, and the recall must know it.
async fn require_not_withheld(
    tx: &mut Tx,
    actor: &Actor,
    delivery: &Delivery,
    lines: &[DeliveryLine],
    at: DateTime<Utc>,
) -> Result<()> {
    let may_tell_late = covers(&Operation::CorrectDelivery.reach(actor), delivery);
    let binds = |since: DateTime<Utc>| !may_tell_late || at >= since;
    let withheld = Withheld::load(tx).await?;
    let whole = withheld.of_delivery(delivery.id);
    if whole.is_some_and(|held| binds(held.since())) {
        return Err(Refusal::DeliveryWithheld.into());
    }
    let lines: Vec<&DeliveryLine> = lines.iter().filter(|line| line.milligrams > 0).collect();
    let cuts: Vec<Uuid> = lines.iter().map(|line| line.cut_id).collect();
    let withheld = withheld.of_cuts(tx, &cuts).await?;
    let is_withheld = |line: &&DeliveryLine| {
        let held = withheld.get(&line.cut_id);
        held.is_some_and(|held| binds(held.since()))
    };
    let trays = lines.into_iter().filter(is_withheld);
    let mut trays: Vec<String> = trays.map(|line| line.tray_code.clone()).collect();
    trays.sort_unstable();
    trays.dedup();
    if trays.is_empty() {
        return Ok(());
    }
    Err(Refusal::TraysWithheld { trays }.into())
}
