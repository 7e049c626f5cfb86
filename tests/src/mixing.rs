//! A cupboard for mixing, described and filled through the API.

use cotyl_solution::{
    Alkalinity, Form, Nutrient, Nutrients, Product, RecipeLine, Solution, SourceWater, Substance,
    dissolve,
};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::garden::{COORDINATOR, Garden};
use crate::support::Api;

/// Hoagland and Arnon, The water-culture method for growing plants without soil, Calif. Agric. Exp. Sta.
/// Circular 347, 1950, solution 1: name, substance, grams in a litre (from 5, 5, 2 and 1 mmol).
pub const HOAGLAND: [(&str, Substance, &str); 4] = [
    ("Potassium nitrate", Substance::PotassiumNitrate, "0.5055"),
    (
        "Calcium nitrate",
        Substance::CalciumNitrateTetrahydrate,
        "1.1807",
    ),
    (
        "Epsom salt",
        Substance::MagnesiumSulfateHeptahydrate,
        "0.4929",
    ),
    (
        "Potassium dihydrogen phosphate",
        Substance::PotassiumDihydrogenPhosphate,
        "0.1361",
    ),
];

/// What a dilute nitric acid is described by.
pub fn acid_input() -> Value {
    json!({
        "name": "Nitric acid 5 %", "purpose": "acid", "form": "liquid", "density_milligrams_per_millilitre": 1026,
        "composition": {"substances": {"nitric_acid": 5.0}}, "most_per_litre": {"value": "8", "unit": "g"},
    })
}

/// The same as the rules of solutions have it.
pub fn acid() -> Product {
    let form = Form::Liquid {
        grams_per_millilitre: 1.026,
    };
    Product::of_substances("Nitric acid 5 %", form, &[(Substance::NitricAcid, 5.0)]).unwrap()
}

/// A hard tap water.
pub fn water_input(site_id: Uuid) -> Value {
    json!({
        "site_id": site_id, "name": "Tap", "analysed_on": "2026-08-03", "ph": 7.6,
        "alkalinity": {"value": 180.0, "unit": "milligrams_per_litre_as_calcium_carbonate"},
        "milligrams_per_litre": {"calcium": 60.0, "magnesium": 12.0, "sodium": 20.0, "chlorine": 25.0, "sulfur": 10.0},
    })
}

/// The same as the rules of solutions have it.
pub fn water() -> Solution {
    let elements = [
        (Nutrient::Calcium, 60.0),
        (Nutrient::Magnesium, 12.0),
        (Nutrient::Sodium, 20.0),
        (Nutrient::Chlorine, 25.0),
        (Nutrient::Sulfur, 10.0),
    ];
    SourceWater {
        nutrients: Nutrients::new(elements).unwrap(),
        ph: 7.6,
        alkalinity: Alkalinity::AsCalciumCarbonate(180.0),
    }
    .solution()
    .unwrap()
}

/// A solution with so many grams per litre of a product.
pub fn with(solution: &Solution, product: &Product, grams_per_litre: f64) -> Solution {
    let line = RecipeLine {
        product,
        grams_per_litre,
    };
    dissolve(solution, &[line]).unwrap()
}

/// A pure substance.
pub fn pure(substance: Substance) -> Product {
    Product::of_substances(format!("{substance:?}"), Form::Solid, &[(substance, 100.0)]).unwrap()
}

/// Products, a recipe, a water and an acid, with some of everything on the shelf.
pub struct Cupboard {
    /// In the order of [`HOAGLAND`].
    pub salts: Vec<Uuid>,
    pub acid: Uuid,
    pub water: Uuid,
    pub recipe: Uuid,
}

impl Cupboard {
    pub async fn fill(api: &Api, garden: &Garden) -> Self {
        let mut salts = Vec::new();
        for (name, substance, _) in HOAGLAND {
            let input = json!({
                "name": name, "purpose": "fertiliser", "form": "solid",
                "composition": {"substances": {substance.name(): 100.0}},
            });
            salts.push(make(api, "/products", input).await);
        }
        let acid = make(api, "/products", acid_input()).await;
        let water = make(api, "/source_waters", water_input(garden.site_id)).await;
        let recipe = make(api, "/recipes", recipe_input(&salts)).await;
        for (id, (name, _, _)) in salts.iter().zip(HOAGLAND) {
            let item = json!({"name": name, "category": "fertiliser", "dimension": "mass", "product_id": id});
            stock(api, garden, item, json!({"value": "500", "unit": "g"})).await;
        }
        let item = json!({"name": "Acid", "category": "adjuster", "dimension": "volume", "product_id": acid});
        stock(api, garden, item, json!({"value": "1", "unit": "L"})).await;
        Self {
            salts,
            acid,
            water,
            recipe,
        }
    }
}

/// Describes an item and receives a lot of it at the garden's site, through the API.
async fn stock(api: &Api, garden: &Garden, item: Value, amount: Value) {
    let item = make(api, "/stock_items", item).await;
    let lot =
        json!({"stock_item_id": item, "site_id": garden.site_id, "code": "L1", "amount": amount});
    make(api, "/lots", lot).await;
}

pub async fn make(api: &Api, path: &str, input: Value) -> Uuid {
    let made = api.post(COORDINATOR, path, input).await.expect(201);
    made.id().parse().unwrap()
}

pub fn recipe_input(salts: &[Uuid]) -> Value {
    let lines: Vec<Value> = salts
        .iter()
        .zip(HOAGLAND)
        .map(|(id, (_, _, grams))| {
            json!({"product_id": id, "per_litre": {"value": grams, "unit": "g"}})
        })
        .collect();
    json!({"name": "Solution 1", "lines": lines, "ph_least": 5.6, "ph_most": 6.2})
}

/// Puts a lot of a product on the shelf of the garden's site, straight into the ledger, as received weeks ago;
/// makes the stock item where there is none.
pub async fn receive(
    garden: &Garden,
    product_id: Uuid,
    dimension: &str,
    quantity: i64,
    expires_on: Option<&str>,
) -> Uuid {
    let item: Option<Uuid> = sqlx::query_scalar("select id from stock_item where product_id = $1")
        .bind(product_id)
        .fetch_optional(&garden.pool)
        .await
        .unwrap();
    let item = match item {
        Some(item) => item,
        None => sqlx::query_scalar(
            "insert into stock_item (id, cooperative_id, name, category, dimension, product_id)
             select $1, cooperative_id, name, case purpose when 'fertiliser' then 'fertiliser' else 'adjuster' end, $3, id
               from product where id = $2 returning id",
        )
        .bind(Uuid::now_v7())
        .bind(product_id)
        .bind(dimension)
        .fetch_one(&garden.pool)
        .await
        .unwrap(),
    };
    let lot = Uuid::now_v7();
    sqlx::query(
        "insert into lot (id, cooperative_id, stock_item_id, code, quantity, received_on, expires_on)
         values ($1, $2, $3, 'L' || right($1::text, 6), $4, '2026-08-20', $5::date)",
    )
    .bind(lot)
    .bind(garden.cooperative_id)
    .bind(item)
    .bind(quantity)
    .bind(expires_on.map(|day| day.parse::<chrono::NaiveDate>().unwrap()))
    .execute(&garden.pool)
    .await
    .unwrap();
    sqlx::query(
        "insert into movement (id, cooperative_id, lot_id, kind, from_place, to_place, to_site_id, quantity, happened_at, recorded_at, member_id)
         select $1, $2, $3, 'receive', 'supplier', 'store', $4, $5, '2026-08-20T12:00:00Z', '2026-08-20T12:00:00Z', id
           from member where cooperative_id = $2 order by id limit 1",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(lot)
    .bind(garden.site_id)
    .bind(quantity)
    .execute(&garden.pool)
    .await
    .unwrap();
    lot
}

/// What the shelf of the garden's site holds of a product.
pub async fn on_shelf(garden: &Garden, product_id: Uuid) -> i64 {
    sqlx::query_scalar(
        "select coalesce(sum(s.quantity), 0)::bigint from store_lot s join lot l on l.id = s.lot_id
           join stock_item i on i.id = l.stock_item_id where i.product_id = $1 and s.site_id = $2",
    )
    .bind(product_id)
    .bind(garden.site_id)
    .fetch_one(&garden.pool)
    .await
    .unwrap()
}

/// Gives a member the qualification for concentrates.
pub async fn qualify(garden: &Garden, email: &str, issued_on: &str, expires_on: Option<&str>) {
    let day = |text: &str| text.parse::<chrono::NaiveDate>().unwrap();
    sqlx::query(
        "insert into qualification (id, cooperative_id, member_id, kind, issued_on, expires_on)
         select $1, $2, id, 'concentrates', $4, $5 from member where cooperative_id = $2 and email = $3",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(email)
    .bind(day(issued_on))
    .bind(expires_on.map(day))
    .execute(&garden.pool)
    .await
    .unwrap();
}

pub fn litres(value: &str) -> Value {
    json!({"value": value, "unit": "L"})
}

/// A batch of the cupboard's recipe with its water.
pub fn batch_input(garden: &Garden, cupboard: &Cupboard, volume: &str) -> Value {
    json!({
        "site_id": garden.site_id, "recipe_id": cupboard.recipe, "source_water_id": cupboard.water,
        "volume": litres(volume),
    })
}

/// Codes of the cautions of an answer.
pub fn caution_codes(handling: &Value) -> Vec<String> {
    handling["cautions"]
        .as_array()
        .unwrap()
        .iter()
        .map(|caution| {
            assert!(!caution["text"].as_str().unwrap().is_empty());
            assert!(!caution["source"].as_str().unwrap().is_empty());
            caution["code"].as_str().unwrap().to_owned()
        })
        .collect()
}

/// Every answer that leads to handling something says what to mind, deference to the label last.
#[track_caller]
pub fn require_cautions(handling: &Value, codes: &[&str]) {
    let found = caution_codes(handling);
    assert_eq!(
        found.last().unwrap(),
        "follow-label-and-local-rules",
        "{found:?}"
    );
    for code in codes {
        assert!(
            found.iter().any(|other| other == code),
            "{code} is missing from {found:?}"
        );
    }
}
