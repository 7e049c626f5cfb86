//! What a recall holds back of a packed delivery is seen by whoever reads it, before the hand-over is tried.

use serde_json::{Value, json};

use crate::cuts::grams;
use crate::garden::{COORDINATOR, LEAD, READER, VOLUNTEER};
use crate::support::Reply;
use crate::traces::Season;
use crate::withheld::{TITLE, hand_over, other_tray, pack, release, start};

/// Every recall that holds back what is in a packed delivery is named on its lines before the hand-over is tried.
#[actix_web::test]
async fn lines_of_packed_deliveries_name_what_holds_them_back() {
    let season = Season::grow().await;
    let api = &season.api;
    let other = other_tray(&season).await.id();
    let lines = [
        (season.cut.as_str(), "10"),
        (other.as_str(), "5"),
        (season.cut.as_str(), "1"),
    ];
    let packed = pack(&season, &lines).await.expect(201);
    let clean = pack(&season, &[(&other, "5")]).await.expect(201).id();
    let of_lines = |reply: &Reply| -> Vec<Value> {
        let lines = reply.body["lines"].as_array().unwrap().iter();
        lines.map(|line| line["withheld_by"].clone()).collect()
    };
    assert_eq!(of_lines(&packed), [json!([]), json!([]), json!([])]);
    assert_eq!(packed.body["withheld_by"], json!([]));
    let path = format!("/deliveries/{}", packed.id());

    let by_lot = start(&season, json!({"of": "lot", "id": season.seed_lot}))
        .await
        .id();
    let by_tray = start(&season, json!({"of": "cut", "id": season.cut}))
        .await
        .id();
    let both = json!([by_lot, by_tray]);
    for who in [COORDINATOR, LEAD, VOLUNTEER, READER] {
        let seen = api.get(who, &path).await.expect(200);
        assert_eq!(
            of_lines(&seen),
            [both.clone(), json!([]), both.clone()],
            "{who}"
        );
        assert_eq!(seen.body["withheld_by"], both);
        let caution = seen.body["cautions"][0]["text"].as_str().unwrap();
        assert!(
            caution.contains("A recall holds back some of this delivery"),
            "{caution}"
        );
        // only those who may read the recall learn more than its id
        assert!(!seen.text.contains(TITLE));
    }
    let listed = async |query: &str| -> Vec<(Value, Value)> {
        let reply = api.get(COORDINATOR, &format!("/deliveries{query}")).await;
        let items = reply.expect(200).body["items"].as_array().unwrap().clone();
        let pair = |one: &Value| (one["id"].clone(), one["withheld_by"].clone());
        items.iter().map(pair).collect()
    };
    // the first went out before and is the recall's to tell; the second is packed from the same tray
    let in_list = [
        (json!(season.first), json!([])),
        (json!(season.second), both.clone()),
        (json!(packed.id()), both.clone()),
        (json!(clean), json!([])),
    ];
    assert_eq!(listed("").await, in_list);
    assert_eq!(listed("?state=packed").await, in_list[1..]);

    // a line with nothing in it holds nothing up
    for line in [0, 2] {
        let correction = json!({"line_id": packed.body["lines"][line]["id"], "weight": grams("0"), "reason": "Set aside"});
        let corrected = api
            .post(LEAD, &format!("{path}/corrections"), correction)
            .await;
        let held = if line == 0 { both.clone() } else { json!([]) };
        let corrected = corrected.expect(201);
        assert_eq!(of_lines(&corrected), [json!([]), json!([]), held.clone()]);
        assert_eq!(corrected.body["withheld_by"], held);
    }
    let given = hand_over(&season, VOLUNTEER, &packed.id(), None).await;
    assert_eq!(given.expect(200).body["withheld_by"], json!([]));

    // as a whole, whatever is in it
    let whole = start(&season, json!({"of": "delivery", "id": clean}))
        .await
        .id();
    let seen = api
        .get(LEAD, &format!("/deliveries/{clean}"))
        .await
        .expect(200);
    assert_eq!(
        (of_lines(&seen), &seen.body["withheld_by"]),
        (vec![json!([whole])], &json!([whole]))
    );
    // the word of each recall ends with its release
    release(&season, &whole).await.expect(200);
    release(&season, &by_tray).await.expect(200);
    assert_eq!(
        listed("?state=packed").await,
        [
            (json!(season.second), json!([by_lot])),
            (json!(clean), json!([])),
        ]
    );
    release(&season, &by_lot).await.expect(200);
    let seen = api
        .get(VOLUNTEER, &format!("/deliveries/{}", season.second))
        .await
        .expect(200);
    assert_eq!(of_lines(&seen), [json!([])]);
    assert!(!seen.body["cautions"].to_string().contains("recall"));
}
