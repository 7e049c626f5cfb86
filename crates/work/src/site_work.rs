//! The work that stations, solution, the store and recipients bring.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use chrono::NaiveDate;
use cotyl_calendar::IsoWeek;
use uuid::Uuid;

use crate::facts::{CropRange, ReadingFacts, SiteFacts, SowingFacts, SowingStage, StationFacts};
use crate::placing::{Calendar, Piece, Repeated, shifted};
use crate::rule::{Rule, RuleBook, RuleKey};
use crate::wanted::{Subject, WantedTask, Wish};

/// A site whose work beside that of its sowings is looked for.
pub(crate) struct SiteWork<'a> {
    pub rules: &'a RuleBook,
    pub calendar: &'a Calendar<'a>,
    pub facts: &'a SiteFacts,
    pub horizon: NaiveDate,
    by_station: HashMap<Uuid, Vec<&'a SowingFacts>>,
}

impl<'a> SiteWork<'a> {
    pub(crate) fn new(
        rules: &'a RuleBook,
        calendar: &'a Calendar<'a>,
        facts: &'a SiteFacts,
        horizon: NaiveDate,
    ) -> Self {
        let mut by_station: HashMap<Uuid, Vec<&SowingFacts>> = HashMap::new();
        for sowing in &facts.sowings {
            by_station
                .entry(sowing.station_id)
                .or_default()
                .push(sowing);
        }
        Self {
            rules,
            calendar,
            facts,
            horizon,
            by_station,
        }
    }

    pub(crate) fn all(&self, wanted: &mut Vec<WantedTask>) {
        for station in &self.facts.stations {
            self.rounds(RuleKey::Measure, station, wanted);
            if !station.aerated {
                self.rounds(RuleKey::Turn, station, wanted);
            }
        }
        self.adjust(wanted);
        self.read_batches(wanted);
        self.mix(wanted);
        wanted.extend(self.count());
        self.deliveries(wanted);
    }

    fn at_station(&self, station_id: Uuid) -> &[&'a SowingFacts] {
        self.by_station.get(&station_id).map_or(&[], Vec::as_slice)
    }

    /// Containers that stand at a station on a day.
    fn standing(&self, station_id: Uuid, day: NaiveDate) -> u32 {
        self.at_station(station_id)
            .iter()
            .filter(|sowing| stands_on(sowing, day, self.facts.today))
            .map(|sowing| sowing.containers)
            .sum()
    }

    /// Rounds on the same days at all stations of a site, whatever was sown when, so that one visit
    /// serves all and nothing moves when a sowing does.
    fn rounds(&self, key: RuleKey, station: &StationFacts, wanted: &mut Vec<WantedTask>) {
        let Some(rule) = self.rules.enabled(key) else {
            return;
        };
        let today = self.facts.today;
        let step = i64::from(rule.repeat_days.unwrap_or(1).max(1));
        // counted from a Monday, so that a round a week falls on Mondays
        let since = (today - EPOCH).num_days() - i64::from(rule.offset_days);
        let on_round = i32::try_from(since.rem_euclid(step)).unwrap_or(0);
        let repeated = Repeated {
            rule,
            first: shifted(today, -on_round - looked_back(rule)),
            last: NaiveDate::MAX,
            today,
            horizon: self.horizon,
        };
        for nominal in repeated.days(self.calendar) {
            let containers = self.standing(station.id, nominal);
            if containers == 0 {
                continue;
            }
            let piece = Piece {
                rule,
                occasion: format!("station:{}:{}:{nominal}", station.id, key.as_str()),
                subject: Subject {
                    station_id: Some(station.id),
                    ..Subject::default()
                },
                nominal,
                containers,
                profile_tenths: 0,
            };
            let Some(task) = repeated.task(self.calendar, piece) else {
                continue;
            };
            let measured = key == RuleKey::Measure
                && station
                    .measured_on
                    .is_some_and(|day| day >= task.window.day);
            if !measured {
                wanted.push(task);
            }
        }
    }

    /// The first reading outside the range that nobody answered since the solution was last within.
    fn adjust(&self, wanted: &mut Vec<WantedTask>) {
        let Some(rule) = self.rules.enabled(RuleKey::Adjust) else {
            return;
        };
        let mut by_place: BTreeMap<(Uuid, Option<Uuid>), Vec<&ReadingFacts>> = BTreeMap::new();
        for reading in &self.facts.readings {
            let place = (reading.station_id, reading.sowing_id);
            by_place.entry(place).or_default().push(reading);
        }
        for ((station_id, sowing_id), readings) in by_place {
            let sowings: Vec<&SowingFacts> = self
                .at_station(station_id)
                .iter()
                .filter(|sowing| sowing_id.is_none_or(|id| id == sowing.id))
                .filter(|sowing| sowing.stage > SowingStage::Planned)
                .copied()
                .collect();
            let occasion = |reading: &ReadingFacts| match sowing_id {
                Some(id) => format!("sowing:{id}:adjust:{}", reading.id),
                None => format!("station:{station_id}:adjust:{}", reading.id),
            };
            let ranges: Vec<CropRange> = sowings.iter().map(|sowing| sowing.range).collect();
            let run = unanswered(&readings, &ranges, |reading| {
                self.facts.finished.contains(&occasion(reading))
            });
            let Some(reading) = run else { continue };
            let piece = Piece {
                rule,
                occasion: occasion(reading),
                subject: Subject {
                    sowing_id,
                    station_id: Some(station_id),
                    ..Subject::default()
                },
                nominal: shifted(reading.read_on, rule.offset_days),
                containers: sowings.iter().map(|sowing| sowing.containers).sum(),
                profile_tenths: 0,
            };
            let pressing = piece.nominal <= self.facts.today;
            if let Some(mut task) = self.calendar.place(piece) {
                task.reading_id = Some(reading.id);
                task.pressing = pressing;
                wanted.push(task);
            }
        }
    }

    fn read_batches(&self, wanted: &mut Vec<WantedTask>) {
        let Some(rule) = self.rules.enabled(RuleKey::ReadBatch) else {
            return;
        };
        wanted.extend(self.facts.batches.iter().filter_map(|batch| {
            self.calendar.place(Piece {
                rule,
                occasion: format!("batch:{}:measure", batch.id),
                subject: Subject {
                    batch_id: Some(batch.id),
                    ..Subject::default()
                },
                nominal: shifted(batch.begun_on, rule.offset_days),
                containers: 0,
                profile_tenths: 0,
            })
        }));
    }

    /// Mixing once a week, before the first day of it for which the solution does not suffice.
    fn mix(&self, wanted: &mut Vec<WantedTask>) {
        let Some(rule) = self.rules.enabled(RuleKey::Mix) else {
            return;
        };
        let today = self.facts.today;
        let topping_up = wanted
            .iter()
            .filter_map(|task| Some((task.window.day, task.microlitres?)));
        let mut needs: Vec<(NaiveDate, i64)> = self
            .facts
            .solution
            .needs
            .iter()
            .copied()
            .chain(topping_up)
            .filter(|(day, _)| *day >= today && *day <= self.horizon)
            .collect();
        needs.sort_unstable();
        let mut left = self.facts.solution.left_microlitres;
        let mut lacking: BTreeMap<NaiveDate, (NaiveDate, i64)> = BTreeMap::new();
        for (day, microlitres) in needs {
            left -= microlitres;
            if left < 0 {
                let monday = day.week(chrono::Weekday::Mon).first_day();
                lacking.entry(monday).or_insert((day, 0)).1 -= left;
                left = 0;
            }
        }
        for (monday, (day, microlitres)) in lacking {
            let Ok(week) = IsoWeek::of(monday) else {
                continue;
            };
            let of_week = format!("batch:{}:mix:{week}", self.facts.site_id);
            let occasion = std::iter::once(of_week.clone())
                .chain((2..).map(|again| format!("{of_week}:{again}")))
                .find(|occasion| !self.facts.finished.contains(occasion));
            let Some(occasion) = occasion else { continue };
            let piece = Piece {
                rule,
                occasion,
                subject: Subject::default(),
                nominal: shifted(day, rule.offset_days),
                containers: 0,
                profile_tenths: 0,
            };
            let pressing = piece.nominal <= today;
            if let Some(mut task) = self.calendar.place_from(piece, today) {
                task.microlitres = Some(microlitres);
                task.pressing = pressing;
                wanted.push(task);
            }
        }
    }

    fn count(&self) -> Option<WantedTask> {
        let rule = self.rules.enabled(RuleKey::Count)?;
        let since = self.facts.stock?.counted_on;
        let again = i32::try_from(rule.repeat_days.unwrap_or(1)).unwrap_or(1);
        let piece = Piece {
            rule,
            occasion: format!("stock:{}:count:{since}", self.facts.site_id),
            subject: Subject::default(),
            nominal: shifted(since, again.saturating_add(rule.offset_days)),
            containers: 0,
            profile_tenths: 0,
        };
        if piece.nominal > self.horizon {
            return None;
        }
        self.calendar.place(piece)
    }

    /// Packing and delivering on each day on which a cut of this site goes out to a recipient.
    fn deliveries(&self, wanted: &mut Vec<WantedTask>) {
        for recipient in &self.facts.recipients {
            let days: BTreeSet<NaiveDate> = self
                .facts
                .sowings
                .iter()
                .flat_map(|sowing| sowing.cuts.iter().map(move |cut| (sowing.crop_id, cut.day)))
                .filter_map(|(crop_id, day)| recipient.delivery_of(crop_id, day))
                .filter(|day| *day <= self.horizon)
                .filter(|day| !recipient.delivered_on.contains(day))
                .collect();
            for day in days {
                for key in [RuleKey::Pack, RuleKey::Deliver] {
                    let packed = day
                        .iter_days()
                        .rev()
                        .take(recipient.keep_days as usize + 1)
                        .any(|before| recipient.packed_on.contains(&before));
                    if key == RuleKey::Pack && packed {
                        continue;
                    }
                    if let Some(rule) = self.rules.enabled(key) {
                        wanted.extend(self.delivery(rule, recipient.id, day));
                    }
                }
            }
        }
    }

    fn delivery(&self, rule: &Rule, recipient_id: Uuid, day: NaiveDate) -> Option<WantedTask> {
        let (site_id, key) = (self.facts.site_id, rule.key.as_str());
        let mut task = self.calendar.place(Piece {
            rule,
            occasion: format!("recipient:{recipient_id}:{key}:{site_id}:{day}"),
            subject: Subject {
                recipient_id: Some(recipient_id),
                ..Subject::default()
            },
            nominal: shifted(day, rule.offset_days),
            containers: 0,
            profile_tenths: 0,
        })?;
        if task.window.day < self.facts.today {
            task.wish = Wish::Keep;
        }
        Some(task)
    }
}

/// A Monday.
const EPOCH: NaiveDate = NaiveDate::from_ymd_opt(1970, 1, 5).expect("a day of the calendar");

/// Whole repetitions that reach back past all work that may still be open, in days.
fn looked_back(rule: &Rule) -> i32 {
    let step = rule.repeat_days.unwrap_or(1).max(1);
    let repetitions = rule.missed_after_days.unwrap_or(0) / step + 3;
    i32::try_from(repetitions * step).unwrap_or(0)
}

/// Whether a sowing stands in solution on a day: from the day after sowing until its places are
/// free, or as long as it was not cleared.
fn stands_on(sowing: &SowingFacts, day: NaiveDate, today: NaiveDate) -> bool {
    let late = sowing.stage > SowingStage::Planned && sowing.free_on <= today;
    day > sowing.sow_on && (day < sowing.free_on || late)
}

/// Of the readings since the last that was within the range, the first after the last that was
/// answered.
fn unanswered<'r>(
    readings: &[&'r ReadingFacts],
    ranges: &[CropRange],
    answered: impl Fn(&ReadingFacts) -> bool,
) -> Option<&'r ReadingFacts> {
    let out = |reading: &ReadingFacts| ranges.iter().any(|range| range.leaves_out(reading));
    let run = readings.iter().rev().take_while(|reading| out(reading));
    run.take_while(|reading| !answered(reading)).last().copied()
}
