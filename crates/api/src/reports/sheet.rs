//! The report on paper.

use cotyl_app::Error;
use cotyl_paper::{Column, Sheet, Table, pdf as typeset};

use super::Paper;
use super::wire::{HarvestReport, ReportFigures, ReportTable, ReportWeight, instant};
use crate::problem::Problem;

type Pick = fn(&ReportFigures) -> &Option<ReportWeight>;

/// The weights in their order.
const WEIGHTS: [(&str, Pick); 6] = [
    ("Pledged", |figures| &figures.pledged),
    ("Expected", |figures| &figures.expected),
    ("Cut", |figures| &figures.cut),
    ("Waste", |figures| &figures.waste),
    ("Delivered", |figures| &figures.delivered),
    ("Short", |figures| &figures.short),
];

/// The report as a PDF.
pub fn pdf(report: &HarvestReport, paper: Paper) -> Result<Vec<u8>, Problem> {
    typeset(&sheet(report, paper)).map_err(|fault| Error::internal(fault).into())
}

fn sheet(report: &HarvestReport, paper: Paper) -> Sheet {
    let span = &report.span;
    let mut lines = vec![format!(
        "{} {}: {} to {}",
        in_words(&span.kind),
        span.name,
        span.first_day,
        span.last_day
    )];
    lines.extend(
        report
            .recipient
            .iter()
            .map(|name| format!("For the recipient {name} only")),
    );
    lines.extend(report.site.iter().map(|name| {
        format!(
            "Produce of the site {name} only; pledged and short speak of the whole co-operative"
        )
    }));
    lines.push(format!("As known on {}", instant(report.as_of)));
    let mut notes: Vec<String> = report.notes.clone();
    notes.extend(report.factors.iter().map(|factor| {
        format!(
            "{}. Source: {}. {}",
            factor.factor, factor.source, factor.caveat
        )
    }));
    let mut tables: Vec<Table> = report
        .tables
        .iter()
        .filter(|table| !table.rows.is_empty())
        .map(|table| parts(report, table))
        .collect();
    if tables.is_empty() {
        lines.push("Nothing was pledged, expected, cut or delivered.".to_owned());
    }
    tables.extend(amendments(report));
    tables.extend(disputes(report));
    Sheet {
        title: format!("{}: harvest report", report.cooperative),
        lines,
        tables,
        notes,
        foot: format!(
            "{} · {} to {} · as of {}",
            report.cooperative,
            span.first_day,
            span.last_day,
            instant(report.as_of)
        ),
        paper: match paper {
            Paper::A4 => cotyl_paper::Paper::A4,
            Paper::Letter => cotyl_paper::Paper::Letter,
        },
    }
}

fn in_words(kind: &str) -> &'static str {
    match kind {
        "week" => "Week",
        "month" => "Month",
        "term" => "Term",
        _ => "Funding year beginning in",
    }
}

fn text(title: &str) -> Column {
    Column {
        title: title.to_owned(),
        unit: String::new(),
        is_number: false,
    }
}

fn number(title: &str, unit: &str) -> Column {
    Column {
        title: title.to_owned(),
        unit: unit.to_owned(),
        is_number: true,
    }
}

/// Weights that none of the parts can hold have no columns.
fn parts(report: &HarvestReport, table: &ReportTable) -> Table {
    let shown: Vec<(&str, Pick)> = WEIGHTS
        .into_iter()
        .filter(|(_, pick)| table.rows.iter().any(|row| pick(&row.figures).is_some()))
        .collect();
    let mut columns = vec![text("")];
    for (title, _) in &shown {
        columns.extend(["kg", "lb"].map(|unit| number(title, unit)));
    }
    if report.sum.servings.is_some() {
        columns.extend([
            number("Delivered as", "raw cups"),
            number("Delivered as", "cups of veg."),
            number("Delivered as", "meals"),
        ]);
    }
    let cells = |name: &str, figures: &ReportFigures| {
        let mut cells = vec![name.to_owned()];
        for (_, pick) in &shown {
            cells.extend(match pick(figures) {
                Some(weight) => [weight.kg.clone(), weight.lb.clone()],
                None => ["–".to_owned(), "–".to_owned()],
            });
        }
        if let Some(servings) = &figures.servings {
            cells.extend([
                servings.raw_cups.clone(),
                servings.cup_equivalents.clone(),
                servings.meals.clone(),
            ]);
        }
        cells
    };
    let rows = table.rows.iter().map(|row| {
        let name = match (row.first_day, row.last_day) {
            (Some(first), Some(last)) => format!("{} ({first} to {last})", row.name),
            _ => row.name.clone(),
        };
        cells(&name, &row.figures)
    });
    Table {
        heading: table.heading.clone(),
        rows: rows.collect(),
        sum: Some(cells("Sum", &report.sum)),
        columns,
    }
}

fn amendments(report: &HarvestReport) -> Option<Table> {
    let rows: Vec<Vec<String>> = report
        .amendments
        .iter()
        .map(|amendment| {
            let reason = if amendment.answers_dispute {
                format!("{} (answers a dispute)", amendment.reason)
            } else {
                amendment.reason.clone()
            };
            vec![
                instant(amendment.recorded_at),
                amendment.handed_over_on.to_string(),
                amendment.recipient.clone(),
                amendment.crop.clone(),
                amendment.tray_code.clone(),
                reason,
                amendment.change.kg.clone(),
                amendment.change.lb.clone(),
            ]
        })
        .collect();
    (!rows.is_empty()).then(|| Table {
        heading: "Amendments of deliveries".to_owned(),
        columns: vec![
            text("Recorded"),
            text("Handed over"),
            text("Recipient"),
            text("Crop"),
            text("Tray"),
            text("Reason"),
            number("Change", "kg"),
            number("Change", "lb"),
        ],
        rows,
        sum: None,
    })
}

fn disputes(report: &HarvestReport) -> Option<Table> {
    let rows: Vec<Vec<String>> = report
        .disputes
        .iter()
        .map(|dispute| {
            vec![
                instant(dispute.recorded_at),
                dispute.handed_over_on.to_string(),
                dispute.recipient.clone(),
                dispute.crop.clone(),
                dispute.tray_code.clone(),
                dispute.words(),
                dispute.written.kg.clone(),
                dispute.written.lb.clone(),
                dispute.found.kg.clone(),
                dispute.found.lb.clone(),
            ]
        })
        .collect();
    (!rows.is_empty()).then(|| Table {
        heading: "Disputed weights".to_owned(),
        columns: vec![
            text("Recorded"),
            text("Handed over"),
            text("Recipient"),
            text("Crop"),
            text("Tray"),
            text("Reason and answer"),
            number("Written", "kg"),
            number("Written", "lb"),
            number("Found", "kg"),
            number("Found", "lb"),
        ],
        rows,
        sum: None,
    })
}
