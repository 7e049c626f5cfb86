//! What to buy by when: for sowings to come, less what is on hand and on order.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::cuts::go_to;
use crate::garden::{COORDINATOR, Garden, LEAD, READER, VOLUNTEER};
use crate::plans::{adopt, read, request, solved};
use crate::support::Api;

/// An item of the co-operative; packs of 250 base units for 3.99, a week on the way.
async fn item(
    garden: &Garden,
    (name, category, dimension): (&str, &str, &str),
    product: Option<Uuid>,
) -> Uuid {
    let id = Uuid::now_v7();
    sqlx::query(
        "insert into stock_item (id, cooperative_id, name, category, dimension, crop_id, product_id, pack_quantity, pack_cents, lead_days)
         values ($1, $2, $3, $4, $5, case when $4 = 'seed' then $6 end, $7, 250, 399, 7)",
    )
    .bind(id)
    .bind(garden.cooperative_id)
    .bind(name)
    .bind(category)
    .bind(dimension)
    .bind(garden.crop_id)
    .bind(product)
    .execute(&garden.pool)
    .await
    .unwrap();
    id
}

pub async fn seed(garden: &Garden) -> Uuid {
    item(garden, ("Lettuce seed", "seed", "mass"), None).await
}

/// A lot at the site, received at an instant.
pub async fn lot(
    garden: &Garden,
    item: Uuid,
    quantity: i64,
    received: &str,
    last: Option<&str>,
) -> Uuid {
    let id = Uuid::now_v7();
    sqlx::query(
        "insert into lot (id, cooperative_id, stock_item_id, code, quantity, received_on, expires_on)
         values ($1, $2, $3, $1::text, $4, $5::text::date, $6::text::date)",
    )
    .bind(id)
    .bind(garden.cooperative_id)
    .bind(item)
    .bind(quantity)
    .bind(received)
    .bind(last)
    .execute(&garden.pool)
    .await
    .unwrap();
    sqlx::query(
        "insert into movement (id, cooperative_id, lot_id, kind, from_place, to_place, to_site_id, quantity, happened_at, recorded_at, member_id)
         select $1, $2, $3, 'receive', 'supplier', 'store', $4, $5, $6::text::date + interval '15 hours', now(), id
           from member where cooperative_id = $2 order by id limit 1",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(id)
    .bind(garden.site_id)
    .bind(quantity)
    .bind(received)
    .execute(&garden.pool)
    .await
    .unwrap();
    id
}

async fn order(garden: &Garden, item: Uuid, quantity: i64, expected: &str) {
    sqlx::query(
        "insert into stock_order (id, cooperative_id, site_id, stock_item_id, quantity, ordered_on, expected_on)
         values ($1, $2, $3, $4, $5, '2026-09-01', $6::text::date)",
    )
    .bind(Uuid::now_v7())
    .bind(garden.cooperative_id)
    .bind(garden.site_id)
    .bind(item)
    .bind(quantity)
    .bind(expected)
    .execute(&garden.pool)
    .await
    .unwrap();
}

/// Ten jars of lettuce to be sown on each of three Mondays: 30 mg of seed each, by the crop's profile.
pub async fn three_sowings(garden: &Garden) {
    sqlx::query("update station set places = 100 where id = $1")
        .bind(garden.station_id)
        .execute(&garden.pool)
        .await
        .unwrap();
    for day in ["2026-09-14", "2026-09-28", "2026-10-12"] {
        sqlx::query(
            "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, planned_cuts, expected_milligrams)
             values ($1, $2, $3, $4, $5, 10, $6::text::date, $6::text::date + 70, array[$6::text::date + 38, $6::text::date + 52, $6::text::date + 66], '{600000,400000,300000}')",
        )
        .bind(Uuid::now_v7())
        .bind(garden.cooperative_id)
        .bind(garden.site_id)
        .bind(garden.station_id)
        .bind(garden.crop_id)
        .bind(day)
        .execute(&garden.pool)
        .await
        .unwrap();
    }
}

pub async fn list(api: &Api, garden: &Garden, query: &str) -> Value {
    let path = format!("/shopping_list?site_id={}{query}", garden.site_id);
    api.get(LEAD, &path).await.expect(200).body
}

pub fn of(list: &Value, item: Uuid) -> &Value {
    let items = list["items"].as_array().unwrap();
    let found = items.iter().find(|one| one["stock_item_id"] == json!(item));
    found.unwrap_or_else(|| panic!("{list:#}"))
}

/// Sowings at risk: day, why, what would lack.
fn risks(item: &Value) -> Vec<(String, String, Value)> {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let all = item["at_risk"].as_array().unwrap();
    all.iter()
        .map(|one| {
            (
                text(&one["sow_on"]),
                text(&one["risk"]),
                one["short"].clone(),
            )
        })
        .collect()
}

fn late(day: &str, risk: &str, short: &str) -> (String, String, Value) {
    (day.to_owned(), risk.to_owned(), grams(short))
}

fn grams(value: &str) -> Value {
    json!({"value": value, "unit": "g"})
}

pub fn gaps(list: &Value) -> Vec<&str> {
    let gaps = list["gaps"].as_array().unwrap();
    gaps.iter()
        .map(|gap| gap["kind"].as_str().unwrap())
        .collect()
}

#[actix_web::test]
async fn seed_is_bought_in_whole_packs_in_time() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    three_sowings(&garden).await;
    let seed = seed(&garden).await;
    lot(&garden, seed, 40, "2026-08-01", Some("2026-12-31")).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    let item = of(&found, seed);
    assert_eq!(
        (&item["needed"], &item["on_hand"], &item["on_order"]),
        (&grams("0.09"), &grams("0.04"), &grams("0"))
    );
    let weeks: Vec<_> = item["weeks"].as_array().unwrap().iter().collect();
    assert_eq!(
        weeks,
        [
            &json!({"week": "2026-W38", "needed": grams("0.03"), "short": grams("0")}),
            &json!({"week": "2026-W40", "needed": grams("0.03"), "short": grams("0.02")}),
            &json!({"week": "2026-W42", "needed": grams("0.03"), "short": grams("0.03")}),
        ]
    );
    assert_eq!(
        item["purchase"],
        json!({
            "short_on": "2026-09-28", "shortfall": grams("0.05"), "packs": 1, "quantity": grams("0.25"),
            "cost_cents": 399, "order_by": "2026-09-21", "too_late": false, "earliest_on": "2026-09-17",
        })
    );
    assert_eq!(
        (&found["cost_cents"], &found["without_price"]),
        (&json!(399), &json!(0))
    );
    assert_eq!(risks(item), [late("2026-09-28", "purchase_late", "0.02")]);
    assert_eq!(item["expiring"], json!([]));
}

#[actix_web::test]
async fn an_order_that_is_late_puts_sowings_at_risk() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    three_sowings(&garden).await;
    let seed = seed(&garden).await;
    lot(&garden, seed, 40, "2026-08-01", Some("2026-12-31")).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    // what is on order serves the second sowing, unless it is late
    order(&garden, seed, 20, "2026-09-25").await;
    let found = list(&api, &garden, "").await;
    let item = of(&found, seed);
    assert_eq!(item["on_order"], grams("0.02"));
    assert_eq!(item["purchase"]["short_on"], "2026-10-12");
    assert_eq!(item["purchase"]["order_by"], "2026-10-05");
    assert_eq!(
        risks(item),
        [
            late("2026-09-28", "open_order_late", "0.02"),
            late("2026-10-12", "purchase_late", "0.03"),
        ]
    );
    let found = list(&api, &garden, "&late_days=3").await;
    assert_eq!(
        risks(of(&found, seed)),
        [late("2026-10-12", "purchase_late", "0.03")]
    );
    // up to the first sowing there is enough
    let found = list(&api, &garden, "&until=2026-09-20").await;
    assert_eq!(of(&found, seed)["purchase"], json!(null));

    // a week later it is too late for the second
    sqlx::query("update stock_order set state = 'dropped'")
        .execute(&garden.pool)
        .await
        .unwrap();
    go_to(&api, "2026-09-24T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    let item = of(&found, seed);
    assert_eq!(item["purchase"]["too_late"], true);
    assert_eq!(item["overdue"], grams("0"));
    // the first was not sown on its day and comes first still
    assert!(risks(item).contains(&late("2026-09-28", "too_late_to_order", "0.02")));

    // an order that has not come on its day
    order(&garden, seed, 20, "2026-09-25").await;
    go_to(&api, "2026-09-27T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    assert_eq!(of(&found, seed)["overdue"], grams("0.02"));
}

#[actix_web::test]
async fn a_lot_past_its_last_day_serves_nobody_and_is_named_before() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    three_sowings(&garden).await;
    let seed = seed(&garden).await;
    let first = lot(&garden, seed, 100, "2026-08-01", Some("2026-10-01")).await;
    let gone = lot(&garden, seed, 500, "2026-08-01", Some("2026-09-01")).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    let item = of(&found, seed);
    assert_eq!(item["on_hand"], grams("0.1"));
    assert_eq!(item["purchase"]["shortfall"], grams("0.03"));
    assert_eq!(item["purchase"]["short_on"], "2026-10-12");
    let expiring = item["expiring"].as_array().unwrap();
    let left = |id: Uuid| {
        expiring
            .iter()
            .find(|lot| lot["lot_id"] == json!(id))
            .map(|lot| lot["left"].clone())
    };
    assert_eq!(left(first), Some(grams("0.04")));
    assert_eq!(left(gone), Some(grams("0.5")));
}

#[actix_web::test]
async fn seed_that_no_longer_comes_up_is_named() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    three_sowings(&garden).await;
    let seed = seed(&garden).await;
    let weak = lot(&garden, seed, 70, "2026-08-01", None).await;
    sqlx::query("update lot set germination_permille = 400, germination_tested_on = '2026-09-01' where id = $1")
        .bind(weak)
        .execute(&garden.pool)
        .await
        .unwrap();
    let old = lot(&garden, seed, 30, "2022-08-01", None).await;
    lot(&garden, seed, 10, "2026-03-01", None).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    let item = of(&found, seed);
    let reports = item["seed_lots"].as_array().unwrap();
    assert_eq!(reports.len(), 2);
    let report = |id: Uuid| {
        reports
            .iter()
            .find(|lot| lot["lot_id"] == json!(id))
            .unwrap()
    };
    // 1 - 0.2^2 = 0.96 of the jars with a plant; at 0.4 that takes 7 seeds: 1 - 0.6^7 = 0.972
    let weak = report(weak);
    assert_eq!(
        (&weak["verdict"], &weak["basis"]),
        (&json!("too_few"), &json!("test"))
    );
    assert_eq!(
        (&weak["planned_seeds_a_plant"], &weak["seeds_a_plant"]),
        (&json!(2), &json!(7))
    );
    assert_eq!(weak["counts_for"], grams("0.02"));
    // 30 plants or more at 0.4, summed term by term in exact fractions: 0.9413 of 92 seeds, 0.94998 of 93
    assert_eq!(weak["tray_seeds"], 94);
    assert_eq!(weak["least_permille"], 800);
    assert!(
        weak["least_source"]
            .as_str()
            .unwrap()
            .contains("7 CFR 201.31")
    );
    // 4.1 years: past the shortest published life of lettuce seed, within the longest
    let old = report(old);
    assert_eq!(
        (&old["verdict"], &old["basis"]),
        (&json!("doubtful"), &json!("age"))
    );
    assert_eq!(old["high_permille"], 800);
    assert!(
        old["life_source"]
            .as_str()
            .unwrap()
            .contains("common practice")
    );
    // 90 mg are needed, 20 + 30 + 10 count
    assert_eq!(item["on_hand"], grams("0.11"));
    assert_eq!(item["purchase"]["shortfall"], grams("0.03"));
}

#[actix_web::test]
async fn medium_cups_and_fertiliser_follow_from_containers_and_litres() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    three_sowings(&garden).await;
    seed(&garden).await;
    let medium = item(&garden, ("Clay pebbles", "medium", "mass"), None).await;
    let cups = item(&garden, ("Net cups", "cup", "count"), None).await;
    for (item, quantity) in [(medium, 60_000_i64), (cups, 1)] {
        sqlx::query("insert into container_supply (id, cooperative_id, container_kind_id, stock_item_id, quantity) values ($1, $2, $3, $4, $5)")
            .bind(Uuid::now_v7()).bind(garden.cooperative_id).bind(garden.container_kind_id).bind(item).bind(quantity)
            .execute(&garden.pool).await.unwrap();
    }
    let product = Uuid::now_v7();
    sqlx::query("insert into product (id, cooperative_id, name, purpose, form, composition) values ($1, $2, 'Leafy mix', 'fertiliser', 'solid', '{\"substances\": {\"potassium_nitrate\": 100}}')")
        .bind(product).bind(garden.cooperative_id).execute(&garden.pool).await.unwrap();
    let recipe = Uuid::now_v7();
    sqlx::query("insert into recipe (id, cooperative_id, name, lines, ph_least_thousandths, ph_most_thousandths, usual) values ($1, $2, 'Leafy', $3, 5600, 6200, true)")
        .bind(recipe).bind(garden.cooperative_id)
        .bind(json!([{"product_id": product, "micrograms_per_litre": 1_500_000}]))
        .execute(&garden.pool).await.unwrap();
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    assert_eq!(gaps(&found), ["no_item_of_product", "no_source_water"]);
    let fertiliser = item(&garden, ("Leafy mix", "fertiliser", "mass"), Some(product)).await;
    let found = list(&api, &garden, "").await;
    assert_eq!(gaps(&found), ["no_source_water"]);
    assert_eq!(of(&found, medium)["needed"], grams("1800"));
    assert_eq!(
        of(&found, cups)["needed"],
        json!({"value": "30", "unit": "1"})
    );
    // 30 jars of 3.5 L at 1.5 g/L; their crops do not bring them below the mark
    assert_eq!(of(&found, fertiliser)["needed"], grams("157.5"));
    // a batch of 35 L stands ready: the first sowing needs none
    sqlx::query("insert into batch (id, cooperative_id, site_id, recipe_id, code, microlitres, state, plan, begun_at, begun_by)
                 select $1, $2, $3, $4, 'B1', 35000000, 'ready', '{}', '2026-09-09T15:00:00Z', id from member where cooperative_id = $2 limit 1")
        .bind(Uuid::now_v7()).bind(garden.cooperative_id).bind(garden.site_id).bind(recipe)
        .execute(&garden.pool).await.unwrap();
    let found = list(&api, &garden, "").await;
    let fertiliser = of(&found, fertiliser);
    assert_eq!(fertiliser["needed"], grams("105"));
    assert_eq!(fertiliser["weeks"][0]["week"], "2026-W40");
    // jars of a litre are low again before the crop is over
    sqlx::query("update container_kind set volume_microlitres = 1200000, fill_microlitres = 1000000, refill_limit_microlitres = 800000 where id = $1")
        .bind(garden.container_kind_id).execute(&garden.pool).await.unwrap();
    let found = list(&api, &garden, "&until=2026-12-31").await;
    let needed = of(
        &found,
        fertiliser["stock_item_id"]
            .as_str()
            .unwrap()
            .parse()
            .unwrap(),
    );
    let grams: f64 = needed["needed"]["value"].as_str().unwrap().parse().unwrap();
    // A jar uses 15 L/kg x 139.8 g = 2.10 L and ends with 0.25 to 1 L of its first litre: 1.10 to 2.10 L
    // are poured in again. 30 x (1 + 1.10) L less 35 L are 28 L, 30 x (1 + 2.10) L less 35 L are 58 L.
    assert!((42.0..=87.0).contains(&grams), "{grams}");
}

#[actix_web::test]
async fn what_cannot_be_worked_out_is_said() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    assert_eq!((&found["items"], &found["gaps"]), (&json!([]), &json!([])));
    assert_eq!(found["until"], "2026-12-03");
    three_sowings(&garden).await;
    let found = list(&api, &garden, "").await;
    assert_eq!(found["items"], json!([]));
    assert_eq!(
        gaps(&found),
        ["no_seed_item", "no_supplies", "no_usual_recipe"]
    );
    assert!(
        found["gaps"][0]["text"]
            .as_str()
            .unwrap()
            .contains("leaf lettuce")
    );
    item(&garden, ("Lettuce seed", "seed", "volume"), None).await;
    assert_eq!(gaps(&list(&api, &garden, "").await)[0], "seed_by_volume");
}

#[actix_web::test]
async fn reorder_points_follow_the_items_own_record() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let medium = item(&garden, ("Clay pebbles", "medium", "mass"), None).await;
    let lot = lot(&garden, medium, 80_000, "2026-07-01", None).await;
    // a gram a day for 70 days, and on some days another 7 that were taken back
    sqlx::query(
        "insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, quantity, happened_at, recorded_at, member_id)
         select gen_random_uuid(), $1, $2, 'issue', 'store', $3, 'in_use', 1000, day + interval '15 hours', now(), (select id from member where cooperative_id = $1 limit 1)
           from generate_series(timestamptz '2026-07-02 00:00Z', timestamptz '2026-09-09 00:00Z', interval '1 day') day",
    )
    .bind(garden.cooperative_id)
    .bind(lot)
    .bind(garden.site_id)
    .execute(&garden.pool)
    .await
    .unwrap();
    let mistake = Uuid::now_v7();
    for (id, kind, reverses) in [
        (mistake, "issue", None),
        (Uuid::now_v7(), "reverse", Some(mistake)),
    ] {
        let (out, back) = (reverses.is_none(), reverses.is_some());
        sqlx::query(
            "insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, to_site_id, quantity, happened_at, recorded_at, member_id, reverses_id)
             select $1, $2, $3, $4, case when $5 then 'store' else 'in_use' end, case when $5 then $6::uuid end,
                    case when $7 then 'store' else 'in_use' end, case when $7 then $6::uuid end, 5000, '2026-08-01T16:00:00Z', now(), id, $8
               from member where cooperative_id = $2 limit 1",
        )
        .bind(id).bind(garden.cooperative_id).bind(lot).bind(kind).bind(out).bind(garden.site_id).bind(back).bind(reverses)
        .execute(&garden.pool).await.unwrap();
    }
    go_to(&api, "2026-09-10T15:00:00Z").await;
    let found = list(&api, &garden, "").await;
    let reorder = &of(&found, medium)["reorder"];
    // 70 g in 71 days, the first without issue: mean 0.986 g, deviation 0.119 g; for 7 days at 95 %
    // 6.901 + 1.645 x 0.119 x sqrt(7) = 7.417 g
    let figure = |name: &str| reorder[name].as_f64().unwrap();
    assert!((figure("mean_a_day") - 985.9).abs() < 0.1, "{reorder}");
    assert!((figure("deviation_a_day") - 118.7).abs() < 0.1, "{reorder}");
    assert!((figure("safety_stock") - 516.5).abs() < 0.5, "{reorder}");
    let point: f64 = reorder["point"]["value"].as_str().unwrap().parse().unwrap();
    assert!((point - 7.418).abs() < 0.002, "{reorder}");
    assert_eq!(reorder["due"], false);
    assert_eq!(of(&found, medium)["on_hand"], grams("10"));
}

#[actix_web::test]
async fn a_draft_is_shopped_for_in_place_of_what_it_replaces() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let seed = seed(&garden).await;
    let id = solved(&api, "Autumn").await;
    let plan = read(&api, &id).await.body;
    let containers: i64 = plan["result"]["sowings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|sowing| sowing["containers"].as_i64().unwrap())
        .sum();
    assert!(containers > 0);
    let milligrams = |list: &Value| {
        let text = of(list, seed)["needed"]["value"]
            .as_str()
            .unwrap()
            .to_owned();
        (text.parse::<f64>().unwrap() * 1000.0).round() as i64
    };
    let empty = list(&api, &garden, "&until=2026-12-27").await;
    assert_eq!(empty["items"], json!([]));
    let draft = list(&api, &garden, &format!("&plan_id={id}")).await;
    assert_eq!(draft["until"], "2026-12-27");
    assert_eq!(milligrams(&draft), 3 * containers);
    adopt(&api, &id, false).await.expect(200);
    let adopted = list(&api, &garden, "&until=2026-12-27").await;
    assert_eq!(milligrams(&adopted), 3 * containers);
    let by_name = list(&api, &garden, &format!("&until=2026-12-27&plan_id={id}")).await;
    assert_eq!(by_name, adopted);
    // another draft replaces it and is not added to it
    let other = solved(&api, "Later").await;
    let draft = list(&api, &garden, &format!("&plan_id={other}")).await;
    let plan = read(&api, &other).await.body;
    let containers: i64 = plan["result"]["sowings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|sowing| sowing["containers"].as_i64().unwrap())
        .sum();
    assert_eq!(milligrams(&draft), 3 * containers);
}

#[actix_web::test]
async fn bad_questions_are_named_and_volunteers_do_not_shop() {
    let api = Api::new().await;
    Garden::plant(&api).await;
    for (query, pointer) in [
        ("until=2026-09-06", "until"),
        ("until=2028-01-01", "until"),
        ("late_days=91", "late_days"),
    ] {
        let reply = api.get(LEAD, &format!("/shopping_list?{query}")).await;
        assert_eq!(reply.expect(422).pointers(), [pointer], "{query}");
    }
    let unknown = Uuid::now_v7();
    for query in [format!("site_id={unknown}"), format!("plan_id={unknown}")] {
        api.get(LEAD, &format!("/shopping_list?{query}"))
            .await
            .expect(404);
    }
    let waiting = request(&api, "Waiting").await;
    let refused = api
        .get(COORDINATOR, &format!("/shopping_list?plan_id={waiting}"))
        .await
        .expect(409);
    assert_eq!(refused.problem(), "wrong-state");
    for who in [VOLUNTEER, READER] {
        api.get(who, "/shopping_list").await.expect(403);
    }
    let all = api.get(COORDINATOR, "/shopping_list").await.expect(200);
    assert_eq!(all.body["items"], json!([]));
}
