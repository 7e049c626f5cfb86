//! Pledges: how much of what is promised to whom, week by week.

use cotyl_domain::Operation;
use cotyl_store::pledges::{self, Pledge, PledgeFields, PledgeFilter};
use cotyl_store::references::Reference;
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

/// A thousand tonnes.
const MOST_WEEKLY_MILLIGRAMS: i64 = 1_000_000_000_000;
/// Mondays 521 weeks apart.
const MOST_DAYS: i64 = 3650;

impl App {
    /// Describes a new pledge.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there.
    pub async fn create_pledge(&self, caller: &Caller, fields: &PledgeFields) -> Result<Pledge> {
        check(fields)?;
        self.write_once(Operation::CreatePledge, caller, async |tx, _| {
            check_references(tx, fields).await?;
            let pledge = pledges::insert(tx, self.new_id(), fields).await?;
            self.audit_pledge(tx, Operation::CreatePledge, caller, &pledge)
                .await?;
            Ok(pledge)
        })
        .await
    }

    /// One pledge.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the caller reaches none of this id.
    pub async fn read_pledge(&self, caller: &Caller, id: Uuid) -> Result<Pledge> {
        self.read(Operation::ReadPledge, caller, async |tx, actor| {
            let pledge = pledges::get(tx, id)
                .await?
                .ok_or(Error::NotFound("pledge"))?;
            let reach = Operation::ReadPledge.reach(actor);
            if !reach.covers_recipient(pledge.fields.recipient_id) {
                return Err(Error::NotFound("pledge"));
            }
            Ok(pledge)
        })
        .await
    }

    /// A page of pledges.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_pledges(
        &self,
        caller: &Caller,
        filter: &PledgeFilter,
        page: Page,
    ) -> Result<Vec<Pledge>> {
        self.read(Operation::ListPledges, caller, async |tx, actor| {
            let reach = Operation::ListPledges.reach(actor);
            let filter = PledgeFilter {
                only_recipients: reach.recipient_filter().map(<[Uuid]>::to_vec),
                ..filter.clone()
            };
            Ok(pledges::list(tx, &filter, page).await?)
        })
        .await
    }

    /// Replaces the description of a pledge.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_pledge(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &PledgeFields,
    ) -> Result<Pledge> {
        check(fields)?;
        self.write(Operation::ChangePledge, caller, async |tx, _| {
            let pledge = lock(tx, id).await?;
            require_version(expected, pledge.version)?;
            require_not_retired("the pledge", &pledge.retired_at)?;
            let mut problems = Problems::new();
            problems.fixed(
                "/recipient_id",
                "pledge",
                fields.recipient_id,
                pledge.fields.recipient_id,
            );
            problems.finish()?;
            check_references(tx, fields).await?;
            let pledge = pledges::update(tx, id, fields).await?;
            self.audit_pledge(tx, Operation::ChangePledge, caller, &pledge)
                .await?;
            Ok(pledge)
        })
        .await
    }

    /// Takes a pledge out of use.
    ///
    /// # Errors
    /// [`Error::Stale`].
    pub async fn retire_pledge(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Pledge> {
        self.write(Operation::RetirePledge, caller, async |tx, _| {
            let pledge = lock(tx, id).await?;
            require_version(expected, pledge.version)?;
            require_not_retired("the pledge", &pledge.retired_at)?;
            let pledge = pledges::retire(tx, id, self.clock().now()).await?;
            self.audit_pledge(tx, Operation::RetirePledge, caller, &pledge)
                .await?;
            Ok(pledge)
        })
        .await
    }

    async fn audit_pledge(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        pledge: &Pledge,
    ) -> Result<()> {
        let changed = Changed {
            noun: "pledge",
            id: pledge.id,
        };
        self.audit(tx, operation, caller, changed, &pledge.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Pledge> {
    pledges::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("pledge"))
}

async fn check_references(tx: &mut Tx, fields: &PledgeFields) -> Result<()> {
    let mut problems = Problems::new();
    problems
        .refers(
            tx,
            "/recipient_id",
            Reference::Recipient,
            fields.recipient_id,
        )
        .await?;
    if let Some(id) = fields.crop_id {
        problems.refers(tx, "/crop_id", Reference::Crop, id).await?;
    }
    if let Some(id) = fields.crop_group_id {
        problems
            .refers(tx, "/crop_group_id", Reference::CropGroup, id)
            .await?;
    }
    problems.finish()
}

fn check(fields: &PledgeFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.require(
        fields.crop_id.is_some() != fields.crop_group_id.is_some(),
        "/crop_id",
        "one_of",
        "name either a crop or a crop group",
    );
    problems.require(
        (1..=MOST_WEEKLY_MILLIGRAMS).contains(&fields.weekly_milligrams),
        "/weekly",
        "range",
        "must be more than nothing and at most 1000000 kg",
    );
    problems.day("/first_week", fields.first_monday);
    problems.day("/last_week", fields.last_monday);
    let days = fields
        .last_monday
        .signed_duration_since(fields.first_monday)
        .num_days();
    problems.require(
        (0..=MOST_DAYS).contains(&days),
        "/last_week",
        "range",
        "must be the first week or at most 521 weeks later",
    );
    problems.within("/priority", fields.priority.into(), 1, 9);
    problems.finish()
}
