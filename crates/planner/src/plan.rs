//! The plan the planner writes: `planning-plan/1`.

use serde::{Deserialize, Serialize};

use crate::problem::Sowing;

/// The value of [`Plan::format`].
pub const PLAN_FORMAT: &str = "planning-plan/1";

/// Sowings and purchases that answer a problem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Always [`PLAN_FORMAT`].
    pub format: String,
    /// Name of the problem it answers.
    pub problem: String,
    /// What is sown where and when, and when it is cut.
    pub sowings: Vec<Sowing>,
    /// What is bought when.
    #[serde(default)]
    pub purchases: Vec<Purchase>,
    /// Points; smaller is better.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub objective: Option<f64>,
    /// Proven lower bound in points.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bound: Option<f64>,
    /// Time spent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seconds: Option<f64>,
    /// Seed of the search.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seed: Option<u64>,
}

/// Units of a consumable that arrive in a week.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Purchase {
    /// Consumable id.
    pub consumable: String,
    /// Week index.
    pub week: usize,
    /// More than 0.
    pub units: i64,
}
