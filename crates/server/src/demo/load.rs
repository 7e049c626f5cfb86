//! The made-up co-operative: invented data, for the demo only.

use std::collections::BTreeMap;
use std::time::Duration;

use cotyl_calendar::IsoWeek;
use serde_json::{Value, json};

use super::client::{Client, text};
use super::{PASSWORD, WEEKS, ZONE};

type Fault = Box<dyn std::error::Error + Send + Sync>;

/// Name of the co-operative.
pub const NAME: &str = "Riverbend Growers";

/// (name, address, role, what it reaches)
const PEOPLE: [(&str, &str, &str, &str); 5] = [
    ("Leo Marsh", "leo@example.org", "lead", "North school"),
    (
        "Vera Okafor",
        "vera@example.org",
        "volunteer",
        "North school",
    ),
    ("Hana Brook", "hana@example.org", "lead", "Community hall"),
    ("Ivo Lindner", "ivo@example.org", "volunteer", "Library"),
    ("Rita Gomez", "rita@example.org", "reader", "Corner pantry"),
];

/// Describes sites, stations, crops, recipients, pledges and people.
///
/// # Errors
/// With the API's own words.
pub async fn garden(client: &mut Client, this_week: IsoWeek) -> Result<(), Fault> {
    let week = |ahead: i64| {
        this_week
            .plus_weeks(ahead)
            .ok_or_else(|| Fault::from("the calendar ends"))
    };
    let sites = sites(client).await?;
    for (site, first, last, reason) in [
        (
            "North school",
            week(4)?.monday(),
            week(5)?.sunday(),
            "Winter break",
        ),
        (
            "North school",
            week(13)?.monday(),
            week(13)?.sunday(),
            "Spring break",
        ),
        (
            "Library",
            week(5)?.monday(),
            week(5)?.sunday(),
            "Stock-taking of the books",
        ),
        (
            "Community hall",
            week(9)?.monday(),
            week(9)?.monday(),
            "Election day",
        ),
    ] {
        let body =
            json!({"site_id": sites[site], "first_day": first, "last_day": last, "reason": reason});
        client.post("/closures", &body).await?;
    }
    let stations = stations(client, &sites).await?;
    let outage = json!({
        "first_day": week(2)?.monday(), "last_day": week(3)?.sunday(), "places": 6,
        "reason": "A lamp is being replaced",
    });
    let path = format!("/stations/{}/outages", stations["Lamp shelf"]);
    client.post(&path, &outage).await?;
    let groups = crops(client).await?;
    let recipients = pledges(client, &groups, week(6)?, week(i64::from(WEEKS) - 2)?).await?;
    people(client, &sites, &recipients).await
}

fn hours(days: &[&str], opens: &str, closes: &str) -> Vec<Value> {
    days.iter()
        .map(|day| json!({"weekday": day, "opens": opens, "closes": closes}))
        .collect()
}

async fn sites(client: &mut Client) -> Result<BTreeMap<&'static str, String>, Fault> {
    let weekdays = ["monday", "tuesday", "wednesday", "thursday", "friday"];
    let mut library = hours(&["tuesday", "thursday"], "10:00", "18:00");
    library.extend(hours(&["saturday"], "10:00", "14:00"));
    let mut sites = BTreeMap::new();
    for (name, opening_hours, minutes, litres) in [
        (
            "North school",
            hours(&weekdays, "08:00", "16:00"),
            420,
            "260",
        ),
        ("Library", library, 240, "330"),
        (
            "Community hall",
            hours(&["monday", "wednesday", "saturday"], "09:00", "20:00"),
            300,
            "200",
        ),
    ] {
        let body = json!({
            "name": name, "zone": ZONE, "opening_hours": opening_hours, "weekly_minutes": minutes,
            "weekly_mixing": {"value": litres, "unit": "L"}, "most_sowings_per_week": null,
        });
        sites.insert(name, client.make("/sites", &body).await?);
    }
    Ok(sites)
}

/// The light of a window through the ISO year, brightest in June.
fn window(celsius: [f64; 5], mol: [f64; 5]) -> Value {
    let periods = [(1, 9), (10, 20), (21, 36), (37, 45), (46, 53)];
    periods
        .iter()
        .zip(celsius.iter().zip(mol))
        .map(|((first, last), (celsius, mol))| {
            json!({"first_week": first, "last_week": last, "temperature_celsius": celsius, "daily_light_mol": mol})
        })
        .collect()
}

async fn stations(
    client: &mut Client,
    sites: &BTreeMap<&'static str, String>,
) -> Result<BTreeMap<&'static str, String>, Fault> {
    let litres = |value: &str| json!({"value": value, "unit": "L"});
    let jar = json!({
        "name": "Jar", "volume": litres("4"), "fill": litres("3.5"), "refill_limit": litres("2.6"),
        "plants_per_container": 1, "yield_permille": 1000,
    });
    let jar = client.make("/container_kinds", &jar).await?;
    let tote = json!({
        "name": "Tote", "volume": litres("45"), "fill": litres("40"), "refill_limit": litres("40"),
        "plants_per_container": 6, "yield_permille": 5400,
    });
    let tote = client.make("/container_kinds", &tote).await?;
    let steady = |celsius: f64, mol: f64| window([celsius; 5], [mol; 5]);
    let bench = window([18.0, 19.5, 23.0, 20.5, 18.5], [9.0, 14.0, 18.0, 12.0, 8.5]);
    let sill = window([18.5, 19.5, 23.5, 20.5, 18.5], [8.0, 12.0, 15.0, 10.0, 7.5]);
    let porch = window([8.0, 14.0, 23.0, 15.0, 9.0], [8.0, 14.0, 20.0, 11.0, 7.0]);
    let mut made = BTreeMap::new();
    for (site, name, kind, method, places, environment) in [
        (
            "North school",
            "South window bench",
            &jar,
            "passive",
            30,
            bench,
        ),
        (
            "North school",
            "Lamp shelf",
            &jar,
            "passive",
            36,
            steady(21.0, 15.0),
        ),
        (
            "North school",
            "Prep-room totes",
            &tote,
            "aerated",
            6,
            steady(20.5, 14.5),
        ),
        ("Library", "Reading-room sill", &jar, "passive", 16, sill),
        (
            "Library",
            "Basement rack",
            &tote,
            "aerated",
            8,
            steady(19.5, 16.0),
        ),
        (
            "Community hall",
            "Stage rack",
            &jar,
            "passive",
            40,
            steady(20.0, 14.0),
        ),
        ("Community hall", "Porch", &jar, "passive", 20, porch),
    ] {
        let body = json!({
            "site_id": sites[site], "container_kind_id": kind, "name": name, "method": method,
            "places": places, "environment": environment,
        });
        made.insert(name, client.make("/stations", &body).await?);
    }
    Ok(made)
}

/// The whole starter set; crop groups by name.
async fn crops(client: &mut Client) -> Result<BTreeMap<String, String>, Fault> {
    let starters = client.get("/starter_crops").await?;
    let mut groups = BTreeMap::new();
    for starter in starters["items"].as_array().into_iter().flatten() {
        let name = text(starter, "crop_group")?;
        if !groups.contains_key(&name) {
            let id = client.make("/crop_groups", &json!({"name": name})).await?;
            groups.insert(name.clone(), id);
        }
        let mut crop = starter["crop"].clone();
        crop["crop_group_id"] = json!(groups[&name]);
        client.post("/crops", &crop).await?;
    }
    Ok(groups)
}

async fn pledges(
    client: &mut Client,
    groups: &BTreeMap<String, String>,
    first: IsoWeek,
    last: IsoWeek,
) -> Result<BTreeMap<&'static str, String>, Fault> {
    let mut recipients = BTreeMap::new();
    for (name, kind, days, keep_days) in [
        ("Corner pantry", "pantry", ["wednesday", "friday"], 2),
        ("School kitchen", "kitchen", ["tuesday", "thursday"], 1),
    ] {
        let body = json!({
            "name": name, "kind": kind, "contact": "", "delivery_weekdays": days, "keep_days": keep_days,
        });
        recipients.insert(name, client.make("/recipients", &body).await?);
    }
    for (recipient, group, kilograms, priority) in [
        ("Corner pantry", "salad greens", "1.2", 3),
        ("Corner pantry", "cooking greens", "0.5", 2),
        ("Corner pantry", "herbs", "0.12", 2),
        ("School kitchen", "salad greens", "0.25", 1),
        ("School kitchen", "herbs", "0.04", 1),
    ] {
        let body = json!({
            "recipient_id": recipients[recipient], "crop_id": null, "crop_group_id": groups[group],
            "weekly": {"value": kilograms, "unit": "kg"}, "first_week": first.to_string(),
            "last_week": last.to_string(), "priority": priority,
        });
        client.post("/pledges", &body).await?;
    }
    Ok(recipients)
}

async fn people(
    client: &mut Client,
    sites: &BTreeMap<&'static str, String>,
    recipients: &BTreeMap<&'static str, String>,
) -> Result<(), Fault> {
    for (name, email, role, at) in PEOPLE {
        let role = if role == "reader" {
            json!({"role": role, "recipient_id": recipients[at]})
        } else {
            json!({"role": role, "site_id": sites[at]})
        };
        let invited = json!({"name": name, "email": email, "roles": [role]});
        let invitation = client.post("/invitations", &invited).await?;
        let accepted = json!({"token": text(&invitation, "token")?, "password": PASSWORD});
        client.post("/invitations/acceptances", &accepted).await?;
    }
    Ok(())
}

/// Requests a plan, waits for it and adopts it.
///
/// # Errors
/// With the API's own words.
pub async fn plan(client: &mut Client, this_week: IsoWeek) -> Result<Value, Fault> {
    let body = json!({
        "name": "This term", "first_week": this_week.to_string(), "weeks": WEEKS, "time_limit_seconds": 60,
        "wanted_chance_permille": 800,
    });
    let path = format!("/plans/{}", client.make("/plans", &body).await?);
    loop {
        let plan = client.get(&path).await?;
        match plan["status"].as_str() {
            Some("solved") => break,
            Some("failed" | "cancelled") => return Err(format!("the plan: {plan}").into()),
            _ => tokio::time::sleep(Duration::from_millis(200)).await,
        }
    }
    client
        .post(
            &format!("{path}/adoption"),
            &json!({"accept_changed_inputs": false}),
        )
        .await?;
    client.get(&path).await
}

/// The plan in force, if there is one.
///
/// # Errors
/// With the API's own words.
pub async fn adopted_plan(client: &Client) -> Result<Option<Value>, Fault> {
    let plans = client.get("/plans?limit=200").await?;
    let adopted = plans["items"]
        .as_array()
        .into_iter()
        .flatten()
        .find(|plan| plan["state"] == "adopted");
    match adopted {
        Some(plan) => Ok(Some(
            client.get(&format!("/plans/{}", text(plan, "id")?)).await?,
        )),
        None => Ok(None),
    }
}
