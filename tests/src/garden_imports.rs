//! Files of many stations, crops and closures.

use actix_web::http::Method;
use serde_json::json;

use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::garden_inputs::{import, items};
use crate::support::{Api, DOCUMENT};

const STATIONS: &str = "/imports/stations";
const STATION_COLUMNS: &str =
    "site,name,method,container_kind,places,temperature_celsius,daily_light_mol\n";

#[actix_web::test]
async fn the_documented_examples_work() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    for (path, list) in [
        (STATIONS, "/stations"),
        ("/imports/crops", "/crops"),
        ("/imports/closures", "/closures"),
    ] {
        let before = items(&api, COORDINATOR, list).await.len();
        let body = &DOCUMENT["paths"][format!("/api/v1{path}")]["post"]["requestBody"];
        let example = body["content"]["text/csv"]["example"].as_str().unwrap();
        let reply = import(&api, COORDINATOR, path, example).await.expect(201);
        assert_eq!(reply.body["imported"], 1, "{path}");
        assert_eq!(items(&api, COORDINATOR, list).await.len(), before + 1);
        let id = reply.body["ids"][0].as_str().unwrap();
        let made = api
            .get(COORDINATOR, &format!("{list}/{id}"))
            .await
            .expect(200);
        match list {
            "/stations" => assert_eq!(
                made.body["environment"],
                json!([{"first_week": 1, "last_week": 53, "temperature_celsius": 19.5, "daily_light_mol": 11.0}])
            ),
            "/crops" => {
                assert_eq!(made.body["profile"]["days_to_first_cut"], 38);
                assert_eq!(made.body["profile"]["days_to_regrow"], 12);
                assert_eq!(made.body["unsourced"], json!(["days_to_first_cut"]));
            }
            _ => assert_eq!(made.body["last_day"], "2027-01-02"),
        }
    }
}

#[actix_web::test]
async fn spreadsheets_write_files_in_several_ways() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let file = "\u{feff}name,site,method,places,container_kind,daily_light_mol,temperature_celsius\r\n\
                \"Sill, left\", north SCHOOL ,passive,2,JAR,5,18\r\n\r\n=1+1,South hall,aerated,3,Jar,0,-20\r\n";
    let reply = import(&api, COORDINATOR, STATIONS, file).await.expect(201);
    assert_eq!(reply.body["imported"], 2);
    let mut names: Vec<String> = items(&api, COORDINATOR, "/stations")
        .await
        .iter()
        .map(|s| s["name"].as_str().unwrap().to_owned())
        .collect();
    names.sort();
    assert_eq!(names, ["=1+1", "Bench", "Sill, left"]);
}

#[actix_web::test]
async fn one_bad_line_keeps_everything_out_and_every_bad_line_is_named() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let file = format!(
        "{STATION_COLUMNS}\
         North school,Good,passive,Jar,4,20,12\n\
         Nowhere,A,passive,Jar,4,20,12\n\
         North school,B,floating,Tub,0,20,12\n\
         North school,,passive,Jar,four,61,-1\n\
         \n\
         North school,C,passive,Jar,4,20\n\
         North school,GOOD,passive,Jar,4,NaN,inf\n\
         North school,bench,passive,Jar,99999999999,20,12\n\
         North school,{},passive,Jar,4,,12\n",
        "x".repeat(201)
    );
    let reply = import(&api, COORDINATOR, STATIONS, file).await.expect(422);
    let mut pointers = reply.pointers();
    pointers.sort();
    assert_eq!(
        pointers,
        [
            "/lines/10/name",
            "/lines/10/temperature_celsius",
            "/lines/3/site",
            "/lines/4/container_kind",
            "/lines/4/method",
            "/lines/4/places",
            "/lines/5/daily_light_mol",
            "/lines/5/name",
            "/lines/5/places",
            "/lines/5/temperature_celsius",
            "/lines/7",
            "/lines/8/daily_light_mol",
            "/lines/8/name",
            "/lines/8/temperature_celsius",
            "/lines/9/name",
            "/lines/9/places",
        ]
    );
    assert_eq!(
        items(&api, COORDINATOR, "/stations?with_retired=true")
            .await
            .len(),
        1
    );
}

#[actix_web::test]
async fn bad_lines_of_crops_are_named() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let file = "name,crop_group,starter,days_to_first_cut,days_to_regrow\n\
                Good,Salad greens,leaf lettuce,,\n\
                leaf LETTUCE,Salad greens,leaf lettuce,,\n\
                B,Fruit,dragon fruit,soon,\n\
                C,Salad greens,leaf lettuce,731,-2\n";
    let reply = import(&api, COORDINATOR, "/imports/crops", file)
        .await
        .expect(422);
    let mut pointers = reply.pointers();
    pointers.sort();
    assert_eq!(
        pointers,
        [
            "/lines/3/name",
            "/lines/4/crop_group",
            "/lines/4/days_to_first_cut",
            "/lines/4/starter",
            "/lines/5/days_to_first_cut",
            "/lines/5/days_to_regrow",
        ]
    );
    assert_eq!(items(&api, COORDINATOR, "/crops").await.len(), 1);
}

#[actix_web::test]
async fn bad_lines_of_closures_are_named() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let file = "site,first_day,last_day,reason\n\
                North school,2026-12-24,2026-12-26,Good\n\
                North school,24.12.2026,2026-12-26,A\n\
                North school,2026-12-24,2026-12-23,\n\
                Nowhere,2026-12-24,+262142-12-31,B\n";
    let reply = import(&api, COORDINATOR, "/imports/closures", file)
        .await
        .expect(422);
    let mut pointers = reply.pointers();
    pointers.sort();
    pointers.dedup();
    assert_eq!(
        pointers,
        [
            "/lines/3/first_day",
            "/lines/4/last_day",
            "/lines/4/reason",
            "/lines/5/last_day",
            "/lines/5/site",
        ]
    );
    assert_eq!(items(&api, COORDINATOR, "/closures").await.len(), 0);
}

#[actix_web::test]
async fn a_file_that_is_no_table_is_refused() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    let check = async |file: Vec<u8>, expect: &[&str]| {
        let shown = String::from_utf8_lossy(&file[..file.len().min(80)]).into_owned();
        let reply = import(&api, COORDINATOR, "/imports/closures", file)
            .await
            .expect(422);
        assert_eq!(reply.pointers(), expect, "{shown}");
    };
    check(
        b"".to_vec(),
        &[
            "/columns/site",
            "/columns/first_day",
            "/columns/last_day",
            "/columns/reason",
        ],
    )
    .await;
    check(
        b"site,first_day,last_day,reason,colour,site\n".to_vec(),
        &["/columns/4", "/columns/5"],
    )
    .await;
    check(b"site,first_day,last_day,reason\n".to_vec(), &["/lines"]).await;
    let good = "North school,2026-12-24,2026-12-26,Break\n";
    let head = "site,first_day,last_day,reason\n";
    check(
        format!("{head}{good}North school,2026-12-24,2026-12-26,a\0b\n").into_bytes(),
        &["/lines/3"],
    )
    .await;
    let mut latin = format!("{head}{good}").into_bytes();
    latin.extend(b"North school,2026-12-24,2026-12-26,M\xe4rz\n");
    check(latin, &["/lines/3"]).await;
    check(
        format!("{head}{}", good.repeat(5001)).into_bytes(),
        &["/lines"],
    )
    .await;
    assert_eq!(items(&api, COORDINATOR, "/closures").await.len(), 0);

    let big = import(&api, COORDINATOR, "/imports/closures", vec![b'a'; 3 << 20]).await;
    assert_eq!(big.expect(413).problem(), "too-large");
    let json = api
        .post(
            COORDINATOR,
            "/imports/closures",
            json!({"site": "North school"}),
        )
        .await;
    assert_eq!(json.expect(415).problem(), "wrong-media-type");
}

#[actix_web::test]
async fn five_thousand_lines_are_taken_at_once() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let mut file = STATION_COLUMNS.to_owned();
    for number in 1..=5000 {
        file.push_str(&format!("North school,Sill {number},passive,Jar,4,20,12\n"));
    }
    let reply = import(&api, COORDINATOR, STATIONS, file.clone())
        .await
        .expect(201);
    assert_eq!(reply.body["imported"], 5000);
    let audited: i64 = sqlx::query_scalar(
        "select count(distinct noun_id) from audit_entry where operation = 'import_stations'",
    )
    .fetch_one(&garden.pool)
    .await
    .unwrap();
    assert_eq!(audited, 5000);
    // all of the names are taken now, and each line says so
    let again = import(&api, COORDINATOR, STATIONS, file).await.expect(422);
    assert_eq!(again.pointers().len(), 5000);
}

#[actix_web::test]
async fn only_coordinators_import_and_only_into_their_own_co_operative() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    api.found("Other Jars", "stranger@example.org").await;
    let file = format!("{STATION_COLUMNS}North school,Sill,passive,Jar,4,20,12\n");
    for who in [LEAD, VOLUNTEER, READER] {
        import(&api, who, STATIONS, file.clone()).await.expect(403);
    }
    import(&api, "", STATIONS, file.clone()).await.expect(401);
    let foreign = import(&api, "stranger@example.org", STATIONS, file.clone()).await;
    assert_eq!(
        foreign.expect(422).pointers(),
        ["/lines/2/site", "/lines/2/container_kind"]
    );
    let send = |file: &str| {
        api.send(
            api.request(COORDINATOR, Method::POST, STATIONS)
                .insert_header(("content-type", "text/csv"))
                .insert_header(("idempotency-key", "benches of 2026"))
                .set_payload(file.to_owned()),
        )
    };
    let replies = futures::future::join_all((0..3).map(|_| send(&file))).await;
    for reply in &replies {
        assert_eq!(
            (reply.status.as_u16(), &reply.body),
            (201, &replies[0].body)
        );
    }
    assert_eq!(items(&api, COORDINATOR, "/stations").await.len(), 2);
}
