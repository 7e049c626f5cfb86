//! Topping up in parts: what is left is the containers that are left, at the level at which they stand.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::claims::garden;
use crate::cuts::go_to;
use crate::garden::{Garden, LEAD, VOLUNTEER};
use crate::mixing::{Cupboard, batch_input, litres};
use crate::site_work::look;
use crate::support::{Api, Reply};
use crate::top_ups::{read_level, sow, top_ups};

/// Four jars that stand at half a litre on 8 October, with roots in the air: two litres may go into each.
struct Thirsty {
    api: Api,
    garden: Garden,
    sowing: Uuid,
    batch: String,
}

impl Thirsty {
    async fn stand() -> Self {
        let (api, garden) = garden().await;
        let cupboard = Cupboard::fill(&api, &garden).await;
        let input = batch_input(&garden, &cupboard, "20");
        let made = api.post(VOLUNTEER, "/batches", input).await.expect(201);
        let batch = made.id();
        let ready = json!({"kind": "ready"});
        api.post(VOLUNTEER, &format!("/batches/{batch}/entries"), ready)
            .await
            .expect(201);
        let sowing = sow(&garden, "sprouted").await;
        go_to(&api, "2026-10-08T15:00:00Z").await;
        let low = json!({"level": litres("0.5"), "air_roots": true});
        read_level(&api, sowing, low).await;
        // what is poured in comes after the reading
        go_to(&api, "2026-10-08T15:30:00Z").await;
        let thirsty = Self {
            api,
            garden,
            sowing,
            batch,
        };
        thirsty.looked().await;
        thirsty
    }

    async fn looked(&self) {
        self.api.bed.app.queue_due_looks().await.unwrap();
        look(&self.api).await;
    }

    /// Top-ups in the list of what needs doing now.
    async fn to_do(&self) -> Vec<Value> {
        let path = format!("/sites/{}/work_now?days_ahead=1", self.garden.site_id);
        let body = self.api.get(VOLUNTEER, &path).await.expect(200).body;
        let items = body["items"].as_array().unwrap();
        let top_up = |item: &&Value| item["kind"] == "top_up";
        items.iter().filter(top_up).cloned().collect()
    }

    /// The one top-up, with its containers and litres as every list tells them.
    async fn one(&self, containers: i32, millilitres: i32) -> String {
        let to_do = self.to_do().await;
        assert_eq!(to_do.len(), 1, "{to_do:#?}");
        let solution = json!({"value": millilitres.to_string(), "unit": "mL"});
        let needs = &to_do[0]["needs"];
        assert_eq!(needs["containers"], containers);
        assert_eq!(needs["solution"], solution);
        assert_eq!(to_do[0]["containers_left"], containers);
        let path = format!("/tasks/{}", to_do[0]["id"].as_str().unwrap());
        let alone = self.api.get(LEAD, &path).await.expect(200).body;
        assert_eq!(alone["containers_left"], containers);
        let listed = top_ups(&self.api, &self.garden, "").await;
        let listed = &listed["items"][0];
        assert_eq!(
            json!([listed["containers"], listed["add_in_all"]]),
            json!([containers, solution])
        );
        path
    }

    async fn finish(&self, path: &str, body: Value) -> Reply {
        let path = format!("{path}/completion");
        self.api.post(LEAD, &path, body).await
    }

    async fn check(&self, volume: &str) -> Reply {
        let body = json!({"sowing_id": self.sowing, "volume": litres(volume)});
        self.api.post(VOLUNTEER, "/top_ups/checks", body).await
    }
}

#[actix_web::test]
async fn the_rest_of_a_top_up_is_the_containers_left() {
    let thirsty = Thirsty::stand().await;
    let path = thirsty.one(4, 8000).await;
    let part = |containers: i32, volume: &str| json!({"partial": true, "containers": containers, "volume": litres(volume), "batch_id": thirsty.batch});
    // five litres into two jars are half a litre too much in each, though not for four
    let refused = thirsty.finish(&path, part(2, "5")).await.expect(409);
    assert_eq!(refused.problem(), "past-refill-limit");
    let seen = thirsty.finish(&path, part(2, "4")).await.expect(200).body;
    assert_eq!(seen["containers_left"], 2);
    // before and after the next look: the same task, for the two that stand at half a litre
    for _ in 0..2 {
        assert_eq!(thirsty.one(2, 4000).await, path);
        thirsty.looked().await;
    }
    assert_eq!(thirsty.check("4").await.expect(200).body["containers"], 2);
    assert_eq!(
        thirsty.check("4.01").await.expect(409).problem(),
        "past-refill-limit"
    );
    // plain water into one of them; the last one keeps the task
    let water =
        json!({"partial": true, "containers": 1, "volume": litres("2"), "plain_water": true});
    thirsty.finish(&path, water).await.expect(200);
    thirsty.looked().await;
    assert_eq!(thirsty.one(1, 2000).await, path);
    go_to(&thirsty.api, "2026-10-09T15:00:00Z").await;
    thirsty.looked().await;
    let next_day = thirsty.to_do().await;
    assert_eq!(next_day.len(), 1);
    assert_eq!(next_day[0]["needs"]["containers"], 1);
    let rest = |volume: &str| json!({"volume": litres(volume), "batch_id": thirsty.batch});
    let refused = thirsty.finish(&path, rest("3")).await.expect(409);
    assert_eq!(refused.problem(), "past-refill-limit");
    let done = thirsty.finish(&path, rest("2")).await.expect(200).body;
    assert_eq!(done["state"], "done");
    // all four have had their two litres
    thirsty.looked().await;
    assert!(thirsty.to_do().await.is_empty());
    let listed = top_ups(&thirsty.api, &thirsty.garden, "&mark_permille=900").await;
    let listed = &listed["items"][0];
    assert_eq!(listed["containers"], 4);
    let level: f64 = listed["level"]["value"].as_str().unwrap().parse().unwrap();
    assert!((2300.0..=2500.0).contains(&level), "{level}");
    let path = format!("/batches/{}", thirsty.batch);
    let batch = thirsty.api.get(LEAD, &path).await.expect(200);
    assert_eq!(batch.body["left"], json!({"value": "14000", "unit": "mL"}));
}

#[actix_web::test]
async fn what_is_poured_in_beside_a_begun_top_up_makes_all_containers_alike_again() {
    let thirsty = Thirsty::stand().await;
    let path = thirsty.one(4, 8000).await;
    let part =
        json!({"partial": true, "containers": 2, "volume": litres("4"), "batch_id": thirsty.batch});
    thirsty.finish(&path, part).await.expect(200);
    thirsty.one(2, 4000).await;
    // somebody pours the rest without a word of the task
    go_to(&thirsty.api, "2026-10-08T16:00:00Z").await;
    let poured = json!({"kind": "use", "volume": litres("4"), "sowing_id": thirsty.sowing});
    let entries = format!("/batches/{}/entries", thirsty.batch);
    thirsty.api.post(LEAD, &entries, poured).await.expect(201);
    thirsty.looked().await;
    assert!(thirsty.to_do().await.is_empty());
    let dropped = thirsty.api.get(LEAD, &path).await.expect(200).body;
    assert_eq!(dropped["state"], "dropped");
    let listed = top_ups(&thirsty.api, &thirsty.garden, "&mark_permille=900").await;
    assert_eq!(listed["items"][0]["containers"], 4);
    assert_eq!(listed["items"][0]["level"]["value"], "2500");
}
