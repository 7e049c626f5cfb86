//! Closures: days on which a site is closed.

use cotyl_calendar::LONGEST_REASON_BYTES;
use cotyl_domain::{Actor, Operation};
use cotyl_store::closures::{self, Closure, ClosureFields, ClosureFilter};
use cotyl_store::references::Reference;
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Describes a new closure.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there.
    pub async fn create_closure(&self, caller: &Caller, fields: &ClosureFields) -> Result<Closure> {
        check(fields)?;
        self.write_once(Operation::CreateClosure, caller, async |tx, actor| {
            check_references(tx, fields).await?;
            if !Operation::CreateClosure
                .reach(actor)
                .covers_site(fields.site_id)
            {
                return Err(Error::Forbidden(Operation::CreateClosure));
            }
            let closure = closures::insert(tx, self.new_id(), fields).await?;
            self.audit_closure(tx, Operation::CreateClosure, caller, &closure)
                .await?;
            Ok(closure)
        })
        .await
    }

    /// One closure.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_closure(&self, caller: &Caller, id: Uuid) -> Result<Closure> {
        self.read(Operation::ReadClosure, caller, async |tx, _| {
            closures::get(tx, id)
                .await?
                .ok_or(Error::NotFound("closure"))
        })
        .await
    }

    /// A page of closures.
    ///
    /// # Errors
    /// [`Error::Invalid`] for days that no calendar has.
    pub async fn list_closures(
        &self,
        caller: &Caller,
        filter: &ClosureFilter,
        page: Page,
    ) -> Result<Vec<Closure>> {
        let mut problems = Problems::new();
        for (name, day) in [("from", filter.from), ("to", filter.to)] {
            if let Some(day) = day {
                problems.day(name, day);
            }
        }
        problems.finish()?;
        self.read(Operation::ListClosures, caller, async |tx, _| {
            Ok(closures::list(tx, filter, page).await?)
        })
        .await
    }

    /// Replaces the description of a closure.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_closure(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &ClosureFields,
    ) -> Result<Closure> {
        check(fields)?;
        self.write(Operation::ChangeClosure, caller, async |tx, actor| {
            let closure = lock(tx, actor, Operation::ChangeClosure, id).await?;
            require_version(expected, closure.version)?;
            require_not_retired("the closure", &closure.retired_at)?;
            let mut problems = Problems::new();
            problems.fixed(
                "/site_id",
                "closure",
                fields.site_id,
                closure.fields.site_id,
            );
            problems.finish()?;
            check_references(tx, fields).await?;
            let closure = closures::update(tx, id, fields).await?;
            self.audit_closure(tx, Operation::ChangeClosure, caller, &closure)
                .await?;
            Ok(closure)
        })
        .await
    }

    /// Takes a closure out of use.
    ///
    /// # Errors
    /// [`Error::Stale`].
    pub async fn retire_closure(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Closure> {
        self.write(Operation::RetireClosure, caller, async |tx, actor| {
            let closure = lock(tx, actor, Operation::RetireClosure, id).await?;
            require_version(expected, closure.version)?;
            require_not_retired("the closure", &closure.retired_at)?;
            let closure = closures::retire(tx, id, self.clock().now()).await?;
            self.audit_closure(tx, Operation::RetireClosure, caller, &closure)
                .await?;
            Ok(closure)
        })
        .await
    }

    pub(crate) async fn audit_closure(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        closure: &Closure,
    ) -> Result<()> {
        let changed = Changed {
            noun: "closure",
            id: closure.id,
        };
        self.audit(tx, operation, caller, changed, &closure.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, actor: &Actor, operation: Operation, id: Uuid) -> Result<Closure> {
    let closure = closures::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("closure"))?;
    if !operation.reach(actor).covers_site(closure.fields.site_id) {
        return Err(Error::Forbidden(operation));
    }
    Ok(closure)
}

async fn check_references(tx: &mut Tx, fields: &ClosureFields) -> Result<()> {
    let mut problems = Problems::new();
    problems
        .refers(tx, "/site_id", Reference::Site, fields.site_id)
        .await?;
    problems.finish()
}

pub(crate) fn check(fields: &ClosureFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.period(fields.first_day, fields.last_day);
    problems.text("/reason", &fields.reason, 1, 300);
    problems.require(
        fields.reason.len() <= LONGEST_REASON_BYTES,
        "/reason",
        "length",
        "must be shorter: with its accents and signs it has more than 400 bytes",
    );
    problems.finish()
}
