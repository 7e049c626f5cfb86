//! Where everything stands: lines broken to width, columns, pages, heads repeated on each of them.

mod columns;

use crate::typeface::Typefaces;
use crate::{Sheet, Table};
use columns::Columns;

/// White around a page, in points.
const MARGIN: f32 = 36.0;
/// Size of running text.
const TEXT: f32 = 8.5;
/// Line to line, in sizes.
const LEADING: f32 = 1.3;
/// Room below the tables for the foot.
const FOOT: f32 = 22.0;
/// Above a heading.
const GAP: f32 = 12.0;

/// Regular or bold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// Upright, of usual weight.
    Regular,
    /// Bold.
    Bold,
}

/// Something on a page; the origin is at the upper left.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// A line of text from its left end on the baseline.
    Text {
        /// Left end.
        x: f32,
        /// Baseline.
        y: f32,
        /// Size.
        size: f32,
        /// Weight.
        weight: Weight,
        /// The words.
        text: String,
    },
    /// A thin line.
    Rule {
        /// Left end.
        from: f32,
        /// Right end.
        to: f32,
        /// Its height on the page.
        y: f32,
    },
}

/// A page.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Page {
    /// What is on it, in reading order.
    pub marks: Vec<Mark>,
}

/// Lays a sheet out.
pub fn pages(sheet: &Sheet, faces: &Typefaces) -> Vec<Page> {
    let mut press = Press::new(sheet, faces);
    press.paragraph(&sheet.title, 15.0, Weight::Bold);
    for line in &sheet.lines {
        press.paragraph(line, TEXT, Weight::Regular);
    }
    for table in &sheet.tables {
        press.table(table);
    }
    if !sheet.notes.is_empty() {
        press.y += GAP;
    }
    for note in &sheet.notes {
        press.paragraph(note, TEXT, Weight::Regular);
        press.y += 2.0;
    }
    press.finish(&sheet.foot)
}

/// The page that is being filled, and those before it.
struct Press<'a> {
    faces: &'a Typefaces,
    width: f32,
    height: f32,
    done: Vec<Page>,
    page: Page,
    /// Lower end of what is on the page.
    y: f32,
}

impl<'a> Press<'a> {
    fn new(sheet: &Sheet, faces: &'a Typefaces) -> Self {
        let (width, height) = sheet.paper.points();
        Self {
            faces,
            width,
            height,
            done: Vec::new(),
            page: Page::default(),
            y: MARGIN,
        }
    }

    fn room(&self) -> f32 {
        self.height - MARGIN - FOOT - self.y
    }

    fn turn(&mut self) {
        self.done.push(std::mem::take(&mut self.page));
        self.y = MARGIN;
    }

    fn text(&mut self, x: f32, y: f32, size: f32, weight: Weight, text: &str) {
        if !text.is_empty() {
            self.page.marks.push(Mark::Text {
                x,
                y,
                size,
                weight,
                text: text.to_owned(),
            });
        }
    }

    fn rule(&mut self) {
        let (from, to, y) = (MARGIN, self.width - MARGIN, self.y + 1.5);
        self.page.marks.push(Mark::Rule { from, to, y });
        self.y += 3.0;
    }

    fn paragraph(&mut self, text: &str, size: f32, weight: Weight) {
        let lines = broken(self.faces, weight, size, text, self.width - 2.0 * MARGIN);
        for line in lines {
            if self.room() < size * LEADING {
                self.turn();
            }
            self.y += size * LEADING;
            self.text(MARGIN, self.y - size * 0.3, size, weight, &line);
        }
    }

    fn table(&mut self, table: &Table) {
        let columns = Columns::of(table, self.faces, self.width - 2.0 * MARGIN);
        let line = columns.size * LEADING;
        // a heading never stands alone at the foot of a page
        let start = GAP + 12.0 * LEADING + columns.head_height(line) + 4.0 * line;
        if self.room() < start {
            self.turn();
        } else {
            self.y += GAP;
        }
        self.paragraph(&table.heading, 11.0, Weight::Bold);
        self.head(&columns);
        for row in &table.rows {
            self.row(table, &columns, row, Weight::Regular);
        }
        if let Some(sum) = &table.sum {
            if self.room() < line * 2.0 {
                self.continued(table, &columns);
            }
            self.rule();
            self.row(table, &columns, sum, Weight::Bold);
        }
    }

    fn continued(&mut self, table: &Table, columns: &Columns) {
        self.turn();
        let heading = format!("{} (continued)", table.heading);
        self.paragraph(&heading, 11.0, Weight::Bold);
        self.head(columns);
    }

    fn head(&mut self, columns: &Columns) {
        let line = columns.size * LEADING;
        for (x, level, text) in &columns.head {
            let y = self.y + line * (*level as f32 + 1.0) - columns.size * 0.3;
            self.text(MARGIN + x, y, columns.size, Weight::Bold, text);
        }
        self.y += columns.head_height(line);
        self.rule();
    }

    /// A row is not parted between pages unless it is longer than one.
    fn row(&mut self, table: &Table, columns: &Columns, cells: &[String], weight: Weight) {
        let line = columns.size * LEADING;
        let placed = columns.placed(cells, weight, self.faces);
        let levels = placed.iter().map(|(_, level, _)| level + 1).max();
        let height = levels.unwrap_or(1) as f32 * line;
        if self.room() < height {
            self.continued(table, columns);
        }
        let top = self.y;
        for (x, level, text) in placed {
            let y = top + line * (level as f32 + 1.0) - columns.size * 0.3;
            self.text(MARGIN + x, y, columns.size, weight, &text);
        }
        self.y = top + height;
    }

    fn finish(mut self, foot: &str) -> Vec<Page> {
        self.turn();
        let count = self.done.len();
        let baseline = self.height - MARGIN;
        let mut pages = std::mem::take(&mut self.done);
        for (index, page) in pages.iter_mut().enumerate() {
            let number = format!("Page {} of {count}", index + 1);
            let width = self.faces.width(Weight::Regular, 7.5, &number);
            for (x, text) in [
                (MARGIN, foot.to_owned()),
                (self.width - MARGIN - width, number),
            ] {
                page.marks.push(Mark::Text {
                    x,
                    y: baseline,
                    size: 7.5,
                    weight: Weight::Regular,
                    text,
                });
            }
        }
        pages
    }
}

/// Text in lines no wider than `width`: broken at spaces, and inside a word that is wider by itself.
pub fn broken(faces: &Typefaces, weight: Weight, size: f32, text: &str, width: f32) -> Vec<String> {
    let fits = |text: &str| faces.width(weight, size, text) <= width;
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if fits(&longer) {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for letter in word.chars() {
            line.push(letter);
            if !fits(&line) && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::take(&mut line));
                line.push(letter);
            }
        }
    }
    lines.push(line);
    lines
}
