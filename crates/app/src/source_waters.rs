//! Source waters of sites: what their reports say.

use cotyl_domain::{Actor, Operation};
use cotyl_solution::{Alkalinity, Solution};
use cotyl_store::references::Reference;
use cotyl_store::source_waters::{self, SourceWater, SourceWaterFields};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::chemistry::{WaterAnalysis, kept, water_of};
use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

/// A source water with its report understood.
#[derive(Debug, Clone)]
pub struct WaterDetail {
    /// The water.
    pub water: SourceWater,
    /// Its report.
    pub analysis: WaterAnalysis,
    /// Its alkalinity, for every unit.
    pub alkalinity: Alkalinity,
    /// What it is.
    pub solution: Solution,
}

impl WaterDetail {
    /// A water as it is kept, understood.
    ///
    /// # Errors
    /// [`Error::Internal`] when this version cannot read it.
    pub fn of(water: SourceWater) -> Result<Self> {
        let analysis: WaterAnalysis = kept(&water.fields.analysis)?;
        let unreadable = |problem| Error::internal(format!("{problem:?}"));
        Ok(Self {
            alkalinity: analysis.alkalinity.alkalinity().map_err(unreadable)?,
            solution: water_of(&analysis).map_err(unreadable)?,
            analysis,
            water,
        })
    }
}

impl App {
    /// Describes a new source water.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`cotyl_domain::Refusal::Taken`].
    pub async fn create_source_water(
        &self,
        caller: &Caller,
        fields: &SourceWaterFields,
    ) -> Result<WaterDetail> {
        check(fields)?;
        let water = self
            .write_once(Operation::CreateSourceWater, caller, async |tx, actor| {
                let mut problems = Problems::new();
                problems
                    .refers(tx, "/site_id", Reference::Site, fields.site_id)
                    .await?;
                problems.finish()?;
                require_site(actor, Operation::CreateSourceWater, fields.site_id)?;
                let water = source_waters::insert(tx, self.new_id(), fields).await?;
                self.audit_water(tx, Operation::CreateSourceWater, caller, &water)
                    .await?;
                Ok(water)
            })
            .await?;
        WaterDetail::of(water)
    }

    /// One source water.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_source_water(&self, caller: &Caller, id: Uuid) -> Result<WaterDetail> {
        let water = self
            .read(Operation::ReadSourceWater, caller, async |tx, _| {
                source_waters::get(tx, id)
                    .await?
                    .ok_or(Error::NotFound("source water"))
            })
            .await?;
        WaterDetail::of(water)
    }

    /// A page of source waters.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_source_waters(
        &self,
        caller: &Caller,
        site_id: Option<Uuid>,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<WaterDetail>> {
        let found = self
            .read(Operation::ListSourceWaters, caller, async |tx, _| {
                Ok(source_waters::list(tx, site_id, with_retired, page).await?)
            })
            .await?;
        found.into_iter().map(WaterDetail::of).collect()
    }

    /// Replaces the description of a source water. Batches that were begun keep what it was.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_source_water(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &SourceWaterFields,
    ) -> Result<WaterDetail> {
        check(fields)?;
        let water = self
            .write(Operation::ChangeSourceWater, caller, async |tx, actor| {
                let water = lock(tx, actor, Operation::ChangeSourceWater, id).await?;
                require_version(expected, water.version)?;
                require_not_retired("the source water", &water.retired_at)?;
                let mut problems = Problems::new();
                problems.fixed(
                    "/site_id",
                    "source water",
                    fields.site_id,
                    water.fields.site_id,
                );
                problems.finish()?;
                let water = source_waters::update(tx, id, fields).await?;
                self.audit_water(tx, Operation::ChangeSourceWater, caller, &water)
                    .await?;
                Ok(water)
            })
            .await?;
        WaterDetail::of(water)
    }

    /// Takes a source water out of use.
    ///
    /// # Errors
    /// [`Error::Stale`].
    pub async fn retire_source_water(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<WaterDetail> {
        let water = self
            .write(Operation::RetireSourceWater, caller, async |tx, actor| {
                let water = lock(tx, actor, Operation::RetireSourceWater, id).await?;
                require_version(expected, water.version)?;
                require_not_retired("the source water", &water.retired_at)?;
                let water = source_waters::retire(tx, id, self.clock().now()).await?;
                self.audit_water(tx, Operation::RetireSourceWater, caller, &water)
                    .await?;
                Ok(water)
            })
            .await?;
        WaterDetail::of(water)
    }

    async fn audit_water(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        water: &SourceWater,
    ) -> Result<()> {
        let changed = Changed {
            noun: "source_water",
            id: water.id,
        };
        self.audit(tx, operation, caller, changed, &water.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, actor: &Actor, operation: Operation, id: Uuid) -> Result<SourceWater> {
    let water = source_waters::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("source water"))?;
    require_site(actor, operation, water.fields.site_id)?;
    Ok(water)
}

fn require_site(actor: &Actor, operation: Operation, site_id: Uuid) -> Result<()> {
    if operation.reach(actor).covers_site(site_id) {
        Ok(())
    } else {
        Err(Error::Forbidden(operation))
    }
}

fn check(fields: &SourceWaterFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    if let Some(day) = fields.analysed_on {
        problems.day("/analysed_on", day);
    }
    let analysis: WaterAnalysis = kept(&fields.analysis)?;
    if let Err(problem) = water_of(&analysis) {
        problems.extend([problem]);
    }
    problems.finish()
}
