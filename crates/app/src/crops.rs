//! Crops: their growth profile, where each figure comes from, and the days seen on own stations.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use cotyl_domain::{Operation, Refusal};
use cotyl_growth::{ContainerYield, CropProfile, StarterCrop, broken_ceilings, starter_crops};
use cotyl_store::crops::{self, CropFilter};
use cotyl_store::references::{self, Reference};
use cotyl_store::{Page, Tx, stations};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::{App, Caller, Changed, Error, Result};

/// Most stations for which a crop has days of its own.
const MOST_STATION_DAYS: usize = 500;
/// Two years, as for the days of a profile.
const MOST_DAYS: u32 = 730;

/// What a crop is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CropFields {
    /// The group it belongs to.
    pub crop_group_id: Uuid,
    /// Unique among the crops of the co-operative.
    pub name: String,
    /// The growth profile.
    pub profile: CropProfile,
    /// Field of the profile, by its name on the wire, and where its figure comes from.
    pub sources: BTreeMap<String, String>,
    /// What the co-operative knows of its own stations.
    pub station_days: Vec<StationDays>,
}

/// Days that a crop takes at one station, by the co-operative's own experience.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct StationDays {
    /// The station.
    pub station_id: Uuid,
    /// Days from sowing to the first cut.
    pub days_to_first_cut: Option<u32>,
    /// Days from a cut to the next.
    pub days_to_regrow: Option<u32>,
}

/// A crop as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Crop {
    /// The crop.
    pub id: Uuid,
    /// Its description.
    pub fields: CropFields,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl Crop {
    /// Published ceilings that the profile breaks in the reference container, in words.
    pub fn warnings(&self) -> Vec<String> {
        broken_ceilings(&self.fields.profile, &ContainerYield::REFERENCE)
            .iter()
            .map(ToString::to_string)
            .collect()
    }

    /// Fields of the profile without a source, by their names on the wire.
    pub fn unsourced(&self) -> Vec<String> {
        let mut fields = wire_fields(&self.fields.profile);
        fields.retain(|field| !self.fields.sources.contains_key(field));
        fields
    }
}

/// A starter crop in the form in which a crop is described.
#[derive(Debug, Clone, PartialEq)]
pub struct Starter {
    /// Name of the group it belongs to.
    pub crop_group: String,
    /// The group of this name, where the co-operative has one.
    pub crop_group_id: Option<Uuid>,
    /// Generic name.
    pub name: String,
    /// Its profile.
    pub profile: CropProfile,
    /// Field of the profile, by its name on the wire, and where its figure comes from.
    pub sources: BTreeMap<String, String>,
}

impl App {
    /// Describes a new crop.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, or that name what is not there;
    /// [`Refusal::Taken`] for a name in use.
    pub async fn create_crop(&self, caller: &Caller, fields: &CropFields) -> Result<Crop> {
        check(fields)?;
        let kept = to_store(fields)?;
        self.write_once(Operation::CreateCrop, caller, async |tx, _| {
            check_references(tx, fields).await?;
            let crop = from_store(crops::insert(tx, self.new_id(), &kept).await?)?;
            self.audit_crop(tx, Operation::CreateCrop, caller, &crop)
                .await?;
            Ok(crop)
        })
        .await
    }

    /// One crop.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has none of this id.
    pub async fn read_crop(&self, caller: &Caller, id: Uuid) -> Result<Crop> {
        self.read(Operation::ReadCrop, caller, async |tx, _| {
            from_store(crops::get(tx, id).await?.ok_or(Error::NotFound("crop"))?)
        })
        .await
    }

    /// A page of crops.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_crops(
        &self,
        caller: &Caller,
        filter: &CropFilter,
        page: Page,
    ) -> Result<Vec<Crop>> {
        self.read(Operation::ListCrops, caller, async |tx, _| {
            let kept = crops::list(tx, filter, page).await?;
            kept.into_iter().map(from_store).collect()
        })
        .await
    }

    /// Replaces the description of a crop.
    ///
    /// # Errors
    /// [`Error::Stale`] when it was changed since `expected`; [`Error::Invalid`].
    pub async fn change_crop(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        fields: &CropFields,
    ) -> Result<Crop> {
        check(fields)?;
        let kept = to_store(fields)?;
        self.write(Operation::ChangeCrop, caller, async |tx, _| {
            let crop = lock(tx, id).await?;
            require_version(expected, crop.version)?;
            require_not_retired("the crop", &crop.retired_at)?;
            check_references(tx, fields).await?;
            let crop = from_store(crops::update(tx, id, &kept).await?)?;
            self.audit_crop(tx, Operation::ChangeCrop, caller, &crop)
                .await?;
            Ok(crop)
        })
        .await
    }

    /// Takes a crop out of use; refused while pledges name it.
    ///
    /// # Errors
    /// [`Refusal::InUse`], [`Error::Stale`].
    pub async fn retire_crop(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Crop> {
        self.write(Operation::RetireCrop, caller, async |tx, _| {
            let crop = lock(tx, id).await?;
            require_version(expected, crop.version)?;
            require_not_retired("the crop", &crop.retired_at)?;
            if let Some(by) = crops::in_use(tx, id).await? {
                return Err(Refusal::InUse {
                    what: format!("the crop {}", crop.fields.name),
                    by,
                }
                .into());
            }
            let crop = from_store(crops::retire(tx, id, self.clock().now()).await?)?;
            self.audit_crop(tx, Operation::RetireCrop, caller, &crop)
                .await?;
            Ok(crop)
        })
        .await
    }

    /// The starter set, each crop ready to be described once its group is there.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_starter_crops(&self, caller: &Caller) -> Result<Vec<Starter>> {
        let starters = starter_crops().map_err(Error::internal)?;
        let groups: BTreeSet<String> = starters.iter().map(|crop| crop.group.clone()).collect();
        let groups: Vec<String> = groups.into_iter().collect();
        let ids: BTreeMap<String, Uuid> = self
            .read(Operation::ListStarterCrops, caller, async |tx, _| {
                Ok(references::named(tx, Reference::CropGroup, &groups).await?)
            })
            .await?
            .into_iter()
            .collect();
        Ok(starters
            .into_iter()
            .map(|starter| Starter {
                crop_group_id: ids.get(&starter.group).copied(),
                sources: wire_sources(&starter),
                crop_group: starter.group,
                name: starter.name,
                profile: starter.profile,
            })
            .collect())
    }

    pub(crate) async fn audit_crop(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        crop: &Crop,
    ) -> Result<()> {
        let changed = Changed {
            noun: "crop",
            id: crop.id,
        };
        self.audit(tx, operation, caller, changed, &crop.fields)
            .await
    }
}

async fn lock(tx: &mut Tx, id: Uuid) -> Result<Crop> {
    from_store(crops::lock(tx, id).await?.ok_or(Error::NotFound("crop"))?)
}

async fn check_references(tx: &mut Tx, fields: &CropFields) -> Result<()> {
    let mut problems = Problems::new();
    problems
        .refers(
            tx,
            "/crop_group_id",
            Reference::CropGroup,
            fields.crop_group_id,
        )
        .await?;
    let named: Vec<Uuid> = fields.station_days.iter().map(|s| s.station_id).collect();
    let known = stations::known(tx, &named).await?;
    for (index, id) in named.iter().enumerate() {
        problems.require(
            known.contains(id),
            &format!("/station_days/{index}/station_id"),
            "unknown",
            "there is no such station in this co-operative",
        );
    }
    problems.finish()
}

pub(crate) fn check(fields: &CropFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.name("/name", &fields.name);
    for fault in fields.profile.validate() {
        let pointer = format!("/profile/{}", wire_name(fault.field));
        problems.add(pointer, "profile", fault.message);
    }
    let known = wire_fields(&fields.profile);
    for (field, source) in &fields.sources {
        let pointer = format!("/sources/{}", field.replace('~', "~0").replace('/', "~1"));
        problems.require(
            known.contains(field),
            &pointer,
            "unknown",
            "the profile has no such field",
        );
        problems.text(&pointer, source, 1, 1000);
    }
    check_station_days(&mut problems, &fields.station_days);
    problems.finish()
}

fn check_station_days(problems: &mut Problems, station_days: &[StationDays]) {
    if station_days.len() > MOST_STATION_DAYS {
        problems.add(
            "/station_days",
            "length",
            format!("may name at most {MOST_STATION_DAYS} stations"),
        );
        return;
    }
    let mut seen = BTreeSet::new();
    for (index, days) in station_days.iter().enumerate() {
        let pointer = format!("/station_days/{index}");
        problems.require(
            seen.insert(days.station_id),
            &format!("{pointer}/station_id"),
            "repeated",
            "this station is named twice",
        );
        problems.require(
            days.days_to_first_cut.is_some() || days.days_to_regrow.is_some(),
            &pointer,
            "missing",
            "give the days to the first cut, to regrow, or both",
        );
        for (field, value) in [
            ("days_to_first_cut", days.days_to_first_cut),
            ("days_to_regrow", days.days_to_regrow),
        ] {
            if let Some(value) = value {
                let pointer = format!("{pointer}/{field}");
                problems.within(&pointer, value.into(), 1, MOST_DAYS.into());
            }
        }
    }
}

/// Fields of the profile that are quantities on the wire, and so have other names there.
const QUANTITIES: [(&str, &str); 4] = [
    ("cut_milligrams", "cut_weights"),
    ("seed_milligrams_per_container", "seed_per_container"),
    ("mix_at_sowing_millilitres", "mix_at_sowing"),
    ("mix_at_cut_millilitres", "mix_at_cut"),
];

fn wire_name(field: &str) -> &str {
    QUANTITIES
        .iter()
        .find(|(core, _)| *core == field)
        .map_or(field, |(_, wire)| wire)
}

fn core_name(field: &str) -> &str {
    QUANTITIES
        .iter()
        .find(|(_, wire)| *wire == field)
        .map_or(field, |(core, _)| core)
}

/// The fields of a profile, by their names on the wire.
fn wire_fields(profile: &CropProfile) -> Vec<String> {
    match serde_json::to_value(profile) {
        Ok(serde_json::Value::Object(fields)) => fields
            .keys()
            .map(|field| wire_name(field).to_owned())
            .collect(),
        _ => Vec::new(),
    }
}

/// The sources of a starter crop, by the names of the fields on the wire.
pub(crate) fn wire_sources(starter: &StarterCrop) -> BTreeMap<String, String> {
    starter
        .sources
        .iter()
        .map(|(field, source)| (wire_name(field).to_owned(), source.clone()))
        .collect()
}

pub(crate) fn to_store(fields: &CropFields) -> Result<crops::CropFields> {
    let sources: BTreeMap<&str, &String> = fields
        .sources
        .iter()
        .map(|(field, source)| (core_name(field), source))
        .collect();
    Ok(crops::CropFields {
        crop_group_id: fields.crop_group_id,
        name: fields.name.clone(),
        profile: serde_json::to_value(&fields.profile).map_err(Error::internal)?,
        sources: serde_json::to_value(sources).map_err(Error::internal)?,
        station_days: serde_json::to_value(&fields.station_days).map_err(Error::internal)?,
    })
}

pub(crate) fn from_store(crop: crops::Crop) -> Result<Crop> {
    let sources: BTreeMap<String, String> =
        serde_json::from_value(crop.fields.sources).map_err(Error::internal)?;
    Ok(Crop {
        id: crop.id,
        fields: CropFields {
            crop_group_id: crop.fields.crop_group_id,
            name: crop.fields.name,
            profile: serde_json::from_value(crop.fields.profile).map_err(Error::internal)?,
            sources: sources
                .into_iter()
                .map(|(field, source)| (wire_name(&field).to_owned(), source))
                .collect(),
            station_days: serde_json::from_value(crop.fields.station_days)
                .map_err(Error::internal)?,
        },
        version: crop.version,
        created_at: crop.created_at,
        updated_at: crop.updated_at,
        retired_at: crop.retired_at,
    })
}
