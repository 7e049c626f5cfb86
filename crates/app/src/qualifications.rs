//! Qualifications: recorded and withdrawn by coordinators, seen by leads and by whoever has them.

use chrono::{Datelike, NaiveDate};
use cotyl_domain::{Operation, QualificationKind};
use cotyl_store::qualifications::{self, Qualification, QualificationFields};
use cotyl_store::{Page, Tx, members};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::members::require_known;
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// A page of the qualifications of a member; most roles see their own only.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is no such member that the caller may know of.
    pub async fn list_qualifications(
        &self,
        caller: &Caller,
        member_id: Uuid,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Qualification>> {
        self.read(Operation::ListQualifications, caller, async |tx, actor| {
            require_known(actor, member_id)?;
            members::get(tx, member_id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            Ok(qualifications::list(tx, member_id, with_retired, page).await?)
        })
        .await
    }

    /// One qualification; most roles see their own only.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none that the caller may know of.
    pub async fn read_qualification(&self, caller: &Caller, id: Uuid) -> Result<Qualification> {
        self.read(Operation::ReadQualification, caller, async |tx, actor| {
            let reach = Operation::ReadQualification.reach(actor);
            qualifications::get(tx, id)
                .await?
                .filter(|q| reach.all || q.member_id == actor.member_id)
                .ok_or(Error::NotFound("qualification"))
        })
        .await
    }

    /// Records a qualification of a member.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`cotyl_domain::Refusal::Retired`].
    pub async fn add_qualification(
        &self,
        caller: &Caller,
        member_id: Uuid,
        fields: &QualificationFields,
    ) -> Result<Qualification> {
        check(fields)?;
        self.write_once(Operation::AddQualification, caller, async |tx, _| {
            let member = members::lock(tx, member_id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            require_not_retired("the member", &member.retired_at)?;
            let added = qualifications::insert(tx, self.new_id(), member_id, fields).await?;
            self.audit_qualification(tx, Operation::AddQualification, caller, &added)
                .await?;
            Ok(added)
        })
        .await
    }

    /// Replaces the description of a qualification.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`.
    pub async fn change_qualification(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &QualificationFields,
    ) -> Result<Qualification> {
        check(fields)?;
        self.write(Operation::ChangeQualification, caller, async |tx, _| {
            lock(tx, id, expected).await?;
            let changed = qualifications::update(tx, id, fields).await?;
            self.audit_qualification(tx, Operation::ChangeQualification, caller, &changed)
                .await?;
            Ok(changed)
        })
        .await
    }

    /// Withdraws a qualification.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`.
    pub async fn retire_qualification(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Qualification> {
        self.write(Operation::RetireQualification, caller, async |tx, _| {
            lock(tx, id, expected).await?;
            let retired = qualifications::retire(tx, id, self.clock().now()).await?;
            self.audit_qualification(tx, Operation::RetireQualification, caller, &retired)
                .await?;
            Ok(retired)
        })
        .await
    }

    async fn audit_qualification(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        qualification: &Qualification,
    ) -> Result<()> {
        let changed = Changed {
            noun: "qualification",
            id: qualification.id,
        };
        self.audit(tx, operation, caller, changed, qualification)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid, expected: Option<i64>) -> Result<()> {
    let qualification = qualifications::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("qualification"))?;
    require_version(expected, qualification.version)?;
    require_not_retired("the qualification", &qualification.retired_at)
}

fn check(fields: &QualificationFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.require(
        QualificationKind::parse(&fields.kind).is_some(),
        "/kind",
        "unknown",
        "must be concentrates or food_handling",
    );
    check_day(&mut problems, "/issued_on", fields.issued_on);
    if let Some(last) = fields.expires_on {
        check_day(&mut problems, "/expires_on", last);
        problems.require(
            last >= fields.issued_on,
            "/expires_on",
            "order",
            "must not be before the first day",
        );
    }
    problems.text("/note", &fields.note, 0, 1000);
    problems.finish()
}

fn check_day(problems: &mut Problems, pointer: &str, day: NaiveDate) {
    problems.require(
        (1900..=2200).contains(&day.year()),
        pointer,
        "range",
        "must lie in the years 1900 to 2200",
    );
}
