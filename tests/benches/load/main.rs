//! Requests a second of the real server against the same SQL sent by pgbench to the same PostgreSQL.
//!
//! `cargo bench -p cotyl-tests --bench load [-- SECONDS]`. The SQL is not copied by hand: the
//! PostgreSQL log of one request of each kind is turned into the pgbench script.
#![allow(clippy::unwrap_used, clippy::print_stdout, missing_docs)]

mod garden;
mod http;
mod pgbench;

use std::time::{Duration, Instant};

use garden::{CONNECTIONS, Garden, ROUNDS};
use http::{Kind, Server};

fn main() {
    // `cargo test --benches` and `cargo bench` pass flags of the usual harness
    let seconds = std::env::args()
        .skip(1)
        .find_map(|argument| argument.parse().ok())
        .unwrap_or(8);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(run(Duration::from_secs(seconds)));
}

async fn run(length: Duration) {
    let program = http::build();
    let folder = std::env::temp_dir().join(format!("cotyl load {}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    http::found(&program, &folder);
    let garden = {
        let server = Server::start(&program, &folder).await;
        let garden = Garden::plant(&folder, &server).await;
        server.stop();
        garden
    };

    let begun = Instant::now();
    let server = Server::start(&program, &folder).await;
    let first = server.get("/sites", &garden.tokens[0]).await;
    println!(
        "first answer {:.2} s after the start on an existing folder ({first})",
        begun.elapsed().as_secs_f64()
    );
    tokio::time::sleep(Duration::from_secs(2)).await;
    println!(
        "server process at rest: {} MB resident",
        server.resident_kilobytes() / 1024
    );

    println!(
        "\n{CONNECTIONS} connections, {ROUNDS} rounds of {} s each, the middle one by its ratio; rates a second, milliseconds",
        length.as_secs()
    );
    println!(
        "{:<12} {:>8} {:>8} {:>8} {:>9} {:>9} {:>7}",
        "request", "rate", "p50", "p99", "pgbench", "average", "ratio"
    );
    for kind in Kind::ALL {
        let statements = pgbench::capture(&folder, &server, &garden, kind).await;
        let mut rounds = Vec::new();
        for round in 0..ROUNDS {
            let measured = http::load(&server, &garden, kind, length, round).await;
            let compared = pgbench::run(&folder, &garden, kind, &statements, length, round);
            rounds.push((measured.rate / compared.rate, measured, compared));
        }
        rounds.sort_by(|one, other| one.0.total_cmp(&other.0));
        let ratios: Vec<_> = rounds
            .iter()
            .map(|round| format!("{:.2}", round.0))
            .collect();
        let (ratio, measured, compared) = &rounds[rounds.len() / 2];
        println!(
            "{:<12} {:>8.0} {:>8.2} {:>8.2} {:>9.0} {:>9.2} {ratio:>7.2}  of {}",
            kind.name(),
            measured.rate,
            measured.p50,
            measured.p99,
            compared.rate,
            compared.average,
            ratios.join(" ")
        );
        for (_, measured, _) in rounds.iter().filter(|round| round.1.refused > 0) {
            println!(
                "  {} answers were not as expected, such as {}",
                measured.refused, measured.example
            );
        }
    }
    println!(
        "server process after load: {} MB resident",
        server.resident_kilobytes() / 1024
    );
    server.stop();
    std::fs::remove_dir_all(&folder).unwrap();
}
