//! Weekly totals.

use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use chrono::{DateTime, Utc};
use cotyl_app::totals::{self, TotalsWanted};
use cotyl_domain::quantity::{Mass, QuantityText};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::Signed;
use crate::problem::{Problem, ReadProblems};
use crate::respond::Answer;
use crate::serve::ApiState;

/// A weight in grams, kilograms and pounds. Grams and kilograms are exact; pounds (1 lb = 453.592 37 g
/// exactly, NIST Handbook 44) are rounded half-even to at most 7 decimals.
#[derive(Debug, Serialize, ToSchema)]
pub struct Weight {
    /// Grams.
    #[schema(example = "4535.924")]
    pub value: String,
    /// Always `g`.
    #[schema(example = "g")]
    pub unit: String,
    /// Kilograms.
    #[schema(example = "4.535924")]
    pub kg: String,
    /// Pounds.
    #[schema(example = "10.0000007")]
    pub lb: String,
}

impl Weight {
    fn of_milligrams(milligrams: i64) -> Result<Self, Problem> {
        let mass = Mass::of_milligrams(milligrams);
        let text = |unit: &str| {
            mass.to_text(unit)
                .map(|text| text.value)
                .map_err(cotyl_app::Error::internal)
        };
        let QuantityText { value, unit } = mass.into();
        Ok(Self {
            value,
            unit,
            kg: text("kg")?,
            lb: text("[lb_av]")?,
        })
    }
}

/// Weights of a line, a week or a span.
#[derive(Debug, Serialize, ToSchema)]
pub struct Figures {
    /// Promised by pledges.
    pub pledged: Weight,
    /// Cuts still to be taken from standing sowings, in the week of the recipient's first delivery day
    /// on or after the planned day of the cut, if it keeps so long; shared among the lines it may go to
    /// in proportion to what they are promised.
    pub expected: Weight,
    /// Cuts taken and fit to be handed over, in the week of their local day, with their corrections;
    /// shared in the same way, day by day.
    pub cut: Weight,
    /// Cut and fit for nobody: cuts of poor quality and what was weighed apart, in the week of the day
    /// of the cut. It is on the line of nobody and in no delivery.
    pub waste: Weight,
    /// Handed over, in the week of the local day of hand-over at the site, with corrections. It counts
    /// towards the pledge that names the crop until that is met, then towards the one that names its group.
    pub delivered: Weight,
    /// Promised and not handed over; in a week that is not over, less what is expected. Sums add up the
    /// lines: more than promised on one line does not make up for another.
    pub short: Weight,
}

/// A record that a line names.
#[derive(Debug, Serialize, ToSchema)]
pub struct Naming {
    /// The record.
    pub id: Uuid,
    /// Its name.
    pub name: String,
}

/// A recipient with a crop or a group.
#[derive(Debug, Serialize, ToSchema)]
pub struct LineTotals {
    /// Who receives; `null` for produce that nobody is promised that week.
    pub recipient: Option<Naming>,
    /// The crop; `null` when the pledge names a group.
    pub crop: Option<Naming>,
    /// The group that the pledge names, or that of the crop.
    pub crop_group: Option<Naming>,
    /// Its weights.
    #[serde(flatten)]
    pub figures: Figures,
}

/// A week.
#[derive(Debug, Serialize, ToSchema)]
pub struct WeekTotals {
    /// The ISO week.
    #[schema(example = "2026-W42")]
    pub week: String,
    /// Whether it is over at every site.
    pub is_over: bool,
    /// Its lines.
    pub lines: Vec<LineTotals>,
    /// Their sum.
    pub sum: Figures,
}

/// Totals by week.
#[derive(Debug, Serialize, ToSchema)]
pub struct WeeklyTotals {
    /// The instant whose knowledge they show. Send it back as `as_of` to get cuts, deliveries and their
    /// corrections as they were known then.
    pub as_of: DateTime<Utc>,
    /// The weeks in order.
    pub weeks: Vec<WeekTotals>,
    /// Their sum.
    pub sum: Figures,
}

fn figures(figures: totals::Figures) -> Result<Figures, Problem> {
    Ok(Figures {
        pledged: Weight::of_milligrams(figures.pledged)?,
        expected: Weight::of_milligrams(figures.expected)?,
        cut: Weight::of_milligrams(figures.cut)?,
        waste: Weight::of_milligrams(figures.waste)?,
        delivered: Weight::of_milligrams(figures.delivered)?,
        short: Weight::of_milligrams(figures.short)?,
    })
}

fn line(line: totals::LineTotals) -> Result<LineTotals, Problem> {
    let naming = |named: totals::Naming| Naming {
        id: named.id,
        name: named.name,
    };
    Ok(LineTotals {
        recipient: line.recipient.map(naming),
        crop: line.crop.map(naming),
        crop_group: line.crop_group.map(naming),
        figures: figures(line.figures)?,
    })
}

fn week(week: totals::WeekTotals) -> Result<WeekTotals, Problem> {
    Ok(WeekTotals {
        week: week.week.to_string(),
        is_over: week.is_over,
        lines: week.lines.into_iter().map(line).collect::<Result<_, _>>()?,
        sum: figures(week.sum)?,
    })
}

/// Which weeks and lines are asked for.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct TotalsQuery {
    /// First ISO week.
    #[param(example = "2026-W37")]
    pub from: String,
    /// Last ISO week; at most 106 weeks in all.
    #[param(example = "2026-W50")]
    pub to: String,
    /// Lines of this recipient only.
    pub recipient_id: Option<Uuid>,
    /// Lines of this crop group and its crops only.
    pub crop_group_id: Option<Uuid>,
    /// Produce of this site only; `pledged` and `short` still speak of the whole co-operative. Not for readers.
    pub site_id: Option<Uuid>,
    /// As they were known at this instant: what was recorded later is left out, pledges and planned days
    /// are taken as they were then. Names, and the delivery days of recipients, are those of now.
    pub as_of: Option<DateTime<Utc>>,
}

/// Read weekly totals
///
/// Pledged, expected, cut, waste, delivered and short, for each ISO week and line, to the milligram: the lines
/// add up to the sum of the week, the weeks to the sum of the span. Readers see their recipients' lines.
#[utoipa::path(
    tag = "totals", operation_id = "read_weekly_totals", params(TotalsQuery),
    responses((status = 200, description = "The totals", body = WeeklyTotals), ReadProblems)
)]
#[get("/totals/weeks")]
pub async fn read_weekly_totals(
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<TotalsQuery>,
) -> Answer {
    let wanted = TotalsWanted {
        from: &query.from,
        to: &query.to,
        recipient_id: query.recipient_id,
        crop_group_id: query.crop_group_id,
        site_id: query.site_id,
        as_of: query.as_of,
    };
    let totals = state.app.read_weekly_totals(&caller, &wanted).await?;
    Ok(HttpResponse::Ok().json(WeeklyTotals {
        as_of: totals.as_of,
        weeks: totals
            .weeks
            .into_iter()
            .map(week)
            .collect::<Result<_, _>>()?,
        sum: figures(totals.sum)?,
    }))
}
