//! What each kind of suspect of a recall holds back.

use std::collections::BTreeSet;

use serde_json::json;

use crate::cuts::{go_to, grams};
use crate::garden::{COORDINATOR, LEAD, VOLUNTEER};
use crate::recalls::member;
use crate::traces::Season;
use crate::withheld::{faults, hand_over, other_tray, pack, release, start, withheld_at};

/// Trays that are held back, of two sowings; once by their flags, once by packing each.
async fn held_back(season: &Season, trays: &[&str]) -> BTreeSet<String> {
    let listed = season.api.get(LEAD, "/cuts").await.expect(200);
    let flagged = listed.body["items"].as_array().unwrap().iter();
    let flagged = flagged.filter(|cut| cut["withheld"] == true);
    let flagged: BTreeSet<String> = flagged
        .map(|cut| cut["id"].as_str().unwrap().to_owned())
        .collect();
    let mut refused = BTreeSet::new();
    for tray in trays {
        let reply = pack(season, &[(tray, "0.1")]).await;
        if reply.status == 422 {
            assert_eq!(faults(&reply), withheld_at(&["/lines/0/cut_id"]));
            refused.insert((*tray).to_owned());
        } else {
            reply.expect(201);
        }
    }
    assert_eq!(flagged, refused);
    refused
}

#[actix_web::test]
async fn each_kind_of_suspect_holds_back_what_came_of_it() {
    let season = Season::grow().await;
    // near midnight a day's work counts with the days next to it
    go_to(&season.api, "2026-10-23T15:00:00Z").await;
    let other = other_tray(&season).await.id();
    let (cut, other) = (season.cut.as_str(), other.as_str());
    let volunteer = member(&season, VOLUNTEER).await;
    let station = season.garden.station_id;
    let sowing = &season.sowing;
    for (suspect, query, expected) in [
        (json!({"of": "lot", "id": season.seed_lot}), "", vec![cut]),
        (json!({"of": "lot", "id": season.medium_lot}), "", vec![cut]),
        (
            json!({"of": "batch", "id": season.batch}),
            "",
            vec![cut, other],
        ),
        (
            json!({"of": "station", "id": station}),
            "",
            vec![cut, other],
        ),
        (
            json!({"of": "station", "id": station, "first_day": "2026-09-07", "last_day": "2026-09-07"}),
            "&first_day=2026-09-07&last_day=2026-09-07",
            vec![cut, other],
        ),
        (
            json!({"of": "station", "id": station, "last_day": "2026-09-06"}),
            "&last_day=2026-09-06",
            vec![],
        ),
        (json!({"of": "sowing", "id": sowing}), "", vec![cut]),
        (
            json!({"of": "sowing", "id": season.other_sowing}),
            "",
            vec![other],
        ),
        (
            json!({"of": "member", "id": volunteer}),
            "",
            vec![cut, other],
        ),
        (
            json!({"of": "member", "id": volunteer, "first_day": "2026-10-19", "last_day": "2026-10-20"}),
            "&first_day=2026-10-19&last_day=2026-10-20",
            vec![cut],
        ),
        (
            json!({"of": "member", "id": volunteer, "first_day": "2026-09-20", "last_day": "2026-10-10"}),
            "&first_day=2026-09-20&last_day=2026-10-10",
            vec![],
        ),
        (json!({"of": "cut", "id": other}), "", vec![other]),
        (
            json!({"of": "cut", "tray_code": season.tray_code}),
            "",
            vec![cut],
        ),
        (json!({"of": "delivery", "id": season.second}), "", vec![]),
    ] {
        let recall = start(&season, suspect.clone()).await;
        let expected: BTreeSet<String> = expected.into_iter().map(str::to_owned).collect();
        assert_eq!(
            held_back(&season, &[cut, other]).await,
            expected,
            "{suspect}"
        );
        // a trace forward comes to the same trays
        let (of, id) = (&recall.body["suspect_of"], &recall.body["suspect_id"]);
        let (of, id) = (of.as_str().unwrap(), id.as_str().unwrap());
        let query = format!("of={of}&id={id}&direction=forward{query}");
        let trace = season.ask(COORDINATOR, &query).await.expect(200);
        let traced = trace.body["cuts"].as_array().unwrap().iter();
        let traced: BTreeSet<String> = traced
            .map(|cut| cut["id"].as_str().unwrap().to_owned())
            .collect();
        assert_eq!(traced, expected, "{suspect}");
        release(&season, &recall.id()).await.expect(200);
        assert_eq!(
            held_back(&season, &[cut, other]).await,
            BTreeSet::new(),
            "{suspect}"
        );
    }
}

#[actix_web::test]
async fn a_suspect_delivery_is_held_back_whole() {
    let season = Season::grow().await;
    let other = other_tray(&season).await.id();
    let third = pack(&season, &[(&season.cut, "1")]).await.expect(201);
    let recall = start(&season, json!({"of": "delivery", "id": season.second})).await;
    let refused = hand_over(&season, VOLUNTEER, &season.second, None).await;
    let refused = refused.expect(409);
    assert_eq!(refused.problem(), "withheld");
    assert!(refused.text.contains("all that is in it"));
    let lines = format!("/deliveries/{}/lines", season.second);
    let line = json!({"cut_id": other, "weight": grams("1")});
    let reply = season.api.post(VOLUNTEER, &lines, line.clone()).await;
    assert_eq!(reply.expect(409).problem(), "withheld");
    // of the same tray
    hand_over(&season, VOLUNTEER, &third.id(), None)
        .await
        .expect(200);
    release(&season, &recall.id()).await.expect(200);
    season.api.post(VOLUNTEER, &lines, line).await.expect(201);
    hand_over(&season, VOLUNTEER, &season.second, None)
        .await
        .expect(200);
}
