//! Backward induction: the plan of least cost for given weights and multipliers, and what each point of
//! a given plan is worth.
//!
//! Cost of a plan: Σⱼ wⱼ·E_{µⱼ}[sites] + Σ multiplier·risk. In the measure of the inadequate mean m₀, a
//! walk that stands at (n, T) weighs mean µ with R_µ(n, T) = ρᵀcⁿ, so stopping costs l₀ as adequate and
//! l₁·R₁ as inadequate, and going on costs the sites of the next batch times Σⱼ wⱼ·Rⱼ, and what follows.
//! With D = l₀ − (least cost) ≥ 0, which is 0 from the upper line on, all sums are finite and exact
//! (Kiefer & Weiss 1957, Ann. Math. Stat. 28:57–74; Weiss 1962, J. Am. Stat. Assoc. 57:551–566).
//! Plain arithmetic in a fixed order: the same plan on every machine.
#![allow(clippy::indexing_slicing)] // rows of one length, cut by the limits of the row
#![allow(clippy::needless_range_loop)] // channels of several arrays in step
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)] // totals from 0 to the longest row in memory

use crate::law::{Law, Tilt};
use crate::score::Total;

/// Totals computed at a time.
const LANE: usize = 8;

/// Lines of a plan with two calls, as arrays: inadequate up to `low` (−1: none), adequate from `high`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(super) struct Strip {
    pub low: Vec<Total>,
    pub high: Vec<Total>,
}

/// What is fixed while multipliers change.
#[derive(Debug)]
pub(super) struct Stage {
    /// Sites of each check.
    pub sites: Vec<u32>,
    /// Batch sizes and step laws at the inadequate mean, long enough for every strip considered.
    steps: Vec<(u32, Vec<f64>)>,
    /// From the inadequate to the adequate mean.
    pub adequate: Tilt,
    /// From the inadequate mean to each mean of the objective.
    pub means: Vec<Tilt>,
    /// From the inadequate mean to those at which staying undecided is bounded.
    pub undecided: Vec<Tilt>,
    /// Does the plan end by a call?
    pub by_call: bool,
}

/// Weights of the objective's means, multipliers of the risks, and of staying undecided.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Costs {
    pub weights: Vec<f64>,
    pub false_adequate: f64,
    pub false_inadequate: f64,
    pub undecided: Vec<f64>,
}

/// A geometric sequence in the total: `at(n, t)` = exp(n·ln c + t·ln ρ), followed upwards.
fn likelihood(tilt: Tilt, sites: u32, total: Total) -> f64 {
    libm::exp(f64::from(sites) * tilt.ln_site + total as f64 * tilt.ln_ratio)
}

impl Stage {
    pub fn new(
        sites: &[u32],
        law: &Law,
        adequate: Tilt,
        means: Vec<Tilt>,
        undecided: Vec<Tilt>,
        longest: usize,
    ) -> Self {
        let mut steps: Vec<(u32, Vec<f64>)> = Vec::new();
        let mut before = 0;
        for &n in sites {
            if !steps.iter().any(|s| s.0 == n - before) {
                let mut p = Vec::new();
                law.batch(n - before, longest, &mut p);
                p.resize(longest, 0.0);
                steps.push((n - before, p));
            }
            before = n;
        }
        let by_call = undecided.is_empty();
        Self { sites: sites.to_vec(), steps, adequate, means, undecided, by_call }
    }

    fn step(&self, gap: u32) -> &[f64] {
        self.steps.iter().find(|s| s.0 == gap).map_or(&[], |s| &s.1)
    }

    /// The last total at which calling inadequate costs less after `n` sites, from −1 up to the longest row.
    fn even(&self, costs: &Costs, n: u32) -> Total {
        let ln = libm::log(costs.false_adequate / costs.false_inadequate) - f64::from(n) * self.adequate.ln_site;
        let longest = self.step(self.sites[0]).len();
        libm::floor(ln / self.adequate.ln_ratio).clamp(-1.0, longest as f64) as Total
    }

    /// The plan of least cost and its cost. Totals below the open ones are taken to stop without a look;
    /// with `every_total` they are looked at too, so that the cost is that of no plan at all beaten.
    pub fn least_cost(&self, costs: &Costs, every_total: bool) -> (Strip, f64) {
        let (l0, l1) = (costs.false_adequate, costs.false_inadequate);
        let checks = self.sites.len();
        let mut strip = Strip { low: vec![-1; checks], high: vec![0; checks] };
        let stop_low = |n: u32, t: Total| l0 - l1 * likelihood(self.adequate, n, t);
        // At the cap.
        let cap = self.sites[checks - 1];
        let even = self.even(costs, cap);
        let undecided = |t: Total| {
            l0 - self.undecided.iter().zip(&costs.undecided).map(|(&tilt, u)| u * likelihood(tilt, cap, t)).sum::<f64>()
        };
        let (mut low, mut high) = (even, even + 1);
        if !self.by_call {
            let longest = self.step(self.sites[0]).len() as Total;
            while low >= 0 && undecided(low) > stop_low(cap, low) {
                low -= 1;
            }
            while high < longest && undecided(high) > 0.0 {
                high += 1;
            }
        }
        (strip.low[checks - 1], strip.high[checks - 1]) = (low, high);
        // D of the check after, from total 0 up to its upper line; zeros beyond for whole vectors.
        let mut worth = vec![0.0; high.max(0) as usize + 2 * LANE];
        let mut next = Vec::new();
        for t in 0..high.max(0) {
            worth[t as usize] = if t <= low { stop_low(cap, t) } else { undecided(t) };
        }
        let mut above = high; // D of the check after is 0 from here on
        let raise: Vec<f64> = self.means.iter().map(|m| libm::exp(m.ln_ratio)).collect();
        let raise_adequate = libm::exp(self.adequate.ln_ratio);
        let mut sampling = Vec::new();
        let mut stop = Vec::new();
        for i in (0..checks - 1).rev() {
            let (n, gap) = (self.sites[i], self.sites[i + 1] - self.sites[i]);
            let p = self.step(gap);
            let even = self.even(costs, n);
            let size = above.max(even + 1).max(0) as usize;
            // Cost of a batch, and worth of stopping as inadequate, at every total.
            sampling.clear();
            sampling.resize(size, 0.0);
            for ((&tilt, &raise), &w) in self.means.iter().zip(&raise).zip(&costs.weights) {
                if w > 0.0 {
                    let mut r = f64::from(gap) * w * likelihood(tilt, n, 0);
                    for s in &mut sampling {
                        *s += r;
                        r *= raise;
                    }
                }
            }
            stop.clear();
            let mut r = l1 * likelihood(self.adequate, n, 0);
            for _ in 0..size {
                stop.push(l0 - r);
                r *= raise_adequate;
            }
            next.clear();
            next.resize(size + 2 * LANE, 0.0);
            // Downwards in vectors from the last total that can be worth anything.
            let (mut low, mut high): (Option<Total>, Option<Total>) = (None, None);
            let mut block = size.div_ceil(LANE);
            'down: while block > 0 {
                block -= 1;
                let from = block * LANE;
                let follow = correlate(p, &worth, from, above.max(0) as usize);
                for l in (0..LANE.min(size - from)).rev() {
                    let t = from + l;
                    let go_on = follow[l] - sampling[t];
                    let stay = stop[t].max(0.0);
                    if go_on > stay {
                        high = high.or(Some(t as Total + 1));
                        next[t] = go_on;
                    } else {
                        next[t] = stay;
                        let inadequate = t as Total <= even;
                        if high.is_some() && inadequate {
                            low = low.or(Some(t as Total));
                        }
                        if !every_total && inadequate && (low.is_some() || (t as Total) < even) {
                            next[..=t].copy_from_slice(&stop[..=t]);
                            break 'down;
                        }
                    }
                }
            }
            (strip.low[i], strip.high[i]) = high.map_or((even, even + 1), |h| (low.unwrap_or(-1), h));
            above = strip.high[i].max(0);
            next.truncate(above as usize);
            next.resize(above as usize + 2 * LANE, 0.0);
            std::mem::swap(&mut worth, &mut next);
        }
        let first = self.sites[0];
        let p = self.step(first);
        let start: f64 = p.iter().zip(&worth).take(above as usize).map(|(p, d)| p * d).sum();
        let cost = f64::from(first) * costs.weights.iter().sum::<f64>() + l0 - start;
        (strip, cost)
    }

    /// What going on is worth at every total of every check of a plan, from one below the lower line to
    /// the upper line: sites (weighted), chance of ending adequate at m₀, of ending inadequate at m₁ and
    /// of staying undecided (each weighted with its likelihood ratio against m₀).
    pub fn going_on(&self, strip: &Strip, weights: &[f64]) -> Vec<Points> {
        let checks = self.sites.len();
        let channels = 3 + self.undecided.len();
        let mut all: Vec<Points> = Vec::with_capacity(checks);
        // Values at the check after of: sites, 1 − adequate, inadequate·R₁, undecided·R; 0 from the upper line on.
        let cap = self.sites[checks - 1];
        let high = strip.high[checks - 1].max(0) as usize;
        let mut after: Vec<Vec<f64>> = vec![vec![0.0; high + 2 * LANE]; channels];
        for t in 0..high {
            let total = t as Total;
            after[1][t] = 1.0;
            if total <= strip.low[checks - 1] {
                after[2][t] = likelihood(self.adequate, cap, total);
            } else {
                for (u, &tilt) in self.undecided.iter().enumerate() {
                    after[3 + u][t] = likelihood(tilt, cap, total);
                }
            }
        }
        for i in (0..checks - 1).rev() {
            let (n, gap) = (self.sites[i], self.sites[i + 1] - self.sites[i]);
            let p = self.step(gap);
            let (low, high) = (strip.low[i], strip.high[i].max(0));
            let first = low.max(0) as usize;
            let size = high as usize + 1;
            let above = after[0].len() - 2 * LANE;
            let mut points = Points { first: first as Total, values: vec![Vec::with_capacity(size - first); channels] };
            for from in (first..size).step_by(LANE) {
                for (c, (values, after)) in points.values.iter_mut().zip(&after).enumerate() {
                    let sums = correlate(p, after, from, above);
                    for (l, sum) in sums.into_iter().enumerate().take(size - from) {
                        let t = (from + l) as Total;
                        let cost = if c == 0 {
                            let means = self.means.iter().zip(weights);
                            f64::from(gap) * means.map(|(&m, w)| w * likelihood(m, n, t)).sum::<f64>()
                        } else {
                            0.0
                        };
                        values.push(sum + cost);
                    }
                }
            }
            let mut before: Vec<Vec<f64>> = vec![vec![0.0; high as usize + 2 * LANE]; channels];
            for t in 0..high as usize {
                if t as Total <= low {
                    before[1][t] = 1.0;
                    before[2][t] = likelihood(self.adequate, n, t as Total);
                } else {
                    for (before, values) in before.iter_mut().zip(&points.values) {
                        before[t] = values[t - first];
                    }
                }
            }
            after = before;
            all.push(points);
        }
        all.reverse();
        all
    }
}

impl Stage {
    /// What stopping at a check is worth in the same quantities: as adequate, or as inadequate.
    pub fn stopping(&self, check: usize, total: Total, adequate: bool) -> Vec<f64> {
        let mut values = vec![0.0; 3 + self.undecided.len()];
        if adequate {
            values[1] = 1.0;
        } else {
            values[2] = likelihood(self.adequate, self.sites[check], total);
        }
        values
    }

    /// The same of staying undecided at the cap.
    pub fn staying_undecided(&self, total: Total) -> Vec<f64> {
        let cap = self.sites[self.sites.len() - 1];
        let ratios = self.undecided.iter().map(|&tilt| likelihood(tilt, cap, total));
        [0.0; 3].into_iter().chain(ratios).collect()
    }
}

/// Worth of going on at the totals `first`, `first + 1`, … of a check: one list a quantity.
#[derive(Debug)]
pub(super) struct Points {
    pub first: Total,
    pub values: Vec<Vec<f64>>,
}

/// Σₓ p(x)·d(t + x) for `LANE` totals t from `from` on; d is 0 from `end` on.
fn correlate(p: &[f64], d: &[f64], from: usize, end: usize) -> [f64; LANE] {
    let mut sum = [0.0; LANE];
    if from >= end {
        return sum;
    }
    let d = &d[from..end + LANE];
    for (x, &p) in p[..(end - from).min(p.len())].iter().enumerate() {
        let d = &d[x..x + LANE];
        for l in 0..LANE {
            sum[l] += p * d[l];
        }
    }
    sum
}
