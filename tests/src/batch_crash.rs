//! Power cuts while a batch is begun: all of it or none, and the next start serves.

use std::path::Path;
use std::time::Instant;

use serde_json::{Value, json};
use uuid::Uuid;

use crate::binary::{Folder, Serving, found};
use crate::crash::behind;
use crate::mixing::{HOAGLAND, recipe_input};
use crate::power_cuts::{Aim, cut};

const ADA: &str = "ada@example.org";
const ROUNDS: u32 = 16;

/// A site, the salts of a recipe with plenty of each on the shelf, and the body of a batch.
async fn describe(server: &Serving, folder: &Path) -> Value {
    let make = async |path: &str, body: Value| -> Uuid {
        let (status, record) = server.post(path, body).await.unwrap();
        assert_eq!(status, 201, "{path}: {record}");
        record["id"].as_str().unwrap().parse().unwrap()
    };
    let hours = json!([{"weekday": "monday", "opens": "08:00", "closes": "18:00"}]);
    let site = make("/sites", json!({"name": "Hall", "zone": "America/New_York", "opening_hours": hours, "weekly_minutes": 600, "weekly_mixing": null, "most_sowings_per_week": null})).await;
    let pool = behind(folder).await;
    let mut salts = Vec::new();
    for (name, substance, _) in HOAGLAND {
        let input = json!({"name": name, "purpose": "fertiliser", "form": "solid", "composition": {"substances": {substance.name(): 100.0}}});
        let product = make("/products", input).await;
        let (item, lot) = (Uuid::now_v7(), Uuid::now_v7());
        for (statement, id, other) in [
            (
                "insert into stock_item (id, cooperative_id, name, category, dimension, product_id)
                 select $1, cooperative_id, name, 'fertiliser', 'mass', id from product where id = $2",
                item,
                product,
            ),
            (
                "insert into lot (id, cooperative_id, stock_item_id, code, quantity, received_on)
                 select $1, cooperative_id, id, 'L1', 50000000, '2026-01-01' from stock_item where id = $2",
                lot,
                item,
            ),
            (
                "insert into movement (id, cooperative_id, lot_id, kind, from_place, to_place, to_site_id, quantity, happened_at, recorded_at, member_id)
                 select $1, l.cooperative_id, l.id, 'receive', 'supplier', 'store', s.id, 50000000, '2026-01-01', '2026-01-01', m.id
                   from lot l join site s on s.cooperative_id = l.cooperative_id join member m on m.cooperative_id = l.cooperative_id
                  where l.id = $2",
                Uuid::now_v7(),
                lot,
            ),
        ] {
            sqlx::query(statement).bind(id).bind(other).execute(&pool).await.unwrap();
        }
        salts.push(product);
    }
    pool.close().await;
    let recipe = make("/recipes", recipe_input(&salts)).await;
    json!({"site_id": site, "recipe_id": recipe, "volume": {"value": "20", "unit": "L"}})
}

/// How many batches there are, after checking that each is whole and the shelf tells the same.
async fn whole_batches(folder: &Path) -> i64 {
    let pool = behind(folder).await;
    let (batches, torn, audited, drawn, gone): (i64, i64, i64, i64, i64) = sqlx::query_as(
        "select (select count(*) from batch),
                (select count(*) from batch b where (select count(*) from movement m where m.batch_id = b.id) <> 4),
                (select count(*) from audit_entry where operation = 'start_batch'),
                (select coalesce(sum(quantity), 0)::bigint from movement where kind = 'issue'),
                (select (4 * 50000000 - sum(quantity))::bigint from store_lot)",
    )
    .fetch_one(&pool)
    .await
    .unwrap();
    pool.close().await;
    assert_eq!((torn, audited), (0, batches));
    // 10.11 + 23.61 + 9.858 + 2.722 g for each
    assert_eq!((drawn, gone), (batches * 46_300, batches * 46_300));
    batches
}

#[actix_web::test]
async fn power_cuts_while_a_batch_is_begun_leave_all_of_it_or_none() {
    let folder = Folder::new("batch cuts");
    found(&folder.0, "Green Jars", ADA);
    let mut server = Serving::start(&folder.0).await;
    server.sign_in(ADA).await;
    let input = describe(&server, &folder.0).await;
    let begun = Instant::now();
    let (status, said) = server.post("/batches", input.clone()).await.unwrap();
    assert_eq!(status, 201, "{said}");
    let mut aim = Aim::new(begun.elapsed(), 11);
    let (mut count, mut kept, mut lost) = (whole_batches(&folder.0).await, 0, 0);
    for round in 0..ROUNDS {
        let pause = aim.pause();
        let beginning = server.post("/batches", input.clone());
        let cut = async {
            tokio::time::sleep(pause).await;
            cut(&server, &folder.0, round % 2 == 0);
        };
        let (answer, ()) = futures::future::join(beginning, cut).await;
        drop(server);
        server = Serving::start(&folder.0).await;
        server.sign_in(ADA).await;
        let now = whole_batches(&folder.0).await;
        assert!(now == count || now == count + 1);
        // what was answered with success has happened
        if let Ok((status, said)) = answer {
            assert!(status != 201 || now == count + 1, "{said}");
        }
        if now > count {
            kept += 1
        } else {
            lost += 1
        }
        aim.learn(now > count);
        count = now;
    }
    assert!(
        kept > 1 && lost > 1,
        "{kept} begun, {lost} not: the cuts missed the beginning"
    );
    server.signal("TERM");
    assert!(server.wait());
}
