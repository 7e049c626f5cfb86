//! Outages: periods in which places of a station cannot be used.

use cotyl_domain::{Actor, Operation};
use cotyl_store::outages::{self, Outage, OutageFields};
use cotyl_store::stations::{self, Station};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// Describes a new outage.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has no such station;
    /// [`cotyl_domain::Refusal::StationFull`] while sowings occupy the places;
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there.
    pub async fn create_outage(
        &self,
        caller: &Caller,
        station_id: Uuid,
        fields: &OutageFields,
    ) -> Result<Outage> {
        check(fields)?;
        self.write_once(Operation::CreateOutage, caller, async |tx, actor| {
            let station = lock_station(tx, actor, Operation::CreateOutage, station_id).await?;
            require_not_retired("the station", &station.retired_at)?;
            check_places(fields, &station)?;
            let outage = outages::insert(tx, self.new_id(), station.id, fields).await?;
            self.audit_outage(tx, Operation::CreateOutage, caller, &outage)
                .await?;
            Ok(outage)
        })
        .await
    }

    /// One outage.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_outage(&self, caller: &Caller, id: Uuid) -> Result<Outage> {
        self.read(Operation::ReadOutage, caller, async |tx, _| {
            outages::get(tx, id).await?.ok_or(Error::NotFound("outage"))
        })
        .await
    }

    /// A page of outages of a station.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_outages(
        &self,
        caller: &Caller,
        station_id: Uuid,
        with_retired: bool,
        page: Page,
    ) -> Result<Vec<Outage>> {
        self.read(Operation::ListOutages, caller, async |tx, _| {
            stations::get(tx, station_id)
                .await?
                .ok_or(Error::NotFound("station"))?;
            Ok(outages::list(tx, station_id, with_retired, page).await?)
        })
        .await
    }

    /// Replaces the description of an outage; it stays with its station.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_outage(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &OutageFields,
    ) -> Result<Outage> {
        check(fields)?;
        self.write(Operation::ChangeOutage, caller, async |tx, actor| {
            let (outage, station) = lock(tx, actor, Operation::ChangeOutage, id).await?;
            require_version(expected, outage.version)?;
            require_not_retired("the outage", &outage.retired_at)?;
            check_places(fields, &station)?;
            let outage = outages::update(tx, id, fields).await?;
            self.audit_outage(tx, Operation::ChangeOutage, caller, &outage)
                .await?;
            Ok(outage)
        })
        .await
    }

    /// Takes an outage out of use.
    ///
    /// # Errors
    /// [`Error::Stale`].
    pub async fn retire_outage(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Outage> {
        self.write(Operation::RetireOutage, caller, async |tx, actor| {
            let (outage, _) = lock(tx, actor, Operation::RetireOutage, id).await?;
            require_version(expected, outage.version)?;
            require_not_retired("the outage", &outage.retired_at)?;
            let outage = outages::retire(tx, id, self.clock().now()).await?;
            self.audit_outage(tx, Operation::RetireOutage, caller, &outage)
                .await?;
            Ok(outage)
        })
        .await
    }

    async fn audit_outage(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        outage: &Outage,
    ) -> Result<()> {
        let changed = Changed {
            noun: "outage",
            id: outage.id,
        };
        self.audit(tx, operation, caller, changed, &outage.fields)
            .await
    }
}

async fn lock(
    tx: &mut Tx,
    actor: &Actor,
    operation: Operation,
    id: Uuid,
) -> Result<(Outage, Station)> {
    let outage = outages::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("outage"))?;
    let station = lock_station(tx, actor, operation, outage.station_id).await?;
    Ok((outage, station))
}

/// The station, held: outages and sowings of a station are counted one writer after the other.
async fn lock_station(
    tx: &mut Tx,
    actor: &Actor,
    operation: Operation,
    id: Uuid,
) -> Result<Station> {
    let station = stations::lock(tx, id)
        .await?
        .ok_or(Error::NotFound("station"))?;
    if !operation.reach(actor).covers_site(station.fields.site_id) {
        return Err(Error::Forbidden(operation));
    }
    Ok(station)
}

fn check_places(fields: &OutageFields, station: &Station) -> Result<()> {
    let mut problems = Problems::new();
    let most = station.fields.places.into();
    problems.within("/places", fields.places.into(), 1, most);
    problems.finish()
}

fn check(fields: &OutageFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.period(fields.first_day, fields.last_day);
    problems.within("/places", fields.places.into(), 1, 10_000);
    problems.text("/reason", &fields.reason, 1, 300);
    problems.finish()
}
