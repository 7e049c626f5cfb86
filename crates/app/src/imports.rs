//! Many records at once from a CSV file: every bad line is reported, and it is all or nothing.

mod closures;
mod crops;
mod names;
mod stations;
mod table;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Most lines of an imported file, its header apart.
pub const MOST_LINES: usize = 5000;

/// What came of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Imported {
    /// The new records, in the order of their lines.
    pub ids: Vec<Uuid>,
}
