//! How the true means of fields are spread, with the error of sampling taken out.
//!
//! The mixture of means that makes the totals of past walks most likely, at the k that all share and with no
//! shape assumed: it always is a few means with weights (Laird 1978, J. Am. Stat. Assoc. 73:805–811,
//! doi:10.1080/01621459.1978.10480103; Lindsay 1983, Ann. Statist. 11:86–94, doi:10.1214/aos/1176346059). A
//! walk's total of n sites is negative binomial with n·m and n·k, so both steps of the EM algorithm are
//! exact; where the gradient shows that a mean is lacking, it is added.
//! Raw walk means spread more than fields do, and a walk of few sites more than a long one. Few walks show
//! little: the mixture then is a summary of them, no law of fields to come.
#![allow(clippy::indexing_slicing)] // one weight a mean
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // numbers of walks

#[cfg(test)]
mod tests;

use super::fit::WalkCounts;
use super::model::Dispersion;
use crate::counts::Counts;
use crate::error::{Code, Error};
use crate::params::Mean;
use crate::watch::{Watch, tell};
use std::collections::BTreeMap;

/// Means of fields, with their weights.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldMeans {
    /// Means per site, rising, with weights that add to 1.
    pub at: Vec<(Mean, f64)>,
    /// Walks that have any site.
    pub walks: usize,
    /// No mixture has a log likelihood higher by more than this.
    pub short_of_best: f64,
}

/// Log likelihood by which the best mixture may be missed; and after neighbours are put together.
const CLOSE: f64 = 0.01;
const STILL_CLOSE: f64 = 0.05;
/// Means that the search starts from, at most.
const START: usize = 12;
/// Rounds, and steps of EM in the end.
const ROUNDS: u64 = 100;
const STEPS: usize = 20;
/// Newton's steps for the weights, and sweeps over them in each.
const NEWTON: usize = 10;
const SWEEPS: usize = 1000;
/// Weights below this are none.
const NO_WEIGHT: f64 = 1e-7;
/// Means at which the gradient is looked at.
const LOOKED_AT: u32 = 240;
/// A walk without any enemy is likeliest at mean 0, which no law has: this over its sites stands for it, at which
/// one such walk in a million has an enemy.
const NEXT_TO_NONE: f64 = 1e-6;

/// A walk: its sites and its total, and how many walks have these.
#[derive(Debug, Clone, Copy)]
struct Walk {
    sites: f64,
    total: f64,
    alike: f64,
}

impl Walk {
    /// The mean at which it is likeliest.
    fn mean(self) -> f64 {
        (self.total / self.sites).max(NEXT_TO_NONE / self.sites)
    }

    /// Log likelihood of a mean; without what is the same for all.
    fn ln(self, m: f64, k: Option<f64>) -> f64 {
        let some = |x: f64, ln: f64| if x > 0.0 { x * ln } else { 0.0 };
        match k {
            Some(k) => some(self.total, libm::log(m / (k + m))) - self.sites * k * libm::log1p(m / k),
            None => some(self.total, libm::log(m)) - self.sites * m,
        }
    }
}

/// Fits the means of fields to walks, under the k of `dispersion`.
///
/// # Errors
/// `combination` unless the dispersion is `poisson` or `constant_k`; `out_of_range` where no walk has a site;
/// `not_converged`; `interrupted` if the caller stops it.
///
/// ```
/// use stopline::{Dispersion, K, Quiet, dispersion::{WalkCounts, field_means}};
/// let walk = |counts| WalkCounts { field: "heron", visit: "1", counts, missing: 0 };
/// let walks = [walk(&[0, 1, 0, 0, 1, 0]), walk(&[0, 0, 1, 0, 0, 0]), walk(&[9, 12, 7, 15, 8, 11])];
/// let means = field_means(&walks, &Dispersion::ConstantK { k: K::new(4.0)? }, &Quiet)?;
/// assert_eq!(means.at.len(), 2);
/// assert!((means.at[0].0.get() - 0.25).abs() < 1e-3 && (means.at[0].1 - 2.0 / 3.0).abs() < 1e-3);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn field_means(walks: &[WalkCounts<'_>], dispersion: &Dispersion, watch: &dyn Watch) -> Result<FieldMeans, Error> {
    let k = match dispersion {
        Dispersion::Poisson => None,
        Dispersion::ConstantK { k } => Some(k.get()),
        other => {
            let allowed = "poisson or constant_k";
            return Err(Error::new(Code::Combination, "dispersion of field means", other.name(), allowed));
        }
    };
    let mut alike: BTreeMap<(usize, u64), usize> = BTreeMap::new();
    for walk in walks.iter().filter(|walk| !walk.counts.is_empty()) {
        let total = walk.counts.iter().map(|&count| u64::from(count)).sum();
        *alike.entry((walk.counts.len(), total)).or_default() += 1;
    }
    if alike.is_empty() {
        return Err(Error::new(Code::OutOfRange, "walks with a site", 0, "1 or more"));
    }
    let one = |((sites, total), alike): ((usize, u64), usize)| Walk {
        sites: sites as f64,
        total: total as f64,
        alike: alike as f64,
    };
    let walks: Vec<Walk> = alike.into_iter().map(one).collect();
    Mixture::start(&walks, k).fit(watch)
}

/// The same from counts as read.
///
/// # Errors
/// As [`field_means`].
pub fn field_means_of(counts: &Counts, dispersion: &Dispersion, watch: &dyn Watch) -> Result<FieldMeans, Error> {
    let present: Vec<Vec<u32>> = counts.walks.iter().map(|walk| walk.present().collect()).collect();
    let walks = counts.walks.iter().zip(&present).map(|(walk, counts)| WalkCounts {
        field: &walk.field,
        visit: &walk.visit,
        counts,
        missing: walk.missing(),
    });
    field_means(&walks.collect::<Vec<_>>(), dispersion, watch)
}

struct Mixture<'a> {
    walks: &'a [Walk],
    /// How many these are.
    number: f64,
    k: Option<f64>,
    /// Means and weights.
    at: Vec<(f64, f64)>,
    /// Means outside these are likelier for no walk.
    range: (f64, f64),
}

impl<'a> Mixture<'a> {
    /// Walk means, spread over all of them.
    fn start(walks: &'a [Walk], k: Option<f64>) -> Self {
        let mut means: Vec<f64> = walks.iter().map(|walk| walk.mean()).collect();
        means.sort_by(f64::total_cmp);
        let last = means.len() - 1;
        let some = START.min(means.len());
        let at = (0..some).map(|i| (means[if some > 1 { i * last / (some - 1) } else { 0 }], 1.0 / some as f64));
        let number = walks.iter().map(|walk| walk.alike).sum();
        Self { walks, number, k, at: at.collect(), range: (means[0], means[last]) }
    }

    fn fit(mut self, watch: &dyn Watch) -> Result<FieldMeans, Error> {
        for round in 0..ROUNDS {
            tell(watch, round, ROUNDS)?;
            self.weigh();
            self.at.retain(|(_, w)| *w > NO_WEIGHT);
            self.normalise();
            let (means, short_of_best) = self.lacking();
            if short_of_best <= CLOSE {
                return self.gathered(short_of_best);
            }
            let known: Vec<f64> = self.at.iter().map(|(m, _)| *m).collect();
            let new = means.into_iter().filter(|m| !known.contains(m));
            self.at.extend(new.map(|m| (m, 0.1 / self.number)));
            self.normalise();
        }
        let allowed = format!("settled within {ROUNDS} rounds");
        Err(Error::new(Code::NotConverged, "means of fields", self.number, allowed))
    }

    /// The mixture with neighbours put together, unless it is further from the best for it.
    fn gathered(mut self, short_of_best: f64) -> Result<FieldMeans, Error> {
        let apart = self.at.clone();
        self.tidy();
        for _ in 0..STEPS {
            self.step();
        }
        self.weigh();
        let short = self.lacking().1;
        let (at, short_of_best) = if short <= STILL_CLOSE { (self.at, short) } else { (apart, short_of_best) };
        let mut at = at.into_iter().map(|(m, w)| Ok((Mean::new(m)?, w))).collect::<Result<Vec<_>, Error>>()?;
        at.sort_by(|a, b| a.0.get().total_cmp(&b.0.get()));
        Ok(FieldMeans { at, walks: self.number as usize, short_of_best })
    }

    fn normalise(&mut self) {
        let sum: f64 = self.at.iter().map(|(_, w)| w).sum();
        self.at.iter_mut().for_each(|(_, w)| *w /= sum);
    }

    /// Of a walk: log weight and likelihood of each mean, and the log of their sum.
    fn parts(&self, walk: Walk, parts: &mut Vec<f64>) -> f64 {
        parts.clear();
        parts.extend(self.at.iter().map(|&(m, w)| libm::log(w) + walk.ln(m, self.k)));
        let most = parts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        most + libm::log(parts.iter().map(|p| libm::exp(p - most)).sum())
    }

    /// One step of EM: each walk is shared out among the means, each mean is that of its shares.
    fn step(&mut self) {
        let mut shares = vec![(0.0, 0.0, 0.0); self.at.len()];
        let mut parts = Vec::new();
        for &walk in self.walks {
            let all = self.parts(walk, &mut parts);
            for (share, part) in shares.iter_mut().zip(&parts) {
                let p = walk.alike * libm::exp(part - all);
                *share = (share.0 + p, share.1 + p * walk.total, share.2 + p * walk.sites);
            }
        }
        for (at, (weight, total, sites)) in self.at.iter_mut().zip(shares) {
            let mean = if sites > 0.0 { total / sites } else { at.0 };
            *at = (mean.clamp(self.range.0, self.range.1), (weight / self.number).max(f64::MIN_POSITIVE));
        }
    }

    /// Neighbours are put together where that costs next to nothing.
    fn tidy(&mut self) {
        self.at.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (mut i, mut now) = (1, self.ln());
        while i < self.at.len() {
            let apart = self.at.clone();
            let (m, w) = self.at.remove(i);
            let last = &mut self.at[i - 1];
            *last = ((last.0 * last.1 + m * w) / (last.1 + w), last.1 + w);
            let together = self.ln();
            if together < now - 0.1 * CLOSE {
                self.at = apart;
                i += 1;
            } else {
                now = together;
            }
        }
    }

    /// Log likelihood.
    fn ln(&self) -> f64 {
        let mut parts = Vec::new();
        self.walks.iter().map(|&walk| walk.alike * self.parts(walk, &mut parts)).sum()
    }

    /// The means that the mixture lacks, and by how much at most the best one is likelier: by the gradient,
    /// Σ f(walk|m)/f(walk) over the walks less their number, nowhere above 0 at the best mixture.
    fn lacking(&self) -> (Vec<f64>, f64) {
        let mut parts = Vec::new();
        let ln: Vec<f64> = self.walks.iter().map(|&walk| self.parts(walk, &mut parts)).collect();
        let gradient = |m: f64| {
            let ratio = |(walk, ln): (&Walk, &f64)| walk.alike * libm::exp(walk.ln(m, self.k) - ln);
            self.walks.iter().zip(&ln).map(ratio).sum::<f64>() - self.number
        };
        let (low, high) = self.range;
        let step = libm::log(high / low) / f64::from(LOOKED_AT);
        let mut means: Vec<f64> = (0..=LOOKED_AT).map(|i| low * libm::exp(step * f64::from(i))).collect();
        means.extend(self.walks.iter().map(|walk| walk.mean()));
        means.sort_by(f64::total_cmp);
        let found: Vec<f64> = means.iter().map(|&m| gradient(m)).collect();
        let at = |i: Option<usize>| i.and_then(|i| found.get(i)).copied().unwrap_or(f64::NEG_INFINITY);
        let peak = |&i: &usize| found[i] > 0.0 && found[i] > at(i.checked_sub(1)) && found[i] >= at(Some(i + 1));
        let peaks = (0..found.len()).filter(peak).map(|i| means[i]).collect();
        (peaks, found.iter().copied().fold(0.0, f64::max))
    }

    /// Weights that make the walks likeliest, for the means as they are: Newton's steps, each the least of a
    /// quadratic over weights from 0 (Wang 2007, J. R. Statist. Soc. B 69:185–198).
    fn weigh(&mut self) {
        let means = self.at.len();
        let mut parts = Vec::new();
        let mut now = self.ln();
        for _ in 0..NEWTON {
            let (mut bend, mut rise) = (vec![vec![0.0; means]; means], vec![-self.number; means]);
            for &walk in self.walks {
                let all = self.parts(walk, &mut parts);
                for (i, (m, _)) in self.at.iter().enumerate() {
                    parts[i] = libm::exp(walk.ln(*m, self.k) - all);
                }
                for (i, ratio) in parts.iter().enumerate() {
                    rise[i] += 2.0 * walk.alike * ratio;
                    bend[i].iter_mut().zip(&parts).for_each(|(b, other)| *b += walk.alike * ratio * other);
                }
            }
            let mut to: Vec<f64> = self.at.iter().map(|(_, w)| *w).collect();
            for _ in 0..SWEEPS {
                for i in 0..means {
                    let slope: f64 = bend[i].iter().zip(&to).map(|(b, w)| b * w).sum();
                    to[i] = (to[i] + (rise[i] - slope) / bend[i][i]).max(0.0);
                }
            }
            let sum: f64 = to.iter().sum();
            let from = self.at.clone();
            let mut share = 1.0;
            loop {
                for ((at, from), to) in self.at.iter_mut().zip(&from).zip(&to) {
                    at.1 = (from.1 + share * (to / sum - from.1)).max(f64::MIN_POSITIVE);
                }
                let then = self.ln();
                if then > now {
                    (share, now) = (if then < now + 0.01 * CLOSE { 0.0 } else { 1.0 }, then);
                    break;
                }
                share *= 0.5;
                if share < 0.01 {
                    (self.at, share) = (from, 0.0);
                    break;
                }
            }
            if share == 0.0 {
                return;
            }
        }
    }
}
