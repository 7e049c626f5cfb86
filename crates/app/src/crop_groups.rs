//! Crop groups: what pledges may name instead of a single crop.

use cotyl_domain::{Operation, Refusal};
use cotyl_store::crop_groups::{self, CropGroup, CropGroupFields};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Describes a new crop group.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there; [`cotyl_domain::Refusal::Taken`] for a name in use.
    pub async fn create_crop_group(
        &self,
        caller: &Caller,
        fields: &CropGroupFields,
    ) -> Result<CropGroup> {
        check(fields)?;
        self.write_once(Operation::CreateCropGroup, caller, async |tx, _| {
            let crop_group = crop_groups::insert(tx, self.new_id(), fields).await?;
            self.audit_crop_group(tx, Operation::CreateCropGroup, caller, &crop_group)
                .await?;
            Ok(crop_group)
        })
        .await
    }

    /// One crop group.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_crop_group(&self, caller: &Caller, id: Uuid) -> Result<CropGroup> {
        self.read(Operation::ReadCropGroup, caller, async |tx, _| {
            crop_groups::get(tx, id)
                .await?
                .ok_or(Error::NotFound("crop group"))
        })
        .await
    }

    /// A page of crop groups.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_crop_groups(
        &self,
        caller: &Caller,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<CropGroup>> {
        self.read(Operation::ListCropGroups, caller, async |tx, _| {
            Ok(crop_groups::list(tx, with_retired, page).await?)
        })
        .await
    }

    /// Replaces the description of a crop group.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_crop_group(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &CropGroupFields,
    ) -> Result<CropGroup> {
        check(fields)?;
        self.write(Operation::ChangeCropGroup, caller, async |tx, _| {
            let crop_group = lock(tx, id).await?;
            require_version(expected, crop_group.version)?;
            require_not_retired("the crop group", &crop_group.retired_at)?;
            let crop_group = crop_groups::update(tx, id, fields).await?;
            self.audit_crop_group(tx, Operation::ChangeCropGroup, caller, &crop_group)
                .await?;
            Ok(crop_group)
        })
        .await
    }

    /// Takes a crop group out of use; refused while crops or pledges name it.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_crop_group(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<CropGroup> {
        self.write(Operation::RetireCropGroup, caller, async |tx, _| {
            let crop_group = lock(tx, id).await?;
            require_version(expected, crop_group.version)?;
            require_not_retired("the crop group", &crop_group.retired_at)?;
            if let Some(by) = crop_groups::in_use(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the crop group {}", crop_group.fields.name),
                    by,
                }
                .into());
            }
            let crop_group = crop_groups::retire(tx, id, self.clock().now()).await?;
            self.audit_crop_group(tx, Operation::RetireCropGroup, caller, &crop_group)
                .await?;
            Ok(crop_group)
        })
        .await
    }

    async fn audit_crop_group(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        crop_group: &CropGroup,
    ) -> Result<()> {
        let changed = Changed {
            noun: "crop_group",
            id: crop_group.id,
        };
        self.audit(tx, operation, caller, changed, &crop_group.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<CropGroup> {
    crop_groups::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("crop group"))
}

fn check(fields: &CropGroupFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    problems.finish()
}
