//! The mixture for sites that are counted to a most: their total does not hold all that they tell.
//!
//! The likelihoods of the counts themselves are mixed over 101 means from 1/148 to 148 times the middle of the
//! thresholds, at the same k: as good a martingale as any mixture. The ratio of the likelihoods at two means rises with the
//! count, cut off or not, so that evidence against a threshold speaks against every mean beyond it.

use super::{Scale, nodes};
use crate::law::Law;
use crate::score::Total;

/// Steps of ln mean to each side of the middle, and their length.
const STEPS: i32 = 50;
const STEP: f64 = 0.1;

/// Means with their weights and likelihoods, under each law.
pub(super) struct Capped {
    /// How many sites had each count.
    sites: Vec<(usize, f64)>,
    laws: Vec<Vec<Point>>,
}

/// A mean of the mixture.
#[derive(Clone, Copy)]
struct Point {
    mean: f64,
    ln_weight: f64,
    ln_likelihood: f64,
}

impl Capped {
    /// `None` where laws are no tables, or a count is beyond them.
    pub fn of(scale: Scale<'_>, middle: f64, steps: &[Total]) -> Option<Self> {
        let mut sites: Vec<(usize, f64)> = Vec::new();
        for &x in steps {
            let count = usize::try_from(x).ok()?;
            match sites.iter_mut().find(|(of, _)| *of == count) {
                Some((_, sites)) => *sites += 1.0,
                None => sites.push((count, 1.0)),
            }
        }
        let mut found = Self { sites, laws: Vec::new() };
        for i in -STEPS..=STEPS {
            let off = STEP * f64::from(i);
            let x = libm::log(middle) + off;
            for (number, law) in nodes(scale, x).iter().enumerate() {
                let ln_weight = -libm::log(libm::cosh(0.5 * off));
                let point = Point { mean: libm::exp(x), ln_weight, ln_likelihood: found.ln_likelihood(law)? };
                match found.laws.get_mut(number) {
                    Some(points) => points.push(point),
                    None => found.laws.push(vec![point]),
                }
            }
        }
        Some(found)
    }

    fn ln_likelihood(&self, law: &Law) -> Option<f64> {
        let Law::Table { first: 0, p } = law else { return None };
        self.sites.iter().map(|&(count, sites)| Some(sites * libm::log(*p.get(count)?))).sum()
    }

    /// ln of the mixture over the means that are kept, over the likelihood under `law`, the one of this number.
    pub fn ln_value(&self, number: usize, law: &Law, keep: impl Fn(f64) -> bool) -> Option<f64> {
        let kept = || self.laws.get(number).into_iter().flatten().filter(|point| keep(point.mean));
        let all = ln_sum(kept().map(|point| point.ln_weight));
        let mixed = ln_sum(kept().map(|point| point.ln_weight + point.ln_likelihood));
        Some(mixed - all - self.ln_likelihood(law)?)
    }

    /// Means with the ln of what the mixture holds of them, under the best k.
    pub fn likely(&self) -> Vec<(f64, f64)> {
        let points = self.laws.first().into_iter().flatten();
        points.map(|point| (point.ln_weight + point.ln_likelihood, point.mean)).collect()
    }
}

/// ln Σ eˣ.
fn ln_sum(terms: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = terms.clone().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY { top } else { top + libm::log(terms.map(|x| libm::exp(x - top)).sum()) }
}
