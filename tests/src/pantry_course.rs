//! Random courses of cuts, corrections, deliveries, disputes and answers: whatever is tried in whatever
//! order, no more is delivered than was cut, reports add up, and each can be had again as it was.

use chrono::TimeDelta;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{TestSowing, cut_input, go_to, grams, sow};
use crate::deliveries::delivery_input;
use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, Reply};

const STEPS: usize = 60;

/// What a course has to work on.
struct Course<'a> {
    api: &'a Api,
    garden: &'a Garden,
    sowings: Vec<Uuid>,
    random: ChaCha8Rng,
    done: usize,
    refused: usize,
}

impl Course<'_> {
    fn weight(&mut self) -> String {
        let milligrams = self.random.random_range(1..300_000);
        format!("{}.{:03}", milligrams / 1000, milligrams % 1000)
    }

    fn pick<T: Clone>(&mut self, from: &[T]) -> Option<T> {
        (!from.is_empty()).then(|| from[self.random.random_range(0..from.len())].clone())
    }

    async fn items(&self, who: &str, path: &str) -> Vec<Value> {
        let reply = self.api.get(who, &format!("{path}limit=200")).await;
        reply.expect(200).body["items"].as_array().unwrap().clone()
    }

    /// Done, or refused for what the rules say; nothing else.
    fn judge(&mut self, reply: Option<Reply>) {
        let Some(reply) = reply else { return };
        match reply.status.as_u16() {
            200 | 201 => self.done += 1,
            409 => {
                let rules = [
                    "more-than-cut",
                    "wrong-state",
                    "dispute-open",
                    "poor-cut",
                    "implausible-weight",
                ];
                assert!(rules.contains(&reply.problem()), "{}", reply.text);
                self.refused += 1;
            }
            // the same weight, or less than nothing
            422 => self.refused += 1,
            other => panic!("{other}: {}", reply.text),
        }
    }

    async fn cut(&mut self) -> Option<Reply> {
        let sowing_id = self.pick(&self.sowings.clone())?;
        let mut input = cut_input(sowing_id, &self.weight());
        input["number"] = json!(1);
        input["waste"] = grams(&self.weight());
        input["quality"] = json!(["good", "fair", "poor"][self.random.random_range(0..3)]);
        Some(self.api.post(VOLUNTEER, "/cuts", input).await)
    }

    async fn correct_cut(&mut self, cuts: &[Value]) -> Option<Reply> {
        let cut = self.pick(cuts)?;
        let path = format!("/cuts/{}/corrections", cut["id"].as_str().unwrap());
        let mut body = json!({"reason": "Weighed again", "weight": grams(&self.weight())});
        if self.random.random() {
            body["waste"] = grams(&self.weight());
        }
        Some(self.api.post(LEAD, &path, body).await)
    }

    async fn pack(&mut self, cuts: &[Value]) -> Option<Reply> {
        let (first, second) = (self.pick(cuts)?, self.pick(cuts)?);
        let weights = [self.weight(), self.weight()];
        let ids = [&first, &second].map(|cut| cut["id"].as_str().unwrap());
        let lines = [(ids[0], weights[0].as_str()), (ids[1], weights[1].as_str())];
        let input = delivery_input(self.garden, &lines);
        Some(self.api.post(VOLUNTEER, "/deliveries", input).await)
    }

    /// Any step of a delivery, at its time or not.
    async fn handle(&mut self, deliveries: &[Value]) -> Option<Reply> {
        let delivery = self.pick(deliveries)?;
        let path = format!("/deliveries/{}", delivery["id"].as_str().unwrap());
        let found = self.api.get(LEAD, &path).await.expect(200).body;
        let line = self.pick(found["lines"].as_array().unwrap())?;
        let of_line = json!({"line_id": line["id"], "weight": grams(&self.weight())});
        let (who, step, body) = match self.random.random_range(0..5) {
            0 => (
                VOLUNTEER,
                "/hand_over".to_owned(),
                json!({"received_by": "R. Okafor"}),
            ),
            1 => (READER, "/confirmation".to_owned(), json!({})),
            2 => (
                READER,
                "/disputes".to_owned(),
                json!({"reason": "Our scale", "lines": [of_line]}),
            ),
            3 => {
                let mut body = of_line;
                body["reason"] = json!("Written down wrong");
                (LEAD, "/corrections".to_owned(), body)
            }
            _ => {
                let dispute = self.pick(found["disputes"].as_array().unwrap())?;
                let step = format!("/disputes/{}/answer", dispute["id"].as_str().unwrap());
                let lines = if self.random.random() {
                    json!([of_line])
                } else {
                    json!([])
                };
                (
                    LEAD,
                    step,
                    json!({"statement": "So it was", "corrections": lines}),
                )
            }
        };
        Some(self.api.post(who, &format!("{path}{step}"), body).await)
    }

    async fn step(&mut self) {
        self.api.bed.clock.advance(TimeDelta::seconds(7));
        let cuts = self.items(LEAD, "/cuts?").await;
        let deliveries = self.items(LEAD, "/deliveries?").await;
        let reply = match self.random.random_range(0..8) {
            0 | 1 => self.cut().await,
            2 => self.correct_cut(&cuts).await,
            3 | 4 => self.pack(&cuts).await,
            _ => self.handle(&deliveries).await,
        };
        self.judge(reply);
    }

    /// Of no cut more is in deliveries than was cut, and none of a poor one.
    async fn weights_are_true(&self) {
        let broken: Vec<(Uuid, i64, i64)> = sqlx::query_as(
            "select b.cut_id, b.milligrams, b.delivered_milligrams
               from cut_balance b join cut c on c.id = b.cut_id
              where b.delivered_milligrams > b.milligrams or b.milligrams < 0
                 or (c.quality = 'poor' and b.delivered_milligrams > 0)",
        )
        .fetch_all(&self.garden.pool)
        .await
        .unwrap();
        assert!(broken.is_empty(), "{broken:?}");
    }

    async fn report(&self, query: &str) -> Value {
        let path = format!("/reports/harvest?month=2026-10{query}");
        let body = self.api.get(COORDINATOR, &path).await.expect(200).body;
        let milligrams = |weight: &Value| -> i64 {
            let text = weight["g"].as_str().unwrap_or("0");
            let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
            format!("{whole}{decimals:0<3}").parse().unwrap()
        };
        for table in body["tables"].as_array().unwrap() {
            for figure in ["cut", "waste", "delivered"] {
                let rows = table["rows"].as_array().unwrap();
                let sum: i64 = rows.iter().map(|row| milligrams(&row[figure])).sum();
                assert_eq!(sum, milligrams(&body["sum"][figure]), "{figure} {table:#}");
            }
        }
        assert!(milligrams(&body["sum"]["delivered"]) <= milligrams(&body["sum"]["cut"]));
        body
    }
}

#[actix_web::test]
async fn whatever_is_tried_the_weights_stay_true() {
    for seed in 0..3 {
        let api = Api::new().await;
        let garden = Garden::plant(&api).await;
        go_to(&api, "2026-10-20T15:00:00Z").await;
        sqlx::query("update pledge set created_at = '2026-09-01T12:00:00Z'")
            .execute(&garden.pool)
            .await
            .unwrap();
        let mut sowings = Vec::new();
        for _ in 0..3 {
            sowings.push(sow(&garden, TestSowing::default()).await);
        }
        let mut course = Course {
            api: &api,
            garden: &garden,
            sowings,
            random: ChaCha8Rng::seed_from_u64(seed),
            done: 0,
            refused: 0,
        };
        let mut issued = Vec::new();
        for step in 0..STEPS {
            course.step().await;
            course.weights_are_true().await;
            if step % 15 == 14 {
                issued.push(course.report("").await);
            }
        }
        // the course went somewhere, and met the rules
        assert!(
            course.done > 15 && course.refused > 3,
            "{} {}",
            course.done,
            course.refused
        );
        for earlier in issued {
            let as_of = earlier["as_of"].as_str().unwrap();
            assert_eq!(course.report(&format!("&as_of={as_of}")).await, earlier);
        }
    }
}
