//! Acid and base on the shopping list: by the alkalinity of the water, and by what earlier batches took.

use cotyl_solution::{
    CAUTIOUS_SHARE, Conditions, Correction, DoseReading, Prior, RecipeLine, Solution, advise,
    dissolve, equilibrium,
};
use serde_json::{Value, json};

use crate::cuts::go_to;
use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::mixing::{
    Cupboard, HOAGLAND, acid, acid_input, batch_input, make, pure, qualify, water, with,
};
use crate::shopping_list::{gaps, list, of, three_sowings};
use crate::support::Api;

/// A garden with three sowings of ten jars of 3.5 L, and a cupboard whose recipe is the usual one.
async fn garden_with_cupboard(api: &Api) -> (Garden, Cupboard) {
    let garden = Garden::plant(api).await;
    three_sowings(&garden).await;
    let cupboard = Cupboard::fill(api, &garden).await;
    sqlx::query("update recipe set usual = true")
        .execute(&garden.pool)
        .await
        .unwrap();
    (garden, cupboard)
}

async fn acid_item(garden: &Garden, cupboard: &Cupboard) -> uuid::Uuid {
    sqlx::query_scalar("select id from stock_item where product_id = $1")
        .bind(cupboard.acid)
        .fetch_one(&garden.pool)
        .await
        .unwrap()
}

fn litres_of(amount: &Value) -> f64 {
    let value: f64 = amount["value"].as_str().unwrap().parse().unwrap();
    match amount["unit"].as_str().unwrap() {
        "mL" => value / 1000.0,
        "L" => value,
        other => panic!("{other}"),
    }
}

/// The tap holds 180 mg/L as calcium carbonate, which are 3.60 meq/L, at pH 7.6: 3.77 mmol/L of carbonates. At 20 °C
/// and an ionic strength of 0.035 mol/kg (Davies) the first constant of carbonic acid is 10^-6.30 (10^-6.38 without,
/// Plummer and Busenberg 1982, as in `phreeqc.dat`), so that at the middle of the range, pH 5.9, 0.28 to 0.31 of
/// them, about 1.12 mmol/L, stay hydrogen carbonate. 1 mmol/L of potassium dihydrogen phosphate gives 0.08 meq/L
/// itself. 3.60 - 1.12 - 0.08 = 2.40 mmol/L of nitric acid are 151 mg/L, or 2.95 mL of 5 % at 1.026 g/mL in a litre,
/// and 309 mL in 105 L. Pairs of calcium with hydrogen carbonate hold a little more of it back, within 5 %.
#[actix_web::test]
async fn acid_is_bought_by_the_alkalinity_of_the_water() {
    let api = Api::new().await;
    let (garden, cupboard) = garden_with_cupboard(&api).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    // no seed item and no supplies in this garden; of acid everything is known
    assert_eq!(gaps(&found), ["no_seed_item", "no_supplies"]);
    let item = acid_item(&garden, &cupboard).await;
    let needed = litres_of(&of(&found, item)["needed"]);
    assert!((needed / 0.309 - 1.0).abs() < 0.05, "{needed} L");
    let dose = &found["adjuster_doses"][0];
    assert_eq!(
        (
            &dose["product_id"],
            &dose["source_water_id"],
            &dose["target_ph"]
        ),
        (&json!(cupboard.acid), &json!(cupboard.water), &json!(5.9))
    );
    assert_eq!(dose["earlier_batches"], 0);
    let each = dose["grams_per_litre"].as_f64().unwrap();
    assert!(
        (each * 105.0 / 1.026 / 1000.0 / needed - 1.0).abs() < 1e-4,
        "{dose}"
    );
    // week by week, a third each
    let weeks = of(&found, item)["weeks"].as_array().unwrap();
    assert_eq!(weeks.len(), 3);
    for week in weeks {
        let share = litres_of(&week["needed"]) / needed;
        assert!((share - 1.0 / 3.0).abs() < 1e-4, "{week}");
    }
    // there is a litre of it
    assert_eq!(of(&found, item)["purchase"], Value::Null);

    // 150 mL are left, in bottles of 250 mL: the second sowing lacks some, and one bottle will do
    sqlx::query("update stock_item set pack_quantity = 250000, pack_cents = 690, lead_days = 7 where id = $1")
        .bind(item)
        .execute(&garden.pool)
        .await
        .unwrap();
    let spill = json!({"kind": "issue", "site_id": garden.site_id, "stock_item_id": item, "amount": {"value": "850", "unit": "mL"}});
    api.post(LEAD, "/movements", spill).await.expect(201);
    let found = list(&api, &garden, "").await;
    let bought = &of(&found, item)["purchase"];
    assert_eq!(
        (
            &bought["short_on"],
            &bought["packs"],
            &bought["cost_cents"],
            &bought["order_by"]
        ),
        (
            &json!("2026-09-28"),
            &json!(1),
            &json!(690),
            &json!("2026-09-21")
        )
    );
    let risks = of(&found, item)["at_risk"].as_array().unwrap();
    assert_eq!(
        (&risks[0]["sow_on"], &risks[0]["risk"]),
        (&json!("2026-09-28"), &json!("purchase_late"))
    );
}

/// A batch whose water holds more than its report says took 1.4 times the acid that was worked out.
#[actix_web::test]
async fn earlier_batches_scale_what_is_bought() {
    let api = Api::new().await;
    let (garden, cupboard) = garden_with_cupboard(&api).await;
    qualify(&garden, LEAD, "2026-09-01", None).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let before = list(&api, &garden, "").await["adjuster_doses"][0]["grams_per_litre"].clone();
    let batch = api
        .post(VOLUNTEER, "/batches", batch_input(&garden, &cupboard, "20"))
        .await
        .expect(201);
    let entries = format!("/batches/{}/entries", batch.id());
    let salts: Vec<_> = HOAGLAND
        .iter()
        .map(|(_, substance, grams)| (pure(*substance), grams.parse::<f64>().unwrap()))
        .collect();
    let lines: Vec<RecipeLine<'_>> = salts
        .iter()
        .map(|(product, grams_per_litre)| RecipeLine {
            product,
            grams_per_litre: *grams_per_litre,
        })
        .collect();
    let mixed = dissolve(&water(), &lines).unwrap();
    let ph = |solution: &Solution| {
        let at = Conditions {
            celsius: 20.0,
            ..Conditions::STANDARD
        };
        (equilibrium(solution, at).unwrap().ph() * 1000.0).round() / 1000.0
    };
    let read = async |ph: f64| {
        let reading =
            json!({"kind": "reading", "ph": ph, "temperature": {"value": "20", "unit": "Cel"}});
        api.post(VOLUNTEER, &entries, reading).await.expect(201)
    };
    read(ph(&mixed)).await;
    let dose = json!({"kind": "dose", "product_id": cupboard.acid, "amount": {"value": "25", "unit": "mL"}});
    api.post(LEAD, &entries, dose).await.expect(201);
    let dosed = 0.025 * 1026.0 / 20.0;
    let after_dose = ph(&with(&mixed, &acid(), dosed / 1.4));
    read(after_dose).await;
    let after = list(&api, &garden, "").await["adjuster_doses"][0].clone();
    assert_eq!(after["earlier_batches"], 1);
    // what the rules learn from the two readings, halved in the logarithm since one batch counts beside the prior
    let reading = |dosed_grams_per_litre, ph| DoseReading {
        dosed_grams_per_litre,
        ph,
    };
    let readings = [reading(0.0, ph(&mixed)), reading(dosed, after_dose)];
    let learnt = advise(&Correction {
        mixed: &mixed,
        product: &acid(),
        celsius: 20.0,
        target_ph: 5.9,
        accepted_ph: (5.6, 6.2),
        readings: &readings,
        prior: Prior::NONE,
        cautious_share: CAUTIOUS_SHARE,
        most_grams_per_litre: 8.0,
        checked_beyond_maximum: false,
        meter_error_ph: 0.05,
    })
    .unwrap()
    .buffer;
    assert!((1.1..1.4).contains(&learnt.factor), "{learnt:?}");
    let factor = after["grams_per_litre"].as_f64().unwrap() / before.as_f64().unwrap();
    assert!(
        (factor / learnt.factor.sqrt() - 1.0).abs() < 0.002,
        "{factor}"
    );
    let model = after["model_grams_per_litre"].as_f64().unwrap();
    assert!((model / before.as_f64().unwrap() - 1.0).abs() < 1e-3);
}

#[actix_web::test]
async fn which_record_is_missing_is_said() {
    let api = Api::new().await;
    let (garden, cupboard) = garden_with_cupboard(&api).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let item = acid_item(&garden, &cupboard).await;
    let retire = async |table: &str, id: uuid::Uuid, at: &str| {
        let statement = format!("update {table} set retired_at = {at} where id = $1");
        sqlx::query(sqlx::AssertSqlSafe(statement))
            .bind(id)
            .execute(&garden.pool)
            .await
            .unwrap();
    };
    retire("source_water", cupboard.water, "now()").await;
    let found = list(&api, &garden, "").await;
    assert_eq!(gaps(&found)[2..], ["no_source_water"]);
    assert_eq!(found["adjuster_doses"], json!([]));
    retire("source_water", cupboard.water, "null").await;
    // the acid is described, and no item keeps it
    retire("stock_item", item, "now()").await;
    let found = list(&api, &garden, "").await;
    assert_eq!(gaps(&found)[2..], ["no_adjuster"]);
    let text = found["gaps"][2]["text"].as_str().unwrap();
    assert!(
        text.contains("takes acid") && text.contains("Tap"),
        "{text}"
    );
    retire("stock_item", item, "null").await;
    // so little of it may be dosed that it cannot do
    sqlx::query("update product set most_milligrams_per_litre = 500 where id = $1")
        .bind(cupboard.acid)
        .execute(&garden.pool)
        .await
        .unwrap();
    let found = list(&api, &garden, "").await;
    assert_eq!(gaps(&found)[2..], ["dose_past_most"]);
    assert_eq!(found["adjuster_doses"][0]["grams_per_litre"], 1.0);
    // a water that needs none
    let soft = json!({
        "site_id": garden.site_id, "name": "Rain", "ph": 5.8,
        "alkalinity": {"value": 0.1, "unit": "milliequivalents_per_litre"}, "milligrams_per_litre": {},
    });
    make(&api, "/source_waters", soft).await;
    let mut wide = acid_input();
    wide["name"] = json!("Another acid");
    make(&api, "/products", wide).await;
    sqlx::query("update recipe set ph_least_thousandths = 4000, ph_most_thousandths = 7000")
        .execute(&garden.pool)
        .await
        .unwrap();
    let found = list(&api, &garden, "").await;
    assert_eq!(gaps(&found), ["no_seed_item", "no_supplies"]);
    assert_eq!(found["adjuster_doses"], json!([]));
    let all = api.get(COORDINATOR, "/shopping_list").await.expect(200);
    assert_eq!(all.body["adjuster_doses"], json!([]));
}
