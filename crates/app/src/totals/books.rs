//! Weekly books: every milligram that was promised, is expected, was cut or handed over is put to
//! exactly one line of one week, so that the lines of a week add up to its sum.
//!
//! Pure: no clock, no database.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use chrono::{NaiveDate, Weekday};
use cotyl_calendar::{IsoWeek, delivery_week};
use cotyl_domain::apportion::by_largest_remainder;
use uuid::Uuid;

/// What a pledge names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Produce {
    /// One crop.
    Crop(Uuid),
    /// Any crop of a group.
    Group(Uuid),
}

/// A line of the books: recipient and produce. Without a recipient it holds produce of a crop that
/// nobody was promised in that week.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Line {
    /// Who receives.
    pub recipient_id: Option<Uuid>,
    /// What.
    pub produce: Produce,
}

/// A pledge as the books need it.
#[derive(Debug, Clone)]
pub struct Promise {
    /// Who receives.
    pub recipient_id: Uuid,
    /// What.
    pub produce: Produce,
    /// Milligrams a week.
    pub weekly_milligrams: i64,
    /// First and last week.
    pub weeks: (IsoWeek, IsoWeek),
    /// When the recipient takes deliveries.
    pub weekdays: Vec<Weekday>,
    /// Days that produce may wait for the next delivery.
    pub keep_days: u32,
}

/// Produce of one crop from one site on one local day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Produced {
    /// The site.
    pub site_id: Uuid,
    /// The crop.
    pub crop_id: Uuid,
    /// The group that cut it, where that was told.
    pub group_id: Option<Uuid>,
    /// The day.
    pub on: NaiveDate,
    /// Its weight.
    pub milligrams: i64,
}

/// What happened with a weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// To be cut.
    Expected,
    /// Cut.
    Cut,
    /// Cut, and fit for nobody.
    Waste,
    /// Handed over.
    Delivered,
}

/// A weight put to a line of a week.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Posting {
    /// The week.
    pub week: IsoWeek,
    /// The line.
    pub line: Line,
    /// What happened.
    pub kind: Kind,
    /// The weight, with where it came from.
    pub produced: Produced,
}

/// Promises by week, and all that was put to their lines.
#[derive(Debug)]
pub struct Books {
    group_of: HashMap<Uuid, Uuid>,
    pledged: BTreeMap<(IsoWeek, Line), i64>,
    lines: BTreeSet<Line>,
    delivery_days: HashMap<Uuid, (Vec<Weekday>, u32)>,
    delivered: BTreeMap<(IsoWeek, Line), i64>,
    postings: Vec<Posting>,
}

impl Books {
    /// Books over the weeks of a span, with the promises of each. `group_of` gives the group of a crop.
    pub fn open(
        span: (IsoWeek, IsoWeek),
        promises: &[Promise],
        group_of: HashMap<Uuid, Uuid>,
    ) -> Self {
        let mut pledged = BTreeMap::new();
        let mut delivery_days = HashMap::new();
        for promise in promises {
            let line = Line {
                recipient_id: Some(promise.recipient_id),
                produce: promise.produce,
            };
            let days = (promise.weekdays.clone(), promise.keep_days);
            delivery_days.insert(promise.recipient_id, days);
            let (first, last) = promise.weeks;
            for week in first.max(span.0).through(last.min(span.1)) {
                *pledged.entry((week, line)).or_default() += promise.weekly_milligrams;
            }
        }
        Self {
            group_of,
            lines: pledged.keys().map(|(_, line)| *line).collect(),
            pledged,
            delivery_days,
            delivered: BTreeMap::new(),
            postings: Vec::new(),
        }
    }

    /// What was promised, by week and line.
    pub fn pledged(&self) -> &BTreeMap<(IsoWeek, Line), i64> {
        &self.pledged
    }

    /// All that was put to lines.
    pub fn postings(&self) -> &[Posting] {
        &self.postings
    }

    /// Produce to be cut. It may go to any line that names its crop or group, in the week of the first
    /// delivery day of the line's recipient on or after the day of the cut, if it keeps so long; it is
    /// shared among those lines in proportion to what they are promised in that week, by largest
    /// remainder. Where there is none, it stands in the week of its day, for nobody.
    pub fn expect(&mut self, produced: Produced) {
        let weeks: Vec<(IsoWeek, Line)> = self
            .lines_of(produced.crop_id)
            .filter_map(|line| {
                let (weekdays, keep_days) = self.delivery_days.get(&line.recipient_id?)?;
                let week = delivery_week(produced.on, weekdays, *keep_days)?;
                Some((week, line))
            })
            .collect();
        self.share(Kind::Expected, produced, &weeks);
    }

    /// Produce that was cut, in the week of its day. It is shared among the lines of that week that name
    /// its crop or group, in proportion to what they are promised, by largest remainder.
    pub fn cut(&mut self, produced: Produced) {
        let Ok(week) = IsoWeek::of(produced.on) else {
            return;
        };
        let weeks: Vec<(IsoWeek, Line)> = self
            .lines_of(produced.crop_id)
            .map(|line| (week, line))
            .collect();
        self.share(Kind::Cut, produced, &weeks);
    }

    /// Produce that came out unfit, in the week of its day. It is for nobody.
    pub fn waste(&mut self, produced: Produced) {
        self.share(Kind::Waste, produced, &[]);
    }

    /// Produce handed over to a recipient, in the week of its day. It counts towards the pledge that
    /// names the crop until that is met, then towards the one that names its group; without the latter
    /// all of it stays with the former, without either it stands on a line of its own.
    pub fn deliver(&mut self, recipient_id: Uuid, produced: Produced) {
        let Ok(week) = IsoWeek::of(produced.on) else {
            return;
        };
        let line = |produce| Line {
            recipient_id: Some(recipient_id),
            produce,
        };
        let crop_line = line(Produce::Crop(produced.crop_id));
        let group_line = self
            .group_of
            .get(&produced.crop_id)
            .map(|group| line(Produce::Group(*group)))
            .filter(|line| self.pledged.contains_key(&(week, *line)));
        let to_group = match group_line {
            None => 0,
            Some(_) => {
                let promised = self.pledged.get(&(week, crop_line)).copied();
                let had = self.delivered.get(&(week, crop_line)).copied();
                let open = (promised.unwrap_or(0) - had.unwrap_or(0)).max(0);
                (produced.milligrams - open).max(0)
            }
        };
        let to_crop = produced.milligrams - to_group;
        for (line, milligrams) in [(Some(crop_line), to_crop), (group_line, to_group)] {
            let Some(line) = line else { continue };
            *self.delivered.entry((week, line)).or_default() += milligrams;
            self.put(Kind::Delivered, produced, week, line, milligrams);
        }
    }

    /// Lines that some week of the books promises and that name the crop or its group.
    fn lines_of(&self, crop_id: Uuid) -> impl Iterator<Item = Line> {
        let group = self.group_of.get(&crop_id).copied();
        self.lines
            .iter()
            .copied()
            .filter(move |line| match line.produce {
                Produce::Crop(crop) => crop == crop_id,
                Produce::Group(named) => Some(named) == group,
            })
    }

    fn share(&mut self, kind: Kind, produced: Produced, lines: &[(IsoWeek, Line)]) {
        let weights: Vec<i64> = lines
            .iter()
            .map(|key| self.pledged.get(key).copied().unwrap_or(0))
            .collect();
        match by_largest_remainder(produced.milligrams, &weights) {
            Some(parts) => {
                for ((week, line), milligrams) in lines.iter().zip(parts) {
                    self.put(kind, produced, *week, *line, milligrams);
                }
            }
            None => {
                let nobody = Line {
                    recipient_id: None,
                    produce: Produce::Crop(produced.crop_id),
                };
                if let Ok(week) = IsoWeek::of(produced.on) {
                    self.put(kind, produced, week, nobody, produced.milligrams);
                }
            }
        }
    }

    fn put(&mut self, kind: Kind, produced: Produced, week: IsoWeek, line: Line, milligrams: i64) {
        if milligrams != 0 {
            self.postings.push(Posting {
                week,
                line,
                kind,
                produced: Produced {
                    milligrams,
                    ..produced
                },
            });
        }
    }
}

#[cfg(test)]
mod tests;
