//! Where the likelihood of k is largest, and the interval around it where it is nearly so.
//!
//! Both are sought over y = ln(1 + m·w), w = 1/k: like w near the Poisson limit, like −ln k for strong
//! clumping. The balance of the two parts of the score, and the root of the fall of ln L below its peak,
//! are nearly straight in y, so that a few secants do. A single walk's plain likelihood has one peak at most
//! (Simonsen 1976, Scand. Actuar. J. 1976:220–231), at a finite k exactly where E > 0. Several walks may have
//! more (one even, dense walk beside many sparse clumped ones): those are looked for on a grid.

use super::likelihood::Likelihood;
use crate::error::{Code, Error};
use crate::root::smooth_root;

/// Relative accuracy of y: below its roundings.
const ACCURACY: f64 = 1e-16;
/// Most doublings or halvings of a search outwards: the whole range of numbers.
const MOST_STEPS: u32 = 2100;

impl Likelihood {
    /// w of the only peak of a single walk's plain likelihood, 0 for the Poisson limit; sought from `start` > 0.
    pub fn only_peak(&self, start: f64) -> Result<f64, Error> {
        let at_poisson = self.balance(0.0);
        if at_poisson <= 0.0 {
            return Ok(0.0);
        }
        let mut low = (0.0, at_poisson);
        let mut w = start;
        for _ in 0..MOST_STEPS {
            let here = (w, self.balance(w));
            if here.1 <= 0.0 {
                return self.turn_between(low, here);
            }
            low = here;
            w *= 2.0;
        }
        Err(unsettled(start))
    }

    /// w of the highest peak, 0 for the Poisson limit.
    pub fn highest_peak(&self) -> Result<f64, Error> {
        let mut before = (0.0, self.balance(0.0));
        // Where ln L rises from the Poisson limit on, that is no peak, however little is to be gained.
        let mut best = if before.1 > 0.0 { None } else { Some(0.0) };
        // Up to the first w no count feels more than the beginning of the clumping: one peak at most.
        let mut w = 0.01 / self.largest().max(1.0);
        // Beyond the last only the number of sites with any still counts, and ln L falls.
        let last = 1e3 * self.sites();
        for _ in 0..MOST_STEPS {
            let here = (w, self.balance(w));
            if before.1 > 0.0 && here.1 <= 0.0 {
                let peak = self.turn_between(before, here)?;
                if best.is_none_or(|best| self.rise(best, peak) > 0.0) {
                    best = Some(peak);
                }
            }
            match best {
                Some(best) if w > last && here.1 <= 0.0 => return Ok(best),
                _ => (before, w) = (here, 2.0 * w),
            }
        }
        Err(unsettled(w))
    }

    /// Where ln L turns between two w with their balances, from rising to falling.
    fn turn_between(&self, low: (f64, f64), high: (f64, f64)) -> Result<f64, Error> {
        let (low, high) = ((self.y(low.0), low.1), (self.y(high.0), high.1));
        let y = smooth_root("k", low, high, ACCURACY, |y| self.balance(self.w(y)))?;
        Ok(self.w(y))
    }

    /// The w on both sides of `peak` where ln L is lower by `drop`, the smaller first; `None` where it
    /// is not that much lower at the Poisson limit.
    pub fn ends(&self, peak: f64, drop: f64) -> Result<(Option<f64>, f64), Error> {
        // Nearly straight on both sides, and 0 at the end sought.
        let depth = |y: f64| libm::sqrt((-self.rise(peak, self.w(y))).max(0.0)) - libm::sqrt(drop);
        let end = |outside, inside| smooth_root("end of the interval of k", outside, inside, ACCURACY, depth);
        let top = (self.y(peak), -libm::sqrt(drop));

        let poisson = (0.0, depth(0.0));
        let towards_poisson = if poisson.1 > 0.0 { Some(self.w(end(poisson, top)?)) } else { None };

        let (mut inside, mut step) = (top, 1.0);
        for _ in 0..MOST_STEPS {
            let y = inside.0 + step;
            let here = (y, depth(y));
            if here.1 >= 0.0 {
                return Ok((towards_poisson, self.w(end(here, inside)?)));
            }
            inside = here;
            step *= 2.0;
        }
        Err(unsettled(peak))
    }

    fn y(&self, w: f64) -> f64 {
        libm::log1p(self.overall_mean() * w)
    }
    fn w(&self, y: f64) -> f64 {
        libm::expm1(y) / self.overall_mean()
    }
}

fn unsettled(w: f64) -> Error {
    Error::new(Code::NotConverged, "k", 1.0 / w, "counts whose likelihood of k has a peak")
}
