//! What a balance and a movement cost with 1 000, 100 000 and 1 000 000 movements in the ledger.
//!
//! `cargo bench -p cotyl-tests --bench ledger [-- MOVEMENTS...]`. Whole use cases over a throwaway PostgreSQL on
//! this machine, which does not wait for the disk: authorisation, transaction, audit and all. Half of the history
//! lies in ten lots that are in use, half in lots of a hundred movements each that are used up.
#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs)]

use std::time::Instant;

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_app::movements::{Drawn, MovementFields, MovementWish};
use cotyl_app::records::BalanceFilter;
use cotyl_app::{App, Caller};
use cotyl_domain::quantity::{Amount, StockDimension};
use cotyl_testkit::Bed;
use sqlx::{ConnectOptions, Connection, PgConnection};
use uuid::Uuid;

const SIZES: [i64; 3] = [1_000, 100_000, 1_000_000];
const ROUNDS: usize = 300;
const LOTS_IN_USE: i64 = 10;
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
    println!("milliseconds, median and 95th percentile of {ROUNDS} rounds each");
    println!(
        "{:>10} {:>16} {:>16} {:>16} {:>16}",
        "movements", "stock now", "stock long ago", "item long ago", "draw"
    );
    for size in sizes {
        runtime.block_on(measure(size));
    }
}

async fn measure(size: i64) {
    let bed = Bed::new().await;
    let book = Book::write(&bed, size).await;
    let long_ago = bed.clock_now() - TimeDelta::days(400);
    let now = book.time(async || book.stock(None, None).await).await;
    let past = book
        .time(async || book.stock(Some(long_ago), None).await)
        .await;
    let item = book
        .time(async || book.stock(Some(long_ago), Some(book.items[0])).await)
        .await;
    let draw = book.time(async || book.draw().await).await;
    println!("{size:>10} {now:>16} {past:>16} {item:>16} {draw:>16}");
}

/// The present of a bed's clock.
trait Present {
    fn clock_now(&self) -> DateTime<Utc>;
}

impl Present for Bed {
    fn clock_now(&self) -> DateTime<Utc> {
        self.app.clock().now()
    }
}

/// A ledger with a history, and who asks.
struct Book {
    app: App,
    caller: Caller,
    site_id: Uuid,
    items: Vec<Uuid>,
}

impl Book {
    async fn write(bed: &Bed, size: i64) -> Self {
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
        let site_id = Uuid::now_v7();
        sqlx::query("insert into site (id, cooperative_id, name, zone, opening_hours) values ($1, $2, 'North', 'America/New_York', '[]')")
            .bind(site_id)
            .bind(founded.cooperative_id)
            .execute(&mut connection)
            .await
            .unwrap();
        let mut items = Vec::new();
        for number in 0..LOTS_IN_USE {
            let item_id = Uuid::now_v7();
            sqlx::query("insert into stock_item (id, cooperative_id, name, category, dimension) values ($1, $2, $3, 'medium', 'mass')")
                .bind(item_id)
                .bind(founded.cooperative_id)
                .bind(format!("Medium {number}"))
                .execute(&mut connection)
                .await
                .unwrap();
            items.push(item_id);
        }
        let half = size / 2;
        let ids = (founded.cooperative_id, founded.coordinator_id, site_id);
        let in_use = History {
            lots: LOTS_IN_USE,
            movements_each: half / LOTS_IN_USE,
            left: 10_000_000,
        };
        let used_up = History {
            lots: half / 100,
            movements_each: 100,
            left: 0,
        };
        for history in [in_use, used_up] {
            history
                .write(&mut connection, ids, &items, bed.clock_now())
                .await;
        }
        sqlx::query("vacuum analyze")
            .execute(&mut connection)
            .await
            .unwrap();
        connection.close().await.unwrap();
        Self {
            app: bed.app.clone(),
            caller,
            site_id,
            items,
        }
    }

    async fn stock(&self, at: Option<DateTime<Utc>>, stock_item_id: Option<Uuid>) {
        let filter = BalanceFilter {
            site_id: Some(self.site_id),
            stock_item_id,
            at,
        };
        let balances = self.app.read_stock(&self.caller, &filter).await.unwrap();
        assert!(!balances.is_empty());
    }

    async fn draw(&self) {
        let fields = MovementFields {
            wish: MovementWish::Issue {
                drawn: Drawn {
                    site_id: self.site_id,
                    stock_item_id: Some(self.items[0]),
                    lot_id: None,
                    amount: Amount::of(StockDimension::Mass, 1_000),
                },
                sowing_id: None,
                expired_accepted: false,
            },
            happened_at: None,
            reason: String::new(),
        };
        let made = self
            .app
            .record_movement(&self.caller, &fields)
            .await
            .unwrap();
        assert_eq!(made.len(), 1);
    }

    async fn time(&self, work: impl AsyncFn()) -> String {
        for _ in 0..20 {
            work().await;
        }
        let mut times = Vec::with_capacity(ROUNDS);
        for _ in 0..ROUNDS {
            let begun = Instant::now();
            work().await;
            times.push(begun.elapsed().as_secs_f64() * 1_000.0);
        }
        times.sort_by(f64::total_cmp);
        format!("{:.2} / {:.2}", times[ROUNDS / 2], times[ROUNDS * 95 / 100])
    }
}

/// Lots with a receipt and issues of a milligram each, over the last three years but not the last ten days.
struct History {
    lots: i64,
    movements_each: i64,
    left: i64,
}

impl History {
    async fn write(
        &self,
        connection: &mut PgConnection,
        (cooperative_id, member_id, site_id): (Uuid, Uuid, Uuid),
        items: &[Uuid],
        now: DateTime<Utc>,
    ) {
        let received = self.left + self.movements_each - 1;
        let begin = now - TimeDelta::days(1_100);
        let end = now - TimeDelta::days(10);
        // the store is filled in one go, so its trigger rests meanwhile
        for statement in [
            "create temporary table if not exists new_lot (number bigint, id uuid)",
            "truncate new_lot",
            "alter table movement disable trigger keep_stores",
        ] {
            sqlx::query(statement)
                .execute(&mut *connection)
                .await
                .unwrap();
        }
        sqlx::query(
            "insert into new_lot select n, gen_random_uuid() from generate_series(1, $1::bigint) n",
        )
        .bind(self.lots)
        .execute(&mut *connection)
        .await
        .unwrap();
        sqlx::query(
            "insert into lot (id, cooperative_id, stock_item_id, code, quantity, cost_cents, received_on)
             select id, $1, ($2::uuid[])[1 + number % array_length($2, 1)], 'L' || number, $3, 1000, $4::timestamptz::date from new_lot",
        )
        .bind(cooperative_id)
        .bind(items)
        .bind(received)
        .bind(begin)
        .execute(&mut *connection)
        .await
        .unwrap();
        // lots that are in use go through all of the time, the others one after another
        let spread = if self.left > 0 { 0.0 } else { 1.0 };
        sqlx::query(
            "insert into movement (id, cooperative_id, lot_id, kind, from_place, from_site_id, to_place, to_site_id, quantity, happened_at, recorded_at, member_id)
             select gen_random_uuid(), $1, l.id, case n when 1 then 'receive' else 'issue' end,
                    case n when 1 then 'supplier' else 'store' end, case when n > 1 then $2::uuid end,
                    case n when 1 then 'store' else 'in_use' end, case when n = 1 then $2::uuid end,
                    case n when 1 then $3::bigint else 1 end, t.at, t.at, $4
               from new_lot l
              cross join generate_series(1, $5::bigint) n
              cross join lateral (
                select $6::timestamptz + ($7::timestamptz - $6::timestamptz)
                       * ((1 - $8::float8) * (n - 1) / $5 + $8::float8 * ((l.number - 1) + (n - 1)::float8 / $5) / $9) as at) t",
        )
        .bind(cooperative_id)
        .bind(site_id)
        .bind(received)
        .bind(member_id)
        .bind(self.movements_each)
        .bind(begin)
        .bind(end)
        .bind(spread)
        .bind(self.lots)
        .execute(&mut *connection)
        .await
        .unwrap();
        sqlx::query(
            "insert into store_line (cooperative_id, site_id, lot_id, happened_at, movement_id, quantity)
             select m.cooperative_id, $1, m.lot_id, m.happened_at, m.id,
                    sum(case when m.to_site_id = $1 then m.quantity else -m.quantity end) over (partition by m.lot_id order by m.happened_at, m.id)
               from movement m join new_lot l on l.id = m.lot_id",
        )
        .bind(site_id)
        .execute(&mut *connection)
        .await
        .unwrap();
        sqlx::query(
            "insert into store_lot (cooperative_id, site_id, lot_id, quantity, there_from, left_until)
             select $1, $2, l.id, $3, min(s.happened_at), case when $3 > 0 then 'infinity' else max(s.happened_at) end
               from new_lot l join store_line s on s.lot_id = l.id group by l.id",
        )
        .bind(cooperative_id)
        .bind(site_id)
        .bind(self.left)
        .execute(&mut *connection)
        .await
        .unwrap();
        sqlx::query("alter table movement enable trigger keep_stores")
            .execute(&mut *connection)
            .await
            .unwrap();
    }
}
