//! The models of dispersion that a plan may be computed under.

use crate::error::{Code, Error};
use crate::law::{Law, Laws, Pool};
use crate::params::{K, Mean, Share};
use crate::score::Score;

/// How the counts of sites vary around their mean m.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Dispersion {
    /// Enemies fall independently: variance m.
    Poisson,
    /// Negative binomial with the same k at every mean: variance m + m²/k.
    ConstantK {
        /// Exponent.
        k: K,
    },
    /// Negative binomial with a k known only to lie in an interval; risks must hold for all of it.
    /// Made by [`Dispersion::k_interval`].
    #[non_exhaustive]
    KInterval {
        /// Best single value.
        k: K,
        /// Lower end.
        low: K,
        /// Upper end.
        high: K,
    },
    /// Negative binomial whose k varies from field to field, log-normally; risks hold on average.
    /// Made by [`Dispersion::k_spread`].
    #[non_exhaustive]
    KSpread {
        /// Median over fields.
        median: K,
        /// Standard deviation of ln k over fields.
        sd_log: f64,
    },
    /// Negative binomial with variance a·mᵇ (Taylor 1961), so that k = m²/(a·mᵇ − m); Poisson where
    /// the variance does not exceed the mean.
    /// Made by [`Dispersion::power_law`].
    #[non_exhaustive]
    PowerLaw {
        /// Variance at mean 1.
        a: f64,
        /// Exponent of the mean.
        b: f64,
    },
    /// Units are positive independently; the mean is the share of positive units.
    Binomial,
    /// The share P of positive units belongs to the mean by ln m = a + b·ln(−ln(1 − P)) (Kono & Sugino
    /// 1958; Gerrard & Chiang 1970), with normal scatter of ln m around the line from field to field; risks
    /// hold on average. Made by [`Dispersion::proportion`].
    #[non_exhaustive]
    Proportion {
        /// ln m where P = 1 − 1/e.
        a: f64,
        /// Slope of ln m.
        b: f64,
        /// Standard deviation of ln m around the line.
        scatter: f64,
    },
}

/// Nodes and weights of the 8-point Gauss–Hermite rule for a standard normal variable
/// (zeros of He₈; the upper half, the rule being symmetric). Abramowitz & Stegun 1964, table 25.10, rescaled.
const HERMITE_8: [(f64, f64); 4] = [
    (0.539_079_811_351_375_1, 0.373_012_257_679_077_4),
    (1.636_519_042_435_107_8, 0.117_239_907_661_759),
    (2.802_485_861_287_542, 0.009_635_220_120_788_264),
    (4.144_547_186_125_894, 0.000_112_614_538_375_368_3),
];

/// Values of k at which an interval of k is looked at, beside its best single value.
const INTERVAL_NODES: u32 = 15;

impl Dispersion {
    /// The model with an uncertain k in an interval.
    ///
    /// # Errors
    /// `combination` unless `low ≤ k ≤ high`.
    pub fn k_interval(k: K, low: K, high: K) -> Result<Self, Error> {
        if low <= k && k <= high {
            Ok(Self::KInterval { k, low, high })
        } else {
            Err(Error::new(
                Code::Combination,
                "k",
                k.get(),
                format!("from {} to {}, its own interval", low.get(), high.get()),
            ))
        }
    }

    /// The model with k log-normal over fields.
    ///
    /// # Errors
    /// `out_of_range` unless 0 ≤ `sd_log` ≤ 3.
    pub fn k_spread(median: K, sd_log: f64) -> Result<Self, Error> {
        if (0.0..=3.0).contains(&sd_log) {
            Ok(Self::KSpread { median, sd_log })
        } else {
            Err(Error::new(Code::OutOfRange, "sd_log", sd_log, "from 0 to 3"))
        }
    }

    /// The model with variance a·mᵇ.
    ///
    /// # Errors
    /// `out_of_range` unless 1e-3 ≤ a ≤ 1e3 and 0 ≤ b ≤ 4.
    pub fn power_law(a: f64, b: f64) -> Result<Self, Error> {
        if !(1e-3..=1e3).contains(&a) {
            return Err(Error::new(Code::OutOfRange, "a", a, "from 0.001 to 1000"));
        }
        if !(0.0..=4.0).contains(&b) {
            return Err(Error::new(Code::OutOfRange, "b", b, "from 0 to 4"));
        }
        Ok(Self::PowerLaw { a, b })
    }

    /// The empirical relation of the share of positive units to the mean.
    ///
    /// # Errors
    /// `out_of_range` unless −20 ≤ a ≤ 20, 0.05 ≤ b ≤ 10 and 0 ≤ `scatter` ≤ 3.
    pub fn proportion(a: f64, b: f64, scatter: f64) -> Result<Self, Error> {
        for (what, value, low, high) in [("a", a, -20.0, 20.0), ("b", b, 0.05, 10.0), ("scatter", scatter, 0.0, 3.0)] {
            if !(low..=high).contains(&value) {
                return Err(Error::new(Code::OutOfRange, what, value, format!("from {low} to {high}")));
            }
        }
        Ok(Self::Proportion { a, b, scatter })
    }

    /// Are its means shares of positive units, rather than means of counts?
    #[must_use]
    pub fn of_shares(&self) -> bool {
        matches!(self, Self::Binomial)
    }

    /// Variance of one site's count at mean `mean` (for an uncertain k, at its middle value; for
    /// shares, of one unit).
    #[must_use]
    pub fn variance(&self, mean: Mean) -> f64 {
        let m = mean.get();
        match *self {
            Self::Poisson => m,
            Self::ConstantK { k } | Self::KInterval { k, .. } | Self::KSpread { median: k, .. } => m + m * m / k.get(),
            Self::PowerLaw { a, b } => (a * libm::pow(m, b)).max(m),
            Self::Binomial => m * (1.0 - m).max(0.0),
            Self::Proportion { a, b, .. } => {
                let p = share_at(libm::log(m), a, b);
                p * (1.0 - p)
            }
        }
    }

    /// k at mean `mean`; `None` where counts are Poisson there or the model has no k.
    #[must_use]
    pub fn k(&self, mean: Mean) -> Option<K> {
        match *self {
            Self::Poisson | Self::Binomial | Self::Proportion { .. } => None,
            Self::ConstantK { k } | Self::KInterval { k, .. } | Self::KSpread { median: k, .. } => Some(k),
            Self::PowerLaw { a, b } => {
                let m = mean.get();
                let excess = a * libm::pow(m, b) - m;
                if excess > 0.0 { K::new(m * m / excess).ok() } else { None }
            }
        }
    }

    /// The one k of every mean (of an uncertain k, its middle value); `None` where there is none.
    #[must_use]
    pub const fn constant_k(&self) -> Option<K> {
        match *self {
            Self::ConstantK { k } | Self::KInterval { k, .. } | Self::KSpread { median: k, .. } => Some(k),
            Self::Poisson | Self::PowerLaw { .. } | Self::Binomial | Self::Proportion { .. } => None,
        }
    }

    /// The laws of one site's step at `mean`, and how they are pooled.
    ///
    /// # Errors
    /// `combination` where score and model do not fit; `out_of_range` where a share is not below 1.
    pub fn laws(&self, score: &Score, mean: Mean) -> Result<Laws, Error> {
        let neg_bin = |k: K| Law::NegBin { mean, k };
        match (score, *self) {
            (Score::Count, Self::Poisson) => Ok(Laws::one(Law::Poisson { mean })),
            (Score::Count, Self::ConstantK { k }) => Ok(Laws::one(neg_bin(k))),
            (Score::Count, Self::PowerLaw { .. }) => Ok(Laws::one(self.k(mean).map_or(Law::Poisson { mean }, neg_bin))),
            (Score::Count, Self::KInterval { k, low, high }) => {
                let mut nodes = vec![(1.0, neg_bin(k))];
                let ratio = libm::log(high.get() / low.get());
                for i in 0..INTERVAL_NODES {
                    let share = f64::from(i) / f64::from(INTERVAL_NODES - 1);
                    nodes.push((1.0, neg_bin(K::new(low.get() * libm::exp(ratio * share))?)));
                }
                Ok(Laws { nodes, pool: Pool::Worst })
            }
            (Score::Count, Self::KSpread { median, sd_log }) => {
                if sd_log == 0.0 {
                    return Ok(Laws::one(neg_bin(median)));
                }
                let mut nodes = Vec::with_capacity(2 * HERMITE_8.len());
                for (z, w) in HERMITE_8 {
                    for z in [-z, z] {
                        nodes.push((w, neg_bin(K::new(median.get() * libm::exp(sd_log * z))?)));
                    }
                }
                Ok(Laws { nodes, pool: Pool::Average })
            }
            (Score::Positive { units, .. }, Self::Binomial) => {
                if mean.get() >= 1.0 {
                    return Err(Error::new(
                        Code::OutOfRange,
                        "mean share of positive units",
                        mean.get(),
                        "more than 0 and less than 1",
                    ));
                }
                Ok(Laws::one(Law::Binomial { p: Share::new(mean.get())?, units: *units }))
            }
            (Score::Positive { units, .. }, Self::Proportion { a, b, scatter }) => {
                let at = |z: f64| positive(share_at(libm::log(mean.get()) + scatter * z, a, b), *units, mean);
                if scatter == 0.0 {
                    return Ok(Laws::one(at(0.0)?));
                }
                let mut nodes = Vec::with_capacity(2 * HERMITE_8.len());
                for (z, w) in HERMITE_8 {
                    for z in [-z, z] {
                        nodes.push((w, at(z)?));
                    }
                }
                Ok(Laws { nodes, pool: Pool::Average })
            }
            // A site whose count varies in this way adds the smaller of its count and the most.
            (Score::Capped { counted_to }, counts) if !matches!(counts, Self::Binomial | Self::Proportion { .. }) => {
                let Laws { nodes, pool } = counts.laws(&Score::Count, mean)?;
                let nodes = nodes.into_iter().map(|(w, law)| Ok((w, capped(&law, *counted_to)?)));
                Ok(Laws { nodes: nodes.collect::<Result<_, Error>>()?, pool })
            }
            // A unit whose count varies in this way is positive where it holds more than `above`.
            (Score::Positive { above, units }, counts) => {
                let Laws { nodes, pool } = counts.laws(&Score::Count, mean)?;
                let nodes = nodes.into_iter().map(|(w, law)| Ok((w, positive(law.more_than(*above), *units, mean)?)));
                Ok(Laws { nodes: nodes.collect::<Result<_, Error>>()?, pool })
            }
            _ => Err(Error::new(
                Code::Combination,
                "dispersion",
                self.name(),
                "poisson, constant_k, k_interval, k_spread or power_law for counts; for positive units also binomial or proportion",
            )),
        }
    }

    /// Enemies counted at a site of true mean `mean` until its score is known, on average (of an interval of k at its
    /// best single value): of positive units up to one more than the tally, or where no k tells how many that are, one a
    /// positive unit.
    ///
    /// # Errors
    /// As [`Self::laws`]; `out_of_range` for a tally of 10 000 or more.
    pub fn enemies_counted(&self, score: &Score, mean: Mean) -> Result<f64, Error> {
        match score.counted_to() {
            Some(most) if !matches!(self, Self::Binomial | Self::Proportion { .. }) => {
                Ok(score.units() * self.laws(&Score::capped(most)?, mean)?.mean())
            }
            _ => Ok(self.laws(score, mean)?.mean()),
        }
    }

    /// The name of the model in plan files.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Poisson => "poisson",
            Self::ConstantK { .. } => "constant_k",
            Self::KInterval { .. } => "k_interval",
            Self::KSpread { .. } => "k_spread",
            Self::PowerLaw { .. } => "power_law",
            Self::Binomial => "binomial",
            Self::Proportion { .. } => "proportion",
        }
    }
}

/// P of the relation at ln m: 1 − exp(−e^((ln m − a)/b)).
fn share_at(ln_mean: f64, a: f64, b: f64) -> f64 {
    -libm::expm1(-libm::exp((ln_mean - a) / b))
}

/// The law of a site with `units`, each positive with probability `p`.
fn positive(p: f64, units: u16, mean: Mean) -> Result<Law, Error> {
    if p > 0.0 && p < 1.0 {
        return Ok(Law::Binomial { p: Share::new(p)?, units });
    }
    let allowed = "one at which a unit may be positive or not";
    Err(Error::new(Code::OutOfRange, "mean of positive units", mean.get(), allowed))
}

/// The law of the smaller of a count and a most.
fn capped(law: &Law, counted_to: u32) -> Result<Law, Error> {
    let mut p = Vec::new();
    law.batch(1, counted_to as usize, &mut p);
    p.push(law.more_than(counted_to - 1));
    Law::table(0, p)
}
