//! What a plan says of itself, beside what it decides.

use serde::{Deserialize, Serialize};

/// Free text that travels with a plan and never alters a decision.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct About {
    /// Short name of the plan.
    pub title: String,
    /// Crop it is for.
    pub crop: String,
    /// Growth stage it is for.
    pub stage: String,
    /// What is counted.
    pub counted: String,
    /// What one site is.
    pub site: String,
    /// How to walk.
    pub route: String,
    /// Where the calibration comes from.
    pub source: String,
    /// Anything else.
    pub notes: String,
}

/// The program that made a plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct MadeBy {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
}

impl Default for MadeBy {
    fn default() -> Self {
        Self { name: env!("CARGO_PKG_NAME").to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() }
    }
}
