//! The report of a harvest, as JSON, CSV and PDF from the same figures.

mod sheet;
mod table;
mod wire;

use actix_web::http::header::{ACCEPT, CONTENT_DISPOSITION, VARY};
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use cotyl_app::reports::{ReportWanted, SpanWanted};
use cotyl_domain::servings::{CupOf, MealOf};
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::Signed;
use crate::problem::{Problem, ReadProblems};
use crate::respond::Answer;
use crate::serve::ApiState;
use wire::HarvestReport;

/// How the report is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReportFormat {
    /// JSON.
    Json,
    /// Comma-separated values, RFC 4180.
    Csv,
    /// PDF.
    Pdf,
}

impl ReportFormat {
    fn media_type(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv",
            Self::Pdf => "application/pdf",
        }
    }

    fn ending(self) -> &'static str {
        match self {
            Self::Json => "json",
            Self::Csv => "csv",
            Self::Pdf => "pdf",
        }
    }

    /// The first of `Accept` that is known, unless it is refused there; JSON when nothing else is said.
    fn accepted(accept: &str) -> Self {
        let wanted = accept.split(',').find_map(|part| {
            let (kind, parameters) = part.split_once(';').unwrap_or((part, ""));
            if parameters.replace(' ', "").starts_with("q=0") && !parameters.contains("0.") {
                return None;
            }
            [Self::Json, Self::Csv, Self::Pdf]
                .into_iter()
                .find(|format| format.media_type().eq_ignore_ascii_case(kind.trim()))
        });
        wanted.unwrap_or(Self::Json)
    }
}

/// The paper of a PDF.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Paper {
    /// A4.
    A4,
    /// US letter.
    Letter,
}

/// Which report is asked for: the days by exactly one of `week`, `month`, `term_id` and `funding_year`.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct ReportQuery {
    /// An ISO week.
    #[param(example = "2026-W43")]
    pub week: Option<String>,
    /// A calendar month.
    #[param(example = "2026-10")]
    pub month: Option<String>,
    /// A term.
    pub term_id: Option<Uuid>,
    /// The funding year that begins in this calendar year.
    #[param(example = 2026)]
    pub funding_year: Option<i32>,
    /// Lines of this recipient only.
    pub recipient_id: Option<Uuid>,
    /// Produce of this site only; `pledged` and `short` still speak of the whole co-operative. Not for readers.
    pub site_id: Option<Uuid>,
    /// As it was known at this instant: what was recorded later is left out. Names, the days of a term and
    /// the delivery days of recipients are those of now.
    pub as_of: Option<DateTime<Utc>>,
    /// Whether what was delivered is also told in cups and meals, with the factors and their sources.
    #[serde(default)]
    pub servings: bool,
    /// Which greens fill a cup; `green_leaf` when left out.
    #[param(inline)]
    pub cup_of: Option<CupOf>,
    /// What makes a meal: `pounds` (1.2 lb) when left out, or `grams` (626 g).
    #[param(inline)]
    pub meal_of: Option<MealOf>,
    /// How it is answered; by `Accept` when left out.
    #[param(inline)]
    pub format: Option<ReportFormat>,
    /// The paper of a PDF; `a4` when left out.
    #[param(inline)]
    pub paper: Option<Paper>,
}

impl ReportQuery {
    fn span(&self) -> Result<SpanWanted<'_>, Problem> {
        let spans = [
            self.week.as_deref().map(SpanWanted::Week),
            self.month.as_deref().map(SpanWanted::Month),
            self.term_id.map(SpanWanted::Term),
            self.funding_year.map(SpanWanted::FundingYear),
        ];
        let mut given = spans.into_iter().flatten();
        match (given.next(), given.next()) {
            (Some(span), None) => Ok(span),
            _ => Err(Problem::field(
                "week",
                "one_of",
                "give exactly one of week, month, term_id and funding_year",
            )),
        }
    }
}

/// Read the report of a harvest
///
/// Pledged, expected, cut, waste, delivered and short in a week, month, term or funding year, as a sum and
/// in parts by week, recipient, crop, crop group, site and group of people. JSON, CSV and PDF show the same
/// figures. With the `as_of` that a report gives, it can be had again as it was.
///
/// Cuts, waste and deliveries count by their own local day; what is pledged, expected and short by whole ISO
/// weeks, each in the span that holds its Thursday. The parts add up to the sum in every figure they can hold;
/// the others are `null`.
///
/// CSV follows RFC 4180, in UTF-8. A text that a spreadsheet would take for a formula, one that begins with
/// `=`, `+`, `-`, `@`, a tab or a carriage return, has an apostrophe put before it.
#[utoipa::path(
    tag = "reports", operation_id = "read_harvest_report", params(ReportQuery),
    responses(
        (status = 200, description = "The report", content(
            (HarvestReport = "application/json"),
            (String = "text/csv"),
            (Vec<u8> = "application/pdf")
        )),
        ReadProblems
    )
)]
#[get("/reports/harvest")]
pub async fn read_harvest_report(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<ReportQuery>,
) -> Answer {
    let wanted = ReportWanted {
        span: query.span()?,
        recipient_id: query.recipient_id,
        site_id: query.site_id,
        as_of: query.as_of,
    };
    let servings = query.servings.then(|| {
        (
            query.cup_of.unwrap_or(CupOf::GreenLeaf),
            query.meal_of.unwrap_or(MealOf::Pounds),
        )
    });
    let accept = request.headers().get(ACCEPT).and_then(|a| a.to_str().ok());
    let format = query
        .format
        .unwrap_or_else(|| ReportFormat::accepted(accept.unwrap_or_default()));
    let report = state.app.read_harvest_report(&caller, &wanted).await?;
    let name = wire::file_name(&report, format.ending());
    let report = HarvestReport::of(report, servings)?;
    let mut response = HttpResponse::Ok();
    response.insert_header((VARY, "accept"));
    if format != ReportFormat::Json {
        let disposition = format!("attachment; filename=\"{name}\"");
        response.insert_header((CONTENT_DISPOSITION, disposition));
    }
    Ok(match format {
        ReportFormat::Json => response.json(report),
        ReportFormat::Csv => response
            .content_type("text/csv; charset=utf-8; header=present")
            .body(table::csv(&report)?),
        ReportFormat::Pdf => {
            let paper = query.paper.unwrap_or(Paper::A4);
            // typesetting takes a while: away from the request threads
            let bytes = tokio::task::spawn_blocking(move || sheet::pdf(&report, paper))
                .await
                .map_err(cotyl_app::Error::internal)??;
            response.content_type("application/pdf").body(bytes)
        }
    })
}

#[cfg(test)]
mod tests {
    use super::ReportFormat::{Csv, Json, Pdf};
    use super::*;

    #[test]
    fn the_first_known_media_type_is_answered() {
        for (accept, format) in [
            ("", Json),
            ("*/*", Json),
            ("application/pdf", Pdf),
            ("text/html, application/pdf;q=0.9, */*;q=0.1", Pdf),
            ("text/csv; charset=utf-8", Csv),
            ("application/pdf;q=0, Text/CSV", Csv),
        ] {
            assert_eq!(ReportFormat::accepted(accept), format, "{accept}");
        }
    }
}
