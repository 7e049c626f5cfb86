//! Monday: what comes by itself, and who does it.

use serde_json::{Value, json};

use super::{Week, day, path};
use crate::claims::{SECOND, id_of};
use crate::cuts::grams;
use crate::garden::{COORDINATOR, LEAD, VOLUNTEER};
use crate::mixing::litres;

impl Week {
    pub async fn monday_morning_list(&self) {
        let items = self.work(VOLUNTEER, 7).await;
        println!("Monday 19 October, half past eight:");
        for item in &items {
            println!(
                "  {} {} ({}), {} min, {}",
                day(item),
                item["kind"],
                item["suffers"],
                item["minutes"],
                if item["overdue"] == true {
                    "overdue"
                } else {
                    "in time"
                }
            );
            for part in ["steps", "cautions"] {
                assert!(!item[part].as_array().unwrap().is_empty(), "{item:#}");
            }
        }
        let rank = |item: &Value| {
            let suffers = ["living_today", "living_soon", "people", "work"];
            let place = suffers.iter().position(|it| item["suffers"] == *it);
            (
                item["overdue"] == false,
                place.unwrap(),
                item["window"]["due_at"].as_str().unwrap().to_owned(),
            )
        };
        assert!(items.is_sorted_by_key(rank));
        let found = |kind: &str| -> Vec<&str> {
            let of = items.iter().filter(|item| item["kind"] == kind);
            of.map(day).collect()
        };
        // every Monday; every third day; four weeks after the last; a day before it is needed
        assert_eq!(found("turn")[0], "2026-10-19");
        assert_eq!(found("count"), ["2026-10-19"]);
        assert_eq!(found("mix"), ["2026-10-21"]);
        assert_eq!(found("sow"), ["2026-10-22"]);
        assert_eq!(found("cut"), ["2026-10-22"]);
        // the pantry takes greens on Wednesdays and Fridays
        assert_eq!(found("pack"), ["2026-10-23"]);
        assert_eq!(found("deliver"), ["2026-10-23"]);
        assert!(!found("mist").is_empty() && !found("check_germination").is_empty());
        let none: [&str; 0] = [];
        assert_eq!(found("adjust"), none);
        assert!(!found("measure").is_empty());
        // two jars of 3.5 litres
        let mix = items.iter().find(|item| item["kind"] == "mix").unwrap();
        let seven = json!({"value": "7000", "unit": "mL"});
        assert_eq!(mix["needs"]["solution"], seven);
    }

    pub async fn a_limit_is_told_before_the_claim(&self) {
        let limit = async |most: i32| {
            let etag = self.api.get(COORDINATOR, "/work_settings").await.etag();
            let body = json!({"most_claims": most});
            let put = self.api.put(COORDINATOR, "/work_settings", &etag, body);
            put.await.expect(200);
        };
        limit(1).await;
        let turn = self.first_of("turn").await;
        let count = self.first_of("count").await;
        let claim = format!("{}/claims", path(&turn));
        self.api.act(VOLUNTEER, &claim).await.expect(201);
        let listed = self.work(VOLUNTEER, 7).await;
        let listed = listed.iter().find(|it| it["id"] == count["id"]).unwrap();
        let alone = self.api.get(VOLUNTEER, &path(&count)).await.body;
        for seen in [listed, &alone] {
            assert_eq!(seen["may_claim"], false);
            assert_eq!(seen["hindrance"]["code"], "claim-limit");
        }
        let claim = format!("{}/claims", path(&count));
        let refused = self.api.act(VOLUNTEER, &claim).await.expect(409);
        assert_eq!(refused.problem(), "claim-limit");
        assert_eq!(refused.body["detail"], alone["hindrance"]["detail"]);
        println!("  {VOLUNTEER}: {}", alone["hindrance"]["detail"]);
        limit(10).await;
        let again = self.api.get(VOLUNTEER, &path(&count)).await.body;
        assert_eq!(again["may_claim"], true);
    }

    pub async fn the_lead_shares_out_monday(&self) {
        for who in [LEAD, VOLUNTEER, SECOND] {
            let path = format!("/members/{}/availability", id_of(&self.garden, who).await);
            let etag = self.api.get(who, &path).await.expect(200).etag();
            let hours = json!([{"weekday": "monday", "from": "08:00", "to": "16:00"}]);
            let body = json!({"free_hours": hours, "days_away": []});
            self.api.put(who, &path, &etag, body).await.expect(200);
        }
        let site = format!("/sites/{}", self.garden.site_id);
        let query = format!("{site}/assignment_suggestion?from=2026-10-19&to=2026-10-19");
        let suggested = self.api.get(LEAD, &query).await.expect(200).body;
        assert_eq!(suggested["proven"], true);
        let pairs: Vec<Value> = suggested["assignments"]
            .as_array()
            .unwrap()
            .iter()
            .map(|each| json!({"task_id": each["task_id"], "member_id": each["member_id"]}))
            .collect();
        let count = self.first_of("count").await;
        assert!(pairs.iter().any(|pair| pair["task_id"] == count["id"]));
        let body = json!({"assignments": pairs});
        let assignments = format!("{site}/assignments");
        let made = self.api.post(LEAD, &assignments, body);
        let made = made.await.expect(200).body;
        assert_eq!(made["claims"].as_array().unwrap().len(), pairs.len());
        assert_eq!(made["left_out"], json!([]));
        assert_eq!(self.state(&count).await, "held");
        // whoever got something from the lead sees by whom
        let lead = json!(id_of(&self.garden, LEAD).await);
        let given = pairs.iter().find(|pair| pair["member_id"] != lead).unwrap();
        let given = format!("/tasks/{}", given["task_id"].as_str().unwrap());
        let held = self.api.get(LEAD, &given).await.body;
        assert_eq!(held["holders"][0]["assigned_by"]["name"], LEAD);
        println!("  {LEAD} shares out {} tasks of Monday", pairs.len());
    }

    pub async fn turned_and_looked_at(&self) {
        let turn = self.first_of("turn").await;
        self.perform(&turn, VOLUNTEER, json!({})).await;
        let next = self.first_of("turn").await;
        assert_eq!(day(&next), "2026-10-26");
        // nothing has come up, and it is looked at again three days later
        let check = self.first_of("check_germination").await;
        let nothing = json!({"sprouted_containers": 0});
        self.perform(&check, SECOND, nothing).await;
        let all = self.of_kind("check_germination").await;
        assert_eq!(day(&all[0]), "2026-10-22");
        assert_eq!(all[0]["sowing_id"], json!(self.second));
    }

    pub async fn the_store_is_counted(&self) {
        let task = self.first_of("count").await;
        let who = self.begin(&task, VOLUNTEER).await;
        let count = json!({"site_id": self.garden.site_id});
        let count = self.api.post(LEAD, "/stock_counts", count).await;
        let count = count.expect(201).id();
        let line = json!({"lot_id": self.seed_lot, "amount": grams("4.9")});
        let lines = format!("/stock_counts/{count}/lines");
        self.api.post(who, &lines, line).await.expect(201);
        self.post_count(&count).await;
        // whoever is at it says that it is done
        self.work(LEAD, 7).await;
        assert_eq!(self.state(&task).await, "held");
        self.finish(who, &task, json!({"stock_count_id": count}))
            .await;
        assert!(self.of_kind("count").await.is_empty());
        let stock = format!("/stock?site_id={}", self.garden.site_id);
        let stock = self.api.get(LEAD, &stock).await.expect(200);
        assert!(stock.text.contains("\"4.9\""), "{}", stock.text);
        println!("  {who} counts: 4.9 g of seed where 4.988 g were written down");
    }

    pub async fn a_reading_brings_an_adjustment(&self) {
        let measure = self.of_kind("measure").await;
        let measure = &measure[0];
        let figures = json!({"ph": 8.4, "conductivity": {"value": 1.5, "scale": "mS/cm"}});
        let done = self.perform(measure, VOLUNTEER, figures).await;
        let adjust = self.first_of("adjust").await;
        assert_eq!(day(&adjust), "2026-10-19");
        assert_eq!(adjust["qualification"], "concentrates");
        assert!(done.body["outcome"]["reading_id"].is_string());
        // and the level of the first jars is read: one litre in each
        let level = json!({"level": litres("1"), "air_roots": true});
        let levels = format!("/sowings/{}/level_readings", self.first);
        self.api.post(VOLUNTEER, &levels, level).await.expect(201);
        let top_up = self.first_of("top_up").await;
        assert_eq!(top_up["sowing_id"], json!(self.first));
        println!(
            "  pH 8.4: to be adjusted; 1 L left: to be topped up on {}",
            day(&top_up)
        );
        let mix = self.first_of("mix").await;
        println!(
            "  mixing of {} now on {}",
            mix["needs"]["solution"],
            day(&mix)
        );
        assert!(day(&mix) <= "2026-10-21");
        assert_ne!(mix["needs"]["solution"]["value"], "7000");
    }
}
