//! Terms: named spans of days that the co-operative reports by.

use cotyl_domain::Operation;
use cotyl_store::terms::{self, Term, TermFields};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Describes a new term.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`cotyl_domain::Refusal::Taken`] for a name in use.
    pub async fn create_term(&self, caller: &Caller, fields: &TermFields) -> Result<Term> {
        check(fields)?;
        self.write_once(Operation::CreateTerm, caller, async |tx, _| {
            let term = terms::insert(tx, self.new_id(), fields).await?;
            self.audit_term(tx, Operation::CreateTerm, caller, &term)
                .await?;
            Ok(term)
        })
        .await
    }

    /// One term.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_term(&self, caller: &Caller, id: Uuid) -> Result<Term> {
        self.read(Operation::ReadTerm, caller, async |tx, _| {
            terms::get(tx, id).await?.ok_or(Error::NotFound("term"))
        })
        .await
    }

    /// A page of terms.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_terms(
        &self,
        caller: &Caller,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Term>> {
        self.read(Operation::ListTerms, caller, async |tx, _| {
            Ok(terms::list(tx, with_retired, page).await?)
        })
        .await
    }

    /// Replaces the description of a term.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_term(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &TermFields,
    ) -> Result<Term> {
        check(fields)?;
        self.write(Operation::ChangeTerm, caller, async |tx, _| {
            let term = lock(tx, id).await?;
            require_version(expected, term.version)?;
            require_not_retired("the term", &term.retired_at)?;
            let term = terms::update(tx, id, fields).await?;
            self.audit_term(tx, Operation::ChangeTerm, caller, &term)
                .await?;
            Ok(term)
        })
        .await
    }

    /// Takes a term out of use; reports of it can still be read.
    ///
    /// # Errors
    /// [`Error::Stale`].
    pub async fn retire_term(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Term> {
        self.write(Operation::RetireTerm, caller, async |tx, _| {
            let term = lock(tx, id).await?;
            require_version(expected, term.version)?;
            require_not_retired("the term", &term.retired_at)?;
            let term = terms::retire(tx, id, self.clock().now()).await?;
            self.audit_term(tx, Operation::RetireTerm, caller, &term)
                .await?;
            Ok(term)
        })
        .await
    }

    async fn audit_term(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        term: &Term,
    ) -> Result<()> {
        let changed = Changed {
            noun: "term",
            id: term.id,
        };
        self.audit(tx, operation, caller, changed, &term.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Term> {
    terms::lock(tx, id).await?.ok_or(Error::NotFound("term"))
}

fn check(fields: &TermFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    problems.period(fields.first_day, fields.last_day);
    problems.finish()
}
