//! The report as comma-separated values (RFC 4180): one row for each part of each table, all with the same
//! columns.

use cotyl_app::Error;

use super::wire::{HarvestReport, ReportFigures, ReportWeight, Servings, instant};
use crate::problem::Problem;

/// Columns before the weights, of the weights, and after them.
const FIRST: [&str; 6] = ["table", "id", "name", "first_day", "last_day", "text"];
const WEIGHTS: [&str; 7] = [
    "pledged",
    "expected",
    "cut",
    "waste",
    "delivered",
    "short",
    "change",
];
const SERVINGS: [&str; 3] = ["raw_cups", "cup_equivalents", "meals"];
/// Of a disputed weight, what the scale of the recipient showed.
const FOUND: &str = "found";

/// The place of what was handed over among the weights.
const DELIVERED: usize = 4;

type Weights<'a> = [Option<&'a ReportWeight>; 7];

/// The report as a file.
pub fn csv(report: &HarvestReport) -> Result<Vec<u8>, Problem> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    let mut head: Vec<String> = FIRST.map(str::to_owned).into();
    for weight in WEIGHTS {
        head.extend(columns_of(weight));
    }
    head.extend(SERVINGS.map(str::to_owned));
    head.extend(columns_of(FOUND));
    let mut write = |row: Vec<String>| writer.write_record(row).map_err(Error::internal);
    write(head)?;
    for (name, text) in about(report) {
        write(row(["about", "", name, "", "", &text], None, None))?;
    }
    let sum = row(["sum", "", "", "", "", ""], Some(&report.sum), None);
    write(sum)?;
    for table in &report.tables {
        for part in &table.rows {
            let id = part.id.map(|id| id.to_string()).unwrap_or_default();
            let day =
                |day: Option<chrono::NaiveDate>| day.map(|day| day.to_string()).unwrap_or_default();
            let (first, last) = (day(part.first_day), day(part.last_day));
            let cells = [&*table.by, &id, &part.name, &first, &last, ""];
            write(row(cells, Some(&part.figures), None))?;
        }
    }
    for amendment in &report.amendments {
        let text = format!(
            "{}, tray {}, recorded {}: {}",
            amendment.crop,
            amendment.tray_code,
            instant(amendment.recorded_at),
            amendment.reason
        );
        let day = amendment.handed_over_on.to_string();
        let cells = ["amendment", "", &amendment.recipient, &day, &day, &text];
        write(row(cells, None, Some(&amendment.change)))?;
    }
    for dispute in &report.disputes {
        let text = format!(
            "{}, tray {}, recorded {}: {}",
            dispute.crop,
            dispute.tray_code,
            instant(dispute.recorded_at),
            dispute.words()
        );
        let day = dispute.handed_over_on.to_string();
        let cells = ["dispute", "", &dispute.recipient, &day, &day, &text];
        let mut weights: Weights<'_> = [None; 7];
        weights[DELIVERED] = Some(&dispute.written);
        write(cells_of(cells, weights, None, Some(&dispute.found)))?;
    }
    writer
        .into_inner()
        .map_err(|fault| Error::internal(fault.to_string()).into())
}

/// What stands above the tables on paper.
fn about(report: &HarvestReport) -> Vec<(&'static str, String)> {
    let span = &report.span;
    let mut about = vec![
        ("cooperative", report.cooperative.clone()),
        ("span", format!("{} {}", span.kind, span.name)),
        ("first_day", span.first_day.to_string()),
        ("last_day", span.last_day.to_string()),
        ("as_of", instant(report.as_of)),
    ];
    about.extend(report.recipient.clone().map(|name| ("recipient", name)));
    about.extend(report.site.clone().map(|name| ("site", name)));
    for factor in &report.factors {
        let text = format!(
            "{}. Source: {}. {}",
            factor.factor, factor.source, factor.caveat
        );
        about.push(("factor", text));
    }
    about.extend(report.notes.iter().map(|note| ("note", note.clone())));
    about
}

fn row(
    first: [&str; 6],
    figures: Option<&ReportFigures>,
    change: Option<&ReportWeight>,
) -> Vec<String> {
    let mut weights: Weights<'_> = [None; 7];
    if let Some(figures) = figures {
        let figures = [
            &figures.pledged,
            &figures.expected,
            &figures.cut,
            &figures.waste,
            &figures.delivered,
            &figures.short,
        ];
        for (place, weight) in weights.iter_mut().zip(figures) {
            *place = weight.as_ref();
        }
    }
    weights[6] = change;
    let servings = figures.and_then(|figures| figures.servings.as_ref());
    cells_of(first, weights, servings, None)
}

fn columns_of(weight: &str) -> [String; 3] {
    ["g", "kg", "lb"].map(|unit| format!("{weight}_{unit}"))
}

fn cells_of(
    first: [&str; 6],
    weights: Weights<'_>,
    servings: Option<&Servings>,
    found: Option<&ReportWeight>,
) -> Vec<String> {
    let units = |weight: Option<&ReportWeight>| match weight {
        Some(weight) => [weight.g.clone(), weight.kg.clone(), weight.lb.clone()],
        None => Default::default(),
    };
    let mut row: Vec<String> = first.into_iter().map(harmless).collect();
    row.extend(weights.into_iter().flat_map(units));
    row.extend(match servings {
        Some(servings) => [
            servings.raw_cups.clone(),
            servings.cup_equivalents.clone(),
            servings.meals.clone(),
        ],
        None => Default::default(),
    });
    row.extend(units(found));
    row
}

/// A text that no spreadsheet takes for a formula. Numbers are not texts and stay as they are.
fn harmless(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_made_harmless() {
        for (text, cell) in [
            ("=1+1", "'=1+1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("-2+3", "'-2+3"),
            ("+49", "'+49"),
            ("\tx", "'\tx"),
            ("a=b", "a=b"),
            ("", ""),
        ] {
            assert_eq!(harmless(text), cell);
        }
    }
}
