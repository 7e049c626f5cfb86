//! Cuts weighed with their tray, waste weighed apart, weights that cannot be true, and the temperatures
//! of greens that are held.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::{TestSowing, cut_input, go_to, grams, sow};
use crate::deliveries::{delivery_input, pack};
use crate::garden::{COORDINATOR, ELSEWHERE, Garden, LEAD, READER, VOLUNTEER};
use crate::support::Api;

/// A garden on 5 October 2026 with a sowing of two containers, of which 400 g are planned.
async fn garden(api: &Api) -> (Garden, Uuid) {
    let garden = Garden::plant(api).await;
    go_to(api, "2026-10-05T15:00:00Z").await;
    let sowing_id = sow(&garden, TestSowing::default()).await;
    (garden, sowing_id)
}

/// Everything that was written down about cuts and deliveries, to see that nothing changed.
async fn written(garden: &Garden) -> Vec<String> {
    sqlx::query_scalar(
        "select to_jsonb(c)::text from cut c where cooperative_id = $1
         union all select to_jsonb(k)::text from cut_correction k where cooperative_id = $1
         union all select to_jsonb(s)::text from sowing s where cooperative_id = $1
         union all select to_jsonb(e)::text from sowing_event e where cooperative_id = $1
         union all select to_jsonb(d)::text from delivery d where cooperative_id = $1
         union all select to_jsonb(l)::text from delivery_line l where cooperative_id = $1
         union all select to_jsonb(k)::text from delivery_correction k where cooperative_id = $1
         order by 1",
    )
    .bind(garden.cooperative_id)
    .fetch_all(&garden.pool)
    .await
    .unwrap()
}

fn with(mut input: Value, changes: Value) -> Value {
    for (name, value) in changes.as_object().unwrap() {
        if value.is_null() {
            input.as_object_mut().unwrap().remove(name);
        } else {
            input[name] = value.clone();
        }
    }
    input
}

/// 1 lb = 453.592 37 g (NIST Handbook 44, Appendix C), to the milligram 453.592 g.
#[actix_web::test]
async fn a_tray_is_weighed_full_and_empty() {
    let api = Api::new().await;
    let (_, sowing_id) = garden(&api).await;
    let input = |gross: Value, tare: Value| {
        let changes = json!({"weight": null, "gross": gross, "tare": tare});
        with(cut_input(sowing_id, "1"), changes)
    };
    let pound = json!({"value": "1", "unit": "[lb_av]"});
    let made = api
        .post(VOLUNTEER, "/cuts", input(pound.clone(), grams("53.592")))
        .await
        .expect(201);
    assert_eq!(made.body["weight"], grams("400"));
    assert_eq!(made.body["left"], grams("400"));
    assert_eq!(made.body["gross"], grams("453.592"));
    assert_eq!(made.body["tare"], grams("53.592"));
    // a correction of the weight leaves what the scale showed
    let correction =
        json!({"weight": grams("390"), "reason": "The wrong tray was taken for empty"});
    let path = format!("/cuts/{}/corrections", made.id());
    let amended = api.post(LEAD, &path, correction).await.expect(201);
    assert_eq!(amended.body["weight"], grams("390"));
    assert_eq!(amended.body["gross"], grams("453.592"));

    for (gross, tare, pointer) in [
        (grams("50"), grams("53"), "/gross"),
        (grams("53"), grams("53"), "/gross"),
        (grams("50"), grams("-1"), "/tare"),
    ] {
        let reply = api
            .post(LEAD, "/cuts", input(gross, tare))
            .await
            .expect(422);
        assert_eq!(reply.pointers(), [pointer]);
    }
    for changes in [
        json!({"gross": pound}),
        json!({"weight": null, "gross": pound}),
        json!({"weight": null, "tare": pound}),
        json!({"weight": null}),
    ] {
        let input = with(cut_input(sowing_id, "1"), changes);
        let reply = api.post(LEAD, "/cuts", input).await.expect(422);
        assert_eq!(reply.pointers(), ["/weight"]);
    }
}

#[actix_web::test]
async fn waste_goes_into_no_delivery() {
    let api = Api::new().await;
    let (garden, sowing_id) = garden(&api).await;
    let input = with(cut_input(sowing_id, "400"), json!({"waste": grams("30.5")}));
    let cut = api.post(VOLUNTEER, "/cuts", input).await.expect(201);
    assert_eq!(cut.body["waste"], grams("30.5"));
    assert_eq!(cut.body["left"], grams("400"));
    let more = delivery_input(&garden, &[(&cut.id(), "400.001")]);
    let reply = api.post(LEAD, "/deliveries", more).await.expect(409);
    assert_eq!(reply.problem(), "more-than-cut");
    pack(&api, &garden, &[(&cut.id(), "400")]).await;

    let path = format!("/cuts/{}/corrections", cut.id());
    let correct = |body: Value| api.post(LEAD, &path, body);
    let reason = "Found more below the bench";
    let amended = correct(json!({"waste": grams("42"), "reason": reason}))
        .await
        .expect(201);
    assert_eq!(amended.body["waste"], grams("42"));
    assert_eq!(amended.body["first_waste"], grams("30.5"));
    assert_eq!(amended.body["weight"], grams("400"));
    let entry = &amended.body["corrections"][0];
    assert_eq!(
        (&entry["change"], &entry["waste_change"]),
        (&grams("0"), &grams("11.5"))
    );
    for waste in ["42", "-1"] {
        let reply = correct(json!({"waste": grams(waste), "reason": reason}))
            .await
            .expect(422);
        assert_eq!(reply.pointers(), ["/waste"]);
    }

    let poor = with(cut_input(sowing_id, "60"), json!({"quality": "poor"}));
    let poor = api.post(VOLUNTEER, "/cuts", poor).await.expect(201);
    assert_eq!(poor.body["left"], grams("0"));
    let before = written(&garden).await;
    let reply = api
        .post(
            LEAD,
            "/deliveries",
            delivery_input(&garden, &[(&poor.id(), "1")]),
        )
        .await
        .expect(409);
    assert_eq!(reply.problem(), "poor-cut");
    assert_eq!(written(&garden).await, before);
}

/// Ninety kilograms from a jar are a slip of the unit; the refusal says so, and how to insist.
#[actix_web::test]
async fn a_weight_that_cannot_be_true_needs_a_reason() {
    let api = Api::new().await;
    let (garden, sowing_id) = garden(&api).await;
    let before = written(&garden).await;
    let much = with(
        cut_input(sowing_id, "1"),
        json!({"weight": {"value": "90", "unit": "kg"}}),
    );
    let reply = api.post(VOLUNTEER, "/cuts", much.clone()).await.expect(409);
    assert_eq!(reply.problem(), "implausible-weight");
    let detail = reply.body["detail"].as_str().unwrap();
    // two containers, of which 400 g were planned: five times that
    for word in [
        "90000 g",
        "2 containers",
        "400 g",
        "2000 g",
        "weight_accepted_because",
    ] {
        assert!(detail.contains(word), "{word} in {detail}");
    }
    assert_eq!(written(&garden).await, before);

    // the bound itself is plausible; trays of one cut count together, with their waste
    let at_bound = cut_input(sowing_id, "1999");
    let tray = api.post(VOLUNTEER, "/cuts", at_bound).await.expect(201);
    let waste = with(
        cut_input(sowing_id, "0.5"),
        json!({"waste": grams("0.501")}),
    );
    let reply = api.post(VOLUNTEER, "/cuts", waste).await.expect(409);
    assert_eq!(reply.problem(), "implausible-weight");
    api.post(VOLUNTEER, "/cuts", cut_input(sowing_id, "1"))
        .await
        .expect(201);

    let reason = "Ten jars of another bench were cut into it";
    let accepted = with(much, json!({"weight_accepted_because": reason}));
    let made = api.post(VOLUNTEER, "/cuts", accepted).await.expect(201);
    assert_eq!(made.body["weight"], grams("90000"));
    assert_eq!(made.body["weight_accepted_because"], reason);

    let path = format!("/cuts/{}/corrections", tray.id());
    let wrong = json!({"weight": {"value": "412", "unit": "kg"}, "reason": "Weighed again"});
    let before = written(&garden).await;
    let reply = api.post(LEAD, &path, wrong.clone()).await.expect(409);
    assert_eq!(reply.problem(), "implausible-weight");
    assert_eq!(written(&garden).await, before);
    // less is never held up
    let less = json!({"weight": grams("412"), "reason": "Weighed again"});
    api.post(LEAD, &path, less).await.expect(201);
    let insisted = with(wrong, json!({"weight_accepted": true}));
    api.post(LEAD, &path, insisted).await.expect(201);
}

/// Each wrong thing is refused for what it is, and nothing changes.
#[actix_web::test]
async fn what_is_absurd_changes_nothing() {
    let api = Api::new().await;
    let (garden, sowing_id) = garden(&api).await;
    let cleared = TestSowing {
        state: "cleared",
        ..TestSowing::default()
    };
    let cleared = sow(&garden, cleared).await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "400"))
        .await
        .expect(201);
    let delivery = pack(&api, &garden, &[(&cut.id(), "300")]).await;
    let given = format!("/deliveries/{}/hand_over", delivery.id());
    api.post(VOLUNTEER, &given, json!({"received_by": "R. Okafor"}))
        .await
        .expect(200);
    let other_recipient = Uuid::now_v7();
    sqlx::query("insert into recipient (id, cooperative_id, name, kind, delivery_weekdays) values ($1, $2, 'Kitchen', 'kitchen', '{3}')")
        .bind(other_recipient)
        .bind(garden.cooperative_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    let wrong_reader = "cook@example.org";
    garden
        .join(
            &api,
            wrong_reader,
            &[("reader", None, Some(other_recipient))],
        )
        .await;
    let foreign = "grace@example.org";
    api.found("Blue Jars", foreign).await;

    let before = written(&garden).await;
    let confirmation = format!("/deliveries/{}/confirmation", delivery.id());
    let more = delivery_input(&garden, &[(&cut.id(), "100.001")]);
    let day = json!({"cut_on": "2026-10-06"});
    let elsewhere = with(
        more.clone(),
        json!({"site_id": garden.other_site_id, "lines": []}),
    );
    for (who, path, body, status, problem) in [
        (
            VOLUNTEER,
            "/cuts",
            cut_input(sowing_id, "-3"),
            422,
            "invalid",
        ),
        (
            VOLUNTEER,
            "/cuts",
            cut_input(sowing_id, "90000"),
            409,
            "implausible-weight",
        ),
        (
            VOLUNTEER,
            "/cuts",
            with(cut_input(sowing_id, "10"), day),
            422,
            "invalid",
        ),
        (
            VOLUNTEER,
            "/cuts",
            cut_input(cleared, "10"),
            409,
            "wrong-state",
        ),
        (VOLUNTEER, "/deliveries", more, 409, "more-than-cut"),
        (wrong_reader, &confirmation, json!({}), 404, "not-found"),
        (VOLUNTEER, &confirmation, json!({}), 403, "forbidden"),
        (COORDINATOR, &confirmation, json!({}), 403, "forbidden"),
        (
            ELSEWHERE,
            "/cuts",
            cut_input(sowing_id, "10"),
            403,
            "forbidden",
        ),
        (VOLUNTEER, "/deliveries", elsewhere, 403, "forbidden"),
        (foreign, "/cuts", cut_input(sowing_id, "10"), 422, "invalid"),
        (foreign, &confirmation, json!({}), 403, "forbidden"),
    ] {
        let reply = api.post(who, path, body.clone()).await.expect(status);
        assert_eq!(reply.problem(), problem, "{who} {path} {body}");
        assert_eq!(written(&garden).await, before, "{who} {path} {body}");
    }
}

#[actix_web::test]
async fn a_cut_may_name_the_group_that_cut_it() {
    let api = Api::new().await;
    let (garden, sowing_id) = garden(&api).await;
    let group = |site_id: Uuid, name: &'static str| {
        let garden = &garden;
        async move {
            let id = Uuid::now_v7();
            sqlx::query("insert into member_group (id, cooperative_id, site_id, name, head_count, led_by) select $1, $2, $3, $4, 12, id from member where email = $5")
                .bind(id).bind(garden.cooperative_id).bind(site_id).bind(name).bind(LEAD)
                .execute(&garden.pool).await.unwrap();
            id
        }
    };
    let here = group(garden.site_id, "Class 4").await;
    let there = group(garden.other_site_id, "Class 5").await;
    let input = |id: Uuid| with(cut_input(sowing_id, "100"), json!({"group_id": id}));
    let made = api.post(VOLUNTEER, "/cuts", input(here)).await.expect(201);
    assert_eq!(made.body["group_id"], json!(here));
    for id in [there, Uuid::now_v7()] {
        let reply = api.post(VOLUNTEER, "/cuts", input(id)).await.expect(422);
        assert_eq!(reply.pointers(), ["/group_id"]);
    }
}

/// 5 °C is 41 °F (NIST SP 811): the limit itself is cold enough, as the FDA's guidance of 2010 has it.
#[actix_web::test]
async fn held_greens_are_read_and_cautioned_about() {
    let api = Api::new().await;
    let (garden, sowing_id) = garden(&api).await;
    let cut = api
        .post(VOLUNTEER, "/cuts", cut_input(sowing_id, "100"))
        .await
        .expect(201);
    let read = |value: &str, unit: &str, of: Value| {
        with(json!({"temperature": {"value": value, "unit": unit}}), of)
    };
    let of_cut = json!({"cut_id": cut.id()});
    let of_store = json!({"site_id": garden.site_id});
    let cold = api
        .post(
            VOLUNTEER,
            "/cold_readings",
            read("41", "[degF]", of_cut.clone()),
        )
        .await
        .expect(201);
    assert_eq!(cold.body["is_too_warm"], false);
    assert_eq!(cold.body["site_id"], json!(garden.site_id));
    assert!(cold.body["cautions"].to_string().contains("5 °C (41 °F)"));
    let warm = api
        .post(
            VOLUNTEER,
            "/cold_readings",
            read("5.1", "Cel", of_store.clone()),
        )
        .await
        .expect(201);
    assert_eq!(warm.body["is_too_warm"], true);
    let cautions = warm.body["cautions"].to_string();
    for words in [
        "Held above 5 °C",
        "shredded",
        "from memory",
        "local authority",
    ] {
        assert!(cautions.contains(words), "{words}");
    }

    let list = |who: &'static str, query: &str| {
        let path = format!("/cold_readings?{query}");
        let api = &api;
        async move {
            let reply = api.get(who, &path).await.expect(200);
            reply.body["items"].as_array().unwrap().clone()
        }
    };
    assert_eq!(
        list(LEAD, "too_warm=true").await,
        std::slice::from_ref(&warm.body)
    );
    assert_eq!(
        list(LEAD, &format!("cut_id={}", cut.id())).await,
        std::slice::from_ref(&cold.body)
    );

    // a mistake is put right by a further reading, once
    let right = with(
        read("4.1", "Cel", of_store.clone()),
        json!({"corrects_id": warm.id(), "note": "Digits turned round"}),
    );
    let fixed = api
        .post(LEAD, "/cold_readings", right.clone())
        .await
        .expect(201);
    assert_eq!(fixed.body["corrects_id"], warm.body["id"]);
    let again = api
        .post(LEAD, "/cold_readings", right.clone())
        .await
        .expect(409);
    assert_eq!(again.problem(), "taken");
    let all = list(LEAD, "").await;
    assert_eq!(all[1]["corrected_by_id"], fixed.body["id"]);
    let refused = sqlx::query("update cold_reading set temperature_decicelsius = 0")
        .execute(&garden.pool)
        .await;
    assert!(refused.is_err());

    for (body, pointer) in [
        (read("4", "Cel", json!({})), "/cut_id"),
        (
            with(read("4", "Cel", of_cut.clone()), of_store.clone()),
            "/cut_id",
        ),
        (
            read("4", "Cel", json!({"cut_id": Uuid::now_v7()})),
            "/cut_id",
        ),
        (
            read("4", "Cel", json!({"site_id": Uuid::now_v7()})),
            "/site_id",
        ),
        (read("60.1", "Cel", of_cut.clone()), "/temperature"),
        (
            with(
                read("4", "Cel", of_cut.clone()),
                json!({"read_at": "2026-10-05T15:06:00Z"}),
            ),
            "/read_at",
        ),
        (with(right.clone(), json!({"note": " "})), "/note"),
        (
            with(right, json!({"corrects_id": cold.id()})),
            "/corrects_id",
        ),
    ] {
        let reply = api
            .post(LEAD, "/cold_readings", body.clone())
            .await
            .expect(422);
        assert_eq!(reply.pointers(), [pointer], "{body}");
    }
    let by = |of: &Value| read("4", "Cel", of.clone());
    api.post(ELSEWHERE, "/cold_readings", by(&of_store))
        .await
        .expect(403);
    let reply = api
        .post(ELSEWHERE, "/cold_readings", by(&of_cut))
        .await
        .expect(422);
    assert_eq!(reply.pointers(), ["/cut_id"]);
    api.post(READER, "/cold_readings", by(&of_store))
        .await
        .expect(403);
    assert!(list(ELSEWHERE, "").await.is_empty());
}
