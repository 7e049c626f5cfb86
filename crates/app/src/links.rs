//! Links handed to one person for one use. The token is derived from the link's id, shown to whoever
//! made the link, and only its hash is kept.

use chrono::{DateTime, Duration, Utc};
use cotyl_store::links::{self, OpenLink, Purpose};
use cotyl_store::{Scope, Tx, members, sessions};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::keys::token_hash;
use crate::passwords::MOST_CHARACTERS;
use crate::{App, Error, Result, Visitor};

/// How long an invitation may wait for its acceptance.
pub const INVITATION_LIFETIME: Duration = Duration::days(14);
/// How long a password reset may wait for its use.
pub const RESET_LIFETIME: Duration = Duration::hours(24);

/// One answer for every link that cannot be used, so that nobody learns which links there were.
const REFUSED: Error =
    Error::Unauthenticated("this link cannot be used; ask a coordinator for a new one");

/// A link that was made, without its token.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Link {
    /// The link.
    pub id: Uuid,
    /// Until when it can be used.
    pub expires_at: DateTime<Utc>,
}

/// What came with a link's token.
pub(crate) struct Use<'a> {
    pub purpose: Purpose,
    /// The name of the operation for the audit.
    pub operation: &'static str,
    pub token: &'a str,
    pub password: &'a str,
    pub name: Option<&'a str>,
    pub visitor: &'a Visitor,
}

impl App {
    /// The token of a link, to hand over once.
    pub fn link_token(&self, link: &Link) -> String {
        self.keys.link_token(link.id)
    }

    /// Makes a link for a member, who must be held; their earlier links are void.
    pub(crate) async fn make_link(
        &self,
        tx: &mut Tx,
        member_id: Uuid,
        purpose: Purpose,
    ) -> Result<Link> {
        let lifetime = match purpose {
            Purpose::Invitation => INVITATION_LIFETIME,
            Purpose::PasswordReset => RESET_LIFETIME,
        };
        let link = Link {
            id: self.new_id(),
            expires_at: self.clock().now() + lifetime,
        };
        let hash = token_hash(&self.link_token(&link));
        links::void(tx, member_id).await?;
        links::insert(tx, link.id, member_id, purpose, &hash, link.expires_at).await?;
        Ok(link)
    }

    /// Sets a password by a link, once. A password is hashed only for a link that can be used.
    pub(crate) async fn use_link(&self, used: Use<'_>) -> Result<OpenLink> {
        if used.token.chars().count() > MOST_CHARACTERS {
            return Err(REFUSED);
        }
        let presented = token_hash(used.token);
        let now = self.clock().now();
        let link = self
            .store()
            .read(Scope::System, async |tx| {
                links::of_hash(tx, used.purpose, &presented, now)
                    .await?
                    .ok_or(REFUSED)
            })
            .await?;
        let password_hash = self.passwords.hash(used.password).await?;
        let scope = Scope::Cooperative(link.cooperative_id);
        self.store()
            .write(used.operation, scope, async |tx| {
                let member = members::lock(tx, link.member_id).await?.ok_or(REFUSED)?;
                if member.retired_at.is_some() || !links::mark_used(tx, link.id, now).await? {
                    return Err(REFUSED);
                }
                let name = used.name.map_or(member.name.as_str(), str::trim);
                members::update(tx, member.id, name, &member.email).await?;
                sessions::set_password(tx, member.id, &password_hash).await?;
                sessions::end_others(tx, member.id, None, "password_changed", now).await?;
                let became = serde_json::json!({ "name": name });
                self.audit_visit(tx, used.operation, used.visitor, member.id, became)
                    .await
            })
            .await?;
        Ok(link)
    }
}
