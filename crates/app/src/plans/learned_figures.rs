//! What was learned, figure by figure, with what the crop and the station each have in it.

use cotyl_growth::learning::{
    Choices, Factor, Interval, Learned, LearningError, Level, Place, Survival, expected_survival,
};
use cotyl_store::learning::RecordRow;

use super::learned::{learned, place};
use super::season::{Season, SeasonCrop, SeasonError, SeasonStation};

/// Probability of the intervals that are told.
const INTERVAL: f64 = 0.8;

/// What one part has in a figure: the figure as it would be by that part alone.
#[derive(Debug, Clone, PartialEq)]
pub struct LearnedPart {
    /// What the profile's figure is multiplied by; for survival the share of containers that stand.
    pub value: f64,
    /// Where the truth lies with a probability of 80 %.
    pub low: f64,
    /// Where the truth lies with a probability of 80 %.
    pub high: f64,
    /// Sowings on record of that part.
    pub sowings: usize,
    /// Whether a coordinator holds it at this value.
    pub frozen: bool,
}

/// A figure that was learned of a crop at a station.
#[derive(Debug, Clone, PartialEq)]
pub struct LearnedFigure {
    /// The station.
    pub station_id: String,
    /// Its name.
    pub station_name: String,
    /// `days`, `grams` or `survival`.
    pub quantity: &'static str,
    /// The figure.
    pub whole: LearnedPart,
    /// The narrowest level that has sowings; those of `whole` are of it. `None` when nothing is on
    /// record.
    pub basis: Option<Level>,
    /// What the crop has in it wherever it grows.
    pub of_crop: LearnedPart,
    /// What all crops at the station have in common.
    pub of_station: LearnedPart,
    /// The same in words.
    pub explanation: String,
}

/// What all crops at a station have in common.
#[derive(Debug, Clone, PartialEq)]
pub struct StationFigure {
    /// `days`, `grams` or `survival`.
    pub quantity: &'static str,
    /// The part; of survival of a crop of which nine in ten are expected to stand.
    pub part: LearnedPart,
    /// The same in words.
    pub explanation: String,
}

/// The share that is expected of the crop by which the survival of a station is told.
pub const EXPECTED_AT_STATION: f64 = 0.9;

fn part_of_factor(factor: &Factor) -> Result<LearnedPart, LearningError> {
    let Interval { low, high } = factor.interval(INTERVAL)?;
    Ok(LearnedPart {
        value: factor.multiplier(),
        low,
        high,
        sowings: factor.sowings(),
        frozen: factor.is_frozen(),
    })
}

fn part_of_survival(survival: &Survival) -> Result<LearnedPart, LearningError> {
    let Interval { low, high } = survival.interval(INTERVAL)?;
    Ok(LearnedPart {
        value: survival.share(),
        low,
        high,
        sowings: survival.sowings(),
        frozen: survival.is_frozen(),
    })
}

/// Everything that is learned of a crop, by station in use.
///
/// # Errors
/// [`SeasonError`] for a record or a choice from which nothing can be learned.
pub fn figures(
    season: &Season,
    crop: &SeasonCrop,
    records: &[RecordRow],
    choices: &Choices,
) -> Result<Vec<LearnedFigure>, SeasonError> {
    let learned = learned(season, records, choices)?;
    let mut figures = Vec::new();
    for station in season.stations.iter().filter(|station| !station.retired) {
        if crop.profile.methods.contains(&station.method) {
            let of_place = of_place(&learned, crop, station);
            figures.extend(of_place.map_err(|error| fault(&crop.name, &error))?);
        }
    }
    Ok(figures)
}

/// What all crops at a station have in common.
///
/// # Errors
/// [`SeasonError`] as for [`figures`].
pub fn station_figures(
    season: &Season,
    station: &SeasonStation,
    records: &[RecordRow],
    choices: &Choices,
) -> Result<Vec<StationFigure>, SeasonError> {
    let learned = learned(season, records, choices)?;
    let place = Place {
        group: String::new(),
        crop: String::new(),
        method: station.method,
        station: station.id.clone(),
    };
    let parts = || -> Result<[(&'static str, LearnedPart); 3], LearningError> {
        Ok([
            ("days", part_of_factor(&learned.days_of_station(&place))?),
            ("grams", part_of_factor(&learned.grams_of_station(&place))?),
            (
                "survival",
                part_of_survival(&learned.survival_of_station(&place, EXPECTED_AT_STATION)?)?,
            ),
        ])
    };
    let parts = parts().map_err(|error| fault(&station.name, &error))?;
    let figures = parts.map(|(quantity, part)| StationFigure {
        quantity,
        explanation: of_station_in_words(quantity, &station.name, &part, EXPECTED_AT_STATION),
        part,
    });
    Ok(figures.into())
}

fn fault(what: &str, error: &LearningError) -> SeasonError {
    SeasonError {
        what: what.to_owned(),
        fault: error.to_string(),
    }
}

fn of_place(
    learned: &Learned,
    crop: &SeasonCrop,
    station: &SeasonStation,
) -> Result<[LearnedFigure; 3], LearningError> {
    let place = place(crop, station);
    let expected = expected_survival(&crop.profile);
    let (here, anywhere) = (Level::CropStation, Level::Crop);
    let (days, grams) = (learned.days(&place, here), learned.grams(&place, here));
    let survival = learned.survival(&place, here, expected)?;
    let figure = |quantity, basis, whole, of_crop, of_station| LearnedFigure {
        station_id: station.id.clone(),
        station_name: station.name.clone(),
        quantity,
        explanation: in_words(
            quantity,
            (&crop.name, &station.name),
            (&whole, &of_crop, &of_station),
            expected,
        ),
        whole,
        basis,
        of_crop,
        of_station,
    };
    Ok([
        figure(
            "days",
            days.basis(),
            part_of_factor(&days)?,
            part_of_factor(&learned.days(&place, anywhere))?,
            part_of_factor(&learned.days_of_station(&place))?,
        ),
        figure(
            "grams",
            grams.basis(),
            part_of_factor(&grams)?,
            part_of_factor(&learned.grams(&place, anywhere))?,
            part_of_factor(&learned.grams_of_station(&place))?,
        ),
        figure(
            "survival",
            survival.basis(),
            part_of_survival(&survival)?,
            part_of_survival(&learned.survival(&place, anywhere, expected)?)?,
            part_of_survival(&learned.survival_of_station(&place, expected)?)?,
        ),
    ])
}

fn percent(share: f64) -> i64 {
    (100.0 * share).round() as i64
}

/// How a factor changes what a profile says.
fn changed(quantity: &str, factor: f64) -> String {
    let (more, less) = if quantity == "days" {
        ("longer", "less long")
    } else {
        ("more", "less")
    };
    match percent(factor) - 100 {
        0 => "as expected".to_owned(),
        off if off > 0 => format!("{off} % {more}"),
        off => format!("{} % {less}", -off),
    }
}

fn of_station_in_words(quantity: &str, name: &str, part: &LearnedPart, expected: f64) -> String {
    let held = if part.frozen {
        ", held by a coordinator"
    } else {
        ""
    };
    match quantity {
        _ if part.sowings == 0 && !part.frozen => {
            format!("nothing is on record of what crops at {name} have in common")
        }
        "survival" => format!(
            "of a crop of which {} % are expected to stand, {} % would by what crops at {name} have in common",
            percent(expected),
            percent(part.value)
        ),
        "days" => format!(
            "crops at {name} take {}{held}",
            changed(quantity, part.value)
        ),
        _ => format!(
            "crops at {name} give {}{held}",
            changed(quantity, part.value)
        ),
    }
}

fn in_words(
    quantity: &str,
    (crop, station): (&str, &str),
    (whole, of_crop, of_station): (&LearnedPart, &LearnedPart, &LearnedPart),
    expected: f64,
) -> String {
    let at_station = of_station_in_words(quantity, station, of_station, expected);
    match quantity {
        "survival" => format!(
            "{crop} stands in {} % of containers wherever it grows, where {} % are expected; {at_station}; in all {} % of {crop} at {station}",
            percent(of_crop.value),
            percent(expected),
            percent(whole.value)
        ),
        _ => {
            let does = if quantity == "days" { "takes" } else { "gives" };
            format!(
                "{crop} {does} {} wherever it grows; {at_station}; in all {crop} at {station} {does} {}",
                changed(quantity, of_crop.value),
                changed(quantity, whole.value)
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(value: f64, sowings: usize) -> LearnedPart {
        LearnedPart {
            value,
            low: 0.9 * value,
            high: 1.1 * value,
            sowings,
            frozen: false,
        }
    }

    #[test]
    fn parts_are_told_in_plain_words() {
        let names = ("Basil", "North sill");
        let words = |quantity, whole, of_crop, of_station, sowings| {
            let (whole, of_crop) = (part(whole, 3), part(of_crop, 9));
            in_words(
                quantity,
                names,
                (&whole, &of_crop, &part(of_station, sowings)),
                0.9,
            )
        };
        assert_eq!(
            words("days", 1.21, 1.1, 1.08, 7),
            "Basil takes 10 % longer wherever it grows; crops at North sill take 8 % longer; in all Basil at North sill takes 21 % longer"
        );
        assert_eq!(
            words("grams", 0.8, 1.0, 0.82, 7),
            "Basil gives as expected wherever it grows; crops at North sill give 18 % less; in all Basil at North sill gives 20 % less"
        );
        assert_eq!(
            words("survival", 0.7, 0.85, 0.9, 0),
            "Basil stands in 85 % of containers wherever it grows, where 90 % are expected; nothing is on record of what crops at North sill have in common; in all 70 % of Basil at North sill"
        );
    }
}
