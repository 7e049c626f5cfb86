//! One week of a co-operative, from Monday morning to the pantry's report on paper. Every piece of work
//! comes by itself from its cause, is done by somebody, and goes.

mod bench;
mod hands;
mod pantry;

use serde_json::{Value, json};

use crate::claims::SECOND;
use crate::cupboard::receive;
use crate::cuts::grams;
use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::mixing::{Cupboard, batch_input, litres, qualify as qualify_for_concentrates};
use crate::site_work::look;
use crate::sowings::{at, event, qualify, sow, sowing_input};
use crate::support::{Api, Reply};

const PEOPLE: [&str; 5] = [COORDINATOR, LEAD, VOLUNTEER, SECOND, READER];

/// What the week has to do with.
struct Week {
    api: Api,
    garden: Garden,
    cupboard: Cupboard,
    seed_lot: String,
    /// Four jars sown on 14 September, to be cut on Thursday.
    first: String,
    /// Two jars sown on 14 October, which come up late.
    second: String,
    /// Two jars to be sown on Thursday.
    third: String,
    /// The solution that the first was filled with; nothing of it is left.
    old_batch: String,
}

impl Week {
    /// The weeks before.
    async fn before() -> Self {
        let api = Api::new().await;
        let garden = Garden::plant(&api).await;
        let here = [("volunteer", Some(garden.site_id), None)];
        garden.join(&api, SECOND, &here).await;
        at(&api, "2026-09-14T12:00:00Z", &PEOPLE).await;
        qualify_for_concentrates(&garden, LEAD, "2026-09-01", None).await;
        for who in [LEAD, VOLUNTEER] {
            qualify(&garden, who, None).await;
        }
        let cupboard = Cupboard::fill(&api, &garden).await;
        let seed = json!({"name": "Lettuce seed", "category": "seed", "dimension": "mass", "crop_id": garden.crop_id});
        let seed = api
            .post(COORDINATOR, "/stock_items", seed)
            .await
            .expect(201)
            .id();
        let seed_lot = receive(&api, &garden, &seed, "4711", "5", json!({})).await;
        let old_batch = api
            .post(VOLUNTEER, "/batches", batch_input(&garden, &cupboard, "20"))
            .await
            .expect(201)
            .id();
        let mut week = Self {
            api,
            garden,
            cupboard,
            seed_lot,
            first: String::new(),
            second: String::new(),
            third: String::new(),
            old_batch,
        };
        week.grow().await;
        week
    }

    async fn grow(&mut self) {
        self.entry(VOLUNTEER, &self.old_batch, json!({"kind": "ready"}))
            .await;
        self.first = self.sown(4, "2026-09-14", "14").await;
        let draw = json!({"kind": "issue", "site_id": self.garden.site_id, "lot_id": self.seed_lot,
            "amount": grams("0.012"), "sowing_id": self.first});
        self.api
            .post(VOLUNTEER, "/movements", draw)
            .await
            .expect(201);
        at(&self.api, "2026-09-17T15:00:00Z", &PEOPLE).await;
        let up = json!({"kind": "sprouted", "sprouted_containers": 4});
        event(&self.api, LEAD, &self.first, up).await.expect(201);
        // counted for the last time four weeks before the Monday
        at(&self.api, "2026-09-21T15:00:00Z", &PEOPLE).await;
        let count = json!({"site_id": self.garden.site_id});
        let count = self
            .api
            .post(LEAD, "/stock_counts", count)
            .await
            .expect(201);
        self.post_count(&count.id()).await;
        at(&self.api, "2026-10-14T15:00:00Z", &PEOPLE).await;
        self.second = self.sown(2, "2026-10-14", "6").await;
        let third = sowing_input(&self.garden, 2, "2026-10-22");
        self.third = self
            .api
            .post(LEAD, "/sowings", third)
            .await
            .expect(201)
            .id();
    }

    /// A sowing of today, filled from the old batch.
    async fn sown(&self, containers: i32, day: &str, volume: &str) -> String {
        let made = sow(&self.api, &self.garden, containers, day)
            .await
            .expect(201);
        let id = made.id();
        event(&self.api, VOLUNTEER, &id, json!({"kind": "sown"}))
            .await
            .expect(201);
        let filling = json!({"kind": "use", "volume": litres(volume), "sowing_id": id});
        self.entry(VOLUNTEER, &self.old_batch, filling).await;
        id
    }

    async fn entry(&self, who: &str, batch: &str, body: Value) -> Value {
        let path = format!("/batches/{batch}/entries");
        self.api.post(who, &path, body).await.expect(201).body
    }

    async fn post_count(&self, count: &str) {
        let path = format!("/stock_counts/{count}");
        let etag = self.api.get(LEAD, &path).await.expect(200).etag();
        let request = self
            .api
            .request(
                LEAD,
                actix_web::http::Method::POST,
                &format!("{path}/posting"),
            )
            .insert_header(("if-match", etag));
        self.api.send(request).await.expect(200);
    }

    /// Moves the clock; the site is looked at when its day begins.
    async fn go(&self, instant: &str) {
        at(&self.api, instant, &PEOPLE).await;
        self.api.bed.app.queue_due_looks().await.unwrap();
        look(&self.api).await;
    }

    /// Everything to be done in the coming days, in order, as a member sees it.
    async fn work(&self, who: &str, days: u32) -> Vec<Value> {
        look(&self.api).await;
        let site = self.garden.site_id;
        let path = format!("/sites/{site}/work_now?days_ahead={days}&limit=200");
        let now = self.api.get(who, &path).await.expect(200);
        now.body["items"].as_array().unwrap().clone()
    }

    /// Work of a kind in the coming three weeks, whatever it is about.
    async fn of_kind(&self, kind: &str) -> Vec<Value> {
        let mut all = self.work(LEAD, 21).await;
        all.retain(|task| task["kind"] == kind);
        all.sort_by_key(|task| task["window"]["day"].as_str().unwrap().to_owned());
        all
    }

    async fn first_of(&self, kind: &str) -> Value {
        let all = self.of_kind(kind).await;
        all.first().unwrap_or_else(|| panic!("no {kind}")).clone()
    }

    /// Who holds it; taken by somebody where nobody does. They say that they are at it.
    async fn begin(&self, task: &Value, who: &'static str) -> &'static str {
        let path = path(task);
        let seen = self.api.get(LEAD, &path).await.expect(200).body;
        let holder = seen["holders"][0]["name"].as_str();
        let who = match PEOPLE.into_iter().find(|one| Some(*one) == holder) {
            Some(holder) => holder,
            None => {
                self.api
                    .act(who, &format!("{path}/claims"))
                    .await
                    .expect(201);
                who
            }
        };
        let begun = self
            .api
            .act(who, &format!("{path}/claims/mine/beginning"))
            .await;
        begun.expect(200);
        who
    }

    async fn finish(&self, who: &str, task: &Value, told: Value) -> Reply {
        let path = format!("{}/completion", path(task));
        let done = self.api.post(who, &path, told).await.expect(200);
        assert_eq!(done.body["state"], "done");
        done
    }

    /// Taken, begun and finished.
    async fn perform(&self, task: &Value, who: &'static str, told: Value) -> Reply {
        let who = self.begin(task, who).await;
        println!("  {who} does {} of {}", task["kind"], task["window"]["day"]);
        self.finish(who, task, told).await
    }

    async fn state(&self, task: &Value) -> Value {
        self.api.get(LEAD, &path(task)).await.expect(200).body["state"].clone()
    }
}

fn path(task: &Value) -> String {
    format!("/tasks/{}", task["id"].as_str().unwrap())
}

fn day(task: &Value) -> &str {
    task["window"]["day"].as_str().unwrap()
}

#[actix_web::test]
async fn from_monday_morning_to_the_report_of_the_pantry() {
    let week = Week::before().await;
    // what is told every Monday at six
    at(&week.api, "2026-10-19T10:00:00Z", &PEOPLE).await;
    week.api.bed.app.write_summaries().await.unwrap();
    week.go("2026-10-19T12:30:00Z").await;
    week.monday_morning_list().await;
    week.a_limit_is_told_before_the_claim().await;
    week.the_lead_shares_out_monday().await;
    week.turned_and_looked_at().await;
    week.the_store_is_counted().await;
    week.a_reading_brings_an_adjustment().await;
    let batch = week.solution_is_mixed_and_read().await;
    week.the_adjustment_is_shown(&batch).await;
    week.go("2026-10-20T13:00:00Z").await;
    week.topped_up(&batch).await;
    week.go("2026-10-21T12:30:00Z").await;
    week.topped_up_with_water().await;
    week.reported_from_a_phone_an_hour_later().await;
    week.go("2026-10-22T12:00:00Z").await;
    week.sown_and_come_up_late(&batch).await;
    let cut = week.cut_with_tare_and_waste().await;
    week.go("2026-10-23T12:30:00Z").await;
    let delivery = week.packed_and_handed_over(&cut).await;
    week.disputed_corrected_and_confirmed(&delivery).await;
    week.reported_in_three_forms().await;
    week.traced_back(&cut, &batch).await;
    week.the_coordinator_reads_the_notices().await;
}
