//! What keeps absurd rules from costing anything.

/// Longest rule in characters.
pub const MOST_RULE_CHARACTERS: usize = 500;
/// Largest interval.
pub const MOST_INTERVAL: u16 = 1000;
/// Largest count.
pub const MOST_COUNT: usize = 10_000;
/// How long after its start a rule may end, in years.
pub const MOST_YEARS: i32 = 50;
/// Most times in one day.
pub const MOST_PER_DAY: usize = 24;
/// Most times that are given at once.
pub const MOST_AT_ONCE: usize = 1000;
/// Most times between the start of a rule and the time asked for; 11 years of every hour.
pub const MOST_EXAMINED: usize = 100_000;
/// Most times added to a rule, and most left out of it.
pub const MOST_DATES: usize = 500;
