//! Reads a CSV file (RFC 4180) with a header row into lines of named cells.

use std::collections::BTreeSet;
use std::str::FromStr;

use cotyl_domain::FieldProblem;

use super::MOST_LINES;
use crate::input::Problems;
use crate::{Error, Result};

/// A column of a file.
#[derive(Debug, Clone, Copy)]
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) required: bool,
}

/// A column that must be there.
pub(super) const fn required(name: &'static str) -> Column {
    Column {
        name,
        required: true,
    }
}

/// A column that may be left out.
pub(super) const fn optional(name: &'static str) -> Column {
    Column {
        name,
        required: false,
    }
}

/// One line, with its number as in the file.
#[derive(Debug)]
pub(super) struct Line<'h> {
    pub(super) number: u64,
    columns: &'h [String],
    cells: csv::StringRecord,
}

impl Line<'_> {
    /// The cell of a column; empty where the file leaves it out. Whatever it begins with, it is text.
    pub(super) fn text(&self, column: &str) -> &str {
        self.columns
            .iter()
            .position(|name| name == column)
            .and_then(|index| self.cells.get(index))
            .unwrap_or_default()
    }

    /// The cell read as `T`; noted as a problem, and nothing, when it is not one.
    pub(super) fn parse<T: FromStr>(
        &self,
        problems: &mut Problems,
        column: &str,
        wanted: &str,
    ) -> Option<T> {
        let cell = self.text(column);
        let parsed = cell.parse().ok();
        if parsed.is_none() {
            let shown: String = cell.chars().take(40).collect();
            problems.add(
                self.pointer(column),
                "form",
                format!("must be {wanted}; it is {shown:?}"),
            );
        }
        parsed
    }

    /// The cell read as `T`, or nothing when it is empty.
    pub(super) fn parse_optional<T: FromStr>(
        &self,
        problems: &mut Problems,
        column: &str,
        wanted: &str,
    ) -> Option<T> {
        (!self.text(column).is_empty())
            .then(|| self.parse(problems, column, wanted))
            .flatten()
    }

    /// Where a problem with the column is reported.
    pub(super) fn pointer(&self, column: &str) -> String {
        format!("/lines/{}/{column}", self.number)
    }

    /// Notes the problems of a record that this line describes, each at the column of its last name.
    pub(super) fn note(&self, problems: &mut Problems, outcome: Result<()>) -> Result<()> {
        match outcome {
            Ok(()) => Ok(()),
            Err(Error::Invalid(faults)) => {
                problems.extend(faults.into_iter().map(|fault| {
                    let column = fault.pointer.rsplit('/').next().unwrap_or_default();
                    FieldProblem {
                        pointer: self.pointer(column),
                        ..fault
                    }
                }));
                Ok(())
            }
            Err(other) => Err(other),
        }
    }
}

/// A file's header and text, checked as far as that goes without looking at the lines.
pub(super) struct Table<'f> {
    text: &'f str,
    columns: Vec<String>,
    /// bytes of `text` before the first line after the header, and the number of that line
    body: csv::Position,
}

impl<'f> Table<'f> {
    /// Reads the header.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a file that is not text, or with columns missing, unknown or repeated.
    pub(super) fn open(bytes: &'f [u8], columns: &[Column]) -> Result<Self> {
        let text = text_of(bytes)?;
        let mut reader = reader(text);
        let header = reader.headers().map_err(unreadable)?;
        let header: Vec<String> = header.iter().map(str::to_owned).collect();
        let body = reader.position().clone();
        check_header(&header, columns)?;
        Ok(Self {
            text,
            columns: header,
            body,
        })
    }

    /// Reads the lines. One with too few or too many cells is noted and left out.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a file without lines or with too many.
    pub(super) fn lines(&self, problems: &mut Problems) -> Result<Vec<Line<'_>>> {
        let mut lines = Vec::new();
        let mut counted = 0;
        let mut number = LineNumber::at(self.text);
        let header_bytes = usize::try_from(self.body.byte()).unwrap_or(usize::MAX);
        number.advance(header_bytes);
        for record in reader(self.text).into_records() {
            let cells = record.map_err(unreadable)?;
            counted += 1;
            if counted > MOST_LINES {
                return Err(Error::field(
                    "/lines",
                    "too_many",
                    format!("a file may have at most {MOST_LINES} lines after its header"),
                ));
            }
            let start = cells.position().map_or(0, csv::Position::byte);
            let line = Line {
                number: number.advance(usize::try_from(start).unwrap_or(usize::MAX)),
                columns: &self.columns,
                cells,
            };
            if line.cells.len() == self.columns.len() {
                lines.push(line);
            } else {
                problems.add(
                    format!("/lines/{}", line.number),
                    "cells",
                    format!(
                        "has {} cells; the header has {} columns",
                        line.cells.len(),
                        self.columns.len()
                    ),
                );
            }
        }
        if counted == 0 {
            return Err(Error::field(
                "/lines",
                "missing",
                "the file has no line after its header",
            ));
        }
        Ok(lines)
    }
}

/// Counts lines as an editor shows them, whichever line ends the file has.
struct LineNumber<'f> {
    rest: &'f [u8],
    read: usize,
    number: u64,
}

impl<'f> LineNumber<'f> {
    fn at(text: &'f str) -> Self {
        Self {
            rest: text.as_bytes(),
            read: 0,
            number: 1,
        }
    }

    /// The number of the line at a byte, past the line ends that the reader has not yet skipped there.
    fn advance(&mut self, byte: usize) -> u64 {
        while let Some((&first, rest)) = self.rest.split_first() {
            let line_end = matches!(first, b'\r' | b'\n');
            if self.read >= byte && !line_end {
                break;
            }
            let lone_return = first == b'\r' && rest.first() != Some(&b'\n');
            if first == b'\n' || lone_return {
                self.number += 1;
            }
            self.rest = rest;
            self.read += 1;
        }
        self.number
    }
}

fn reader(text: &str) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes())
}

/// The text of a file in UTF-8, a byte order mark before it left out.
fn text_of(bytes: &[u8]) -> Result<&str> {
    let line_of = |byte: usize| {
        let before = bytes.get(..byte).unwrap_or_default();
        1 + before.iter().filter(|&&b| b == b'\n').count()
    };
    if let Some(byte) = bytes.iter().position(|&byte| byte == 0) {
        return Err(Error::field(
            format!("/lines/{}", line_of(byte)),
            "text",
            "must not contain the character U+0000",
        ));
    }
    let text = std::str::from_utf8(bytes).map_err(|fault| {
        Error::field(
            format!("/lines/{}", line_of(fault.valid_up_to())),
            "text",
            "is not UTF-8; save the file with this encoding",
        )
    })?;
    Ok(text.strip_prefix('\u{feff}').unwrap_or(text))
}

fn check_header(header: &[String], columns: &[Column]) -> Result<()> {
    let mut problems = Problems::new();
    let known: Vec<&str> = columns.iter().map(|column| column.name).collect();
    let mut seen = BTreeSet::new();
    for (index, name) in header.iter().enumerate() {
        let pointer = format!("/columns/{index}");
        let shown: String = name.chars().take(40).collect();
        if !known.contains(&name.as_str()) {
            problems.add(
                pointer,
                "unknown",
                format!(
                    "there is no column {shown:?}; the columns are {}",
                    known.join(", ")
                ),
            );
        } else if !seen.insert(name.as_str()) {
            problems.add(
                pointer,
                "repeated",
                format!("the column {shown} is there twice"),
            );
        }
    }
    for column in columns.iter().filter(|column| column.required) {
        if !seen.contains(column.name) {
            problems.add(
                format!("/columns/{}", column.name),
                "missing",
                "the header row must name this column",
            );
        }
    }
    problems.finish()
}

fn unreadable(fault: csv::Error) -> Error {
    Error::field("/lines", "form", fault.to_string())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    const COLUMNS: [Column; 3] = [required("name"), required("places"), optional("note")];

    fn read(text: &str) -> Result<Vec<(u64, String, String)>> {
        let table = Table::open(text.as_bytes(), &COLUMNS)?;
        let mut problems = Problems::new();
        let lines = table.lines(&mut problems)?;
        let read = lines
            .iter()
            .map(|line| {
                let cells = (line.text("name").to_owned(), line.text("note").to_owned());
                (line.number, cells.0, cells.1)
            })
            .collect();
        problems.finish()?;
        Ok(read)
    }

    fn pointers(text: &str) -> Vec<String> {
        match read(text) {
            Err(Error::Invalid(faults)) => faults.into_iter().map(|f| f.pointer).collect(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn lines_are_numbered_as_in_the_file() {
        let check = |text: &str, expect: &[(u64, &str)]| {
            let read = read(text).unwrap();
            let numbered: Vec<(u64, &str)> = read
                .iter()
                .map(|(n, name, _)| (*n, name.as_str()))
                .collect();
            assert_eq!(numbered, expect, "{text:?}");
        };
        check("name,places\na,1\nb,2\n", &[(2, "a"), (3, "b")]);
        check("name,places\r\na,1\r\nb,2", &[(2, "a"), (3, "b")]);
        check("name,places\ra,1\rb,2\r", &[(2, "a"), (3, "b")]);
        check("name,places\n\n\na,1\n\nb,2\n", &[(4, "a"), (6, "b")]);
        check(
            "name,places\r\n\r\na,1\r\n\r\nb,2\r\n",
            &[(3, "a"), (5, "b")],
        );
        check("\n\nname,places\na,1\n", &[(4, "a")]);
        check("\u{feff}name,places\na,1\n", &[(2, "a")]);
        // a quoted cell may hold line ends (RFC 4180, section 2)
        check(
            "name,places\n\"a\nand more\",1\nb,2\n",
            &[(2, "a\nand more"), (4, "b")],
        );
        check(
            "places,name\r\n1,\"a\r\n\r\nb\"\r\n2, c \r\n",
            &[(2, "a\r\n\r\nb"), (5, "c")],
        );
    }

    #[test]
    fn cells_are_text_whatever_they_begin_with() {
        let read = read("name,places,note\n=1+1,1,@x\n-a,2,+b\n\"say \"\"hi\"\"\",1,\n").unwrap();
        assert_eq!(
            read,
            [
                (2, "=1+1".to_owned(), "@x".to_owned()),
                (3, "-a".to_owned(), "+b".to_owned()),
                (4, "say \"hi\"".to_owned(), String::new()),
            ]
        );
    }

    #[test]
    fn a_file_that_cannot_be_read_says_where() {
        assert_eq!(pointers(""), ["/columns/name", "/columns/places"]);
        assert_eq!(
            pointers("name,colour,name\na,1,2\n"),
            ["/columns/1", "/columns/2", "/columns/places"]
        );
        assert_eq!(pointers("name,places\n"), ["/lines"]);
        assert_eq!(
            pointers("name,places\na\nb,1\nc,1,2\n"),
            ["/lines/2", "/lines/4"]
        );
        assert_eq!(pointers("name,places\na,1\nb\0,2\n"), ["/lines/3"]);
        let mut long = "name,places\n".to_owned();
        long.push_str(&"a,1\n".repeat(MOST_LINES));
        assert_eq!(read(&long).unwrap().len(), MOST_LINES);
        long.push_str("a,1\n");
        assert_eq!(pointers(&long), ["/lines"]);
        let latin = Table::open(b"name,places\nbl\xe4tter,1\n", &COLUMNS).map(|_| ());
        assert!(matches!(latin, Err(Error::Invalid(faults)) if faults[0].pointer == "/lines/2"));
    }
}
