//! Who sent a request, as the access token and the request's headers say.

use cotyl_store::Scope;
use uuid::Uuid;

/// A verified caller. Roles are read from the database at each use.
#[derive(Debug, Clone)]
pub struct Caller {
    /// Co-operative named by the token.
    pub cooperative_id: Uuid,
    /// Member named by the token.
    pub member_id: Uuid,
    /// Sign-in the token belongs to.
    pub session_id: Uuid,
    /// What the client calls itself, cut to a sane length.
    pub device: String,
    /// Identifier of the request, as in the log.
    pub request_id: String,
    /// Key and fingerprint of a request that may be repeated.
    pub idempotency: Option<Idempotency>,
    /// Whose work is entered, where that is not the caller's own: entries name them, the audit log the
    /// caller.
    pub on_behalf_of: Option<Uuid>,
}

impl Caller {
    /// Whose work it is that is entered.
    pub(crate) fn doer(&self) -> Uuid {
        self.on_behalf_of.unwrap_or(self.member_id)
    }

    /// What a transaction of theirs is bound to.
    pub(crate) fn scope(&self) -> Scope {
        Scope::Session {
            cooperative_id: self.cooperative_id,
            session_id: self.session_id,
            member_id: self.member_id,
        }
    }
}

/// Somebody who has not signed in, as the request's headers say.
#[derive(Debug, Clone)]
pub struct Visitor {
    /// What the client calls itself, cut to a sane length.
    pub device: String,
    /// Identifier of the request, as in the log.
    pub request_id: String,
}

/// An idempotency key with the fingerprint of the request it came with.
#[derive(Debug, Clone)]
pub struct Idempotency {
    /// The client's key.
    pub key: String,
    /// SHA-256 of method, path and body.
    pub request_hash: Vec<u8>,
}
