//! Sowings that are due while a plan is made: whoever claimed one may be on the way, so a plan leaves
//! it as it is. Only where it cannot be sown as it stands is it planned anew, and that is said.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};

use super::season::{Season, SeasonDue, SeasonError, SeasonSite, SeasonSowing, SeasonStation};

/// A sowing that was due by the day on which a plan was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DueSowing {
    /// The sowing.
    pub sowing_id: String,
    /// Its station.
    pub station_id: String,
    /// Its crop.
    pub crop_id: String,
    /// How many.
    pub containers: i64,
    /// The day for which it is or was planned.
    pub sow_on: NaiveDate,
    /// Members who claimed to sow it.
    pub claims: i64,
    /// Whether the plan leaves it as it is.
    pub kept: bool,
    /// Why it cannot be sown as it is.
    pub why: Option<String>,
    /// All of it in a sentence.
    pub words: String,
}

/// What stands in the way of a sowing that is due.
struct Look<'a> {
    sowing: &'a SeasonSowing,
    claims: i64,
    why: Option<String>,
}

/// Every sowing that is due and not sown, by day and place: first those that are still planned, then
/// those that were lost today.
///
/// # Errors
/// [`SeasonError`] for a site whose zone, hours or closures cannot be read.
pub fn due_sowings(season: &Season) -> Result<Vec<DueSowing>, SeasonError> {
    let names = season.names();
    let name = |id: &str| names.get(id).cloned().unwrap_or_else(|| id.to_owned());
    let mut told: Vec<DueSowing> = looks(season)?
        .into_iter()
        .map(|look| {
            let sowing = look.sowing;
            let what = format!(
                "{} {} at {} ({}), due on {}",
                sowing.containers,
                name(&sowing.crop_id),
                name(&sowing.station_id),
                name(&sowing.site_id),
                sowing.sow_on
            );
            let kept = look.why.is_none() || !sowing.from_plan;
            DueSowing {
                words: words(&what, look.claims, look.why.as_deref(), kept),
                sowing_id: sowing.id.clone(),
                station_id: sowing.station_id.clone(),
                crop_id: sowing.crop_id.clone(),
                containers: i64::from(sowing.containers),
                sow_on: sowing.sow_on,
                claims: look.claims,
                kept,
                why: look.why,
            }
        })
        .collect();
    told.sort_by(|a, b| {
        (a.sow_on, &a.station_id, &a.crop_id, &a.sowing_id).cmp(&(
            b.sow_on,
            &b.station_id,
            &b.crop_id,
            &b.sowing_id,
        ))
    });
    told.extend(season.due.iter().filter_map(|due| lost(season, due)));
    Ok(told)
}

/// Sowings of a plan that are due and cannot be sown as they are: planned anew.
///
/// # Errors
/// [`SeasonError`] for a site whose zone, hours or closures cannot be read.
pub(super) fn given_up(season: &Season) -> Result<BTreeSet<String>, SeasonError> {
    Ok(reasons_to_give_up(season)?.into_keys().collect())
}

/// The same, each with the reason.
///
/// # Errors
/// [`SeasonError`] for a site whose zone, hours or closures cannot be read.
pub(super) fn reasons_to_give_up(season: &Season) -> Result<BTreeMap<String, String>, SeasonError> {
    Ok(looks(season)?
        .into_iter()
        .filter(|look| look.sowing.from_plan)
        .filter_map(|look| Some((look.sowing.id.clone(), look.why?)))
        .collect())
}

/// Looks at the sowings that are due: claimed ones first, so that of two that do not both fit the
/// claimed one stays.
fn looks(season: &Season) -> Result<Vec<Look<'_>>, SeasonError> {
    let claims: BTreeMap<&str, i64> = season
        .due
        .iter()
        .map(|due| (due.id.as_str(), due.claims))
        .collect();
    let site_of = |sowing: &SeasonSowing| {
        let mut sites = season.sites.iter();
        sites.find(|site| site.id == sowing.site_id)
    };
    let is_due = |sowing: &&SeasonSowing| {
        sowing.state == "planned" && site_of(sowing).is_some_and(|site| sowing.sow_on <= site.today)
    };
    let mut due: Vec<&SeasonSowing> = season.sowings.iter().filter(is_due).collect();
    // what was put down by hand is nobody's to plan anew, so it has its places first
    due.sort_by_key(|sowing| {
        let claims = claims.get(sowing.id.as_str()).copied().unwrap_or(0);
        (sowing.from_plan, -claims, sowing.sow_on, &sowing.id)
    });
    let mut holding: Vec<&SeasonSowing> = season
        .sowings
        .iter()
        .filter(|sowing| !season.is_replanned(sowing) && !is_due(sowing))
        .collect();
    let mut looks = Vec::new();
    for sowing in due {
        let station = season.stations.iter().find(|s| s.id == sowing.station_id);
        let why = match (site_of(sowing), station) {
            (Some(site), Some(station)) => why_not(site, station, sowing, &holding)?,
            _ => None,
        };
        if why.is_none() || !sowing.from_plan {
            holding.push(sowing);
        }
        looks.push(Look {
            sowing,
            claims: claims.get(sowing.id.as_str()).copied().unwrap_or(0),
            why,
        });
    }
    Ok(looks)
}

/// Why a sowing cannot be sown as it stands: site or station out of use, the site closed on its day,
/// or too few places from now until it is cleared.
fn why_not(
    site: &SeasonSite,
    station: &SeasonStation,
    sowing: &SeasonSowing,
    holding: &[&SeasonSowing],
) -> Result<Option<String>, SeasonError> {
    if site.retired {
        return Ok(Some(format!("{} is out of use", site.name)));
    }
    if station.retired {
        return Ok(Some(format!("{} is out of use", station.name)));
    }
    // what is overdue can wait for the next day on which the site is open
    if sowing.sow_on == site.today && !site.calendar(true)?.is_open_on(site.today) {
        return Ok(Some(format!("{} is closed on {}", site.name, site.today)));
    }
    let end = sowing.free_on.max(site.today + Days::new(1));
    let mut holds: Vec<(NaiveDate, NaiveDate, i64)> = holding
        .iter()
        .filter(|other| other.station_id == station.id)
        .map(|other| {
            let from = other.sown_on.unwrap_or(other.sow_on).min(other.sow_on);
            (from, other.free_on, i64::from(other.containers))
        })
        .collect();
    holds.extend(station.outages.iter().map(|outage| {
        let end = outage.last_day.succ_opt().unwrap_or(NaiveDate::MAX);
        (outage.first_day, end, outage.places)
    }));
    // places are fewest on a day on which something begins
    let days = holds.iter().map(|(from, _, _)| *from).chain([site.today]);
    let fewest = days
        .filter(|day| site.today <= *day && *day < end)
        .map(|day| {
            let held = holds
                .iter()
                .filter(|(from, end, _)| *from <= day && day < *end);
            let held: i64 = held.map(|(_, _, places)| places).sum();
            ((station.places - held).max(0), day)
        })
        .min();
    Ok(fewest
        .filter(|(free, _)| *free < i64::from(sowing.containers))
        .map(|(free, day)| {
            format!(
                "{} has {free} of {} places free on {day}",
                station.name, station.places
            )
        }))
}

fn words(what: &str, claims: i64, why: Option<&str>, kept: bool) -> String {
    let claimed = claimed(claims);
    match (why, kept) {
        (None, _) => format!("{what} and {claimed}, stays as it is"),
        (Some(why), true) => format!(
            "{what} and {claimed}, cannot be sown as it stands: {why}; it is of no plan, so nothing was changed"
        ),
        (Some(why), false) => {
            format!("{what} and {claimed}, had to be changed, since {why}; it is planned anew")
        }
    }
}

fn claimed(claims: i64) -> String {
    match claims {
        0 => "claimed by nobody".to_owned(),
        1 => "claimed by one member".to_owned(),
        more => format!("claimed by {more} members"),
    }
}

/// What is told of a sowing that was lost today.
fn lost(season: &Season, due: &SeasonDue) -> Option<DueSowing> {
    let site = season.sites.iter().find(|site| site.id == due.site_id)?;
    let cause = due.lost_cause.clone()?;
    (due.lost_on == Some(site.today)).then(|| DueSowing {
        words: format!(
            "{} {} at {} ({}), due on {} and {}, was lost: {cause}; what it would have given is planned anew",
            due.containers,
            due.crop_name,
            due.station_name,
            due.site_name,
            due.sow_on,
            claimed(due.claims)
        ),
        sowing_id: due.id.clone(),
        station_id: due.station_id.clone(),
        crop_id: due.crop_id.clone(),
        containers: i64::from(due.containers),
        sow_on: due.sow_on,
        claims: due.claims,
        kept: false,
        why: Some(cause),
    })
}
