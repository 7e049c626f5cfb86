//! Sites: described by a coordinator, kept by their lead.

use cotyl_calendar::{OpeningHours, PeriodText, SiteZone};
use cotyl_domain::{Actor, FieldProblem, Operation, Refusal};
use cotyl_store::sites::{self, Site, SiteFields};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Describes a new site.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`Refusal::Taken`] for a name in use.
    pub async fn create_site(&self, caller: &Caller, fields: &SiteFields) -> Result<Site> {
        check(fields)?;
        self.write_once(Operation::CreateSite, caller, async |tx, _| {
            let site = sites::insert(tx, self.new_id(), fields).await?;
            self.audit_site(tx, Operation::CreateSite, caller, &site)
                .await?;
            Ok(site)
        })
        .await
    }

    /// One site.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_site(&self, caller: &Caller, id: Uuid) -> Result<Site> {
        self.read(Operation::ReadSite, caller, async |tx, _| {
            sites::get(tx, id).await?.ok_or(Error::NotFound("site"))
        })
        .await
    }

    /// A page of sites.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_sites(
        &self,
        caller: &Caller,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Site>> {
        self.read(Operation::ListSites, caller, async |tx, _| {
            Ok(sites::list(tx, with_retired, page).await?)
        })
        .await
    }

    /// Replaces the description of a site.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`.
    pub async fn change_site(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &SiteFields,
    ) -> Result<Site> {
        check(fields)?;
        self.write(Operation::ChangeSite, caller, async |tx, actor| {
            let site = lock(tx, actor, Operation::ChangeSite, id).await?;
            require_version(expected, site.version)?;
            require_not_retired("the site", &site.retired_at)?;
            let site = sites::update(tx, id, fields).await?;
            self.audit_site(tx, Operation::ChangeSite, caller, &site)
                .await?;
            Ok(site)
        })
        .await
    }

    /// Takes a site out of use; refused while stations or groups are there.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_site(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Site> {
        self.write(Operation::RetireSite, caller, async |tx, actor| {
            let site = lock(tx, actor, Operation::RetireSite, id).await?;
            require_version(expected, site.version)?;
            require_not_retired("the site", &site.retired_at)?;
            if let Some(by) = sites::in_use(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the site {}", site.fields.name),
                    by,
                }
                .into());
            }
            let site = sites::retire(tx, id, self.clock().now()).await?;
            self.audit_site(tx, Operation::RetireSite, caller, &site)
                .await?;
            Ok(site)
        })
        .await
    }

    async fn audit_site(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        site: &Site,
    ) -> Result<()> {
        let changed = Changed {
            noun: "site",
            id: site.id,
        };
        self.audit(tx, operation, caller, changed, &site.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, actor: &Actor, operation: Operation, id: Uuid) -> Result<Site> {
    let site = sites::lock(tx, id).await?.ok_or(Error::NotFound("site"))?;
    if !operation.reach(actor).covers_site(id) {
        return Err(Error::Forbidden(operation));
    }
    Ok(site)
}

fn check(fields: &SiteFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    if let Err(fault) = fields.zone.parse::<SiteZone>() {
        problems.add("/zone", "unknown", fault.to_string());
    }
    if let Err(faults) = opening_hours(fields) {
        problems.extend(faults);
    }
    if let Some(minutes) = fields.weekly_minutes {
        problems.within("/weekly_minutes", minutes.into(), 0, 100_000);
    }
    if let Some(microlitres) = fields.weekly_mixing_microlitres {
        problems.require(
            microlitres >= 0,
            "/weekly_mixing",
            "range",
            "must not be less than nothing",
        );
    }
    if let Some(most) = fields.most_sowings_per_week {
        problems.within("/most_sowings_per_week", most.into(), 0, 10_000);
    }
    problems.finish()
}

/// The opening hours of a site, checked.
///
/// # Errors
/// A problem for each period that cannot be accepted.
pub(crate) fn opening_hours(
    fields: &SiteFields,
) -> std::result::Result<OpeningHours, Vec<FieldProblem>> {
    let periods: Vec<PeriodText> =
        serde_json::from_value(fields.opening_hours.clone()).map_err(|fault| {
            vec![FieldProblem::new(
                "/opening_hours",
                "form",
                fault.to_string(),
            )]
        })?;
    OpeningHours::parse(&periods).map_err(|faults| {
        faults
            .into_iter()
            .map(|fault| {
                FieldProblem::new(fault.pointer, "hours", fault.fault.to_string())
                    .under("/opening_hours")
            })
            .collect()
    })
}
