//! How the variance of the sites goes with the mean, over walks: the power law and the patchiness regression.
//!
//! - *Power law*: s² = a·mᵇ, by least squares of log₁₀ s² on log₁₀ m (Taylor 1961, Nature 189:732–735,
//!   doi:10.1038/189732a0).
//! - *Patchiness*: mean crowding m + s²/m − 1 = α + β·m, by least squares (Lloyd 1967, J. Anim. Ecol. 36:1–30,
//!   doi:10.2307/3012; Iwao 1968, Res. Popul. Ecol. 10:1–20, doi:10.1007/BF02514729).
//!
//! Variances have divisor n − 1. Walks that give no point are left out and counted. Both lines take the means as
//! known and all walks as equally sure, so that short walks flatten them; which law holds is better asked of
//! the likelihoods (`supported`). Limits are Student's.

use super::estimate::Why;
use super::frequencies::Frequencies;
use super::json::part;
use super::regression::{Line, line};
use crate::error::Error;
use crate::params::Level;
use serde::ser::{Serialize, SerializeMap, Serializer};

/// Walks that give no point, by reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct LeftOut {
    /// Of fewer than two sites.
    pub one_site: usize,
    /// Without any found.
    pub without_any: usize,
    /// With the same count at every site: variance 0.
    pub equal_counts: usize,
}

/// Variance against mean over walks.
#[derive(Debug, Clone, PartialEq)]
pub struct MeanVariance {
    /// log₁₀ s² = log₁₀ a + b·log₁₀ m.
    pub power_law: Result<Line, Why>,
    /// Walks left out of it.
    pub power_law_left_out: LeftOut,
    /// m + s²/m − 1 = α + β·m.
    pub patchiness: Result<Line, Why>,
    /// Walks left out of it: equal counts give a point here.
    pub patchiness_left_out: LeftOut,
    /// Least and largest mean of the walks with any found: beyond them the lines are guesses.
    pub means: Option<(f64, f64)>,
    /// Level of the limits.
    pub level: Level,
}

impl MeanVariance {
    /// a and b of the power law.
    #[must_use]
    pub fn a_and_b(&self) -> Option<(f64, f64)> {
        self.power_law.ok().map(|line| (libm::exp10(line.intercept.value), line.slope.value))
    }
}

/// The power law and the patchiness regression over walks.
///
/// # Errors
/// `not_converged` if a bounded search does not end: not known to happen.
///
/// ```
/// use stopline::{Level, dispersion::{Frequencies, mean_variance}};
/// let walks = [[0, 2, 1, 5], [1, 0, 0, 1], [9, 3, 2, 12], [0, 0, 0, 0]].map(|walk| Frequencies::of(&walk).unwrap());
/// let laws = mean_variance(&walks, Level::new(0.95)?)?;
/// assert_eq!((laws.power_law.unwrap().points, laws.power_law_left_out.without_any), (3, 1));
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn mean_variance(walks: &[Frequencies], level: Level) -> Result<MeanVariance, Error> {
    let mut left_out = LeftOut::default();
    let (mut logs, mut crowding) = (Vec::new(), Vec::new());
    let mut means: Option<(f64, f64)> = None;
    for walk in walks {
        let (Some(m), Some(s2)) = (walk.mean(), walk.variance()) else {
            left_out.one_site += 1;
            continue;
        };
        if m == 0.0 {
            left_out.without_any += 1;
            continue;
        }
        means = Some(means.map_or((m, m), |(low, high)| (low.min(m), high.max(m))));
        crowding.push((m, m + s2 / m - 1.0));
        if s2 == 0.0 {
            left_out.equal_counts += 1;
        } else {
            logs.push((libm::log10(m), libm::log10(s2)));
        }
    }
    Ok(MeanVariance {
        power_law: line(&logs, level)?,
        power_law_left_out: left_out,
        patchiness: line(&crowding, level)?,
        patchiness_left_out: LeftOut { equal_counts: 0, ..left_out },
        means,
        level,
    })
}

/// A line with the walks left out, and a besides log₁₀ a.
struct Shown<'a>(&'a Line, LeftOut, bool);

impl Serialize for Shown<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(line, left_out, is_power_law) = self;
        let (intercept, slope) = if *is_power_law { ("log10_a", "b") } else { ("alpha", "beta") };
        let mut map = serializer.serialize_map(None)?;
        if *is_power_law {
            map.serialize_entry("a", &libm::exp10(line.intercept.value))?;
        }
        map.serialize_entry(intercept, &line.intercept)?;
        map.serialize_entry(slope, &line.slope)?;
        map.serialize_entry("r_squared", &line.r_squared)?;
        map.serialize_entry("mean_square", &line.mean_square)?;
        map.serialize_entry("walks", &line.points)?;
        map.serialize_entry("left_out", left_out)?;
        map.end()
    }
}

impl Serialize for MeanVariance {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        let power_law =
            self.power_law.as_ref().map(|line| Shown(line, self.power_law_left_out, true)).map_err(|why| *why);
        let patchiness = self.patchiness.as_ref().map(|line| Shown(line, self.patchiness_left_out, false));
        part(&mut map, "power_law", &power_law)?;
        part(&mut map, "patchiness", &patchiness.map_err(|why| *why))?;
        map.serialize_entry("least_mean", &self.means.map(|means| means.0))?;
        map.serialize_entry("largest_mean", &self.means.map(|means| means.1))?;
        map.serialize_entry("level", &self.level)?;
        map.end()
    }
}
