//! Tests only; see all.rs.
