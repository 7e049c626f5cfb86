//! Weekly totals, to the milligram.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{TestSowing, cut_input, go_to, grams, sow, sow_crop};
use crate::deliveries::{delivery_input, pack};
use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::support::Api;

const FIGURES: [&str; 5] = ["pledged", "expected", "cut", "delivered", "short"];

/// A garden whose pledge of 300 g of greens a week, 2026-W43 to 2026-W51, was made before the season.
async fn garden(api: &Api) -> Garden {
    let garden = Garden::plant(api).await;
    sqlx::query("update pledge set created_at = '2026-09-01T12:00:00Z'")
        .execute(&garden.pool)
        .await
        .unwrap();
    garden
}

async fn totals(api: &Api, who: &str, query: &str) -> Value {
    let reply = api.get(who, &format!("/totals/weeks?{query}")).await;
    let body = reply.expect(200).body;
    sums_add_up(&body);
    body
}

/// Milligrams of a weight, read from its grams.
fn milligrams(weight: &Value) -> i64 {
    let text = weight["value"].as_str().unwrap();
    let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
    format!("{whole}{decimals:0<3}").parse().unwrap()
}

/// The lines make the weeks, the weeks the span; kilograms and pounds say the same as grams.
/// 1 lb = 453.592 37 g, NIST Handbook 44, Appendix C.
fn sums_add_up(body: &Value) {
    let weeks = body["weeks"].as_array().unwrap();
    for figure in FIGURES {
        let mut span = 0;
        for week in weeks {
            let lines = week["lines"].as_array().unwrap();
            let sum: i64 = lines.iter().map(|line| milligrams(&line[figure])).sum();
            assert_eq!(sum, milligrams(&week["sum"][figure]), "{figure} {week:#}");
            span += sum;
        }
        let weight = &body["sum"][figure];
        assert_eq!(span, milligrams(weight), "{figure}");
        let number = |unit: &str| weight[unit].as_str().unwrap().parse::<f64>().unwrap();
        assert!((number("value") / 1000.0 - number("kg")).abs() < 1e-9);
        assert!((number("value") / 453.592_37 - number("lb")).abs() < 1e-6);
    }
}

/// The figures of a week's sum in milligrams: pledged, expected, cut, delivered, short.
fn of_week(body: &Value, week: &str) -> [i64; 5] {
    let weeks = body["weeks"].as_array().unwrap();
    let found = weeks.iter().find(|w| w["week"] == week).unwrap();
    FIGURES.map(|figure| milligrams(&found["sum"][figure]))
}

async fn hand_over(api: &Api, delivery_id: &str, at: Option<&str>) {
    let mut body = json!({"received_by": "R. Okafor"});
    if let Some(at) = at {
        body["at"] = json!(at);
    }
    api.post(
        VOLUNTEER,
        &format!("/deliveries/{delivery_id}/hand_over"),
        body,
    )
    .await
    .expect(200);
}

/// Tuesday of 2026-W43 and three weeks later, with the pantry's deliveries on Wednesdays and Fridays.
fn october() -> TestSowing {
    TestSowing {
        planned_cuts: vec![("2026-10-20", 400_000), ("2026-11-10", 250_000)],
        ..TestSowing::default()
    }
}

#[actix_web::test]
async fn from_the_cut_to_the_total_of_the_week() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    go_to(&api, "2026-10-19T15:00:00Z").await;
    let sowing_id = sow(&garden, october()).await;
    let query = "from=2026-W42&to=2026-W46";
    let before = totals(&api, COORDINATOR, query).await;
    assert_eq!(of_week(&before, "2026-W42"), [0; 5]);
    assert_eq!(of_week(&before, "2026-W43"), [300_000, 400_000, 0, 0, 0]);
    assert_eq!(of_week(&before, "2026-W44"), [300_000, 0, 0, 0, 300_000]);
    assert_eq!(
        of_week(&before, "2026-W46"),
        [300_000, 250_000, 0, 0, 50_000]
    );

    go_to(&api, "2026-10-20T15:00:00Z").await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "412.345"))
        .await
        .expect(201);
    let delivery = pack(&api, &garden, &[(&cut.id(), "226.796")]).await;
    let packed = totals(&api, COORDINATOR, query).await;
    assert_eq!(
        of_week(&packed, "2026-W43"),
        [300_000, 0, 412_345, 0, 300_000]
    );
    go_to(&api, "2026-10-21T15:00:00Z").await;
    hand_over(&api, &delivery.id(), None).await;
    api.post(
        READER,
        &format!("/deliveries/{}/confirmation", delivery.id()),
        json!({}),
    )
    .await
    .expect(200);
    let after = totals(&api, COORDINATOR, query).await;
    assert_eq!(
        of_week(&after, "2026-W43"),
        [300_000, 0, 412_345, 226_796, 73_204]
    );
    let line = &after["weeks"][1]["lines"][0];
    assert_eq!(line["recipient"]["name"], "Corner pantry");
    assert_eq!(line["crop"], Value::Null);
    assert_eq!(line["crop_group"]["id"], garden.crop_group_id.to_string());
    // half a pound is 226.796 185 g; pounds computed with Python fractions
    for (figure, value, kg, lb) in [
        ("pledged", "300", "0.3", "0.6613868"),
        ("cut", "412.345", "0.412345", "0.9090651"),
        ("delivered", "226.796", "0.226796", "0.4999996"),
        ("short", "73.204", "0.073204", "0.1613872"),
    ] {
        let expect = json!({"value": value, "unit": "g", "kg": kg, "lb": lb});
        assert_eq!(line[figure], expect, "{figure}");
    }
    assert_eq!(after["weeks"][0]["is_over"], true);
    assert_eq!(after["weeks"][1]["is_over"], false);
    // the reader sees the same, being of the only recipient
    assert_eq!(totals(&api, READER, query).await["weeks"], after["weeks"]);
}

#[actix_web::test]
async fn what_was_expected_makes_up_only_until_the_week_is_over() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    sow(&garden, october()).await;
    let query = "from=2026-W43&to=2026-W43";
    // Sunday evening, and the first minutes of Monday, in New York
    for (instant, is_over, short) in [
        ("2026-10-26T03:59:59Z", false, 0),
        ("2026-10-26T04:00:00Z", true, 300_000),
    ] {
        go_to(&api, instant).await;
        let found = totals(&api, COORDINATOR, query).await;
        assert_eq!(found["weeks"][0]["is_over"], is_over);
        assert_eq!(of_week(&found, "2026-W43"), [300_000, 400_000, 0, 0, short]);
    }
}

#[actix_web::test]
async fn a_correction_shows_in_the_next_total_and_not_in_an_earlier_one() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    go_to(&api, "2026-10-20T15:00:00Z").await;
    let sowing_id = sow(&garden, october()).await;
    let query = "from=2026-W43&to=2026-W43";
    let empty = totals(&api, COORDINATOR, query).await;
    assert_eq!(of_week(&empty, "2026-W43"), [300_000, 400_000, 0, 0, 0]);

    go_to(&api, "2026-10-20T15:01:00Z").await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "400"))
        .await
        .expect(201);
    let delivery = pack(&api, &garden, &[(&cut.id(), "300")]).await;
    hand_over(&api, &delivery.id(), Some("2026-10-20T15:00:30Z")).await;
    let issued = totals(&api, COORDINATOR, query).await;
    assert_eq!(
        of_week(&issued, "2026-W43"),
        [300_000, 0, 400_000, 300_000, 0]
    );
    assert_eq!(issued["as_of"], "2026-10-20T15:01:00Z");

    go_to(&api, "2026-10-27T15:00:00Z").await;
    let line_id = &delivery.body["lines"][0]["id"];
    let correction =
        json!({"line_id": line_id, "weight": grams("280.001"), "reason": "Their scale"});
    api.post(
        LEAD,
        &format!("/deliveries/{}/corrections", delivery.id()),
        correction,
    )
    .await
    .expect(201);
    let less = json!({"change": grams("-99.5"), "reason": "Weighed with the tray"});
    api.post(LEAD, &format!("/cuts/{}/corrections", cut.id()), less)
        .await
        .expect(201);
    let lost = "update sowing set state = 'lost', lost_on = '2026-10-27', lost_cause = 'heat' where id = $1";
    let entry = "insert into sowing_event (id, cooperative_id, sowing_id, kind, happened_on, recorded_at, member_id)
                 select gen_random_uuid(), cooperative_id, sowing_id, 'lost', '2026-10-27', '2026-10-27T15:00:00Z', member_id
                   from sowing_event where sowing_id = $1 and kind = 'planned'";
    for statement in [lost, entry] {
        sqlx::query(statement)
            .bind(sowing_id)
            .execute(&garden.pool)
            .await
            .unwrap();
    }
    let amended = totals(&api, COORDINATOR, query).await;
    assert_eq!(
        of_week(&amended, "2026-W43"),
        [300_000, 0, 300_500, 280_001, 19_999]
    );
    for earlier in [issued, empty] {
        let as_of = earlier["as_of"].as_str().unwrap();
        let again = totals(&api, COORDINATOR, &format!("{query}&as_of={as_of}")).await;
        assert_eq!(again, earlier);
    }
}

/// New York puts its clocks back on Sunday 1 November 2026 (IANA data); 3 January 2027 is the Sunday
/// of 2026-W53 (Python `datetime.isocalendar`). All of these are a Monday in UTC but for the last two.
#[actix_web::test]
async fn the_local_day_of_hand_over_decides_the_week() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    go_to(&api, "2026-10-20T15:00:00Z").await;
    let sowing_id = sow(&garden, october()).await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "100"))
        .await
        .expect(201);
    let cases = [
        ("2026-10-25T23:30:00-04:00", "2026-W43", 1),
        ("2026-10-26T00:00:00-04:00", "2026-W44", 2),
        ("2026-11-01T23:30:00-05:00", "2026-W44", 4),
        ("2026-11-02T00:10:00-05:00", "2026-W45", 8),
        ("2027-01-03T23:59:59-05:00", "2026-W53", 16),
        ("2027-01-04T00:00:00-05:00", "2027-W01", 32),
        ("2027-01-01T12:00:00-05:00", "2026-W53", 1),
    ];
    for (at, _, weight) in cases {
        go_to(&api, at).await;
        let delivery = pack(&api, &garden, &[(&cut.id(), &weight.to_string())]).await;
        hand_over(&api, &delivery.id(), Some(at)).await;
        let read = api
            .get(READER, &format!("/deliveries/{}", delivery.id()))
            .await
            .expect(200);
        assert_eq!(read.body["handed_over_on"], at[..10]);
    }
    let found = totals(&api, COORDINATOR, "from=2026-W43&to=2027-W01").await;
    for (week, grams) in [
        ("2026-W43", 1),
        ("2026-W44", 6),
        ("2026-W45", 8),
        ("2026-W52", 0),
        ("2026-W53", 17),
        ("2027-W01", 32),
    ] {
        assert_eq!(of_week(&found, week)[3], grams * 1000, "{week}");
    }
    let weeks: Vec<&str> = found["weeks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|week| week["week"].as_str().unwrap())
        .collect();
    assert_eq!(
        weeks[weeks.len() - 3..],
        ["2026-W52", "2026-W53", "2027-W01"]
    );
    assert_eq!(weeks.len(), 12);
    // after the last pledged week the pantry's lettuce stands on a line of its own
    let line = &found["weeks"][10]["lines"][0];
    assert_eq!(line["crop"]["id"], garden.crop_id.to_string());
    assert_eq!(line["recipient"]["id"], garden.recipient_id.to_string());
}

/// A kitchen that was promised 200 g of lettuce a week, with its reader.
async fn add_kitchen(api: &Api, garden: &Garden, reader: &str) -> Uuid {
    let id = Uuid::now_v7();
    sqlx::query("insert into recipient (id, cooperative_id, name, kind, delivery_weekdays) values ($1, $2, 'Kitchen', 'kitchen', '{3}')")
        .bind(id)
        .bind(garden.cooperative_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    sqlx::query("insert into pledge (id, cooperative_id, recipient_id, crop_id, weekly_milligrams, first_monday, last_monday)
                 values ($1, $2, $3, $4, 200001, '2026-10-19', '2026-10-26')")
        .bind(Uuid::now_v7())
        .bind(garden.cooperative_id)
        .bind(id)
        .bind(garden.crop_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    garden
        .join(api, reader, &[("reader", None, Some(id))])
        .await;
    id
}

#[actix_web::test]
async fn each_reader_sees_the_lines_of_their_recipient() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    go_to(&api, "2026-10-20T15:00:00Z").await;
    let cook = "cook@example.org";
    let kitchen = add_kitchen(&api, &garden, cook).await;
    let sowing_id = sow(&garden, october()).await;
    sow(&garden, october()).await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "400.001"))
        .await
        .expect(201);
    for (recipient, weight) in [(garden.recipient_id, "100"), (kitchen, "210.007")] {
        let mut input = delivery_input(&garden, &[(&cut.id(), weight)]);
        input["recipient_id"] = json!(recipient);
        let delivery = api.post(VOLUNTEER, "/deliveries", input).await.expect(201);
        hand_over(&api, &delivery.id(), None).await;
    }
    let query = "from=2026-W43&to=2026-W43";
    let all = totals(&api, LEAD, query).await;
    // 400 000 mg to come and 400 001 mg cut by 300 000 to 200 001, largest remainder (Python fractions):
    // 239 999.52 and 160 000.48; 240 000.12 and 160 000.88
    let pantry = totals(&api, READER, query).await;
    let kitchens = totals(&api, cook, query).await;
    assert_eq!(
        of_week(&pantry, "2026-W43"),
        [300_000, 240_000, 240_000, 100_000, 0]
    );
    assert_eq!(
        of_week(&kitchens, "2026-W43"),
        [200_001, 160_000, 160_001, 210_007, 0]
    );
    assert_eq!(
        of_week(&all, "2026-W43"),
        [500_001, 400_000, 400_001, 310_007, 0]
    );
    for (body, own) in [(&pantry, garden.recipient_id), (&kitchens, kitchen)] {
        let text = body.to_string();
        for id in [
            garden.recipient_id,
            kitchen,
            garden.site_id,
            garden.station_id,
        ] {
            assert_eq!(text.contains(&id.to_string()), id == own);
        }
    }
    let one = totals(&api, LEAD, &format!("{query}&recipient_id={kitchen}")).await;
    assert_eq!(one["weeks"], kitchens["weeks"]);

    let path = |more: String| format!("/totals/weeks?{query}&{more}");
    api.get(cook, &path(format!("recipient_id={}", garden.recipient_id)))
        .await
        .expect(404);
    api.get(cook, &path(format!("site_id={}", garden.site_id)))
        .await
        .expect(403);
    let foreign = "grace@example.org";
    api.found("Blue Jars", foreign).await;
    for filter in [
        format!("recipient_id={kitchen}"),
        format!("crop_group_id={}", garden.crop_group_id),
        format!("site_id={}", garden.site_id),
    ] {
        api.get(foreign, &path(filter)).await.expect(404);
    }
    let nothing = totals(&api, foreign, query).await;
    assert_eq!(nothing["weeks"][0]["lines"], json!([]));
    api.get("", &path(String::new())).await.expect(401);
}

#[actix_web::test]
async fn a_site_and_a_group_narrow_what_is_shown() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    go_to(&api, "2026-10-20T15:00:00Z").await;
    let sowing_id = sow(&garden, october()).await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "400"))
        .await
        .expect(201);
    for (site, weight) in [(garden.site_id, "100"), (garden.other_site_id, "50")] {
        let mut input = delivery_input(&garden, &[(&cut.id(), weight)]);
        input["site_id"] = json!(site);
        let delivery = api
            .post(COORDINATOR, "/deliveries", input)
            .await
            .expect(201);
        let path = format!("/deliveries/{}/hand_over", delivery.id());
        let body = json!({"received_by": "R. Okafor"});
        api.post(COORDINATOR, &path, body).await.expect(200);
    }
    // basil, of another group, that nobody was promised
    let [herbs, basil] = [Uuid::now_v7(), Uuid::now_v7()];
    sqlx::query("insert into crop_group (id, cooperative_id, name) values ($1, $2, 'Herbs')")
        .bind(herbs)
        .bind(garden.cooperative_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    sqlx::query("insert into crop (id, cooperative_id, crop_group_id, name, profile) select $1, cooperative_id, $2, 'Basil', profile from crop where id = $3")
        .bind(basil)
        .bind(herbs)
        .bind(garden.crop_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    sow_crop(&garden, basil, october()).await;

    let query = "from=2026-W43&to=2026-W43";
    let week = async |more: String| {
        let body = totals(&api, COORDINATOR, &format!("{query}{more}")).await;
        of_week(&body, "2026-W43")
    };
    assert_eq!(
        week(String::new()).await,
        [300_000, 400_000, 400_000, 150_000, 150_000]
    );
    assert_eq!(
        week(format!("&crop_group_id={}", garden.crop_group_id)).await,
        [300_000, 0, 400_000, 150_000, 150_000]
    );
    assert_eq!(
        week(format!("&crop_group_id={herbs}")).await,
        [0, 400_000, 0, 0, 0]
    );
    assert_eq!(
        week(format!("&site_id={}", garden.other_site_id)).await,
        [300_000, 0, 0, 50_000, 150_000]
    );
    let body = totals(&api, COORDINATOR, query).await;
    let last = body["weeks"][0]["lines"]
        .as_array()
        .unwrap()
        .last()
        .unwrap();
    assert_eq!(last["recipient"], Value::Null);
    assert_eq!(last["crop"]["name"], "Basil");
}

#[actix_web::test]
async fn a_withdrawn_pledge_stays_in_the_weeks_that_were_over() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    sqlx::query("update pledge set retired_at = '2026-11-04T12:00:00Z' where id = $1")
        .bind(garden.pledge_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    go_to(&api, "2026-11-05T15:00:00Z").await;
    let query = "from=2026-W43&to=2026-W46";
    let pledged = |body: &Value| {
        ["2026-W43", "2026-W44", "2026-W45", "2026-W46"].map(|week| of_week(body, week)[0])
    };
    let now = totals(&api, COORDINATOR, query).await;
    assert_eq!(pledged(&now), [300_000, 300_000, 0, 0]);
    let before = format!("{query}&as_of=2026-11-04T11:59:59Z");
    let before = totals(&api, COORDINATOR, &before).await;
    assert_eq!(pledged(&before), [300_000; 4]);
}

#[actix_web::test]
async fn every_bad_parameter_is_named() {
    let api = Api::new().await;
    garden(&api).await;
    go_to(&api, "2026-10-20T15:00:00Z").await;
    for (query, pointers) in [
        ("from=2026-W54&to=2027-W53", vec!["from", "to"]),
        ("from=2026W40&to=2026-W41", vec!["from"]),
        ("from=2026-W41&to=2026-W40", vec!["to"]),
        // 2026-W01 to 2027-W52 are 105 weeks, 2026 having 53
        ("from=2026-W01&to=2028-W02", vec!["to"]),
        (
            "from=2026-W40&to=2026-W40&as_of=2026-10-20T15:00:01Z",
            vec!["as_of"],
        ),
    ] {
        let path = format!("/totals/weeks?{query}");
        let reply = api.get(COORDINATOR, &path).await.expect(422);
        assert_eq!(reply.pointers(), pointers, "{query}");
    }
    let most = totals(&api, COORDINATOR, "from=2026-W01&to=2028-W01").await;
    assert_eq!(most["weeks"].as_array().unwrap().len(), 106);
    for query in [
        "from=2026-W40",
        "from=2026-W40&to=2026-W40&colour=green",
        "from=2026-W40&to=2026-W40&site_id=north",
        "from=2026-W40&to=2026-W40&as_of=noon",
    ] {
        api.get(COORDINATOR, &format!("/totals/weeks?{query}"))
            .await
            .expect(422);
    }
    let unknown = format!("site_id={}", Uuid::now_v7());
    let path = format!("/totals/weeks?from=2026-W40&to=2026-W40&{unknown}");
    api.get(COORDINATOR, &path).await.expect(404);
}

#[actix_web::test]
async fn what_was_expected_of_more_containers_can_be_told_again() {
    let api = Api::new().await;
    let garden = garden(&api).await;
    go_to(&api, "2026-09-07T15:00:00Z").await;
    let made = crate::sowings::sow(&api, &garden, 4, "2026-09-08").await;
    let sowing = made.expect(201).body["id"].as_str().unwrap().to_owned();
    let query = "from=2026-W40&to=2026-W52";
    let expected = |totals: &Value| totals["sum"]["expected"].clone();
    let before = totals(&api, COORDINATOR, query).await;
    let as_of = before["as_of"].as_str().unwrap().to_owned();
    assert_ne!(expected(&before), grams("0"));

    go_to(&api, "2026-09-07T16:00:00Z").await;
    let path = format!("/sowings/{sowing}");
    let fewer = json!({"containers": 2, "note": "Two jars broke"});
    api.put(LEAD, &path, "*", fewer).await.expect(200);
    let after = totals(&api, COORDINATOR, query).await;
    assert_ne!(expected(&after), expected(&before));
    go_to(&api, "2026-09-07T17:00:00Z").await;
    let again = totals(&api, COORDINATOR, &format!("{query}&as_of={as_of}")).await;
    assert_eq!(again, before);
}
