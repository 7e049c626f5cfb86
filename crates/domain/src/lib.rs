//! Words, quantities, roles and rules that every other crate shares; no I/O.
