//! When a sowing can be cut and what it gives; no I/O.
