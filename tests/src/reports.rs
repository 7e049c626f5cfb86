//! The report of a harvest: one set of figures as JSON, CSV and PDF, reproducible as of an instant.

use std::path::{Path, PathBuf};
use std::process::Command;

use actix_web::http::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{TestSowing, cut_input, go_to, grams, sow};
use crate::deliveries::delivery_input;
use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::support::{Api, Reply};

/// Names with letters outside Latin-1, and one that a spreadsheet would take for a formula.
const PANTRY: &str = "Bếp ăn Phường Thượng – ĂŁŚčŽ ΩΔ Ждюй";
const KITCHEN: &str = "=Kitchen";
const FIGURES: [&str; 6] = ["pledged", "expected", "cut", "waste", "delivered", "short"];

/// A garden whose pledge of 300 g of greens a week, 2026-W43 to 2026-W51, was made before the season,
/// with a kitchen that was promised nothing.
pub async fn garden(api: &Api) -> (Garden, Uuid) {
    let garden = Garden::plant(api).await;
    for statement in [
        "update pledge set created_at = '2026-09-01T12:00:00Z'".to_owned(),
        format!("update recipient set name = '{PANTRY}'"),
    ] {
        sqlx::query(sqlx::AssertSqlSafe(statement))
            .execute(&garden.pool)
            .await
            .unwrap();
    }
    let kitchen = Uuid::now_v7();
    sqlx::query("insert into recipient (id, cooperative_id, name, kind, delivery_weekdays) values ($1, $2, $3, 'kitchen', '{3}')")
        .bind(kitchen)
        .bind(garden.cooperative_id)
        .bind(KITCHEN)
        .execute(&garden.pool)
        .await
        .unwrap();
    (garden, kitchen)
}

async fn give(api: &Api, garden: &Garden, recipient: Uuid, cut_id: &str, weight: &str) -> Reply {
    let mut input = delivery_input(garden, &[(cut_id, weight)]);
    input["recipient_id"] = json!(recipient);
    let delivery = api.post(VOLUNTEER, "/deliveries", input).await.expect(201);
    let path = format!("/deliveries/{}/hand_over", delivery.id());
    api.post(VOLUNTEER, &path, json!({"received_by": "R. Okafor"}))
        .await
        .expect(200);
    delivery
}

/// Cuts and deliveries of the last days of October and the first of November 2026.
pub async fn harvest(api: &Api, garden: &Garden, kitchen: Uuid) -> Reply {
    go_to(api, "2026-10-27T15:00:00Z").await;
    let sowing = TestSowing {
        planned_cuts: vec![("2026-10-27", 400_000), ("2026-11-17", 250_000)],
        ..TestSowing::default()
    };
    let sowing_id = sow(garden, sowing).await;
    let mut input = cut_input(sowing_id, "412.345");
    input["waste"] = grams("20.5");
    let cut = api.post(VOLUNTEER, "/cuts", input).await.expect(201);
    let delivery = give(api, garden, garden.recipient_id, &cut.id(), "226.796").await;
    go_to(api, "2026-11-01T15:00:00Z").await;
    give(api, garden, kitchen, &cut.id(), "100").await;
    let other = TestSowing {
        planned_cuts: Vec::new(),
        ..TestSowing::default()
    };
    let other = sow(garden, other).await;
    let mut poor = cut_input(other, "30");
    poor["quality"] = json!("poor");
    api.post(VOLUNTEER, "/cuts", poor).await.expect(201);
    delivery
}

pub async fn report(api: &Api, who: &str, query: &str) -> Value {
    let reply = api.get(who, &format!("/reports/harvest?{query}")).await;
    let body = reply.expect(200).body;
    adds_up(&body);
    body
}

/// Milligrams of a weight, read from its exact grams; 0 where there is none.
fn milligrams(weight: &Value) -> i64 {
    let Some(text) = weight["g"].as_str() else {
        return 0;
    };
    let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
    format!("{whole}{decimals:0<3}").parse().unwrap()
}

fn table<'a>(body: &'a Value, by: &str) -> &'a Vec<Value> {
    let tables = body["tables"].as_array().unwrap();
    let found = tables.iter().find(|table| table["by"] == by).unwrap();
    found["rows"].as_array().unwrap()
}

pub fn row<'a>(body: &'a Value, by: &str, name: &str) -> &'a Value {
    let found = table(body, by).iter().find(|row| row["name"] == name);
    found.unwrap_or_else(|| panic!("{by} {name} in {body:#}"))
}

/// The figures of a row in milligrams.
pub fn figures(row: &Value) -> [i64; 6] {
    FIGURES.map(|figure| milligrams(&row[figure]))
}

/// Every table adds up to the sum in the figures that it holds.
fn adds_up(body: &Value) {
    for table in body["tables"].as_array().unwrap() {
        let rows = table["rows"].as_array().unwrap();
        for figure in FIGURES {
            let holds = rows.iter().any(|row| !row[figure].is_null());
            let sum: i64 = rows.iter().map(|row| milligrams(&row[figure])).sum();
            if holds {
                assert_eq!(sum, milligrams(&body["sum"][figure]), "{figure} {table:#}");
            }
        }
    }
}

/// The text of a PDF as pypdf reads it.
pub fn paper(bytes: &[u8]) -> Value {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || here.join("../target/check-venv/bin/python"),
        PathBuf::from,
    );
    assert!(python.exists(), "run cargo xtask setup");
    let file = std::env::temp_dir().join(format!("cotyl-report-{}.pdf", Uuid::now_v7()));
    std::fs::write(&file, bytes).unwrap();
    let output = Command::new(python)
        .arg(here.join("checks/paper_text.py"))
        .arg(&file)
        .output()
        .unwrap();
    std::fs::remove_file(&file).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

pub fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[actix_web::test]
async fn a_week_across_two_months_counts_in_the_month_of_its_thursday() {
    let api = Api::new().await;
    let (garden, kitchen) = garden(&api).await;
    harvest(&api, &garden, kitchen).await;
    // 29 October is the Thursday of 2026-W44, so its pledge counts in October; Sunday, 1 November, does not
    let october = report(&api, COORDINATOR, "month=2026-10").await;
    // W43 and W44: 2 × 300 g promised; W43 all short, W44 short of 300 − 226.796
    assert_eq!(
        figures(&october["sum"]),
        [600_000, 0, 412_345, 20_500, 226_796, 373_204]
    );
    let november = report(&api, COORDINATOR, "month=2026-11").await;
    // 2026-W45 to W48; of the cut planned on 17 November 250 g are expected for Wednesday
    assert_eq!(
        figures(&november["sum"]),
        [1_200_000, 250_000, 0, 30_000, 100_000, 950_000]
    );
    let sunday = row(&november, "week", "2026-W44");
    assert_eq!(
        (&sunday["first_day"], &sunday["last_day"]),
        (&json!("2026-11-01"), &json!("2026-11-01"))
    );
    assert_eq!(figures(sunday), [0, 0, 0, 30_000, 100_000, 0]);

    // a term of both months is their sum
    let term = json!({"name": "Autumn", "first_day": "2026-10-01", "last_day": "2026-11-30"});
    let term = api.post(COORDINATOR, "/terms", term).await.expect(201);
    let whole = report(&api, COORDINATOR, &format!("term_id={}", term.id())).await;
    let sum: Vec<i64> = figures(&october["sum"])
        .iter()
        .zip(figures(&november["sum"]))
        .map(|(a, b)| a + b)
        .collect();
    assert_eq!(figures(&whole["sum"])[..], sum[..]);
    assert_eq!(whole["span"]["name"], "Autumn");
    assert_eq!(figures(row(&whole, "recipient", PANTRY))[4], 226_796);
    assert_eq!(figures(row(&whole, "recipient", KITCHEN))[4], 100_000);
    let any = row(&whole, "crop", "any of Salad greens");
    assert_eq!(figures(any), [1_800_000, 0, 0, 0, 0, 1_323_204]);
    let site = row(&whole, "site", "North school");
    assert!(site["pledged"].is_null() && site["short"].is_null());
    let nobody = row(&whole, "group", "no group named");
    assert!(nobody["expected"].is_null());
    assert_eq!(figures(nobody)[3], 50_500);

    // the week is as the weekly totals have it
    let week = report(&api, COORDINATOR, "week=2026-W44").await;
    let totals = api
        .get(COORDINATOR, "/totals/weeks?from=2026-W44&to=2026-W44")
        .await
        .expect(200);
    for figure in FIGURES {
        assert_eq!(
            week["sum"][figure]["g"], totals.body["sum"][figure]["value"],
            "{figure}"
        );
    }
}

#[actix_web::test]
async fn the_funding_year_begins_when_the_co_operative_says() {
    let api = Api::new().await;
    let (garden, kitchen) = garden(&api).await;
    harvest(&api, &garden, kitchen).await;
    let settings = api.get(LEAD, "/report_settings").await.expect(200);
    assert_eq!(
        settings.body,
        json!({"funding_year_month": 1, "funding_year_day": 1})
    );
    let year = report(&api, COORDINATOR, "funding_year=2026").await;
    assert_eq!(year["span"]["last_day"], "2026-12-31");
    for (month, day) in [(2, 29), (4, 31), (13, 1), (1, 0)] {
        let body = json!({"funding_year_month": month, "funding_year_day": day});
        let reply = api
            .put(COORDINATOR, "/report_settings", &settings.etag(), body)
            .await
            .expect(422);
        assert_eq!(reply.pointers(), ["/funding_year_day"]);
    }
    let november = json!({"funding_year_month": 11, "funding_year_day": 1});
    api.put(LEAD, "/report_settings", &settings.etag(), november.clone())
        .await
        .expect(403);
    api.put(
        COORDINATOR,
        "/report_settings",
        &settings.etag(),
        november.clone(),
    )
    .await
    .expect(200);
    api.put(COORDINATOR, "/report_settings", &settings.etag(), november)
        .await
        .expect(412);
    let (before, after) = (
        report(&api, COORDINATOR, "funding_year=2025").await,
        report(&api, COORDINATOR, "funding_year=2026").await,
    );
    assert_eq!(before["span"]["last_day"], "2026-10-31");
    assert_eq!(after["span"]["first_day"], "2026-11-01");
    assert_eq!(figures(&before["sum"])[4], 226_796);
    assert_eq!(figures(&after["sum"])[4], 100_000);
}

#[actix_web::test]
async fn paper_and_table_say_what_json_says() {
    let api = Api::new().await;
    let (garden, kitchen) = garden(&api).await;
    let delivery = harvest(&api, &garden, kitchen).await;
    let line_id = &delivery.body["lines"][0]["id"];
    let correction =
        json!({"line_id": line_id, "weight": grams("220"), "reason": "Waga wykazała mniej – Łódź"});
    api.post(
        LEAD,
        &format!("/deliveries/{}/corrections", delivery.id()),
        correction,
    )
    .await
    .expect(201);
    let query = "funding_year=2026&servings=true&meal_of=pounds";
    let body = report(&api, COORDINATOR, query).await;
    let shown = |suffix: &str| format!("/reports/harvest?{query}&{suffix}");
    let pdf = api.get(COORDINATOR, &shown("format=pdf")).await.expect(200);
    assert_eq!(pdf.headers["content-type"], "application/pdf");
    let read = paper(&pdf.bytes);
    assert_eq!(
        (&read["all_embedded"], &read["has_dates"]),
        (&json!(true), &json!(false))
    );
    assert_eq!(read["title"], "Green Jars: harvest report");
    let pages = read["pages"].as_array().unwrap();
    let text = words(
        &pages
            .iter()
            .map(|page| page.as_str().unwrap())
            .collect::<Vec<_>>()
            .join(" "),
    );
    for (number, page) in pages.iter().enumerate() {
        let foot = format!("Page {} of {}", number + 1, pages.len());
        assert!(page.as_str().unwrap().contains(&foot), "{page}");
    }
    // every row of every table stands on paper with its name and all its figures in order
    let mut rows = 0;
    for table in body["tables"].as_array().unwrap() {
        assert!(text.contains(table["heading"].as_str().unwrap()));
        for row in table["rows"].as_array().unwrap() {
            let mut cells = vec![row["name"].as_str().unwrap().to_owned()];
            if let Some(first) = row["first_day"].as_str() {
                cells.push(format!(
                    "({first} to {})",
                    row["last_day"].as_str().unwrap()
                ));
            }
            for figure in FIGURES {
                for unit in ["kg", "lb"] {
                    cells.extend(row[figure][unit].as_str().map(str::to_owned));
                }
            }
            for serving in ["raw_cups", "cup_equivalents", "meals"] {
                cells.push(row["servings"][serving].as_str().unwrap().to_owned());
            }
            let line = words(&cells.join(" "));
            assert!(text.contains(&line), "{line}\nin\n{text}");
            rows += 1;
        }
    }
    assert!(rows > 12, "{rows}");
    let amendment = &body["amendments"][0];
    assert_eq!(amendment["change"]["kg"], "-0.007");
    for words_of in [
        &amendment["reason"],
        &amendment["change"]["kg"],
        &body["as_of"],
        &body["factors"][0]["factor"],
        &body["factors"][2]["source"],
        &body["factors"][2]["caveat"],
    ] {
        assert!(text.contains(words_of.as_str().unwrap()), "{words_of}");
    }
    for note in body["notes"].as_array().unwrap() {
        assert!(text.contains(&words(note.as_str().unwrap())), "{note}");
    }
    csv_says_the_same(&api, &body, &shown("format=csv")).await;

    // by Accept; on US paper
    let request = api
        .request(
            COORDINATOR,
            Method::GET,
            "/reports/harvest?month=2026-10&paper=letter",
        )
        .insert_header(("accept", "application/pdf"));
    let letter = api.send(request).await.expect(200);
    assert_eq!(paper(&letter.bytes)["paper"], json!([792.0, 612.0]));
    assert_eq!(letter.headers["vary"], "accept");
}

/// RFC 4180: lines end in CRLF, all have as many fields as the head, quotes are doubled.
async fn csv_says_the_same(api: &Api, body: &Value, path: &str) {
    let reply = api.get(COORDINATOR, path).await.expect(200);
    assert!(reply.headers["content-type"].starts_with("text/csv"));
    assert_eq!(
        reply.text.matches('\n').count(),
        reply.text.matches("\r\n").count()
    );
    let lines: Vec<Vec<String>> = reply.text.lines().map(fields).collect();
    let head = &lines[0];
    let mut found = 0;
    for table in body["tables"].as_array().unwrap() {
        for row in table["rows"].as_array().unwrap() {
            let name = row["name"].as_str().unwrap();
            let name = if name == KITCHEN { "'=Kitchen" } else { name };
            let line = lines
                .iter()
                .find(|line| line[0] == table["by"].as_str().unwrap() && line[2] == name)
                .unwrap_or_else(|| panic!("{name} in {}", reply.text));
            assert_eq!(line.len(), head.len());
            for figure in FIGURES {
                for unit in ["g", "kg", "lb"] {
                    let at = head
                        .iter()
                        .position(|h| *h == format!("{figure}_{unit}"))
                        .unwrap();
                    assert_eq!(line[at], row[figure][unit].as_str().unwrap_or_default());
                }
            }
            let meals = head.iter().position(|h| h == "meals").unwrap();
            assert_eq!(line[meals], row["servings"]["meals"].as_str().unwrap());
            found += 1;
        }
    }
    assert!(found > 12);
    assert!(lines.iter().all(|line| line.len() == head.len()));
}

/// Fields of a line of comma-separated values without line breaks in them.
pub fn fields(line: &str) -> Vec<String> {
    let mut fields = vec![String::new()];
    let mut quoted = false;
    let mut letters = line.chars().peekable();
    while let Some(letter) = letters.next() {
        let field = fields.last_mut().unwrap();
        match letter {
            '"' if quoted && letters.peek() == Some(&'"') => {
                letters.next();
                field.push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => fields.push(String::new()),
            other => field.push(other),
        }
    }
    fields
}

/// 226.796 g are 6.3 cups of 36 g (USDA), half of that in cup-equivalents (MyPlate), and 0.4 meals of 1.2 lb.
#[actix_web::test]
async fn cups_and_meals_are_told_only_when_asked_for() {
    let api = Api::new().await;
    let (garden, kitchen) = garden(&api).await;
    harvest(&api, &garden, kitchen).await;
    let plain = report(&api, COORDINATOR, "week=2026-W44&").await;
    assert!(plain["sum"]["servings"].is_null());
    assert_eq!(plain["factors"], json!([]));
    let told = report(&api, COORDINATOR, "week=2026-W44&servings=true").await;
    let servings = &row(&told, "recipient", PANTRY)["servings"];
    assert_eq!(
        servings,
        &json!({"raw_cups": "6.3", "cup_equivalents": "3.1", "meals": "0.4"})
    );
    let factors = told["factors"].to_string();
    for words in [
        "36 g",
        "USDA MyPlate",
        "1.2 lb",
        "What We Eat in America",
        "no meal",
    ] {
        assert!(factors.contains(words), "{words}");
    }
    let other = report(
        &api,
        COORDINATOR,
        "week=2026-W44&servings=true&cup_of=romaine&meal_of=grams",
    )
    .await;
    let servings = &row(&other, "recipient", PANTRY)["servings"];
    assert_eq!(
        servings,
        &json!({"raw_cups": "4.8", "cup_equivalents": "2.4", "meals": "0.4"})
    );
}

#[actix_web::test]
async fn a_report_can_be_had_again_as_it_was() {
    let api = Api::new().await;
    let (garden, kitchen) = garden(&api).await;
    let pledges = api.get(COORDINATOR, "/pledges").await.expect(200);
    let delivery = harvest(&api, &garden, kitchen).await;
    // said once more, so that the pledge has a history
    let path = format!("/pledges/{}", garden.pledge_id);
    let mut pledge = pledges.body["items"][0].clone();
    for name in ["id", "created_at", "updated_at", "retired_at"] {
        pledge.as_object_mut().unwrap().remove(name);
    }
    let etag = api.get(COORDINATOR, &path).await.expect(200).etag();
    api.put(COORDINATOR, &path, &etag, pledge.clone())
        .await
        .expect(200);
    go_to(&api, "2026-11-02T15:00:00Z").await;
    let query = "funding_year=2026";
    let issued = report(&api, COORDINATOR, query).await;
    assert_eq!(issued["as_of"], "2026-11-02T15:00:00Z");
    let pdf = |query: String| {
        let api = &api;
        async move {
            let path = format!("/reports/harvest?{query}&format=pdf");
            api.get(COORDINATOR, &path).await.expect(200).bytes
        }
    };
    let printed = pdf(query.to_owned()).await;

    go_to(&api, "2026-11-09T15:00:00Z").await;
    let line_id = &delivery.body["lines"][0]["id"];
    let correction = json!({"line_id": line_id, "weight": grams("200"), "reason": "Their scale"});
    api.post(
        LEAD,
        &format!("/deliveries/{}/corrections", delivery.id()),
        correction,
    )
    .await
    .expect(201);
    pledge["weekly"] = grams("500");
    let etag = api.get(COORDINATOR, &path).await.expect(200).etag();
    api.put(COORDINATOR, &path, &etag, pledge).await.expect(200);
    let more = json!({"recipient_id": kitchen, "crop_id": garden.crop_id, "weekly": grams("70"),
                      "first_week": "2026-W43", "last_week": "2026-W44"});
    api.post(COORDINATOR, "/pledges", more).await.expect(201);
    let next = report(&api, COORDINATOR, query).await;
    assert_ne!(next["sum"], issued["sum"]);
    assert_eq!(next["amendments"][0]["reason"], "Their scale");
    assert_ne!(pdf(query.to_owned()).await, printed);

    let then = format!("{query}&as_of={}", issued["as_of"].as_str().unwrap());
    assert_eq!(report(&api, COORDINATOR, &then).await, issued);
    // byte for byte
    assert_eq!(pdf(then.clone()).await, printed);
    api.bed.clock.advance(chrono::TimeDelta::days(1));
    go_to(&api, "2026-11-10T15:00:00Z").await;
    assert_eq!(pdf(then).await, printed);
    let early = report(
        &api,
        COORDINATOR,
        &format!("{query}&as_of=2026-09-02T00:00:00Z"),
    )
    .await;
    assert_eq!(figures(&early["sum"])[4], 0);
}

#[actix_web::test]
async fn readers_see_their_recipients_and_nothing_else() {
    let api = Api::new().await;
    let (garden, kitchen) = garden(&api).await;
    harvest(&api, &garden, kitchen).await;
    let own = report(&api, READER, "funding_year=2026").await;
    let tables: Vec<&str> = own["tables"]
        .as_array()
        .unwrap()
        .iter()
        .map(|table| table["by"].as_str().unwrap())
        .collect();
    assert_eq!(tables, ["week", "recipient", "crop", "crop_group"]);
    assert_eq!(table(&own, "recipient").len(), 1);
    assert_eq!(figures(&own["sum"])[4], 226_796);
    let text = own.to_string();
    for hidden in ["North school", KITCHEN] {
        assert!(!text.contains(hidden), "{hidden}");
    }
    let path = |query: &str| format!("/reports/harvest?{query}");
    api.get(
        READER,
        &path(&format!("month=2026-10&recipient_id={kitchen}")),
    )
    .await
    .expect(404);
    api.get(
        READER,
        &path(&format!("month=2026-10&site_id={}", garden.site_id)),
    )
    .await
    .expect(403);
    let foreign = "grace@example.org";
    api.found("Blue Jars", foreign).await;
    let term = json!({"name": "Autumn", "first_day": "2026-10-01", "last_day": "2026-11-30"});
    let term = api.post(COORDINATOR, "/terms", term).await.expect(201);
    for query in [
        format!("term_id={}", term.id()),
        format!("month=2026-10&recipient_id={kitchen}"),
        format!("month=2026-10&site_id={}", garden.site_id),
    ] {
        api.get(foreign, &path(&query)).await.expect(404);
    }
    let nothing = report(&api, foreign, "funding_year=2026").await;
    assert_eq!(figures(&nothing["sum"]), [0; 6]);
    let pdf = api
        .get(foreign, &path("funding_year=2026&format=pdf"))
        .await
        .expect(200);
    assert!(
        paper(&pdf.bytes)["pages"][0]
            .as_str()
            .unwrap()
            .contains("Nothing was pledged")
    );
    for query in [
        "",
        "month=2026-13",
        "week=2026-W54",
        "month=2026-10&week=2026-W44",
        "funding_year=1999",
        "month=2026-10&as_of=2027-01-01T00:00:00Z",
    ] {
        api.get(COORDINATOR, &path(query)).await.expect(422);
    }
    api.get("", &path("month=2026-10")).await.expect(401);
}
