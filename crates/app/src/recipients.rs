//! Recipients: who receives produce, on which days.

use cotyl_domain::{Operation, Refusal};
use cotyl_store::recipients::{self, Recipient, RecipientFields, RecipientFilter};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Describes a new recipient.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there; [`cotyl_domain::Refusal::Taken`] for a name in use.
    pub async fn create_recipient(
        &self,
        caller: &Caller,
        fields: &RecipientFields,
    ) -> Result<Recipient> {
        check(fields)?;
        self.write_once(Operation::CreateRecipient, caller, async |tx, _| {
            let recipient = recipients::insert(tx, self.new_id(), fields).await?;
            self.audit_recipient(tx, Operation::CreateRecipient, caller, &recipient)
                .await?;
            Ok(recipient)
        })
        .await
    }

    /// One recipient.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the caller reaches none of this id.
    pub async fn read_recipient(&self, caller: &Caller, id: Uuid) -> Result<Recipient> {
        self.read(Operation::ReadRecipient, caller, async |tx, actor| {
            let recipient = recipients::get(tx, id)
                .await?
                .ok_or(Error::NotFound("recipient"))?;
            if !Operation::ReadRecipient.reach(actor).covers_recipient(id) {
                return Err(Error::NotFound("recipient"));
            }
            Ok(recipient)
        })
        .await
    }

    /// A page of recipients.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_recipients(
        &self,
        caller: &Caller,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Recipient>> {
        self.read(Operation::ListRecipients, caller, async |tx, actor| {
            let reach = Operation::ListRecipients.reach(actor);
            let filter = RecipientFilter {
                only: reach.recipient_filter().map(<[Uuid]>::to_vec),
                with_retired,
            };
            Ok(recipients::list(tx, &filter, page).await?)
        })
        .await
    }

    /// Replaces the description of a recipient.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_recipient(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &RecipientFields,
    ) -> Result<Recipient> {
        check(fields)?;
        self.write(Operation::ChangeRecipient, caller, async |tx, _| {
            let recipient = lock(tx, id).await?;
            require_version(expected, recipient.version)?;
            require_not_retired("the recipient", &recipient.retired_at)?;
            let recipient = recipients::update(tx, id, fields).await?;
            self.audit_recipient(tx, Operation::ChangeRecipient, caller, &recipient)
                .await?;
            Ok(recipient)
        })
        .await
    }

    /// Takes a recipient out of use; refused while pledges or packed deliveries name it.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_recipient(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Recipient> {
        self.write(Operation::RetireRecipient, caller, async |tx, _| {
            let recipient = lock(tx, id).await?;
            require_version(expected, recipient.version)?;
            require_not_retired("the recipient", &recipient.retired_at)?;
            if let Some(by) = recipients::in_use(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the recipient {}", recipient.fields.name),
                    by,
                }
                .into());
            }
            let recipient = recipients::retire(tx, id, self.clock().now()).await?;
            self.audit_recipient(tx, Operation::RetireRecipient, caller, &recipient)
                .await?;
            Ok(recipient)
        })
        .await
    }

    async fn audit_recipient(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        recipient: &Recipient,
    ) -> Result<()> {
        let changed = Changed {
            noun: "recipient",
            id: recipient.id,
        };
        self.audit(tx, operation, caller, changed, &recipient.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Recipient> {
    recipients::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("recipient"))
}

fn check(fields: &RecipientFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    problems.require(
        matches!(fields.kind.as_str(), "pantry" | "kitchen" | "families"),
        "/kind",
        "unknown",
        "must be pantry, kitchen or families",
    );
    problems.text("/contact", &fields.contact, 0, 500);
    problems.require(
        !fields.delivery_weekdays.is_empty(),
        "/delivery_weekdays",
        "missing",
        "name at least one weekday",
    );
    for (index, weekday) in fields.delivery_weekdays.iter().enumerate() {
        let pointer = format!("/delivery_weekdays/{index}");
        problems.within(&pointer, (*weekday).into(), 1, 7);
        if fields.delivery_weekdays[..index].contains(weekday) {
            problems.add(pointer, "repeated", "this weekday is named twice");
        }
    }
    problems.within("/keep_days", fields.keep_days.into(), 0, 14);
    problems.finish()
}
