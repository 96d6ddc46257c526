//! The plain ln-likelihood of k of one walk with large counts, value by value.
//!
//! Sums over every j below a count of 10¹² are out of reach, and their closed forms lose digits against
//! each other. With z = x + k, u = (x − m)/(k + m) and δ(z) what Stirling's formula leaves of ln Γ(z),
//! ln L(k) − ln L(∞) = Σₓ [(k+m)·((1+u)ln(1+u) − u) − ½ ln(1 + x/k) + δ(z) − δ(k)], exactly (Loader 2000 gives
//! the like for a single probability): every part is small where the whole is.

use super::frequencies::Frequencies;
use super::likelihood::Alike;
use crate::special::{deviance_part, deviance_step, ln_1p_parts, stirling_rest, stirling_rest_slope};

/// A walk with large counts.
pub(super) struct LargeCounts {
    /// Its size and mean.
    pub own: Alike,
    /// E: twice the slope of ln L at w = 0, as the means are treated.
    pub excess: f64,
    /// Σ(x − m)².
    spread: f64,
    /// Distinct counts with their numbers of sites.
    values: Vec<(f64, f64)>,
}

impl LargeCounts {
    /// `excess` is n·E.
    pub fn new(walk: &Frequencies, excess: i128) -> Self {
        let sites = walk.sites() as f64;
        Self {
            own: Alike::one(walk),
            excess: excess as f64 / sites,
            spread: walk.squared_spread() as f64 / sites,
            values: walk.table().iter().map(|&(value, sites)| (value as f64, sites as f64)).collect(),
        }
    }

    fn sum(&self, part: impl Fn(f64) -> f64) -> f64 {
        self.values.iter().map(|&(x, sites)| sites * part(x)).sum()
    }

    /// d ln L/dw at k = 1/w, with `adjusted`·ln(1 + mw) added to ln L.
    pub fn slope(&self, k: f64, adjusted: f64) -> f64 {
        let (m, at_k) = (self.own.m, stirling_rest_slope(k));
        let share = m / (k + m);
        if k >= m {
            // The parts of first order are in E.
            let sum = self.sum(|x| {
                let u = (x - m) / (k + m);
                k * k * (stirling_rest_slope(x + k) - at_k + u * u * u * ln_1p_parts(u).1) - 0.5 * x * x / (x + k)
            });
            let rest = 0.5 * self.spread * share * (1.0 + k / (k + m));
            0.5 * self.excess - sum - rest - adjusted * m * share
        } else {
            let sum = self.sum(|x| {
                let u = (x - m) / (k + m);
                // ln(1+u) − u; where x ≪ m, 1 + u itself is exact only as a quotient.
                let bend = if u < -0.5 { libm::log((x + k) / (k + m)) - u } else { -u * u * ln_1p_parts(u).0 };
                k * (0.5 * x / (x + k) + k * (stirling_rest_slope(x + k) - at_k + bend))
            });
            adjusted * k * share - sum
        }
    }

    /// ln L at w = `to` less ln L at w = `from`.
    pub fn rise(&self, from: f64, to: f64) -> f64 {
        let (k0, k1) = (1.0 / from, 1.0 / to);
        // Below m^⅔ the parts of `step`, n·(k1 − k0)²/m, are smaller than those against Poisson, n·m/k.
        if k0.max(k1) > libm::cbrt(self.own.m * self.own.m) {
            self.above_poisson(k1) - self.above_poisson(k0)
        } else {
            self.step(k0, k1)
        }
    }

    fn above_poisson(&self, k: f64) -> f64 {
        if k == f64::INFINITY {
            return 0.0;
        }
        let (m, at_k) = (self.own.m, stirling_rest(k));
        self.sum(|x| deviance_part(x + k, k + m) - 0.5 * libm::log1p(x / k) + (stirling_rest(x + k) - at_k))
    }

    /// ln L(k1) − ln L(k0) for k ≪ m, where either is large against Poisson.
    fn step(&self, k0: f64, k1: f64) -> f64 {
        let (Alike { n, m, .. }, d) = (self.own, k1 - k0);
        let rest = |z: f64| stirling_rest(z + d) - stirling_rest(z) - 0.5 * libm::log1p(d / z);
        let at_k = rest(k0);
        let sum = self.sum(|x| {
            let (z, u) = (x + k0, (x - m) / (k0 + m));
            let bend = if u < -0.5 { libm::log(z / (k0 + m)) - u } else { -u * u * ln_1p_parts(u).0 };
            d * bend + deviance_step(z, d) + (rest(z) - at_k)
        });
        sum - n * deviance_step(k0 + m, d)
    }
}
