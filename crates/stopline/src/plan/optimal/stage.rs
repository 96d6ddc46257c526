//! What of one design does not change with multipliers or lines: batches of sites and likelihood ratios.
//!
//! In the measure of one law, a walk that stands at (n, T) weighs mean µ with R_µ(n, T) = ρᵀcⁿ. Backward
//! induction is told in the measure of the inadequate mean, where all that matters is bounded; the forward
//! pass in that of the middle of the strip, where no probability is needlessly small.
//! Plain arithmetic in a fixed order: the same bits on every machine and instruction set.
#![allow(clippy::indexing_slicing)] // tables long enough for every total up to `longest`
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)] // totals from 0 to the longest row in memory

use crate::law::{Law, Tilt};
use crate::score::Total;

/// Numbers worked on at a time.
pub(super) const LANE: usize = 8;
/// Lanes that a convolution fills at a time, in two chains each.
pub(super) const BLOCK: usize = 2;
/// Powers kept on each side; what is further from an anchor is taken from its logarithm.
const MOST_POWERS: usize = 1 << 14;
/// Powers after which the next is taken anew from its logarithm.
const FRESH: usize = 64;

/// What a batch of sites adds to the total: P(x) at place `MARGIN + x`, zeros around.
#[derive(Debug, Clone)]
struct Batch {
    sites: u32,
    p: Vec<f64>,
}

/// Zeros before and after a batch law, so that lanes may reach beyond it.
const MARGIN: usize = LANE * BLOCK;

/// R_µ(n, T) as a factor of each check times a power of the total's distance from the check's anchor.
#[derive(Debug, Clone)]
struct Ratios {
    tilt: Tilt,
    factors: Vec<f64>,
    /// ρ to the powers −`reach` and up.
    powers: Vec<f64>,
}

/// Factors and powers outside this range may have lost digits.
const IN_RANGE: std::ops::RangeInclusive<f64> = 1e-290..=1e290;

/// Batches and likelihood ratios as one law sees them.
#[derive(Debug, Clone)]
pub(super) struct Measure {
    batches: Vec<Batch>,
    /// Which of them leads to each check.
    batch_of: Vec<usize>,
    ratios: Vec<Ratios>,
    sites: Vec<f64>,
    anchors: Vec<usize>,
    reach: usize,
}

/// Tables of one design.
#[derive(Debug, Clone)]
pub(super) struct Stage {
    /// Sites of each check.
    pub sites: Vec<u32>,
    /// Means of the objective; ratios are those of the inadequate and adequate mean, these, and those
    /// where staying undecided is bounded.
    pub means: usize,
    /// Where staying undecided is bounded; none for a plan that ends by a call.
    pub undecided: usize,
    /// No line is above this total.
    pub longest: usize,
    /// Of the inadequate mean.
    pub low: Measure,
    /// Of the middle of the strip.
    pub middle: Measure,
    /// From the inadequate to the adequate mean.
    pub tilt: Tilt,
    /// ln ρ from the inadequate mean to each mean of the objective.
    pub ln_ratios: Vec<f64>,
}

/// The two thresholds among the ratios.
pub(super) const INADEQUATE: usize = 0;
pub(super) const ADEQUATE: usize = 1;
/// The first mean of the objective.
pub(super) const MEANS: usize = 2;

/// What a stage is used for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ways {
    /// Forward passes only.
    Forward,
    /// Backward induction too.
    Both,
}

impl Stage {
    /// `laws` are those at the inadequate and adequate mean, at the means of the objective and where staying
    /// undecided is bounded (`undecided` of them); all of one family, or there is no result.
    pub fn new(
        sites: &[u32],
        middle: &Law,
        laws: &[Law],
        undecided: usize,
        longest: usize,
        ways: Ways,
    ) -> Option<Self> {
        let [low, high, ..] = laws else { return None };
        let backward = if ways == Ways::Both { laws } else { &[] };
        let anchors: Vec<usize> =
            sites.iter().map(|&n| ((f64::from(n) * middle.mean()) as usize).min(longest)).collect();
        Some(Self {
            sites: sites.to_vec(),
            means: laws.len() - MEANS - undecided,
            undecided,
            longest,
            low: Measure::new(sites, low, backward, &anchors, longest)?,
            middle: Measure::new(sites, middle, laws, &anchors, longest)?,
            tilt: low.tilt_to(high)?,
            ln_ratios: laws[MEANS..laws.len() - undecided]
                .iter()
                .map(|law| Some(low.tilt_to(law)?.ln_ratio))
                .collect::<Option<_>>()?,
        })
    }

    pub fn checks(&self) -> usize {
        self.sites.len()
    }

    pub fn by_call(&self) -> bool {
        self.undecided == 0
    }

    /// Sites of the batch that leads to check `i`.
    #[inline(always)]
    pub fn gap(&self, i: usize) -> f64 {
        f64::from(self.sites[i] - if i == 0 { 0 } else { self.sites[i - 1] })
    }

    /// The last total at which calling inadequate costs less at check `i`, from −1 up to the longest row.
    pub fn even(&self, multipliers: &[f64], i: usize) -> Total {
        let ln = libm::log(multipliers[0] / multipliers[1]) - f64::from(self.sites[i]) * self.tilt.ln_site;
        libm::floor(ln / self.tilt.ln_ratio).clamp(-1.0, self.longest as f64) as Total
    }
}

impl Measure {
    fn new(sites: &[u32], law: &Law, laws: &[Law], anchors: &[usize], longest: usize) -> Option<Self> {
        let gaps: Vec<u32> = std::iter::once(0).chain(sites.iter().copied()).zip(sites).map(|(a, &b)| b - a).collect();
        let mut different = gaps.clone();
        different.sort_unstable();
        different.dedup();
        let batch = |&gap: &u32| {
            let (mut p, mut padded) = (Vec::new(), vec![0.0; longest + 4 * MARGIN]);
            law.batch(gap, longest + 1, &mut p);
            padded[MARGIN..MARGIN + p.len()].copy_from_slice(&p);
            Batch { sites: gap, p: padded }
        };
        let batches: Vec<Batch> = different.iter().map(batch).collect();
        let batch_of = gaps.iter().filter_map(|g| batches.iter().position(|b| b.sites == *g)).collect();
        let reach = anchors.last().copied().unwrap_or(0).min(MOST_POWERS);
        let ratios = |other: &Law| {
            let tilt = law.tilt_to(other)?;
            let ln = |(&n, &anchor): (&u32, &usize)| f64::from(n) * tilt.ln_site + anchor as f64 * tilt.ln_ratio;
            let factors = sites.iter().zip(anchors).map(|at| libm::exp(ln(at))).collect();
            let rho = libm::exp(tilt.ln_ratio);
            let length = reach + longest.min(MOST_POWERS) + 4 * MARGIN;
            let mut powers = Vec::with_capacity(length + FRESH);
            while powers.len() < length {
                let mut power = libm::exp((powers.len() as f64 - reach as f64) * tilt.ln_ratio);
                for _ in 0..FRESH {
                    powers.push(power);
                    power *= rho;
                }
            }
            Some(Ratios { tilt, factors, powers })
        };
        let ratios = laws.iter().map(ratios).collect::<Option<_>>()?;
        let (sites, anchors) = (sites.iter().map(|&n| f64::from(n)).collect(), anchors.to_vec());
        Some(Self { batches, batch_of, ratios, sites, anchors, reach })
    }

    /// Of a mean at check `i`: its factor, and powers such that R(i, t) = factor·powers[t − `from`]; `None` where
    /// one of `len` powers, or the factor, is out of the range of numbers.
    #[inline(always)]
    fn ratios(&self, mean: usize, i: usize, from: usize, len: usize) -> Option<(f64, &[f64])> {
        let ratios = &self.ratios[mean];
        let factor = ratios.factors[i];
        let first = (self.reach + from).checked_sub(self.anchors[i])?;
        let powers = ratios.powers.get(first..first + len)?;
        let (a, b) = (powers.first().copied().unwrap_or(1.0), powers.last().copied().unwrap_or(1.0));
        [factor, a, b].iter().all(|x| IN_RANGE.contains(x)).then_some((factor, powers))
    }

    /// R(i, t) from its logarithm.
    fn exactly(&self, mean: usize, sites: f64, total: usize) -> f64 {
        let tilt = self.ratios[mean].tilt;
        libm::exp(sites * tilt.ln_site + total as f64 * tilt.ln_ratio)
    }

    /// R(i, t).
    #[inline(always)]
    pub fn ratio(&self, mean: usize, i: usize, total: usize) -> f64 {
        match self.ratios(mean, i, total, 1) {
            Some((factor, powers)) => factor * powers[0],
            None => self.exactly(mean, self.sites[i], total),
        }
    }

    /// Adds scale·R(i, t) to `out`, whose totals begin at `from`.
    #[inline(always)]
    pub fn add_ratios(&self, mean: usize, i: usize, from: usize, scale: f64, out: &mut [f64]) {
        if let Some((factor, powers)) = self.ratios(mean, i, from, out.len()) {
            let factor = scale * factor;
            for (out, r) in out.iter_mut().zip(powers) {
                *out += factor * r;
            }
        } else {
            for (t, out) in (from..).zip(out) {
                *out += scale * self.exactly(mean, self.sites[i], t);
            }
        }
    }

    /// Σ q·R(i, t) over totals from `from` on.
    #[inline(always)]
    pub fn weigh(&self, mean: usize, i: usize, from: usize, q: &[f64]) -> f64 {
        if let Some((factor, powers)) = self.ratios(mean, i, from, q.len()) {
            return factor * dot(q, powers);
        }
        // Where nothing stands the ratio may be infinite.
        let weighed = (from..).zip(q).filter(|(_, q)| **q > 0.0).map(|(t, q)| q * self.exactly(mean, self.sites[i], t));
        weighed.sum()
    }

    /// Probabilities that the batch which leads to check `i` adds 0, 1, ….
    #[inline(always)]
    pub fn batch(&self, i: usize) -> &[f64] {
        &self.batches[self.batch_of[i]].p[MARGIN..]
    }

    /// Σⱼ open[j]·P(t − j) over the batch of check `i`, for `BLOCK` lanes of t from `LANE·block` on.
    #[inline(always)]
    pub fn onwards(&self, i: usize, open: &[f64], block: usize) -> Lanes {
        let p = &self.batches[self.batch_of[i]].p[..];
        let first = LANE * block;
        let end = open.len().min(first + LANE * BLOCK);
        chained(&open[..end], |j| &p[MARGIN + first - j..])
    }

    /// Σₓ P(x)·worth[t + x] over the batch of check `i`, for `BLOCK` lanes of t from `from` on; `worth` is
    /// 0 from `end` on, and as long as the lanes reach.
    #[inline(always)]
    pub fn back(&self, i: usize, worth: &[f64], from: usize, end: usize) -> Lanes {
        let p = &self.batch(i)[..end.saturating_sub(from)];
        chained(p, |x| &worth[from + x..])
    }
}

/// Some lanes of numbers.
pub(super) type Lanes = [[f64; LANE]; BLOCK];

/// Σᵢ factors[i]·rows(i) for the first lanes of each row; even and odd i apart, so that two sums run at once.
#[inline(always)]
fn chained<'a>(factors: &[f64], rows: impl Fn(usize) -> &'a [f64]) -> Lanes {
    let add = |sums: &mut Lanes, i: usize, factor: f64| {
        let row = &rows(i)[..LANE * BLOCK];
        for (b, sum) in sums.iter_mut().enumerate() {
            for l in 0..LANE {
                sum[l] += factor * row[LANE * b + l];
            }
        }
    };
    let (mut even, mut odd) = ([[0.0; LANE]; BLOCK], [[0.0; LANE]; BLOCK]);
    let (pairs, rest) = factors.as_chunks::<2>();
    for (i, &[a, b]) in pairs.iter().enumerate() {
        add(&mut even, 2 * i, a);
        add(&mut odd, 2 * i + 1, b);
    }
    if let [a] = *rest {
        add(&mut even, factors.len() - 1, a);
    }
    for (e, o) in even.iter_mut().zip(&odd) {
        for l in 0..LANE {
            e[l] += o[l];
        }
    }
    even
}

/// Σ a·b over the shorter of the two, lane by lane.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; LANE];
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<LANE>(), b[..a.len()].as_chunks::<LANE>());
    for (a, b) in a.iter().zip(b) {
        for l in 0..LANE {
            sums[l] += a[l] * b[l];
        }
    }
    for (l, (a, b)) in a_rest.iter().zip(b_rest).enumerate() {
        sums[l] += a * b;
    }
    let halves: [f64; 4] = std::array::from_fn(|l| sums[l] + sums[l + 4]);
    (halves[0] + halves[2]) + (halves[1] + halves[3])
}
