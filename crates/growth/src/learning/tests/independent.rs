//! Against independent libraries: restricted maximum likelihood by statsmodels, and the whole
//! posterior of factors by dense matrices and random draws of numpy and scipy, both written in
//! `tests/independent_learning.py` from the model alone.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde::Deserialize;
use serde_json::{Value, json};

use super::super::integrate::maximise;
use super::super::level::{LEVELS, Level, Place};
use super::super::nested::{Cell, Node, Ratios, Tree, gather};
use super::super::{Assumptions, Choices, Measured, SowingRecord, learn, multiplicative, survival};
use super::{FLAT, one_level, one_ratio};
use crate::profile::GrowingMethod;

/// Runs a task of the script.
fn ask(task: &str, input: &Value) -> Value {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let python = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || here.join("../../target/check-venv/bin/python"),
        PathBuf::from,
    );
    assert!(python.exists(), "run cargo xtask setup");
    let output = Command::new(python)
        .arg(here.join("tests/independent_learning.py"))
        .args([task, &input.to_string()])
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A number from -1 to 1 that looks random.
fn scramble(index: usize) -> f64 {
    (index as f64 * 12.9898).sin() * 43758.5453 % 1.0
}

/// Unequal groups with a spread of their own.
fn groups() -> Vec<Vec<f64>> {
    (0..9)
        .map(|group| {
            let shift = 0.4 * scramble(group + 50);
            (0..2 + group % 4)
                .map(|index| shift + 0.3 * scramble(7 * group + index))
                .collect()
        })
        .collect()
}

#[derive(Deserialize)]
struct Reml {
    between: f64,
    within: f64,
    effects: Vec<f64>,
}

#[test]
fn one_level_agrees_with_statsmodels() {
    let groups = groups();
    let found: Reml = serde_json::from_value(ask("reml", &json!(groups))).unwrap();

    let means: Vec<(f64, f64)> = groups
        .iter()
        .map(|group| {
            let count = group.len() as f64;
            (count, group.iter().sum::<f64>() / count)
        })
        .collect();
    let (nodes, mut cells) = one_level(&means);
    for ((cell, group), (_, mean)) in cells[1..].iter_mut().zip(&groups).zip(&means) {
        *cell = Cell {
            within: group.iter().map(|x| (x - mean) * (x - mean)).sum(),
            ..*cell
        };
    }
    let count: f64 = means.iter().map(|(count, _)| count).sum();
    let ratios = |at: f64| one_ratio(at.exp());
    let likelihood = |at: &[f64; 1]| {
        let gathered = gather(&nodes, &cells, &ratios(at[0]));
        gathered.log_density - 0.5 * (count - 1.0) * gathered.quadratic.ln()
    };
    let ([at], _) = maximise(likelihood, [0.0], 1e-7, 100);
    let gathered = gather(&nodes, &cells, &ratios(at));
    let within = gathered.quadratic / (count - 1.0);
    let near = |found: f64, expected: f64, what: &str| {
        assert!(
            (found - expected).abs() < 2e-4,
            "{what}: {found}, {expected}"
        );
    };
    near(within, found.within, "variance within");
    near(within * at.exp(), found.between, "variance between");
    let posterior = gathered.posterior(&nodes, &ratios(at)).nodes;
    for ((mean, _), effect) in posterior[1..].iter().zip(&found.effects) {
        near(*mean, *effect, "effect");
    }
}

#[derive(Deserialize)]
struct Crossed {
    crop: f64,
    station: f64,
    within: f64,
    crops: Vec<f64>,
    stations: Vec<f64>,
}

/// Crops and stations across each other, each pair on record up to thrice or not at all.
#[test]
fn stations_across_crops_agree_with_statsmodels() {
    const CROPS: usize = 7;
    const STATIONS: usize = 6;
    let mut rows = Vec::new();
    for pair in 0..CROPS * STATIONS {
        let (crop, station) = (pair / STATIONS, pair % STATIONS);
        let shift = 0.5 * scramble(crop + 20) + 0.3 * scramble(station + 90);
        for record in 0..(3 * crop + 2 * station) % 4 {
            rows.push((crop, station, shift + 0.3 * scramble(11 * pair + record)));
        }
    }
    let found: Crossed = serde_json::from_value(ask("crossed", &json!(rows))).unwrap();

    let node = |parent, depth, station| Node {
        parent,
        depth,
        station,
        fixed: None,
    };
    let mut tree = Tree {
        nodes: vec![node(None, 0, None)],
        stations: vec![None; STATIONS],
    };
    let mut cells = vec![Cell::default()];
    let mut crops = Vec::new();
    for crop in 0..CROPS {
        crops.push(tree.nodes.len());
        tree.nodes.push(node(Some(0), 1, None));
        cells.push(Cell::default());
        for station in 0..STATIONS {
            let values: Vec<f64> = rows
                .iter()
                .filter(|row| (row.0, row.1) == (crop, station))
                .map(|row| row.2)
                .collect();
            let weight = values.len() as f64;
            let mean = values.iter().sum::<f64>() / weight.max(1.0);
            tree.nodes
                .push(node(Some(crops[crop]), LEVELS - 1, Some(station)));
            cells.push(Cell {
                weight,
                mean,
                within: values.iter().map(|x| (x - mean) * (x - mean)).sum(),
            });
        }
    }
    let count = rows.len() as f64;
    let ratios = |at: &[f64; 2]| Ratios {
        levels: [FLAT, at[0].exp(), 0.0, 0.0, 0.0],
        station: at[1].exp(),
    };
    let likelihood = |at: &[f64; 2]| {
        let gathered = gather(&tree, &cells, &ratios(at));
        gathered.log_density - 0.5 * (count - 1.0) * gathered.quadratic.ln()
    };
    let (at, _) = maximise(likelihood, [0.0; 2], 1e-7, 100);
    let gathered = gather(&tree, &cells, &ratios(&at));
    let within = gathered.quadratic / (count - 1.0);
    let near = |found: f64, expected: f64, what: &str| {
        println!("{what}: {found:.5}, {expected:.5}");
        assert!((found - expected).abs() < 5e-4, "{what}");
    };
    near(within, found.within, "variance within");
    near(within * at[0].exp(), found.crop, "variance between crops");
    near(
        within * at[1].exp(),
        found.station,
        "variance between stations",
    );
    let posterior = gathered.posterior(&tree, &ratios(&at));
    for (&crop, &expected) in crops.iter().zip(&found.crops) {
        near(posterior.nodes[crop].0, expected, "crop");
    }
    for ((station, _), &expected) in posterior.stations.iter().zip(&found.stations) {
        near(*station, expected, "station");
    }
}

fn place(crop: usize, station: usize) -> Place {
    Place {
        group: if crop < 2 { "salad" } else { "herbs" }.into(),
        crop: format!("crop {crop}"),
        method: if station == 0 {
            GrowingMethod::Passive
        } else {
            GrowingMethod::Aerated
        },
        station: format!("station {station}"),
    }
}

/// Mean and standard deviation of the logarithm of the factor of days at each place, under the same
/// assumptions. Records are near enough to each other that none is drawn in.
#[test]
fn factors_agree_with_an_independent_posterior() {
    let mut records = Vec::new();
    let mut rows = Vec::new();
    for index in 0..45 {
        let (crop, station) = (index % 3, (index / 3) % 3);
        let log = 0.1 + 0.05 * crop as f64 - 0.04 * station as f64 + 0.12 * scramble(index);
        let place = place(crop, station);
        rows.push(json!([
            place.group,
            place.crop,
            station == 0,
            place.station,
            log
        ]));
        records.push(SowingRecord {
            place,
            day: 0,
            days_to_first_cut: Some(Measured {
                observed: 35.0 * log.exp(),
                expected: 35.0,
            }),
            grams: None,
            containers_sown: 10,
            containers_stood: None,
            lost: false,
            expected_survival: 0.9,
        });
    }
    let assumptions = Assumptions::default();
    let learned = learn(&records, &Choices::default(), &assumptions).unwrap();
    let input = json!({
        "rows": rows,
        "levels": assumptions.days.levels,
        "station": assumptions.days.station,
        "spread": multiplicative::SPREAD,
        "alone": multiplicative::ALONE,
        "stations_alone": multiplicative::STATIONS_ALONE,
        "record": assumptions.days.record,
        "records": Assumptions::RECORDS,
    });
    let found: Vec<(String, String, f64, f64)> =
        serde_json::from_value(ask("posterior", &input)).unwrap();
    assert_eq!(found.len(), 9);
    for crop in 0..3 {
        for station in 0..3 {
            let place = place(crop, station);
            let (.., mean, deviation) = found
                .iter()
                .find(|(of, at, ..)| *of == place.crop && *at == place.station)
                .unwrap();
            let factor = learned.days.at(&place, Level::CropStation);
            let own = factor.variance().sqrt();
            println!(
                "{mean:.4} ± {deviation:.4}, here {:.4} ± {own:.4}",
                factor.mean()
            );
            assert!((factor.mean() - mean).abs() < 0.15 * deviation);
            assert!((own / deviation - 1.0).abs() < 0.1);
        }
    }
}

/// Mean share and the 80 % interval of the survival at each place, some with losses, one with none.
#[test]
fn survival_agrees_with_an_independent_posterior() {
    const STANDS: [(usize, usize, u32, u32); 9] = [
        (0, 0, 12, 12),
        (0, 0, 10, 9),
        (0, 1, 8, 3),
        (1, 1, 15, 15),
        (1, 2, 6, 0),
        (1, 2, 10, 8),
        (2, 0, 20, 17),
        (2, 2, 5, 4),
        (2, 2, 9, 9),
    ];
    let expected = |crop: usize| [0.96, 0.9, 0.8][crop];
    let mut records = Vec::new();
    let mut rows = Vec::new();
    for (crop, station, sown, stood) in STANDS {
        let place = place(crop, station);
        let share = expected(crop);
        rows.push(json!([
            place.group,
            place.crop,
            station == 0,
            place.station,
            share,
            sown,
            stood
        ]));
        records.push(SowingRecord {
            place,
            day: 0,
            days_to_first_cut: None,
            grams: None,
            containers_sown: sown,
            containers_stood: Some(stood),
            lost: false,
            expected_survival: share,
        });
    }
    let assumptions = Assumptions::default();
    let learned = learn(&records, &Choices::default(), &assumptions).unwrap();
    let input = json!({
        "rows": rows,
        "variance": assumptions.survival_level.powi(2),
        "station": assumptions.survival_station.powi(2),
        "spread": survival::SPREAD,
        "stations_alone": survival::STATIONS_ALONE,
        "correlation": assumptions.correlation_within_sowing,
    });
    let found: Vec<(String, String, f64, f64, f64)> =
        serde_json::from_value(ask("survival", &input)).unwrap();
    assert_eq!(found.len(), 6);
    for (crop, station, ..) in STANDS {
        let place = place(crop, station);
        let (_, _, mean, low, high) = found
            .iter()
            .find(|(of, at, ..)| *of == place.crop && *at == place.station)
            .unwrap();
        let belief = learned
            .survivals
            .at(&place, Level::CropStation, expected(crop));
        let (own_low, own_high) = (belief.quantile(0.1), belief.quantile(0.9));
        println!(
            "{mean:.4} ({low:.4} to {high:.4}), here {:.4} ({own_low:.4} to {own_high:.4})",
            belief.mean()
        );
        // Normal messages leave the skewness of single cells out.
        let width = high - low;
        let off = belief.mean() - mean;
        assert!(off.abs() < 0.08 * width, "{off} {mean}");
        assert!((own_low - low).abs() < 0.12 * width, "{own_low} {low}");
        assert!((own_high - high).abs() < 0.12 * width, "{own_high} {high}");
    }
}
