//! The environment of a station through the year, as people describe it: periods of ISO weeks.

use serde::{Deserialize, Serialize};

/// Week numbers of the longest ISO year.
const WEEKS: usize = 53;

/// Weeks of every year in which temperature and light are alike.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EnvironmentPeriod {
    /// First ISO week, 1 to 53.
    pub first_week: u32,
    /// Last ISO week, not before the first: winter over New Year takes two periods.
    pub last_week: u32,
    /// Daily mean temperature in degrees Celsius.
    pub temperature_celsius: f64,
    /// Daily light integral in mol per square metre and day.
    pub daily_light_mol: f64,
}

/// Something wrong with the periods of a year.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EnvironmentFault {
    /// JSON pointer into the list of periods; empty for the list itself.
    pub pointer: String,
    /// What is wrong and what would be accepted.
    pub message: String,
}

/// Everything wrong with the periods; empty when each of the weeks 1 to 53 lies in exactly one.
#[must_use]
pub fn environment_faults(periods: &[EnvironmentPeriod]) -> Vec<EnvironmentFault> {
    let mut faults = Vec::new();
    let mut owners: [Option<usize>; WEEKS + 1] = [None; WEEKS + 1];
    let mut all_have_weeks = true;
    for (index, period) in periods.iter().enumerate() {
        check_figures(&mut faults, index, period);
        let Some((first, last)) = weeks_of(&mut faults, index, period) else {
            all_have_weeks = false;
            continue;
        };
        let mut overlap = None;
        for (number, owner) in owners.iter_mut().enumerate().take(last + 1).skip(first) {
            match owner {
                Some(other) => overlap = overlap.or(Some((number, *other))),
                None => *owner = Some(index),
            }
        }
        if let Some((number, other)) = overlap {
            faults.push(EnvironmentFault {
                pointer: format!("/{index}/first_week"),
                message: format!("week {number} already lies in period {}", other + 1),
            });
        }
    }
    let missing: Vec<String> = (1..=WEEKS)
        .filter(|&number| owners[number].is_none())
        .map(|number| number.to_string())
        .collect();
    if all_have_weeks && !missing.is_empty() {
        faults.push(EnvironmentFault {
            pointer: String::new(),
            message: format!("these weeks lie in no period: {}", missing.join(", ")),
        });
    }
    faults
}

fn check_figures(faults: &mut Vec<EnvironmentFault>, index: usize, period: &EnvironmentPeriod) {
    let celsius = period.temperature_celsius;
    if !(-20.0..=60.0).contains(&celsius) {
        faults.push(EnvironmentFault {
            pointer: format!("/{index}/temperature_celsius"),
            message: format!("must be between -20 and 60 °C; it is {celsius}"),
        });
    }
    let light = period.daily_light_mol;
    if !(0.0..=80.0).contains(&light) {
        faults.push(EnvironmentFault {
            pointer: format!("/{index}/daily_light_mol"),
            message: format!("must be between 0 and 80 mol a day; it is {light}"),
        });
    }
}

/// First and last week of a period, where they are weeks in order.
fn weeks_of(
    faults: &mut Vec<EnvironmentFault>,
    index: usize,
    period: &EnvironmentPeriod,
) -> Option<(usize, usize)> {
    let (first, last) = (week(period.first_week), week(period.last_week));
    for (field, number, week) in [
        ("first_week", period.first_week, first),
        ("last_week", period.last_week, last),
    ] {
        if week.is_none() {
            faults.push(EnvironmentFault {
                pointer: format!("/{index}/{field}"),
                message: format!("must be an ISO week, 1 to {WEEKS}; it is {number}"),
            });
        }
    }
    let (first, last) = (first?, last?);
    if first > last {
        faults.push(EnvironmentFault {
            pointer: format!("/{index}/last_week"),
            message: format!(
                "must not be before week {first}; give two periods for a winter over New Year"
            ),
        });
        return None;
    }
    Some((first, last))
}

fn week(number: u32) -> Option<usize> {
    usize::try_from(number)
        .ok()
        .filter(|number| (1..=WEEKS).contains(number))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(periods: &[(u32, u32, f64, f64)], expect: &[&str]) {
        let given: Vec<EnvironmentPeriod> = periods
            .iter()
            .map(
                |&(first_week, last_week, temperature_celsius, daily_light_mol)| {
                    EnvironmentPeriod {
                        first_week,
                        last_week,
                        temperature_celsius,
                        daily_light_mol,
                    }
                },
            )
            .collect();
        let pointers: Vec<String> = environment_faults(&given)
            .into_iter()
            .map(|fault| fault.pointer)
            .collect();
        assert_eq!(pointers, expect, "{periods:?}");
    }

    #[test]
    fn every_week_lies_in_exactly_one_period() {
        check(&[(1, 53, 20.0, 12.0)], &[]);
        check(&[(40, 53, -20.0, 0.0), (1, 39, 60.0, 80.0)], &[]);
        check(&[(1, 52, 20.0, 12.0)], &[""]);
        check(&[], &[""]);
        check(
            &[(1, 30, 20.0, 12.0), (30, 53, 20.0, 12.0)],
            &["/1/first_week"],
        );
        check(
            &[(1, 53, 20.0, 12.0), (1, 53, 20.0, 12.0)],
            &["/1/first_week"],
        );
        check(&[(1, 20, 20.0, 12.0), (22, 53, 20.0, 12.0)], &[""]);
    }

    #[test]
    fn figures_stay_within_bounds() {
        check(&[(0, 53, 20.0, 12.0)], &["/0/first_week"]);
        check(&[(1, 54, 20.0, 12.0)], &["/0/last_week"]);
        check(
            &[(0, u32::MAX, 20.0, 12.0)],
            &["/0/first_week", "/0/last_week"],
        );
        check(&[(45, 5, 20.0, 12.0)], &["/0/last_week"]);
        check(&[(1, 53, -20.1, 12.0)], &["/0/temperature_celsius"]);
        check(
            &[(1, 53, 60.1, 80.1)],
            &["/0/temperature_celsius", "/0/daily_light_mol"],
        );
        check(
            &[(1, 53, f64::NAN, -0.1)],
            &["/0/temperature_celsius", "/0/daily_light_mol"],
        );
    }
}
