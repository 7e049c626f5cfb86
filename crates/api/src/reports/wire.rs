//! The report on the wire; every other form is made of it.

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use cotyl_app::Error;
use cotyl_app::records::{AmendmentRow, DisputeRow};
use cotyl_app::reports::{self, By, Row, RowName};
use cotyl_app::totals::Figures;
use cotyl_domain::quantity::Mass;
use cotyl_domain::servings::{CUP_EQUIVALENT, CupOf, Factor as KnownFactor, MealOf};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::problem::Problem;

/// A weight: exact in grams, and rounded half-even once to three decimals of a kilogram and two of a pound
/// (1 lb = 453.592 37 g exactly, NIST Handbook 44).
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportWeight {
    /// Grams, exact.
    #[schema(example = "4535.924")]
    pub g: String,
    /// Kilograms.
    #[schema(example = "4.536")]
    pub kg: String,
    /// Pounds.
    #[schema(example = "10.00")]
    pub lb: String,
}

/// What was delivered, in cups and meals.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Servings {
    /// Cups of raw greens.
    #[schema(example = "126.0")]
    pub raw_cups: String,
    /// Cups of vegetables that they count as.
    #[schema(example = "63.0")]
    pub cup_equivalents: String,
    /// Meals.
    #[schema(example = "8.3")]
    pub meals: String,
}

/// Weights of the sum or of one part; `null` where the part cannot hold the figure.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportFigures {
    /// Promised by pledges.
    pub pledged: Option<ReportWeight>,
    /// Still to be cut.
    pub expected: Option<ReportWeight>,
    /// Cut, and fit to be handed over.
    pub cut: Option<ReportWeight>,
    /// Cut, and fit for nobody.
    pub waste: Option<ReportWeight>,
    /// Handed over.
    pub delivered: Option<ReportWeight>,
    /// Promised and neither handed over nor, in a week that is not over, expected.
    pub short: Option<ReportWeight>,
    /// What was delivered, in cups and meals; `null` unless that was asked for.
    pub servings: Option<Servings>,
}

/// One part.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportRow {
    /// The record; `null` for a week, and for nobody.
    pub id: Option<Uuid>,
    /// What it is called.
    #[schema(example = "Corner pantry")]
    pub name: String,
    /// Of a week the first of its days in the span.
    pub first_day: Option<NaiveDate>,
    /// Of a week the last of its days in the span.
    pub last_day: Option<NaiveDate>,
    /// Its weights.
    #[serde(flatten)]
    pub figures: ReportFigures,
}

/// The sum in parts of one kind.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportTable {
    /// `week`, `recipient`, `crop`, `crop_group`, `site` or `group`.
    #[schema(example = "recipient")]
    pub by: String,
    /// In words.
    #[schema(example = "By recipient")]
    pub heading: String,
    /// The parts.
    pub rows: Vec<ReportRow>,
}

/// An amendment of a delivery of the span.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportAmendment {
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// The day of hand-over.
    pub handed_over_on: NaiveDate,
    /// The recipient.
    pub recipient: String,
    /// The crop.
    pub crop: String,
    /// What is written on the tray.
    pub tray_code: String,
    /// What it adds; negative when too much was written down.
    pub change: ReportWeight,
    /// Why.
    pub reason: String,
    /// Whether it answers a dispute.
    pub answers_dispute: bool,
}

/// A weight of a delivery of the span that its recipient disputed.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportDispute {
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// The day of hand-over.
    pub handed_over_on: NaiveDate,
    /// The recipient.
    pub recipient: String,
    /// The crop.
    pub crop: String,
    /// What is written on the tray.
    pub tray_code: String,
    /// What was written down when it was disputed.
    pub written: ReportWeight,
    /// What the recipient's scale showed.
    pub found: ReportWeight,
    /// Why it is disputed.
    pub reason: String,
    /// `open`, `corrected` or `rejected`.
    #[schema(example = "corrected")]
    pub outcome: String,
    /// What the co-operative says to it; `null` while it is open.
    pub statement: Option<String>,
    /// When the server heard of the answer; `null` while it is open.
    pub answered_at: Option<DateTime<Utc>>,
}

/// A factor, where it comes from, and what it does not say.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportFactor {
    /// The factor.
    pub factor: String,
    /// Its source.
    pub source: String,
    /// A caveat.
    pub caveat: String,
}

/// The days of a report.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportSpan {
    /// `week`, `month`, `term` or `funding_year`.
    #[schema(example = "month")]
    pub kind: String,
    /// What it is called.
    #[schema(example = "2026-10")]
    pub name: String,
    /// First day.
    pub first_day: NaiveDate,
    /// Last day.
    pub last_day: NaiveDate,
}

/// The report of a harvest.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct HarvestReport {
    /// Name of the co-operative.
    pub cooperative: String,
    /// Its days.
    pub span: ReportSpan,
    /// The instant whose knowledge it shows. Send it back as `as_of` to get the report as it was then.
    pub as_of: DateTime<Utc>,
    /// The recipient it is narrowed to.
    pub recipient: Option<String>,
    /// The site it is narrowed to.
    pub site: Option<String>,
    /// The sum.
    pub sum: ReportFigures,
    /// The sum in parts.
    pub tables: Vec<ReportTable>,
    /// Amendments of deliveries of the span, the oldest first.
    pub amendments: Vec<ReportAmendment>,
    /// Weights of deliveries of the span that their recipients disputed, the oldest dispute first. What was
    /// corrected stands among the amendments, and in the figures.
    pub disputes: Vec<ReportDispute>,
    /// Factors that were used.
    pub factors: Vec<ReportFactor>,
    /// How it is counted.
    pub notes: Vec<String>,
}

/// How it is counted, for whoever reads only the report.
const NOTES: [&str; 7] = [
    "Cuts, waste and deliveries count by their own local day at the site.",
    "What is pledged, expected and short counts by whole ISO weeks. A week counts in the span that holds its Thursday; \
     what is short is short of the whole week.",
    "Cuts and cuts to come are shared among the recipients that were promised them, in proportion to what they are promised.",
    "What was pledged of any crop of a group stands in a row of its own among the crops; what was delivered stands with its crop.",
    "A delivery counts at the site where it was packed; produce counts with the group of people that the cut names.",
    "Waste is poor cuts, and trimmings and spoiled leaves weighed apart. It is in no delivery.",
    "Kilograms and pounds are rounded half-even from exact milligrams, 1 lb = 453.59237 g (NIST Handbook 44, Appendix C), \
     so rounded figures may differ from their rounded sum in the last digit.",
];

impl ReportWeight {
    fn of(milligrams: i64) -> Result<Self, Problem> {
        let mass = Mass::of_milligrams(milligrams);
        let rounded = |unit, decimals| {
            mass.to_rounded_text(unit, decimals)
                .map(|text| text.value)
                .map_err(Error::internal)
        };
        Ok(Self {
            g: mass.to_text("g").map_err(Error::internal)?.value,
            kg: rounded("kg", 3)?,
            lb: rounded("[lb_av]", 2)?,
        })
    }
}

/// Which figures a kind of part can hold, besides what was cut, wasted and delivered.
fn holds(by: Option<By>) -> (bool, bool) {
    match by {
        None | Some(By::Week | By::Recipient | By::Crop | By::CropGroup) => (true, true),
        Some(By::Site) => (false, true),
        Some(By::Group) => (false, false),
    }
}

fn figures(
    figures: Figures,
    by: Option<By>,
    servings: Option<(CupOf, MealOf)>,
) -> Result<ReportFigures, Problem> {
    let (promised, expected) = holds(by);
    let weight =
        |shown: bool, milligrams: i64| shown.then(|| ReportWeight::of(milligrams)).transpose();
    Ok(ReportFigures {
        pledged: weight(promised, figures.pledged)?,
        expected: weight(expected, figures.expected)?,
        cut: weight(true, figures.cut)?,
        waste: weight(true, figures.waste)?,
        delivered: weight(true, figures.delivered)?,
        short: weight(promised, figures.short)?,
        servings: servings.map(|(cup, meal)| Servings {
            raw_cups: cup.raw_cups(figures.delivered),
            cup_equivalents: cup.cup_equivalents(figures.delivered),
            meals: meal.meals(figures.delivered),
        }),
    })
}

fn words(by: By) -> (&'static str, &'static str, &'static str) {
    match by {
        By::Week => ("week", "By week", ""),
        By::Recipient => ("recipient", "By recipient", "for nobody"),
        By::Crop => ("crop", "By crop", ""),
        By::CropGroup => ("crop_group", "By crop group", "without a group"),
        By::Site => ("site", "By site", ""),
        By::Group => ("group", "By group of people", "no group named"),
    }
}

fn row(
    row: Row,
    by: By,
    span: &reports::span::Span,
    servings: Option<(CupOf, MealOf)>,
) -> Result<ReportRow, Problem> {
    let days = match row.name {
        RowName::Week(week) => Some(span.days_of(week)),
        _ => None,
    };
    let name = match row.name {
        RowName::Week(week) => week.to_string(),
        RowName::Named(name) => name,
        RowName::AnyOf(group) => format!("any of {group}"),
        RowName::Nobody => words(by).2.to_owned(),
    };
    Ok(ReportRow {
        id: row.id,
        name,
        first_day: days.map(|(first, _)| first),
        last_day: days.map(|(_, last)| last),
        figures: figures(row.figures, Some(by), servings)?,
    })
}

fn amendment(row: AmendmentRow) -> Result<ReportAmendment, Problem> {
    Ok(ReportAmendment {
        recorded_at: row.recorded_at,
        handed_over_on: row.handed_over_on,
        recipient: row.recipient_name,
        crop: row.crop_name,
        tray_code: row.tray_code,
        change: ReportWeight::of(row.change_milligrams)?,
        reason: row.reason,
        answers_dispute: row.answers_dispute,
    })
}

fn dispute(row: DisputeRow) -> Result<ReportDispute, Problem> {
    Ok(ReportDispute {
        recorded_at: row.recorded_at,
        handed_over_on: row.handed_over_on,
        recipient: row.recipient_name,
        crop: row.crop_name,
        tray_code: row.tray_code,
        written: ReportWeight::of(row.written_milligrams)?,
        found: ReportWeight::of(row.found_milligrams)?,
        reason: row.reason,
        outcome: row.outcome.unwrap_or_else(|| "open".to_owned()),
        statement: row.statement,
        answered_at: row.answered_at,
    })
}

impl ReportDispute {
    /// Why it is disputed and what was answered, in one line for tables.
    pub fn words(&self) -> String {
        match &self.statement {
            Some(statement) => format!("{} ({}: {statement})", self.reason, self.outcome),
            None => format!("{} (not answered yet)", self.reason),
        }
    }
}

fn factor(factor: KnownFactor) -> ReportFactor {
    ReportFactor {
        factor: factor.text.to_owned(),
        source: factor.source.to_owned(),
        caveat: factor.caveat.to_owned(),
    }
}

impl HarvestReport {
    /// The report, with what was delivered in cups and meals where that is asked for.
    pub fn of(
        report: reports::HarvestReport,
        servings: Option<(CupOf, MealOf)>,
    ) -> Result<Self, Problem> {
        let span = report.span;
        let tables = report
            .partitions
            .into_iter()
            .map(|partition| {
                let (by, heading, _) = words(partition.by);
                let rows = partition
                    .rows
                    .into_iter()
                    .map(|part| row(part, partition.by, &span, servings))
                    .collect::<Result<_, Problem>>()?;
                Ok(ReportTable {
                    by: by.to_owned(),
                    heading: heading.to_owned(),
                    rows,
                })
            })
            .collect::<Result<_, Problem>>()?;
        let factors = servings.map_or_else(Vec::new, |(cup, meal)| {
            [cup.factor(), CUP_EQUIVALENT, meal.factor()]
                .map(factor)
                .into()
        });
        Ok(Self {
            cooperative: report.cooperative,
            as_of: report.as_of,
            recipient: report.recipient,
            site: report.site,
            sum: figures(report.sum, None, servings)?,
            tables,
            amendments: report
                .amendments
                .into_iter()
                .map(amendment)
                .collect::<Result<_, Problem>>()?,
            disputes: report
                .disputes
                .into_iter()
                .map(dispute)
                .collect::<Result<_, Problem>>()?,
            factors,
            notes: NOTES.map(str::to_owned).into(),
            span: ReportSpan {
                kind: span.kind.as_str().to_owned(),
                name: span.name,
                first_day: span.first_day,
                last_day: span.last_day,
            },
        })
    }
}

/// An instant as it stands in every form of the report.
pub fn instant(instant: DateTime<Utc>) -> String {
    instant.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// Name of the file: by its days alone, in letters that every system takes.
pub fn file_name(report: &reports::HarvestReport, ending: &str) -> String {
    format!(
        "harvest-{}-to-{}.{ending}",
        report.span.first_day, report.span.last_day
    )
}
