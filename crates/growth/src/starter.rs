//! A starter set of leafy greens and herbs, with the source of every figure.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::profile::CropProfile;

/// Source text of a trade habit that no publication was found for.
pub const COMMON_PRACTICE: &str = "common practice, no source";

/// Source text of a figure that was remembered and not looked up.
pub const FROM_MEMORY: &str = "from memory";

/// A crop to start with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StarterCrop {
    /// Generic name.
    pub name: String,
    /// Crop group: `salad greens`, `cooking greens` or `herbs`.
    pub group: String,
    /// Its profile.
    pub profile: CropProfile,
    /// Where each figure comes from, by field of the profile: a publication and its figure,
    /// [`COMMON_PRACTICE`] or [`FROM_MEMORY`].
    pub sources: BTreeMap<String, String>,
}

/// The starter set that was built in cannot be read.
#[derive(Debug, thiserror::Error)]
#[error("the starter crops cannot be read: {0}")]
pub struct StarterError(#[from] serde_json::Error);

/// Reads the starter set.
///
/// # Errors
///
/// [`StarterError`] when the data built in do not fit the types.
pub fn starter_crops() -> Result<Vec<StarterCrop>, StarterError> {
    Ok(serde_json::from_str(include_str!(
        "../data/starter_crops.json"
    ))?)
}

#[cfg(test)]
mod tests;
