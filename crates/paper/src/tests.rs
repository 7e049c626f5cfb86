#![allow(clippy::unwrap_used)]

use super::*;
use crate::layout::{Weight, broken};

fn sheet(rows: usize) -> Sheet {
    let column = |title: &str, unit: &str, is_number| Column {
        title: title.to_owned(),
        unit: unit.to_owned(),
        is_number,
    };
    let row = |index: usize| {
        vec![
            format!("Žluťoučký Ωmega Ж ế {index}"),
            format!("{index}.500"),
            "10.00".to_owned(),
        ]
    };
    Sheet {
        title: "Harvest".to_owned(),
        lines: vec!["Week 2026-W43".to_owned()],
        tables: vec![Table {
            heading: "By crop".to_owned(),
            columns: vec![
                column("", "", false),
                column("Cut", "kg", true),
                column("Cut", "lb", true),
            ],
            rows: (0..rows).map(row).collect(),
            sum: Some(row(rows)),
        }],
        notes: vec!["A note.".to_owned()],
        foot: "as of then".to_owned(),
        paper: Paper::A4,
    }
}

fn texts(page: &Page) -> Vec<&str> {
    page.marks
        .iter()
        .filter_map(|mark| match mark {
            Mark::Text { text, .. } => Some(text.as_str()),
            Mark::Rule { .. } => None,
        })
        .collect()
}

#[test]
fn heads_are_repeated_and_pages_numbered() {
    let faces = Typefaces::load().unwrap();
    let pages = layout::pages(&sheet(150), faces);
    assert!(pages.len() > 2, "{}", pages.len());
    let count = pages.len();
    for (index, page) in pages.iter().enumerate() {
        let texts = texts(page);
        assert!(texts.contains(&"kg") && texts.contains(&"Cut"), "{index}");
        let number = format!("Page {} of {count}", index + 1);
        assert!(texts.contains(&number.as_str()), "{texts:?}");
    }
    let all: Vec<&str> = pages.iter().flat_map(texts).collect();
    for index in 0..=150 {
        let figure = format!("{index}.500");
        assert_eq!(all.iter().filter(|text| **text == figure).count(), 1);
    }
}

#[test]
fn nothing_stands_outside_the_page() {
    let faces = Typefaces::load().unwrap();
    let mut wide = sheet(3);
    wide.tables[0].rows[1][0] = "w".repeat(900);
    for paper in [Paper::A4, Paper::Letter] {
        wide.paper = paper;
        let (width, height) = paper.points();
        for page in layout::pages(&wide, faces) {
            for mark in &page.marks {
                if let Mark::Text {
                    x,
                    y,
                    size,
                    weight,
                    text,
                } = mark
                {
                    let right = x + faces.width(*weight, *size, text);
                    assert!(*x >= 0.0 && right <= width && *y <= height, "{text}");
                }
            }
        }
    }
}

#[test]
fn lines_are_broken_without_losing_a_letter() {
    let faces = Typefaces::load().unwrap();
    let text = "some words and averyveryverylongword at the end";
    for width in [20.0, 60.0, 200.0, 2000.0] {
        let lines = broken(faces, Weight::Regular, 8.0, text, width);
        let joined: String = lines.concat();
        assert_eq!(joined.replace(' ', ""), text.replace(' ', ""));
        for line in lines {
            assert!(faces.width(Weight::Regular, 8.0, &line) <= width, "{line}");
        }
    }
}

#[test]
fn the_same_sheet_gives_the_same_bytes() {
    let once = pdf(&sheet(60)).unwrap();
    assert!(once.starts_with(b"%PDF-"));
    assert_eq!(once, pdf(&sheet(60)).unwrap());
    assert_ne!(once, pdf(&sheet(61)).unwrap());
    // no time of its own
    let text = String::from_utf8_lossy(&once);
    assert!(!text.contains("CreationDate") && !text.contains("ModDate"));
}

#[test]
fn a_ragged_table_is_refused() {
    let mut ragged = sheet(2);
    ragged.tables[0].rows[1].pop();
    assert!(matches!(
        pdf(&ragged),
        Err(PaperError::Ragged {
            cells: 2,
            columns: 3,
            ..
        })
    ));
}
