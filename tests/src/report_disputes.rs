//! Weights that a recipient disputed stand in the report with reason and answer, in every form of it.

use serde_json::{Value, json};

use crate::cuts::{go_to, grams};
use crate::garden::{COORDINATOR, LEAD, READER};
use crate::reports::{fields, garden, harvest, paper, report, words};
use crate::support::Api;

const REASON: &str = "=Waga wykazała mniej – Łódź, ważone dwa razy";
const QUERY: &str = "funding_year=2026";

#[actix_web::test]
async fn a_disputed_weight_is_told_with_its_reason_and_answer() {
    let api = Api::new().await;
    let (garden, kitchen) = garden(&api).await;
    let delivery = harvest(&api, &garden, kitchen).await;
    go_to(&api, "2026-11-02T15:00:00Z").await;
    assert_eq!(
        report(&api, COORDINATOR, QUERY).await["disputes"],
        json!([])
    );
    // somebody else's mistake was corrected before; what is disputed is the weight as it was by then
    let line_id = &delivery.body["lines"][0]["id"];
    let path = format!("/deliveries/{}", delivery.id());
    let earlier = json!({"line_id": line_id, "weight": grams("226"), "reason": "Misread"});
    api.post(LEAD, &format!("{path}/corrections"), earlier)
        .await
        .expect(201);
    go_to(&api, "2026-11-03T15:00:00Z").await;
    let found =
        json!({"reason": REASON, "lines": [{"line_id": line_id, "weight": grams("220.5")}]});
    let disputes = format!("{path}/disputes");
    let disputed = api.post(READER, &disputes, found).await.expect(201);
    let open = report(&api, READER, QUERY).await;
    let entry = &open["disputes"][0];
    assert_eq!(
        json!([
            entry["written"]["g"],
            entry["found"]["g"],
            entry["found"]["kg"],
            entry["reason"],
            entry["outcome"],
            entry["statement"],
            entry["tray_code"]
        ]),
        json!([
            "226",
            "220.5",
            "0.220",
            REASON,
            "open",
            null,
            delivery.body["lines"][0]["tray_code"]
        ])
    );
    go_to(&api, "2026-11-04T15:00:00Z").await;
    let id = disputed.body["disputes"][0]["id"].as_str().unwrap();
    let statement = "Weighed again with your scale";
    let body = json!({"statement": statement, "corrections": [{"line_id": line_id, "weight": grams("221")}]});
    api.post(LEAD, &format!("{disputes}/{id}/answer"), body)
        .await
        .expect(201);
    // a dispute of no weight brings no line
    let brown = json!({"reason": "Half of it was brown"});
    api.post(READER, &disputes, brown).await.expect(201);
    let answered = report(&api, COORDINATOR, QUERY).await;
    assert_eq!(answered["disputes"].as_array().unwrap().len(), 1);
    let entry = &answered["disputes"][0];
    assert_eq!(
        json!([
            entry["written"]["g"],
            entry["outcome"],
            entry["statement"],
            entry["answered_at"]
        ]),
        json!(["226", "corrected", statement, "2026-11-04T15:00:00Z"])
    );
    assert_eq!(answered["amendments"].as_array().unwrap().len(), 2);
    // as it was known before the answer, and before the dispute; and for whom it is none of theirs
    let then = format!("{QUERY}&as_of=2026-11-03T15:00:00Z");
    let mut before = report(&api, READER, &then).await;
    before["as_of"] = open["as_of"].clone();
    assert_eq!(before["disputes"], open["disputes"]);
    let then = format!("{QUERY}&as_of=2026-11-02T15:00:00Z");
    let before = report(&api, COORDINATOR, &then).await;
    assert_eq!(before["disputes"], json!([]));
    let other = format!("{QUERY}&recipient_id={kitchen}");
    assert_eq!(
        report(&api, COORDINATOR, &other).await["disputes"],
        json!([])
    );
    table_and_paper_say_the_same(&api, entry).await;
}

async fn table_and_paper_say_the_same(api: &Api, entry: &Value) {
    let text = |name: &str| entry[name].as_str().unwrap();
    let told = format!("{REASON} (corrected: {})", text("statement"));
    let path = format!("/reports/harvest?{QUERY}&format=csv");
    let csv = api.get(COORDINATOR, &path).await.expect(200).text;
    let lines: Vec<Vec<String>> = csv.lines().map(fields).collect();
    assert!(lines.iter().all(|line| line.len() == lines[0].len()));
    let of_kind: Vec<&Vec<String>> = lines.iter().filter(|line| line[0] == "dispute").collect();
    assert_eq!(of_kind.len(), 1);
    let cell = |column: &str| {
        let at = lines[0].iter().position(|head| head == column).unwrap();
        of_kind[0][at].as_str()
    };
    assert_eq!(cell("name"), text("recipient"));
    assert!(cell("text").ends_with(&told), "{}", cell("text"));
    for unit in ["g", "kg", "lb"] {
        let weight = |name: &str| entry[name][unit].as_str().unwrap();
        assert_eq!(cell(&format!("delivered_{unit}")), weight("written"));
        assert_eq!(cell(&format!("found_{unit}")), weight("found"));
        assert_eq!(cell(&format!("change_{unit}")), "");
    }
    let path = format!("/reports/harvest?{QUERY}&format=pdf");
    let pdf = api.get(COORDINATOR, &path).await.expect(200);
    let read = paper(&pdf.bytes);
    let pages = read["pages"].as_array().unwrap().iter();
    let pages: Vec<&str> = pages.map(|page| page.as_str().unwrap()).collect();
    let page = words(&pages.join(" "));
    assert!(page.contains("Disputed weights"), "{page}");
    // cells of several lines come out line by line: word by word they are there
    for word in told.split_whitespace() {
        assert!(page.contains(word), "{word} in {page}");
    }
    for weight in ["written", "found"] {
        for unit in ["kg", "lb"] {
            assert!(page.contains(entry[weight][unit].as_str().unwrap()));
        }
    }
}
