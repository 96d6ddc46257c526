//! k from walks that a plan stopped.
//!
//! A plan stops walks because of their counts, so that within a stopped walk these are no longer an ordinary sample:
//! the likelihood given totals alone reads a true k of 2 as 2.2. Given where a walk stopped (n sites, total T) the chance of its
//! counts is Π w(x)/K(n,T), w(x) = Γ(x+k)/(Γ(k)x!), where K sums the products of w over all orders of counts that stay
//! open until then and stop there (path counts: Girshick, Mosteller & Savage 1946, Ann. Math. Stat. 17:13–23,
//! doi:10.1214/aoms/1177731018). That is free of the mean and holds for every plan whose stops depend on totals.

use super::estimate::{Bound, Clumping, Estimate, Interval, Why};
use super::json::{estimate, why};
use super::probabilities::Probabilities;
use super::search::largest_of;
use crate::error::{Code, Error};
use crate::lines::{Lines, Verdict};
use crate::params::Level;
use crate::root::root;
use crate::special::normal_within;
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::collections::BTreeMap;

/// k from stopped walks, and what was used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stopped {
    /// k with its interval.
    pub estimate: Estimate,
    /// Walks that the plan stopped.
    pub walks: usize,
    /// Walks left out since they ended before the plan stopped them.
    pub not_stopped: usize,
    /// Sites left out since they follow a stop.
    pub after_stop: usize,
    /// Level of the interval.
    pub level: Level,
}

impl Serialize for Stopped {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        estimate(&mut map, ["k", "k_low", "k_high"], &self.estimate)?;
        map.serialize_entry("why", &why(self.estimate.k))?;
        map.serialize_entry("level", &self.level)?;
        map.serialize_entry("walks", &self.walks)?;
        map.serialize_entry("walks_not_stopped", &self.not_stopped)?;
        map.serialize_entry("sites_after_stop", &self.after_stop)?;
        map.end()
    }
}

/// ln k is looked for between these.
const ENDS: (f64, f64) = (-6.0, 9.0);
/// Most steps of the recursion for one k.
const MOST_STEPS: f64 = 1e8;

/// k from walks that a plan with these lines stopped; counts of each walk in the order walked.
///
/// Sites after a stop are left out, as are walks that ended before the plan stopped them.
///
/// # Errors
/// `too_much_work` for walks and totals too large for the recursion; `interrupted`.
///
/// ```
/// use stopline::{Level, Lines, Quiet, Row, dispersion::k_of_stopped};
/// let lines = Lines::new(vec![Row::two_calls(2, Some(1), Some(9), None), Row::two_calls(4, Some(9), Some(10), None)])?;
/// let walks = [vec![0, 1], vec![9, 3], vec![0, 7, 1, 0], vec![4, 1, 0, 2]];
/// let k = k_of_stopped(&lines, &walks, Level::new(0.95)?, &Quiet)?;
/// assert!(k.estimate.k.k().unwrap() < 3.0 && k.walks == 4);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn k_of_stopped(
    lines: &Lines,
    walks: &[impl AsRef<[u32]>],
    level: Level,
    watch: &dyn Watch,
) -> Result<Stopped, Error> {
    let mut likelihood = Conditional { lines, counts: BTreeMap::new(), stops: BTreeMap::new(), mean: 0.0, largest: 0 };
    let (mut used, mut not_stopped, mut after_stop) = (0, 0, 0);
    for walk in walks {
        let walk = walk.as_ref();
        match stop(lines, walk) {
            Some((sites, total)) => {
                used += 1;
                after_stop += walk.len() - sites;
                likelihood.add(walk.get(..sites).unwrap_or(walk), total);
            }
            None => not_stopped += 1,
        }
    }
    let estimate = likelihood.estimate(level, watch)?;
    Ok(Stopped { estimate, walks: used, not_stopped, after_stop, level })
}

/// Sites and total at which the plan stops a walk.
fn stop(lines: &Lines, walk: &[u32]) -> Option<(usize, usize)> {
    let mut total = 0_u64;
    for (at, &count) in (1_u32..).zip(walk) {
        total += u64::from(count);
        if lines.verdict(at, i64::try_from(total).ok()?) != Verdict::KeepSampling {
            return Some((at as usize, usize::try_from(total).ok()?));
        }
    }
    None
}

/// The likelihood of k given where each walk stopped.
struct Conditional<'a> {
    lines: &'a Lines,
    /// Counts with their numbers of sites.
    counts: BTreeMap<usize, f64>,
    /// Numbers of walks that stopped at each (sites, total).
    stops: BTreeMap<(usize, usize), f64>,
    /// Sum of the counts, then their mean: any mean does, one near the counts keeps numbers in range.
    mean: f64,
    largest: usize,
}

impl Conditional<'_> {
    fn add(&mut self, walk: &[u32], total: usize) {
        for &count in walk {
            *self.counts.entry(count as usize).or_default() += 1.0;
        }
        *self.stops.entry((walk.len(), total)).or_default() += 1.0;
        self.mean += total as f64;
        self.largest = self.largest.max(total);
    }

    fn estimate(mut self, level: Level, watch: &dyn Watch) -> Result<Estimate, Error> {
        let sites: f64 = self.counts.values().sum();
        if sites == 0.0 {
            return Ok(Estimate::undefined(Why::NoSites));
        }
        if self.mean == 0.0 {
            return Ok(Estimate::undefined(Why::AllZero));
        }
        self.mean /= sites;
        let longest = self.stops.keys().map(|&(sites, _)| sites).max().unwrap_or(0) as f64;
        if longest * (self.largest as f64) * (self.largest as f64) > MOST_STEPS {
            return Err(Error::new(
                Code::TooMuchWork,
                "largest total",
                self.largest,
                "walks with sites × total² below 1e8",
            ));
        }
        let poisson = self.ln_likelihood(f64::INFINITY)?;
        let mut done = 0;
        let mut at = |x: f64| {
            done += 1;
            tell(watch, done, 120)?;
            Ok::<f64, Error>(self.ln_likelihood(libm::exp(x))? - poisson)
        };
        let mut failed = None;
        let (x, best) = largest_of(ENDS.0, ENDS.1, 60, 1e-9, |x| {
            at(x).unwrap_or_else(|e| {
                failed = Some(e);
                f64::NEG_INFINITY
            })
        });
        if let Some(e) = failed {
            return Err(e);
        }
        let z = normal_within(level.get());
        let drop = 0.5 * z * z;
        let k = if best <= 0.0 || x > ENDS.1 - 0.01 { Clumping::Poisson } else { Clumping::Estimated(libm::exp(x)) };
        if x < ENDS.0 + 0.01 {
            return Ok(Estimate::undefined(Why::AllAtOneSite));
        }
        let top = best.max(0.0);
        let depth = |x: f64| Ok(self.ln_likelihood(libm::exp(x))? - poisson - top + drop);
        if depth(ENDS.0)? >= 0.0 {
            return Ok(Estimate::undefined(Why::AllAtOneSite));
        }
        let low = libm::exp(root("lower limit of k", (ENDS.0, x), 1e-10, depth)?);
        let high = if top > drop && k != Clumping::Poisson {
            Bound::At(libm::exp(root("upper limit of k", (x, ENDS.1), 1e-10, depth)?))
        } else {
            Bound::Unbounded
        };
        Ok(Estimate { k, interval: Some(Interval { low, high }) })
    }

    fn ln_likelihood(&self, k: f64) -> Result<f64, Error> {
        let law = Probabilities::new(self.mean, k)
            .map_err(|e| Error::new(Code::TooMuchWork, "counts", e, "smaller counts"))?;
        let p = |x: usize| law.at.get(x).copied().unwrap_or(f64::MIN_POSITIVE).max(f64::MIN_POSITIVE);
        let counts: f64 = self.counts.iter().map(|(&x, number)| number * libm::log(p(x))).sum();
        Ok(counts - self.ln_stops(&law.at))
    }

    /// Σ ln P(sites, total at the stop) over the walks.
    #[allow(clippy::indexing_slicing)] // a table of totals; the loops stay inside it
    fn ln_stops(&self, law: &[f64]) -> f64 {
        let longest = self.stops.keys().map(|&(sites, _)| sites).max().unwrap_or(0);
        let mut open = vec![0.0; self.largest + 1];
        open[0] = 1.0;
        let mut sum = 0.0;
        for at in 1..=longest {
            let mut next = vec![0.0; self.largest + 1];
            for (before, &p) in open.iter().enumerate().filter(|(_, p)| **p > 0.0) {
                for (to, q) in next[before..].iter_mut().zip(law) {
                    *to += p * q;
                }
            }
            for (&(_, total), number) in self.stops.range((at, 0)..(at + 1, 0)) {
                sum += number * libm::log(next[total].max(f64::MIN_POSITIVE));
            }
            for (total, p) in (0_i64..).zip(next.iter_mut()) {
                if self.lines.verdict(u32::try_from(at).unwrap_or(u32::MAX), total) != Verdict::KeepSampling {
                    *p = 0.0;
                }
            }
            open = next;
        }
        sum
    }
}
