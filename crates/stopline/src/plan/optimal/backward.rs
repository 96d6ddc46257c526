//! Backward induction: the plan of least cost for given weights and multipliers, and what each point of
//! the boundary of a given plan is worth.
//!
//! Cost of a plan: Σⱼ wⱼ·E_{µⱼ}[sites] + Σ multiplier·risk. In the measure of the inadequate mean
//! ([`super::stage`]) stopping at (n, T) costs l₀ as adequate and l₁·R₁ as inadequate, and going on costs
//! the sites of the next batch times Σⱼ wⱼ·Rⱼ, and what follows. With D = l₀ − (least cost) ≥ 0, which is
//! 0 from the upper line on, all sums are finite and exact (Kiefer & Weiss 1957, Ann. Math. Stat.
//! 28:57–74; Weiss 1962, J. Am. Stat. Assoc. 57:551–566).
#![allow(clippy::indexing_slicing)] // rows of one length, cut by the limits of the row
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)] // totals from 0 to the longest row in memory

use super::stage::{ADEQUATE, BLOCK, LANE, MEANS, Stage};
use crate::evaluate::{InstructionSet, PlainWork};
use crate::score::Total;

/// Lines of a plan with two calls, as arrays: inadequate up to `low` (−1: none), adequate from `high`.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(super) struct Strip {
    pub low: Vec<Total>,
    pub high: Vec<Total>,
}

/// Weights of the objective's means, and the multiplier of each bound: false adequate, false inadequate,
/// then staying undecided at each mean where it is bounded.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Costs {
    pub weights: Vec<f64>,
    pub multipliers: Vec<f64>,
}

/// Totals worked on at a time.
const CHUNK: usize = LANE * BLOCK;

impl Stage {
    /// The least cost of any plan, and the plan that has it; where the totals at which a check goes on have
    /// holes, these are filled, and the plan costs a little more.
    pub fn least_cost(&self, set: InstructionSet, costs: &Costs) -> (Strip, f64) {
        set.plainly(LeastCost { stage: self, costs })
    }

    /// What going on is worth at the boundary of a plan, check by check: sites (weighted), the chance of
    /// ending otherwise than adequate, of ending inadequate and of staying undecided, each times its
    /// likelihood ratio against the inadequate mean.
    pub fn going_on(&self, set: InstructionSet, strip: &Strip, weights: &[f64]) -> Vec<Points> {
        set.plainly(GoingOn { stage: self, strip, weights })
    }
}

struct LeastCost<'a> {
    stage: &'a Stage,
    costs: &'a Costs,
}

/// D at one check for the totals from `valid` on; 0 from the check's upper line on.
struct Worth {
    check: usize,
    valid: usize,
    values: Vec<f64>,
}

impl LeastCost<'_> {
    /// D of calling inadequate, l₀ − l₁·R₁, at the totals from `from` on.
    #[inline(always)]
    fn stopping(&self, check: usize, from: usize, out: &mut [f64]) {
        let ([l0, l1], stage) = (self.prices(), self.stage);
        out.fill(l0);
        stage.low.add_ratios(ADEQUATE, check, from, -l1, out);
    }

    #[inline(always)]
    fn prices(&self) -> [f64; 2] {
        [self.costs.multipliers[0], self.costs.multipliers[1]]
    }

    /// Does the price of the next batch rise against that of calling inadequate as the total falls? Then
    /// totals below one at which going on is hopeless need no look.
    #[inline(always)]
    fn settled(&self) -> bool {
        let weighed = self.costs.weights.iter().zip(&self.stage.ln_ratios).filter(|(w, _)| **w > 0.0);
        weighed.into_iter().all(|(_, ln_ratio)| *ln_ratio <= self.stage.tilt.ln_ratio)
    }

    /// D of staying undecided at the cap.
    #[inline(always)]
    fn undecided(&self, total: usize) -> f64 {
        let (stage, cap) = (self.stage, self.stage.checks() - 1);
        let staying: f64 = (MEANS + stage.means..)
            .zip(&self.costs.multipliers[2..])
            .map(|(tilt, u)| u * stage.low.ratio(tilt, cap, total))
            .sum();
        self.prices()[0] - staying
    }

    /// The lines at the cap, and D there.
    #[inline(always)]
    fn at_cap(&self) -> (Total, Total, Worth) {
        let (stage, cap) = (self.stage, self.stage.checks() - 1);
        let even = stage.even(&self.costs.multipliers, cap);
        let (mut low, mut high) = (even, even + 1);
        if !stage.by_call() {
            let stopping = |t: Total| {
                let mut worth = [0.0];
                self.stopping(cap, t as usize, &mut worth);
                worth[0]
            };
            while low >= 0 && self.undecided(low as usize) > stopping(low) {
                low -= 1;
            }
            while high < stage.longest as Total && self.undecided(high as usize) > 0.0 {
                high += 1;
            }
        }
        let (first, end) = ((low + 1).max(0) as usize, high.max(0) as usize);
        let mut values = vec![0.0; stage.longest + 4 * CHUNK];
        for t in first..end {
            values[t] = self.undecided(t);
        }
        (low, high, Worth { check: cap, valid: first, values })
    }

    /// Worths down to `from`: below what was looked at, the walk has stopped as inadequate.
    #[inline(always)]
    fn fill(&self, worth: &mut Worth, from: usize) {
        if from < worth.valid {
            self.stopping(worth.check, from, &mut worth.values[from..worth.valid]);
            worth.valid = from;
        }
    }
}

impl PlainWork for LeastCost<'_> {
    type Result = (Strip, f64);

    #[inline(always)]
    fn run(self) -> (Strip, f64) {
        let (stage, checks) = (self.stage, self.stage.checks());
        let mut strip = Strip { low: vec![-1; checks], high: vec![0; checks] };
        let (low, high, mut after) = self.at_cap();
        (strip.low[checks - 1], strip.high[checks - 1]) = (low, high);
        let mut above = high.max(0) as usize; // D of the check after is 0 from here on
        let mut now = Worth { check: 0, valid: 0, values: vec![0.0; after.values.len()] };
        let settled = self.settled();
        for i in (0..checks - 1).rev() {
            let even = stage.even(&self.costs.multipliers, i);
            // Above D is 0, and going on can only cost.
            let size = above.max((even + 1).max(0) as usize);
            let (mut lowest, mut highest): (Option<usize>, Option<usize>) = (None, None);
            let mut from = size.div_ceil(CHUNK) * CHUNK;
            now.values[size..from + CHUNK].fill(0.0);
            while from > 0 {
                from -= CHUNK;
                let (mut stay, mut sampling) = ([0.0; CHUNK], [0.0; CHUNK]);
                for (j, w) in self.costs.weights.iter().enumerate().filter(|(_, w)| **w > 0.0) {
                    stage.low.add_ratios(MEANS + j, i, from, stage.gap(i + 1) * w, &mut sampling);
                }
                self.stopping(i, from, &mut stay);
                let (l0, mut hopeless) = (self.prices()[0], true);
                for (stay, sampling) in stay.iter_mut().zip(&sampling) {
                    *stay = if *stay > 0.0 { *stay } else { 0.0 };
                    hopeless &= l0 - *stay <= *sampling;
                }
                let lanes = CHUNK.min(size - from);
                let out = &mut now.values[from..from + lanes];
                if hopeless {
                    // Stopping costs no more than the next batch alone.
                    out.copy_from_slice(&stay[..lanes]);
                    if settled && from as Total <= even {
                        break;
                    }
                    continue;
                }
                self.fill(&mut after, from);
                let follow = stage.low.back(i + 1, &after.values, from, above);
                let mut goes = 0_u32;
                for l in 0..lanes {
                    let go_on = follow[l / LANE][l % LANE] - sampling[l];
                    goes |= u32::from(go_on > stay[l]) << l;
                    out[l] = if go_on > stay[l] { go_on } else { stay[l] };
                }
                if goes != 0 {
                    lowest = Some(from + goes.trailing_zeros() as usize);
                    highest = highest.or(Some(from + goes.ilog2() as usize));
                }
            }
            (now.check, now.valid) = (i, from);
            (strip.low[i], strip.high[i]) = match lowest.zip(highest) {
                Some((lowest, highest)) => (lowest as Total - 1, highest as Total + 1),
                None => (even, even + 1),
            };
            // A hole may leave something to gain above the last total that goes on.
            above = (strip.high[i].max(even + 1)).max(0) as usize;
            let end = above.div_ceil(CHUNK) * CHUNK + 2 * CHUNK;
            now.values[above..end].fill(0.0);
            std::mem::swap(&mut now, &mut after);
        }
        self.fill(&mut after, 0);
        let first = f64::from(stage.sites[0]);
        let worth: f64 = stage.low.batch(0).iter().zip(&after.values[..above]).map(|(p, d)| p * d).sum();
        (strip, first * self.costs.weights.iter().sum::<f64>() + self.prices()[0] - worth)
    }
}

/// Most risks that are bounded: two, and staying undecided at three means.
pub(super) const MOST_RISKS: usize = 5;
/// A quantity for each of them, and sites.
pub(super) type Quantities = [f64; 1 + MOST_RISKS];

/// Totals by which a line may be moved at once.
pub(super) const FAR: usize = 2;

/// What going on is worth near both lines of a check.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Points {
    /// At the last `FAR` totals of each stop and the open ones next to them: from low + 1 − FAR up, from
    /// high − FAR up.
    pub at: [[Quantities; 2 * FAR]; 2],
}

impl Strip {
    /// The first total near the lower and near the upper line of a check.
    pub fn near(&self, check: usize) -> [Total; 2] {
        [self.low[check] + 1 - FAR as Total, self.high[check] - FAR as Total]
    }
}

struct GoingOn<'a> {
    stage: &'a Stage,
    strip: &'a Strip,
    weights: &'a [f64],
}

impl PlainWork for GoingOn<'_> {
    type Result = Vec<Points>;

    #[inline(always)]
    fn run(self) -> Vec<Points> {
        let (stage, strip, checks) = (self.stage, self.strip, self.stage.checks());
        let channels = 3 + stage.undecided;
        let mut all = vec![Points::default(); checks];
        let row = || vec![0.0; stage.longest + 4 * CHUNK];
        // Channel by channel, from the lowest total still open; 0 from the upper line on.
        let mut after: Vec<Vec<f64>> = (0..channels).map(|_| row()).collect();
        let mut now: Vec<Vec<f64>> = (0..channels).map(|_| row()).collect();
        let cap = checks - 1;
        for t in strip.low[cap] + 1..strip.high[cap] {
            after[1][t as usize] = 1.0;
            for u in 0..stage.undecided {
                after[3 + u][t as usize] = stage.low.ratio(MEANS + stage.means + u, cap, t as usize);
            }
        }
        for i in (0..cap).rev() {
            let (low, high) = (strip.low[i], strip.high[i].max(0) as usize);
            let first = (low + 1 - FAR as Total).max(0) as usize;
            let last = high + FAR - 1;
            let above = strip.high[i + 1].max(0) as usize;
            // Below the lower line of the check after, the walk has stopped there as inadequate.
            let stopped = ((strip.low[i + 1] + 1).max(0) as usize).max(first);
            after.iter_mut().for_each(|after| after[first..stopped].fill(0.0));
            after[1][first..stopped].fill(1.0);
            stage.low.add_ratios(ADEQUATE, i + 1, first, 1.0, &mut after[2][first..stopped]);
            for from in (first..=last).step_by(CHUNK) {
                for (now, after) in now.iter_mut().zip(&after) {
                    let sums = stage.low.back(i + 1, after, from, above);
                    now[from..from + CHUNK].copy_from_slice(sums.as_flattened());
                }
                for (j, w) in self.weights.iter().enumerate().filter(|(_, w)| **w > 0.0) {
                    stage.low.add_ratios(MEANS + j, i, from, stage.gap(i + 1) * w, &mut now[0][from..from + CHUNK]);
                }
            }
            for (points, near) in all[i].at.iter_mut().zip(strip.near(i)) {
                for (point, t) in points.iter_mut().zip(near..) {
                    if t >= first as Total {
                        for (value, now) in point.iter_mut().zip(&now) {
                            *value = now[t as usize];
                        }
                    }
                }
            }
            for now in &mut now {
                now[high..high + 2 * CHUNK].fill(0.0);
            }
            std::mem::swap(&mut now, &mut after);
        }
        all
    }
}
