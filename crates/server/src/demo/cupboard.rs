//! What the made-up co-operative keeps and mixes: invented data, for the demo only.

use serde_json::{Value, json};

use super::client::{Client, text};

type Fault = Box<dyn std::error::Error + Send + Sync>;

/// Describes products, the usual recipe and what is kept, and receives what is on the shelves.
///
/// # Errors
/// With the API's own words.
pub async fn fill(client: &mut Client) -> Result<(), Fault> {
    let sites = ids(client, "/sites").await?;
    let feed = product(
        client,
        "Leaf feed",
        "fertiliser",
        json!({"analysis": {"basis": "mass", "percent": {
            "nitrate_nitrogen": 7.0, "ammonium_nitrogen": 1.0, "phosphorus_pentoxide": 8.0, "potassium_oxide": 24.0,
            "magnesium": 3.6, "sulfur": 4.8, "iron": 0.3, "manganese": 0.05, "zinc": 0.015, "boron": 0.02,
            "copper": 0.005, "molybdenum": 0.005,
        }}}),
    )
    .await?;
    let calcium = product(
        client,
        "Calcium nitrate, greenhouse grade",
        "fertiliser",
        json!({"analysis": {"basis": "mass", "percent": {
            "nitrate_nitrogen": 14.4, "ammonium_nitrogen": 1.1, "calcium": 19.0,
        }}}),
    )
    .await?;
    let acid = json!({
        "name": "Phosphoric acid 10 %", "purpose": "acid", "form": "liquid", "density_milligrams_per_millilitre": 1053,
        "composition": {"substances": {"phosphoric_acid": 10.0}},
    });
    let acid = client.make("/products", &acid).await?;
    let grams = |value: &str| json!({"value": value, "unit": "g"});
    let recipe = json!({
        "name": "Leafy greens", "ph_least": 5.6, "ph_most": 6.2, "usual": true,
        "lines": [{"product_id": feed, "per_litre": grams("0.6")}, {"product_id": calcium, "per_litre": grams("0.5")}],
    });
    client.post("/recipes", &recipe).await?;
    for (_, site_id) in &sites {
        let water = json!({
            "site_id": site_id, "name": "Tap", "ph": 7.6, "alkalinity": {"value": 1.6, "unit": "milliequivalents_per_litre"},
            "milligrams_per_litre": {"calcium": 28.0, "magnesium": 5.0, "sodium": 9.0},
        });
        client.post("/source_waters", &water).await?;
    }
    let items = [
        (
            json!({"name": "Leaf feed", "category": "fertiliser", "dimension": "mass", "product_id": feed,
                "pack": {"value": "1", "unit": "kg"}, "pack_cents": 1850, "lead_days": 21}),
            "150",
            "g",
        ),
        (
            json!({"name": "Calcium nitrate", "category": "fertiliser", "dimension": "mass", "product_id": calcium,
                "pack": {"value": "1", "unit": "kg"}, "pack_cents": 900, "lead_days": 10}),
            "400",
            "g",
        ),
        (
            json!({"name": "Phosphoric acid 10 %", "category": "adjuster", "dimension": "volume", "product_id": acid,
                "pack": {"value": "500", "unit": "mL"}, "pack_cents": 1200, "lead_days": 10}),
            "300",
            "mL",
        ),
    ];
    for (item, amount, unit) in items {
        let item = client.make("/stock_items", &item).await?;
        receive(client, &sites, &item, amount, unit).await?;
    }
    supplies(client, &sites).await?;
    seed(client, &sites).await
}

async fn product(
    client: &mut Client,
    name: &str,
    purpose: &str,
    composition: Value,
) -> Result<String, Fault> {
    let body =
        json!({"name": name, "purpose": purpose, "form": "solid", "composition": composition});
    client.make("/products", &body).await
}

/// Names and ids of all records of a list.
async fn ids(client: &Client, path: &str) -> Result<Vec<(String, String)>, Fault> {
    let list = client.get(&format!("{path}?limit=200")).await?;
    let items = list["items"].as_array().into_iter().flatten();
    items
        .map(|record| Ok((text(record, "name")?, text(record, "id")?)))
        .collect()
}

/// A lot of the same size at each site.
async fn receive(
    client: &mut Client,
    sites: &[(String, String)],
    item: &str,
    amount: &str,
    unit: &str,
) -> Result<(), Fault> {
    for (number, (_, site_id)) in (1..).zip(sites) {
        let lot = json!({
            "stock_item_id": item, "site_id": site_id, "code": format!("D-{number}"),
            "amount": {"value": amount, "unit": unit},
        });
        client.post("/lots", &lot).await?;
    }
    Ok(())
}

/// Medium and cups, and what each kind of container takes of them.
async fn supplies(client: &mut Client, sites: &[(String, String)]) -> Result<(), Fault> {
    let medium = json!({
        "name": "Coarse medium, rinsed", "category": "medium", "dimension": "volume",
        "pack": {"value": "10", "unit": "L"}, "pack_cents": 1400, "lead_days": 7,
    });
    let cup = json!({
        "name": "Net cup", "category": "cup", "dimension": "count",
        "pack": {"value": "50", "unit": "1"}, "pack_cents": 1100, "lead_days": 7,
    });
    let medium = client.make("/stock_items", &medium).await?;
    let cup = client.make("/stock_items", &cup).await?;
    receive(client, sites, &medium, "12", "L").await?;
    receive(client, sites, &cup, "60", "1").await?;
    for (kind, kind_id) in ids(client, "/container_kinds").await? {
        let (millilitres, cups) = if kind == "Jar" {
            ("120", "1")
        } else {
            ("720", "6")
        };
        for (item, value, unit) in [(&medium, millilitres, "mL"), (&cup, cups, "1")] {
            let supply = json!({
                "container_kind_id": kind_id, "stock_item_id": item, "amount": {"value": value, "unit": unit},
            });
            client.post("/container_supplies", &supply).await?;
        }
    }
    Ok(())
}

async fn seed(client: &mut Client, sites: &[(String, String)]) -> Result<(), Fault> {
    for (crop, crop_id) in ids(client, "/crops").await? {
        let item = json!({
            "name": format!("{crop}, seed"), "category": "seed", "dimension": "mass", "crop_id": crop_id,
            "pack": {"value": "2", "unit": "g"}, "pack_cents": 320, "lead_days": 7,
        });
        let item = client.make("/stock_items", &item).await?;
        receive(client, sites, &item, "0.5", "g").await?;
    }
    Ok(())
}
