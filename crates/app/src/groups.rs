//! Groups: classes and clubs at a site. Nothing personal of children is kept: a name and a head count.

use cotyl_domain::Operation;
use cotyl_store::groups::{self, Group, GroupFields};
use cotyl_store::{Page, Tx, members, sites};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// A page of groups, at a site where one is named.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_groups(
        &self,
        caller: &Caller,
        site_id: Option<Uuid>,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Group>> {
        self.read(Operation::ListGroups, caller, async |tx, _| {
            Ok(groups::list(tx, site_id, with_retired, page).await?)
        })
        .await
    }

    /// One group.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_group(&self, caller: &Caller, id: Uuid) -> Result<Group> {
        self.read(Operation::ReadGroup, caller, async |tx, _| {
            groups::get(tx, id).await?.ok_or(Error::NotFound("group"))
        })
        .await
    }

    /// Describes a new group.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`cotyl_domain::Refusal::Taken`] for a name in use.
    pub async fn create_group(&self, caller: &Caller, fields: &GroupFields) -> Result<Group> {
        check(fields)?;
        let operation = Operation::CreateGroup;
        self.write_once(operation, caller, async |tx, actor| {
            if !operation.reach(actor).covers_site(fields.site_id) {
                return Err(Error::Forbidden(operation));
            }
            check_references(tx, fields).await?;
            let id = self.new_id();
            groups::insert(tx, id, fields).await?;
            self.audit_group(tx, operation, caller, id).await
        })
        .await
    }

    /// Replaces the description of a group.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`.
    pub async fn change_group(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &GroupFields,
    ) -> Result<Group> {
        check(fields)?;
        let operation = Operation::ChangeGroup;
        self.write(operation, caller, async |tx, actor| {
            let reach = operation.reach(actor);
            let before = groups::get(tx, id).await?.ok_or(Error::NotFound("group"))?;
            if !reach.covers_site(before.fields.site_id) || !reach.covers_site(fields.site_id) {
                return Err(Error::Forbidden(operation));
            }
            // members and sites are held before the group, as everywhere
            check_references(tx, fields).await?;
            let group = groups::lock(tx, id)
                .await?
                .ok_or(Error::NotFound("group"))?;
            if !reach.covers_site(group.fields.site_id) {
                return Err(Error::Forbidden(operation));
            }
            require_version(expected, group.version)?;
            require_not_retired("the group", &group.retired_at)?;
            groups::update(tx, id, fields).await?;
            self.audit_group(tx, operation, caller, id).await
        })
        .await
    }

    /// Ends a group.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`.
    pub async fn retire_group(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Group> {
        let operation = Operation::RetireGroup;
        self.write(operation, caller, async |tx, actor| {
            let group = groups::lock(tx, id)
                .await?
                .ok_or(Error::NotFound("group"))?;
            if !operation.reach(actor).covers_site(group.fields.site_id) {
                return Err(Error::Forbidden(operation));
            }
            require_version(expected, group.version)?;
            require_not_retired("the group", &group.retired_at)?;
            groups::retire(tx, id, self.clock().now()).await?;
            self.audit_group(tx, operation, caller, id).await
        })
        .await
    }

    /// Keeps what a group became, and gives it back.
    async fn audit_group(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
    ) -> Result<Group> {
        let group = groups::get(tx, id).await?.ok_or(Error::NotFound("group"))?;
        let changed = Changed { noun: "group", id };
        self.audit(tx, operation, caller, changed, &group.fields)
            .await?;
        Ok(group)
    }
}

fn check(fields: &GroupFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    problems.within("/head_count", fields.head_count.into(), 1, 1000);
    problems.finish()
}

/// Leader and site are there and stay there until the transaction ends.
async fn check_references(tx: &mut Tx, fields: &GroupFields) -> Result<()> {
    let mut problems = Problems::new();
    for (pointer, what, retired) in [
        (
            "/led_by",
            "member",
            members::lock(tx, fields.led_by)
                .await?
                .map(|member| member.retired_at.is_some()),
        ),
        (
            "/site_id",
            "site",
            sites::lock(tx, fields.site_id)
                .await?
                .map(|site| site.retired_at.is_some()),
        ),
    ] {
        match retired {
            None => problems.add(
                pointer,
                "unknown",
                format!("there is no such {what} in this co-operative"),
            ),
            Some(true) => problems.add(pointer, "retired", format!("the {what} is retired")),
            Some(false) => {}
        }
    }
    problems.finish()
}
