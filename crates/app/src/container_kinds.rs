//! Container kinds: what is filled, how far, and what grows in it.

use cotyl_domain::{Operation, Refusal};
use cotyl_store::container_kinds::{self, ContainerKind, ContainerKindFields};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

/// 1000 L.
const MOST_MICROLITRES: i64 = 1_000_000_000;

impl App {
    /// Describes a new container kind.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there; [`cotyl_domain::Refusal::Taken`] for a name in use.
    pub async fn create_container_kind(
        &self,
        caller: &Caller,
        fields: &ContainerKindFields,
    ) -> Result<ContainerKind> {
        check(fields)?;
        self.write_once(Operation::CreateContainerKind, caller, async |tx, _| {
            let container_kind = container_kinds::insert(tx, self.new_id(), fields).await?;
            self.audit_container_kind(tx, Operation::CreateContainerKind, caller, &container_kind)
                .await?;
            Ok(container_kind)
        })
        .await
    }

    /// One container kind.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_container_kind(&self, caller: &Caller, id: Uuid) -> Result<ContainerKind> {
        self.read(Operation::ReadContainerKind, caller, async |tx, _| {
            container_kinds::get(tx, id)
                .await?
                .ok_or(Error::NotFound("container kind"))
        })
        .await
    }

    /// A page of container kinds.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_container_kinds(
        &self,
        caller: &Caller,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<ContainerKind>> {
        self.read(Operation::ListContainerKinds, caller, async |tx, _| {
            Ok(container_kinds::list(tx, with_retired, page).await?)
        })
        .await
    }

    /// Replaces the description of a container kind.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_container_kind(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &ContainerKindFields,
    ) -> Result<ContainerKind> {
        check(fields)?;
        self.write(Operation::ChangeContainerKind, caller, async |tx, _| {
            let container_kind = lock(tx, id).await?;
            require_version(expected, container_kind.version)?;
            require_not_retired("the container kind", &container_kind.retired_at)?;
            let container_kind = container_kinds::update(tx, id, fields).await?;
            self.audit_container_kind(tx, Operation::ChangeContainerKind, caller, &container_kind)
                .await?;
            Ok(container_kind)
        })
        .await
    }

    /// Takes a container kind out of use; refused while stations have it.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_container_kind(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<ContainerKind> {
        self.write(Operation::RetireContainerKind, caller, async |tx, _| {
            let container_kind = lock(tx, id).await?;
            require_version(expected, container_kind.version)?;
            require_not_retired("the container kind", &container_kind.retired_at)?;
            if let Some(by) = container_kinds::in_use(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the container kind {}", container_kind.fields.name),
                    by,
                }
                .into());
            }
            let container_kind = container_kinds::retire(tx, id, self.clock().now()).await?;
            self.audit_container_kind(tx, Operation::RetireContainerKind, caller, &container_kind)
                .await?;
            Ok(container_kind)
        })
        .await
    }

    async fn audit_container_kind(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        container_kind: &ContainerKind,
    ) -> Result<()> {
        let changed = Changed {
            noun: "container_kind",
            id: container_kind.id,
        };
        self.audit(tx, operation, caller, changed, &container_kind.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<ContainerKind> {
    container_kinds::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("container kind"))
}

fn check(fields: &ContainerKindFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    let volume = fields.volume_microlitres;
    problems.require(
        (1..=MOST_MICROLITRES).contains(&volume),
        "/volume",
        "range",
        "must be more than nothing and at most 1000 L",
    );
    problems.require(
        fields.fill_microlitres >= 1 && fields.fill_microlitres <= volume,
        "/fill",
        "range",
        "must be more than nothing and at most the volume",
    );
    problems.require(
        fields.refill_limit_microlitres >= 0
            && fields.refill_limit_microlitres <= fields.fill_microlitres,
        "/refill_limit",
        "range",
        "must not be less than nothing or more than the fill line",
    );
    problems.within(
        "/plants_per_container",
        fields.plants_per_container.into(),
        1,
        1000,
    );
    problems.within("/yield_permille", fields.yield_permille.into(), 1, 100_000);
    problems.finish()
}
