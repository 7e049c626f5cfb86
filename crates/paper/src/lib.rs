//! Reports on paper: a sheet of text and tables, typeset into PDF. No I/O, no clock, no domain.
//!
//! The same sheet always gives the same bytes: the file carries no time of its own. Fonts are embedded
//! (DejaVu Sans Condensed: Latin with all its accents, Vietnamese, Greek, Cyrillic), so the file looks
//! alike everywhere and its text can be searched and copied. Letters that the font lacks are shown as
//! its box.

mod layout;
mod typeface;

use krilla::Document;
use krilla::geom::{PathBuilder, Point};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke};
use krilla::surface::Surface;
use krilla::text::TextDirection;

use layout::{Mark, Page};
use typeface::Typefaces;

/// Paper, lying on its long side.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// ISO 216 A4, 297 mm × 210 mm.
    A4,
    /// US letter, 11 in × 8.5 in.
    Letter,
}

impl Paper {
    /// Width and height in points of 1/72 in.
    fn points(self) -> (f32, f32) {
        match self {
            Self::A4 => (841.89, 595.276),
            Self::Letter => (792.0, 612.0),
        }
    }
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    /// What stands above it; neighbours with the same words share them.
    pub title: String,
    /// The unit, in a second line.
    pub unit: String,
    /// Whether it holds numbers, set to the right; otherwise text, which is broken into lines.
    pub is_number: bool,
}

/// A table. Its head is repeated on each page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {
    /// Above it.
    pub heading: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows, each with a cell for every column.
    pub rows: Vec<Vec<String>>,
    /// A last row under a rule.
    pub sum: Option<Vec<String>>,
}

/// What is to be put on paper.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    /// The title, of the first page and of the file.
    pub title: String,
    /// Lines below it.
    pub lines: Vec<String>,
    /// Tables in order.
    pub tables: Vec<Table>,
    /// Paragraphs at the end.
    pub notes: Vec<String>,
    /// At the foot of each page, beside its number.
    pub foot: String,
    /// The paper.
    pub paper: Paper,
}

/// Why a sheet cannot be typeset.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PaperError {
    /// The embedded fonts cannot be read.
    #[error("the embedded fonts cannot be read")]
    Fonts,
    /// A row has more or fewer cells than the table has columns.
    #[error("a row of the table {table:?} has {cells} cells for {columns} columns")]
    Ragged {
        /// Heading of the table.
        table: String,
        /// Cells of the row.
        cells: usize,
        /// Columns.
        columns: usize,
    },
    /// The library gave up.
    #[error("the PDF could not be written: {0}")]
    Writing(String),
}

/// Typesets a sheet into a PDF.
///
/// # Errors
/// [`PaperError`].
pub fn pdf(sheet: &Sheet) -> Result<Vec<u8>, PaperError> {
    for table in &sheet.tables {
        for row in table.rows.iter().chain(&table.sum) {
            if row.len() != table.columns.len() {
                return Err(PaperError::Ragged {
                    table: table.heading.clone(),
                    cells: row.len(),
                    columns: table.columns.len(),
                });
            }
        }
    }
    let faces = Typefaces::load().ok_or(PaperError::Fonts)?;
    let pages = layout::pages(sheet, faces);
    let mut document = Document::new();
    document.set_metadata(
        Metadata::new()
            .title(sheet.title.clone())
            .language("en".to_owned()),
    );
    let (width, height) = sheet.paper.points();
    for page in &pages {
        let settings = PageSettings::from_wh(width, height)
            .ok_or_else(|| PaperError::Writing("the paper has no size".to_owned()))?;
        let mut started = document.start_page_with(settings);
        let mut surface = started.surface();
        draw(&mut surface, page, faces);
        surface.finish();
        started.finish();
    }
    document
        .finish()
        .map_err(|fault| PaperError::Writing(format!("{fault:?}")))
}

fn draw(surface: &mut Surface<'_>, page: &Page, faces: &Typefaces) {
    for mark in &page.marks {
        match mark {
            Mark::Text {
                x,
                y,
                size,
                weight,
                text,
            } => {
                surface.set_fill(Some(Fill::default()));
                surface.set_stroke(None);
                surface.draw_text(
                    Point::from_xy(*x, *y),
                    faces.font(*weight),
                    *size,
                    text,
                    false,
                    TextDirection::Auto,
                );
            }
            Mark::Rule { from, to, y } => {
                let mut path = PathBuilder::new();
                path.move_to(*from, *y);
                path.line_to(*to, *y);
                surface.set_fill(None);
                surface.set_stroke(Some(Stroke {
                    width: 0.5,
                    opacity: NormalizedF32::ONE,
                    ..Stroke::default()
                }));
                if let Some(path) = path.finish() {
                    surface.draw_path(&path);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
