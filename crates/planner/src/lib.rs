//! The sowing planner: problem, prices and bound, search, allotment to stations, independent check; no I/O.
