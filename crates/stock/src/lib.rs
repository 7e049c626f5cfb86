//! Ledger arithmetic: pure functions over what is on the shelf.
//!
//! Quantities are whole base units of an item: milligrams, microlitres or pieces.

pub mod lots;
pub mod value;
