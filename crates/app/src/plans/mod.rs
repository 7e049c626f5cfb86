//! Sowing plans: what they are made from, how they are asked for, solved, explained and adopted.

pub mod compile;
mod days;
pub mod season;
mod standing;
