//! How precisely counts tell k: the zero-class estimate, standard errors, and what the simple estimates lose.
//!
//! The information on k of one site, with its mean fitted by the sample mean (its cross term with k is 0
//! there), is −d² ln L/dk² = Σⱼ P(X > j)/(k+j)² − m/(k(k+m)): *observed* with the shares of the sites
//! above j, *expected* with their probabilities (Fisher 1941, Ann. Eugen. 11:182–187; Bliss & Fisher 1953,
//! Biometrics 9:176–200). Both parts are of order m/k² and their difference of order m²/k⁴, so it is summed
//! in the form in which they have been subtracted: no digits are lost at k = 10⁹.
//!
//! Efficiencies are those of long series of sites (Anscombe 1950, Biometrika 37:358–382,
//! doi:10.1093/biomet/37.3-4.358). A standard error says little where the interval is lopsided: with few
//! sites look at the profile interval.

use super::estimate::{Clumping, Why, nothing_found};
use super::frequencies::Frequencies;
use super::probabilities::Probabilities;
use crate::error::Error;
use crate::params::{K, Mean};
use crate::root::smooth_root;
use crate::special::stirling_rest_bend;

/// Share of the information in the sites that a simple estimate of k uses, in long series of sites.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Efficiency {
    /// Of k by moments, m²/(s² − m).
    pub moments: f64,
    /// Of k by the share of sites without any.
    pub zero_class: f64,
}

/// Efficiency of the simple estimates at mean m and exponent k, against maximum likelihood.
///
/// n·Var is 2k(k+1)(m+k)²/m² by moments and (1/p₀ − 1 − km/(k+m))/(ln(1+m/k) − m/(k+m))² by the share
/// p₀ = (1+m/k)^−k of sites without any.
///
/// # Errors
/// [`Why::TooLarge`] where the mean or its spread is too large for a table of probabilities.
///
/// ```
/// use stopline::{K, Mean, dispersion::efficiency};
/// let at = efficiency(Mean::new(10.0)?, K::new(1.0)?).unwrap();
/// assert!((at.moments - 0.499).abs() < 5e-4 && (at.zero_class - 0.589).abs() < 5e-4);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn efficiency(mean: Mean, k: K) -> Result<Efficiency, Why> {
    let (m, k) = (mean.get(), k.get());
    Ok(efficiency_with(m, k, expected(m, k)?))
}

fn efficiency_with(m: f64, k: f64, best: f64) -> Efficiency {
    let share = m / (m + k);
    let moments = share * share / (2.0 * k * (k + 1.0) * best);
    Efficiency { moments, zero_class: zeros_terms(m, k, best).1 }
}

/// 1/p₀ − 1 − km/(k+m), and the efficiency of the estimate by empty sites, `best` being the information.
fn zeros_terms(m: f64, k: f64, best: f64) -> (f64, f64) {
    let share = m / (m + k);
    let zeros = libm::expm1(k * libm::log1p(m / k)) - k * share;
    let slope = libm::log1p(m / k) - share;
    // With a large mean no site is empty.
    (zeros, if zeros < 1e300 { slope * slope / (zeros * best) } else { 0.0 })
}

/// Standard deviation of (sites without any − those expected)/√n, m and k being fitted: that of the
/// share of empty sites less what m and k by maximum likelihood explain of it.
pub(super) fn zeros_sd(m: f64, k: f64) -> Result<f64, Why> {
    let (zeros, efficiency) = zeros_terms(m, k, expected(m, k)?);
    let left = 1.0 - efficiency;
    // Below, the difference is lost in rounding.
    if left < 1e-6 {
        return Err(Why::ZerosTellK);
    }
    Ok(libm::exp(-k * libm::log1p(m / k)) * libm::sqrt(zeros * left))
}

/// Expected information on k of one site.
fn expected(m: f64, k: f64) -> Result<f64, Why> {
    let probabilities = Probabilities::new(m, k)?;
    Ok(information(m, k, m * m / k, (0..).zip(probabilities.at)))
}

/// From this many counts on, sums over all counts below one are not taken.
const LARGEST_SUMMED: u64 = 1_000_000;

/// Information on k of one site whose counts, rising, have these weights of sum 1; `excess` is their
/// variance less their mean m.
fn information(m: f64, k: f64, excess: f64, weights: impl Iterator<Item = (u64, f64)>) -> f64 {
    let cube = k * k * k;
    let mut sum = 0.0;
    if k >= m {
        // Σ_{j<x} [2j/k³ + 1/(k+j)² − 1/k²], kept up from count to count.
        let (mut below, mut next) = (0.0, 0);
        for (x, weight) in weights {
            if x > LARGEST_SUMMED {
                let x = x as f64;
                below = x * (x - 1.0) / cube - x / (k * k) + trigamma_fall(k, x);
            } else {
                while next < x {
                    let j = next as f64;
                    below += j * j * (3.0 * k + 2.0 * j) / (cube * (k + j) * (k + j));
                    next += 1;
                }
            }
            sum += weight * below;
        }
        sum - (excess + m * m * m / (k + m)) / cube
    } else {
        let both = (k + m) * (k + m);
        for (x, weight) in weights {
            let (x, z) = (x as f64, x as f64 + k);
            let half = 0.5 * (x / (k * k)) * ((k + z) / (z * z));
            let rest = stirling_rest_bend(k) - stirling_rest_bend(z);
            sum += weight * (half + rest - (x - m) * (x - m) / (z * both));
        }
        sum
    }
}

/// ψ′(k) − ψ′(k+x), ψ′ the trigamma function: Σ 1/(k+j)² over j below x.
fn trigamma_fall(k: f64, x: f64) -> f64 {
    let z = k + x;
    x / (k * z) + 0.5 * (x / (k * k)) * ((k + z) / (z * z)) + (stirling_rest_bend(k) - stirling_rest_bend(z))
}

fn standard_error(sites: f64, information: f64) -> Result<f64, Why> {
    // A count so large that its information is lost in rounding.
    if information > 0.0 { Ok(1.0 / libm::sqrt(sites * information)) } else { Err(Why::TooLarge) }
}

impl Frequencies {
    /// k by the share p₀ of sites without any, (1 + m/k)^−k = p₀, for comparison. It is infinite where
    /// no more sites are empty than e^−m.
    ///
    /// # Errors
    /// `not_converged` if a bounded search does not end: not known to happen.
    ///
    /// ```
    /// use stopline::dispersion::{Clumping, Frequencies};
    /// let k = Frequencies::from_table([(0, 2), (2, 2)])?.k_zero_class()?; // (1 + 1/k)^−k = ½ at k = 1
    /// assert!((k.k().unwrap() - 1.0).abs() < 1e-12);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn k_zero_class(&self) -> Result<Clumping, Error> {
        if let Some(why) = nothing_found(&[self]).or((self.sites() == 1).then_some(Why::OneSite)) {
            return Ok(Clumping::Undefined(why));
        }
        let (sites, zeros) = (self.sites() as f64, (self.sites() - self.sites_with_any()) as f64);
        if zeros == 0.0 {
            return Ok(Clumping::Undefined(Why::NoEmptySite));
        }
        let m = self.sum() as f64 / sites;
        // With v = m/k and y = ln(1+v): y/v = ln(1/p₀)/m.
        let share = -libm::log(zeros / sites) / m;
        if share >= 1.0 {
            return Ok(Clumping::Poisson);
        }
        let f = |y: f64| y / libm::expm1(y) - share;
        let (mut low, mut high) = (0.0, 1.0);
        let mut at_low = 1.0 - share;
        while f(high) > 0.0 {
            (low, at_low) = (high, f(high));
            high *= 2.0;
        }
        let y = smooth_root("k by the zero class", (low, at_low), (high, f(high)), 1e-16, f)?;
        Ok(Clumping::Estimated(m / libm::expm1(y)))
    }

    /// Standard error of the k by maximum likelihood, from the observed information at `k`.
    ///
    /// # Errors
    /// [`Why::TooLarge`] where rounding hides it.
    pub fn se_observed(&self, k: f64) -> Result<f64, Why> {
        let (sites, m) = (self.sites() as f64, self.mean().unwrap_or(0.0));
        let weights = self.table().iter().map(|&(x, number)| (x, number as f64 / sites));
        standard_error(sites, information(m, k, self.excess() as f64 / (sites * sites), weights))
    }

    /// Standard error of the k by maximum likelihood from the expected information at `k`, and what the
    /// simple estimates would use of it, were `k` true.
    ///
    /// # Errors
    /// [`Why::TooLarge`] where the mean or its spread is too large for a table of probabilities.
    pub fn se_expected(&self, k: f64) -> Result<(f64, Efficiency), Why> {
        let m = self.mean().unwrap_or(0.0);
        let best = expected(m, k)?;
        Ok((standard_error(self.sites() as f64, best)?, efficiency_with(m, k, best)))
    }
}
