//! Password resets: a coordinator hands over a link; nothing ends until it is used.

use cotyl_domain::{Operation, Refusal};
use cotyl_store::links::Purpose;
use cotyl_store::members;
use uuid::Uuid;

use crate::input::require_not_retired;
use crate::links::{Link, Use};
use crate::sign_in::check_new_password;
use crate::{App, Caller, Changed, Error, Result, Visitor};

impl App {
    /// Makes a link by which a member sets a new password.
    ///
    /// # Errors
    /// [`Refusal::WrongState`] for somebody who has not accepted their invitation.
    pub async fn reset_member_password(&self, caller: &Caller, member_id: Uuid) -> Result<Link> {
        self.write_once(Operation::ResetMemberPassword, caller, async |tx, _| {
            let member = members::lock(tx, member_id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            require_not_retired("the member", &member.retired_at)?;
            if !member.has_accepted {
                return Err(Refusal::WrongState {
                    what: format!("the invitation of {}", member.name),
                    state: "not accepted yet".to_owned(),
                    step: "reset; invite them again".to_owned(),
                }
                .into());
            }
            let link = self
                .make_link(tx, member_id, Purpose::PasswordReset)
                .await?;
            self.tell_link(tx, "password_reset", &member, &link).await?;
            let changed = Changed {
                noun: "member",
                id: member_id,
            };
            self.audit(tx, Operation::ResetMemberPassword, caller, changed, &link)
                .await?;
            Ok(link)
        })
        .await
    }

    /// Sets a new password by a link and ends every sign-in of the member.
    ///
    /// # Errors
    /// [`Error::Unauthenticated`], always the same, for a token that is unknown, void, used or expired;
    /// [`Error::Invalid`] for a password that cannot be accepted.
    pub async fn redeem_password_reset(
        &self,
        visitor: &Visitor,
        token: &str,
        new_password: &str,
    ) -> Result<()> {
        check_new_password("/new_password", new_password)?;
        self.use_link(Use {
            purpose: Purpose::PasswordReset,
            operation: "redeem_password_reset",
            token,
            password: new_password,
            name: None,
            visitor,
        })
        .await?;
        Ok(())
    }
}
