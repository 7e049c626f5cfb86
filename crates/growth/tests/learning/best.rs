//! The best that anybody can say of factors who knows how unlike the parts of a co-operative are: the
//! conditional mean of normal variates given all records, by dense matrices. No estimating code is
//! used.

use cotyl_growth::learning::{Place, SowingRecord};

use crate::world::{Scatter, World, names};

/// One factor.
struct Known {
    scatter: Scatter,
    places: Vec<Place>,
    /// The inverse of the covariance of the records times their logarithms.
    solved: Vec<f64>,
}

impl Known {
    fn new(scatter: Scatter, records: &[(Place, f64)]) -> Self {
        let places: Vec<Place> = records.iter().map(|(place, _)| place.clone()).collect();
        let mut matrix: Vec<Vec<f64>> = places
            .iter()
            .map(|one| {
                let row = places.iter().map(|other| covariance(&scatter, one, other));
                row.collect()
            })
            .collect();
        for (index, row) in matrix.iter_mut().enumerate() {
            row[index] += scatter.record * scatter.record;
        }
        let values = records.iter().map(|(_, log)| *log).collect();
        Self {
            scatter,
            solved: solve(matrix, values),
            places,
        }
    }

    /// Conditional mean of the logarithm, as a factor.
    fn at(&self, place: &Place) -> f64 {
        let parts = self.places.iter().zip(&self.solved);
        parts
            .map(|(other, solved)| covariance(&self.scatter, place, other) * solved)
            .sum::<f64>()
            .exp()
    }
}

/// Covariance of the logarithms of the factors of two places.
fn covariance(scatter: &Scatter, one: &Place, other: &Place) -> f64 {
    let levels = names(one).into_iter().zip(names(other));
    let shared = levels.zip(scatter.levels).filter(|((a, b), _)| a == b);
    let of_levels: f64 = shared.map(|(_, level)| level * level).sum();
    let same_station = f64::from(u8::from(one.station == other.station));
    of_levels + same_station * scatter.station * scatter.station
}

/// Solves a symmetric positive system by Gaussian elimination.
fn solve(mut matrix: Vec<Vec<f64>>, mut values: Vec<f64>) -> Vec<f64> {
    let size = values.len();
    for pivot in 0..size {
        let (above, below) = matrix.split_at_mut(pivot + 1);
        let row = &above[pivot];
        for (offset, other) in below.iter_mut().enumerate() {
            let times = other[pivot] / row[pivot];
            for column in pivot..size {
                other[column] -= times * row[column];
            }
            values[pivot + 1 + offset] -= times * values[pivot];
        }
    }
    for pivot in (0..size).rev() {
        let known: f64 = (pivot + 1..size)
            .map(|column| matrix[pivot][column] * values[column])
            .sum();
        values[pivot] = (values[pivot] - known) / matrix[pivot][pivot];
    }
    values
}

/// Days and grams.
pub struct Best {
    days: Known,
    grams: Known,
    /// What is left on average of what unspoilt sowings give.
    kept: f64,
}

impl Best {
    /// From the records of a co-operative, those that are `spoilt` (by their days) left out.
    pub fn new(world: &World, records: &[SowingRecord], spoilt: &[i64]) -> Self {
        let of = |ratio: &dyn Fn(&SowingRecord) -> Option<f64>| -> Vec<(Place, f64)> {
            records
                .iter()
                .filter_map(|record| Some((record.place.clone(), ratio(record)?)))
                .collect()
        };
        let days = of(&|record| {
            let days = record.days_to_first_cut?;
            Some((days.observed / days.expected).ln())
        });
        let grams = of(&|record| {
            let grams = record.grams.filter(|_| !spoilt.contains(&record.day))?;
            let stood = f64::from(record.containers_stood?);
            let expected = f64::from(record.containers_sown) * record.expected_survival;
            let ratio = grams.observed / grams.expected * expected / stood;
            // the factor is of the mean, so half the variance lies between it and the median
            Some(ratio.ln() + 0.5 * world.grams.record * world.grams.record)
        });
        Self {
            days: Known::new(world.days, &days),
            grams: Known::new(world.grams, &grams),
            kept: world.kept(),
        }
    }

    /// The factor of days.
    pub fn days(&self, place: &Place) -> f64 {
        self.days.at(place)
    }

    /// The factor of grams of standing containers.
    pub fn grams(&self, place: &Place) -> f64 {
        self.kept * self.grams.at(place)
    }
}
