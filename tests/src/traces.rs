//! Traces: from a lot to every delivery, and from a tray back to all that went into it.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cupboard::{item, receive};
use crate::cuts::{cut_input, go_to, grams};
use crate::deliveries::delivery_input;
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::mixing::{Cupboard, batch_input, litres, qualify};
use crate::sowings::{event, sow};
use crate::support::{Api, Reply};

const SECOND_READER: &str = "second.reader@example.org";

/// A season in small: a lot of seed and one of medium, a batch of solution, two sowings of which one is cut, and a
/// tray that went to two recipients.
pub struct Season {
    pub api: Api,
    pub garden: Garden,
    pub seed_lot: String,
    pub medium_lot: String,
    pub batch: String,
    pub sowing: String,
    /// Sown with other seed, and watered with the same batch; never cut.
    pub other_sowing: String,
    pub cut: String,
    pub tray_code: String,
    pub second_recipient: Uuid,
    /// To the pantry, handed over.
    pub first: String,
    /// To the second recipient, packed.
    pub second: String,
}

impl Season {
    pub async fn grow() -> Self {
        let api = Api::new().await;
        let garden = Garden::plant(&api).await;
        let cupboard = Cupboard::fill(&api, &garden).await;
        qualify(&garden, LEAD, "2026-09-01", None).await;
        let seed = json!({"name": "Lettuce seed", "category": "seed", "dimension": "mass", "crop_id": garden.crop_id});
        let seed = api
            .post(COORDINATOR, "/stock_items", seed)
            .await
            .expect(201);
        let seed_lot = receive(&api, &garden, &seed.id(), "4711", "5", json!({})).await;
        let other_lot = receive(&api, &garden, &seed.id(), "4712", "5", json!({})).await;
        let medium = item(&api, "Clay pebbles").await;
        let medium_lot = receive(&api, &garden, &medium, "M1", "5000", json!({})).await;
        let sowing = sow(&api, &garden, 4, "2026-09-07").await.expect(201).id();
        let other_sowing = sow(&api, &garden, 4, "2026-09-07").await.expect(201).id();
        let draw = async |lot: &str, weight: &str, sowing: Option<&str>| {
            let input = json!({"kind": "issue", "site_id": garden.site_id, "lot_id": lot, "amount": grams(weight), "sowing_id": sowing});
            let made = api.post(VOLUNTEER, "/movements", input).await.expect(201);
            made.body["movements"][0]["id"].clone()
        };
        draw(&seed_lot, "0.012", Some(&sowing)).await;
        draw(&medium_lot, "200", Some(&sowing)).await;
        draw(&medium_lot, "100", Some(&sowing)).await;
        draw(&medium_lot, "7", None).await;
        draw(&other_lot, "0.012", Some(&other_sowing)).await;
        // taken for the other sowing by mistake, and brought back
        let mistake = draw(&seed_lot, "0.5", Some(&other_sowing)).await;
        let back = json!({"kind": "reverse", "movement_id": mistake, "reason": "Wrong bag"});
        api.post(LEAD, "/movements", back).await.expect(201);
        for id in [&sowing, &other_sowing] {
            event(&api, VOLUNTEER, id, json!({"kind": "sown"}))
                .await
                .expect(201);
        }
        let batch = api
            .post(VOLUNTEER, "/batches", batch_input(&garden, &cupboard, "40"))
            .await
            .expect(201)
            .id();
        let tell = async |body: Value| {
            let path = format!("/batches/{batch}/entries");
            api.post(VOLUNTEER, &path, body).await.expect(201)
        };
        tell(json!({"kind": "ready"})).await;
        let pour = |volume: &str, place: (&str, Value)| json!({"kind": "use", "volume": litres(volume), place.0: place.1, "past_limit_accepted": true, "note": "First filling"});
        tell(pour("14", ("sowing_id", json!(sowing)))).await;
        // at the bench, without saying for which of the two
        tell(pour("6", ("station_id", json!(garden.station_id)))).await;
        go_to(&api, "2026-09-11T15:00:00Z").await;
        event(
            &api,
            LEAD,
            &sowing,
            json!({"kind": "sprouted", "sprouted_containers": 4}),
        )
        .await
        .expect(201);
        go_to(&api, "2026-10-19T15:00:00Z").await;
        let cut = cut_input(sowing.parse().unwrap(), "400");
        let cut = api.post(VOLUNTEER, "/cuts", cut).await.expect(201);
        let second =
            json!({"name": "Soup kitchen", "kind": "kitchen", "delivery_weekdays": ["monday"]});
        let second = api
            .post(COORDINATOR, "/recipients", second)
            .await
            .expect(201);
        let second_recipient: Uuid = second.id().parse().unwrap();
        let lines = [(cut.body["id"].as_str().unwrap(), "250")];
        let input = delivery_input(&garden, &lines);
        let first = api.post(VOLUNTEER, "/deliveries", input).await.expect(201);
        let lines = [(cut.body["id"].as_str().unwrap(), "100")];
        let mut input = delivery_input(&garden, &lines);
        input["recipient_id"] = json!(second_recipient);
        let to_second = api.post(VOLUNTEER, "/deliveries", input).await.expect(201);
        let hand_over = format!("/deliveries/{}/hand_over", first.id());
        api.post(VOLUNTEER, &hand_over, json!({"received_by": "R. Okafor"}))
            .await
            .expect(200);
        garden
            .join(
                &api,
                SECOND_READER,
                &[("reader", None, Some(second_recipient))],
            )
            .await;
        Self {
            seed_lot,
            medium_lot,
            sowing,
            other_sowing,
            cut: cut.id(),
            tray_code: cut.body["tray_code"].as_str().unwrap().to_owned(),
            second_recipient,
            first: first.id(),
            second: to_second.id(),
            batch,
            api,
            garden,
        }
    }

    pub async fn ask(&self, who: &str, query: &str) -> Reply {
        self.api.get(who, &format!("/traces?{query}")).await
    }

    async fn trace(&self, query: &str) -> Value {
        self.ask(COORDINATOR, query).await.expect(200).body
    }

    async fn line_of(&self, delivery: &str) -> Value {
        let path = format!("/deliveries/{delivery}");
        self.api.get(COORDINATOR, &path).await.expect(200).body["lines"][0]["id"].clone()
    }

    pub async fn correct_delivery(&self, delivery: &str, weight: &str) {
        let line = self.line_of(delivery).await;
        let input = json!({"line_id": line, "weight": grams(weight), "reason": "Weighed again"});
        let path = format!("/deliveries/{delivery}/corrections");
        self.api.post(LEAD, &path, input).await.expect(201);
    }
}

/// Ids of a list of a trace, sorted.
fn ids(trace: &Value, list: &str) -> Vec<String> {
    let mut found: Vec<String> = trace[list]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["id"].as_str().unwrap().to_owned())
        .collect();
    found.sort();
    found
}

fn sorted<const N: usize>(expected: [&str; N]) -> Vec<String> {
    let mut expected: Vec<String> = expected.map(str::to_owned).into();
    expected.sort();
    expected
}

fn millilitres(value: &str) -> Value {
    json!({"value": value, "unit": "mL"})
}

fn edges<'a>(trace: &'a Value, from: &str, to: &str) -> Vec<&'a Value> {
    let all = trace["edges"].as_array().unwrap();
    let between = |edge: &&Value| edge["from_id"] == from && edge["to_id"] == to;
    all.iter().filter(between).collect()
}

#[track_caller]
fn edge<'a>(trace: &'a Value, from: &str, to: &str) -> &'a Value {
    edges(trace, from, to)
        .first()
        .copied()
        .unwrap_or_else(|| panic!("no edge from {from} to {to} in {trace:#}"))
}

#[actix_web::test]
async fn from_a_seed_lot_to_two_deliveries() {
    let season = Season::grow().await;
    let trace = season
        .trace(&format!("of=lot&direction=forward&id={}", season.seed_lot))
        .await;
    assert_eq!(ids(&trace, "lots"), [season.seed_lot.as_str()]);
    // what was brought back came to nothing
    assert_eq!(ids(&trace, "sowings"), [season.sowing.as_str()]);
    assert_eq!(ids(&trace, "batches"), Vec::<String>::new());
    assert_eq!(ids(&trace, "cuts"), [season.cut.as_str()]);
    assert_eq!(
        ids(&trace, "deliveries"),
        sorted([&season.first, &season.second])
    );
    let drawn = edge(&trace, &season.seed_lot, &season.sowing);
    assert_eq!(drawn["amount"], grams("0.012"));
    assert_eq!(drawn["first_at"], "2026-09-07T12:00:00Z");
    let packed = edge(&trace, &season.cut, &season.first);
    assert_eq!(packed["amount"], grams("250"));
    assert_eq!(
        edge(&trace, &season.sowing, &season.cut)["amount"],
        grams("400")
    );
    let pantry = season.garden.recipient_id.to_string();
    let handed = edge(&trace, &season.first, &pantry);
    assert_eq!(
        (&handed["amount"], &handed["first_at"]),
        (&grams("250"), &json!("2026-10-19T15:00:00Z"))
    );
    let recipients = trace["recipients"].as_array().unwrap();
    let named: Vec<_> = recipients
        .iter()
        .map(|one| (one["name"].as_str().unwrap(), one["weight"].clone()))
        .collect();
    assert_eq!(
        named,
        [
            ("Corner pantry", grams("250")),
            ("Soup kitchen", grams("100"))
        ]
    );
    assert_eq!(trace["deliveries"][0]["received_by"], "R. Okafor");
    assert_eq!(
        (&trace["cut_short"], &trace["narrowed"]),
        (&json!(false), &json!(false))
    );
    // who sowed, drew, cut and handed over
    let work = trace["work"].as_array().unwrap();
    let kinds: Vec<&str> = work
        .iter()
        .map(|one| one["kind"].as_str().unwrap())
        .collect();
    for kind in ["sown", "drawn", "sprouted", "cut", "handed_over"] {
        assert!(kinds.contains(&kind), "{kind} in {kinds:?}");
    }
    assert_eq!(work[0]["member_name"], VOLUNTEER);

    // of the medium 7 g were drawn for nothing that is known
    let trace = season
        .trace(&format!(
            "of=lot&direction=forward&id={}",
            season.medium_lot
        ))
        .await;
    assert_eq!(trace["lots"][0]["untied"], grams("7"));
    let drawn = edge(&trace, &season.medium_lot, &season.sowing);
    assert_eq!(drawn["amount"], grams("300"));
}

#[actix_web::test]
async fn from_a_batch_to_what_was_watered_and_from_its_salts() {
    let season = Season::grow().await;
    let trace = season.trace(&format!("of=batch&id={}", season.batch)).await;
    assert_eq!(
        ids(&trace, "sowings"),
        sorted([&season.sowing, &season.other_sowing])
    );
    let poured: Vec<_> = edges(&trace, &season.batch, &season.sowing)
        .iter()
        .map(|edge| (edge["basis"].clone(), edge["amount"].clone()))
        .collect();
    assert_eq!(poured.len(), 2);
    assert!(poured.contains(&(json!("recorded"), millilitres("14000"))));
    assert!(poured.contains(&(json!("same_station"), Value::Null)));
    // only that it stood at the bench is known
    let near = edge(&trace, &season.batch, &season.other_sowing);
    assert_eq!(
        (&near["basis"], &near["amount"]),
        (&json!("same_station"), &Value::Null)
    );
    let bench = season.garden.station_id.to_string();
    assert_eq!(
        edge(&trace, &season.batch, &bench)["amount"],
        millilitres("6000")
    );
    assert_eq!(ids(&trace, "stations"), [bench.as_str()]);
    // back from it: its four salts
    assert_eq!(trace["lots"].as_array().unwrap().len(), 4);
    assert_eq!(
        ids(&trace, "deliveries"),
        sorted([&season.first, &season.second])
    );
    // a salt comes to the same deliveries
    let salt = trace["lots"][0]["id"].as_str().unwrap();
    let forward = season
        .trace(&format!("of=lot&direction=forward&id={salt}"))
        .await;
    assert_eq!(ids(&forward, "batches"), [season.batch.as_str()]);
    assert_eq!(ids(&forward, "deliveries"), ids(&trace, "deliveries"));

    // withdrawn, the pouring for the sowing counts no more; the bench remains
    let path = format!("/batches/{}", season.batch);
    let detail = season.api.get(LEAD, &path).await.expect(200);
    let entries = detail.body["entries"].as_array().unwrap();
    let uses: Vec<&Value> = entries.iter().filter(|e| e["kind"] == "use").collect();
    for (wrong, expected) in [
        (uses[0], sorted([&season.sowing, &season.other_sowing])),
        (uses[1], Vec::new()),
    ] {
        let input =
            json!({"kind": "withdrawn", "withdraws_id": wrong["id"], "note": "Other batch"});
        season
            .api
            .post(LEAD, &format!("{path}/entries"), input)
            .await
            .expect(201);
        let trace = season
            .trace(&format!("of=batch&direction=forward&id={}", season.batch))
            .await;
        assert_eq!(ids(&trace, "sowings"), expected);
    }
}

#[actix_web::test]
async fn back_from_a_tray_to_all_that_went_into_it() {
    let season = Season::grow().await;
    let query = format!("of=cut&direction=back&tray_code={}", season.tray_code);
    let trace = season.trace(&query).await;
    assert_eq!(trace["id"], json!(season.cut));
    assert_eq!(ids(&trace, "sowings"), [season.sowing.as_str()]);
    assert_eq!(ids(&trace, "batches"), [season.batch.as_str()]);
    // seed, medium and four salts
    let lots = ids(&trace, "lots");
    assert_eq!(lots.len(), 6);
    assert!(lots.contains(&season.seed_lot) && lots.contains(&season.medium_lot));
    assert_eq!(ids(&trace, "deliveries"), Vec::<String>::new());
    let from_delivery = season
        .trace(&format!("of=delivery&direction=back&id={}", season.first))
        .await;
    assert_eq!(ids(&from_delivery, "lots"), lots);
    assert_eq!(from_delivery["deliveries"][0]["weight"], grams("250"));
    // station, sowing and member come to the same trays
    let volunteer: Uuid = sqlx::query_scalar("select id from member where email = $1")
        .bind(VOLUNTEER)
        .fetch_one(&season.garden.pool)
        .await
        .unwrap();
    let station = season.garden.station_id;
    for query in [
        format!("of=station&id={station}&first_day=2026-09-01&last_day=2026-09-08"),
        format!("of=sowing&id={}", season.sowing),
        format!("of=member&id={volunteer}&first_day=2026-09-07&last_day=2026-09-08"),
        format!("of=member&id={volunteer}"),
    ] {
        let trace = season.trace(&query).await;
        assert_eq!(ids(&trace, "cuts"), [season.cut.as_str()], "{query}");
        assert_eq!(
            ids(&trace, "deliveries"),
            sorted([&season.first, &season.second]),
            "{query}"
        );
    }
    // on other days nothing stood there, and nobody did anything
    for query in [
        format!("of=station&id={station}&last_day=2026-09-06"),
        format!("of=member&id={volunteer}&first_day=2026-09-20&last_day=2026-10-10"),
    ] {
        let trace = season.trace(&query).await;
        assert_eq!(ids(&trace, "sowings"), Vec::<String>::new(), "{query}");
        assert_eq!(ids(&trace, "deliveries"), Vec::<String>::new(), "{query}");
    }
}

#[actix_web::test]
async fn corrections_of_cuts_and_deliveries_show() {
    let season = Season::grow().await;
    season.correct_delivery(&season.first, "240").await;
    let correction = json!({"weight": grams("390"), "reason": "Tray not taken off"});
    let path = format!("/cuts/{}/corrections", season.cut);
    season.api.post(LEAD, &path, correction).await.expect(201);
    let query = format!("of=lot&direction=forward&id={}", season.seed_lot);
    let trace = season.trace(&query).await;
    assert_eq!(
        edge(&trace, &season.cut, &season.first)["amount"],
        grams("240")
    );
    assert_eq!(
        edge(&trace, &season.sowing, &season.cut)["amount"],
        grams("390")
    );
    let cut = &trace["cuts"][0];
    assert_eq!(
        (&cut["first_weight"], &cut["weight"], &cut["delivered"]),
        (&grams("400"), &grams("390"), &grams("340"))
    );
    // it was not in that delivery at all
    season.correct_delivery(&season.second, "0").await;
    let trace = season.trace(&query).await;
    assert_eq!(ids(&trace, "deliveries"), [season.first.as_str()]);
    let tray = format!("of=cut&tray_code={}", season.tray_code);
    season.ask(SECOND_READER, &tray).await.expect(404);
}

#[actix_web::test]
async fn everybody_sees_what_is_theirs() {
    let season = Season::grow().await;
    let by_tray = format!("of=cut&tray_code={}", season.tray_code);
    let seen = season.ask(READER, &by_tray).await.expect(200).body;
    assert_eq!(ids(&seen, "deliveries"), [season.first.as_str()]);
    assert_eq!(seen["recipients"].as_array().unwrap().len(), 1);
    assert_eq!(ids(&seen, "lots").len(), 6);
    assert_eq!(
        (&seen["work"], &seen["cuts"][0]["delivered"]),
        (&json!([]), &Value::Null)
    );
    assert!(!seen.to_string().contains(&season.second));
    let own = format!("of=delivery&id={}", season.second);
    let seen = season.ask(SECOND_READER, &own).await.expect(200).body;
    assert_eq!(ids(&seen, "deliveries"), [season.second.as_str()]);
    let members = season.garden.pool.clone();
    let names: Vec<String> = sqlx::query_scalar("select id::text from member")
        .fetch_all(&members)
        .await
        .unwrap();
    assert!(names.iter().all(|id| !seen.to_string().contains(id)));
    // what a recipient did not get, they do not know of
    for query in [
        format!("of=delivery&id={}", season.second),
        format!("of=lot&id={}", season.seed_lot),
        format!("of=sowing&id={}", season.sowing),
        format!("of=batch&id={}", season.batch),
        format!("of=station&id={}", season.garden.station_id),
    ] {
        season.ask(READER, &query).await.expect(404);
    }
    // a volunteer of the site: all of it, without names
    let lot = format!("of=lot&id={}", season.seed_lot);
    let seen = season.ask(VOLUNTEER, &lot).await.expect(200).body;
    assert_eq!(
        ids(&seen, "deliveries"),
        sorted([&season.first, &season.second])
    );
    assert_eq!(
        (&seen["work"][0]["member_name"], &seen["narrowed"]),
        (&Value::Null, &json!(true))
    );
    for query in [&lot, &by_tray, &own] {
        season.ask(ELSEWHERE, query).await.expect(404);
    }
    // another co-operative
    let stranger = "stranger@example.org";
    season.api.found("Other", stranger).await;
    for query in [lot, by_tray, own] {
        season.ask(stranger, &query).await.expect(404);
    }
}

#[actix_web::test]
async fn a_trace_of_many_records_says_that_it_is_cut_short() {
    let season = Season::grow().await;
    let query = format!("of=lot&direction=forward&id={}", season.seed_lot);
    let whole = season.trace(&format!("{query}&limit=5")).await;
    assert_eq!(whole["cut_short"], false);
    let part = season.trace(&format!("{query}&limit=4")).await;
    assert_eq!(part["cut_short"], true);
    for (query, pointer) in [
        ("of=lot", "id"),
        ("of=luck&id=01920000-0000-7000-8000-000000000001", "of"),
        ("of=lot&tray_code=261005-KXRT", "tray_code"),
        ("of=cut&tray_code=261005-KXRT&direction=up", "direction"),
        ("of=cut&tray_code=261005-KXRT&limit=0", "limit"),
        (
            "of=cut&tray_code=261005-KXRT&first_day=2026-09-01",
            "first_day",
        ),
        (
            "of=station&id=01920000-0000-7000-8000-000000000001&first_day=2026-09-02&last_day=2026-09-01",
            "last_day",
        ),
    ] {
        let reply = season.ask(COORDINATOR, query).await.expect(422);
        assert_eq!(reply.pointers(), [pointer], "{query}");
    }
    season
        .ask(COORDINATOR, "of=cut&tray_code=261005-KXRT")
        .await
        .expect(404);
}
