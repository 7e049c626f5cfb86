//! A plan as a picture: stations by days with their sowings and cuts, and every pledge by weeks.
//!
//! Made for print and for eyes that see colours differently: every box is labelled, numbers tell the
//! cuts, and the colours are those of Okabe and Ito ("Color Universal Design", 2008) as tints.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use cotyl_app::plans::answer::{KeptAnswer, PlanSowing, PlanWeek};
use cotyl_app::plans::season::{Season, SeasonSite};
use cotyl_app::records;
use cotyl_calendar::IsoWeek;
use svg::node::element::{Circle, Description, Element, Group, Line, Rectangle, Text, Title};
use svg::{Document, Node};

/// Width of the whole picture.
const WIDTH: f64 = 1200.0;
/// Where days begin; names stand to the left.
const LEFT: f64 = 190.0;
const RIGHT: f64 = 20.0;
const LANE: f64 = 16.0;
const STRIP: f64 = 90.0;
const GAP: f64 = 10.0;
/// Width of a letter of the smallest size, about.
const LETTER: f64 = 5.2;

const COLOURS: [&str; 7] = [
    "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7",
];

/// Draws a solved plan.
pub fn picture(plan: &records::Plan, season: &Season, answer: &KeptAnswer) -> String {
    let days = Scale::of(season);
    let mut drawing = Drawing {
        season,
        days,
        below: 54.0,
        parts: Group::new(),
    };
    drawing.weeks();
    for site in &season.sites {
        drawing.site(site, answer);
    }
    drawing.key();
    drawing.pledges(&answer.weeks);
    drawing.told(
        "Due when the plan was made:",
        answer.due.iter().map(|due| due.words.as_str()),
    );
    drawing.told(
        "What would help, the cheapest first, one change at a time:",
        answer.remedies.iter().map(|remedy| remedy.words.as_str()),
    );
    let title = format!(
        "{}: {} weeks from {}",
        plan.fields.name,
        season.weeks,
        week_label(season.first_monday)
    );
    let said = "Above: for each station the sowings, from the day of sowing until the places are clean \
                again, with numbered cuts. Below: for each pledge and week what is pledged, what is \
                expected, and the 80 % band; then what was due when it was made, and what would help.";
    Document::new()
        .set("viewBox", (0.0, 0.0, WIDTH, drawing.below + GAP))
        .set("width", WIDTH)
        .set("height", drawing.below + GAP)
        .set("role", "img")
        .set("font-family", "sans-serif")
        .add(Title::new(title.as_str()))
        .add(Description::new().add(svg::node::Text::new(said)))
        .add(rectangle(0.0, 0.0, WIDTH, drawing.below + GAP).set("fill", "#ffffff"))
        .add(text(GAP, 22.0, 16.0, &title).set("font-weight", "bold"))
        .add(drawing.parts)
        .to_string()
}

/// Days across the page.
#[derive(Clone, Copy)]
struct Scale {
    first: NaiveDate,
    days: i64,
}

impl Scale {
    fn of(season: &Season) -> Self {
        Self {
            first: season.first_monday,
            days: 7 * i64::from(season.weeks.max(1)),
        }
    }

    fn day_width(self) -> f64 {
        (WIDTH - LEFT - RIGHT) / self.days as f64
    }

    /// Where a day begins; days outside the season lie at its edges.
    fn x(self, day: NaiveDate) -> f64 {
        let number = (day - self.first).num_days().clamp(0, self.days);
        LEFT + number as f64 * self.day_width()
    }
}

struct Drawing<'a> {
    season: &'a Season,
    days: Scale,
    /// Down to here the page is full.
    below: f64,
    parts: Group,
}

impl Drawing<'_> {
    fn put(&mut self, part: impl Into<Box<dyn Node>>) {
        self.parts.append(part);
    }

    fn mondays(&self) -> impl Iterator<Item = NaiveDate> + use<> {
        let first = self.season.first_monday;
        (0..u64::from(self.season.weeks)).map(move |week| first + Days::new(7 * week))
    }

    /// Labels of the weeks across the top; as many as there is room for.
    fn weeks(&mut self) {
        let room = (40.0 / (7.0 * self.days.day_width())).ceil().max(1.0) as usize;
        for monday in self.mondays().step_by(room) {
            let label = week_label(monday);
            let label = label
                .split_once('-')
                .map_or(label.as_str(), |(_, week)| week);
            self.put(text(self.days.x(monday), 44.0, 9.0, label));
        }
    }

    fn site(&mut self, site: &SeasonSite, answer: &KeptAnswer) {
        let stations = self.season.stations.iter().filter(|s| s.site_id == site.id);
        let (top, mut rows) = (self.below, Vec::new());
        let mut below = top + 14.0;
        for station in stations {
            let sowings = answer.sowings.iter().filter(|s| s.station_id == station.id);
            let lanes = lanes(sowings.collect());
            let height = lanes.len().max(1) as f64 * LANE;
            rows.push((station.name.clone(), below, lanes));
            below += height + 3.0;
        }
        self.put(text(GAP, top + 10.0, 10.0, &site.name).set("font-weight", "bold"));
        for (first, last) in &site.closures {
            let (from, to) = (self.days.x(*first), self.days.x(*last + Days::new(1)));
            if to > from {
                let closed = rectangle(from, top + 12.0, to - from, below - top - 12.0);
                self.put(titled(
                    closed.set("fill", "#dddddd"),
                    &format!("{} closed from {first} to {last}", site.name),
                ));
            }
        }
        for (name, y, lanes) in rows {
            self.put(line(
                (LEFT, y - 1.5),
                (WIDTH - RIGHT, y - 1.5),
                "#bbbbbb",
                0.5,
            ));
            self.put(text(
                GAP + 8.0,
                y + 11.0,
                9.0,
                &shortened(&name, LEFT - GAP - 12.0),
            ));
            for (lane, sowings) in lanes.into_iter().enumerate() {
                for sowing in sowings {
                    self.sowing(sowing, y + lane as f64 * LANE);
                }
            }
        }
        self.below = below + 4.0;
    }

    fn sowing(&mut self, sowing: &PlanSowing, y: f64) {
        let (from, to) = (self.days.x(sowing.sow_on), self.days.x(sowing.free_on));
        let colour = self.colour(&sowing.crop_id);
        let label = format!("{} {}", sowing.containers, sowing.crop_name);
        let cuts: Vec<String> = sowing
            .cuts
            .iter()
            .map(|cut| format!("{} {:.0} g", cut.day, cut.milligrams as f64 / 1e3))
            .collect();
        let whole = format!(
            "{label} at {}: sown on {}, cut on {}, clean from {}",
            sowing.station_name,
            sowing.sow_on,
            cuts.join(", "),
            sowing.free_on
        );
        let held = rectangle(from, y, (to - from).max(1.0), LANE - 3.0)
            .set("fill", colour)
            .set("fill-opacity", 0.35)
            .set("stroke", colour)
            .set("rx", 2);
        self.put(titled(held, &whole));
        let first_cut = sowing.cuts.first().map_or(to, |cut| self.days.x(cut.day));
        self.put(text(
            from + 3.0,
            y + 10.0,
            9.0,
            &shortened(&label, first_cut - from - 8.0),
        ));
        for (number, cut) in sowing.cuts.iter().enumerate() {
            let x = self.days.x(cut.day) + self.days.day_width() / 2.0;
            let middle = y + (LANE - 3.0) / 2.0;
            self.put(
                Circle::new()
                    .set("cx", x)
                    .set("cy", middle)
                    .set("r", 4.5)
                    .set("fill", "#ffffff")
                    .set("stroke", "#000000"),
            );
            self.put(
                text(x, middle + 2.6, 7.0, &(number + 1).to_string()).set("text-anchor", "middle"),
            );
        }
    }

    fn colour(&self, crop_id: &str) -> &'static str {
        let crops = self.season.crops.iter();
        let place = crops.take_while(|crop| crop.id != crop_id).count();
        COLOURS[place % COLOURS.len()]
    }

    fn key(&mut self) {
        let y = self.below + 10.0;
        let words = "A box: containers and crop, from sowing until the places are clean. 1, 2 ...: cuts. \
                     Grey: the site is closed. Below: black line pledged, bar expected, whisker the 80 % \
                     band of seasons, with the chance that the pledge is met.";
        self.put(text(GAP, y, 9.0, words));
        self.below = y + GAP;
    }

    /// A strip for each pledge.
    fn pledges(&mut self, weeks: &[PlanWeek]) {
        let mut pledges: BTreeMap<(&str, &str, &str), Vec<&PlanWeek>> = BTreeMap::new();
        for cell in weeks {
            let key = (
                cell.recipient_name.as_str(),
                cell.what.as_str(),
                cell.pledge_id.as_str(),
            );
            pledges.entry(key).or_default().push(cell);
        }
        for ((recipient, what, _), cells) in pledges {
            let top = self.below;
            let bottom = top + STRIP - 16.0;
            let most = cells
                .iter()
                .map(|cell| cell.pledged_milligrams.max(cell.expected_milligrams))
                .max();
            let most = most.unwrap_or(0).max(1) as f64;
            let height = |milligrams: i64| milligrams as f64 / most * (STRIP - 34.0);
            self.put(text(GAP, top + 24.0, 10.0, &shortened(what, LEFT - GAP)));
            let to = format!("for {recipient}");
            self.put(text(GAP, top + 37.0, 9.0, &shortened(&to, LEFT - GAP)));
            let scale = format!("{:.2} kg", most / 1e6);
            let right = |part: Text| part.set("text-anchor", "end");
            self.put(right(text(
                LEFT - 4.0,
                bottom - height(most as i64) + 3.0,
                8.0,
                &scale,
            )));
            self.put(right(text(LEFT - 4.0, bottom + 3.0, 8.0, "0")));
            self.put(line(
                (LEFT, bottom),
                (WIDTH - RIGHT, bottom),
                "#000000",
                0.7,
            ));
            for cell in cells {
                self.week(cell, bottom, &height);
            }
            self.below = top + STRIP;
        }
    }

    /// Sentences under a heading; nothing where there are none.
    fn told<'b>(&mut self, heading: &str, words: impl Iterator<Item = &'b str>) {
        let mut words = words.peekable();
        if words.peek().is_none() {
            return;
        }
        self.below += GAP;
        self.put(text(GAP, self.below, 10.0, heading).set("font-weight", "bold"));
        for sentence in words {
            self.below += 13.0;
            let said = shortened(sentence, WIDTH - 2.0 * GAP);
            self.put(text(GAP, self.below, 9.0, &said));
        }
        self.below += GAP;
    }

    fn week(&mut self, cell: &PlanWeek, bottom: f64, height: &dyn Fn(i64) -> f64) {
        let wide = 7.0 * self.days.day_width();
        let (from, middle) = (
            self.days.x(cell.monday),
            self.days.x(cell.monday) + wide / 2.0,
        );
        let kilograms = |milligrams: i64| format!("{:.3} kg", milligrams as f64 / 1e6);
        let mut said = format!(
            "{}: {} pledged, {} expected",
            week_label(cell.monday),
            kilograms(cell.pledged_milligrams),
            kilograms(cell.expected_milligrams)
        );
        let expected = height(cell.expected_milligrams);
        let pledged = bottom - height(cell.pledged_milligrams);
        let bar = rectangle(from + wide * 0.2, bottom - expected, wide * 0.6, expected)
            .set("fill", COLOURS[1])
            .set("stroke", "#333333")
            .set("stroke-width", 0.5);
        if let Some(chance) = cell.chance {
            said += &format!(
                ", {} to {} in 80 % of seasons, met in {:.0} %",
                kilograms(chance.low_milligrams),
                kilograms(chance.high_milligrams),
                chance.met_permille as f64 / 10.0
            );
        }
        self.put(titled(bar, &said));
        let edges = (from + wide * 0.05, from + wide * 0.95);
        self.put(line((edges.0, pledged), (edges.1, pledged), "#000000", 1.8));
        if let Some(chance) = cell.chance {
            let low = bottom - height(chance.low_milligrams);
            let high = bottom - height(chance.high_milligrams);
            self.put(line((middle, low), (middle, high), "#000000", 1.2));
            for y in [low, high] {
                self.put(line((middle - 3.0, y), (middle + 3.0, y), "#000000", 1.2));
            }
            let percent = format!("{:.0} %", chance.met_permille as f64 / 10.0);
            self.put(text(middle, bottom + 10.0, 8.0, &percent).set("text-anchor", "middle"));
        }
    }
}

/// Sowings in rows in which none overlaps another.
fn lanes(mut sowings: Vec<&PlanSowing>) -> Vec<Vec<&PlanSowing>> {
    sowings.sort_by_key(|sowing| (sowing.sow_on, sowing.free_on));
    let mut lanes: Vec<Vec<&PlanSowing>> = Vec::new();
    for sowing in sowings {
        let free = |lane: &&mut Vec<&PlanSowing>| {
            lane.last().is_none_or(|last| last.free_on <= sowing.sow_on)
        };
        match lanes.iter_mut().find(free) {
            Some(lane) => lane.push(sowing),
            None => lanes.push(vec![sowing]),
        }
    }
    lanes
}

fn week_label(monday: NaiveDate) -> String {
    IsoWeek::of(monday).map_or_else(|_| monday.to_string(), |week| week.to_string())
}

/// As much of a text as a width holds.
fn shortened(text: &str, width: f64) -> String {
    let most = (width / LETTER).floor().max(0.0) as usize;
    if text.chars().count() <= most {
        return text.to_owned();
    }
    match most {
        0 | 1 => String::new(),
        _ => text.chars().take(most - 1).chain(['…']).collect(),
    }
}

fn text(x: f64, y: f64, size: f64, words: &str) -> Text {
    Text::new(words)
        .set("x", tenths(x))
        .set("y", tenths(y))
        .set("font-size", size)
}

fn rectangle(x: f64, y: f64, width: f64, height: f64) -> Rectangle {
    Rectangle::new()
        .set("x", tenths(x))
        .set("y", tenths(y))
        .set("width", tenths(width))
        .set("height", tenths(height))
}

fn line(from: (f64, f64), to: (f64, f64), colour: &str, width: f64) -> Line {
    Line::new()
        .set("x1", tenths(from.0))
        .set("y1", tenths(from.1))
        .set("x2", tenths(to.0))
        .set("y2", tenths(to.1))
        .set("stroke", colour)
        .set("stroke-width", width)
}

/// A shape that says what it is when it is pointed at, and to a screen reader.
fn titled(shape: Rectangle, words: &str) -> Element {
    shape.add(Title::new(words)).into()
}

/// Tenths of a unit are finer than any eye.
fn tenths(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
