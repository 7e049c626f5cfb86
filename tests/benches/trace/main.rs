//! What a trace costs with 10 000, 100 000 and 1 000 000 movements in the ledger.
//!
//! `cargo bench -p cotyl-tests --bench trace [-- MOVEMENTS...]`. Whole use cases over a throwaway PostgreSQL on this
//! machine, which does not wait for the disk: authorisation, transaction, every record with its edges and all. Four
//! of five movements are for sowings, four each from four lots of which each does for two hundred sowings; one of ten
//! is for batches, five each, and a batch is poured for ten sowings; the rest is drawn for nothing that is told. Each
//! sowing is cut twice, and four cuts make a delivery.
#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs)]

use std::time::Instant;

use chrono::{NaiveDate, TimeDelta};
use cotyl_app::traces::{Direction, Suspect, Trace, TraceOf, TraceWanted};
use cotyl_app::{App, Caller};
use cotyl_testkit::Bed;
use sqlx::{ConnectOptions, Connection, PgConnection};
use uuid::Uuid;

const SIZES: [i64; 3] = [10_000, 100_000, 1_000_000];
const ROUNDS: i64 = 60;
const STATIONS: i64 = 100;
const PASSWORD: &str = "green leaves every week";

fn main() {
    // `cargo test --benches` and `cargo bench` pass flags of the usual harness
    let mut sizes: Vec<i64> = std::env::args()
        .skip(1)
        .filter_map(|argument| argument.parse().ok())
        .collect();
    if sizes.is_empty() {
        sizes = SIZES.to_vec();
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    println!(
        "milliseconds, median and 95th percentile of {ROUNDS} rounds each; records of the last"
    );
    for size in sizes {
        runtime.block_on(measure(size));
    }
}

/// How many records a history of so many movements has.
#[derive(Clone, Copy)]
struct Size {
    movements: i64,
    lots: i64,
    batches: i64,
    sowings: i64,
}

impl Size {
    fn of(movements: i64) -> Self {
        Self {
            movements,
            lots: movements / 250,
            batches: movements / 50,
            sowings: movements / 5,
        }
    }
}

async fn measure(movements: i64) {
    let size = Size::of(movements);
    let bed = Bed::new().await;
    let book = Book::write(&bed, size).await;
    println!("{movements} movements");
    let day = |text: &str| Some(text.parse::<NaiveDate>().unwrap());
    for (name, of, direction, most, days) in [
        (
            "seed lot forward",
            TraceOf::Lot,
            Direction::Forward,
            size.lots,
            None,
        ),
        (
            "batch both ways",
            TraceOf::Batch,
            Direction::Both,
            size.batches,
            None,
        ),
        (
            "sowing both ways",
            TraceOf::Sowing,
            Direction::Both,
            size.sowings,
            None,
        ),
        (
            "tray back",
            TraceOf::Cut,
            Direction::Back,
            2 * size.sowings,
            None,
        ),
        (
            "delivery back",
            TraceOf::Delivery,
            Direction::Back,
            size.sowings / 2,
            None,
        ),
        (
            "station, a month",
            TraceOf::Station,
            Direction::Forward,
            STATIONS,
            Some(("2025-03-01", "2025-03-31")),
        ),
        (
            "member, a week",
            TraceOf::Member,
            Direction::Forward,
            10,
            Some(("2025-03-03", "2025-03-09")),
        ),
    ] {
        let ask = async |round: i64| {
            let number = 1 + round * 7_919 % most;
            let wanted = TraceWanted {
                suspect: Suspect {
                    of,
                    id: Some(id(of, number)),
                    tray_code: None,
                    first_day: days.and_then(|days| day(days.0)),
                    last_day: days.and_then(|days| day(days.1)),
                },
                direction,
                most: 10_000,
            };
            let begun = Instant::now();
            let trace = book.app.read_trace(&book.caller, &wanted).await.unwrap();
            (begun.elapsed().as_secs_f64() * 1_000.0, trace)
        };
        for round in 0..5 {
            ask(round).await;
        }
        let mut times = Vec::new();
        let mut last = None;
        for round in 0..ROUNDS {
            let (time, trace) = ask(round).await;
            times.push(time);
            last = Some(trace);
        }
        times.sort_by(f64::total_cmp);
        let rounds = times.len();
        println!(
            "{name:>18} {:>9.2} / {:>9.2}  {}",
            times[rounds / 2],
            times[rounds * 95 / 100],
            last.as_ref().map(records).unwrap_or_default()
        );
    }
}

fn records(trace: &Trace) -> String {
    format!(
        "{} lots, {} batches, {} sowings, {} cuts, {} deliveries, {} edges{}",
        trace.lots.len(),
        trace.batches.len(),
        trace.sowings.len(),
        trace.cuts.len(),
        trace.deliveries.len(),
        trace.edges.len(),
        if trace.is_cut_short {
            ", cut short"
        } else {
            ""
        }
    )
}

/// A co-operative with a history, and who asks.
struct Book {
    app: App,
    caller: Caller,
}

impl Book {
    async fn write(bed: &Bed, size: Size) -> Self {
        let email = "coordinator@example.org";
        let founded = bed
            .app
            .found("Green Jars", "Coordinator", email, PASSWORD)
            .await
            .unwrap();
        let signed = bed
            .app
            .sign_in(email, PASSWORD, None, "bench")
            .await
            .unwrap();
        let caller = bed.app.verify_access_token(&signed.access_token).unwrap();
        let options = bed.options.clone().options([("cotyl.system", "on")]);
        let mut connection = options.connect().await.unwrap();
        // the history is written in one go, so that what watches single rows rests meanwhile
        for table in ["movement", "sowing", "delivery_line"] {
            run(
                &mut connection,
                &format!("alter table {table} disable trigger user"),
            )
            .await;
        }
        let begin = bed.app.clock().now() - TimeDelta::days(1_100);
        for statement in statements(size) {
            let written = statement
                .replace(
                    "COOPERATIVE",
                    &format!("'{}'::uuid", founded.cooperative_id),
                )
                .replace("BEGIN", &format!("timestamptz '{}'", begin.to_rfc3339()));
            run(&mut connection, &written).await;
        }
        for table in ["movement", "sowing", "delivery_line"] {
            run(
                &mut connection,
                &format!("alter table {table} enable trigger user"),
            )
            .await;
        }
        run(&mut connection, "vacuum analyze").await;
        connection.close().await.unwrap();
        Self {
            app: bed.app.clone(),
            caller,
        }
    }
}

/// The id of a record by its number: what the function `made` of the history says.
fn id(of: TraceOf, number: i64) -> Uuid {
    let kind: u128 = match of {
        TraceOf::Lot => 1,
        TraceOf::Batch => 2,
        TraceOf::Station => 3,
        TraceOf::Sowing => 4,
        TraceOf::Member => 5,
        TraceOf::Cut => 6,
        TraceOf::Delivery => 7,
    };
    Uuid::from_u128(kind << 96 | u128::try_from(number).unwrap())
}

/// The history, statement by statement.
fn statements(size: Size) -> Vec<String> {
    let Size {
        movements,
        lots,
        batches,
        sowings,
    } = size;
    let (cuts, deliveries) = (2 * sowings, sowings / 2);
    let kinds = lots / 4;
    [
        "create function pg_temp.made(kind bigint, number bigint) returns uuid language sql immutable
           as $$ select (lpad(to_hex(kind), 8, '0') || '00000000' || lpad(to_hex(number), 16, '0'))::uuid $$".to_owned(),
        "insert into site (id, cooperative_id, name, zone, opening_hours) values (pg_temp.made(8, 1), COOPERATIVE, 'North', 'America/New_York', '[]')".to_owned(),
        "insert into container_kind (id, cooperative_id, name, volume_microlitres, fill_microlitres, refill_limit_microlitres, plants_per_container)
         values (pg_temp.made(9, 1), COOPERATIVE, 'Jar', 4000000, 3500000, 2500000, 1)".to_owned(),
        "insert into crop_group (id, cooperative_id, name) values (pg_temp.made(10, 1), COOPERATIVE, 'Greens');
         insert into crop (id, cooperative_id, crop_group_id, name, profile) values (pg_temp.made(11, 1), COOPERATIVE, pg_temp.made(10, 1), 'Lettuce', '{}');
         insert into recipe (id, cooperative_id, name, lines, ph_least_thousandths, ph_most_thousandths) values (pg_temp.made(12, 1), COOPERATIVE, 'Leafy', '[]', 5600, 6200);
         insert into stock_item (id, cooperative_id, name, category, dimension) values (pg_temp.made(13, 1), COOPERATIVE, 'Medium', 'medium', 'mass')".to_owned(),
        format!("insert into station (id, cooperative_id, site_id, container_kind_id, name, method, places, environment)
         select pg_temp.made(3, n), COOPERATIVE, pg_temp.made(8, 1), pg_temp.made(9, 1), 'Bench ' || n, 'passive', 1000, '[]' from generate_series(1::bigint, {STATIONS}) n"),
        "insert into member (id, cooperative_id, name, email) select pg_temp.made(5, n), COOPERATIVE, 'Member ' || n, n || '@example.org' from generate_series(1, 10) n;
         insert into recipient (id, cooperative_id, name, kind, delivery_weekdays) select pg_temp.made(14, n), COOPERATIVE, 'Pantry ' || n, 'pantry', '{3}' from generate_series(1, 20) n".to_owned(),
        format!("insert into lot (id, cooperative_id, stock_item_id, code, quantity, received_on)
         select pg_temp.made(1, n), COOPERATIVE, pg_temp.made(13, 1), 'L' || n, 1000000, (BEGIN)::date from generate_series(1::bigint, {lots}) n"),
        format!("insert into sowing (id, cooperative_id, site_id, station_id, crop_id, containers, sow_on, free_on, state, sown_on, cleared_on)
         select pg_temp.made(4, n), COOPERATIVE, pg_temp.made(8, 1), pg_temp.made(3, 1 + n % {STATIONS}), pg_temp.made(11, 1), 4, d, d + 60, 'cleared', d, d + 60
           from generate_series(1::bigint, {sowings}) n cross join lateral (select (BEGIN)::date + (n * 1000 / {sowings})::integer as d) days"),
        "insert into sowing_event (id, cooperative_id, sowing_id, kind, happened_on, recorded_at, member_id)
         select gen_random_uuid(), COOPERATIVE, id, 'sown', sown_on, sown_on + interval '15 hours', pg_temp.made(5, 1 + (row_number() over (order by id)) % 10)
           from sowing where cooperative_id = COOPERATIVE".to_owned(),
        format!("insert into batch (id, cooperative_id, site_id, recipe_id, code, microlitres, state, plan, begun_at, begun_by)
         select pg_temp.made(2, n), COOPERATIVE, pg_temp.made(8, 1), pg_temp.made(12, 1), 'S' || n, 100000000, 'used_up', '{{}}',
                BEGIN + n * interval '1000 days' / {batches}, pg_temp.made(5, 1 + n % 10) from generate_series(1::bigint, {batches}) n"),
        // four of five for sowings
        format!("insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, quantity, happened_at, recorded_at, member_id, sowing_id)
         select gen_random_uuid(), COOPERATIVE, pg_temp.made(1, 1 + k * {kinds} + (n - 1) * {kinds} / {sowings}), 'issue', 'store', pg_temp.made(8, 1), 'in_use', 100, t, t, pg_temp.made(5, 1 + n % 10), pg_temp.made(4, n)
           from generate_series(1::bigint, {sowings}) n cross join generate_series(0, 3) k cross join lateral (select BEGIN + n * interval '1000 days' / {sowings} as t) at"),
        // one of ten for batches
        format!("insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, quantity, happened_at, recorded_at, member_id, batch_id)
         select gen_random_uuid(), COOPERATIVE, pg_temp.made(1, 1 + (k * {lots} / 5 + (n - 1) * {lots} / {batches}) % {lots}), 'issue', 'store', pg_temp.made(8, 1), 'in_use', 100, t, t, pg_temp.made(5, 1 + n % 10), pg_temp.made(2, n)
           from generate_series(1::bigint, {batches}) n cross join generate_series(0, 4) k cross join lateral (select BEGIN + n * interval '1000 days' / {batches} as t) at"),
        // and the rest for nothing that is told
        format!("insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, quantity, happened_at, recorded_at, member_id)
         select gen_random_uuid(), COOPERATIVE, pg_temp.made(1, 1 + n % {lots}), 'issue', 'store', pg_temp.made(8, 1), 'in_use', 100, t, t, pg_temp.made(5, 1 + n % 10)
           from generate_series(1::bigint, {movements} - 4 * {sowings} - 5 * {batches}) n cross join lateral (select BEGIN + n * interval '1 minute' as t) at"),
        format!("insert into batch_entry (id, cooperative_id, batch_id, kind, happened_at, recorded_at, member_id, microlitres, sowing_id)
         select gen_random_uuid(), COOPERATIVE, pg_temp.made(2, 1 + (n - 1) * {batches} / {sowings}), 'use', t, t, pg_temp.made(5, 1 + n % 10), 10000000, pg_temp.made(4, n)
           from generate_series(1::bigint, {sowings}) n cross join lateral (select BEGIN + n * interval '1000 days' / {sowings} as t) at"),
        format!("insert into cut (id, cooperative_id, sowing_id, number, cut_on, milligrams, quality, tray_code, member_id, recorded_at)
         select pg_temp.made(6, n), COOPERATIVE, pg_temp.made(4, 1 + (n - 1) / 2), 1 + n % 2, (t + interval '40 days')::date, 400000, 'good', 'T' || n, pg_temp.made(5, 1 + n % 10), t + interval '40 days'
           from generate_series(1::bigint, {cuts}) n cross join lateral (select BEGIN + n * interval '1000 days' / {cuts} as t) at"),
        format!("insert into delivery (id, cooperative_id, site_id, recipient_id, state, packed_on, handed_over_on, handed_over_at, hand_over_recorded_at, handed_over_by, received_by)
         select pg_temp.made(7, n), COOPERATIVE, pg_temp.made(8, 1), pg_temp.made(14, 1 + n % 20), 'handed_over', t::date, t::date, t, t, pg_temp.made(5, 1 + n % 10), 'Somebody'
           from generate_series(1::bigint, {deliveries}) n cross join lateral (select BEGIN + interval '41 days' + n * interval '1000 days' / {deliveries} as t) at"),
        format!("insert into delivery_line (id, cooperative_id, delivery_id, cut_id, milligrams, recorded_at)
         select gen_random_uuid(), COOPERATIVE, pg_temp.made(7, 1 + (n - 1) / 4), pg_temp.made(6, n), 400000, BEGIN + interval '41 days' from generate_series(1::bigint, {cuts}) n"),
    ]
    .into()
}

async fn run(connection: &mut PgConnection, statement: &str) {
    sqlx::raw_sql(sqlx::AssertSqlSafe(statement.to_owned()))
        .execute(connection)
        .await
        .unwrap_or_else(|error| panic!("{error}: {statement}"));
}
