//! Nothing is visible across co-operatives, for every operation of the API document.

use std::collections::BTreeMap;

use cotyl_domain::{Access, Operation, Role};
use serde_json::{Value, json};
use sqlx::AssertSqlSafe;
use uuid::Uuid;

use crate::garden::Garden;
use crate::served::{Body, Served};
use crate::support::Api;

const OTHER: &str = "other@example.org";

/// One record of every noun, by the name of its path parameter.
async fn fill(garden: &Garden) -> BTreeMap<String, Uuid> {
    let mut ids: BTreeMap<String, Uuid> = [
        ("site_id", garden.site_id),
        ("container_kind_id", garden.container_kind_id),
        ("station_id", garden.station_id),
        ("crop_group_id", garden.crop_group_id),
        ("crop_id", garden.crop_id),
        ("recipient_id", garden.recipient_id),
        ("pledge_id", garden.pledge_id),
    ]
    .map(|(name, id)| (name.to_owned(), id))
    .into();
    let member: Uuid =
        sqlx::query_scalar("select id from member where cooperative_id = $1 order by id limit 1")
            .bind(garden.cooperative_id)
            .fetch_one(&garden.pool)
            .await
            .unwrap();
    ids.insert("member_id".into(), member);
    // $1 the new id, $2 the co-operative, $3 the member, $4 site, $5 station, $6 crop, $7 recipient
    for (name, statement) in [
        (
            "closure_id",
            "insert into closure (id, cooperative_id, site_id, first_day, last_day, reason) values ($1, $2, $4, '2026-12-21', '2026-12-31', 'Break')",
        ),
        (
            "outage_id",
            "insert into station_outage (id, cooperative_id, station_id, first_day, last_day, places, reason) values ($1, $2, $5, '2026-12-21', '2026-12-31', 1, 'Leak')",
        ),
        (
            "choice_id",
            "insert into learning_choice (id, cooperative_id, crop_id, station_id, quantity, held_permille) values ($1, $2, $6, $5, 'days', 1100)",
        ),
        (
            "station_choice_id",
            "insert into station_learning_choice (id, cooperative_id, station_id, quantity, held_permille) values ($1, $2, $5, 'days', 1100)",
        ),
        (
            "group_id",
            "insert into member_group (id, cooperative_id, site_id, name, head_count, led_by) values ($1, $2, $4, 'Club', 12, $3)",
        ),
        (
            "qualification_id",
            "insert into qualification (id, cooperative_id, member_id, kind, issued_on) values ($1, $2, $3, 'concentrates', '2026-01-01')",
        ),
        (
            "plan_id",
            "insert into plan (id, cooperative_id, name, first_monday, weeks, seed, work_limit, time_limit_seconds, requested_by) values ($1, $2, 'Term', '2026-09-07', 10, 1, 0, 10, $3)",
        ),
        (
            "sowing_id",
            "insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, state, sown_on) values ($1, $2, $4, $5, $6, 2, '2026-08-01', '2026-10-10', 'cutting', '2026-08-01')",
        ),
        (
            "task_id",
            "insert into task (id, cooperative_id, site_id, kind, occasion, sowing_id, day, opens_at, due_at, minutes) select $1, $2, $4, 'sow', $1::text, id, '2026-09-08', '2026-09-08T12:00Z', '2026-09-08T20:00Z', 10 from sowing where cooperative_id = $2 limit 1",
        ),
        (
            "work_report_id",
            "insert into work_report (id, cooperative_id, site_id, task_id, member_id, done_at, recorded_at, whole, outcome, state, conflict) select $1, $2, $4, id, $3, now(), now(), true, '{}', 'waiting', 'wrong-state' from task where cooperative_id = $2 limit 1",
        ),
        (
            "cut_id",
            "insert into cut (id, cooperative_id, sowing_id, number, cut_on, milligrams, quality, tray_code, member_id, recorded_at) select $1, $2, id, 1, '2026-09-07', 500000, 'good', 'T1', $3, now() from sowing where cooperative_id = $2 limit 1",
        ),
        (
            "product_id",
            "insert into product (id, cooperative_id, name, purpose, form, composition) values ($1, $2, 'Saltpetre', 'fertiliser', 'solid', '{\"substances\": {\"potassium_nitrate\": 100}}')",
        ),
        (
            "source_water_id",
            "insert into source_water (id, cooperative_id, site_id, name, analysis) values ($1, $2, $4, 'Tap', '{\"ph\": 7.6, \"alkalinity\": {\"value\": 2, \"unit\": \"milliequivalents_per_litre\"}, \"milligrams_per_litre\": {}}')",
        ),
        (
            "recipe_id",
            "insert into recipe (id, cooperative_id, name, lines, ph_least_thousandths, ph_most_thousandths) select $1, $2, 'Plain', jsonb_build_array(jsonb_build_object('product_id', id, 'micrograms_per_litre', 500000)), 5600, 6200 from product where cooperative_id = $2",
        ),
        (
            "batch_id",
            "insert into batch (id, cooperative_id, site_id, recipe_id, code, microlitres, plan, begun_at, begun_by) select $1, $2, $4, id, 'S1', 20000000, '{}', now(), $3 from recipe where cooperative_id = $2",
        ),
        (
            "delivery_id",
            "insert into delivery (id, cooperative_id, site_id, recipient_id, packed_on) values ($1, $2, $4, $7, '2026-09-07')",
        ),
        (
            "dispute_id",
            "insert into delivery_dispute (id, cooperative_id, delivery_id, reason, member_id, recorded_at) select $1, $2, id, 'Too light', $3, now() from delivery where cooperative_id = $2",
        ),
        (
            "term_id",
            "insert into term (id, cooperative_id, name, first_day, last_day) values ($1, $2, 'Autumn', '2026-09-07', '2026-12-18')",
        ),
        (
            "veto_id",
            "insert into learning_veto (id, cooperative_id, sowing_id, quantity, reason, member_id) select $1, $2, id, 'grams', 'Heat', $3 from sowing where cooperative_id = $2",
        ),
        (
            "stock_item_id",
            "insert into stock_item (id, cooperative_id, name, category, dimension) values ($1, $2, 'Perlite', 'medium', 'mass')",
        ),
        (
            "container_supply_id",
            "insert into container_supply (id, cooperative_id, container_kind_id, stock_item_id, quantity)
             select $1, $2, k.id, i.id, 35000 from container_kind k, stock_item i where k.cooperative_id = $2 and i.cooperative_id = $2 limit 1",
        ),
        (
            "stock_order_id",
            "insert into stock_order (id, cooperative_id, site_id, stock_item_id, quantity, ordered_on, expected_on)
             select $1, $2, $4, id, 1000000, '2026-09-07', '2026-09-14' from stock_item where cooperative_id = $2 limit 1",
        ),
        (
            "lot_id",
            "insert into lot (id, cooperative_id, stock_item_id, code, quantity, received_on)
             select $1, $2, id, 'P1', 1000000, '2026-09-07' from stock_item where cooperative_id = $2 limit 1",
        ),
        (
            "movement_id",
            "insert into movement (id, cooperative_id, lot_id, kind, from_place, to_place, to_site_id, quantity, happened_at, recorded_at, member_id)
             select $1, $2, id, 'receive', 'supplier', 'store', $4, 1000000, now(), now(), $3 from lot where cooperative_id = $2 limit 1",
        ),
        (
            "stock_count_id",
            "insert into stock_count (id, cooperative_id, site_id, opened_by, opened_at) values ($1, $2, $4, $3, now())",
        ),
        (
            "recall_id",
            "insert into recall (id, cooperative_id, title, why, suspect_kind, suspect_id, suspect_name, drafted_by, drafted_at) select $1, $2, 'Lot P1', 'Called back', 'lot', id, 'Perlite P1', $3, now() from lot where cooperative_id = $2 limit 1",
        ),
    ] {
        let id = Uuid::now_v7();
        // unused parameters still need a type
        let typed = format!(
            "with given as (select $1::uuid, $2::uuid, $3::uuid, $4::uuid, $5::uuid, $6::uuid, $7::uuid) {statement}"
        );
        sqlx::query(AssertSqlSafe(typed))
            .bind(id)
            .bind(garden.cooperative_id)
            .bind(member)
            .bind(garden.site_id)
            .bind(garden.station_id)
            .bind(garden.crop_id)
            .bind(garden.recipient_id)
            .execute(&garden.pool)
            .await
            .unwrap();
        ids.insert(name.to_owned(), id);
    }
    ids
}

/// Every row of the co-operative, table by table.
async fn everything(garden: &Garden) -> BTreeMap<String, Vec<String>> {
    let tables: Vec<String> = sqlx::query_scalar(
        "select table_name::text from information_schema.columns
          where table_schema = current_schema() and column_name = 'cooperative_id' and table_name <> 'cut_balance' order by 1",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    let mut rows = BTreeMap::new();
    for table in tables {
        let found: Vec<String> = sqlx::query_scalar(AssertSqlSafe(format!(
            "select to_jsonb(t)::text from {table} t where cooperative_id = $1 order by 1"
        )))
        .bind(garden.cooperative_id)
        .fetch_all(&garden.pool)
        .await
        .unwrap();
        rows.insert(table, found);
    }
    rows
}

#[actix_web::test]
async fn every_operation_hides_the_records_of_others() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let ids = fill(&garden).await;
    api.found("Other", OTHER).await;
    let before = everything(&garden).await;
    let mut faults = Vec::new();
    let mut asked = 0;
    for (name, served) in Served::all() {
        if served.description["security"] == json!([{}]) || name == "sign_out" {
            continue;
        }
        // foreign ids in the path, in the query and in the body
        let (request, body) = served.bare(&api, OTHER, &|parameter| {
            ids.get(parameter).map(Uuid::to_string)
        });
        let request = match body {
            Body::None => request,
            Body::Json(mut body) => {
                point_at(&mut body, &ids);
                request.set_json(body)
            }
            Body::Text(kind, text) => request
                .insert_header(("content-type", kind))
                .set_payload(text),
        };
        let reply = api.send(request).await;
        asked += 1;
        let status = reply.status.as_u16();
        if let Some(leaked) = ids
            .values()
            .find(|id| reply.status.is_success() && reply.text.contains(&id.to_string()))
        {
            faults.push(format!("{name} shows {leaked}: {status} {}", reply.text));
        }
        // what no coordinator may do is forbidden before any record is looked for
        let forbidden = Operation::parse(name)
            .is_some_and(|operation| operation.access(Role::Coordinator) == Access::No);
        let hidden = if forbidden { 403 } else { 404 };
        // rules have names, the same in every co-operative
        if served.path.contains('{') && !served.path.contains("{rule}") && status != hidden {
            faults.push(format!(
                "{name} answered {status} instead of {hidden}: {}",
                reply.text
            ));
        }
        if served.method == actix_web::http::Method::GET
            && !served.path.contains('{')
            && status == 200
            && reply.body["items"].is_array()
        {
            // the invitation of their own member among them
            let own = [
                "list_members",
                "list_audit_entries",
                "list_starter_crops",
                "list_task_rules",
                "list_notices",
            ]
            .contains(&name);
            if !own && reply.body["items"] != json!([]) {
                faults.push(format!("{name} lists {}", reply.text));
            }
        }
        if status >= 500 {
            faults.push(format!("{name} fails: {}", reply.text));
        }
    }
    assert!(asked > 110, "{asked}");
    let after = everything(&garden).await;
    for (table, rows) in &before {
        if rows != &after[table] {
            faults.push(format!("{table} was changed"));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Puts the foreign ids wherever a body names a record.
fn point_at(body: &mut Value, ids: &BTreeMap<String, Uuid>) {
    match body {
        Value::Object(fields) => {
            for (name, value) in fields {
                match ids.get(name) {
                    Some(id) if !value.is_null() => *value = json!(id),
                    _ => point_at(value, ids),
                }
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| point_at(item, ids)),
        _ => {}
    }
}
