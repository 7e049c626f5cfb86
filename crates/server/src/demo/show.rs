//! What a coordinator wants to see: the plan week by week, what falls short and why, what to do this
//! week, and how to get in.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use cotyl_domain::quantity::Mass;
use serde_json::Value;

use super::client::{Client, text};
use super::{COORDINATOR, PASSWORD};

type Fault = Box<dyn std::error::Error + Send + Sync>;

/// Writes it all to the screen.
///
/// # Errors
/// With the API's own words.
pub async fn screen(
    client: &Client,
    plan: &Value,
    today: NaiveDate,
    address: &str,
) -> Result<(), Fault> {
    weeks(plan)?;
    reasons(client, plan).await?;
    remedies(plan)?;
    notes(plan);
    to_buy(plan)?;
    tasks(client, today).await?;
    shopping(client).await?;
    println!("\nThe API is at   http://{address}/api/v1");
    println!("Its document at http://{address}/docs/  (OpenAPI 3.1: /openapi/v1.json)");
    println!(
        "This plan's picture (SVG): /api/v1/plans/{}/picture",
        text(plan, "id")?
    );
    println!("\nSign in (POST /api/v1/sessions) with the password \"{PASSWORD}\" as");
    for (email, what) in [
        (COORDINATOR, "coordinator"),
        ("leo@example.org", "lead of North school"),
        ("vera@example.org", "volunteer at North school"),
        ("ivo@example.org", "volunteer at the Library"),
        ("rita@example.org", "reader of the Corner pantry"),
    ] {
        println!("  {email:<18} {what}");
    }
    println!("\nCtrl-C stops; the data stays for the next start.");
    Ok(())
}

fn mass(value: &Value) -> Result<Mass, Fault> {
    Ok(serde_json::from_value(value.clone())?)
}

fn kilograms(mass: Mass) -> Result<String, Fault> {
    Ok(mass.to_rounded_text("kg", 2)?.value)
}

/// Sums of a week over all pledges.
#[derive(Default)]
struct Week {
    pledged: i64,
    expected: i64,
    short: i64,
    missing: Vec<String>,
    /// Seasons of a thousand in which its least likely pledge is met.
    least_chance: Option<i64>,
}

fn weeks(plan: &Value) -> Result<(), Fault> {
    let result = &plan["result"];
    println!("\n{}: {}\n", text(plan, "name")?, text(result, "summary")?);
    let mut weeks: BTreeMap<String, Week> = BTreeMap::new();
    for cell in result["weeks"].as_array().into_iter().flatten() {
        let short = mass(&cell["short"])?;
        let week = weeks.entry(text(cell, "week")?).or_default();
        week.pledged += mass(&cell["pledged"])?.milligrams();
        week.expected += mass(&cell["expected"])?.milligrams();
        week.short += short.milligrams();
        if let Some(met) = cell["chance"]["met_permille"].as_i64() {
            week.least_chance = Some(week.least_chance.map_or(met, |least| least.min(met)));
        }
        if short > Mass::ZERO {
            week.missing.push(format!(
                "{} {} {}",
                text(cell, "recipient_name")?,
                text(cell, "what")?,
                kilograms(short)?
            ));
        }
    }
    println!(
        "{:<9} {:>8} {:>9} {:>7} {:>12}  short of (kg)",
        "week", "pledged", "expected", "short", "least chance"
    );
    for (label, week) in &weeks {
        println!(
            "{label:<9} {:>8} {:>9} {:>7} {:>12}  {}",
            kilograms(Mass::of_milligrams(week.pledged))?,
            kilograms(Mass::of_milligrams(week.expected))?,
            kilograms(Mass::of_milligrams(week.short))?,
            week.least_chance
                .map(|met| format!("{:.0} %", met as f64 / 10.0))
                .unwrap_or_default(),
            week.missing.join(", ")
        );
    }
    Ok(())
}

async fn reasons(client: &Client, plan: &Value) -> Result<(), Fault> {
    let explanation = client
        .get(&format!("/plans/{}/explanation", text(plan, "id")?))
        .await?;
    println!("\nWhat falls short, and why");
    println!("{}", text(&explanation, "summary")?);
    let mut short: Vec<&Value> = explanation["short"]
        .as_array()
        .into_iter()
        .flatten()
        .collect();
    short.sort_by_key(|pledge| {
        std::cmp::Reverse(mass(&pledge["short"]).map_or(0, Mass::milligrams))
    });
    for pledge in short.iter().take(6) {
        println!("  {}", text(pledge, "words")?);
    }
    if short.len() > 6 {
        println!(
            "  and {} more at /plans/{}/explanation",
            short.len() - 6,
            text(plan, "id")?
        );
    }
    Ok(())
}

fn remedies(plan: &Value) -> Result<(), Fault> {
    println!("\nWhat would help, the cheapest first, one change at a time, each solved anew");
    let remedies = plan["result"]["remedies"].as_array();
    let remedies = remedies.map(Vec::as_slice).unwrap_or_default();
    if remedies.is_empty() {
        println!("  nothing that was tried");
    }
    for remedy in remedies {
        println!("  {}", text(remedy, "words")?);
    }
    Ok(())
}

/// What the plan says beside its figures, as that its time ran out.
fn notes(plan: &Value) {
    let notes = plan["result"]["notes"].as_array().into_iter().flatten();
    let mut notes = notes.filter_map(Value::as_str).peekable();
    if notes.peek().is_some() {
        println!("\nWorth knowing");
    }
    for note in notes {
        println!("  {note}");
    }
}

/// What the plan takes to buy, as it was when the plan was made.
fn to_buy(plan: &Value) -> Result<(), Fault> {
    let bought = plan["result"]["purchases"].as_array();
    let bought = bought.map(Vec::as_slice).unwrap_or_default();
    println!("\nTo buy for the plan, by the last day to order");
    if bought.is_empty() {
        println!("  nothing");
    }
    for purchase in bought.iter().take(12) {
        println!("  {}", text(purchase, "words")?);
    }
    if bought.len() > 12 {
        println!(
            "  and {} more at /plans/{}",
            bought.len() - 12,
            text(plan, "id")?
        );
    }
    if let Some(cents) = plan["result"]["purchases_cost_cents"].as_i64() {
        println!(
            "  in all {:.2} of money, as far as prices are known",
            cents as f64 / 100.0
        );
    }
    Ok(())
}

async fn tasks(client: &Client, today: NaiveDate) -> Result<(), Fault> {
    let last = today.checked_add_days(Days::new(6)).unwrap_or(today);
    let tasks = client.get(&format!("/tasks?to={last}&limit=200")).await?;
    let tasks = tasks["items"]
        .as_array()
        .map(Vec::as_slice)
        .unwrap_or_default();
    println!("\nTo do from {today} to {last}");
    if tasks.is_empty() {
        println!("  nothing yet");
    }
    for task in tasks {
        println!(
            "  {}  {:<15} {:<18} {}, about {} min",
            text(&task["window"], "day")?,
            text(task, "site_name")?,
            task["station_name"].as_str().unwrap_or_default(),
            work(task)?,
            task["minutes"],
        );
    }
    Ok(())
}

/// What is to be done, and with what or for whom.
fn work(task: &Value) -> Result<String, Fault> {
    let mut words = match task["title"].as_str() {
        Some(title) => title.to_owned(),
        None => text(task, "kind")?.replace('_', " "),
    };
    if let Some(number) = task["cut_number"].as_i64() {
        words.push_str(&format!(" (cut {number})"));
    }
    if let (Some(crop), Some(count)) = (task["crop_name"].as_str(), task["containers"].as_i64()) {
        let containers = if count == 1 {
            "container"
        } else {
            "containers"
        };
        words.push_str(&format!(": {count} {containers} of {crop}"));
    }
    if let Some(recipient) = task["recipient_name"].as_str() {
        words.push_str(&format!(" for {recipient}"));
    }
    Ok(words)
}

/// What to buy in the next weeks, in the order of the last days to order.
async fn shopping(client: &Client) -> Result<(), Fault> {
    let list = client.get("/shopping_list").await?;
    let mut lines = Vec::new();
    for item in list["items"].as_array().into_iter().flatten() {
        let purchase = &item["purchase"];
        if purchase.is_null() {
            continue;
        }
        lines.push(format!(
            "  by {}  {:<15} {:<34} {} {}",
            text(purchase, "order_by")?,
            text(item, "site_name")?,
            text(item, "name")?,
            text(&purchase["quantity"], "value")?,
            match purchase["quantity"]["unit"].as_str() {
                Some("1") => "pieces",
                unit => unit.unwrap_or_default(),
            },
        ));
    }
    lines.sort();
    println!(
        "\nTo buy for the sowings that are planned, until {}",
        text(&list, "until")?
    );
    if lines.is_empty() {
        println!("  nothing");
    }
    for line in lines.iter().take(10) {
        println!("{line}");
    }
    if lines.len() > 10 {
        println!("  and {} more at /shopping_list", lines.len() - 10);
    }
    let gaps = list["gaps"].as_array().into_iter().flatten();
    let gaps: BTreeSet<String> = gaps
        .map(|gap| text(gap, "text"))
        .collect::<Result<_, _>>()?;
    for gap in gaps.iter().take(3) {
        println!("  not worked out: {gap}");
    }
    Ok(())
}
