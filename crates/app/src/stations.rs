//! Stations: places for containers at a site, with their environment by week.

use cotyl_domain::{Actor, FieldProblem, Operation, Refusal};
use cotyl_growth::{EnvironmentPeriod, environment_faults};
use cotyl_store::references::Reference;
use cotyl_store::stations::{self, Station, StationFields, StationFilter};
use cotyl_store::{Page, Tx};
use serde_json::Value;
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Describes a new station.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there; [`cotyl_domain::Refusal::Taken`] for a name in use.
    pub async fn create_station(&self, caller: &Caller, fields: &StationFields) -> Result<Station> {
        check(fields)?;
        self.write_once(Operation::CreateStation, caller, async |tx, actor| {
            check_references(tx, fields).await?;
            if !Operation::CreateStation
                .reach(actor)
                .covers_site(fields.site_id)
            {
                return Err(Error::Forbidden(Operation::CreateStation));
            }
            let station = stations::insert(tx, self.new_id(), fields).await?;
            self.audit_station(tx, Operation::CreateStation, caller, &station)
                .await?;
            Ok(station)
        })
        .await
    }

    /// One station.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_station(&self, caller: &Caller, id: Uuid) -> Result<Station> {
        self.read(Operation::ReadStation, caller, async |tx, _| {
            stations::get(tx, id)
                .await?
                .ok_or(Error::NotFound("station"))
        })
        .await
    }

    /// A page of stations.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_stations(
        &self,
        caller: &Caller,
        filter: &StationFilter,
        page: Page,
    ) -> Result<Vec<Station>> {
        self.read(Operation::ListStations, caller, async |tx, _| {
            Ok(stations::list(tx, filter, page).await?)
        })
        .await
    }

    /// Replaces the description of a station.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_station(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &StationFields,
    ) -> Result<Station> {
        check(fields)?;
        self.write(Operation::ChangeStation, caller, async |tx, actor| {
            let station = lock(tx, actor, Operation::ChangeStation, id).await?;
            require_version(expected, station.version)?;
            require_not_retired("the station", &station.retired_at)?;
            let mut problems = Problems::new();
            problems.fixed(
                "/site_id",
                "station",
                fields.site_id,
                station.fields.site_id,
            );
            problems.finish()?;
            check_references(tx, fields).await?;
            let station = stations::update(tx, id, fields).await?;
            self.audit_station(tx, Operation::ChangeStation, caller, &station)
                .await?;
            Ok(station)
        })
        .await
    }

    /// Takes a station out of use; refused while a sowing occupies it, or will.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_station(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Station> {
        self.write(Operation::RetireStation, caller, async |tx, actor| {
            let station = lock(tx, actor, Operation::RetireStation, id).await?;
            require_version(expected, station.version)?;
            require_not_retired("the station", &station.retired_at)?;
            if let Some(by) = stations::in_use(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the station {}", station.fields.name),
                    by,
                }
                .into());
            }
            let station = stations::retire(tx, id, self.clock().now()).await?;
            self.audit_station(tx, Operation::RetireStation, caller, &station)
                .await?;
            Ok(station)
        })
        .await
    }

    pub(crate) async fn audit_station(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        station: &Station,
    ) -> Result<()> {
        let changed = Changed {
            noun: "station",
            id: station.id,
        };
        self.audit(tx, operation, caller, changed, &station.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, actor: &Actor, operation: Operation, id: Uuid) -> Result<Station> {
    let station = stations::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("station"))?;
    if !operation.reach(actor).covers_site(station.fields.site_id) {
        return Err(Error::Forbidden(operation));
    }
    Ok(station)
}

async fn check_references(tx: &mut Tx, fields: &StationFields) -> Result<()> {
    let mut problems = Problems::new();
    problems
        .refers(tx, "/site_id", Reference::Site, fields.site_id)
        .await?;
    problems
        .refers(
            tx,
            "/container_kind_id",
            Reference::ContainerKind,
            fields.container_kind_id,
        )
        .await?;
    problems.finish()
}

pub(crate) fn check(fields: &StationFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    problems.require(
        matches!(fields.method.as_str(), "passive" | "aerated"),
        "/method",
        "unknown",
        "must be passive or aerated",
    );
    problems.within("/places", fields.places.into(), 1, 10_000);
    check_environment(&mut problems, &fields.environment);
    problems.finish()
}

fn check_environment(problems: &mut Problems, environment: &Value) {
    match serde_json::from_value::<Vec<EnvironmentPeriod>>(environment.clone()) {
        Ok(periods) => problems.extend(environment_faults(&periods).into_iter().map(|fault| {
            FieldProblem::new(fault.pointer, "environment", fault.message).under("/environment")
        })),
        Err(fault) => problems.add("/environment", "form", fault.to_string()),
    }
}
