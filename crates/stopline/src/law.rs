//! The law of one site's step, and of a batch of sites: probabilities without loss of accuracy from
//! k ≪ 1 to the Poisson limit.
//!
//! A batch of g sites with NB(m, k) counts adds NB(g·m, g·k); Poisson and binomial steps add likewise.
//! Probabilities start from the most likely step, computed by the saddle-point form of Loader
//! (2000, "Fast and accurate computation of binomial probabilities"), and follow the exact ratio of
//! neighbours from there, so that neither far tails nor a huge mean lose digits or underflow early.
//!
//! Laws of one family differ only by an exponential tilt of the total: with ρ = odds ratio per enemy
//! and c per site, P_µ(path) = P_ref(path) · ρᵀ · cⁿ. [`Law::tilt_to`] gives ρ and c.
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // counts and modes: at least 0, at most 1e9 · sites

use crate::elementary::ln_1p;
use crate::error::{Code, Error};
use crate::params::{K, Mean, Share};
use crate::score::Total;
use crate::special::{deviance_part, stirling_rest};

/// Distribution of what one site adds to the total.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Law {
    /// Poisson with mean m.
    Poisson {
        /// Mean per site.
        mean: Mean,
    },
    /// Negative binomial with mean m and variance m + m²/k.
    NegBin {
        /// Mean per site.
        mean: Mean,
        /// Exponent.
        k: K,
    },
    /// Number of positive units out of `units`.
    Binomial {
        /// Probability that a unit is positive.
        p: Share,
        /// Units per site.
        units: u16,
    },
    /// Any distribution on `first`, `first + 1`, …; what is missing from 1 counts as mass above. Made by
    /// [`Law::table`].
    #[non_exhaustive]
    Table {
        /// Smallest step.
        first: Total,
        /// Probability of each step.
        p: Box<[f64]>,
    },
}

/// One or several laws of a step, weighted: an uncertain k gives several.
#[derive(Debug, Clone, PartialEq)]
pub struct Laws {
    /// Weight and law; the first is the nominal one.
    pub nodes: Vec<(f64, Law)>,
    /// How results under the nodes are put together.
    pub pool: Pool,
}

/// How results under several laws are put together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pool {
    /// Risks are the worst over the nodes; curves are shown at the first.
    Worst,
    /// Everything is averaged with the weights.
    Average,
}

impl Laws {
    /// A single law.
    #[must_use]
    pub fn one(law: Law) -> Self {
        Self { nodes: vec![(1.0, law)], pool: Pool::Average }
    }

    /// Mean of one site's step: averaged, or where results are the worst over the nodes, under the nominal one.
    #[must_use]
    pub fn mean(&self) -> f64 {
        match self.pool {
            Pool::Average => self.nodes.iter().map(|(weight, law)| weight * law.mean()).sum(),
            Pool::Worst => self.nodes.first().map_or(f64::NAN, |(_, law)| law.mean()),
        }
    }
}

/// Exponential change from one law to another of its family.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tilt {
    /// ln of the factor per unit of the total.
    pub ln_ratio: f64,
    /// ln of the factor per site.
    pub ln_site: f64,
}

/// Most steps a table may have, and how far from 0 they may be.
const LARGEST_TABLE: usize = 100_000;

impl Law {
    /// The law that gives `first`, `first + 1`, … these probabilities.
    ///
    /// # Errors
    /// `out_of_range` unless there are 1 to 100 000 probabilities that add to at most 1, of steps not
    /// further from 0 than that.
    pub fn table(first: Total, p: Vec<f64>) -> Result<Self, Error> {
        let refuse = |what: &str, value: String, allowed: &str| Err(Error::new(Code::OutOfRange, what, value, allowed));
        if p.is_empty() || p.len() > LARGEST_TABLE {
            return refuse("length of a law's table", p.len().to_string(), "1 to 100000");
        }
        if first.unsigned_abs() > LARGEST_TABLE as u64 {
            return refuse("first step of a law's table", first.to_string(), "-100000 to 100000");
        }
        if let Some(bad) = p.iter().find(|p| !(0.0..=1.0).contains(*p)) {
            return refuse("probability in a law's table", bad.to_string(), "0 to 1");
        }
        let sum: f64 = p.iter().sum();
        if sum > 1.0 + 1e-9 {
            return refuse("sum of a law's table", sum.to_string(), "at most 1");
        }
        Ok(Law::Table { first, p: p.into() })
    }

    /// Smallest step a site can add.
    #[must_use]
    pub fn first(&self) -> Total {
        match self {
            Law::Table { first, .. } => *first,
            _ => 0,
        }
    }

    /// Largest step of a batch of `sites`, where there is one.
    #[must_use]
    pub fn last(&self, sites: u32) -> Option<Total> {
        let one = match self {
            Law::Table { first, p } => first.saturating_add(Total::try_from(p.len()).unwrap_or(Total::MAX)) - 1,
            Law::Binomial { units, .. } => Total::from(*units),
            _ => return None,
        };
        Some(one.saturating_mul(Total::from(sites)))
    }

    /// The family of laws that differ from this by an exponential tilt only, and this law's parameter in it;
    /// `None` for a table, or where nothing is left to chance.
    pub(crate) fn family(&self) -> Option<(Family, f64)> {
        match self {
            Law::Poisson { mean } => Some((Family::Poisson, mean.get())),
            Law::NegBin { mean, k } => Some((Family::NegBin { k: k.get() }, mean.get())),
            Law::Binomial { p, units } => {
                let p = p.get();
                (p > 0.0 && p < 1.0).then(|| (Family::Binomial { units: f64::from(*units) }, p))
            }
            Law::Table { .. } => None,
        }
    }

    /// The tilt that turns this law into `other`; `None` where they are not of one family
    /// (another k, another number of units, a table).
    #[must_use]
    pub fn tilt_to(&self, other: &Law) -> Option<Tilt> {
        let ((family, from), (other, to)) = (self.family()?, other.family()?);
        (family == other).then(|| family.tilt(from, to))
    }

    /// Where there is no tilt to `other`, the linear function of the step nearest to the log likelihood ratio, by least
    /// squares under both laws alike; `None` unless both are tables of the same steps.
    #[must_use]
    pub(crate) fn nearest_tilt(&self, other: &Law) -> Option<Tilt> {
        let (Law::Table { first, p }, Law::Table { first: start, p: q }) = (self, other) else { return None };
        if first != start || p.len() != q.len() {
            return None;
        }
        let mut sums = [0.0; 5];
        for (x, (p, q)) in (*first..).zip(p.iter().zip(q)).filter(|(_, (p, q))| **p > 0.0 && **q > 0.0) {
            let (w, x, ln) = (p + q, x as f64, libm::log(q / p));
            for (sum, term) in sums.iter_mut().zip([1.0, x, ln, x * x, x * ln]) {
                *sum += w * term;
            }
        }
        let [n, x, ln, xx, x_ln] = sums;
        let ln_ratio = (n * x_ln - x * ln) / (n * xx - x * x);
        ln_ratio.is_finite().then(|| Tilt { ln_ratio, ln_site: (ln - ln_ratio * x) / n })
    }

    /// The law of the same family at another mean; `None` for a table.
    #[must_use]
    pub(crate) fn with_mean(&self, mean: f64) -> Option<Law> {
        match self {
            Law::Poisson { .. } => Some(Law::Poisson { mean: Mean::new(mean).ok()? }),
            Law::NegBin { k, .. } => Some(Law::NegBin { mean: Mean::new(mean).ok()?, k: *k }),
            Law::Binomial { units, .. } => {
                let p = mean / f64::from(*units);
                (p > 0.0 && p < 1.0).then(|| Share::new(p).ok().map(|p| Law::Binomial { p, units: *units }))?
            }
            Law::Table { .. } => None,
        }
    }

    /// Mean of one site's step.
    #[must_use]
    pub fn mean(&self) -> f64 {
        match self {
            Law::Poisson { mean } | Law::NegBin { mean, .. } => mean.get(),
            Law::Binomial { p, units } => p.get() * f64::from(*units),
            Law::Table { first, p } => {
                let mut step = *first as f64;
                p.iter()
                    .map(|p| {
                        let x = step * p;
                        step += 1.0;
                        x
                    })
                    .sum()
            }
        }
    }

    /// Variance of one site's step.
    #[must_use]
    pub fn variance(&self) -> f64 {
        match self {
            Law::Poisson { mean } => mean.get(),
            Law::NegBin { mean, k } => mean.get() + mean.get() * mean.get() / k.get(),
            Law::Binomial { p, units } => f64::from(*units) * p.get() * (1.0 - p.get()),
            Law::Table { first, p } => {
                let m = self.mean();
                let steps = (*first..).zip(p.iter());
                steps.map(|(x, p)| p * (x as f64 - m) * (x as f64 - m)).sum()
            }
        }
    }

    /// P(one site's step > `above`), by the regularised incomplete beta and gamma functions.
    pub(crate) fn more_than(&self, above: u32) -> f64 {
        use statrs::function::{beta::checked_beta_reg, gamma::checked_gamma_lr};
        let x = f64::from(above);
        match self {
            Law::Poisson { mean } if above == 0 => -libm::expm1(-mean.get()),
            Law::NegBin { mean, k } if above == 0 => -libm::expm1(-k.get() * libm::log1p(mean.get() / k.get())),
            Law::Poisson { mean } => checked_gamma_lr(x + 1.0, mean.get()).unwrap_or(f64::NAN),
            Law::NegBin { mean, k } => {
                let share = mean.get() / (mean.get() + k.get());
                checked_beta_reg(x + 1.0, k.get(), share).unwrap_or(f64::NAN)
            }
            Law::Binomial { .. } | Law::Table { .. } => f64::NAN,
        }
    }

    /// What [`Self::bulk`] takes, in multiply-adds, about.
    pub(crate) fn work_of_bulk(&self, sites: u32, len: f64) -> f64 {
        match self {
            Law::Table { p, .. } => {
                let sd = libm::sqrt(f64::from(sites) * self.variance());
                let followed = len.min(2.0 * NEGLIGIBLE_FROM * sd + p.len() as f64);
                // That of the last doubling and of all before, and as many sums of it and one site more.
                2.0 * followed * (followed + p.len() as f64)
            }
            _ => 4.0 * len,
        }
    }

    /// Probabilities that a batch of `sites` adds `sites·first`, `sites·first + 1`, …, `len` of them
    /// (fewer where the law ends before).
    pub(crate) fn batch(&self, sites: u32, len: usize, out: &mut Vec<f64>) {
        self.batch_from(0.0, sites, len, out);
    }

    /// The same for sums over many totals: those of a table that are as good as impossible are 0.
    pub(crate) fn bulk(&self, sites: u32, len: usize, out: &mut Vec<f64>) {
        self.batch_from(NEGLIGIBLE, sites, len, out);
    }

    /// The same, with probabilities of a table that are less than `least` not followed.
    fn batch_from(&self, least: f64, sites: u32, len: usize, out: &mut Vec<f64>) {
        out.clear();
        let g = f64::from(sites);
        match self {
            Law::Poisson { mean } => {
                let m = g * mean.get();
                fill(out, len, libm::floor(m), |x| poisson_pmf(x, m), |x| m / x);
            }
            Law::NegBin { mean, k } => {
                let (m, k) = (g * mean.get(), g * k.get());
                let theta = m / (k + m);
                let mode = libm::floor(((k - 1.0) * (m / k)).max(0.0));
                fill(out, len, mode, |x| neg_bin_pmf(x, m, k), |x| theta * (k + (x - 1.0)) / x);
            }
            Law::Binomial { p, units } => {
                let n = g * f64::from(*units);
                let p = p.get();
                let len = len.min(n as usize + 1);
                if p <= 0.0 || p >= 1.0 {
                    out.resize(len, 0.0);
                    let sure = if p <= 0.0 { 0 } else { n as usize };
                    if let Some(x) = out.get_mut(sure) {
                        *x = 1.0;
                    }
                    return;
                }
                let odds = p / (1.0 - p);
                fill(
                    out,
                    len,
                    libm::floor((n + 1.0) * p).min(n),
                    |x| binomial_pmf(x, n, p),
                    |x| odds * (n - x + 1.0) / x,
                );
            }
            Law::Table { p, .. } => {
                // A table has no closed form for a batch: by doubling, along the binary digits of its sites.
                out.extend(p.iter().take(len));
                for digit in (0..sites.max(1).ilog2()).rev() {
                    *out = convolved(out, out, len, least);
                    if sites >> digit & 1 == 1 {
                        *out = convolved(out, p, len, least);
                    }
                }
            }
        }
    }
}

/// A probability that changes no digit of a sum over totals.
const NEGLIGIBLE: f64 = 1e-60;
/// Standard deviations from the mean beyond which all are less where many sites are summed; an estimate of work only.
const NEGLIGIBLE_FROM: f64 = 17.0;

/// The first `len` probabilities of a sum of two, from those of each that are `least` or more.
fn convolved(a: &[f64], b: &[f64], len: usize, least: f64) -> Vec<f64> {
    let mut sum = vec![0.0; len.min((a.len() + b.len()).saturating_sub(1))];
    let followed = |p: &f64| *p >= least;
    let (Some(from), Some(last)) = (b.iter().position(followed), b.iter().rposition(followed)) else { return sum };
    for (i, a) in a.iter().enumerate().filter(|(_, a)| followed(a)) {
        for (sum, b) in sum.iter_mut().skip(i + from).zip(b.get(from..=last).unwrap_or_default()) {
            *sum += a * b;
        }
    }
    sum
}

/// Laws that differ by an exponential tilt only.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Family {
    /// By their mean.
    Poisson,
    /// By their mean, at one k.
    NegBin { k: f64 },
    /// By the share of positive units.
    Binomial { units: f64 },
}

impl Family {
    /// The tilt from parameter `r` to parameter `m`.
    #[inline(always)]
    pub fn tilt(self, r: f64, m: f64) -> Tilt {
        match self {
            Family::Poisson => Tilt { ln_ratio: ln_quotient(m, r, m - r), ln_site: r - m },
            Family::NegBin { k } => {
                let (above, below) = (m * ((k + r) / (k + m)), r);
                Tilt {
                    ln_ratio: ln_quotient(above, below, k * ((m - r) / (k + m))),
                    ln_site: k * ln_quotient(k + r, k + m, r - m),
                }
            }
            Family::Binomial { units } => Tilt {
                ln_ratio: ln_quotient(m * ((1.0 - r) / (1.0 - m)), r, (m - r) / (1.0 - m)),
                ln_site: units * ln_quotient(1.0 - m, 1.0 - r, r - m),
            },
        }
    }
}

/// ln(a/b) for positive a, b, given their difference to more digits than a − b has where they are close:
/// totals of 1e5 multiply its error.
#[inline(always)]
fn ln_quotient(a: f64, b: f64, difference: f64) -> f64 {
    let smaller = if difference < 0.0 { a } else { b };
    let ln = ln_1p(difference.abs() / smaller);
    if difference < 0.0 { -ln } else { ln }
}

/// Steps after which the recursion starts again from the closed form: its rounding grows with them.
const STRIDE: usize = 64;

/// Probabilities at 0, 1, …, from the most likely value outwards by `ratio(x) = P(x)/P(x−1)`.
fn fill(out: &mut Vec<f64>, len: usize, mode: f64, pmf: impl Fn(f64) -> f64, ratio: impl Fn(f64) -> f64) {
    if len == 0 {
        return;
    }
    out.resize(len, 0.0);
    // `mode` is at most 1e9 · sites; beyond `len` only the part below it is needed.
    let start = (mode as usize).min(len - 1);
    let (below, above) = out.split_at_mut(start);
    let mut x = start as f64;
    for chunk in above.chunks_mut(STRIDE) {
        let mut p = pmf(x);
        for o in chunk {
            *o = p;
            x += 1.0;
            p *= ratio(x);
        }
    }
    let mut x = start as f64;
    for chunk in below.rchunks_mut(STRIDE) {
        let mut p = pmf(x);
        for o in chunk.iter_mut().rev() {
            p /= ratio(x);
            *o = p;
            x -= 1.0;
        }
    }
}

/// P(X = x), Poisson with mean m, for whole x ≥ 0.
pub(crate) fn poisson_pmf(x: f64, m: f64) -> f64 {
    if x == 0.0 {
        return libm::exp(-m);
    }
    libm::exp(-stirling_rest(x) - deviance_part(x, m)) / libm::sqrt(core::f64::consts::TAU * x)
}

/// P(X = x) for the negative binomial with mean m and exponent k, for whole x ≥ 0.
fn neg_bin_pmf(x: f64, m: f64, k: f64) -> f64 {
    if x == 0.0 {
        return libm::exp(-k * libm::log1p(m / k));
    }
    if k < 1e-10 * x {
        // k → 0: P(x) → k·θˣ/x·(1 + m/k)^−k; the deviances below would lose k against x.
        return libm::exp(-k * libm::log1p(m / k) + x * libm::log(m / (k + m))) * k / x;
    }
    // Γ(x+k)/(Γ(k)x!)·qᵏθˣ, q = k/(k+m), with n = x + k: Loader's binomial form times k/n.
    let n = x + k;
    let (q, theta) = (k / (k + m), m / (k + m));
    let ln =
        stirling_rest(n) - stirling_rest(k) - stirling_rest(x) - deviance_part(k, n * q) - deviance_part(x, n * theta);
    libm::exp(ln) * libm::sqrt(k / (core::f64::consts::TAU * x * n))
}

/// P(X = x), binomial of n trials with probability p strictly inside (0, 1).
fn binomial_pmf(x: f64, n: f64, p: f64) -> f64 {
    if x == 0.0 {
        return libm::exp(n * libm::log1p(-p));
    }
    if x == n {
        return libm::exp(n * libm::log(p));
    }
    let ln = stirling_rest(n)
        - stirling_rest(x)
        - stirling_rest(n - x)
        - deviance_part(x, n * p)
        - deviance_part(n - x, n * (1.0 - p));
    libm::exp(ln) * libm::sqrt(n / (core::f64::consts::TAU * x * (n - x)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of so many sites that all but some thousands of totals are negligible: the mean and variance are those of a sum of
    /// sites, and the probabilities those of a binomial law where the table is one.
    #[test]
    fn bulk_of_a_table_is_that_of_a_sum_of_sites() {
        let table = |p: &[f64]| Law::Table { first: 0, p: p.into() };
        // Each site adds a rounding, at most.
        let rounding = |sites: u32| f64::from(sites) * f64::EPSILON;
        let mut batch = Vec::new();
        for (p, sites) in [(&[0.2, 0.3, 0.1, 0.4][..], 40_000), (&[0.9, 0.0, 0.1], 1000), (&[0.5, 0.5], 3)] {
            let law = table(p);
            law.bulk(sites, 4 * sites as usize, &mut batch);
            let moment =
                |of: &dyn Fn(f64) -> f64| batch.iter().zip(0..).map(|(p, x)| p * of(f64::from(x))).sum::<f64>();
            let mean = f64::from(sites) * law.mean();
            let variance = f64::from(sites) * law.variance();
            for found in [moment(&|_| 1.0), moment(&|x| x) / mean, moment(&|x| (x - mean) * (x - mean)) / variance] {
                assert!((found - 1.0).abs() < rounding(sites), "{sites} sites: {found}");
            }
        }
        let (units, sites) = (1, 5000);
        let binomial = Law::Binomial { p: Share::new(0.3).unwrap(), units };
        let mut exact = Vec::new();
        binomial.batch(sites, 5001, &mut exact);
        table(&[0.7, 0.3]).bulk(sites, 5001, &mut batch);
        assert!(batch.iter().zip(&exact).all(|(a, b)| (a - b).abs() < rounding(sites) * exact[1500]));
    }
}
