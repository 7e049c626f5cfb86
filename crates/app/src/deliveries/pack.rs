//! Packing: a delivery and the lines that are put into it.

use std::collections::HashMap;

use chrono::NaiveDate;
use cotyl_calendar::SiteZone;
use cotyl_domain::permission::Reach;
use cotyl_domain::{Actor, DeliveryState, Operation, Refusal};
use cotyl_store::cuts::{self, Cut};
use cotyl_store::deliveries::{self, NewDelivery, NewDeliveryLine};
use cotyl_store::sites::{self, Site};
use cotyl_store::{Tx, cooperatives};
use serde::Serialize;
use uuid::Uuid;

use super::{DeliveryDetail, MOST_LATE, detail, lock, require_state};
use crate::cuts::MOST_MILLIGRAMS;
use crate::input::{Problems, require_not_retired};
use crate::withheld::Withheld;
use crate::{App, Caller, Error, Result};

/// The most lines that one request may bring.
const MOST_LINES: usize = 200;

/// What is told about a delivery when it is packed.
#[derive(Debug, Clone, Serialize)]
pub struct DeliveryFields {
    /// Where it is packed.
    pub site_id: Uuid,
    /// Who receives it.
    pub recipient_id: Uuid,
    /// The local day; today at the site when left out.
    pub packed_on: Option<NaiveDate>,
    /// What is in it so far.
    pub lines: Vec<LineFields>,
}

/// A weight out of one cut.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct LineFields {
    /// Where the produce comes from.
    pub cut_id: Uuid,
    /// Its weight.
    pub milligrams: i64,
}

impl App {
    /// Packs a delivery. Lines come from cuts in the caller's reach: coordinators may pack cuts of
    /// any site together, leads and volunteers those of their own sites. What a recall holds back is refused.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Refusal::MoreThanCut`] when a cut does not have so much left.
    pub async fn pack_delivery(
        &self,
        caller: &Caller,
        fields: &DeliveryFields,
    ) -> Result<DeliveryDetail> {
        let mut problems = Problems::new();
        problems.require(
            fields.lines.len() <= MOST_LINES,
            "/lines",
            "length",
            "may be at most 200; add further lines afterwards",
        );
        for (index, line) in fields.lines.iter().enumerate() {
            check_weight(&mut problems, &format!("/lines/{index}"), line);
        }
        problems.finish()?;
        self.write_once(Operation::PackDelivery, caller, async |tx, actor| {
            // no recall starts or is released meanwhile
            cooperatives::share(tx).await?;
            let site = site_to_pack_at(tx, actor, fields.site_id).await?;
            let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
            let today = zone.today(self.clock().now());
            let packed_on = fields.packed_on.unwrap_or(today);
            // as late as a hand-over may be told: a mistyped year would show the recipient a delivery that
            // never comes
            if packed_on > today || packed_on < today - MOST_LATE {
                let detail = format!(
                    "must not be after today, which is {today} at the site, or more than {} days before",
                    MOST_LATE.num_days()
                );
                return Err(Error::field("/packed_on", "range", detail));
            }
            require_recipient(tx, fields.recipient_id).await?;
            // what was packed by the day of a recall's start may have gone out before it, and the recall must
            // know it: whoever may correct deliveries may tell it late, and a hand-over looks at the instant
            let may_tell_late = fields.packed_on.is_some()
                && Operation::CorrectDelivery.reach(actor).covers_site(fields.site_id);
            let counts = |since| !may_tell_late || packed_on > zone.today(since);
            let withheld = Withheld::load(tx).await?.counting(counts);
            let reach = Operation::PackDelivery.reach(actor);
            let at = |index| format!("/lines/{index}");
            check_lines(tx, &reach, &withheld, &fields.lines, packed_on, at).await?;
            let id = self.new_id();
            let delivery = NewDelivery {
                id,
                site_id: fields.site_id,
                recipient_id: fields.recipient_id,
                packed_on,
            };
            deliveries::insert(tx, delivery).await?;
            self.insert_lines(tx, id, &fields.lines).await?;
            self.audit_delivery(tx, Operation::PackDelivery, caller, id, fields)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Puts one more line into a delivery while it is packed.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] when it is on its way; [`Refusal::DeliveryWithheld`]; otherwise as for packing.
    pub async fn add_delivery_line(
        &self,
        caller: &Caller,
        id: Uuid,
        line: LineFields,
    ) -> Result<DeliveryDetail> {
        let mut problems = Problems::new();
        check_weight(&mut problems, "", &line);
        problems.finish()?;
        self.write_once(Operation::AddDeliveryLine, caller, async |tx, actor| {
            // no recall starts or is released meanwhile
            cooperatives::share(tx).await?;
            let delivery = lock(tx, actor, Operation::AddDeliveryLine, id).await?;
            require_state(&delivery, DeliveryState::Packed, "added to")?;
            let withheld = Withheld::load(tx).await?;
            if withheld.of_delivery(id).is_some() {
                return Err(Refusal::DeliveryWithheld.into());
            }
            let reach = Operation::AddDeliveryLine.reach(actor);
            let at = |_| String::new();
            check_lines(tx, &reach, &withheld, &[line], NaiveDate::MAX, at).await?;
            self.insert_lines(tx, id, &[line]).await?;
            deliveries::count_version(tx, id).await?;
            self.audit_delivery(tx, Operation::AddDeliveryLine, caller, id, &line)
                .await?;
            detail(tx, id).await
        })
        .await
    }

    /// Lines keep the order in which they were told; cuts are held in the order of their ids, so that
    /// two who pack the same cuts do not block each other.
    async fn insert_lines(
        &self,
        tx: &mut Tx,
        delivery_id: Uuid,
        lines: &[LineFields],
    ) -> Result<()> {
        let mut lines: Vec<NewDeliveryLine> = lines
            .iter()
            .map(|line| NewDeliveryLine {
                id: self.new_id(),
                cut_id: line.cut_id,
                milligrams: line.milligrams,
                recorded_at: self.clock().now(),
            })
            .collect();
        lines.sort_by_key(|line| line.cut_id);
        for line in lines {
            deliveries::insert_line(tx, delivery_id, line).await?;
        }
        Ok(())
    }
}

fn check_weight(problems: &mut Problems, prefix: &str, line: &LineFields) {
    problems.require(
        (1..=MOST_MILLIGRAMS).contains(&line.milligrams),
        &format!("{prefix}/weight"),
        "range",
        "must be more than nothing and at most 1000000 kg",
    );
}

async fn site_to_pack_at(tx: &mut Tx, actor: &Actor, site_id: Uuid) -> Result<Site> {
    let site = sites::get(tx, site_id).await?.ok_or_else(|| {
        Error::field(
            "/site_id",
            "unknown",
            "there is no such site in this co-operative",
        )
    })?;
    if !Operation::PackDelivery.reach(actor).covers_site(site_id) {
        return Err(Error::Forbidden(Operation::PackDelivery));
    }
    require_not_retired("the site", &site.retired_at)?;
    Ok(site)
}

async fn require_recipient(tx: &mut Tx, recipient_id: Uuid) -> Result<()> {
    let retired_at = deliveries::recipient_retired_at(tx, recipient_id)
        .await?
        .ok_or_else(|| {
            Error::field(
                "/recipient_id",
                "unknown",
                "there is no such recipient in this co-operative",
            )
        })?;
    require_not_retired("the recipient", &retired_at)
}

/// Every line comes from a cut in reach, taken on `last_day` or before, that no recall holds back.
async fn check_lines(
    tx: &mut Tx,
    reach: &Reach,
    withheld: &Withheld,
    lines: &[LineFields],
    last_day: NaiveDate,
    prefix: impl Fn(usize) -> String,
) -> Result<()> {
    let ids: Vec<Uuid> = lines.iter().map(|line| line.cut_id).collect();
    let found: HashMap<Uuid, Cut> = cuts::get_many(tx, &ids)
        .await?
        .into_iter()
        .map(|cut| (cut.id, cut))
        .collect();
    let withheld = withheld.of_cuts(tx, &ids).await?;
    let mut problems = Problems::new();
    for (index, line) in lines.iter().enumerate() {
        let pointer = format!("{}/cut_id", prefix(index));
        match found.get(&line.cut_id) {
            Some(cut) if reach.covers_site(cut.site_id) => {
                problems.require(
                    cut.cut_on <= last_day,
                    &pointer,
                    "order",
                    &format!(
                        "was cut on {}, after the day of packing {last_day}",
                        cut.cut_on
                    ),
                );
                problems.require(
                    !withheld.contains_key(&cut.id),
                    &pointer,
                    "withheld",
                    &format!(
                        "a recall holds back tray {}: do not pack it, set it aside, apart from other food and labelled, and ask a coordinator",
                        cut.tray_code
                    ),
                );
            }
            _ => problems.add(pointer, "unknown", "there is no such cut in your reach"),
        }
    }
    problems.finish()
}
