//! Crops from a file, each with the profile of a starter crop.

use std::collections::{BTreeMap, BTreeSet};

use cotyl_domain::Operation;
use cotyl_growth::{StarterCrop, starter_crops};
use cotyl_store::Tx;
use cotyl_store::crops;
use cotyl_store::references::{Reference, named};
use uuid::Uuid;

use super::Imported;
use super::names::Names;
use super::table::{Column, Line, Table, optional, required};
use crate::crops::{CropFields, check, from_store, to_store, wire_sources};
use crate::input::Problems;
use crate::{App, Caller, Error, Result};

const COLUMNS: [Column; 5] = [
    required("name"),
    required("crop_group"),
    required("starter"),
    optional("days_to_first_cut"),
    optional("days_to_regrow"),
];

impl App {
    /// Crops from a file with the columns name, crop_group and starter (a starter crop whose profile
    /// is taken), and days_to_first_cut and days_to_regrow where the co-operative knows better.
    ///
    /// # Errors
    /// [`Error::Invalid`] with every problem of every line; then nothing is kept.
    pub async fn import_crops(&self, caller: &Caller, file: &[u8]) -> Result<Imported> {
        let mut found = Problems::new();
        let table = Table::open(file, &COLUMNS)?;
        let lines = table.lines(&mut found)?;
        let starters: BTreeMap<String, StarterCrop> = starter_crops()
            .map_err(Error::internal)?
            .into_iter()
            .map(|starter| (starter.name.to_lowercase(), starter))
            .collect();
        self.write_once(Operation::ImportCrops, caller, async |tx, _| {
            let mut problems = found.clone();
            let groups = Names::read(tx, Reference::CropGroup, "crop_group", &lines).await?;
            let mut described = Vec::with_capacity(lines.len());
            for line in &lines {
                let group_id = groups.id(line, &mut problems);
                let fields = crop(line, group_id, &starters, &mut problems)?;
                described.extend(fields.map(|fields| (line, fields)));
            }
            check_names(tx, &lines, &mut problems).await?;
            problems.finish()?;
            let mut ids = Vec::with_capacity(described.len());
            for (_, fields) in &described {
                let kept = to_store(fields)?;
                let crop = from_store(crops::insert(tx, self.new_id(), &kept).await?)?;
                self.audit_crop(tx, Operation::ImportCrops, caller, &crop)
                    .await?;
                ids.push(crop.id);
            }
            Ok(Imported { ids })
        })
        .await
    }
}

fn crop(
    line: &Line<'_>,
    crop_group_id: Option<Uuid>,
    starters: &BTreeMap<String, StarterCrop>,
    problems: &mut Problems,
) -> Result<Option<CropFields>> {
    let starter = starters.get(&line.text("starter").to_lowercase());
    if starter.is_none() {
        let known: Vec<&str> = starters.keys().map(String::as_str).collect();
        problems.add(
            line.pointer("starter"),
            "unknown",
            format!("must be a starter crop: {}", known.join(", ")),
        );
    }
    let wanted = "a whole number of days, or empty";
    let first_cut = line.parse_optional(problems, "days_to_first_cut", wanted);
    let regrow = line.parse_optional(problems, "days_to_regrow", wanted);
    let Some(starter) = starter else {
        return Ok(None);
    };
    let mut fields = CropFields {
        crop_group_id: crop_group_id.unwrap_or_default(),
        name: line.text("name").to_owned(),
        profile: starter.profile.clone(),
        sources: wire_sources(starter),
        station_days: Vec::new(),
    };
    // the starter's source does not speak for the co-operative's own figure
    if let Some(days) = first_cut {
        fields.profile.days_to_first_cut = days;
        fields.sources.remove("days_to_first_cut");
    }
    if let Some(days) = regrow {
        fields.profile.days_to_regrow = days;
        fields.sources.remove("days_to_regrow");
    }
    line.note(problems, check(&fields))?;
    Ok(crop_group_id.map(|_| fields))
}

/// Names already taken, by crops in use or by lines before.
async fn check_names(tx: &mut Tx, lines: &[Line<'_>], problems: &mut Problems) -> Result<()> {
    let names: Vec<String> = lines
        .iter()
        .map(|line| line.text("name").to_owned())
        .collect();
    let taken: BTreeSet<String> = named(tx, Reference::Crop, &names)
        .await?
        .into_iter()
        .map(|(name, _)| name)
        .collect();
    let mut seen = BTreeSet::new();
    for line in lines {
        let name = line.text("name");
        problems.require(
            !taken.contains(name),
            &line.pointer("name"),
            "taken",
            "a crop of this name is already there",
        );
        problems.require(
            seen.insert(name.to_lowercase()),
            &line.pointer("name"),
            "repeated",
            "a line before has this name",
        );
    }
    Ok(())
}
