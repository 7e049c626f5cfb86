//! Stations from a file.

use std::collections::BTreeSet;

use cotyl_domain::Operation;
use cotyl_growth::EnvironmentPeriod;
use cotyl_store::Tx;
use cotyl_store::references::Reference;
use cotyl_store::stations::{self, StationFields};
use serde_json::json;
use uuid::Uuid;

use super::Imported;
use super::names::Names;
use super::table::{Column, Line, Table, required};
use crate::input::Problems;
use crate::stations::check;
use crate::{App, Caller, Result};

const COLUMNS: [Column; 7] = [
    required("site"),
    required("name"),
    required("method"),
    required("container_kind"),
    required("places"),
    required("temperature_celsius"),
    required("daily_light_mol"),
];

impl App {
    /// Stations from a file with the columns site, name, method, container_kind, places,
    /// temperature_celsius and daily_light_mol; the environment is the same all year.
    ///
    /// # Errors
    /// [`crate::Error::Invalid`] with every problem of every line; then nothing is kept.
    pub async fn import_stations(&self, caller: &Caller, file: &[u8]) -> Result<Imported> {
        let mut found = Problems::new();
        let table = Table::open(file, &COLUMNS)?;
        let lines = table.lines(&mut found)?;
        self.write_once(Operation::ImportStations, caller, async |tx, _| {
            let mut problems = found.clone();
            let sites = Names::read(tx, Reference::Site, "site", &lines).await?;
            let kinds = Names::read(tx, Reference::ContainerKind, "container_kind", &lines).await?;
            let mut described = Vec::with_capacity(lines.len());
            for line in &lines {
                let site_id = sites.id(line, &mut problems);
                let kind_id = kinds.id(line, &mut problems);
                let fields = station(line, site_id, kind_id, &mut problems)?;
                described.extend(fields.map(|fields| (line, fields)));
            }
            check_names(tx, &described, &mut problems).await?;
            problems.finish()?;
            let mut ids = Vec::with_capacity(described.len());
            for (_, fields) in &described {
                let station = stations::insert(tx, self.new_id(), fields).await?;
                self.audit_station(tx, Operation::ImportStations, caller, &station)
                    .await?;
                ids.push(station.id);
            }
            Ok(Imported { ids })
        })
        .await
    }
}

fn station(
    line: &Line<'_>,
    site_id: Option<Uuid>,
    container_kind_id: Option<Uuid>,
    problems: &mut Problems,
) -> Result<Option<StationFields>> {
    let places = line.parse(problems, "places", "a whole number such as 8");
    let temperature = line.parse(problems, "temperature_celsius", "a number such as 20.5");
    let light = line.parse(problems, "daily_light_mol", "a number such as 12.5");
    // a figure that cannot be read is replaced by a harmless one, so that the others are checked
    let all_year = EnvironmentPeriod {
        first_week: 1,
        last_week: 53,
        temperature_celsius: temperature.filter(|c: &f64| c.is_finite()).unwrap_or(20.0),
        daily_light_mol: light.filter(|mol: &f64| mol.is_finite()).unwrap_or(10.0),
    };
    for (column, figure) in [
        ("temperature_celsius", temperature),
        ("daily_light_mol", light),
    ] {
        problems.require(
            figure.is_none_or(f64::is_finite),
            &line.pointer(column),
            "range",
            "must be a finite number",
        );
    }
    let fields = StationFields {
        site_id: site_id.unwrap_or_default(),
        container_kind_id: container_kind_id.unwrap_or_default(),
        name: line.text("name").to_owned(),
        method: line.text("method").to_owned(),
        places: places.unwrap_or(1),
        environment: json!([all_year]),
    };
    line.note(problems, check(&fields))?;
    Ok(site_id.map(|_| fields))
}

/// Names already taken, by stations in use or by lines before.
async fn check_names(
    tx: &mut Tx,
    described: &[(&Line<'_>, StationFields)],
    problems: &mut Problems,
) -> Result<()> {
    let site_ids: Vec<Uuid> = described.iter().map(|(_, fields)| fields.site_id).collect();
    let names: Vec<String> = described
        .iter()
        .map(|(_, fields)| fields.name.clone())
        .collect();
    let taken: BTreeSet<(Uuid, String)> = stations::names_taken(tx, &site_ids, &names)
        .await?
        .into_iter()
        .collect();
    let mut seen = BTreeSet::new();
    for (line, fields) in described {
        problems.require(
            !taken.contains(&(fields.site_id, fields.name.clone())),
            &line.pointer("name"),
            "taken",
            "a station of this name at this site is already there",
        );
        problems.require(
            seen.insert((fields.site_id, fields.name.to_lowercase())),
            &line.pointer("name"),
            "repeated",
            "a line before has this name at this site",
        );
    }
    Ok(())
}
