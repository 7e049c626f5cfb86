//! Planning again on a day on which something is to be sown: what somebody claimed stays as it is, and
//! where it cannot, that is said.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::claims::claim;
use crate::garden::{COORDINATOR, Garden, LEAD, VOLUNTEER};
use crate::plans::{adopt, plan_input, read, solve_all, solved};
use crate::sowings::at;
use crate::support::Api;

/// A co-operative on the first day of sowing of its plan, the task claimed by a volunteer.
struct DueDay {
    api: Api,
    garden: Garden,
    /// The plan in force.
    first: String,
    sowing_id: Uuid,
    day: String,
}

impl DueDay {
    async fn dawn() -> Self {
        let api = Api::new().await;
        let garden = Garden::plant(&api).await;
        let first = solved(&api, "First").await;
        adopt(&api, &first, false).await.expect(200);
        let (sowing_id, day, task_id): (Uuid, String, Uuid) = sqlx::query_as(
            "select s.id, s.sow_on::text, t.id from sowing s join task t on t.sowing_id = s.id and t.kind = 'sow'
              order by s.sow_on, s.id limit 1",
        )
        .fetch_one(&garden.pool)
        .await
        .unwrap();
        let noon = format!("{day}T13:00:00Z");
        at(&api, &noon, &[COORDINATOR, LEAD, VOLUNTEER]).await;
        claim(&api, VOLUNTEER, &format!("/tasks/{task_id}"))
            .await
            .expect(201);
        Self {
            api,
            garden,
            first,
            sowing_id,
            day,
        }
    }

    /// A plan of the weeks from this one on.
    async fn plan_again(&self, name: &str) -> (String, Value) {
        let day: chrono::NaiveDate = self.day.parse().unwrap();
        let mut input = plan_input(name);
        input["first_week"] = json!(day.format("%G-W%V").to_string());
        let asked = self.api.post(COORDINATOR, "/plans", input).await;
        let id = asked.expect(202).id();
        solve_all(&self.api).await;
        let plan = read(&self.api, &id).await.body;
        assert_eq!(plan["status"], "solved", "{plan}");
        (id, plan["result"].clone())
    }

    /// What is said of the claimed sowing.
    fn said(&self, told: &Value) -> Value {
        let all = told["due"].as_array().unwrap();
        let mine = all
            .iter()
            .find(|due| due["sowing_id"] == json!(self.sowing_id));
        mine.unwrap_or_else(|| panic!("{told:#}")).clone()
    }

    async fn compared_with(&self, second: &str) -> Value {
        let path = format!("/plans/comparisons?first={}&second={second}", self.first);
        self.api.get(COORDINATOR, &path).await.expect(200).body
    }

    async fn state(&self) -> (String, Option<String>) {
        sqlx::query_as("select state, lost_cause from sowing where id = $1")
            .bind(self.sowing_id)
            .fetch_one(&self.garden.pool)
            .await
            .unwrap()
    }

    /// State of the task of sowing it and how the claim ended.
    async fn task(&self) -> (String, Option<String>) {
        sqlx::query_as(
            "select t.state, c.end_kind from task t join claim c on c.task_id = t.id where t.sowing_id = $1 and t.kind = 'sow'",
        )
        .bind(self.sowing_id)
        .fetch_one(&self.garden.pool)
        .await
        .unwrap()
    }

    fn is_told(&self, list: &Value, words: &Value) -> bool {
        list.as_array().unwrap().contains(words)
    }
}

#[actix_web::test]
async fn what_is_claimed_for_today_stays_and_that_is_said() {
    let today = DueDay::dawn().await;
    let (second, result) = today.plan_again("Second").await;
    let due = today.said(&result);
    assert_eq!(
        (&due["kept"], &due["why"], &due["claims"], &due["sow_on"]),
        (&json!(true), &Value::Null, &json!(1), &json!(today.day))
    );
    let words = due["words"].as_str().unwrap();
    assert!(
        words.contains("leaf lettuce at Bench (North school)")
            && words.ends_with("claimed by one member, stays as it is"),
        "{words}"
    );
    assert!(today.is_told(&result["notes"], &due["words"]), "{result:#}");
    // nothing of the new plan is sown on that day, and the old sowing is no difference
    let compared = today.compared_with(&second).await;
    assert!(
        today.is_told(&compared["words"], &due["words"]),
        "{compared:#}"
    );
    assert_eq!(today.said(&compared), due);
    for list in ["only_first", "only_second"] {
        let mut days = compared[list].as_array().unwrap().iter();
        assert!(
            days.all(|sowing| sowing["sow_on"] != json!(today.day)),
            "{compared:#}"
        );
    }
    adopt(&today.api, &second, false).await.expect(200);
    assert_eq!(today.state().await, ("planned".to_owned(), None));
    assert_eq!(today.task().await, ("held".to_owned(), None));
}

#[actix_web::test]
async fn where_the_site_is_shut_it_is_changed_and_why_is_said() {
    let today = DueDay::dawn().await;
    sqlx::query(
        "insert into closure (id, cooperative_id, site_id, first_day, last_day, reason) values ($1, $2, $3, $4::date, $4::date, 'Storm')",
    )
    .bind(Uuid::now_v7())
    .bind(today.garden.cooperative_id)
    .bind(today.garden.site_id)
    .bind(&today.day)
    .execute(&today.garden.pool)
    .await
    .unwrap();
    let (second, result) = today.plan_again("Second").await;
    let due = today.said(&result);
    assert_eq!((&due["kept"], &due["claims"]), (&json!(false), &json!(1)));
    let why = format!("North school is closed on {}", today.day);
    assert_eq!(due["why"], json!(why));
    let words = due["words"].as_str().unwrap();
    assert!(
        words.ends_with(&format!(
            "claimed by one member, had to be changed, since {why}; it is planned anew"
        )),
        "{words}"
    );
    assert!(today.is_told(&result["notes"], &due["words"]));
    for sowing in result["sowings"].as_array().unwrap() {
        assert!(sowing["sow_on"].as_str().unwrap() > today.day.as_str());
    }
    let compared = today.compared_with(&second).await;
    assert!(
        today.is_told(&compared["words"], &due["words"]),
        "{compared:#}"
    );
    let mut gone = compared["only_first"].as_array().unwrap().iter();
    assert!(
        gone.any(|sowing| sowing["sow_on"] == json!(today.day)),
        "{compared:#}"
    );
    // put into force, it gives the sowing up, and whoever claimed it is free
    adopt(&today.api, &second, false).await.expect(200);
    let (state, cause) = today.state().await;
    assert_eq!(state, "lost");
    assert!(cause.unwrap().ends_with(&why));
    assert_eq!(
        today.task().await,
        ("dropped".to_owned(), Some("dropped".to_owned()))
    );
    // the next plan of that day says what became of it
    let (_, result) = today.plan_again("Third").await;
    let due = today.said(&result);
    let words = due["words"].as_str().unwrap();
    assert!(
        words.contains("claimed by one member, was lost:") && words.contains(&why),
        "{words}"
    );
}

#[actix_web::test]
async fn where_the_station_is_out_of_use_it_is_changed_and_why_is_said() {
    let today = DueDay::dawn().await;
    sqlx::query("update station set retired_at = now() where id = $1")
        .bind(today.garden.station_id)
        .execute(&today.garden.pool)
        .await
        .unwrap();
    let (_, result) = today.plan_again("Second").await;
    let due = today.said(&result);
    assert_eq!(
        (&due["kept"], &due["why"]),
        (&json!(false), &json!("Bench is out of use"))
    );
    // nothing is expected of it any more
    assert_eq!(result["sowings"], json!([]));
    assert_eq!(result["expected"]["value"], "0");
}
