//! The inner loops of exact evaluation, written once and instantiated for each instruction set.
//!
//! With [`Plain`] arithmetic every sum is taken in a fixed order without fusing: the same bits on every
//! machine. Anything that decides an integer of a plan is computed so. [`Fused`] arithmetic differs in
//! the last places and only serves curves and searches.
#![allow(clippy::indexing_slicing)] // lengths are fixed by `windows`; slices are cut once per run
#![allow(clippy::cast_possible_wrap)] // windows in memory
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::windows::{Part, Window};
use crate::lines::Call;

/// a·b + c, fused or not.
pub(crate) trait Arithmetic {
    fn multiply_add(a: f64, b: f64, c: f64) -> f64;
}

/// Two roundings: the same everywhere.
pub(crate) struct Plain;

impl Arithmetic for Plain {
    #[inline(always)]
    fn multiply_add(a: f64, b: f64, c: f64) -> f64 {
        a * b + c
    }
}

/// One rounding, where the instruction set has it (elsewhere a slow library call: never instantiate it there).
pub(crate) struct Fused;

impl Arithmetic for Fused {
    #[inline(always)]
    fn multiply_add(a: f64, b: f64, c: f64) -> f64 {
        a.mul_add(b, c)
    }
}

/// Numbers in a vector of the widest instruction set.
pub(crate) const LANE: usize = 8;
/// Zeros before the first step in each copy of a step law, so that a tile may reach before it.
pub(crate) const PAD: usize = 3 * LANE;
/// Probabilities below this are near the end of the range of numbers and may have lost digits.
const FAINT: f64 = 1e-290;
/// A check whose largest probability is below `LOW` is multiplied by 2^[`LIFT_EXPONENT`].
const LOW: f64 = 1e-150;
pub(crate) const LIFT_EXPONENT: i32 = 400;
const LIFT: f64 = 2.582249878086909e120; // 2^400

/// The smallest multiple of a vector's length that is not below `len`.
pub(crate) const fn padded(len: usize) -> usize {
    len.next_multiple_of(LANE)
}

/// A step law in eight copies, each shifted by one more position, so that every vector of a convolution
/// is read from an aligned place.
#[derive(Debug, Clone, Default)]
pub(crate) struct Steps {
    /// Copy s holds P(x) at `PAD + s + x`; zeros elsewhere.
    copies: Vec<f64>,
    stride: usize,
}

impl Steps {
    pub fn set(&mut self, p: &[f64], longest: usize) {
        self.stride = PAD + padded(longest) + 2 * PAD + LANE;
        self.copies.clear();
        self.copies.resize(LANE * self.stride, 0.0);
        for (s, copy) in self.copies.chunks_exact_mut(self.stride).enumerate() {
            let from = PAD + s;
            let len = p.len().min(longest);
            copy[from..from + len].copy_from_slice(&p[..len]);
        }
    }
}

/// B vectors of Σⱼ a[j]·P(t − j), t from `LANE·first` on, over the open runs of the check before.
#[inline(always)]
fn tile<A: Arithmetic, const B: usize>(
    open: &[f64],
    parts: &[Part],
    start: usize,
    steps: &Steps,
    first: usize,
) -> [[f64; LANE]; B] {
    let mut sum = [[0.0; LANE]; B];
    let reach = LANE * (first + B);
    for part in parts {
        if part.call.is_some() {
            continue;
        }
        let from = part.start - start;
        let end = (part.end - start).min(reach);
        if from >= end {
            break;
        }
        for (j, &a) in (from..end).zip(&open[from..end]) {
            let shift = j % LANE;
            let at = shift * steps.stride + PAD + LANE * first - (j - shift);
            let p = &steps.copies[at..at + LANE * B];
            for i in 0..B {
                for l in 0..LANE {
                    sum[i][l] = A::multiply_add(a, p[LANE * i + l], sum[i][l]);
                }
            }
        }
    }
    sum
}

/// What a stretch of checks works on: rows of cells one after another, each padded to whole vectors,
/// after the open totals that came in.
pub(crate) struct Stretch<'a> {
    pub rows: &'a [Window],
    pub parts: &'a [Part],
    /// Step law for each batch size.
    pub steps: &'a [Steps],
    /// The open run that came in, from cell 0.
    pub came_in: Part,
    /// Powers of two taken out so far.
    pub exponent: i32,
}

/// Runs the recursion over a stretch, filling `cells` and the exponent of each check. Returns whether a
/// tracked probability became too faint to be tilted far. B is at most 4.
#[inline(always)]
pub(crate) fn recur<A: Arithmetic, const B: usize>(
    stretch: &Stretch<'_>,
    cells: &mut [f64],
    exponents: &mut Vec<i32>,
) -> bool {
    let came_in = [stretch.came_in];
    let (mut parts, mut start): (&[Part], usize) = (&came_in, 0);
    let (mut open_at, mut open_len) = (0, stretch.came_in.end);
    let mut at = padded(open_len);
    let (mut exponent, mut faint) = (stretch.exponent, false);
    for row in stretch.rows {
        let width = padded(row.len);
        let (before, rest) = cells.split_at_mut(at);
        let out = &mut rest[..width];
        let open = &before[open_at..open_at + open_len];
        let steps = &stretch.steps[row.gap];
        let blocks = width / LANE;
        let mut b = 0;
        while b + B <= blocks {
            out[LANE * b..LANE * (b + B)].copy_from_slice(tile::<A, B>(open, parts, start, steps, b).as_flattened());
            b += B;
        }
        let last = &mut out[LANE * b..];
        match blocks - b {
            0 => {}
            1 => last.copy_from_slice(tile::<A, 1>(open, parts, start, steps, b).as_flattened()),
            2 => last.copy_from_slice(tile::<A, 2>(open, parts, start, steps, b).as_flattened()),
            _ => last.copy_from_slice(tile::<A, 3>(open, parts, start, steps, b).as_flattened()),
        }
        out[row.len..].fill(0.0);
        let (least, most) = range(&out[..row.len]);
        if most > 0.0 {
            faint |= least < FAINT;
            if most < LOW {
                out.iter_mut().for_each(|q| *q *= LIFT);
                exponent -= LIFT_EXPONENT;
            }
        }
        exponents.push(exponent);
        parts = &stretch.parts[row.parts.0..row.parts.1];
        start = row.open.0;
        (open_at, open_len) = (at + row.open.0, row.open.1 - row.open.0);
        at += width;
    }
    faint
}

/// Smallest and largest of a row.
#[inline(always)]
fn range(q: &[f64]) -> (f64, f64) {
    let pick = |a: f64, b: f64, first: bool| if first { a } else { b };
    let (mut least, mut most) = ([f64::INFINITY; LANE], [0.0; LANE]);
    let vectors = q.chunks_exact(LANE);
    for (l, &x) in vectors.remainder().iter().enumerate() {
        (least[l], most[l]) = (x, x);
    }
    for v in vectors {
        for l in 0..LANE {
            least[l] = pick(v[l], least[l], v[l] < least[l]);
            most[l] = pick(v[l], most[l], v[l] > most[l]);
        }
    }
    (least.iter().copied().fold(f64::INFINITY, f64::min), most.iter().copied().fold(0.0, f64::max))
}

/// Means that are tilted together.
pub(crate) const BLOCK: usize = 48;
/// One number for each of them.
pub(crate) type Lanes = [f64; BLOCK];
/// Totals and sites after which a factor is taken anew from its logarithm: its rounding grows with them.
pub(crate) const FRESH: i64 = 256;

/// The state of a block of means as the checks pass.
#[derive(Debug, Clone)]
pub(crate) struct Tilted {
    /// Factor per unit of the total, and its logarithm.
    pub ratio: Lanes,
    pub ln_ratio: Lanes,
    /// ln of the factor per site.
    pub ln_site: Lanes,
    /// Factor of each batch size.
    pub batch: Vec<Lanes>,
    /// ρᵀcⁿ at the first open total of the check before.
    pub factor: Lanes,
    /// Smallest and largest factor met: outside the range of numbers nothing here is valid.
    pub least: Lanes,
    pub most: Lanes,
    /// Mass still open.
    pub left: Lanes,
    /// P(call) so far, in the order of [`Call::ALL`].
    pub calls: [Lanes; Call::ALL.len()],
    /// Expected sites so far.
    pub sites: Lanes,
    /// What has been multiplied since the factor was taken from its logarithm.
    pub since: i64,
    /// (sites, total) at the first open total of the check before, and the last check's sites.
    pub place: (u32, i64),
}

#[inline(always)]
fn multiply(a: &mut Lanes, b: &Lanes) {
    for (a, b) in a.iter_mut().zip(b) {
        *a *= b;
    }
}

#[inline(always)]
fn add_product<A: Arithmetic>(sum: &mut Lanes, a: &Lanes, b: &Lanes) {
    for ((sum, a), b) in sum.iter_mut().zip(a).zip(b) {
        *sum = A::multiply_add(*a, *b, *sum);
    }
}

/// Σ q[j]·ρʲ for a block, by Horner's rule in C independent chains at a time.
#[inline(always)]
fn polynomial<A: Arithmetic, const C: usize>(q: &[f64], ratio: &Lanes) -> Lanes {
    let mut sums = [0.0; BLOCK];
    for (sums, ratio) in sums.as_chunks_mut::<C>().0.iter_mut().zip(ratio.as_chunks::<C>().0) {
        let mut sum = [0.0; C];
        for &q in q.iter().rev() {
            for l in 0..C {
                sum[l] = A::multiply_add(sum[l], ratio[l], q);
            }
        }
        *sums = sum;
    }
    sums
}

/// Takes a stretch of checks into account for a block of means. With `SITES` the open mass is followed
/// (and kept in `open` where asked); without it only the calls below the uppermost stop are.
#[inline(always)]
pub(crate) fn tilt<A: Arithmetic, const C: usize, const SITES: bool>(
    stretch: &Stretch<'_>,
    cells: &[f64],
    exponents: &[i32],
    block: &mut Tilted,
    mut open_mass: Option<&mut Vec<Lanes>>,
) {
    let mut at = padded(stretch.came_in.end);
    let mut exponent = stretch.exponent;
    for (row, &lifted) in stretch.rows.iter().zip(exponents) {
        let q = &cells[at..at + row.len];
        at += padded(row.len);
        let gap = f64::from(row.at - block.place.0);
        if SITES {
            for (sites, left) in block.sites.iter_mut().zip(&block.left) {
                *sites = A::multiply_add(gap, *left, *sites);
            }
        }
        // From the first open total of the check before to the first total of this window.
        multiply(&mut block.factor, &block.batch[row.gap]);
        let moved = row.base - block.place.1;
        block.since += i64::from(row.at - block.place.0) + moved.abs();
        if moved != 0 || block.since > FRESH || lifted != exponent {
            fresh(block, row.at, row.base, lifted);
            exponent = lifted;
        }
        let mut factor = block.factor;
        let (mut open, mut stopped) = ([0.0; BLOCK], [0.0; BLOCK]);
        let parts = &stretch.parts[row.parts.0..row.parts.1];
        for part in parts {
            if part.start == row.open.0 && part.call.is_none() {
                block.factor = factor;
            }
            let q = &q[part.start..part.end];
            match part.call {
                Some(call) => {
                    let sums = polynomial::<A, C>(q, &block.ratio);
                    add_product::<A>(&mut block.calls[call as usize], &sums, &factor);
                    if SITES {
                        add_product::<A>(&mut stopped, &sums, &factor);
                    }
                }
                None if SITES => add_product::<A>(&mut open, &polynomial::<A, C>(q, &block.ratio), &factor),
                None => {}
            }
            if part.end < row.len {
                for _ in part.start..part.end {
                    multiply(&mut factor, &block.ratio);
                }
            }
        }
        block.since += (row.open.1) as i64;
        block.place = (row.at, row.base + row.open.0 as i64);
        for l in 0..BLOCK {
            block.least[l] = if block.factor[l] < block.least[l] { block.factor[l] } else { block.least[l] };
            block.most[l] = if block.factor[l] > block.most[l] { block.factor[l] } else { block.most[l] };
        }
        if SITES {
            match row.top {
                Some(call) => {
                    // A difference: a tiny mass has absolute accuracy only, and rounding may take it below 0.
                    let calls = &mut block.calls[call as usize];
                    for l in 0..BLOCK {
                        let above = block.left[l] - stopped[l] - open[l];
                        calls[l] += if above > 0.0 { above } else { 0.0 };
                    }
                    block.left = open;
                }
                None => {
                    for l in 0..BLOCK {
                        let left = block.left[l] - stopped[l];
                        block.left[l] = if left > 0.0 { left } else { 0.0 };
                    }
                }
            }
            if let Some(mass) = &mut open_mass {
                mass.push(block.left);
            }
        }
    }
}

/// Takes the factor at (sites, total) from its logarithm.
#[cold]
fn fresh(block: &mut Tilted, sites: u32, total: i64, exponent: i32) {
    #[allow(clippy::cast_precision_loss)] // totals stay below 2⁵³
    let total = total as f64;
    for l in 0..BLOCK {
        let ln = f64::from(sites) * block.ln_site[l] + total * block.ln_ratio[l];
        block.factor[l] = libm::exp(ln + f64::from(exponent) * core::f64::consts::LN_2);
    }
    block.since = 0;
}
