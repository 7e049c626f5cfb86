//! Weekly totals: what was promised, is expected, was cut and handed over, and where it falls short.

pub(crate) mod books;

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Days, NaiveDate, Utc, Weekday};
use cotyl_calendar::{IsoWeek, SiteZone};
use cotyl_domain::{Actor, Operation};
use cotyl_store::sites;
use cotyl_store::totals::{self, CropRow, Named, Period, PledgeRow};
use cotyl_store::{Page, Tx};
use uuid::Uuid;

use crate::input::Problems;
use crate::{App, Caller, Error, Result};
use books::{Books, Kind, Line, Produce, Produced, Promise};

/// The most weeks that may be asked for at once.
const MOST_WEEKS: i64 = 106;
/// A cut reaches its delivery within six days, so the weeks next to those asked for matter too.
const WEEKS_AROUND: i64 = 1;

/// Which totals are asked for.
#[derive(Debug, Clone, Copy)]
pub struct TotalsWanted<'a> {
    /// First ISO week, such as `2026-W37`.
    pub from: &'a str,
    /// Last ISO week.
    pub to: &'a str,
    /// Of one recipient.
    pub recipient_id: Option<Uuid>,
    /// Of one crop group and its crops.
    pub crop_group_id: Option<Uuid>,
    /// Produce of one site; pledged and short still speak of the whole co-operative.
    pub site_id: Option<Uuid>,
    /// As they were known at an instant.
    pub as_of: Option<DateTime<Utc>>,
}

/// Weights of a line, a week or a span, in milligrams.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Figures {
    /// Promised.
    pub pledged: i64,
    /// To be cut.
    pub expected: i64,
    /// Cut, and fit to be handed over.
    pub cut: i64,
    /// Cut, and fit for nobody: poor cuts, and what was weighed apart.
    pub waste: i64,
    /// Handed over.
    pub delivered: i64,
    /// Promised and neither handed over nor, in a week that is not over, expected.
    pub short: i64,
}

/// A record that a line names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Naming {
    /// The record.
    pub id: Uuid,
    /// Its name.
    pub name: String,
}

/// A line of a week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineTotals {
    /// Who receives; `None` for produce that nobody was promised.
    pub recipient: Option<Naming>,
    /// The crop, when the line names one.
    pub crop: Option<Naming>,
    /// The group that the line names, or that of its crop.
    pub crop_group: Option<Naming>,
    /// Its weights.
    pub figures: Figures,
}

/// A week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeekTotals {
    /// The week.
    pub week: IsoWeek,
    /// Whether it is over at every site.
    pub is_over: bool,
    /// Its lines.
    pub lines: Vec<LineTotals>,
    /// Their sum.
    pub sum: Figures,
}

/// Totals of a span of weeks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeeklyTotals {
    /// The instant whose knowledge they show.
    pub as_of: DateTime<Utc>,
    /// The weeks in order.
    pub weeks: Vec<WeekTotals>,
    /// Their sum.
    pub sum: Figures,
}

impl Figures {
    pub(crate) fn add(&mut self, other: Figures) {
        self.pledged += other.pledged;
        self.expected += other.expected;
        self.cut += other.cut;
        self.waste += other.waste;
        self.delivered += other.delivered;
        self.short += other.short;
    }

    pub(crate) fn put(&mut self, kind: Kind, milligrams: i64) {
        match kind {
            Kind::Expected => self.expected += milligrams,
            Kind::Cut => self.cut += milligrams,
            Kind::Waste => self.waste += milligrams,
            Kind::Delivered => self.delivered += milligrams,
        }
    }

    pub(crate) fn shortfall(&self, week_is_over: bool) -> i64 {
        let coming = if week_is_over { 0 } else { self.expected };
        (self.pledged - self.delivered - coming).max(0)
    }
}

impl App {
    /// Totals by ISO week. Readers see the lines of their recipients only.
    ///
    /// # Errors
    /// [`Error::Invalid`] for weeks that are none, in the wrong order or too many, and for an instant
    /// to come; [`Error::NotFound`] for a recipient, crop group or site out of reach.
    pub async fn read_weekly_totals(
        &self,
        caller: &Caller,
        wanted: &TotalsWanted<'_>,
    ) -> Result<WeeklyTotals> {
        let now = self.clock().now();
        let span = check(wanted, now)?;
        self.read(Operation::ReadWeeklyTotals, caller, async |tx, actor| {
            let names = Names::load(tx).await?;
            let shown = Shown::new(actor, wanted, &names)?;
            let as_of = wanted.as_of.unwrap_or(now);
            let today = earliest_day(tx, wanted.site_id, as_of).await?;
            let books = load_books(tx, span, wanted.as_of, &names).await?;
            Ok(write_up(&books, span, today, as_of, &shown, &names))
        })
        .await
    }
}

fn check(wanted: &TotalsWanted<'_>, now: DateTime<Utc>) -> Result<(IsoWeek, IsoWeek)> {
    let mut problems = Problems::new();
    let mut week = |name: &str, text: &str| {
        text.parse::<IsoWeek>()
            .inspect_err(|fault| problems.add(name, "week", fault.to_string()))
            .ok()
    };
    let span = week("from", wanted.from).zip(week("to", wanted.to));
    if let Some((from, to)) = span {
        problems.require(from <= to, "to", "order", "must not be before from");
        problems.require(
            from.weeks_until(to) < MOST_WEEKS,
            "to",
            "range",
            "must be less than 106 weeks after from",
        );
    }
    if let Some(as_of) = wanted.as_of {
        problems.require(as_of <= now, "as_of", "range", "must not be in the future");
    }
    problems.finish()?;
    span.ok_or_else(|| Error::internal("weeks without a problem and without a value"))
}

/// Names of what lines speak of.
pub(crate) struct Names {
    pub(crate) recipients: HashMap<Uuid, String>,
    pub(crate) groups: HashMap<Uuid, String>,
    pub(crate) crops: HashMap<Uuid, CropRow>,
}

impl Names {
    pub(crate) async fn load(tx: &mut Tx) -> Result<Self> {
        let by_id = |rows: Vec<Named>| rows.into_iter().map(|row| (row.id, row.name)).collect();
        Ok(Self {
            recipients: by_id(totals::recipients(tx).await?),
            groups: by_id(totals::crop_groups(tx).await?),
            crops: totals::crops(tx)
                .await?
                .into_iter()
                .map(|crop| (crop.id, crop))
                .collect(),
        })
    }

    pub(crate) fn group_of(&self, produce: Produce) -> Option<Uuid> {
        match produce {
            Produce::Group(group) => Some(group),
            Produce::Crop(crop) => self.crops.get(&crop).map(|crop| crop.crop_group_id),
        }
    }

    fn line(&self, line: Line, figures: Figures) -> LineTotals {
        let naming = |id: Uuid, name: Option<&String>| Naming {
            id,
            name: name.cloned().unwrap_or_default(),
        };
        let crop = match line.produce {
            Produce::Crop(id) => Some(naming(id, self.crops.get(&id).map(|crop| &crop.name))),
            Produce::Group(_) => None,
        };
        LineTotals {
            recipient: line
                .recipient_id
                .map(|id| naming(id, self.recipients.get(&id))),
            crop,
            crop_group: self
                .group_of(line.produce)
                .map(|id| naming(id, self.groups.get(&id))),
            figures,
        }
    }
}

/// Which lines and which produce are shown.
struct Shown {
    recipients: Option<Vec<Uuid>>,
    crop_group_id: Option<Uuid>,
    site_id: Option<Uuid>,
}

impl Shown {
    fn new(actor: &Actor, wanted: &TotalsWanted<'_>, names: &Names) -> Result<Self> {
        let reach = Operation::ReadWeeklyTotals.reach(actor);
        if wanted.site_id.is_some() && !reach.all {
            return Err(Error::Forbidden(Operation::ReadWeeklyTotals));
        }
        if let Some(group) = wanted.crop_group_id
            && !names.groups.contains_key(&group)
        {
            return Err(Error::NotFound("crop group"));
        }
        let recipients = match wanted.recipient_id {
            Some(id) if reach.covers_recipient(id) && names.recipients.contains_key(&id) => {
                Some(vec![id])
            }
            Some(_) => return Err(Error::NotFound("recipient")),
            None => reach.recipient_filter().map(<[Uuid]>::to_vec),
        };
        Ok(Self {
            recipients,
            crop_group_id: wanted.crop_group_id,
            site_id: wanted.site_id,
        })
    }

    fn has(&self, line: Line, names: &Names) -> bool {
        let recipient = self.recipients.as_ref().is_none_or(|shown| {
            line.recipient_id
                .is_some_and(|recipient| shown.contains(&recipient))
        });
        let group = self
            .crop_group_id
            .is_none_or(|group| names.group_of(line.produce) == Some(group));
        recipient && group
    }
}

/// The local day where it is earliest, so that a week is over only when it is over at every site.
pub(crate) async fn earliest_day(
    tx: &mut Tx,
    site_id: Option<Uuid>,
    instant: DateTime<Utc>,
) -> Result<NaiveDate> {
    let sites = sites::list(tx, true, Page::ALL).await?;
    if let Some(id) = site_id
        && !sites.iter().any(|site| site.id == id)
    {
        return Err(Error::NotFound("site"));
    }
    let mut today = None;
    for site in sites.iter().filter(|site| site.retired_at.is_none()) {
        let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
        let day = zone.today(instant);
        today = Some(today.map_or(day, |earliest: NaiveDate| earliest.min(day)));
    }
    Ok(today.unwrap_or(instant.date_naive()))
}

pub(crate) async fn load_books(
    tx: &mut Tx,
    span: (IsoWeek, IsoWeek),
    as_of: Option<DateTime<Utc>>,
    names: &Names,
) -> Result<Books> {
    let exactly = Period {
        first: span.0.monday(),
        last: span.1.sunday(),
        as_of,
    };
    let around = (
        span.0.plus_weeks(-WEEKS_AROUND).unwrap_or(span.0),
        span.1.plus_weeks(WEEKS_AROUND).unwrap_or(span.1),
    );
    let wide = Period {
        first: around.0.monday(),
        last: around.1.sunday(),
        as_of,
    };
    let promises: Vec<Promise> = totals::pledges(tx, wide)
        .await?
        .iter()
        .filter_map(|row| promise(row, as_of))
        .collect();
    let group_of = names
        .crops
        .values()
        .map(|crop| (crop.id, crop.crop_group_id))
        .collect();
    let mut books = Books::open(around, &promises, group_of);
    let produced = |row: totals::Harvest| Produced {
        site_id: row.site_id,
        crop_id: row.crop_id,
        group_id: row.group_id,
        on: row.on,
        milligrams: row.milligrams,
    };
    for row in totals::expected(tx, wide).await? {
        books.expect(produced(row));
    }
    // day by day, so that the days of a month and those of a term add up alike
    for row in totals::cuts(tx, exactly).await? {
        books.cut(produced(row));
        books.waste(Produced {
            milligrams: row.waste_milligrams,
            ..produced(row)
        });
    }
    for row in totals::handed_over(tx, exactly).await? {
        let produced = Produced {
            site_id: row.site_id,
            crop_id: row.crop_id,
            group_id: row.group_id,
            on: row.on,
            milligrams: row.milligrams,
        };
        books.deliver(row.recipient_id, produced);
    }
    Ok(books)
}

/// A pledge that was withdrawn stays in the weeks that were over by then, and in no other.
fn promise(row: &PledgeRow, as_of: Option<DateTime<Utc>>) -> Option<Promise> {
    let first = IsoWeek::of(row.first_monday).ok()?;
    let mut last = IsoWeek::of(row.last_monday).ok()?;
    let withdrawn = row
        .retired_at
        .filter(|at| as_of.is_none_or(|as_of| *at <= as_of));
    if let Some(at) = withdrawn {
        let week_before = at.date_naive().checked_sub_days(Days::new(7))?;
        last = last.min(IsoWeek::of(week_before).ok()?);
    }
    let produce = match (row.crop_id, row.crop_group_id) {
        (Some(crop), _) => Produce::Crop(crop),
        (None, Some(group)) => Produce::Group(group),
        (None, None) => return None,
    };
    Some(Promise {
        recipient_id: row.recipient_id,
        produce,
        weekly_milligrams: row.weekly_milligrams,
        weeks: (first, last),
        weekdays: row
            .delivery_weekdays
            .iter()
            .filter_map(|day| Weekday::try_from(u8::try_from(day - 1).ok()?).ok())
            .collect(),
        keep_days: u32::try_from(row.keep_days).ok()?,
    })
}

fn write_up(
    books: &Books,
    span: (IsoWeek, IsoWeek),
    today: NaiveDate,
    as_of: DateTime<Utc>,
    shown: &Shown,
    names: &Names,
) -> WeeklyTotals {
    // of the whole co-operative, and of the produce that is shown
    let mut lines: BTreeMap<(IsoWeek, Line), (Figures, Figures)> = BTreeMap::new();
    for (key, milligrams) in books.pledged() {
        lines.entry(*key).or_default().0.pledged = *milligrams;
    }
    for posting in books.postings() {
        let (whole, part) = lines.entry((posting.week, posting.line)).or_default();
        let produced = posting.produced;
        whole.put(posting.kind, produced.milligrams);
        if shown.site_id.is_none_or(|site| site == produced.site_id) {
            part.put(posting.kind, produced.milligrams);
        }
    }
    let mut weeks: Vec<WeekTotals> = Vec::new();
    let mut sum = Figures::default();
    for week in span.0.through(span.1) {
        let is_over = week.sunday() < today;
        let first = Line {
            recipient_id: None,
            produce: Produce::Crop(Uuid::nil()),
        };
        let mut totals = WeekTotals {
            week,
            is_over,
            lines: Vec::new(),
            sum: Figures::default(),
        };
        let of_week = lines
            .range((week, first)..)
            .take_while(|((found, _), _)| *found == week)
            .filter(|((_, line), _)| shown.has(*line, names));
        for ((_, line), (whole, part)) in of_week {
            let figures = Figures {
                pledged: whole.pledged,
                short: whole.shortfall(is_over),
                ..*part
            };
            if figures != Figures::default() {
                totals.sum.add(figures);
                totals.lines.push(names.line(*line, figures));
            }
        }
        // produce for nobody comes last
        totals.lines.sort_by_key(|line| line.recipient.is_none());
        sum.add(totals.sum);
        weeks.push(totals);
    }
    WeeklyTotals { as_of, weeks, sum }
}
