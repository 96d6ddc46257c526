//! The plan file: JSON in and out, version 1.
//!
//! Every key is required, null where the contract allows it; unknown, repeated and missing keys are
//! refused. `digest` and `attained` may be absent together: then the file is a table typed in from a
//! paper and its risks are computed on load. Numbers are written so that they read back the same.

use super::about::{About, MadeBy};
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::value::RawValue;

#[cfg(feature = "schema")]
use schemars::JsonSchema;

pub(super) const FORMAT: &str = "stopline/plan";
pub(super) const VERSION: u32 = 1;

/// A key that must be there, though its value may be null (serde lets a missing `Option` pass).
pub(crate) fn required<'de, D: Deserializer<'de>, T: Deserialize<'de>>(d: D) -> Result<Option<T>, D::Error> {
    Option::deserialize(d)
}

/// What is read before anything else, to tell another format or version from a broken file.
#[derive(Deserialize)]
pub(super) struct Head {
    pub format: Option<String>,
    pub version: Option<u32>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct PlanFile {
    pub format: String,
    pub version: u32,
    pub score: ScoreWire,
    pub site: SiteWire,
    pub dispersion: DispersionWire,
    pub aim: AimWire,
    pub checks: ChecksWire,
    pub closing: ClosingWire,
    pub method: MethodWire,
    pub lines: Vec<LineWire>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attained: Option<AttainedWire>,
    #[serde(deserialize_with = "required")]
    pub proof: Option<ProofWire>,
    pub about: About,
    #[cfg_attr(feature = "schema", schemars(with = "serde_json::Map<String, serde_json::Value>"))]
    pub host: Box<RawValue>,
    pub made_by: MadeBy,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub digest: Option<String>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(tag = "of", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum ScoreWire {
    Count {},
    Capped { counted_to: u32 },
    Positive { above: u32, units: u16 },
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct SiteWire {
    pub plants: u16,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(tag = "model", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum DispersionWire {
    Poisson {},
    ConstantK { k: f64 },
    KInterval { k: f64, low: f64, high: f64 },
    KSpread { median: f64, sd_log: f64 },
    PowerLaw { a: f64, b: f64 },
    Binomial {},
    Proportion { a: f64, b: f64, scatter: f64 },
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum AimWire {
    TwoCalls {
        #[serde(deserialize_with = "required")]
        thresholds: Option<ThresholdsWire>,
        #[serde(deserialize_with = "required")]
        risks: Option<RisksWire>,
    },
    ThreeCalls {
        lower: PairWire,
        upper: PairWire,
    },
    Interval {
        critical: f64,
        confidence: f64,
        sides: SidesWire,
    },
    Precision {
        se_over_mean: f64,
    },
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct PairWire {
    pub thresholds: ThresholdsWire,
    pub risks: RisksWire,
}

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(rename_all = "snake_case")]
pub(super) enum SidesWire {
    One,
    Two,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct ThresholdsWire {
    pub inadequate: f64,
    pub adequate: f64,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct RisksWire {
    pub false_adequate: f64,
    pub false_inadequate: f64,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(untagged, expecting = "checks are {min_sites, max_sites, every} or {at: [sites, …]}")]
pub(super) enum ChecksWire {
    Every(EveryWire),
    At(AtWire),
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct EveryWire {
    pub min_sites: u32,
    pub max_sites: u32,
    pub every: u32,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct AtWire {
    pub at: Vec<u32>,
}

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(rename_all = "snake_case")]
pub(super) enum ClosingWire {
    Call,
    Undecided,
}

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(rename_all = "snake_case")]
pub(super) enum MethodWire {
    Wald,
    Calibrated,
    Optimal,
    Converging,
    Fixed,
    Curtailed,
    TwoStage,
    TwoStageMinimax,
    Nominal,
    Tuned,
    Given,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(untagged, expecting = "a line has sites and, each once, the totals of its kind of plan (a total or null)")]
pub(super) enum LineWire {
    TwoCalls(TwoCallsLine),
    ThreeCalls(ThreeCallsLine),
    Precision(PrecisionLine),
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct TwoCallsLine {
    pub sites: u32,
    #[serde(deserialize_with = "required")]
    pub inadequate_at_most: Option<i64>,
    #[serde(deserialize_with = "required")]
    pub adequate_at_least: Option<i64>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct ThreeCallsLine {
    pub sites: u32,
    #[serde(deserialize_with = "required")]
    pub inadequate_at_most: Option<i64>,
    #[serde(deserialize_with = "required")]
    pub marginal_from: Option<i64>,
    #[serde(deserialize_with = "required")]
    pub marginal_to: Option<i64>,
    #[serde(deserialize_with = "required")]
    pub adequate_at_least: Option<i64>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct PrecisionLine {
    pub sites: u32,
    #[serde(deserialize_with = "required")]
    pub enough_at_least: Option<i64>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(tag = "how", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum AttainedWire {
    Exact {
        rows: Vec<AttainedRowWire>,
        /// Only for plans made for sites that are alike.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        alike: Option<AlikeWire>,
    },
}

/// The risks where sites of a run, or of the whole walk, have a share of their extra-Poisson variance in common.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct AlikeWire {
    pub shared: f64,
    #[serde(deserialize_with = "required")]
    pub run: Option<u32>,
    pub rows: Vec<AttainedRowWire>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct AttainedRowWire {
    pub mean: f64,
    pub call: CallWire,
    pub p: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(rename_all = "snake_case")]
pub(super) enum CallWire {
    Inadequate,
    Marginal,
    Adequate,
}

/// What recomputing the bound of an optimal plan takes.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct ProofWire {
    pub objective: ObjectiveWire,
    pub at: Vec<WeightWire>,
    pub multipliers: RisksWire,
    /// Only for plans that may end undecided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub undecided: Option<UndecidedWire>,
    pub value: f64,
    pub bound: f64,
}

/// How staying undecided is bounded: at which means, with which multipliers.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct UndecidedWire {
    pub at_most: f64,
    pub at: Vec<MultiplierWire>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct MultiplierWire {
    pub mean: f64,
    pub multiplier: f64,
}

#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(rename_all = "snake_case")]
pub(super) enum ObjectiveWire {
    LargestExpectedSites,
    ExpectedSites,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(JsonSchema))]
#[serde(deny_unknown_fields)]
pub(super) struct WeightWire {
    pub mean: f64,
    pub weight: f64,
}
