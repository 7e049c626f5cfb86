//! Batches: begun from the shelf or not at all, and one whole story to the last litre.

use cotyl_solution::{
    Advice, Conditions, Correction, DoseReading, Form, Prior, Product, Solution, Substance, advise,
    equilibrium,
};
use serde_json::{Value, json};
use sqlx::AssertSqlSafe;
use uuid::Uuid;

use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::mixing::{
    Cupboard, HOAGLAND, acid, batch_input, litres, make, on_shelf, pure, qualify, receive,
    require_cautions, water, with,
};
use crate::support::{Api, Reply};

/// The amounts that a batch of 20 litres takes, in grams: the recipe times twenty, to four digits.
const OF_TWENTY: [f64; 4] = [10.11, 23.61, 9.858, 2.722];

/// The batch as it should be, by the rules themselves.
fn mixed() -> Solution {
    let mut solution = water();
    for ((_, substance, _), grams) in HOAGLAND.into_iter().zip(OF_TWENTY) {
        solution = with(&solution, &pure(substance), grams / 20.0);
    }
    solution
}

/// What the tap really brings: a quarter more alkalinity than its report says.
fn real() -> Solution {
    let more = Product::of_substances(
        "more alkalinity",
        Form::Solid,
        &[(Substance::SodiumHydrogenCarbonate, 100.0)],
    );
    with(&mixed(), &more.unwrap(), 0.075)
}

fn read_ph(solution: &Solution) -> f64 {
    let at = equilibrium(solution, Conditions::STANDARD).unwrap();
    (at.ph() * 100.0).round() / 100.0
}

async fn entry(api: &Api, who: &str, batch: &str, body: Value) -> Reply {
    api.post(who, &format!("/batches/{batch}/entries"), body)
        .await
}

/// What the rules advise directly, in grams per litre.
fn advised(readings: &[DoseReading]) -> Option<(f64, f64)> {
    let mixed = mixed();
    let advised = advise(&Correction {
        mixed: &mixed,
        product: &acid(),
        celsius: 18.5,
        target_ph: 5.9,
        accepted_ph: (5.6, 6.2),
        readings,
        prior: Prior::of_batches(&[]),
        cautious_share: 0.5,
        most_grams_per_litre: 8.0,
        checked_beyond_maximum: false,
        meter_error_ph: 0.05,
    })
    .unwrap();
    match advised.advice {
        Advice::Add(portion) => Some((portion.grams_per_litre, advised.buffer.factor)),
        Advice::InRange { .. } => None,
        other => panic!("{other:?}"),
    }
}

#[actix_web::test]
async fn from_the_shelf_to_the_last_litre() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    qualify(&garden, LEAD, "2026-09-01", Some("2027-08-31")).await;
    // dry salts are for everybody
    let made = api
        .post(VOLUNTEER, "/batches", batch_input(&garden, &cupboard, "20"))
        .await
        .expect(201);
    let id = made.id();
    assert_eq!(made.body["state"], "mixing");
    assert!(made.body["code"].as_str().unwrap().starts_with("S260907-"));
    for (index, grams) in OF_TWENTY.into_iter().enumerate() {
        let amount = &made.body["amounts"][index]["amount"];
        assert_eq!(amount["unit"], "g");
        assert_eq!(
            amount["value"].as_str().unwrap().parse::<f64>().unwrap(),
            grams
        );
        let left = on_shelf(&garden, cupboard.salts[index]).await;
        assert_eq!(left, 500_000 - (grams * 1000.0).round() as i64);
    }
    let order: Vec<&Value> = made.body["steps"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|step| step["step"] == "add")
        .map(|step| &step["product_id"])
        .collect();
    assert_eq!(
        *order.last().unwrap(),
        &json!(cupboard.salts[1]),
        "calcium goes in last"
    );
    require_cautions(&made.body["handling"], &["no-dust", "not-for-drinking"]);
    // this hard a water is corrected once before the calcium, by one portion
    let steps = made.body["steps"].as_array().unwrap();
    let corrections: Vec<&Value> = steps
        .iter()
        .filter(|step| step["step"] == "read_and_correct")
        .map(|step| &step["text"])
        .collect();
    assert_eq!(
        (
            made.body["settles_uncorrected"].as_bool(),
            corrections.len()
        ),
        (Some(true), 2)
    );
    assert!(
        corrections[0]
            .as_str()
            .unwrap()
            .contains("one portion only")
    );
    // before any reading the computed dose, and the warning to read first
    let next = &made.body["next_step"];
    assert_eq!(next["advice"], "add");
    assert_eq!(next["ph_is_read"], false);
    assert_eq!(next["product_id"], json!(cupboard.acid));
    require_cautions(
        &next["handling"],
        &["concentrate-into-water", "stir-wait-read-again"],
    );

    let mut dosed = 0.0;
    let mut readings: Vec<DoseReading> = Vec::new();
    let mut factors = Vec::new();
    let mut told = made;
    for round in 0.. {
        assert!(round < 8, "{}", told.text);
        let ph = read_ph(&with(&real(), &acid(), dosed));
        readings.push(DoseReading {
            dosed_grams_per_litre: dosed,
            ph,
        });
        let reading = json!({
            "kind": "reading", "ph": ph, "conductivity": {"value": 1050.0, "scale": "ppm_500"},
            "temperature": {"value": "18.5", "unit": "Cel"},
        });
        told = entry(&api, VOLUNTEER, &id, reading).await.expect(201);
        let last = told.body["entries"].as_array().unwrap().last().unwrap();
        assert_eq!(last["conductivity_microsiemens_per_cm"], 2100);
        let next = &told.body["next_step"];
        let Some((grams_per_litre, factor)) = advised(&readings) else {
            assert_eq!(next["advice"], "in_range");
            break;
        };
        assert_eq!(next["advice"], "add", "{}", told.text);
        require_cautions(
            &next["handling"],
            &["concentrate-into-water", "trained-adults-only"],
        );
        assert_eq!(next["handling"]["needs_qualification"], "concentrates");
        assert!((next["buffer"]["factor"].as_f64().unwrap() - factor).abs() < 0.006);
        factors.push(factor);
        // to three digits, never more than advised
        let exact = grams_per_litre * 20.0 / 1.026;
        let amount = next["amount"]["value"]
            .as_str()
            .unwrap()
            .parse::<f64>()
            .unwrap();
        assert!(
            amount <= exact + 1e-9 && amount > 0.985 * exact,
            "{amount} of {exact}"
        );
        assert_eq!(next["amount"]["unit"], "mL");
        let text = next["text"].as_str().unwrap();
        assert!(text.contains("stir, wait, read again"), "{text}");
        let dose = json!({"kind": "dose", "product_id": cupboard.acid, "amount": next["amount"]});
        let refused = entry(&api, VOLUNTEER, &id, dose.clone()).await.expect(409);
        assert_eq!(refused.problem(), "needs-qualification");
        let poured = entry(&api, LEAD, &id, dose).await.expect(201);
        // never the same portion twice
        let next = &poured.body["next_step"];
        assert_eq!(next["advice"], "read_again");
        assert_eq!(next["amount"], Value::Null);
        require_cautions(&next["handling"], &["stir-wait-read-again"]);
        dosed += amount * 1.026 / 20.0;
    }
    assert!(readings.len() >= 3, "{readings:?}");
    // the estimate learns the quarter that the report does not tell
    assert!(factors.last().unwrap() > &1.08, "{factors:?}");
    let poured = 1_000_000 - on_shelf(&garden, cupboard.acid).await;
    assert!((poured as f64 / 1000.0 - dosed * 20.0 / 1.026).abs() < 0.001);

    entry(&api, VOLUNTEER, &id, json!({"kind": "ready"}))
        .await
        .expect(201);
    let to_bench = |volume: &str| json!({"kind": "use", "volume": litres(volume), "station_id": garden.station_id});
    let used = entry(&api, VOLUNTEER, &id, to_bench("12.5"))
        .await
        .expect(201);
    assert_eq!(used.body["state"], "in_use");
    assert_eq!(used.body["left"], json!({"value": "7500", "unit": "mL"}));
    assert_eq!(used.body["next_step"], Value::Null);
    let refused = entry(&api, VOLUNTEER, &id, to_bench("7.6"))
        .await
        .expect(409);
    assert_eq!(refused.problem(), "more-than-left");
    let left = entry(
        &api,
        VOLUNTEER,
        &id,
        json!({"kind": "left", "volume": litres("7")}),
    )
    .await;
    assert_eq!(
        left.expect(201).body["left"],
        json!({"value": "7000", "unit": "mL"})
    );
    let done = entry(&api, VOLUNTEER, &id, to_bench("7")).await.expect(201);
    assert_eq!(done.body["state"], "used_up");
    let read = api.get(COORDINATOR, &format!("/batches/{id}")).await;
    assert_eq!(read.expect(200).body, done.body);
}

#[actix_web::test]
async fn a_preview_tells_all_and_keeps_nothing() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let path = "/batches/previews";
    let input = batch_input(&garden, &cupboard, "20");
    let before = rows(&garden).await;
    let seen = api.post(VOLUNTEER, path, input.clone()).await.expect(200);
    assert_eq!(seen.body["missing"], json!([]));
    assert_eq!(seen.body["hindrance"], Value::Null);
    require_cautions(&seen.body["handling"], &["not-for-drinking"]);
    // 500 g of calcium nitrate do not do for 500 litres, which take 590.4 g
    let large = batch_input(&garden, &cupboard, "500");
    let seen = api.post(VOLUNTEER, path, large.clone()).await.expect(200);
    let missing = seen.body["missing"].as_array().unwrap();
    assert_eq!(missing.len(), 1);
    assert_eq!(missing[0]["product_id"], json!(cupboard.salts[1]));
    assert_eq!(missing[0]["needed"], json!({"value": "590.4", "unit": "g"}));
    assert_eq!(missing[0]["on_hand"], json!({"value": "500", "unit": "g"}));
    let refused = api.post(VOLUNTEER, "/batches", large).await.expect(409);
    assert_eq!(refused.problem(), "short-of-stock");
    assert!(
        refused
            .text
            .contains("590.4 g of Calcium nitrate are needed and 500 g are there")
    );
    // without a stock item
    sqlx::query("update stock_item set retired_at = now() where product_id = $1")
        .bind(cupboard.salts[0])
        .execute(&garden.pool)
        .await
        .unwrap();
    let seen = api.post(VOLUNTEER, path, input.clone()).await.expect(200);
    assert_eq!(seen.body["missing"][0]["on_hand"], Value::Null);
    let refused = api.post(VOLUNTEER, "/batches", input.clone()).await;
    assert_eq!(refused.expect(409).problem(), "short-of-stock");
    assert_eq!(rows(&garden).await, before);
    for who in [READER, ELSEWHERE] {
        api.post(who, path, input.clone()).await.expect(403);
        api.post(who, "/batches", input.clone()).await.expect(403);
    }
}

#[actix_web::test]
async fn liquids_need_a_current_qualification() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let liquid = make(
        &api,
        "/products",
        json!({
            "name": "Liquid feed", "purpose": "fertiliser", "form": "liquid", "density_milligrams_per_millilitre": 1150,
            "composition": {"analysis": {"basis": "volume", "percent": {"nitrate_nitrogen": 5.0, "potassium_oxide": 6.0}}},
        }),
    )
    .await;
    // kept by weight: what is poured is drawn by its density
    receive(&garden, liquid, "mass", 1_000_000, None).await;
    let line = json!([{"product_id": liquid, "per_litre": {"value": "2", "unit": "mL"}}]);
    let recipe = make(
        &api,
        "/recipes",
        json!({"name": "Feed", "lines": line, "ph_least": 5.6, "ph_most": 6.2}),
    )
    .await;
    let mut input = batch_input(&garden, &cupboard, "10");
    input["recipe_id"] = json!(recipe);
    let before = rows(&garden).await;
    // on 7 September: none, one that has ended, one that begins tomorrow
    let refused = |reply: Reply| assert_eq!(reply.expect(409).problem(), "needs-qualification");
    for who in [COORDINATOR, LEAD, VOLUNTEER] {
        refused(api.post(who, "/batches", input.clone()).await);
    }
    qualify(&garden, VOLUNTEER, "2024-09-01", Some("2026-09-06")).await;
    refused(api.post(VOLUNTEER, "/batches", input.clone()).await);
    qualify(&garden, VOLUNTEER, "2026-09-08", None).await;
    refused(api.post(VOLUNTEER, "/batches", input.clone()).await);
    let seen = api
        .post(VOLUNTEER, "/batches/previews", input.clone())
        .await;
    let seen = seen.expect(200);
    assert_eq!(seen.body["hindrance"]["code"], "needs-qualification");
    assert_eq!(seen.body["handling"]["needs_qualification"], "concentrates");
    require_cautions(
        &seen.body["handling"],
        &["trained-adults-only", "concentrate-into-water"],
    );
    assert_eq!(rows(&garden).await, before);
    qualify(&garden, VOLUNTEER, "2025-09-07", Some("2026-09-07")).await;
    let made = api.post(VOLUNTEER, "/batches", input).await.expect(201);
    assert_eq!(
        made.body["amounts"][0]["amount"],
        json!({"value": "20", "unit": "mL"})
    );
    // 20 mL of 1.15 g/mL
    assert_eq!(on_shelf(&garden, liquid).await, 1_000_000 - 23_000);
}

#[actix_web::test]
async fn lots_may_be_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let nitre = cupboard.salts[0];
    let sooner = receive(&garden, nitre, "mass", 6_000, Some("2026-12-31")).await;
    let old = receive(&garden, nitre, "mass", 50_000, Some("2026-08-31")).await;
    // first the lot that expires first, then the next, never what has expired
    let made = api
        .post(VOLUNTEER, "/batches", batch_input(&garden, &cupboard, "20"))
        .await
        .expect(201);
    let drawn: Vec<(&Value, &Value)> = made.body["movements"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|movement| movement["product_id"] == json!(nitre))
        .map(|movement| (&movement["lot_id"], &movement["amount"]["value"]))
        .collect();
    assert_eq!(drawn.len(), 2);
    assert!(drawn.contains(&(&json!(sooner), &json!("6"))));
    assert!(drawn.iter().any(|(_, grams)| **grams == json!("4.11")));
    let named = |lot: Uuid, reason: Value| {
        let mut input = batch_input(&garden, &cupboard, "20");
        input["lots"] = json!([{"product_id": nitre, "lot_id": lot, "expired_reason": reason}]);
        input
    };
    let before = rows(&garden).await;
    let reply = api
        .post(VOLUNTEER, "/batches", named(old, Value::Null))
        .await;
    assert_eq!(reply.expect(409).problem(), "lot-expired");
    // the one that was emptied
    let reply = api
        .post(VOLUNTEER, "/batches", named(sooner, Value::Null))
        .await;
    assert_eq!(reply.expect(409).problem(), "not-enough-stock");
    let other = receive(&garden, cupboard.salts[1], "mass", 50_000, None).await;
    let reply = api
        .post(VOLUNTEER, "/batches", named(other, Value::Null))
        .await;
    assert_eq!(reply.expect(422).pointers(), ["/lots/0/lot_id"]);
    let reply = api
        .post(VOLUNTEER, "/batches", named(Uuid::now_v7(), Value::Null))
        .await;
    assert_eq!(reply.expect(422).pointers(), ["/lots/0/lot_id"]);
    assert_eq!(rows(&garden).await["batch"], before["batch"]);
    let reason = json!("dry and free-flowing");
    let made = api
        .post(VOLUNTEER, "/batches", named(old, reason))
        .await
        .expect(201);
    assert!(made.text.contains(&old.to_string()));
}

#[actix_web::test]
async fn every_bad_field_of_a_batch_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let before = rows(&garden).await;
    for (field, value, pointer) in [
        ("site_id", json!(Uuid::now_v7()), "/site_id"),
        ("recipe_id", json!(Uuid::now_v7()), "/recipe_id"),
        ("source_water_id", json!(Uuid::now_v7()), "/source_water_id"),
        ("volume", litres("0"), "/volume"),
        ("volume", litres("-20"), "/volume"),
        ("volume", litres("100001"), "/volume"),
        ("volume", json!({"value": "20", "unit": "kg"}), "/volume"),
        (
            "lots",
            json!([{"product_id": cupboard.acid, "lot_id": Uuid::now_v7()}]),
            "/lots/0/product_id",
        ),
        ("colour", json!("green"), "/colour"),
    ] {
        for path in ["/batches", "/batches/previews"] {
            let mut input = batch_input(&garden, &cupboard, "20");
            input[field] = value.clone();
            let reply = api.post(COORDINATOR, path, input).await.expect(422);
            assert_eq!(
                reply.pointers(),
                [pointer],
                "{field} {value}: {}",
                reply.text
            );
        }
    }
    // a water of the other site
    let mut water = crate::mixing::water_input(garden.other_site_id);
    water["name"] = json!("Well");
    let water = make(&api, "/source_waters", water).await;
    let mut input = batch_input(&garden, &cupboard, "20");
    input["source_water_id"] = json!(water);
    let reply = api.post(COORDINATOR, "/batches", input).await.expect(422);
    assert_eq!(reply.pointers(), ["/source_water_id"]);
    assert_eq!(rows(&garden).await, before);
}

#[actix_web::test]
async fn batches_are_listed_by_site_and_state() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let mut made = Vec::new();
    for _ in 0..3 {
        let input = batch_input(&garden, &cupboard, "5");
        made.push(api.post(LEAD, "/batches", input).await.expect(201).id());
    }
    entry(&api, LEAD, &made[1], json!({"kind": "discard"}))
        .await
        .expect(201);
    let ids = async |who: &str, query: String| -> Vec<String> {
        let reply = api.get(who, &format!("/batches{query}")).await.expect(200);
        let items = reply.body["items"].as_array().unwrap().clone();
        items
            .iter()
            .map(|b| b["id"].as_str().unwrap().to_owned())
            .collect()
    };
    assert_eq!(ids(VOLUNTEER, String::new()).await, made);
    assert_eq!(ids(LEAD, "?state=discarded".into()).await, made[1..2]);
    assert_eq!(
        ids(LEAD, format!("?site_id={}", garden.other_site_id)).await,
        [""; 0]
    );
    api.get(LEAD, "/batches?state=boiling").await.expect(422);
    // a volunteer of the other site only
    let there = "there@example.org";
    garden
        .join(
            &api,
            there,
            &[("volunteer", Some(garden.other_site_id), None)],
        )
        .await;
    assert_eq!(ids(there, String::new()).await, [""; 0]);
    api.get(there, &format!("/batches/{}", made[0]))
        .await
        .expect(404);
    let reading = json!({"kind": "reading", "ph": 6.0});
    entry(&api, there, &made[0], reading.clone())
        .await
        .expect(404);
    entry(&api, ELSEWHERE, &made[0], reading).await.expect(403);
    api.get(READER, "/batches").await.expect(403);
}

/// The rows that a beginning touches.
pub async fn rows(garden: &Garden) -> Value {
    let mut all = json!({});
    for table in [
        "batch",
        "batch_entry",
        "movement",
        "store_lot",
        "store_line",
    ] {
        let found: Value = sqlx::query_scalar(AssertSqlSafe(format!(
            "select coalesce(jsonb_agg(to_jsonb(t) order by to_jsonb(t)::text), '[]') from {table} t where cooperative_id = $1"
        )))
        .bind(garden.cooperative_id)
        .fetch_one(&garden.pool)
        .await
        .unwrap();
        all[table] = found;
    }
    all
}

/// A statement of a beginning fails, whichever it is: nothing of the batch is there.
#[actix_web::test]
async fn half_a_batch_never_exists() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let before = rows(&garden).await;
    let run = async |statement: String| {
        sqlx::raw_sql(AssertSqlSafe(statement))
            .execute(&garden.pool)
            .await
            .unwrap();
    };
    run("create sequence fault_count;
         create function fail_at() returns trigger language plpgsql as $$
         begin
           if nextval('fault_count') = tg_argv[0]::bigint then
             raise exception using errcode = '57014', message = 'cut off';
           end if;
           return null;
         end $$"
        .into())
    .await;
    let mut failed = 0;
    for table in [
        "batch",
        "movement",
        "store_lot",
        "store_line",
        "audit_entry",
    ] {
        for place in 1..=4 {
            if place > 1 && ["batch", "audit_entry"].contains(&table) {
                continue;
            }
            run(format!(
                "select setval('fault_count', 1, false);
                 create trigger fail_at after insert or update on {table} for each row execute function fail_at({place})"
            ))
            .await;
            let reply = api
                .post(VOLUNTEER, "/batches", batch_input(&garden, &cupboard, "20"))
                .await;
            reply.expect(503);
            failed += 1;
            run(format!("drop trigger fail_at on {table}")).await;
            assert_eq!(rows(&garden).await, before, "{table} {place}");
        }
    }
    assert_eq!(failed, 14);
    api.post(VOLUNTEER, "/batches", batch_input(&garden, &cupboard, "20"))
        .await
        .expect(201);
}

/// Many want the last of a salt at the same moment: one gets it, and the shelf is true.
#[actix_web::test]
async fn the_last_of_a_salt_goes_into_one_batch() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    // 300 litres take 354.2 g of the 500 g of calcium nitrate
    let starts = (0..12).map(|_| {
        let input = batch_input(&garden, &cupboard, "300");
        api.post(VOLUNTEER, "/batches", input)
    });
    let replies = futures::future::join_all(starts).await;
    let begun = replies.iter().filter(|reply| reply.status == 201).count();
    assert_eq!(begun, 1);
    for reply in replies.iter().filter(|reply| reply.status != 201) {
        assert_eq!(reply.status, 409, "{}", reply.text);
        assert!(["short-of-stock", "not-enough-stock"].contains(&reply.problem()));
    }
    assert_eq!(
        on_shelf(&garden, cupboard.salts[1]).await,
        500_000 - 354_200
    );
    let batches: i64 = sqlx::query_scalar("select count(*) from batch")
        .fetch_one(&garden.pool)
        .await
        .unwrap();
    assert_eq!(batches, 1);
}
