//! What the database itself guarantees: migrations both ways, row-level security, history, and a
//! pool that cancelled requests do not poison.

use std::time::Duration;

use cotyl_store::{PoolSettings, Store, migrations};
use cotyl_testkit::shared_server;
use futures::future::join_all;
use sqlx::{AssertSqlSafe, PgPool};
use uuid::Uuid;

use crate::garden::{Garden, system_pool};
use crate::support::{Api, site_input};

/// Everything that makes up the schema, as lines of text in a stable order.
const SCHEMA: &str = "
  select 'column ' || table_name || '.' || column_name || ' ' || data_type || ' ' || is_nullable || ' ' || coalesce(column_default, '')
    from information_schema.columns where table_schema = current_schema() and table_name <> '_sqlx_migrations'
  union all
  select 'constraint ' || conrelid::regclass || ' ' || conname || ' ' || pg_get_constraintdef(oid)
    from pg_constraint where connamespace = current_schema()::regnamespace and conrelid <> to_regclass('_sqlx_migrations')
  union all
  select 'index ' || indexdef from pg_indexes where schemaname = current_schema() and tablename <> '_sqlx_migrations'
  union all
  select 'trigger ' || pg_get_triggerdef(oid) from pg_trigger where not tgisinternal
  union all
  select 'policy ' || tablename || ' ' || policyname || ' ' || coalesce(qual, '') || ' ' || coalesce(with_check, '') from pg_policies
  union all
  select 'function ' || pg_get_functiondef(oid) from pg_proc where pronamespace = current_schema()::regnamespace
  union all
  select 'table ' || relname || ' ' || relrowsecurity || ' ' || relforcerowsecurity
    from pg_class where relnamespace = current_schema()::regnamespace and relkind in ('r', 'v') and relname <> '_sqlx_migrations'
  order by 1";

async fn schema(store: &Store) -> Vec<String> {
    let mut connection = store.connect().await.unwrap();
    sqlx::query_scalar(SCHEMA)
        .fetch_all(&mut connection)
        .await
        .unwrap()
}

#[actix_web::test]
async fn migrations_go_up_down_and_up() {
    let server = shared_server();
    let name = server
        .create_database_from_template("template0")
        .await
        .unwrap();
    let store = Store::new(server.connect_options(&name), &PoolSettings::default());
    migrations::migrate(&store).await.unwrap();
    let first = schema(&store).await;
    assert!(first.len() > 300, "{}", first.len());
    for version in (0..migrations::newest_version()).rev() {
        migrations::revert(&store, version).await.unwrap();
    }
    assert_eq!(schema(&store).await, Vec::<String>::new());
    // several servers start at once
    let starts = join_all((0..4).map(|_| migrations::migrate(&store))).await;
    assert!(starts.iter().all(Result::is_ok), "{starts:?}");
    assert_eq!(schema(&store).await, first);
    store.close();
    server.drop_database(&name).await.unwrap();
}

#[actix_web::test]
async fn every_table_is_protected_even_from_its_owner() {
    let api = Api::new().await;
    let open: Vec<String> = sqlx::query_scalar(
        "select relname::text from pg_class
          where relnamespace = current_schema()::regnamespace and relkind = 'r' and relname <> '_sqlx_migrations'
            and not (relrowsecurity and relforcerowsecurity)",
    )
    .fetch_all(&mut api.bed.app.store().connect().await.unwrap())
    .await
    .unwrap();
    assert_eq!(open, Vec::<String>::new());
    migrations::require_bound_role(api.bed.app.store())
        .await
        .unwrap();
}

#[actix_web::test]
async fn a_query_that_forgets_the_cooperative_sees_no_other() {
    let api = Api::new().await;
    let garden = Garden::plant(&api).await;
    let other = api.found("Other", "other@example.org").await;
    let tables: Vec<String> = sqlx::query_scalar(
        "select table_name::text from information_schema.columns
          where table_schema = current_schema() and column_name = 'cooperative_id' order by 1",
    )
    .fetch_all(&garden.pool)
    .await
    .unwrap();
    let options = |setting: Option<Uuid>| {
        let options = api.bed.options.clone();
        match setting {
            Some(id) => options.options([("cotyl.cooperative", id.to_string())]),
            None => options,
        }
    };
    let mut filled = 0;
    for (setting, expect_any) in [
        (Some(garden.cooperative_id), true),
        (Some(other), false),
        (None, false),
    ] {
        let pool = PgPool::connect_with(options(setting)).await.unwrap();
        for table in &tables {
            let seen: Vec<Uuid> = sqlx::query_scalar(AssertSqlSafe(format!(
                "select distinct cooperative_id from {table}"
            )))
            .fetch_all(&pool)
            .await
            .unwrap();
            assert!(
                seen.iter().all(|id| Some(*id) == setting),
                "{table} {setting:?}"
            );
            filled += usize::from(expect_any && !seen.is_empty());
        }
        // nor can it write for another
        let refused =
            sqlx::query("insert into crop_group (id, cooperative_id, name) values ($1, $2, 'x')")
                .bind(Uuid::now_v7())
                .bind(if setting == Some(other) {
                    garden.cooperative_id
                } else {
                    other
                })
                .execute(&pool)
                .await
                .unwrap_err();
        assert!(
            refused.to_string().contains("row-level security"),
            "{refused}"
        );
        pool.close().await;
    }
    assert!(filled >= 10, "{filled} tables had rows to hide");
}

#[actix_web::test]
async fn history_is_never_rewritten() {
    let api = Api::new().await;
    api.found("Green Jars", "ada@example.org").await;
    api.post("ada@example.org", "/sites", site_input("North"))
        .await
        .expect(201);
    let pool = system_pool(&api).await;
    for statement in [
        "update audit_entry set device = 'x'",
        "delete from audit_entry",
    ] {
        let refused = sqlx::query(statement).execute(&pool).await.unwrap_err();
        assert!(refused.to_string().contains("append-only"), "{refused}");
    }
}

#[actix_web::test]
async fn cancelled_requests_do_not_poison_the_pool() {
    let api = Api::new().await;
    api.found("Green Jars", "ada@example.org").await;
    let mut cancelled = 0;
    for number in 0..60_u64 {
        let name = format!("Site {number}");
        let request = api.post("ada@example.org", "/sites", site_input(&name));
        if tokio::time::timeout(Duration::from_micros(150 * number), request)
            .await
            .is_err()
        {
            cancelled += 1;
        }
    }
    assert!(cancelled > 5, "{cancelled}");
    // every connection works, none is left inside a transaction, nothing is half written
    let replies = join_all((0..16).map(|_| api.get("ada@example.org", "/sites?limit=200"))).await;
    let sites = replies.last().unwrap().body["items"]
        .as_array()
        .unwrap()
        .len();
    assert!(replies.iter().all(|reply| reply.status == 200));
    let pool = system_pool(&api).await;
    let (open, audited): (i64, i64) = sqlx::query_as(
        "select (select count(*) from pg_stat_activity where datname = current_database() and state like 'idle in transaction%'),
                (select count(*) from audit_entry where operation = 'create_site')",
    )
    .fetch_one(&pool)
    .await
    .unwrap();
    assert_eq!((open, audited), (0, sites as i64));
}
