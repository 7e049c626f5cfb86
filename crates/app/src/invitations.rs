//! Invitations: a coordinator hands over a link, and whoever holds it sets their own password.

use cotyl_domain::{Grant, Operation, Refusal};
use cotyl_store::cooperatives;
use cotyl_store::links::Purpose;
use cotyl_store::members::{self, Member};
use serde::{Deserialize, Serialize};

use crate::found::check_email;
use crate::input::Problems;
use crate::links::{Link, Use};
use crate::member_roles::{check_roles, give_roles};
use crate::sign_in::{SignedIn, check_new_password};
use crate::{App, Caller, Changed, Error, Result, Visitor};

/// Who is invited.
#[derive(Debug, Clone)]
pub struct Invitation {
    /// Their name; they may change it.
    pub name: String,
    /// Their address.
    pub email: String,
    /// The roles they begin with.
    pub roles: Vec<Grant>,
}

/// Who was invited, with the link to hand over.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Invited {
    /// The link; its token is not kept.
    pub link: Link,
    /// The member, who cannot sign in yet.
    pub member: Member,
}

impl App {
    /// Invites a member. An address that was invited and has not accepted gets a fresh link, with the
    /// name and the roles of the newest invitation.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`Refusal::Taken`] for the address of
    /// somebody who has accepted.
    pub async fn invite_member(&self, caller: &Caller, invitation: &Invitation) -> Result<Invited> {
        let email = invitation.email.trim().to_lowercase();
        let name = invitation.name.trim();
        let mut problems = Problems::new();
        problems.name("/name", &invitation.name);
        check_email(&mut problems, "/email", &email);
        check_roles(&mut problems, &invitation.roles);
        problems.finish()?;
        self.write_once(Operation::InviteMember, caller, async |tx, _| {
            // two invitations of one address at the same moment come one after the other
            // nobody else adds to the members or takes from the coordinators meanwhile
            cooperatives::hold(tx).await?;
            let member_id = match members::of_email(tx, &email).await? {
                Some(known) => {
                    let member = members::lock(tx, known).await?;
                    if member.is_none_or(|m| m.has_accepted) {
                        let what = "this e-mail address".to_owned();
                        return Err(Refusal::Taken { what }.into());
                    }
                    members::update(tx, known, name, &email).await?;
                    known
                }
                None => {
                    let new = self.new_id();
                    members::insert(tx, tx.cooperative_id(), new, name, &email, None).await?;
                    new
                }
            };
            give_roles(self, tx, member_id, &invitation.roles).await?;
            let link = self.make_link(tx, member_id, Purpose::Invitation).await?;
            let member = members::get(tx, member_id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            self.tell_link(tx, "invitation", &member, &link).await?;
            let changed = Changed {
                noun: "member",
                id: member_id,
            };
            self.audit(tx, Operation::InviteMember, caller, changed, &member)
                .await?;
            Ok(Invited { link, member })
        })
        .await
    }

    /// Accepts an invitation and signs in.
    ///
    /// # Errors
    /// [`Error::Unauthenticated`], always the same, for a token that is unknown, void, used or expired;
    /// [`Error::Invalid`] for a password or name that cannot be accepted.
    pub async fn accept_invitation(
        &self,
        visitor: &Visitor,
        token: &str,
        password: &str,
        name: Option<&str>,
    ) -> Result<SignedIn> {
        check_new_password("/password", password)?;
        let mut problems = Problems::new();
        if let Some(name) = name {
            problems.name("/name", name);
        }
        problems.finish()?;
        let link = self
            .use_link(Use {
                purpose: Purpose::Invitation,
                operation: "accept_invitation",
                token,
                password,
                name,
                visitor,
            })
            .await?;
        self.begin_session(link.cooperative_id, link.member_id, &visitor.device)
            .await
    }
}
