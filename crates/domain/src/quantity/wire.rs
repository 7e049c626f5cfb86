//! The form in which a quantity crosses the edge.

use serde::{Deserialize, Serialize};

/// A decimal string with a UCUM unit, not yet checked: `{"value":"1.5","unit":"kg"}`.
///
/// A string, because a JSON number would pass through binary floating point on the way.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QuantityText {
    /// A plain decimal number such as `1.5`.
    pub value: String,
    /// A UCUM code such as `kg`.
    pub unit: String,
}
