//! Batches: mixed after a recipe from what the shelf holds, all or nothing.

pub mod advice;
pub mod course;
mod entries;
pub mod entry_input;
pub mod file;
pub mod plan;

use cotyl_calendar::SiteZone;
use cotyl_domain::harvest::{MOST_TRAY_LETTERS, tray_code};
use cotyl_domain::{Actor, Operation, QualificationKind, Refusal};
use cotyl_store::batches::{self, Batch, BatchFilter};
use cotyl_store::products::Shelf;
use cotyl_store::{Page, Tx, products, recipes, sites};
use serde::Serialize;
use uuid::Uuid;

use self::file::{BatchDetail, BatchFile};
use self::plan::{BatchPlan, Missing, Worked, in_units_of, missing};
use crate::chemistry::kept_product;
use crate::input::{Problems, require_not_retired};
use crate::ledger::IssueRequest;
use crate::lots::hidden_sites;
use crate::recipes::{Ground, ground};
use crate::{App, Caller, Changed, Error, Result};

/// The smallest and the largest batch, in microlitres: 100 mL and 100 m³.
const MICROLITRES: (i64, i64) = (100_000, 100_000_000_000);
/// Letters of a batch code where that is enough to be unique.
const USUAL_LETTERS: u32 = 4;

/// What a batch is begun with.
#[derive(Debug, Clone, Serialize)]
pub struct BatchRequest {
    /// Where it is mixed, and from whose shelf.
    pub site_id: Uuid,
    /// After which recipe.
    pub recipe_id: Uuid,
    /// With which water of the site; pure water when left out.
    pub source_water_id: Option<Uuid>,
    /// Its volume.
    pub microlitres: i64,
    /// Lots that are to be used; left out, those that expire first.
    pub lots: Vec<NamedLot>,
}

/// A lot that is to be used.
#[derive(Debug, Clone, Serialize)]
pub struct NamedLot {
    /// Of which product of the recipe.
    pub product_id: Uuid,
    /// The lot.
    pub lot_id: Uuid,
    /// Why it is used past its last day.
    pub expired_reason: Option<String>,
}

/// What a batch would be.
#[derive(Debug, Clone)]
pub struct BatchPreview {
    /// Amounts and expectation.
    pub plan: BatchPlan,
    /// Order and handling.
    pub worked: Worked,
    /// What the shelf lacks.
    pub missing: Vec<Missing>,
    /// Whether the shelf was not looked at, since the caller may be counting it.
    pub hides_shelf: bool,
    /// Why the caller may not begin it themselves.
    pub hindrance: Option<Refusal>,
}

/// What a request rests on as things are.
struct Basis {
    ground: Ground,
    zone: SiteZone,
}

/// What a request comes to; worked out while no transaction is open.
struct Start {
    plan: BatchPlan,
    worked: Worked,
}

/// How often something is worked out anew when what it rests on was changed meanwhile.
const MOST_TRIES: usize = 5;

/// Does something again as long as what had been worked out for it is overtaken.
async fn tried_again<R>(attempt: impl AsyncFn() -> Result<R>) -> Result<R> {
    let mut tries = 1;
    loop {
        match attempt().await {
            Err(Error::Overtaken) if tries < MOST_TRIES => tries += 1,
            other => return other,
        }
    }
}

impl App {
    /// What a batch would be: amounts, order, expectation, cautions, and what the shelf lacks for it.
    /// Nothing is kept.
    ///
    /// # Errors
    /// [`Error::Invalid`] for what names nothing of the site.
    pub async fn preview_batch(
        &self,
        caller: &Caller,
        request: &BatchRequest,
    ) -> Result<BatchPreview> {
        check(request)?;
        let operation = Operation::PreviewBatch;
        let (basis, shelf, hides_shelf, today, actor) = self
            .read(operation, caller, async |tx, actor| {
                let basis = batch_basis(tx, actor, operation, request).await?;
                let today = basis.zone.today(self.clock().now());
                let shelf = products::shelf(tx, request.site_id, today).await?;
                let hides_shelf = hidden_sites(tx, actor).await?.contains(&request.site_id);
                Ok((basis, shelf, hides_shelf, today, actor.clone()))
            })
            .await?;
        let Start { plan, worked } = Start::of(&basis, request)?;
        let mut missing = lacking(&plan, &shelf, request)?;
        if hides_shelf {
            // a preview costs nothing, so that many of them would tell to the gram what is there
            missing.retain(|lacking| !lacking.has_item);
        }
        let needs = worked.handling.needs_concentrates;
        Ok(BatchPreview {
            hindrance: require_qualified(&actor, needs, today).err(),
            hides_shelf,
            missing,
            plan,
            worked,
        })
    }

    /// Begins a batch: its amounts are fixed and drawn from the shelf, or nothing of it happens.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Refusal::NeedsQualification`] where a product needs it;
    /// [`Refusal::ShortOfStock`] with everything that is missing.
    pub async fn start_batch(
        &self,
        caller: &Caller,
        request: &BatchRequest,
    ) -> Result<BatchDetail> {
        check(request)?;
        let file = tried_again(async || self.try_start_batch(caller, request).await).await?;
        file.detail(None)
    }

    async fn try_start_batch(&self, caller: &Caller, request: &BatchRequest) -> Result<BatchFile> {
        let operation = Operation::StartBatch;
        // whatever stands against it is found again below, after a repeated request had its answer
        let basis = self
            .read(operation, caller, async |tx, actor| {
                batch_basis(tx, actor, operation, request).await
            })
            .await
            .ok();
        let worked_out = match &basis {
            Some(basis) => match Start::of(basis, request) {
                Err(Error::Invalid(problems)) => Err(problems),
                other => Ok(Some(other?)),
            },
            None => Ok(None),
        };
        self.write_once(operation, caller, async |tx, actor| {
            let now_there = batch_basis(tx, actor, operation, request).await?;
            let start = worked_out
                .as_ref()
                .map_err(|problems| Error::Invalid(problems.clone()))?;
            let (Some(basis), Some(start)) = (&basis, start) else {
                return Err(Error::Overtaken);
            };
            if basis.ground != now_there.ground {
                return Err(Error::Overtaken);
            }
            let now = self.clock().now();
            let today = now_there.zone.today(now);
            require_qualified(actor, start.worked.handling.needs_concentrates, today)?;
            let shelf = products::shelf(tx, request.site_id, today).await?;
            let missing = lacking(&start.plan, &shelf, request)?;
            if !missing.is_empty() {
                let hides = hidden_sites(tx, actor).await?.contains(&request.site_id);
                let missing = missing.iter().map(|lacking| lacking.told(hides));
                let missing = missing.collect();
                return Err(Refusal::ShortOfStock { missing }.into());
            }
            let id = self.new_id();
            let batch = Batch {
                id,
                site_id: request.site_id,
                recipe_id: request.recipe_id,
                source_water_id: request.source_water_id,
                code: free_code(tx, today, id).await?,
                microlitres: request.microlitres,
                state: course::BatchState::Mixing.as_str().to_owned(),
                plan: serde_json::to_value(&start.plan).map_err(Error::internal)?,
                begun_at: now,
                begun_by: actor.member_id,
                version: 1,
            };
            batches::insert(tx, &batch).await?;
            self.draw_batch(tx, actor, &batch, (&start.plan, &shelf), request)
                .await?;
            let changed = Changed { noun: "batch", id };
            self.audit(tx, operation, caller, changed, request).await?;
            self.batch_file_for(tx, actor, id).await
        })
        .await
    }

    /// A page of batches in the caller's reach.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a state that there is not.
    pub async fn list_batches(
        &self,
        caller: &Caller,
        filter: &BatchFilter,
        page: Page,
    ) -> Result<Vec<Batch>> {
        if let Some(state) = &filter.state
            && course::BatchState::parse(state).is_none()
        {
            let detail = "must be mixing, ready, in_use, used_up or discarded";
            return Err(Error::field("state", "unknown", detail));
        }
        self.read(Operation::ListBatches, caller, async |tx, actor| {
            let reach = Operation::ListBatches.reach(actor);
            Ok(batches::list(tx, filter, reach.site_filter(), page).await?)
        })
        .await
    }

    /// One batch with what happened to it and what to do next; the acid or base may be chosen.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none in the caller's reach; [`Error::Invalid`] for a product
    /// that is no acid or base.
    pub async fn read_batch(
        &self,
        caller: &Caller,
        id: Uuid,
        adjuster_id: Option<Uuid>,
    ) -> Result<BatchDetail> {
        let file = self
            .read(Operation::ReadBatch, caller, async |tx, actor| {
                let batch = batches::get(tx, id)
                    .await?
                    .ok_or(Error::NotFound("batch"))?;
                if !Operation::ReadBatch.reach(actor).covers_site(batch.site_id) {
                    return Err(Error::NotFound("batch"));
                }
                self.batch_file_for(tx, actor, id).await
            })
            .await?;
        file.detail(adjuster_id)
    }

    /// Draws every product, in the order of the stock items so that writers queue.
    async fn draw_batch(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        batch: &Batch,
        (plan, shelf): (&BatchPlan, &[Shelf]),
        request: &BatchRequest,
    ) -> Result<()> {
        for item in shelf {
            let Some(line) = plan
                .lines
                .iter()
                .find(|line| line.product_id == item.product_id)
            else {
                continue;
            };
            let product = kept_product(&line.product)?;
            let named = request
                .lots
                .iter()
                .position(|lot| lot.product_id == line.product_id);
            let lot = named.map(|index| &request.lots[index]);
            let expired_reason = lot.and_then(|lot| lot.expired_reason.as_deref());
            let issue = IssueRequest {
                site_id: batch.site_id,
                stock_item_id: item.stock_item_id,
                quantity: in_units_of(&product, line.amount, &item.dimension)?,
                lot_id: lot.map(|lot| lot.lot_id),
                expired_accepted: expired_reason.is_some(),
                sowing_id: None,
                batch_id: Some(batch.id),
                happened_at: None,
                reason: match expired_reason {
                    Some(why) => format!("batch {}: {why}", batch.code),
                    None => format!("batch {}", batch.code),
                },
            };
            self.issue(tx, actor, &issue)
                .await
                .map_err(|error| match (error, named) {
                    (Error::Invalid(problems), Some(index)) => Error::Invalid(
                        problems
                            .into_iter()
                            .map(|problem| problem.under(&format!("/lots/{index}")))
                            .collect(),
                    ),
                    (other, _) => other,
                })?;
        }
        Ok(())
    }
}

impl Start {
    fn of(basis: &Basis, request: &BatchRequest) -> Result<Self> {
        let plan = BatchPlan::of(&basis.ground, request.microlitres)?;
        Ok(Self {
            worked: plan.work(request.microlitres as f64 / 1e6)?,
            plan,
        })
    }
}

/// Reads what a request rests on, and checks that its records belong together.
async fn batch_basis(
    tx: &mut Tx,
    actor: &Actor,
    operation: Operation,
    request: &BatchRequest,
) -> Result<Basis> {
    let unknown = |pointer: &str, what: &str| {
        let detail = format!("there is no such {what} in this co-operative");
        Error::field(pointer, "unknown", detail)
    };
    let site = sites::get(tx, request.site_id)
        .await?
        .ok_or_else(|| unknown("/site_id", "site"))?;
    if !operation.reach(actor).covers_site(site.id) {
        return Err(Error::Forbidden(operation));
    }
    require_not_retired("the site", &site.retired_at)?;
    let recipe = recipes::get(tx, request.recipe_id)
        .await?
        .ok_or_else(|| unknown("/recipe_id", "recipe"))?;
    require_not_retired("the recipe", &recipe.retired_at)?;
    let ground = ground(tx, recipe, "/source_water_id", request.source_water_id).await?;
    if let Some(water) = &ground.water {
        require_not_retired("the source water", &water.retired_at)?;
        if water.fields.site_id != site.id {
            let detail = "must be a water of this site";
            return Err(Error::field("/source_water_id", "other", detail));
        }
    }
    let mut problems = Problems::new();
    for (index, lot) in request.lots.iter().enumerate() {
        let mut lines = ground.lines.iter();
        let named = lines.any(|line| line.product_id == lot.product_id);
        let detail = "must be a product of the recipe";
        problems.require(named, &format!("/lots/{index}/product_id"), "other", detail);
    }
    problems.finish()?;
    let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
    Ok(Basis { ground, zone })
}

/// What the shelf lacks. The ledger judges a lot that is named, which may be past its last day.
fn lacking(plan: &BatchPlan, shelf: &[Shelf], request: &BatchRequest) -> Result<Vec<Missing>> {
    let mut missing = missing(plan, shelf)?;
    missing.retain(|lacking| {
        let mut lots = request.lots.iter();
        let named = lots.any(|lot| lot.product_id == lacking.product_id);
        !(named && lacking.has_item)
    });
    Ok(missing)
}

/// The member may handle what is handled, on a day.
pub(crate) fn require_qualified(
    actor: &Actor,
    needs_concentrates: bool,
    today: chrono::NaiveDate,
) -> std::result::Result<(), Refusal> {
    let kind = QualificationKind::Concentrates;
    if needs_concentrates && !actor.is_qualified(kind, today) {
        return Err(Refusal::NeedsQualification { kind });
    }
    Ok(())
}

async fn free_code(tx: &mut Tx, today: chrono::NaiveDate, id: Uuid) -> Result<String> {
    for letters in USUAL_LETTERS..MOST_TRAY_LETTERS {
        let code = format!("S{}", tray_code(today, id, letters));
        if !batches::has_code(tx, &code).await? {
            return Ok(code);
        }
    }
    Ok(format!("S{}", tray_code(today, id, MOST_TRAY_LETTERS)))
}

fn check(request: &BatchRequest) -> Result<()> {
    let mut problems = Problems::new();
    let (least, most) = MICROLITRES;
    problems.require(
        (least..=most).contains(&request.microlitres),
        "/volume",
        "range",
        "must be between 100 mL and 100000 L",
    );
    for (index, lot) in request.lots.iter().enumerate() {
        let before = &request.lots[..index];
        if before
            .iter()
            .any(|other| other.product_id == lot.product_id)
        {
            problems.add(
                format!("/lots/{index}/product_id"),
                "repeated",
                "one lot of each product may be named; left out, a product comes from as many lots as it takes",
            );
        }
        if let Some(reason) = &lot.expired_reason {
            problems.text(&format!("/lots/{index}/expired_reason"), reason, 1, 200);
        }
    }
    problems.finish()
}
