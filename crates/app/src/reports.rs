//! The report of a harvest: what was promised, is expected, was cut and handed over in a span of days.
//!
//! One set of figures, computed once; whoever shows it as JSON, as a table or on paper shows the same.

pub mod figures;
pub mod span;

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use cotyl_calendar::IsoWeek;
use cotyl_domain::{Actor, Operation};
use cotyl_store::reports::{self, AmendmentRow, DisputeRow};
use cotyl_store::{Tx, cooperatives, terms};
use uuid::Uuid;

use crate::input::Problems;
use crate::totals::books::Produce;
use crate::totals::{Figures, Names, earliest_day, load_books};
use crate::{App, Caller, Error, Result};
use figures::{Counted, Part, gather};
use span::{Span, is_yearly_day};

/// Which days are asked for.
#[derive(Debug, Clone, Copy)]
pub enum SpanWanted<'a> {
    /// An ISO week.
    Week(&'a str),
    /// A month such as `2026-10`.
    Month(&'a str),
    /// A term.
    Term(Uuid),
    /// The funding year that begins in that calendar year.
    FundingYear(i32),
}

/// Which report is asked for.
#[derive(Debug, Clone, Copy)]
pub struct ReportWanted<'a> {
    /// Its days.
    pub span: SpanWanted<'a>,
    /// Lines of one recipient.
    pub recipient_id: Option<Uuid>,
    /// Produce of one site; pledged and short still speak of the whole co-operative.
    pub site_id: Option<Uuid>,
    /// As it was known at an instant.
    pub as_of: Option<DateTime<Utc>>,
}

/// The figures by one way of parting them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Partition {
    /// By what.
    pub by: By,
    /// The parts, which add up to the whole in every figure that they can hold.
    pub rows: Vec<Row>,
}

/// By what figures are parted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum By {
    /// ISO weeks.
    Week,
    /// Recipients.
    Recipient,
    /// Crops; what was promised of any crop of a group has a row of its own.
    Crop,
    /// Crop groups.
    CropGroup,
    /// Sites.
    Site,
    /// Groups of people.
    Group,
}

/// One part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// The record, where the part is one.
    pub id: Option<Uuid>,
    /// What it is called.
    pub name: RowName,
    /// Its weights.
    pub figures: Figures,
}

/// What a part is called.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum RowName {
    /// By the week.
    Week(IsoWeek),
    /// By a name.
    Named(String),
    /// Any crop of a group.
    AnyOf(String),
    /// Nobody, or nothing that was named.
    Nobody,
}

/// A report.
#[derive(Debug, Clone)]
pub struct HarvestReport {
    /// Name of the co-operative.
    pub cooperative: String,
    /// Its days.
    pub span: Span,
    /// The instant whose knowledge it shows.
    pub as_of: DateTime<Utc>,
    /// The recipient it is narrowed to.
    pub recipient: Option<String>,
    /// The site it is narrowed to.
    pub site: Option<String>,
    /// The sum.
    pub sum: Figures,
    /// The sum in parts.
    pub partitions: Vec<Partition>,
    /// Deliveries of the span that were amended, the oldest amendment first.
    pub amendments: Vec<AmendmentRow>,
    /// Weights of deliveries of the span that their recipients disputed, the oldest dispute first.
    pub disputes: Vec<DisputeRow>,
}

impl App {
    /// The report of a harvest. Readers see the lines of their recipients only, and neither sites nor
    /// groups of people.
    ///
    /// # Errors
    /// [`Error::Invalid`] for days that are none and for an instant to come; [`Error::NotFound`] for a
    /// term, recipient or site out of reach.
    pub async fn read_harvest_report(
        &self,
        caller: &Caller,
        wanted: &ReportWanted<'_>,
    ) -> Result<HarvestReport> {
        let now = self.clock().now();
        let operation = Operation::ReadHarvestReport;
        self.read(operation, caller, async |tx, actor| {
            let mut problems = Problems::new();
            if let Some(as_of) = wanted.as_of {
                problems.require(as_of <= now, "as_of", "range", "must not be in the future");
            }
            problems.finish()?;
            let span = span_of(tx, wanted.span).await?;
            let weeks = span.weeks().ok_or_else(|| span_problem(wanted.span))?;
            let names = Names::load(tx).await?;
            let recipients = recipients(actor, wanted, &names)?;
            let as_of = wanted.as_of.unwrap_or(now);
            let today = earliest_day(tx, wanted.site_id, as_of).await?;
            let books = load_books(tx, weeks, wanted.as_of, &names).await?;
            let counted = Counted {
                span: &span,
                today,
                recipients: recipients.as_deref(),
                site_id: wanted.site_id,
            };
            let mut parts = gather(&books, &counted, |produce| names.group_of(produce));
            let sum = parts.remove(&Part::Whole).unwrap_or_default();
            let places = Places::load(tx).await?;
            let reach = operation.reach(actor);
            let partitions = partitions(&parts, &names, &places, reach.all);
            let days = (span.first_day, span.last_day);
            let (whose, site_id, known) = (recipients.as_deref(), wanted.site_id, wanted.as_of);
            let amendments = reports::amendments(tx, days, whose, site_id, known).await?;
            let disputes = reports::disputes(tx, days, whose, site_id, known).await?;
            let cooperative = cooperatives::get(tx, actor.cooperative_id)
                .await?
                .ok_or(Error::NotFound("co-operative"))?;
            Ok(HarvestReport {
                cooperative: cooperative.name,
                span,
                as_of,
                recipient: wanted
                    .recipient_id
                    .and_then(|id| names.recipients.get(&id).cloned()),
                site: wanted.site_id.and_then(|id| places.sites.get(&id).cloned()),
                sum,
                partitions,
                amendments,
                disputes,
            })
        })
        .await
    }
}

async fn span_of(tx: &mut Tx, wanted: SpanWanted<'_>) -> Result<Span> {
    let span = match wanted {
        SpanWanted::Week(text) => {
            Some(Span::of_week(text.parse::<IsoWeek>().map_err(|fault| {
                Error::field("week", "week", fault.to_string())
            })?))
        }
        SpanWanted::Month(text) => Span::of_month(text),
        SpanWanted::Term(id) => {
            let term = terms::get(tx, id).await?.ok_or(Error::NotFound("term"))?;
            let fields = &term.fields;
            Some(Span::of_term(
                &fields.name,
                fields.first_day,
                fields.last_day,
            ))
        }
        SpanWanted::FundingYear(year) => {
            let settings = reports::settings(tx).await?;
            let (month, day) = (settings.funding_year_month, settings.funding_year_day);
            u32::try_from(month)
                .ok()
                .zip(u32::try_from(day).ok())
                .filter(|(month, day)| is_yearly_day(*month, *day))
                .and_then(|(month, day)| Span::of_funding_year(year, month, day))
        }
    };
    span.ok_or_else(|| span_problem(wanted))
}

fn span_problem(wanted: SpanWanted<'_>) -> Error {
    match wanted {
        SpanWanted::Week(_) => Error::field("week", "range", "must be a week of 2000 to 2199"),
        SpanWanted::Month(_) => Error::field(
            "month",
            "month",
            "must be a month of 2000 to 2199 such as 2026-10",
        ),
        SpanWanted::Term(_) => Error::field("term_id", "range", "has days that no calendar has"),
        SpanWanted::FundingYear(_) => Error::field(
            "funding_year",
            "range",
            "must be the calendar year in which it begins, 2000 to 2199",
        ),
    }
}

fn recipients(
    actor: &Actor,
    wanted: &ReportWanted<'_>,
    names: &Names,
) -> Result<Option<Vec<Uuid>>> {
    let reach = Operation::ReadHarvestReport.reach(actor);
    if wanted.site_id.is_some() && !reach.all {
        return Err(Error::Forbidden(Operation::ReadHarvestReport));
    }
    match wanted.recipient_id {
        Some(id) if reach.covers_recipient(id) && names.recipients.contains_key(&id) => {
            Ok(Some(vec![id]))
        }
        Some(_) => Err(Error::NotFound("recipient")),
        None => Ok(reach.recipient_filter().map(<[Uuid]>::to_vec)),
    }
}

/// Names of sites and of groups of people.
struct Places {
    sites: BTreeMap<Uuid, String>,
    groups: BTreeMap<Uuid, String>,
}

impl Places {
    async fn load(tx: &mut Tx) -> Result<Self> {
        Ok(Self {
            sites: reports::site_names(tx).await?.into_iter().collect(),
            groups: reports::group_names(tx).await?.into_iter().collect(),
        })
    }
}

fn partitions(
    parts: &BTreeMap<Part, Figures>,
    names: &Names,
    places: &Places,
    with_places: bool,
) -> Vec<Partition> {
    let named = |name: Option<&String>| RowName::Named(name.cloned().unwrap_or_default());
    let mut rows: BTreeMap<u8, Vec<Row>> = BTreeMap::new();
    for (part, figures) in parts {
        let (by, id, name) = match *part {
            Part::Whole => continue,
            Part::Week(week) => (By::Week, None, RowName::Week(week)),
            Part::Recipient(None) => (By::Recipient, None, RowName::Nobody),
            Part::Recipient(Some(id)) => {
                (By::Recipient, Some(id), named(names.recipients.get(&id)))
            }
            Part::Produce(Produce::Crop(id)) => {
                let name = names.crops.get(&id).map(|crop| &crop.name);
                (By::Crop, Some(id), named(name))
            }
            Part::Produce(Produce::Group(id)) => {
                let name = names.groups.get(&id).cloned().unwrap_or_default();
                (By::Crop, Some(id), RowName::AnyOf(name))
            }
            Part::CropGroup(None) => (By::CropGroup, None, RowName::Nobody),
            Part::CropGroup(Some(id)) => (By::CropGroup, Some(id), named(names.groups.get(&id))),
            Part::Site(id) => (By::Site, Some(id), named(places.sites.get(&id))),
            Part::Group(None) => (By::Group, None, RowName::Nobody),
            Part::Group(Some(id)) => (By::Group, Some(id), named(places.groups.get(&id))),
        };
        if *figures != Figures::default() {
            let figures = *figures;
            rows.entry(by as u8)
                .or_default()
                .push(Row { id, name, figures });
        }
    }
    let mut all = vec![By::Week, By::Recipient, By::Crop, By::CropGroup];
    if with_places {
        all.extend([By::Site, By::Group]);
    }
    all.into_iter()
        .map(|by| {
            let mut rows = rows.remove(&(by as u8)).unwrap_or_default();
            // by name, and the same name always in the same order; nobody comes last
            rows.sort_by(|a, b| (&a.name, a.id).cmp(&(&b.name, b.id)));
            Partition { by, rows }
        })
        .collect()
}
