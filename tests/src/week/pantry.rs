//! Friday: packed, handed over, disputed, confirmed, told on paper, and traced.

use actix_web::http::Method;
use serde_json::{Value, json};

use super::Week;
use crate::cuts::grams;
use crate::deliveries::delivery_input;
use crate::garden::{COORDINATOR, LEAD, READER, VOLUNTEER};
use crate::reports::{fields, figures, paper, row, words};
use crate::sowings::at;
use crate::support::Reply;

impl Week {
    /// The delivery that was handed over.
    pub async fn packed_and_handed_over(&self, cut: &Reply) -> Reply {
        println!("Friday 23 October:");
        let (pack, deliver) = (self.first_of("pack").await, self.first_of("deliver").await);
        // claimed and given back: others hear that it is free
        crate::mail::choose(
            &self.api,
            COORDINATOR,
            json!({"kinds": ["task_free", "week_summary"]}),
        )
        .await;
        let claims = format!("{}/claims", super::path(&pack));
        self.api.act(LEAD, &claims).await.expect(201);
        let mine = format!("{claims}/mine");
        let back = self.api.request(LEAD, Method::DELETE, &mine);
        self.api.send(back).await.expect(204);
        self.begin(&pack, VOLUNTEER).await;
        let lines = [
            (cut.body["id"].as_str().unwrap(), "150"),
            (cut.body["id"].as_str().unwrap(), "100.5"),
        ];
        let input = delivery_input(&self.garden, &lines);
        let packed = self
            .api
            .post(VOLUNTEER, "/deliveries", input)
            .await
            .expect(201);
        self.work(LEAD, 7).await;
        assert_eq!(self.state(&pack).await, "held");
        let told = json!({"delivery_id": packed.id()});
        self.finish(VOLUNTEER, &pack, told.clone()).await;
        // the next are those of the cuts to come
        let of_today = async |kind: &str| {
            let all = self.of_kind(kind).await;
            all.iter()
                .filter(|it| super::day(it) == "2026-10-23")
                .count()
        };
        assert_eq!((of_today("pack").await, of_today("deliver").await), (0, 1));

        self.begin(&deliver, VOLUNTEER).await;
        let early = format!("{}/completion", super::path(&deliver));
        let refused = self.api.post(VOLUNTEER, &early, told.clone()).await;
        assert_eq!(refused.expect(409).problem(), "wrong-state");
        let given = json!({"received_by": "R. Okafor", "at": "2026-10-23T12:25:00Z",
            "temperature": {"value": "6", "unit": "Cel"}});
        let hand_over = format!("/deliveries/{}/hand_over", packed.id());
        let given = self
            .api
            .post(VOLUNTEER, &hand_over, given)
            .await
            .expect(200);
        let caution = given.body["cautions"][0]["text"].as_str().unwrap();
        assert!(caution.contains("above 5 °C (41 °F)"), "{caution}");
        self.work(LEAD, 7).await;
        self.finish(VOLUNTEER, &deliver, told).await;
        assert_eq!(of_today("deliver").await, 0);
        println!("  250.5 g to R. Okafor at 8:25 with 6 °C: {caution}");
        given
    }

    pub async fn disputed_corrected_and_confirmed(&self, delivery: &Reply) {
        let path = format!("/deliveries/{}", delivery.id());
        let line = &delivery.body["lines"][0]["id"];
        let found = json!({"reason": "Our scale shows less", "lines": [{"line_id": line, "weight": grams("140")}]});
        let disputes = format!("{path}/disputes");
        let opened = self.api.post(READER, &disputes, found).await.expect(201);
        let id = opened.body["disputes"][0]["id"].as_str().unwrap();
        let answer = json!({"statement": "Weighed without the lid", "corrections": [{"line_id": line, "weight": grams("140")}]});
        let answers = format!("{disputes}/{id}/answer");
        let answered = self.api.post(LEAD, &answers, answer);
        assert_eq!(answered.await.expect(201).body["total"], grams("240.5"));
        let confirmation = format!("{path}/confirmation");
        let confirmed = self.api.post(READER, &confirmation, json!({}));
        let confirmed = confirmed.await.expect(200);
        assert_eq!(confirmed.body["state"], "confirmed");
        println!("  {READER} finds 140 g for 150 g; corrected, and 240.5 g confirmed");
    }

    pub async fn reported_in_three_forms(&self) {
        at(&self.api, "2026-10-23T19:00:00Z", &super::PEOPLE).await;
        let path = "/reports/harvest?week=2026-W43";
        let body = self.api.get(READER, path).await.expect(200).body;
        let pantry = row(&body, "recipient", "Corner pantry");
        // promised 300 g
        let [pledged, _, _, _, delivered, short] = figures(pantry);
        assert_eq!((pledged, delivered, short), (300_000, 240_500, 59_500));
        let whole = self.api.get(COORDINATOR, path).await.expect(200).body;
        let [_, _, cut, waste, delivered, _] = figures(&whole["sum"]);
        assert_eq!((cut, waste, delivered), (262_345, 12_300, 240_500));

        let csv = self.api.get(READER, &format!("{path}&format=csv")).await;
        let csv = csv.expect(200);
        let lines: Vec<Vec<String>> = csv.text.lines().map(fields).collect();
        let told = lines
            .iter()
            .find(|line| line[2] == "Corner pantry")
            .unwrap();
        for (figure, weight) in [
            ("pledged_g", "300"),
            ("delivered_g", "240.5"),
            ("short_g", "59.5"),
        ] {
            let place = lines[0].iter().position(|head| head == figure).unwrap();
            let said: f64 = told[place].parse().unwrap();
            assert_eq!(said, weight.parse::<f64>().unwrap(), "{figure}");
        }
        let pdf = self.api.get(READER, &format!("{path}&format=pdf")).await;
        let pdf = pdf.expect(200);
        assert!(pdf.bytes.starts_with(b"%PDF"));
        let read = paper(&pdf.bytes);
        let pages: Vec<&str> = read["pages"]
            .as_array()
            .unwrap()
            .iter()
            .map(|page| page.as_str().unwrap())
            .collect();
        let text = words(&pages.join(" "));
        let kilograms = pantry["delivered"]["kg"].as_str().unwrap();
        assert!(
            text.contains("Corner pantry") && text.contains(kilograms),
            "{text}"
        );
        println!("The report: 240.5 g delivered of 300 g as JSON and CSV, {kilograms} kg on paper");
    }

    pub async fn traced_back(&self, cut: &Reply, batch: &str) {
        let code = cut.body["tray_code"].as_str().unwrap();
        let path = format!("/traces?of=cut&tray_code={code}");
        let trace = self.api.get(READER, &path).await.expect(200).body;
        let ids = |list: &str| -> Vec<Value> {
            let all = trace[list].as_array().unwrap().iter();
            all.map(|one| one["id"].clone()).collect()
        };
        assert!(ids("lots").contains(&json!(self.seed_lot)));
        for batch in [&self.old_batch, batch] {
            assert!(ids("batches").contains(&json!(batch)));
        }
        assert_eq!(ids("deliveries").len(), 1);
        println!("The tray goes back to seed lot 4711 and both batches");
    }

    pub async fn the_coordinator_reads_the_notices(&self) {
        let listed = self
            .api
            .get(COORDINATOR, "/notices?limit=200")
            .await
            .expect(200);
        let items = listed.body["items"].as_array().unwrap();
        for one in items {
            println!("  notice to {}: {}", one["member_name"], one["subject"]);
        }
        let summed = items
            .iter()
            .filter(|it| it["kind"] == "week_summary")
            .count();
        assert!(summed >= 4, "coordinator, lead and both volunteers");
        let free = items.iter().filter(|it| it["kind"] == "task_free");
        let subjects: Vec<&str> = free.map(|it| it["subject"].as_str().unwrap()).collect();
        assert!(
            subjects.iter().any(|it| it.starts_with("Free again: Pack")),
            "{subjects:?}"
        );
    }
}
