//! What simulated walks come to, with Monte-Carlo standard errors.
//!
//! Shares of walks have the error √(p(1 − p)/n), with p = (x + 1)/(n + 2) for x of n walks: it is not 0 where a call
//! that can be made was never seen. The error of the standard deviation of the sites is that of large samples,
//! √((μ₄ − σ⁴)/n)/(2σ); that of a quantile is half the way between the quantiles one error of its share below and above.

use super::lockstep::CALLS;
use super::source::Origin;
use crate::dispersion::Dispersion;
use crate::lines::{Call, Lines};
use crate::params::K;
use crate::plan::Digest;
use serde::ser::{Serialize, SerializeMap, SerializeStruct, Serializer};

/// A simulated number and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The number.
    pub value: f64,
    /// Its Monte-Carlo standard error.
    pub se: f64,
}

impl Estimate {
    /// A share of `n` that was seen `x` times.
    pub(crate) fn share(x: u64, n: u64) -> Self {
        let n = n as f64;
        let p = (x as f64 + 1.0) / (n + 2.0);
        Self { value: x as f64 / n, se: libm::sqrt(p * (1.0 - p) / n) }
    }
}

/// What simulated walks come to at one mean.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedRow {
    /// True mean per site.
    pub mean: f64,
    /// Share of walks called adequate.
    pub adequate: Estimate,
    /// Share called inadequate.
    pub inadequate: Estimate,
    /// Share called marginal.
    pub marginal: Estimate,
    /// Share stopped because enough was counted.
    pub enough: Estimate,
    /// Share that reached the cap without a call.
    pub undecided: Estimate,
    /// Mean number of sites.
    pub expected_sites: Estimate,
    /// Standard deviation of the number of sites.
    pub sites_sd: Estimate,
    /// Smallest n that at least half of the walks stopped by.
    pub sites_p50: u32,
    /// Its standard error.
    pub sites_p50_se: f64,
    /// Smallest n that at least 90 % of the walks stopped by.
    pub sites_p90: u32,
    /// Its standard error.
    pub sites_p90_se: f64,
    /// Share that took all sites up to the cap.
    pub at_cap: Estimate,
}

/// An evaluation by simulated walks. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// Digest of the plan.
    pub plan: Digest,
    /// The dispersion that was taken to be true.
    pub under: Dispersion,
    /// Where the counts came from.
    pub source: Origin,
    /// Walks at each mean.
    pub walks: u64,
    /// What the random numbers were made from.
    pub seed: u64,
    /// One row a mean, in the order asked.
    pub rows: Vec<SimulatedRow>,
}

impl SimulatedRow {
    /// Share of walks with this call.
    #[must_use]
    pub const fn p(&self, call: Call) -> Estimate {
        match call {
            Call::Inadequate => self.inadequate,
            Call::Marginal => self.marginal,
            Call::Adequate => self.adequate,
            Call::Enough => self.enough,
            Call::Undecided => self.undecided,
        }
    }

    /// The row of what was called at each check of `walks` walks.
    pub(super) fn of(lines: &Lines, mean: f64, walks: u64, counts: &[u64]) -> Self {
        let n = walks as f64;
        let rows = lines.rows();
        let share = |x: u64, possible: bool| {
            let found = Estimate::share(x, walks);
            Estimate { se: if possible { found.se } else { 0.0 }, ..found }
        };
        let called = |call: Call| {
            let x = counts.iter().skip(call.index()).step_by(CALLS).sum();
            share(x, rows.iter().any(|row| row.stops.iter().any(|stop| stop.call == call)))
        };
        let stopped: Vec<(u32, u64)> =
            rows.iter().zip(counts.chunks(CALLS)).map(|(row, counts)| (row.at, counts.iter().sum())).collect();
        let moment = |power: i32, centre: f64| -> f64 {
            stopped.iter().map(|&(at, x)| x as f64 * (0..power).fold(1.0, |y, _| y * (f64::from(at) - centre))).sum()
        };
        let expected = moment(1, 0.0) / n;
        let variance = moment(2, expected) / (n - 1.0);
        let sd = libm::sqrt(variance);
        let spread = (moment(4, expected) / n - variance * variance).max(0.0);
        let quantile = |share: f64| {
            let mut below = 0;
            let reached = stopped.iter().find(|&&(_, x)| {
                below += x;
                below as f64 >= share * n
            });
            reached.map_or(lines.cap(), |&(at, _)| at)
        };
        let quantile_se = |share: f64| {
            let error = libm::sqrt(share * (1.0 - share) / n);
            0.5 * f64::from(quantile((share + error).min(1.0)) - quantile((share - error).max(0.0)))
        };
        Self {
            mean,
            adequate: called(Call::Adequate),
            inadequate: called(Call::Inadequate),
            marginal: called(Call::Marginal),
            enough: called(Call::Enough),
            undecided: called(Call::Undecided),
            expected_sites: Estimate { value: expected, se: libm::sqrt(variance / n) },
            sites_sd: Estimate { value: sd, se: if sd > 0.0 { libm::sqrt(spread / n) / (2.0 * sd) } else { 0.0 } },
            sites_p50: quantile(0.5),
            sites_p50_se: quantile_se(0.5),
            sites_p90: quantile(0.9),
            sites_p90_se: quantile_se(0.9),
            at_cap: share(stopped.last().map_or(0, |&(_, x)| x), rows.len() > 1),
        }
    }
}

impl Serialize for Simulated {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Simulated", 11)?;
        object.serialize_field("format", "stopline/evaluation")?;
        object.serialize_field("version", &1)?;
        object.serialize_field("plan", self.plan.as_str())?;
        object.serialize_field("dispersion", self.under.name())?;
        object.serialize_field("k", &self.under.constant_k().map(K::get))?;
        object.serialize_field("exact", &false)?;
        object.serialize_field("source", &self.source)?;
        object.serialize_field("walks", &self.walks)?;
        object.serialize_field("seed", &self.seed)?;
        object.serialize_field("even_mean", &None::<f64>)?;
        object.serialize_field("rows", &self.rows)?;
        object.end()
    }
}

impl Serialize for SimulatedRow {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_map(None)?;
        object.serialize_entry("mean", &self.mean)?;
        macro_rules! estimates {
            ($($name:ident $se:literal)*) => {$(
                object.serialize_entry(stringify!($name), &self.$name.value)?;
                object.serialize_entry($se, &self.$name.se)?;
            )*};
        }
        estimates! { adequate "adequate_se" inadequate "inadequate_se" undecided "undecided_se" }
        // Only of plans that can make these calls: then their error is not 0.
        if self.marginal.se > 0.0 {
            estimates! { marginal "marginal_se" }
        }
        if self.enough.se > 0.0 {
            estimates! { enough "enough_se" }
        }
        estimates! { expected_sites "expected_sites_se" sites_sd "sites_sd_se" }
        object.serialize_entry("sites_p50", &self.sites_p50)?;
        object.serialize_entry("sites_p50_se", &self.sites_p50_se)?;
        object.serialize_entry("sites_p90", &self.sites_p90)?;
        object.serialize_entry("sites_p90_se", &self.sites_p90_se)?;
        estimates! { at_cap "at_cap_se" }
        object.end()
    }
}
