//! Members: read, renamed, retired.

use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::members::{self, Member};
use cotyl_store::{Page, Tx, cooperatives, links, sessions};
use uuid::Uuid;

use crate::found::check_email;
use crate::input::{Problems, require_not_retired, require_version};
use crate::member_roles::require_other_coordinator;
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// A page of members, with a role at a site where one is named.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_members(
        &self,
        caller: &Caller,
        site_id: Option<Uuid>,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Member>> {
        self.read(Operation::ListMembers, caller, async |tx, _| {
            Ok(members::list(tx, site_id, with_retired, page).await?)
        })
        .await
    }

    /// One member; most roles see themselves only.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none that the caller may know of.
    pub async fn read_member(&self, caller: &Caller, id: Uuid) -> Result<Member> {
        self.read(Operation::ReadMember, caller, async |tx, actor| {
            require_known(actor, id)?;
            members::get(tx, id).await?.ok_or(Error::NotFound("member"))
        })
        .await
    }

    /// Replaces name and address; coordinators anyone's, others their own.
    ///
    /// # Errors
    /// [`Refusal::Taken`] for an address in use; [`Error::Stale`].
    pub async fn change_member(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        name: &str,
        email: &str,
    ) -> Result<Member> {
        let email = email.trim().to_lowercase();
        let mut problems = Problems::new();
        problems.name("/name", name);
        check_email(&mut problems, "/email", &email);
        problems.finish()?;
        self.write(Operation::ChangeMember, caller, async |tx, actor| {
            require_known(actor, id)?;
            let member = lock(tx, id).await?;
            if !Operation::ChangeMember.reach(actor).all && id != actor.member_id {
                return Err(Error::Forbidden(Operation::ChangeMember));
            }
            require_version(expected, member.version)?;
            require_not_retired("the member", &member.retired_at)?;
            members::update(tx, id, name.trim(), &email).await?;
            self.audit_member(tx, Operation::ChangeMember, caller, id)
                .await
        })
        .await
    }

    /// Ends a membership: every sign-in and every open link ends, and the tasks they held are open again.
    ///
    /// # Errors
    /// [`Refusal::LastCoordinator`]; [`Refusal::InUse`] while they lead a group; [`Error::Stale`].
    pub async fn retire_member(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Member> {
        self.write(Operation::RetireMember, caller, async |tx, _| {
            // nobody else adds to the members or takes from the coordinators meanwhile
            cooperatives::hold(tx).await?;
            let member = lock(tx, id).await?;
            require_version(expected, member.version)?;
            require_not_retired("the member", &member.retired_at)?;
            require_other_coordinator(tx, &member).await?;
            if let Some(group) = members::led_group(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the member {}", member.name),
                    by: format!("they lead the group {group}"),
                }
                .into());
            }
            let now = self.clock().now();
            members::retire(tx, id, now).await?;
            members::release_tasks(tx, id, now).await?;
            links::void(tx, id).await?;
            sessions::end_others(tx, id, None, "member_retired", now).await?;
            self.audit_member(tx, Operation::RetireMember, caller, id)
                .await
        })
        .await
    }

    /// Keeps what a member became, and gives it back.
    async fn audit_member(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
    ) -> Result<Member> {
        let member = members::get(tx, id)
            .await?
            .ok_or(Error::NotFound("member"))?;
        let changed = Changed { noun: "member", id };
        self.audit(tx, operation, caller, changed, &member).await?;
        Ok(member)
    }
}

/// The actor may know that this member exists.
pub(crate) fn require_known(actor: &Actor, member_id: Uuid) -> Result<()> {
    if Operation::ReadMember.reach(actor).all || member_id == actor.member_id {
        Ok(())
    } else {
        Err(Error::NotFound("member"))
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Member> {
    members::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("member"))
}
