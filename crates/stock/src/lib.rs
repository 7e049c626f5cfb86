//! Ledger arithmetic: pure functions over what is on the shelf and what is wanted of it.
//!
//! Quantities are whole base units of an item: milligrams, microlitres or pieces.

pub mod lots;
pub mod needs;
pub mod reorder;
pub mod seed;
pub mod value;
