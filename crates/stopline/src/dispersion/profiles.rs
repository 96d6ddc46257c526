//! The conditional likelihood of k of each walk, tabulated over ln k: for laws where k differs from walk to walk.
//!
//! Each walk's ln L given its total is smooth in ln k; it is tabulated in steps of 1/16 from k = 0.001 to 10⁵ and
//! interpolated by cubics through four points (error below 1e-5). Beyond 10⁵ it is proportional to 1/k,
//! 0 at the Poisson limit; below 0.001 it is taken as there.

use super::frequencies::Frequencies;
use super::likelihood::{Likelihood, Means};

/// Steps of ln k per unit.
pub(super) const STEPS: f64 = 16.0;
/// ln 0.001, rounded to a step.
pub(super) const LOWEST: f64 = -6.875;
/// Points of the table; the last is at ln k = 11.5.
pub(super) const POINTS: usize = 295;

/// ln k at a place of the table.
pub(super) fn ln_k(place: usize) -> f64 {
    LOWEST + place as f64 / STEPS
}

/// One walk's ln L over ln k, relative to the Poisson limit.
pub(super) struct Profile {
    /// Place of the walk among those given.
    pub walk: usize,
    /// Mean per site.
    pub mean: f64,
    /// ln L at each point.
    pub at: Vec<f64>,
}

impl Profile {
    /// ln L at k; infinity is the Poisson limit.
    pub fn ln_likelihood(&self, k: f64) -> f64 {
        let place = (libm::log(k) - LOWEST) * STEPS;
        let last = (self.at.len() - 1) as f64;
        if place >= last {
            return self.at.last().map_or(0.0, |end| end * libm::exp((last - place) / STEPS));
        }
        let first = (place.max(0.0) - 1.0).clamp(0.0, last - 3.0);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // from 0 to the end of the table
        let first = first as usize;
        let t = place.max(0.0) - first as f64;
        let Some(&[a, b, c, d]) = self.at.get(first..first + 4) else { return 0.0 };
        let (u, v, w) = (t - 1.0, t - 2.0, t - 3.0);
        -a * u * v * w / 6.0 + b * t * v * w / 2.0 - c * t * u * w / 2.0 + d * t * u * v / 6.0
    }
}

/// The profiles of all walks that tell something of k.
pub(super) fn profiles<'a>(walks: impl IntoIterator<Item = &'a Frequencies>) -> Vec<Profile> {
    let of = |(walk, table): (usize, &Frequencies)| {
        let likelihood = Likelihood::new([table], Means::Conditional);
        if likelihood.is_empty() {
            return None;
        }
        let at = (0..POINTS).map(|place| likelihood.rise(0.0, libm::exp(-ln_k(place)))).collect();
        Some(Profile { walk, mean: table.mean()?, at })
    };
    walks.into_iter().enumerate().filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_close_between_their_points() {
        let walk = Frequencies::of(&[0, 3, 1, 0, 8, 2, 2, 0, 5, 1, 1, 4]).unwrap();
        let table = &profiles([&walk])[0];
        let likelihood = Likelihood::new([&walk], Means::Conditional);
        for k in [0.002, 0.03, 0.4, 1.0, 1.234, 7.7, 650.0, 90_000.0, 3e5, 1e9] {
            let (got, want) = (table.ln_likelihood(k), likelihood.rise(0.0, 1.0 / k));
            assert!((got - want).abs() < 1e-5 * want.abs().max(1e-3), "{k}: {got} {want}");
        }
        assert_eq!(table.ln_likelihood(f64::INFINITY), 0.0);
    }
}
