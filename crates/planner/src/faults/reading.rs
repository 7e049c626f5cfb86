//! Reading problems and plans from JSON, with the field at fault named.

use serde::de::DeserializeOwned;

use crate::plan::Plan;
use crate::problem::Problem;

/// A file that is not JSON of the expected shape.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: {message}", if path.is_empty() { "the file" } else { path.as_str() })]
pub struct ReadError {
    /// JSON pointer to the field that could not be read; empty for the whole file.
    pub path: String,
    /// What is wrong, with line and column.
    pub message: String,
}

/// Reads a problem from JSON. It may still have [`faults`](super::faults).
///
/// # Errors
/// When the text is not JSON, a required field is missing or a value has the wrong type.
pub fn read_problem(bytes: &[u8]) -> Result<Problem, ReadError> {
    read(bytes)
}

/// Reads a plan from JSON.
///
/// # Errors
/// When the text is not JSON, a required field is missing or a value has the wrong type.
pub fn read_plan(bytes: &[u8]) -> Result<Plan, ReadError> {
    read(bytes)
}

fn read<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, ReadError> {
    serde_json::from_slice(bytes).map_err(|error| ReadError {
        path: pointer_at(bytes, error.line(), error.column()),
        message: error.to_string(),
    })
}

/// JSON pointer of the value that ends at, or is being read at, a line and column (both from 1).
fn pointer_at(bytes: &[u8], line: usize, column: usize) -> String {
    enum Level {
        Key(String),
        Item(usize),
    }
    let line_start = bytes
        .split_inclusive(|byte| *byte == b'\n')
        .take(line.saturating_sub(1))
        .map(<[u8]>::len)
        .sum::<usize>();
    let end = (line_start + column).min(bytes.len());
    let mut levels: Vec<Level> = Vec::new();
    let mut text: Vec<u8> = Vec::new();
    let (mut in_text, mut escaped) = (false, false);
    for &byte in &bytes[..end] {
        if in_text {
            match byte {
                b'"' if !escaped => in_text = false,
                _ => text.push(byte),
            }
            escaped = byte == b'\\' && !escaped;
            continue;
        }
        match byte {
            b'"' => {
                in_text = true;
                text.clear();
            }
            b'{' => levels.push(Level::Key(String::new())),
            b'[' => levels.push(Level::Item(0)),
            b':' => {
                if let Some(Level::Key(key)) = levels.last_mut() {
                    *key = String::from_utf8_lossy(&text)
                        .replace('~', "~0")
                        .replace('/', "~1");
                }
            }
            b',' => match levels.last_mut() {
                Some(Level::Item(item)) => *item += 1,
                Some(Level::Key(key)) => key.clear(),
                None => {}
            },
            // A value refused as a whole is reported after its closing bracket, where the level
            // around it still points to it.
            b'}' | b']' => {
                levels.pop();
            }
            _ => {}
        }
    }
    levels
        .iter()
        .map(|level| match level {
            Level::Key(key) if key.is_empty() => String::new(),
            Level::Key(key) => format!("/{key}"),
            Level::Item(item) => format!("/{item}"),
        })
        .collect()
}
