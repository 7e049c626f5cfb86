//! The figures of a report, gathered from the weekly books: one sum, and the same sum parted by week,
//! recipient, crop, crop group, site and group of people. Pure.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use cotyl_calendar::IsoWeek;
use uuid::Uuid;

use super::span::Span;
use crate::totals::Figures;
use crate::totals::books::{Books, Kind, Line, Posting, Produce};

/// By what the sum is parted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// The whole.
    Whole,
    /// An ISO week.
    Week(IsoWeek),
    /// A recipient, or nobody.
    Recipient(Option<Uuid>),
    /// A crop, or whatever crop of a group was promised.
    Produce(Produce),
    /// A crop group.
    CropGroup(Option<Uuid>),
    /// A site.
    Site(Uuid),
    /// A group of people who cut, or none that was named.
    Group(Option<Uuid>),
}

/// Which lines and which produce are counted.
pub struct Counted<'a> {
    /// The days.
    pub span: &'a Span,
    /// The local day where it is earliest.
    pub today: NaiveDate,
    /// Lines of these recipients only.
    pub recipients: Option<&'a [Uuid]>,
    /// Produce of this site only; what is pledged and short still speaks of the whole co-operative.
    pub site_id: Option<Uuid>,
}

impl Counted<'_> {
    fn has_line(&self, line: Line) -> bool {
        self.recipients.is_none_or(|shown| {
            line.recipient_id
                .is_some_and(|recipient| shown.contains(&recipient))
        })
    }

    fn has(&self, posting: &Posting) -> bool {
        let in_span = match posting.kind {
            Kind::Expected => self.span.has_week(posting.week),
            Kind::Cut | Kind::Waste | Kind::Delivered => self.span.has_day(posting.produced.on),
        };
        in_span && self.has_line(posting.line) && self.has_site(posting)
    }

    fn has_site(&self, posting: &Posting) -> bool {
        self.site_id
            .is_none_or(|site| site == posting.produced.site_id)
    }
}

/// The sum and its parts. Every milligram stands in the whole and in one part of each partition that can
/// hold it: sites and groups of people are promised nothing, and groups are not known before the cut.
pub fn gather(
    books: &Books,
    counted: &Counted<'_>,
    crop_group: impl Fn(Produce) -> Option<Uuid>,
) -> BTreeMap<Part, Figures> {
    let mut parts: BTreeMap<Part, Figures> = BTreeMap::new();
    parts.entry(Part::Whole).or_default();
    // whole weeks of a line, wherever the span cuts them: what is short is short of a week
    let mut weeks: BTreeMap<(IsoWeek, Line), Figures> = BTreeMap::new();
    for ((week, line), milligrams) in books.pledged() {
        if counted.span.has_week(*week) && counted.has_line(*line) {
            weeks.entry((*week, *line)).or_default().pledged = *milligrams;
        }
    }
    for posting in books.postings() {
        if let Some(week) = weeks.get_mut(&(posting.week, posting.line)) {
            week.put(posting.kind, posting.produced.milligrams);
        }
        if counted.has(posting) {
            for part in parts_of(posting, &crop_group) {
                let figures = parts.entry(part).or_default();
                figures.put(posting.kind, posting.produced.milligrams);
            }
        }
    }
    for ((week, line), figures) in weeks {
        let is_over = week.sunday() < counted.today;
        let promised = Figures {
            pledged: figures.pledged,
            short: figures.shortfall(is_over),
            ..Figures::default()
        };
        for part in [
            Part::Whole,
            Part::Week(week),
            Part::Recipient(line.recipient_id),
            Part::Produce(line.produce),
            Part::CropGroup(crop_group(line.produce)),
        ] {
            parts.entry(part).or_default().add(promised);
        }
    }
    parts
}

fn parts_of(
    posting: &Posting,
    crop_group: &impl Fn(Produce) -> Option<Uuid>,
) -> impl Iterator<Item = Part> {
    let produced = posting.produced;
    let crop = Produce::Crop(produced.crop_id);
    let group = (posting.kind != Kind::Expected).then_some(Part::Group(produced.group_id));
    [
        Part::Whole,
        Part::Week(posting.week),
        Part::Recipient(posting.line.recipient_id),
        Part::Produce(crop),
        Part::CropGroup(crop_group(crop)),
        Part::Site(produced.site_id),
    ]
    .into_iter()
    .chain(group)
}

#[cfg(test)]
mod tests;
