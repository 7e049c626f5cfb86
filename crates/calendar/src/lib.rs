//! Time zones, daylight saving, opening hours, closures and ISO weeks; no I/O.
