//! The roles of a member: a list that is replaced as a whole.

use std::collections::BTreeSet;

use cotyl_domain::{Grant, Operation, Refusal, Role, RoleScope};
use cotyl_store::members::{self, Member};
use cotyl_store::{Tx, cooperatives, sites};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

/// Most roles of one member.
const MOST_ROLES: usize = 100;

impl App {
    /// Replaces the roles of a member.
    ///
    /// # Errors
    /// [`Error::Invalid`] naming the role that cannot be given; [`Refusal::LastCoordinator`];
    /// [`Error::Stale`].
    pub async fn set_member_roles(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        roles: &[Grant],
    ) -> Result<Member> {
        let mut problems = Problems::new();
        check_roles(&mut problems, roles);
        problems.finish()?;
        self.write(Operation::SetMemberRoles, caller, async |tx, _| {
            // nobody else adds to the members or takes from the coordinators meanwhile
            cooperatives::hold(tx).await?;
            let member = members::lock(tx, id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            require_version(expected, member.version)?;
            require_not_retired("the member", &member.retired_at)?;
            if !roles.iter().any(|grant| grant.role == Role::Coordinator) {
                require_other_coordinator(tx, &member).await?;
            }
            give_roles(self, tx, id, roles).await?;
            let changed = Changed { noun: "member", id };
            let became = serde_json::json!({ "roles": roles });
            self.audit(tx, Operation::SetMemberRoles, caller, changed, &became)
                .await?;
            members::get(tx, id).await?.ok_or(Error::NotFound("member"))
        })
        .await
    }
}

/// Taking this member from the coordinators leaves one who can sign in. The list of members must be held.
pub(crate) async fn require_other_coordinator(tx: &mut Tx, member: &Member) -> Result<()> {
    let coordinates = member.roles.iter().any(|g| g.role == Role::Coordinator);
    if coordinates && !members::has_other_coordinator(tx, member.id).await? {
        return Err(Refusal::LastCoordinator.into());
    }
    Ok(())
}

/// Each role comes with what it is held for and nothing else, and none twice.
pub(crate) fn check_roles(problems: &mut Problems, roles: &[Grant]) {
    if roles.len() > MOST_ROLES {
        problems.add(
            "/roles",
            "length",
            format!("must be at most {MOST_ROLES}; there are {}", roles.len()),
        );
        return;
    }
    let mut seen = BTreeSet::new();
    for (index, grant) in roles.iter().enumerate() {
        let name = grant.role.as_str();
        let scope = grant.role.scope();
        for (field, wanted, given) in [
            ("site_id", RoleScope::Site, grant.site_id),
            ("recipient_id", RoleScope::Recipient, grant.recipient_id),
        ] {
            let pointer = format!("/roles/{index}/{field}");
            if scope == wanted && given.is_none() {
                problems.add(pointer, "required", format!("a {name} needs it"));
            } else if scope != wanted && given.is_some() {
                problems.add(pointer, "not-here", format!("a {name} has none"));
            }
        }
        if !seen.insert((grant.role, grant.site_id, grant.recipient_id)) {
            problems.add(
                format!("/roles/{index}"),
                "twice",
                "this role is in the list already",
            );
        }
    }
}

/// Gives a member exactly these roles; their sites and recipients must be there and in use.
pub(crate) async fn give_roles(app: &App, tx: &mut Tx, id: Uuid, roles: &[Grant]) -> Result<()> {
    let mut problems = Problems::new();
    for (index, grant) in roles.iter().enumerate() {
        let found = match (grant.site_id, grant.recipient_id) {
            (Some(site), _) => {
                let site = sites::get(tx, site).await?;
                ("site", site.map(|s| s.retired_at.is_some()))
            }
            (None, Some(recipient)) => {
                let retired = members::recipient_is_retired(tx, recipient).await?;
                ("recipient", retired)
            }
            (None, None) => continue,
        };
        let (what, retired) = found;
        let pointer = format!("/roles/{index}/{what}_id");
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
    problems.finish()?;
    members::take_roles(tx, id).await?;
    for grant in roles {
        members::insert_grant(
            tx,
            tx.cooperative_id(),
            app.new_id(),
            id,
            grant.role,
            grant.site_id,
            grant.recipient_id,
        )
        .await?;
    }
    Ok(())
}
