//! When to order again: what is used while an order is on its way, and a margin on top of it.
//!
//! The cycle service level is the share of orders that come before the shelf is empty. Daily demand
//! and lead time are taken to be independent, and what is used during a lead time to be normally
//! distributed, as textbooks of inventory control do; use in a small garden comes in lumps, so the
//! point is a guide.

use chrono::NaiveDate;
use statrs::distribution::{ContinuousCDF, Normal};

/// Days of record below which nothing is said about demand. Common practice, no source.
pub const LEAST_DAYS_OF_RECORD: usize = 28;

/// Orders that came below which the stated lead time is used. Common practice, no source.
pub const LEAST_ORDERS_OF_RECORD: usize = 3;

/// What is used in a day, in base units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DailyDemand {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub standard_deviation: f64,
}

/// Days from ordering until the goods are on the shelf.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeadTime {
    /// Mean, in days.
    pub mean_days: f64,
    /// Standard deviation, in days.
    pub standard_deviation_days: f64,
}

/// Stock at which to order, in base units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReorderPoint {
    /// Mean use during the lead time.
    pub lead_time_demand: f64,
    /// Margin on top of it.
    pub safety_stock: f64,
    /// Order when no more than this is on hand and on order: the sum, rounded up.
    pub quantity: i64,
}

/// The standard normal deviate that is not exceeded with a probability of so many thousandths;
/// `None` outside 1 to 999.
#[must_use]
pub fn service_factor(service_permille: u32) -> Option<f64> {
    if !(1..=999).contains(&service_permille) {
        return None;
    }
    let normal = Normal::standard();
    Some(normal.inverse_cdf(f64::from(service_permille) / 1000.0))
}

/// Demand from what was issued, from `first_day` to `last_day` with both: days without an issue count
/// as nothing, issues on other days are left out. `None` below [`LEAST_DAYS_OF_RECORD`].
#[must_use]
pub fn daily_demand(
    issues: &[(NaiveDate, i64)],
    first_day: NaiveDate,
    last_day: NaiveDate,
) -> Option<DailyDemand> {
    let length = last_day.signed_duration_since(first_day).num_days() + 1;
    let length = usize::try_from(length).ok()?;
    if length < LEAST_DAYS_OF_RECORD {
        return None;
    }
    let mut days = vec![0.0; length];
    for (day, quantity) in issues {
        let number = day.signed_duration_since(first_day).num_days();
        if let Some(total) = usize::try_from(number).ok().and_then(|n| days.get_mut(n)) {
            *total += *quantity as f64;
        }
    }
    let (mean, standard_deviation) = mean_and_deviation(&days)?;
    Some(DailyDemand {
        mean,
        standard_deviation,
    })
}

/// Lead time from the days that past orders took; the stated days without scatter below
/// [`LEAST_ORDERS_OF_RECORD`].
#[must_use]
pub fn lead_time(past_days: &[i64], stated_days: i64) -> LeadTime {
    let days: Vec<f64> = past_days.iter().map(|days| *days as f64).collect();
    match mean_and_deviation(&days) {
        Some((mean_days, standard_deviation_days)) if days.len() >= LEAST_ORDERS_OF_RECORD => {
            LeadTime {
                mean_days,
                standard_deviation_days,
            }
        }
        _ => LeadTime {
            mean_days: stated_days as f64,
            standard_deviation_days: 0.0,
        },
    }
}

/// `R = d L + z sqrt(L s_d^2 + d^2 s_L^2)`; `None` for a service level outside 1 to 999 thousandths.
#[must_use]
pub fn reorder_point(
    demand: DailyDemand,
    lead: LeadTime,
    service_permille: u32,
) -> Option<ReorderPoint> {
    let variance = lead.mean_days * demand.standard_deviation.powi(2)
        + (demand.mean * lead.standard_deviation_days).powi(2);
    // below one half the margin would be less than nothing
    let safety_stock = (service_factor(service_permille)? * variance.sqrt()).max(0.0);
    let lead_time_demand = demand.mean * lead.mean_days;
    Some(ReorderPoint {
        lead_time_demand,
        safety_stock,
        // the cast saturates
        quantity: (lead_time_demand + safety_stock).ceil() as i64,
    })
}

/// Mean and sample standard deviation; `None` for fewer than two values.
fn mean_and_deviation(values: &[f64]) -> Option<(f64, f64)> {
    if values.len() < 2 {
        return None;
    }
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    Some((mean, (squares / (count - 1.0)).sqrt()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    fn near(got: f64, expect: f64, by: f64) {
        assert!((got - expect).abs() <= by, "{got}, expected {expect}");
    }

    /// Quantiles of the standard normal distribution as in the usual tables.
    #[test]
    fn service_factors() {
        for (permille, z) in [
            (500, 0.0),
            (900, 1.2816),
            (950, 1.6449),
            (980, 2.0537),
            (990, 2.3263),
        ] {
            near(service_factor(permille).unwrap(), z, 0.00005);
        }
        assert_eq!((service_factor(0), service_factor(1000)), (None, None));
    }

    /// The household items exercise of operations management textbooks (Chase & Jacobs): 2400 a
    /// year, daily deviation 4, lead time 7 days, 98 %: deviation over the lead time 10.583,
    /// R = 46.03 + 2.05 x 10.583 = 67.7, so 68. With z not cut to 2.05 it is 67.76.
    #[test]
    fn household_items() {
        let demand = DailyDemand {
            mean: 2400.0 / 365.0,
            standard_deviation: 4.0,
        };
        let lead = LeadTime {
            mean_days: 7.0,
            standard_deviation_days: 0.0,
        };
        let point = reorder_point(demand, lead, 980).unwrap();
        near(point.lead_time_demand, 46.03, 0.005);
        near(
            point.safety_stock / service_factor(980).unwrap(),
            10.583,
            0.0005,
        );
        near(point.lead_time_demand + point.safety_stock, 67.72, 0.05);
        assert_eq!(point.quantity, 68);
    }

    /// Exercise of a quantitative analysis textbook: 5 a day, lead time 3 days with deviation 2,
    /// 95 %: deviation 10, safety stock 16.45, reorder at 31.45; holding at 3 dollars a unit and
    /// orders of 80 costs 169.35 dollars a year.
    #[test]
    fn lead_time_that_varies() {
        let demand = DailyDemand {
            mean: 5.0,
            standard_deviation: 0.0,
        };
        let lead = LeadTime {
            mean_days: 3.0,
            standard_deviation_days: 2.0,
        };
        let point = reorder_point(demand, lead, 950).unwrap();
        near(point.safety_stock, 16.45, 0.005);
        near(point.lead_time_demand + point.safety_stock, 31.45, 0.005);
        near(3.0 * (40.0 + point.safety_stock), 169.35, 0.01);
        assert_eq!(point.quantity, 32);
    }

    #[test]
    fn demand_counts_days_without_issue() {
        let day =
            |number: u64| NaiveDate::from_ymd_opt(2026, 9, 1).unwrap() + chrono::Days::new(number);
        let issues = [(day(0), 28), (day(7), 14), (day(7), 14), (day(60), 99)];
        let demand = daily_demand(&issues, day(0), day(27)).unwrap();
        near(demand.mean, 2.0, 1e-12);
        // two days of 28 and 26 of nothing around a mean of 2
        let variance: f64 = (2.0 * 26.0_f64.powi(2) + 26.0 * 4.0) / 27.0;
        near(demand.standard_deviation, variance.sqrt(), 1e-12);
        assert_eq!(daily_demand(&issues, day(0), day(26)), None);
        assert_eq!(daily_demand(&issues, day(9), day(0)), None);
    }

    #[test]
    fn lead_times_are_learned_from_three_orders_on() {
        let check = |past: &[i64], mean: f64, deviation: f64| {
            let lead = lead_time(past, 7);
            near(lead.mean_days, mean, 1e-12);
            near(lead.standard_deviation_days, deviation, 1e-12);
        };
        check(&[], 7.0, 0.0);
        check(&[3, 9], 7.0, 0.0);
        check(&[3, 5, 7], 5.0, 2.0);
    }
}
