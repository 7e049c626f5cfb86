//! The columns of a table: numbers as wide as they are, text in the room that is left.

use super::{Weight, broken};
use crate::Table;
use crate::typeface::Typefaces;

/// Sizes that are tried until the text columns have room.
const SIZES: [f32; 6] = [8.0, 7.5, 7.0, 6.5, 6.0, 5.0];
/// Between columns, in sizes.
const SPACE: f32 = 0.8;
/// The least room of a text column, in sizes.
const LEAST_TEXT: f32 = 12.0;

/// A piece of a cell: how far from the left, in which line, and the words.
pub type Placed = (f32, usize, String);

/// Where the columns of a table stand.
pub struct Columns {
    /// Size of the letters.
    pub size: f32,
    /// The head.
    pub head: Vec<Placed>,
    head_lines: usize,
    spans: Vec<Span>,
}

#[derive(Clone, Copy)]
struct Span {
    left: f32,
    width: f32,
    is_number: bool,
}

impl Columns {
    /// Columns of a table in a width.
    pub fn of(table: &Table, faces: &Typefaces, width: f32) -> Self {
        let fitting = SIZES.iter().copied().find_map(|size| {
            let (spans, is_whole) = spans(table, faces, size, width);
            let has_room = |span: &Span| span.is_number || span.width >= LEAST_TEXT * size;
            (is_whole || spans.iter().all(has_room)).then_some((size, spans))
        });
        let (size, spans) = fitting.unwrap_or_else(|| {
            let size = SIZES[SIZES.len() - 1];
            (size, spans(table, faces, size, width).0)
        });
        let mut columns = Self {
            size,
            head: Vec::new(),
            head_lines: 0,
            spans,
        };
        columns.set_head(table, faces);
        columns
    }

    /// Height of the head.
    pub fn head_height(&self, line: f32) -> f32 {
        self.head_lines as f32 * line
    }

    /// The cells of a row, each broken into lines.
    pub fn placed(&self, cells: &[String], weight: Weight, faces: &Typefaces) -> Vec<Placed> {
        let mut placed = Vec::new();
        for (span, cell) in self.spans.iter().zip(cells) {
            if span.is_number {
                let width = faces.width(weight, self.size, cell);
                placed.push((span.left + span.width - width, 0, cell.clone()));
            } else {
                let lines = broken(faces, weight, self.size, cell, span.width);
                let lines = lines.into_iter().enumerate();
                placed.extend(lines.map(|(level, line)| (span.left, level, line)));
            }
        }
        placed
    }

    /// Titles that neighbours share stand above the first of them; units below.
    fn set_head(&mut self, table: &Table, faces: &Typefaces) {
        let has_units = table.columns.iter().any(|column| !column.unit.is_empty());
        self.head_lines = 1 + usize::from(has_units);
        let mut before = None;
        for (column, span) in table.columns.iter().zip(&self.spans) {
            let at = |text: &str| {
                let width = faces.width(Weight::Bold, self.size, text);
                if span.is_number {
                    span.left + span.width - width
                } else {
                    span.left
                }
            };
            if before != Some(&column.title) {
                let left = if column.unit.is_empty() {
                    at(&column.title)
                } else {
                    span.left
                };
                self.head.push((left, 0, column.title.clone()));
            }
            if !column.unit.is_empty() {
                self.head.push((at(&column.unit), 1, column.unit.clone()));
            }
            before = Some(&column.title);
        }
    }
}

/// Where the columns stand at a size, and whether no text need be broken.
fn spans(table: &Table, faces: &Typefaces, size: f32, width: f32) -> (Vec<Span>, bool) {
    let wide = |text: &str| faces.width(Weight::Bold, size, text);
    let natural: Vec<f32> = (0..table.columns.len())
        .map(|index| {
            let column = &table.columns[index];
            let cells = table.rows.iter().chain(&table.sum);
            let widest = cells.map(|row| wide(&row[index])).fold(0.0, f32::max);
            let shared = table
                .columns
                .iter()
                .filter(|other| other.title == column.title)
                .count() as f32;
            let title = wide(&column.title) / shared;
            widest.max(title).max(wide(&column.unit))
        })
        .collect();
    let gap = SPACE * size;
    let numbers: f32 = table
        .columns
        .iter()
        .zip(&natural)
        .filter(|(column, _)| column.is_number)
        .map(|(_, natural)| natural + gap)
        .sum();
    let texts: f32 = table
        .columns
        .iter()
        .zip(&natural)
        .filter(|(column, _)| !column.is_number)
        .map(|(_, natural)| natural + gap)
        .sum();
    // text that is longer than its room is broken; none takes more than it needs
    let share = ((width - numbers) / texts).clamp(0.05, 1.0);
    // room to spare goes to all columns alike, so that tables are as wide as the page
    let spare = (width - numbers - texts * share).max(0.0) / table.columns.len().max(1) as f32;
    let mut left = 0.0;
    let spans = table
        .columns
        .iter()
        .zip(natural)
        .map(|(column, natural)| {
            let share = if column.is_number { 1.0 } else { share };
            let room = (natural + gap) * share + spare;
            let before = if column.is_number { spare } else { 0.0 };
            let span = Span {
                left: left + before,
                width: room - gap - before,
                is_number: column.is_number,
            };
            left += room;
            span
        })
        .collect();
    (spans, share >= 1.0)
}
