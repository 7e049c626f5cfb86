//! Entries of batches: what may be told when, what is refused, and how a wrong entry is taken back.

use actix_web::http::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::batches::rows;
use crate::cuts::{TestSowing, go_to, sow};
use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::mixing::{
    Cupboard, batch_input, litres, make, on_shelf, qualify, receive, require_cautions,
};
use crate::support::{Api, Reply};

/// A batch of 20 litres that is being mixed, with a lead who may handle acid.
struct Mixing {
    api: Api,
    garden: Garden,
    cupboard: Cupboard,
    batch: String,
}

impl Mixing {
    async fn begin() -> Self {
        let api = Api::new().await;
        let garden = Garden::plant(&api).await;
        let cupboard = Cupboard::fill(&api, &garden).await;
        qualify(&garden, LEAD, "2026-09-01", None).await;
        let input = batch_input(&garden, &cupboard, "20");
        let batch = api
            .post(VOLUNTEER, "/batches", input)
            .await
            .expect(201)
            .id();
        Self {
            api,
            garden,
            cupboard,
            batch,
        }
    }

    async fn tell(&self, who: &str, body: Value) -> Reply {
        let path = format!("/batches/{}/entries", self.batch);
        self.api.post(who, &path, body).await
    }

    async fn told(&self, who: &str, body: Value) -> Reply {
        self.tell(who, body).await.expect(201)
    }

    async fn ph(&self, ph: f64) -> Reply {
        self.told(VOLUNTEER, json!({"kind": "reading", "ph": ph}))
            .await
    }

    async fn pour(&self, millilitres: &str) -> Reply {
        let amount = json!({"value": millilitres, "unit": "mL"});
        self.tell(
            LEAD,
            json!({"kind": "dose", "product_id": self.cupboard.acid, "amount": amount}),
        )
        .await
    }
}

fn last_entry(reply: &Reply) -> Value {
    reply.body["entries"]
        .as_array()
        .unwrap()
        .last()
        .unwrap()
        .clone()
}

#[actix_web::test]
async fn every_bad_field_of_an_entry_is_named() {
    let mixing = Mixing::begin().await;
    let acid = mixing.cupboard.acid;
    let salt = mixing.cupboard.salts[0];
    let before = rows(&mixing.garden).await;
    let grams = json!({"value": "5", "unit": "g"});
    let shown = |value: f64, scale: &str| json!({"value": value, "scale": scale});
    for (body, pointer) in [
        (json!({"kind": "stir"}), "/kind"),
        (json!({"kind": "reading"}), "/ph"),
        (json!({"kind": "reading", "ph": 41.0}), "/ph"),
        (json!({"kind": "reading", "ph": -1.0}), "/ph"),
        (json!({"kind": "reading", "ph": "6,4"}), "/ph"),
        (
            json!({"kind": "reading", "temperature": {"value": "5000", "unit": "Cel"}}),
            "/temperature",
        ),
        (
            json!({"kind": "reading", "temperature": {"value": "20", "unit": "K"}}),
            "/temperature",
        ),
        (
            json!({"kind": "reading", "temperature": {"value": "-1", "unit": "Cel"}}),
            "/temperature",
        ),
        (
            json!({"kind": "reading", "conductivity": shown(1050.0, "ppm")}),
            "/conductivity/scale",
        ),
        (
            json!({"kind": "reading", "conductivity": shown(1050.0, "mS/cm")}),
            "/conductivity/value",
        ),
        (
            json!({"kind": "reading", "conductivity": shown(-1.0, "uS/cm")}),
            "/conductivity/value",
        ),
        (
            json!({"kind": "reading", "conductivity": {"value": 1.5, "scale": "mS/cm", "compensated": false}}),
            "/temperature",
        ),
        (
            json!({"kind": "reading", "ph": 6.0, "amount": grams}),
            "/amount",
        ),
        (
            json!({"kind": "reading", "ph": 6.0, "happened_at": "2026-09-07T12:06:00Z"}),
            "/happened_at",
        ),
        (
            json!({"kind": "reading", "ph": 6.0, "happened_at": "2026-08-30T12:00:00Z"}),
            "/happened_at",
        ),
        // before the batch was begun
        (
            json!({"kind": "reading", "ph": 6.0, "happened_at": "2026-09-07T11:59:00Z"}),
            "/happened_at",
        ),
        (json!({"kind": "dose", "amount": grams}), "/product_id"),
        (json!({"kind": "dose", "product_id": acid}), "/amount"),
        (
            json!({"kind": "dose", "product_id": acid, "amount": {"value": "0", "unit": "mL"}}),
            "/amount",
        ),
        (
            json!({"kind": "dose", "product_id": acid, "amount": {"value": "-5", "unit": "mL"}}),
            "/amount",
        ),
        (
            json!({"kind": "dose", "product_id": acid, "amount": {"value": "5", "unit": "m"}}),
            "/amount",
        ),
        (
            json!({"kind": "dose", "product_id": Uuid::now_v7(), "amount": grams}),
            "/product_id",
        ),
        // no acid or base
        (
            json!({"kind": "dose", "product_id": salt, "amount": grams}),
            "/product_id",
        ),
        (
            json!({"kind": "withdrawn", "note": "wrong"}),
            "/withdraws_id",
        ),
        (
            json!({"kind": "withdrawn", "note": "wrong", "withdraws_id": Uuid::now_v7()}),
            "/withdraws_id",
        ),
        (
            json!({"kind": "withdrawn", "withdraws_id": Uuid::now_v7()}),
            "/note",
        ),
        (json!({"kind": "note"}), "/note"),
        (json!({"kind": "discard", "volume": litres("1")}), "/volume"),
        (json!({"kind": "ready", "colour": "green"}), "/colour"),
    ] {
        let reply = mixing.tell(LEAD, body.clone()).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}: {}", reply.text);
    }
    assert_eq!(rows(&mixing.garden).await, before);
    let ppm = mixing
        .tell(
            LEAD,
            json!({"kind": "reading", "conductivity": shown(1050.0, "ppm")}),
        )
        .await;
    assert!(ppm.text.contains("ppm_500") && ppm.text.contains("ppm_700"));
}

#[actix_web::test]
async fn a_dose_beyond_the_portion_waits_for_a_reading() {
    let mixing = Mixing::begin().await;
    let shelf = on_shelf(&mixing.garden, mixing.cupboard.acid).await;
    let path = format!("/batches/{}", mixing.batch);
    let read = mixing.api.get(LEAD, &path).await.expect(200);
    let portion: f64 = read.body["next_step"]["amount"]["value"]
        .as_str()
        .unwrap()
        .parse()
        .unwrap();
    // without any reading no more than the cautious share of what is computed
    let refused = mixing
        .pour(&format!("{:.2}", portion * 1.5))
        .await
        .expect(409);
    assert_eq!(refused.problem(), "read-first");
    mixing
        .pour(&format!("{:.2}", portion * 0.6))
        .await
        .expect(201);
    let read = mixing.api.get(LEAD, &path).await.expect(200);
    assert_eq!(read.body["next_step"]["advice"], "read_again");
    // nor by two halves
    let refused = mixing
        .pour(&format!("{:.2}", portion * 0.6))
        .await
        .expect(409);
    assert_eq!(refused.problem(), "read-first");
    assert!(
        refused.text.contains("mL may go in now"),
        "{}",
        refused.text
    );
    let refused = mixing
        .tell(VOLUNTEER, json!({"kind": "ready"}))
        .await
        .expect(409);
    assert_eq!(refused.problem(), "read-first");
    mixing.ph(7.0).await;
    mixing.pour(&format!("{portion:.2}")).await.expect(201);
    let poured = shelf - on_shelf(&mixing.garden, mixing.cupboard.acid).await;
    assert!((poured as f64 / 1000.0 - 1.6 * portion).abs() < 0.03);
}

#[actix_web::test]
async fn the_most_of_a_litre_needs_a_second_reading() {
    let mixing = Mixing::begin().await;
    // 8 g in a litre are 155.9 mL of 1.026 g/mL in 20 litres
    mixing.ph(7.6).await;
    mixing.pour("150").await.expect(201);
    let told = mixing.ph(7.58).await;
    // so much acid should have moved the pH far more
    assert_eq!(told.body["next_step"]["advice"], "stop_and_check");
    require_cautions(
        &told.body["next_step"]["handling"],
        &["concentrate-into-water"],
    );
    let refused = mixing.pour("30").await.expect(409);
    assert_eq!(refused.problem(), "read-first");
    assert!(refused.text.contains("read twice"), "{}", refused.text);
    mixing.ph(7.58).await;
    mixing.pour("30").await.expect(201);
    mixing.ph(7.4).await;
    mixing.ph(7.4).await;
    // twice the most is never passed
    let refused = mixing.pour("200").await.expect(409);
    assert!(refused.text.contains("more than twice"), "{}", refused.text);
}

#[actix_web::test]
async fn advice_says_when_to_stop() {
    let mixing = Mixing::begin().await;
    let told = mixing.ph(6.0).await;
    let next = &told.body["next_step"];
    assert_eq!(
        (&next["advice"], &next["ph_is_read"]),
        (&json!("in_range"), &json!(true))
    );
    // nothing raises a pH that is too low: no base is described
    let told = mixing.ph(5.0).await;
    let next = &told.body["next_step"];
    assert_eq!(
        (&next["advice"], &next["needed"]),
        (&json!("no_adjuster"), &json!("base"))
    );
    let base = make(
        &mixing.api,
        "/products",
        json!({"name": "Potassium hydroxide 5 %", "purpose": "base", "form": "liquid", "density_milligrams_per_millilitre": 1045,
               "composition": {"substances": {"potassium_hydroxide": 5.0}}}),
    )
    .await;
    let path = format!("/batches/{}", mixing.batch);
    let read = mixing.api.get(LEAD, &path).await.expect(200);
    assert_eq!(read.body["next_step"]["advice"], "add");
    assert_eq!(read.body["next_step"]["product_id"], json!(base));
    require_cautions(
        &read.body["next_step"]["handling"],
        &["never-acid-with-base"],
    );
    // the acid by choice: it would move the pH away
    let chosen = format!("{path}?adjuster_id={}", mixing.cupboard.acid);
    let read = mixing.api.get(LEAD, &chosen).await.expect(200);
    assert_eq!(read.body["next_step"]["advice"], "other_product");
    let salt = format!("{path}?adjuster_id={}", mixing.cupboard.salts[0]);
    mixing.api.get(LEAD, &salt).await.expect(422);
    // described, but not on the shelf
    let dose = json!({"kind": "dose", "product_id": base, "amount": {"value": "1", "unit": "mL"}});
    let refused = mixing.tell(LEAD, dose.clone()).await.expect(409);
    assert_eq!(refused.problem(), "short-of-stock");
    receive(&mixing.garden, base, "volume", 500, None).await;
    let refused = mixing.tell(LEAD, dose).await.expect(409);
    assert_eq!(refused.problem(), "not-enough-stock");
    // past the target after a dose: nothing brings it back
    mixing.ph(7.4).await;
    mixing.pour("60").await.expect(201);
    let told = mixing.ph(4.9).await;
    assert_eq!(told.body["next_step"]["advice"], "past_target");
    assert_eq!(told.body["next_step"]["amount"], Value::Null);
}

#[actix_web::test]
async fn a_wrong_entry_is_withdrawn() {
    let mixing = Mixing::begin().await;
    let shelf = on_shelf(&mixing.garden, mixing.cupboard.acid).await;
    mixing.ph(7.4).await;
    let dosed = mixing.pour("40").await.expect(201);
    let dose = last_entry(&dosed)["id"].clone();
    assert_eq!(
        last_entry(&dosed)["amount"],
        json!({"value": "40", "unit": "mL"})
    );
    assert_eq!(
        on_shelf(&mixing.garden, mixing.cupboard.acid).await,
        shelf - 40_000
    );
    let slip =
        json!({"kind": "withdrawn", "withdraws_id": dose, "note": "poured into the other bucket"});
    let told = mixing.told(VOLUNTEER, slip.clone()).await;
    assert_eq!(on_shelf(&mixing.garden, mixing.cupboard.acid).await, shelf);
    let entries = told.body["entries"].as_array().unwrap();
    assert_eq!(
        entries.iter().find(|e| e["id"] == dose).unwrap()["withdrawn"],
        true
    );
    let back = told.body["movements"].as_array().unwrap().last().unwrap();
    assert_eq!(back["kind"], "reverse");
    // it no longer counts: the advice is that of the reading alone
    assert_eq!(told.body["next_step"]["buffer"]["observations"], 0);
    let reply = mixing.tell(VOLUNTEER, slip).await.expect(422);
    assert_eq!(reply.pointers(), ["/withdraws_id"]);
    let withdrawal = last_entry(&told)["id"].clone();
    let reply = mixing
        .tell(
            VOLUNTEER,
            json!({"kind": "withdrawn", "withdraws_id": withdrawal, "note": "no, it was right"}),
        )
        .await;
    assert_eq!(reply.expect(422).pointers(), ["/withdraws_id"]);

    // a use that used it up by a slip
    let ready = mixing.told(VOLUNTEER, json!({"kind": "ready"})).await;
    let ready = last_entry(&ready)["id"].clone();
    let all =
        json!({"kind": "use", "volume": litres("20"), "station_id": mixing.garden.station_id});
    let used = mixing.told(VOLUNTEER, all).await;
    assert_eq!(used.body["state"], "used_up");
    let slip = json!({"kind": "withdrawn", "withdraws_id": last_entry(&used)["id"], "note": "two litres, not twenty"});
    let told = mixing.told(VOLUNTEER, slip).await;
    assert_eq!(told.body["left"], json!({"value": "20000", "unit": "mL"}));
    assert_ne!(told.body["state"], "mixing");
    // a batch that was ready does not go back to mixing
    let slip = json!({"kind": "withdrawn", "withdraws_id": ready, "note": "not yet"});
    let reply = mixing.tell(VOLUNTEER, slip).await.expect(422);
    assert_eq!(reply.pointers(), ["/withdraws_id"]);
}

#[actix_web::test]
async fn states_go_forward_only() {
    let mixing = Mixing::begin().await;
    let to_bench =
        json!({"kind": "use", "volume": litres("5"), "station_id": mixing.garden.station_id});
    let refused = mixing.tell(VOLUNTEER, to_bench.clone()).await.expect(409);
    assert_eq!(refused.problem(), "wrong-state");
    mixing.ph(5.9).await;
    mixing.told(VOLUNTEER, json!({"kind": "ready"})).await;
    let refused = mixing
        .tell(VOLUNTEER, json!({"kind": "ready"}))
        .await
        .expect(409);
    assert_eq!(refused.problem(), "wrong-state");
    mixing.told(VOLUNTEER, to_bench.clone()).await;
    assert_eq!(mixing.pour("1").await.expect(409).problem(), "wrong-state");
    let gone = mixing
        .told(VOLUNTEER, json!({"kind": "discard", "note": "algae"}))
        .await;
    assert_eq!(gone.body["state"], "discarded");
    assert_eq!(gone.body["left"], json!({"value": "0", "unit": "mL"}));
    assert_eq!(
        last_entry(&gone)["volume"],
        json!({"value": "15000", "unit": "mL"})
    );
    for body in [
        to_bench,
        json!({"kind": "reading", "ph": 6.0}),
        json!({"kind": "left", "volume": litres("3")}),
        json!({"kind": "discard"}),
    ] {
        let refused = mixing.tell(VOLUNTEER, body.clone()).await.expect(409);
        assert_eq!(refused.problem(), "wrong-state", "{body}");
    }
    let noted = mixing
        .told(
            VOLUNTEER,
            json!({"kind": "note", "note": "bucket scrubbed"}),
        )
        .await;
    assert_eq!(noted.body["state"], "discarded");
}

#[actix_web::test]
async fn solution_goes_to_stations_and_sowings_of_the_site() {
    let mixing = Mixing::begin().await;
    go_to(&mixing.api, "2026-09-08T12:00:00Z").await;
    let sowing = sow(&mixing.garden, TestSowing::default()).await;
    mixing.told(VOLUNTEER, json!({"kind": "ready"})).await;
    let elsewhere = Uuid::now_v7();
    sqlx::query(
        "insert into station (id, cooperative_id, site_id, container_kind_id, name, method, places, environment)
         select $1, cooperative_id, $3, container_kind_id, name, method, places, environment from station where id = $2",
    )
    .bind(elsewhere)
    .bind(mixing.garden.station_id)
    .bind(mixing.garden.other_site_id)
    .execute(&mixing.garden.pool)
    .await
    .unwrap();
    let volume = litres("1");
    for (body, pointer) in [
        (json!({"kind": "use", "volume": volume}), "/station_id"),
        (
            json!({"kind": "use", "volume": litres("0"), "sowing_id": sowing}),
            "/volume",
        ),
        (
            json!({"kind": "use", "volume": litres("-1"), "sowing_id": sowing}),
            "/volume",
        ),
        (
            json!({"kind": "use", "volume": {"value": "1", "unit": "kg"}, "sowing_id": sowing}),
            "/volume",
        ),
        (
            json!({"kind": "use", "volume": volume, "sowing_id": Uuid::now_v7()}),
            "/sowing_id",
        ),
        (
            json!({"kind": "use", "volume": volume, "station_id": Uuid::now_v7()}),
            "/station_id",
        ),
        (
            json!({"kind": "use", "volume": volume, "station_id": elsewhere}),
            "/station_id",
        ),
    ] {
        let reply = mixing.tell(VOLUNTEER, body.clone()).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}: {}", reply.text);
    }
    let mut both = json!({"kind": "use", "volume": volume, "station_id": mixing.garden.station_id, "sowing_id": sowing});
    // roots hang in the air by now: what would drown them is refused, with the limit and its source
    let refused = mixing.tell(VOLUNTEER, both.clone()).await.expect(409);
    assert!(
        refused.text.contains("past-refill-limit"),
        "{}",
        refused.text
    );
    assert!(
        refused.text.contains("Acta Horticulturae"),
        "{}",
        refused.text
    );
    assert!(refused.body["refill_limit"]["highest"]["value"].is_string());
    // what has been poured already is written down, with the reason
    both["past_limit_accepted"] = json!(true);
    let unsaid = mixing.tell(VOLUNTEER, both.clone()).await.expect(422);
    assert_eq!(unsaid.pointers(), ["/note"]);
    both["note"] = json!("poured before anybody looked");
    let told = mixing.told(VOLUNTEER, both.clone()).await;
    assert_eq!(last_entry(&told)["sowing_id"], json!(sowing));
    // reported late, it counts where it happened
    let mut late = both;
    late["happened_at"] = json!("2026-09-08T11:00:00Z");
    let told = mixing.told(VOLUNTEER, late).await;
    assert_eq!(told.body["left"], json!({"value": "18000", "unit": "mL"}));
    let more = json!({"kind": "left", "volume": litres("19")});
    assert_eq!(mixing.told(VOLUNTEER, more).await.body["state"], "in_use");
}

#[actix_web::test]
async fn a_repeated_entry_counts_once() {
    let mixing = Mixing::begin().await;
    mixing.ph(7.4).await;
    let path = format!("/batches/{}/entries", mixing.batch);
    let dose = json!({"kind": "dose", "product_id": mixing.cupboard.acid, "amount": {"value": "20", "unit": "mL"}});
    let once = || {
        mixing.api.send(
            mixing
                .api
                .request(LEAD, Method::POST, &path)
                .insert_header(("idempotency-key", "dose 1"))
                .set_json(&dose),
        )
    };
    let first = once().await.expect(201);
    assert_eq!(once().await.expect(201).body, first.body);
    let doses: i64 = sqlx::query_scalar("select count(*) from batch_entry where kind = 'dose'")
        .fetch_one(&mixing.garden.pool)
        .await
        .unwrap();
    assert_eq!(doses, 1);
}

/// A second batch of the same water and recipe begins with what the first one taught.
#[actix_web::test]
async fn earlier_batches_teach_the_next() {
    let mixing = Mixing::begin().await;
    let path = format!("/batches/{}", mixing.batch);
    let first = mixing.api.get(LEAD, &path).await.expect(200);
    let computed: f64 = first.body["next_step"]["remaining"]["estimate"]["value"]
        .as_str()
        .unwrap()
        .parse()
        .unwrap();
    assert_eq!(first.body["next_step"]["buffer"]["earlier_batches"], 0);
    // this water takes much more than its report tells
    mixing.ph(7.4).await;
    mixing.pour("60").await.expect(201);
    let told = mixing.ph(7.0).await;
    let factor = told.body["next_step"]["buffer"]["factor"].as_f64().unwrap();
    assert!(factor > 1.05, "{}", told.text);
    let input = batch_input(&mixing.garden, &mixing.cupboard, "20");
    let next = mixing
        .api
        .post(COORDINATOR, "/batches", input)
        .await
        .expect(201);
    let buffer = &next.body["next_step"]["buffer"];
    assert_eq!(
        (&buffer["earlier_batches"], &buffer["observations"]),
        (&json!(1), &json!(0))
    );
    let learned = buffer["factor"].as_f64().unwrap();
    assert!(learned > 1.02, "{buffer}");
    let more: f64 = next.body["next_step"]["remaining"]["estimate"]["value"]
        .as_str()
        .unwrap()
        .parse()
        .unwrap();
    assert!(
        (more / computed / learned - 1.0).abs() < 0.02,
        "{more} after {computed}"
    );
}

/// Each is judged by what the one before it did, though all were judged at once by what was there before.
#[actix_web::test]
async fn doses_at_the_same_moment_are_judged_one_after_the_other() {
    let mixing = Mixing::begin().await;
    let read = mixing.ph(7.3).await;
    let portion = &read.body["next_step"]["amount"];
    assert_eq!(portion["unit"], "mL");
    let millilitres = portion["value"].as_str().unwrap();
    let replies = futures::future::join_all((0..4).map(|_| mixing.pour(millilitres))).await;
    let mut done = 0;
    for reply in replies {
        if reply.status == 201 {
            done += 1;
        } else {
            assert_eq!(reply.expect(409).problem(), "read-first");
        }
    }
    assert_eq!(done, 1);
}
