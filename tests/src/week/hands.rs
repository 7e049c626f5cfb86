//! Monday afternoon to Thursday: solution, water, a phone without signal, late seedlings, the cut.

use chrono::TimeDelta;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{Week, day, path};
use crate::claims::SECOND;
use crate::cuts::grams;
use crate::garden::{LEAD, VOLUNTEER};
use crate::mixing::{batch_input, litres};
use crate::sowings::{read, task};
use crate::support::Reply;

impl Week {
    /// The batch that was mixed.
    pub async fn solution_is_mixed_and_read(&self) -> String {
        let mix = self.first_of("mix").await;
        self.begin(&mix, LEAD).await;
        let input = batch_input(&self.garden, &self.cupboard, "20");
        let batch = self
            .api
            .post(LEAD, "/batches", input)
            .await
            .expect(201)
            .id();
        // it is in the tub now, and whoever mixes is still at it
        let read = self.of_kind("measure").await;
        let read = read.iter().find(|it| it["batch_id"] == json!(batch));
        let read = read.expect("the batch is to be read").clone();
        assert_eq!(self.state(&mix).await, "held");
        let early = format!("{}/completion", path(&mix));
        let told = json!({"batch_id": batch});
        let refused = self.api.post(LEAD, &early, told.clone()).await.expect(409);
        assert_eq!(refused.problem(), "wrong-state");
        let figures = json!({"ph": 6.1, "conductivity": {"value": 2.1, "scale": "mS/cm"}});
        self.perform(&read, SECOND, figures).await;
        let kept = self.api.get(LEAD, &format!("/batches/{batch}")).await.body;
        let entry = &kept["entries"][0];
        assert_eq!(
            (&entry["kind"], &entry["ph"]),
            (&json!("reading"), &json!(6.1))
        );
        self.entry(LEAD, &batch, json!({"kind": "ready"})).await;
        self.finish(LEAD, &mix, told).await;
        assert!(self.of_kind("mix").await.is_empty());
        println!("  {LEAD} mixes 20 L, {SECOND} reads pH 6.1");
        batch
    }

    pub async fn the_adjustment_is_shown(&self, batch: &str) {
        let adjust = self.first_of("adjust").await;
        self.begin(&adjust, LEAD).await;
        let station = json!({"station_id": self.garden.station_id, "ph": 6.0});
        self.api.post(LEAD, "/readings", station).await.expect(201);
        self.work(LEAD, 7).await;
        assert_eq!(self.state(&adjust).await, "held");
        let kept = self.api.get(LEAD, &format!("/batches/{batch}")).await.body;
        let told = json!({"batch_id": batch, "batch_entry_id": kept["entries"][0]["id"]});
        self.finish(LEAD, &adjust, told).await;
        assert!(self.of_kind("adjust").await.is_empty());
        println!("  {LEAD} adjusts: pH 6.0 at the bench");
    }

    async fn left(&self, batch: &str) -> Value {
        let path = format!("/batches/{batch}");
        self.api.get(LEAD, &path).await.expect(200).body["left"]["value"].clone()
    }

    /// Millilitres in each jar of the first sowing.
    async fn level(&self) -> f64 {
        let site = self.garden.site_id;
        let path = format!("/top_ups?site_id={site}&mark_permille=900&days=30");
        let found = self.api.get(LEAD, &path).await.expect(200).body;
        let items = found["items"].as_array().unwrap();
        let jar = items.iter().find(|it| it["sowing_id"] == json!(self.first));
        let level = &jar.unwrap()["level"];
        assert_eq!(level["unit"], "mL");
        level["value"].as_str().unwrap().parse().unwrap()
    }

    /// The work of topping up the first sowing.
    async fn of_first(&self) -> Vec<Value> {
        let mut all = self.of_kind("top_up").await;
        all.retain(|it| it["sowing_id"] == json!(self.first));
        all
    }

    pub async fn topped_up(&self, batch: &str) {
        println!("Tuesday 20 October:");
        let before = self.level().await;
        let tasks = self.of_first().await;
        let told = json!({"volume": litres("5"), "batch_id": batch});
        self.perform(&tasks[0], VOLUNTEER, told).await;
        assert_eq!(self.left(batch).await, "15000");
        let after = self.level().await;
        assert!((after - before - 1250.0).abs() < 0.001);
        println!("  5 L out of the batch: {before} mL, then {after} mL in each jar");
        for next in self.of_first().await {
            assert_ne!(next["id"], tasks[0]["id"]);
            assert!(day(&next) > day(&tasks[0]));
        }
    }

    pub async fn topped_up_with_water(&self) {
        println!("Wednesday 21 October:");
        let level = json!({"level": litres("0.8"), "air_roots": true});
        let levels = format!("/sowings/{}/level_readings", self.first);
        self.api.post(VOLUNTEER, &levels, level).await.expect(201);
        let low = self.of_first().await;
        assert_eq!(low.len(), 1);
        assert_eq!(day(&low[0]), "2026-10-21");
        let completion = format!("{}/completion", path(&low[0]));
        self.begin(&low[0], VOLUNTEER).await;
        self.api.bed.clock.advance(TimeDelta::minutes(2));
        let unsaid = json!({"volume": litres("2")});
        let refused = self.api.post(VOLUNTEER, &completion, unsaid).await;
        assert_eq!(refused.expect(422).pointers(), ["/batch_id"]);
        let much = json!({"volume": litres("7.2"), "plain_water": true});
        let refused = self.api.post(VOLUNTEER, &completion, much).await;
        assert_eq!(refused.expect(409).problem(), "past-refill-limit");
        let water = json!({"volume": litres("2"), "plain_water": true});
        self.finish(VOLUNTEER, &low[0], water).await;
        // 0.8 L and half a litre in each
        assert_eq!(self.level().await, 1300.0);
        println!("  2 L of plain water: 800 mL, then 1300 mL in each jar");
        let next = self.of_first().await;
        assert_eq!(next.len(), 1, "it falls on");
        assert_ne!(next[0]["id"], low[0]["id"]);
        assert!(day(&next[0]) > "2026-10-21");
        self.api.bed.clock.advance(TimeDelta::minutes(2));
        // low all the same, and nothing was poured: not again on the same day
        let level = json!({"level": litres("0.8"), "air_roots": true});
        self.api.post(VOLUNTEER, &levels, level).await.expect(201);
        let low = self.of_first().await;
        assert_eq!(day(&low[0]), "2026-10-21");
        self.perform(&low[0], VOLUNTEER, json!({"volume": litres("0")}))
            .await;
        let again = self.of_first().await;
        assert_eq!((again.len(), day(&again[0])), (1, "2026-10-22"));
        assert_ne!(again[0]["id"], low[0]["id"]);
        println!(
            "  nothing poured: to be topped up again on {}",
            day(&again[0])
        );
    }

    pub async fn reported_from_a_phone_an_hour_later(&self) {
        let mist = self.first_of("mist").await;
        assert_eq!(day(&mist), "2026-10-21");
        self.begin(&mist, VOLUNTEER).await;
        let told =
            json!({"id": Uuid::now_v7(), "done_at": "2026-10-21T12:45:00Z", "note": "moist"});
        self.api
            .bed
            .clock
            .set("2026-10-21T13:45:00Z".parse().unwrap());
        self.api
            .sign_in(VOLUNTEER, crate::support::PASSWORD)
            .await
            .expect(201);
        self.api
            .sign_in(LEAD, crate::support::PASSWORD)
            .await
            .expect(201);
        let first = self.finish(VOLUNTEER, &mist, told.clone()).await;
        let again = self.finish(VOLUNTEER, &mist, told).await;
        assert_eq!(first.body, again.body);
        assert_eq!(first.body["done_at"], "2026-10-21T12:45:00Z");
        assert_eq!(first.body["recorded_done_at"], "2026-10-21T13:45:00Z");
        let reports = format!("/work_reports?task_id={}", mist["id"].as_str().unwrap());
        let reports = self.api.get(LEAD, &reports).await.expect(200).body;
        assert_eq!(reports["items"].as_array().unwrap().len(), 1);
        println!("  {VOLUNTEER} misted at 8:45, told twice at 9:45, counted once");
    }

    pub async fn sown_and_come_up_late(&self, batch: &str) {
        println!("Thursday 22 October:");
        let sow = self.first_of("sow").await;
        self.perform(&sow, SECOND, json!({})).await;
        let filling = json!({"kind": "use", "volume": litres("7"), "sowing_id": self.third});
        self.entry(SECOND, batch, filling).await;
        assert_eq!(self.left(batch).await, "8000");
        assert!(self.of_kind("sow").await.is_empty());
        let before = read(&self.api, &self.second).await;
        let mut checks = self.of_kind("check_germination").await;
        checks.retain(|it| it["sowing_id"] == json!(self.second));
        let up = json!({"sprouted_containers": 2});
        self.perform(&checks[0], VOLUNTEER, up).await;
        let after = read(&self.api, &self.second).await;
        let cut = |sowing: &Value| day(&task(sowing, "cut", Some(1))).to_owned();
        println!(
            "  up on the 22nd, not the 17th: cut on {}, not {}",
            cut(&after),
            cut(&before)
        );
        // five days late
        assert_eq!(before["planned_cuts"][0]["day"], "2026-11-23");
        assert_eq!(after["planned_cuts"][0]["day"], "2026-11-26");
        assert_eq!(cut(&after), "2026-11-26");
        let of_second = |it: &Value| it["sowing_id"] == json!(self.second);
        assert!(!self.of_kind("mist").await.iter().any(of_second));
    }

    /// The cut that was weighed.
    pub async fn cut_with_tare_and_waste(&self) -> Reply {
        let mut cuts = self.of_kind("cut").await;
        cuts.retain(|it| it["sowing_id"] == json!(self.first));
        let task = &cuts[0];
        self.begin(task, VOLUNTEER).await;
        let input = json!({"sowing_id": self.first, "task_id": task["id"], "gross": grams("512.345"),
            "tare": grams("250"), "waste": grams("12.3"), "quality": "good"});
        let cut = self.api.post(VOLUNTEER, "/cuts", input).await.expect(201);
        assert_eq!(cut.body["weight"], grams("262.345"));
        self.finish(VOLUNTEER, task, json!({})).await;
        let code = &cut.body["tray_code"];
        println!("  {VOLUNTEER} cuts 262.345 g and 12.3 g of waste: tray {code}");
        cut
    }
}
