//! The exact interval of a field's mean by the total of all its sites.

use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::params::{LARGEST_MEAN, Level, Mean};
use crate::plan::Design;
use crate::root::root;
use crate::score::{Score, Total};
use serde::Serialize;
use statrs::function::{beta::checked_beta_reg, gamma::checked_gamma_lr};

/// An interval of a mean per site, or of a share of positive units.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Between {
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Totals of fixed sites, by a share p from 0 to 1 with which they rise.
enum Totals {
    /// p = m/(1 + m).
    Poisson { sites: f64 },
    /// p = m/(k + m).
    NegBin { sites: f64, k: f64 },
    /// p is the share of positive units.
    Binomial { units: f64 },
}

impl Totals {
    fn of(design: &Design, sites: f64, total: f64) -> Option<Self> {
        match (&design.score, design.dispersion) {
            (Score::Count, Dispersion::Poisson) => Some(Self::Poisson { sites }),
            (Score::Count, dispersion) => {
                let k = dispersion.k(Mean::new((total / sites).max(1e-9)).ok()?)?.get();
                Some(Self::NegBin { sites, k })
            }
            (Score::Positive { units, .. }, Dispersion::Binomial) => {
                Some(Self::Binomial { units: sites * f64::from(*units) })
            }
            _ => None,
        }
    }

    /// P(total ≥ t).
    fn at_least(&self, t: f64, p: f64) -> f64 {
        let beta = |a, b| checked_beta_reg(a, b, p).unwrap_or(f64::NAN);
        match *self {
            Self::Poisson { sites } => checked_gamma_lr(t, sites * self.mean(p)).unwrap_or(f64::NAN),
            Self::NegBin { sites, k } => beta(t, sites * k),
            Self::Binomial { units } if t > units => 0.0,
            Self::Binomial { units } => beta(t, units - t + 1.0),
        }
    }

    fn mean(&self, p: f64) -> f64 {
        match self {
            Self::Poisson { .. } => p / (1.0 - p),
            Self::NegBin { k, .. } => k * p / (1.0 - p),
            Self::Binomial { .. } => p,
        }
    }

    /// The mean at which P(total ≥ t) is `level`.
    fn limit(&self, t: f64, level: f64) -> Result<f64, Error> {
        // Shares of 0 and 1 are no places to look.
        let ends = (f64::EPSILON, 1.0 - f64::EPSILON);
        let p = if self.at_least(t, ends.0) >= level {
            0.0
        } else if self.at_least(t, ends.1) <= level {
            1.0
        } else {
            root("interval of a mean", ends, 1e-14, |p| Ok(self.at_least(t, p) - level))?
        };
        Ok(self.mean(p).min(LARGEST_MEAN))
    }
}

/// The equal-tailed interval after `sites` fixed sites; `None` where the design has no law of one k for it.
pub(super) fn between(design: &Design, sites: u32, total: Total, level: Level) -> Result<Option<Between>, Error> {
    let t = total as f64;
    let Some(totals) = Totals::of(design, f64::from(sites), t) else { return Ok(None) };
    let tail = 0.5 * (1.0 - level.get());
    let low = if t > 0.0 { totals.limit(t, tail)? } else { 0.0 };
    Ok(Some(Between { low, high: totals.limit(t + 1.0, 1.0 - tail)? }))
}
