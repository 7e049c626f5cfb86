//! What a plan says of the future: chances, a margin, what would help, and its picture.

use chrono::NaiveDate;
use serde_json::{Value, json};

use crate::garden::{COORDINATOR, Garden};
use crate::plans::{grams, plan_input, read, solve_all, solved};
use crate::support::Api;

async fn result(api: &Api, input: Value) -> Value {
    let asked = api.post(COORDINATOR, "/plans", input).await.expect(202);
    solve_all(api).await;
    let plan = read(api, &asked.id()).await.body;
    assert_eq!(plan["status"], "solved", "{plan}");
    plan["result"].clone()
}

fn chances(result: &Value) -> Vec<&Value> {
    let weeks = result["weeks"].as_array().unwrap();
    weeks.iter().map(|week| &week["chance"]).collect()
}

#[actix_web::test]
async fn every_pledge_has_a_chance() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let plan = result(&api, plan_input("Autumn")).await;
    assert_eq!(
        (&plan["seasons"], &plan["margin"]),
        (&json!(10_000), &json!(null))
    );
    for (week, chance) in plan["weeks"].as_array().unwrap().iter().zip(chances(&plan)) {
        let met = chance["met_permille"].as_i64().unwrap();
        assert!((0..=1000).contains(&met));
        let band = ["low", "middle", "high"].map(|name| grams(&chance[name]));
        assert!(
            band.is_sorted() && band[2] <= grams(&week["pledged"]),
            "{chance}"
        );
        if met == 0 {
            assert!(grams(&chance["short"]) > 0.0);
        }
    }
    let summary = plan["summary"].as_str().unwrap();
    assert!(
        summary.contains("have a chance of 90 % or better"),
        "{summary}"
    );
    // the same plan has the same chances
    let again = result(&api, plan_input("Autumn again")).await;
    assert_eq!(chances(&plan), chances(&again));
}

#[actix_web::test]
async fn a_wanted_chance_makes_a_wider_plan() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    // room to sow more
    sqlx::query("update station set places = 80 where id = $1")
        .bind(garden.station_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let plain = result(&api, plan_input("Plain")).await;
    let mut wide = plan_input("Wide");
    wide["wanted_chance_permille"] = json!(800);
    let wide = result(&api, wide).await;
    let margin = &wide["margin"];
    assert_eq!(margin["wanted_permille"], 800);
    let count = |name: &str| margin[name].as_i64().unwrap();
    assert!(count("reached") > count("reached_before"), "{margin}");
    assert!(count("reached") <= count("asked") && count("asked") <= 9);
    assert_eq!(
        count("more_containers"),
        wide["containers"].as_i64().unwrap() - plain["containers"].as_i64().unwrap()
    );
    let mean = |result: &Value| -> i64 {
        let all = chances(result);
        all.iter()
            .map(|chance| chance["met_permille"].as_i64().unwrap())
            .sum()
    };
    assert!(mean(&wide) > mean(&plain));
    assert!(
        wide["summary"]
            .as_str()
            .unwrap()
            .contains("The wanted chance of 80 % is reached")
    );
    // every week that does not reach it is named, with its chance
    let missed = margin["not_reached"].as_array().unwrap();
    let unserved = missed.iter().filter(|cell| cell["can_be_served"] == false);
    assert_eq!(
        missed.len() as i64 - unserved.count() as i64,
        count("asked") - count("reached")
    );
    for cell in missed {
        assert!(cell["met_permille"].as_i64().unwrap() < 800, "{cell}");
        assert_eq!(cell["pledge_id"], json!(garden.pledge_id));
    }
}

#[actix_web::test]
async fn what_would_help_is_told_and_true() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let plan = result(&api, plan_input("Autumn")).await;
    let remedies = plan["remedies"].as_array().unwrap();
    let best = remedies
        .iter()
        .find(|remedy| remedy["kind"] == "places")
        .expect("the bench is too small for the pledge");
    assert_eq!(best["station_id"], json!(garden.station_id));
    assert!(grams(&best["less_short"]) >= 10.0);
    assert!(
        best["words"].as_str().unwrap().contains("at Bench"),
        "{best}"
    );
    // the cheapest first: what takes work alone, then by what has to be provided
    let order = ["null", "days", "litres_a_week", "places", "light"];
    let rank = |remedy: &Value| {
        let provide = remedy["cost"]["provide"].as_str().unwrap_or("null");
        order.iter().position(|kind| *kind == provide).unwrap()
    };
    assert!(
        remedies.len() <= 5 && remedies.is_sorted_by_key(rank),
        "{remedies:#?}"
    );
    let cost = &best["cost"];
    assert_eq!(
        (&cost["provide"], &cost["amount"]),
        (&json!("places"), &best["more"])
    );
    let each = grams(&best["less_short"]) / best["more"].as_f64().unwrap();
    assert!((grams(&cost["less_short_per_unit"]) - each).abs() < 0.001);
    // 0.05 points for a minute of work
    let minutes = cost["more_work_minutes"].as_f64().unwrap();
    assert!(
        (cost["points"].as_f64().unwrap() - 0.05 * minutes).abs() < 1e-6,
        "{cost}"
    );
    assert!(cost["more_containers"].as_i64().unwrap() > 0);
    let takes = cost["words"].as_str().unwrap();
    assert!(
        takes.contains("place") && takes.contains("container"),
        "{takes}"
    );
    assert!(best["words"].as_str().unwrap().contains(takes), "{best}");

    // made true, it brings at least about that much
    let path = format!("/stations/{}", garden.station_id);
    let station = api.get(COORDINATOR, &path).await.expect(200);
    let mut body = station.body.clone();
    body["places"] =
        json!(body["places"].as_i64().unwrap() + best["more"].as_f64().unwrap() as i64);
    let changed = sqlx::query("update station set places = $2 where id = $1")
        .bind(garden.station_id)
        .bind(i32::try_from(body["places"].as_i64().unwrap()).unwrap())
        .execute(&garden.pool)
        .await
        .unwrap();
    assert_eq!(changed.rows_affected(), 1);
    let after = result(&api, plan_input("With more places")).await;
    let less = grams(&plan["short"]) - grams(&after["short"]);
    assert!(less >= 0.8 * grams(&best["less_short"]), "{less} of {best}");
}

#[actix_web::test]
async fn the_picture_shows_every_sowing_cut_and_pledge() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    sqlx::query("update station set name = 'Bench <north> & \"east\"' where id = $1")
        .bind(garden.station_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let id = solved(&api, "Autumn & winter").await;
    let plan = read(&api, &id).await.body;
    let picture = api
        .get(COORDINATOR, &format!("/plans/{id}/picture"))
        .await
        .expect(200);
    assert_eq!(picture.headers["content-type"], "image/svg+xml");
    let document = roxmltree::Document::parse(&picture.text).unwrap();
    let count = |tag: &str| {
        let all = document.descendants();
        all.filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", tag)))
            .count()
    };
    let sowings = plan["result"]["sowings"].as_array().unwrap();
    let cuts: usize = sowings
        .iter()
        .map(|s| s["cuts"].as_array().unwrap().len())
        .sum();
    assert_eq!(count("circle"), cuts);
    let titles: Vec<&str> = document
        .descendants()
        .filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "title")))
        .filter_map(|node| node.text())
        .collect();
    for sowing in sowings {
        let said = format!(
            "{} {} at {}: sown on {}",
            sowing["containers"],
            sowing["crop_name"].as_str().unwrap(),
            sowing["station_name"].as_str().unwrap(),
            sowing["sow_on"].as_str().unwrap()
        );
        assert!(
            titles.iter().any(|title| title.contains(&said)),
            "{said}: {titles:?}"
        );
    }
    // what would help stands below
    let remedies = plan["result"]["remedies"].as_array().unwrap();
    assert!(!remedies.is_empty());
    for remedy in remedies {
        let words = remedy["words"].as_str().unwrap();
        let told = document.descendants().filter_map(|node| node.text());
        assert!(told.into_iter().any(|text| text.trim() == words), "{words}");
    }
    for week in plan["result"]["weeks"].as_array().unwrap() {
        let label = week["week"].as_str().unwrap();
        let of_week = titles.iter().filter(|title| title.starts_with(label));
        assert_eq!(of_week.count(), 1, "{label}");
    }
    // nothing stands outside of the page
    let number = |node: roxmltree::Node, name: &str| -> f64 {
        node.attribute(name)
            .map_or(0.0, |text| text.parse().unwrap())
    };
    let page = document.root_element();
    let (width, height) = (number(page, "width"), number(page, "height"));
    for box_ in document
        .descendants()
        .filter(|node| node.tag_name().name() == "rect")
    {
        assert!(
            number(box_, "x") >= 0.0 && number(box_, "x") + number(box_, "width") <= width + 0.2
        );
        assert!(
            number(box_, "y") >= 0.0 && number(box_, "y") + number(box_, "height") <= height + 0.2
        );
    }
    // earlier sowings stand further left
    let day = |text: &Value| text.as_str().unwrap().parse::<NaiveDate>().unwrap();
    let left = |sowing: &Value| {
        let said = format!("sown on {}", day(&sowing["sow_on"]));
        let title = document.descendants().find(|node| {
            node.tag_name().name() == "title" && node.text().is_some_and(|t| t.contains(&said))
        });
        number(title.unwrap().parent().unwrap(), "x")
    };
    for pair in sowings.windows(2) {
        let (first, second) = (&pair[0], &pair[1]);
        assert_eq!(
            day(&first["sow_on"]).cmp(&day(&second["sow_on"])),
            left(first).total_cmp(&left(second)),
        );
    }
}

#[actix_web::test]
async fn what_is_not_solved_is_not_drawn() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let asked = api
        .post(COORDINATOR, "/plans", plan_input("Autumn"))
        .await
        .expect(202);
    let path = format!("/plans/{}/picture", asked.id());
    assert_eq!(
        api.get(COORDINATOR, &path).await.expect(409).problem(),
        "wrong-state"
    );
}
