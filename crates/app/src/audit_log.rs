//! The audit entry that every use case adds to its own transaction.

use cotyl_domain::Operation;
use cotyl_store::{Tx, audit};
use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use crate::{App, Caller, Error, Result, Visitor};

/// What a use case changed.
#[derive(Debug, Clone, Copy)]
pub struct Changed {
    /// The kind of record, in the singular.
    pub noun: &'static str,
    /// The record.
    pub id: Uuid,
}

impl App {
    /// Keeps who changed what, with what the record became. Never pass a secret.
    pub(crate) async fn audit(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        changed: Changed,
        became: &impl Serialize,
    ) -> Result<()> {
        let entry = audit::AuditEntry {
            id: self.new_id(),
            at: self.clock().now(),
            member_id: Some(caller.member_id),
            operation: operation.as_str().to_owned(),
            noun: changed.noun.to_owned(),
            noun_id: Some(changed.id),
            device: caller.device.clone(),
            request_id: caller.request_id.clone(),
            change: serde_json::to_value(became).map_err(Error::internal)?,
        };
        audit::insert(tx, tx.cooperative_id(), &entry).await?;
        Ok(())
    }

    /// Keeps what somebody did with a link of theirs, before they were signed in.
    pub(crate) async fn audit_visit(
        &self,
        tx: &mut Tx,
        operation: &str,
        visitor: &Visitor,
        member_id: Uuid,
        became: Value,
    ) -> Result<()> {
        let entry = audit::AuditEntry {
            id: self.new_id(),
            at: self.clock().now(),
            member_id: Some(member_id),
            operation: operation.to_owned(),
            noun: "member".to_owned(),
            noun_id: Some(member_id),
            device: visitor.device.clone(),
            request_id: visitor.request_id.clone(),
            change: became,
        };
        audit::insert(tx, tx.cooperative_id(), &entry).await?;
        Ok(())
    }

    /// Audit entries in the order in which they were made, of one record where `noun_id` names it.
    ///
    /// # Errors
    /// When the caller is not a coordinator.
    pub async fn list_audit_entries(
        &self,
        caller: &Caller,
        noun_id: Option<Uuid>,
        page: cotyl_store::Page,
    ) -> Result<Vec<audit::AuditLine>> {
        self.read(Operation::ListAuditEntries, caller, async |tx, _| {
            Ok(audit::list(tx, noun_id, page).await?)
        })
        .await
    }
}
