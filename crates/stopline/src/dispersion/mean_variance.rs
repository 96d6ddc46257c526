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

use super::estimate::{Clumping, Why};
use super::frequencies::Frequencies;
use super::json::{part, value};
use super::regression::{Line, line};
use crate::error::{Code, Error};
use crate::params::{Level, Mean};
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
    /// k at means that were asked for ([`Fit::with_k_at`](super::Fit::with_k_at)).
    pub k_at: Vec<KAt>,
    /// Level of the limits.
    pub level: Level,
}

/// k at a mean, by the power law.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KAt {
    /// The mean.
    pub mean: f64,
    /// a·mᵇ there.
    pub variance: f64,
    /// m²/(a·mᵇ − m); Poisson where the variance is at most the mean.
    pub k: Clumping,
    /// The same at the limits of the line: low and high; infinite where it is Poisson.
    pub limits: [f64; 2],
    /// Whether walks have means around this one: beyond them the law is a guess.
    pub among_the_means: bool,
}

impl MeanVariance {
    /// With k at these means; without a power law there is none.
    #[must_use]
    pub fn with_k_at(mut self, means: &[Mean]) -> Self {
        self.k_at = means.iter().filter_map(|mean| self.at(*mean).ok()).collect();
        self
    }

    /// k at a mean by the power law: it moves with the mean, and there is none where the law's variance is at most the
    /// mean.
    ///
    /// # Errors
    /// Why there is no power law.
    pub fn at(&self, mean: Mean) -> Result<KAt, Why> {
        let m = mean.get();
        let at = self.power_law?.at(libm::log10(m));
        let k = |log_variance: f64| {
            let excess = libm::exp10(log_variance) - m;
            if excess > 0.0 { m * m / excess } else { f64::INFINITY }
        };
        let best = k(at.value);
        Ok(KAt {
            mean: m,
            variance: libm::exp10(at.value),
            k: if best.is_finite() { Clumping::Estimated(best) } else { Clumping::Poisson },
            limits: [k(at.high), k(at.low)],
            among_the_means: self.means.is_some_and(|(least, largest)| (least..=largest).contains(&m)),
        })
    }

    /// The power law alone, for sums that are no counts.
    pub(super) fn without_patchiness(&self) -> impl Serialize {
        Self { patchiness: Err(Why::NoCount), ..self.clone() }
    }

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
    of_points(walks.iter().map(|walk| (walk.mean(), walk.variance())), level)
}

/// The same from means and variances (divisor n − 1), `None` where it is missing.
///
/// # Errors
/// `out_of_range` for a mean or variance that is no number from 0, or a variance without a mean.
///
/// ```
/// use stopline::{Level, dispersion::mean_variance_of};
/// let laws = mean_variance_of(&[(1.0, Some(2.0)), (2.0, Some(6.0)), (4.0, Some(20.0))], Level::new(0.95)?)?;
/// assert!((laws.patchiness.unwrap().slope.value - 2.0).abs() < 1e-12); // mean crowding 2·m
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn mean_variance_of(points: &[(f64, Option<f64>)], level: Level) -> Result<MeanVariance, Error> {
    let allowed = |x: &f64| (0.0..1e15).contains(x);
    for (mean, variance) in points {
        if !allowed(mean) {
            return Err(Error::new(Code::OutOfRange, "mean", mean, "a number from 0"));
        }
        if let Some(v) = variance.filter(|v| !allowed(v) || (*mean == 0.0 && *v > 0.0)) {
            return Err(Error::new(Code::OutOfRange, "variance", v, "a number from 0, and 0 where the mean is 0"));
        }
    }
    of_points(points.iter().map(|(mean, variance)| (Some(*mean), *variance)), level)
}

pub(super) fn of_points(
    walks: impl Iterator<Item = (Option<f64>, Option<f64>)>,
    level: Level,
) -> Result<MeanVariance, Error> {
    let mut left_out = LeftOut::default();
    let (mut logs, mut crowding) = (Vec::new(), Vec::new());
    let mut means: Option<(f64, f64)> = None;
    for walk in walks {
        let (Some(m), Some(s2)) = walk else {
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
        k_at: Vec::new(),
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

impl Serialize for KAt {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("mean", &self.mean)?;
        map.serialize_entry("variance", &self.variance)?;
        value(&mut map, "k", self.k.k(), self.k.name())?;
        for (name, limit) in ["k_low", "k_high"].into_iter().zip(self.limits) {
            let finite = limit.is_finite();
            value(&mut map, name, finite.then_some(limit), if finite { "estimated" } else { "unbounded" })?;
        }
        map.serialize_entry("among_the_means", &self.among_the_means)?;
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
        if !self.k_at.is_empty() {
            map.serialize_entry("k_at", &self.k_at)?;
        }
        map.serialize_entry("level", &self.level)?;
        map.end()
    }
}
