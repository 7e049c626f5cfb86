//! Entries of a batch: readings, doses, use; a wrong one is withdrawn by another.

use chrono::{DateTime, Utc};
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_solution::{Form, Measure, Product};
use cotyl_store::batches::{self, Batch, BatchEntry, BatchMovement};
use cotyl_store::ledger::Place;
use cotyl_store::{Tx, products};
use uuid::Uuid;

use super::advice::Evidence;
use super::course::{counted, course, may_record};
use super::entry_input::{EntryFields, check};
use super::file::{BatchDetail, BatchFile};
use super::plan::{BatchPlan, in_units_of};
use super::{require_qualified, tried_again};
use crate::chemistry::{Measured, kept, kept_product};
use crate::input::{Problems, require_not_retired};
use crate::ledger::{Entry, IssueRequest, happened_at_heard, zone_of};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Records what happened to a batch, and says what to do next.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Refusal::WrongState`]; of a dose [`Refusal::NeedsQualification`],
    /// [`Refusal::ReadFirst`], [`Refusal::ShortOfStock`]; of a use [`Refusal::MoreThanLeft`],
    /// [`Refusal::PastRefillLimit`].
    pub async fn record_batch_entry(
        &self,
        caller: &Caller,
        id: Uuid,
        fields: &EntryFields,
    ) -> Result<BatchDetail> {
        let read = check(fields)?;
        let attempt = async || self.try_record_entry(caller, id, fields, &read).await;
        tried_again(attempt).await?.detail(None)
    }

    async fn try_record_entry(
        &self,
        caller: &Caller,
        id: Uuid,
        fields: &EntryFields,
        read: &BatchEntry,
    ) -> Result<BatchFile> {
        let judged = match fields.kind.as_str() {
            "dose" => self.judge_dose(caller, id, fields).await?,
            _ => None,
        };
        self.write_once(Operation::RecordBatchEntry, caller, async |tx, actor| {
            self.enter_batch(tx, caller, actor, id, (fields, read), judged.as_ref())
                .await
        })
        .await
    }

    /// Records what happened to a batch, inside the transaction of another use case too, which judges no
    /// dose.
    pub(crate) async fn enter_batch(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        actor: &Actor,
        id: Uuid,
        (fields, read): (&EntryFields, &BatchEntry),
        judged: Option<&JudgedDose>,
    ) -> Result<BatchFile> {
        self.add_entry(tx, caller, actor, id, (fields, read), judged)
            .await?;
        self.batch_file_for(tx, actor, id).await
    }

    /// The same, saying only which entry it became.
    pub(crate) async fn add_entry(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        actor: &Actor,
        id: Uuid,
        (fields, read): (&EntryFields, &BatchEntry),
        judged: Option<&JudgedDose>,
    ) -> Result<Uuid> {
        let batch = lock(tx, actor, id).await?;
        let now = self.clock().now();
        let heard_at = fields.heard_at.unwrap_or(now);
        let happened_at = happened_at_heard("/happened_at", fields.happened_at, heard_at)?.min(now);
        if happened_at < batch.begun_at {
            let detail = format!(
                "must not be before the batch was begun, at {}",
                batch.begun_at
            );
            return Err(Error::field("/happened_at", "range", detail));
        }
        let file = self.batch_file(tx, id).await?;
        let standing = course(batch.microlitres, &counted(&file.entries))?;
        may_record(&fields.kind, standing.state)?;
        let mut entry = BatchEntry {
            id: self.new_id(),
            batch_id: id,
            kind: fields.kind.clone(),
            happened_at,
            recorded_at: now,
            member_id: actor.member_id,
            product_id: fields.product_id,
            microlitres: fields.microlitres,
            station_id: fields.station_id,
            sowing_id: fields.sowing_id,
            withdraws_id: fields.withdraws_id,
            note: fields.note.trim().to_owned(),
            ..read.clone()
        };
        match fields.kind.as_str() {
            "dose" => {
                self.dose(tx, actor, (&file, judged), fields, &mut entry)
                    .await?;
            }
            "use" => self.check_use(tx, &batch, fields, happened_at).await?,
            "ready" => require_read(&file.entries)?,
            "discard" => entry.microlitres = Some(standing.microlitres),
            "withdrawn" => self.withdraw(tx, &file, &mut entry).await?,
            _ => {}
        }
        batches::insert_entry(tx, &entry).await?;
        let entry_id = entry.id;
        let mut entries = file.entries;
        entries.push(entry);
        entries.sort_by_key(|entry| (entry.happened_at, entry.id));
        let standing = course(batch.microlitres, &counted(&entries))?;
        batches::set_state(tx, id, standing.state.as_str()).await?;
        let changed = Changed { noun: "batch", id };
        self.audit(tx, Operation::RecordBatchEntry, caller, changed, fields)
            .await?;
        Ok(entry_id)
    }

    /// Judges a dose by the readings and doses of its batch and of earlier ones, while no transaction is open: six
    /// earlier batches take many equilibria. `None` where there is nothing to judge; why is found afterwards.
    async fn judge_dose(
        &self,
        caller: &Caller,
        id: Uuid,
        fields: &EntryFields,
    ) -> Result<Option<JudgedDose>> {
        let operation = Operation::RecordBatchEntry;
        let file = self
            .read(operation, caller, async |tx, actor| {
                let file = self.batch_file(tx, id).await?;
                let reach = operation.reach(actor);
                Ok(reach.covers_site(file.batch.site_id).then_some(file))
            })
            .await;
        let Ok(Some(file)) = file else {
            return Ok(None);
        };
        let adjusters = file.adjusters()?;
        let mut known = adjusters.iter();
        let adjuster = known.find(|adjuster| Some(adjuster.id) == fields.product_id);
        let Some((adjuster, amount)) = adjuster.zip(fields.amount) else {
            return Ok(None);
        };
        let Ok(grams) = grams(&adjuster.product, amount) else {
            return Ok(None);
        };
        let plan: BatchPlan = kept(&file.batch.plan)?;
        let litres = file.batch.microlitres as f64 / 1e6;
        let evidence = Evidence {
            mixed: plan.mixed(litres)?,
            litres,
            accepted_ph: plan.accepted_ph(),
            entries: &counted(&file.entries),
            adjusters: &adjusters,
        };
        let earlier = file.earlier_factors(&adjusters)?;
        let verdict = match evidence.may_dose(adjuster, grams, &earlier) {
            Err(Error::Refused(refusal)) => Err(refusal),
            other => Ok(other?),
        };
        Ok(Some(JudgedDose { file, verdict }))
    }

    /// Checks where solution goes, and that the containers of a sowing are not filled past their limit.
    async fn check_use(
        &self,
        tx: &mut Tx,
        batch: &Batch,
        fields: &EntryFields,
        happened_at: DateTime<Utc>,
    ) -> Result<()> {
        check_place(tx, batch, fields).await?;
        if fields.past_limit_accepted {
            let mut problems = Problems::new();
            problems.require(
                !fields.note.trim().is_empty(),
                "/note",
                "missing",
                "say why it was filled past the limit",
            );
            return problems.finish();
        }
        if let (Some(sowing_id), Some(microlitres)) = (fields.sowing_id, fields.microlitres) {
            let poured = (microlitres, fields.containers);
            self.require_within_refill_limit(tx, sowing_id, poured, happened_at)
                .await?;
        }
        Ok(())
    }

    /// Checks a dose and draws it from the shelf.
    async fn dose(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        (file, judged): (&BatchFile, Option<&JudgedDose>),
        fields: &EntryFields,
        entry: &mut BatchEntry,
    ) -> Result<()> {
        let batch = &file.batch;
        let (Some(product_id), Some(amount)) = (fields.product_id, fields.amount) else {
            return Err(Error::field("/product_id", "missing", "name the product"));
        };
        let record = products::get(tx, product_id).await?.ok_or_else(|| {
            let detail = "there is no such product in this co-operative";
            Error::field("/product_id", "unknown", detail)
        })?;
        require_not_retired("the product", &record.retired_at)?;
        let zone = zone_of(tx, "/site_id", batch.site_id).await?;
        let today = zone.today(self.clock().now());
        require_qualified(actor, true, today)?;
        let adjusters = file.adjusters()?;
        let adjuster = adjusters.iter().find(|adjuster| adjuster.id == product_id);
        let adjuster = adjuster.ok_or_else(|| {
            let detail = "must be an acid or base that is described by its substances";
            Error::field("/product_id", "other", detail)
        })?;
        let grams = grams(&adjuster.product, amount)?;
        let judged = judged.filter(|judged| judged.file.rests_on_the_same(file));
        judged.ok_or(Error::Overtaken)?.verdict.clone()?;
        let shelf = products::shelf(tx, batch.site_id, today).await?;
        let item = shelf.iter().find(|item| item.product_id == product_id);
        let item = item.ok_or_else(|| Refusal::ShortOfStock {
            missing: vec![format!("no stock item keeps {}", record.fields.name)],
        })?;
        let measured = Measured::from(adjuster.product.measure(grams).map_err(Error::internal)?);
        entry.quantity = Some(measured.count().max(1));
        let product = kept_product(&record.fields)?;
        let issue = IssueRequest {
            site_id: batch.site_id,
            stock_item_id: item.stock_item_id,
            quantity: in_units_of(&product, measured, &item.dimension)?.max(1),
            lot_id: fields.lot_id,
            expired_accepted: false,
            sowing_id: None,
            batch_id: Some(batch.id),
            happened_at: Some(entry.happened_at),
            reason: format!("batch {}: dose", batch.code),
        };
        let movements = self.issue(tx, actor, &issue).await?;
        entry.movement_ids = movements.iter().map(|movement| movement.id).collect();
        Ok(())
    }

    /// Checks a withdrawal, and brings back to the shelf what the withdrawn entry took from it.
    async fn withdraw(&self, tx: &mut Tx, file: &BatchFile, entry: &mut BatchEntry) -> Result<()> {
        let pointer = "/withdraws_id";
        let wrong = file
            .entries
            .iter()
            .find(|other| Some(other.id) == entry.withdraws_id);
        let wrong = wrong.ok_or_else(|| {
            Error::field(pointer, "unknown", "there is no such entry of this batch")
        })?;
        let mut problems = Problems::new();
        problems.require(
            matches!(wrong.kind.as_str(), "reading" | "dose" | "use" | "left" | "note"),
            pointer,
            "other",
            "must be a reading, a dose, a use, a volume left or a note; a batch does not go back to an earlier state",
        );
        let again = |other: &BatchEntry| other.withdraws_id == Some(wrong.id);
        problems.require(
            !file.entries.iter().any(again),
            pointer,
            "repeated",
            "this entry is withdrawn already",
        );
        problems.finish()?;
        for movement in &file.movements {
            let back_already = |other: &BatchMovement| other.reverses_id == Some(movement.id);
            if !wrong.movement_ids.contains(&movement.id) || file.movements.iter().any(back_already)
            {
                continue;
            }
            let back = Entry {
                kind: "reverse",
                from: Place::IN_USE,
                to: Place::store(file.batch.site_id),
                parts: &[(movement.lot_id, movement.quantity)],
                at: entry.happened_at,
                member_id: entry.member_id,
                reason: &entry.note,
                reverses_id: Some(movement.id),
                sowing_id: None,
                batch_id: Some(file.batch.id),
            };
            let kept = self.keep_movements(tx, &back).await?;
            entry
                .movement_ids
                .extend(kept.iter().map(|movement| movement.id));
        }
        Ok(())
    }
}

/// A dose that was judged, with the rows that the verdict rests on.
pub(crate) struct JudgedDose {
    file: BatchFile,
    verdict: std::result::Result<(), Refusal>,
}

async fn lock(tx: &mut Tx, actor: &Actor, id: Uuid) -> Result<Batch> {
    let batch = batches::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("batch"))?;
    let operation = Operation::RecordBatchEntry;
    if operation.reach(actor).covers_site(batch.site_id) {
        return Ok(batch);
    }
    let may_see = Operation::ReadBatch.reach(actor).covers_site(batch.site_id);
    Err(if may_see {
        Error::Forbidden(operation)
    } else {
        Error::NotFound("batch")
    })
}

/// After a dose the pH is read before the batch counts as ready.
fn require_read(entries: &[BatchEntry]) -> Result<()> {
    let counting = counted(entries);
    let dosed = counting.iter().rposition(|entry| entry.kind == "dose");
    let read = counting
        .iter()
        .rposition(|entry| entry.ph_thousandths.is_some());
    if dosed.is_some() && read < dosed {
        let why =
            "no pH has been read since the last one, and the batch is to be made ready".to_owned();
        return Err(Refusal::ReadFirst { why }.into());
    }
    Ok(())
}

/// The station and sowing lie at the site of the batch, and the sowing stands at the station.
async fn check_place(tx: &mut Tx, batch: &Batch, fields: &EntryFields) -> Result<()> {
    let mut problems = Problems::new();
    let unknown = |what: &str| format!("there is no such {what} in this co-operative");
    let station = match fields.station_id {
        Some(id) => batches::station_place(tx, id).await?,
        None => None,
    };
    let sowing = match fields.sowing_id {
        Some(id) => batches::sowing_place(tx, id).await?,
        None => None,
    };
    for (pointer, what, given, found) in [
        (
            "/station_id",
            "station",
            fields.station_id.is_some(),
            &station,
        ),
        ("/sowing_id", "sowing", fields.sowing_id.is_some(), &sowing),
    ] {
        match found {
            None if given => problems.add(pointer, "unknown", unknown(what)),
            Some(place) if place.site_id != batch.site_id => {
                problems.add(pointer, "other", "must be at the site of the batch");
            }
            _ => {}
        }
    }
    if let (Some(station), Some(sowing)) = (&station, &sowing) {
        problems.require(
            station.station_id == sowing.station_id,
            "/sowing_id",
            "other",
            "must stand at the station that is named",
        );
    }
    problems.finish()
}

/// Grams of what a person measured.
fn grams(product: &Product, amount: Measured) -> Result<f64> {
    if matches!(
        (amount.measure(), product.form()),
        (Measure::Volume(_), Form::Solid)
    ) {
        let detail = format!("{} is a solid: give a weight, in g", product.name());
        return Err(Error::field("/amount", "unit", detail));
    }
    product
        .grams(amount.measure())
        .map_err(|error| Error::field("/amount", "range", error.to_string()))
}
