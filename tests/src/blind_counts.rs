//! While a stock-taking hides the ledger, no answer tells those who count what the ledger says.

use serde_json::{Value, json};

use crate::cupboard::{issue_input, item, receive};
use crate::cuts::grams;
use crate::garden::{ELSEWHERE, Garden, LEAD, VOLUNTEER};
use crate::mixing::{Cupboard, batch_input};
use crate::support::Api;

async fn open(api: &Api, garden: &Garden) -> String {
    let input = json!({"site_id": garden.site_id});
    let count = api.post(LEAD, "/stock_counts", input).await.expect(201);
    format!("/stock_counts/{}", count.id())
}

#[actix_web::test]
async fn refusals_of_draws_tell_no_figure() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    let last = json!({"expires_on": "2026-12-31"});
    let first = receive(&api, &garden, &item_id, "P1", "137", last).await;
    receive(&api, &garden, &item_id, "P2", "50", json!({})).await;
    let count = open(&api, &garden).await;
    let too_much = issue_input(&garden, &item_id, "500");
    let mut of_one = issue_input(&garden, &item_id, "138");
    of_one["lot_id"] = json!(first);
    for (input, figure) in [(too_much.clone(), "187"), (of_one.clone(), "137")] {
        let reply = api.post(VOLUNTEER, "/movements", input.clone()).await;
        let reply = reply.expect(409);
        assert_eq!(reply.problem(), "not-enough-stock");
        assert!(!reply.text.contains(figure), "{}", reply.text);
        assert!(reply.text.contains("stays hidden"), "{}", reply.text);
        // the lead posts the count, and knows
        let reply = api.post(LEAD, "/movements", input).await.expect(409);
        assert!(reply.text.contains(figure), "{}", reply.text);
    }
    // where one lot ends and the next begins would tell it too
    let across = issue_input(&garden, &item_id, "150");
    let reply = api.post(VOLUNTEER, "/movements", across.clone()).await;
    let reply = reply.expect(409);
    assert_eq!(reply.problem(), "name-the-lot");
    assert!(!reply.text.contains("137"), "{}", reply.text);
    // the work goes on
    of_one["amount"] = grams("100");
    api.post(VOLUNTEER, "/movements", of_one).await.expect(201);
    let little = issue_input(&garden, &item_id, "5");
    api.post(VOLUNTEER, "/movements", little).await.expect(201);

    api.delete(LEAD, &count, "*").await.expect(200);
    let made = api
        .post(
            VOLUNTEER,
            "/movements",
            issue_input(&garden, &item_id, "60"),
        )
        .await;
    assert_eq!(
        made.expect(201).body["movements"].as_array().unwrap().len(),
        2
    );
    let reply = api
        .post(VOLUNTEER, "/movements", too_much)
        .await
        .expect(409);
    assert!(reply.text.contains("22 g may be used"), "{}", reply.text);
}

#[actix_web::test]
async fn previews_and_beginnings_of_batches_tell_no_figure() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let cupboard = Cupboard::fill(&api, &garden).await;
    let batch = batch_input(&garden, &cupboard, "20");
    let begun = api
        .post(VOLUNTEER, "/batches", batch.clone())
        .await
        .expect(201);
    let path = format!("/batches/{}", begun.id());
    let large = batch_input(&garden, &cupboard, "1000");
    let previews = "/batches/previews";
    let open_shelf = api
        .post(VOLUNTEER, previews, large.clone())
        .await
        .expect(200);
    assert_eq!(open_shelf.body["hides_shelf"], false);
    // 1.1807 g/L of calcium nitrate in 1000 L, and 500 g less 23.61 g are there
    let missing = open_shelf.body["missing"].as_array().unwrap();
    assert!(
        missing
            .iter()
            .any(|one| one["on_hand"]["value"] == "476.39"),
        "{missing:?}"
    );

    open(&api, &garden).await;
    let hidden = api
        .post(VOLUNTEER, previews, large.clone())
        .await
        .expect(200);
    assert_eq!(
        (&hidden.body["missing"], &hidden.body["hides_shelf"]),
        (&json!([]), &json!(true))
    );
    let reply = api
        .post(VOLUNTEER, "/batches", large.clone())
        .await
        .expect(409);
    assert_eq!(reply.problem(), "short-of-stock");
    assert!(
        !reply.text.contains("476") && reply.text.contains("stays hidden"),
        "{}",
        reply.text
    );
    let seen = api.get(VOLUNTEER, &path).await.expect(200);
    for movement in seen.body["movements"].as_array().unwrap() {
        assert_eq!(movement["amount"], Value::Null);
        assert_eq!(movement["lot_code"], "L1");
    }
    let seen = api.get(LEAD, &path).await.expect(200);
    assert!(seen.body["movements"][0]["amount"]["value"].is_string());
    let known = api.post(LEAD, previews, large).await.expect(200);
    assert!(!known.body["missing"].as_array().unwrap().is_empty());
    // what can be mixed is mixed
    api.post(VOLUNTEER, "/batches", batch).await.expect(201);
}

#[actix_web::test]
async fn a_shopping_list_leaves_out_what_is_being_counted() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let item_id = item(&api, "Perlite").await;
    receive(&api, &garden, &item_id, "P1", "137", json!({})).await;
    let before = api.get(ELSEWHERE, "/shopping_list").await.expect(200);
    assert_eq!(before.body["items"][0]["on_hand"], grams("137"));
    open(&api, &garden).await;
    // whoever leads elsewhere may help to count here
    let hidden = api.get(ELSEWHERE, "/shopping_list").await.expect(200);
    assert_eq!(hidden.body["items"], json!([]));
    assert_eq!(hidden.body["gaps"][0]["kind"], "stock_hidden");
    assert_eq!(hidden.body["gaps"][0]["site_id"], json!(garden.site_id));
    let known = api.get(LEAD, "/shopping_list").await.expect(200);
    assert_eq!(known.body["items"][0]["on_hand"], grams("137"));
}
