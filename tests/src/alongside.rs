//! Sowings of one batch that are cut on different days: their tasks are read, taken and finished together.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::claims::garden;
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, VOLUNTEER};
use crate::site_work::look;
use crate::sowings::{sowing_input, task_path};
use crate::support::Api;

/// A batch of seven containers, of which four are cut first a week before the other three; between their
/// tasks, in the order of ids, those of another crop that is sown on the same bench on the same day.
pub struct Batch {
    pub api: Api,
    pub garden: Garden,
    pub early: Value,
    pub late: Value,
    pub other: Value,
}

impl Batch {
    pub async fn sow() -> Self {
        let (api, garden) = garden().await;
        let other_crop = Uuid::now_v7();
        sqlx::query(
            "insert into crop (id, cooperative_id, crop_group_id, name, profile, sources)
             select $1, cooperative_id, crop_group_id, 'chervil', profile, sources from crop where id = $2",
        )
        .bind(other_crop)
        .bind(garden.crop_id)
        .execute(&garden.pool)
        .await
        .unwrap();
        let early = sow(&api, &garden, garden.crop_id, 4, "2026-10-15").await;
        let other = sow(&api, &garden, other_crop, 1, "2026-10-15").await;
        let late = sow(&api, &garden, garden.crop_id, 3, "2026-10-22").await;
        look(&api).await;
        Self {
            api,
            garden,
            early,
            late,
            other,
        }
    }

    /// Ids of the task of a kind of both sowings, in their order.
    pub fn ids(&self, kind: &str) -> [String; 2] {
        let of = |sowing| task_path(sowing, kind, None).replace("/tasks/", "");
        let mut ids = [of(&self.early), of(&self.late)];
        ids.sort_unstable();
        ids
    }

    async fn listed(&self, query: &str) -> Vec<Value> {
        let path = format!("/tasks?{query}");
        let reply = self.api.get(VOLUNTEER, &path).await.expect(200);
        reply.body["items"].as_array().unwrap().clone()
    }

    async fn now(&self, query: &str) -> Value {
        let path = format!("/sites/{}/work_now?{query}", self.garden.site_id);
        self.api.get(VOLUNTEER, &path).await.expect(200).body
    }

    pub async fn task(&self, id: &str) -> Value {
        let path = format!("/tasks/{id}");
        self.api.get(VOLUNTEER, &path).await.expect(200).body
    }
}

/// Sows containers on the bench today that are cut once, on a day.
pub async fn sow(api: &Api, garden: &Garden, crop_id: Uuid, containers: i32, cut: &str) -> Value {
    let mut input = sowing_input(garden, containers, "2026-09-07");
    input["crop_id"] = json!(crop_id);
    input["planned_cuts"] = json!([cut]);
    api.post(LEAD, "/sowings", input).await.expect(201).body
}

/// Id and ids alongside.
fn company(task: &Value) -> (String, Vec<String>) {
    let ids = task["alongside"].as_array().unwrap();
    let ids = ids.iter().map(|id| id.as_str().unwrap().to_owned());
    (task["id"].as_str().unwrap().to_owned(), ids.collect())
}

#[actix_web::test]
async fn a_batch_in_two_sowings_is_one_errand_in_every_list() {
    let batch = Batch::sow().await;
    let [one, two] = batch.ids("sow");
    let pair = [
        (one.clone(), vec![two.clone()]),
        (two.clone(), vec![one.clone()]),
    ];
    let of_batch = |items: &[Value]| -> Vec<(String, Vec<String>)> {
        let all = items.iter().map(company);
        all.filter(|(id, _)| [&one, &two].contains(&id)).collect()
    };
    let sowing = batch.listed("kind=sow").await;
    assert_eq!(sowing.len(), 3);
    assert_eq!(of_batch(&sowing), pair);
    let other = task_path(&batch.other, "sow", None).replace("/tasks/", "");
    let alone = sowing.iter().find(|task| task["id"] == other).unwrap();
    assert_eq!(alone["alongside"], json!([]));
    // whatever page the others are on
    let first = batch.listed("kind=sow&limit=1").await;
    assert_eq!(of_batch(&first), pair[..1]);
    // what is cut on different days is not one errand; what is done before is
    for (kind, together) in [
        ("mist", true),
        ("check_germination", true),
        ("cut", false),
        ("clear_and_clean", false),
    ] {
        let tasks = batch.listed(&format!("kind={kind}")).await;
        let crop = |task: &&Value| task["crop_id"] == json!(batch.garden.crop_id);
        let tasks: Vec<_> = tasks.iter().filter(crop).collect();
        assert!(tasks.len() >= 2, "{kind}");
        for task in tasks {
            let others = company(task).1.len();
            assert_eq!(others, usize::from(together), "{task:#}");
        }
    }
    let path = format!("/sowings/{}", batch.late["id"].as_str().unwrap());
    let sowing = batch.api.get(LEAD, &path).await.expect(200).body;
    assert_eq!(of_batch(sowing["tasks"].as_array().unwrap()), pair[1..]);
    batch
        .api
        .get(ELSEWHERE, &format!("/tasks/{one}"))
        .await
        .expect(404);
}

#[actix_web::test]
async fn a_sower_is_told_which_containers_stay_apart() {
    let batch = Batch::sow().await;
    let [one, two] = batch.ids("sow");
    let seen = batch.task(&two).await;
    assert_eq!(company(&seen), (two.clone(), vec![one.clone()]));
    let portion = |id: &str, sowing: &Value, containers: i32, day: &str| json!({"task_id": id, "sowing_id": sowing["id"], "containers": containers, "first_cut_on": day, "cuts_on": [day]});
    let portions = json!([
        portion(&one, &batch.early, 4, "2026-10-15"),
        portion(&two, &batch.late, 3, "2026-10-22")
    ]);
    assert_eq!(seen["portions"], portions);
    let last = seen["steps"].as_array().unwrap().last().unwrap();
    let last = last.as_str().unwrap();
    assert!(
        last.contains(
            "4 containers, first cut 15 October 2026; 3 containers, first cut 22 October 2026"
        ),
        "{last}"
    );
    let other = task_path(&batch.other, "sow", None).replace("/tasks/", "");
    let alone = batch.task(&other).await;
    assert_eq!(alone["portions"], json!([]));
    assert!(!alone["steps"].to_string().contains("portion"));
    let [look, _] = batch.ids("check_germination");
    let steps = batch.task(&look).await["steps"].to_string();
    assert!(steps.contains("Count each portion by itself"), "{steps}");
}

#[actix_web::test]
async fn work_now_has_one_line_for_a_batch() {
    let batch = Batch::sow().await;
    let [one, two] = batch.ids("sow");
    let now = batch.now("days_ahead=0").await;
    let items = now["items"].as_array().unwrap();
    let ids: Vec<&str> = items.iter().map(|it| it["id"].as_str().unwrap()).collect();
    let place = |id: &str| ids.iter().position(|it| *it == id).unwrap();
    // the task of the other crop was made in between
    assert_eq!(place(&two), place(&one) + 1, "{ids:?}");
    let groups = now["groups"].as_array().unwrap();
    assert_eq!(groups.len(), 1);
    let group = &groups[0];
    assert_eq!(group["task_ids"], json!([one, two]));
    let minutes = |id: &str| items[place(id)]["minutes"].as_i64().unwrap();
    assert_eq!(
        group["minutes"].as_i64().unwrap(),
        minutes(&one) + minutes(&two)
    );
    assert_eq!(
        json!([
            group["kind"],
            group["station_name"],
            group["crop_name"],
            group["finishing"],
            group["finishing_reason"],
            group["people_needed"],
            group["may_claim"],
            group["hindrance"]
        ]),
        json!([
            "sow",
            "Bench",
            "leaf lettuce",
            "at_once",
            null,
            1,
            true,
            null
        ])
    );
    // seven jars of 3.5 litres
    assert_eq!(group["needs"]["containers"], 7);
    assert_eq!(
        group["needs"]["solution"],
        json!({"value": "24500", "unit": "mL"})
    );
    // a list that ends among them reckons with all of them
    let few = batch.now(&format!("limit={}", place(&one) + 1)).await;
    let shown = few["items"].as_array().unwrap();
    assert_eq!(shown.last().unwrap()["id"], json!(one));
    assert_eq!(few["groups"], now["groups"]);
    let before = items.len() - shown.len();
    assert_eq!(few["more"], json!(before));
    // later days: misting and looking at what comes up
    let ahead = batch.now("days_ahead=3").await;
    let kinds: Vec<(&str, &str)> = ahead["groups"]
        .as_array()
        .unwrap()
        .iter()
        .map(|group| {
            (
                group["kind"].as_str().unwrap(),
                group["finishing"].as_str().unwrap(),
            )
        })
        .collect();
    assert!(kinds.contains(&("mist", "at_once")), "{kinds:?}");
    assert!(
        kinds.contains(&("check_germination", "at_once_with_counts")),
        "{kinds:?}"
    );
    assert!(!kinds.iter().any(|(kind, _)| *kind == "cut"));
}

#[actix_web::test]
async fn a_group_that_does_not_fit_says_so_though_each_of_it_would() {
    let batch = Batch::sow().await;
    let settings = batch.api.get(LEAD, "/work_settings").await.expect(200);
    let one_only = json!({"most_claims": 1});
    batch
        .api
        .put(COORDINATOR, "/work_settings", &settings.etag(), one_only)
        .await
        .expect(200);
    let now = batch.now("days_ahead=0").await;
    let items = now["items"].as_array().unwrap().iter();
    let sowing: Vec<&Value> = items.filter(|item| item["kind"] == "sow").collect();
    assert_eq!(sowing.len(), 3);
    assert!(sowing.iter().all(|item| item["may_claim"] == true));
    let group = &now["groups"][0];
    assert_eq!(
        json!([group["may_claim"], group["hindrance"]["code"]]),
        json!([false, "claim-limit"])
    );
}
