//! The forward recursion's inner loops, written once and instantiated for each instruction set.
//!
//! Every sum is taken in an order that does not depend on the width of the vectors, with a rounding
//! after each multiplication: the same bits from every instruction set and on every machine, but where fused
//! multiply-adds are asked for.
#![allow(clippy::indexing_slicing)] // lengths are fixed by `windows`; slices are cut once per row
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::dispatch::VectorWork;
use super::vector::{LANE, Octet, Vector};
use super::windows::{Part, Window};
use crate::lines::Call;
use core::hint::cold_path;

/// Probabilities below this are near the end of the range of numbers and may have lost digits.
const FAINT: f64 = 1e-290;
/// A check whose probabilities, every eighth of them, add to less than `LOW` is multiplied by 2^[`LIFT_EXPONENT`].
const LOW: f64 = 1e-150;
const LIFT_EXPONENT: i32 = 400;
const LIFT: f64 = 2.582249878086909e120; // 2^400
/// Checks from one look at their sum to the next.
const LOOK: usize = 8;

/// 0 in the lanes of a check's last vector that hold totals, by the remainder of their number, and 1 in the others.
const UNUSED: [Octet; LANE] = {
    let mut unused = [Octet::ZERO; LANE];
    let mut rest = 1;
    while rest < LANE {
        let mut l = rest;
        while l < LANE {
            unused[rest].0[l] = 1.0;
            l += 1;
        }
        rest += 1;
    }
    unused
};

/// Room for a check of `len` totals: whole vectors, with a zero after them, so that its open totals can be read two at
/// a time.
pub(crate) const fn room(len: usize) -> usize {
    (len + LANE) / LANE * LANE
}

/// Two shifts of a vector of step probabilities, for an even and an odd open total.
type Pair = [Octet; 2];
/// Pairs for eight open totals.
const PAIRS: usize = LANE / 2;

/// A step law, laid out so that every vector of a convolution is read from an aligned place, one after the
/// other as the open totals rise: with D vectors of probabilities, shift i holds P(8(D − 1) + l − i) in lane l.
#[derive(Debug, Clone, Default)]
pub(crate) struct Steps {
    shifted: Vec<Pair>,
    padded: Vec<f64>,
}

impl Steps {
    /// The first `longest` probabilities of a law; what `p` lacks is 0.
    pub fn set(&mut self, p: &[f64], longest: usize) {
        let p = &p[..p.len().min(longest)];
        let len = longest.next_multiple_of(LANE);
        self.padded.clear();
        self.padded.resize(LANE, 0.0);
        self.padded.extend_from_slice(p);
        self.padded.resize(LANE + len, 0.0);
        self.shifted.clear();
        self.shifted.resize(len / 2, [Octet::ZERO; 2]);
        for (i, vector) in self.shifted.as_flattened_mut().iter_mut().enumerate() {
            vector.0.copy_from_slice(&self.padded[len - i..len - i + LANE]);
        }
    }
}

/// B vectors, from `first` on, of Σⱼ open[j]·P(t − j): j rises, two at a time.
#[inline(always)]
fn tile<V: Vector, const B: usize>(open: &[[f64; 2]], shifted: &[Pair], first: usize) -> [V; B] {
    let (full, rest) = open.split_at(open.len().min(PAIRS * (first + 1)));
    let from = |b: usize| &shifted[shifted.len() - PAIRS * b..];
    let mut sums = Sums([[V::all(0.0); B]; 4]);
    sums.run::<0>(full, from(first + B));
    let mut rest = rest.chunks(PAIRS);
    // Open totals that begin within the tile reach its later vectors only.
    macro_rules! later {
        ($($i:literal)*) => {
            $(if B > $i && let Some(open) = rest.next() {
                sums.run::<$i>(open, from(B - $i));
            })*
        };
    }
    later!(1 2 3);
    sums.all()
}

/// B vectors of sums. Where products are fused the open totals take turns between two or four of each, so that none
/// waits for the product before.
struct Sums<V, const B: usize>([[V; B]; 4]);

impl<V: Vector, const B: usize> Sums<V, B> {
    /// Adds to the vectors from I on; `shifted` begins with that of the last vector.
    #[inline(always)]
    fn run<const I: usize>(&mut self, open: &[[f64; 2]], shifted: &[Pair]) {
        let mut sums = self.0;
        let reach = PAIRS * (B - 1 - I) + 1;
        if V::FUSED && V::BESIDE == 4 {
            let (twos, one) = open.as_chunks::<2>();
            for ([a, b], p) in twos.iter().zip(shifted.windows(reach + 1).step_by(2)) {
                Self::add::<I, 0>(&mut sums, a, p);
                Self::add::<I, 2>(&mut sums, b, &p[1..]);
            }
            if let [a] = one {
                Self::add::<I, 0>(&mut sums, a, &shifted[2 * twos.len()..]);
            }
        } else {
            for (a, p) in open.iter().zip(shifted.windows(reach)) {
                Self::add::<I, 0>(&mut sums, a, p);
            }
        }
        self.0 = sums;
    }

    /// Two open totals, into the sums of number `FIRST` and, where products are fused, the next.
    #[inline(always)]
    fn add<const I: usize, const FIRST: usize>(sums: &mut [[V; B]; 4], a: &[f64; 2], p: &[Pair]) {
        let a = [V::all(a[0]), V::all(a[1])];
        for b in I..B {
            let p = &p[PAIRS * (B - 1 - b)];
            let p = [V::load(&p[0]), V::load(&p[1])];
            if V::FUSED {
                sums[FIRST][b] = a[0].times_plus(p[0], sums[FIRST][b]);
                sums[FIRST + 1][b] = a[1].times_plus(p[1], sums[FIRST + 1][b]);
            } else {
                sums[FIRST][b] = sums[FIRST][b].plus(a[0].times(p[0]).plus(a[1].times(p[1])));
            }
        }
    }

    #[inline(always)]
    fn all(self) -> [V; B] {
        let [mut all, second, third, fourth] = self.0;
        if V::FUSED {
            for b in 0..B {
                all[b] = all[b].plus(second[b]);
                if V::BESIDE == 4 {
                    all[b] = all[b].plus(third[b].plus(fourth[b]));
                }
            }
        }
        all
    }
}

/// The first `len` totals of a check and a zero after them, at most B vectors at a time (at most 4). Returns the least
/// of them and of `least`, lane by lane.
#[inline(always)]
pub(super) fn convolve<V: Vector, const B: usize>(
    open: &[[f64; 2]],
    steps: &Steps,
    out: &mut [f64],
    len: usize,
    mut least: V,
) -> V {
    let (mut first, mut rest) = (0, out[..len.next_multiple_of(LANE)].as_chunks_mut().0);
    while rest.len() > B {
        let (out, others) = rest.split_at_mut(B);
        for (out, sum) in out.iter_mut().zip(tile::<V, B>(open, &steps.shifted, first)) {
            sum.store(out);
            least = least.least(sum);
        }
        rest = others;
        first += B;
    }
    macro_rules! last {
        ($b:literal) => {{
            let sums = tile::<V, $b>(open, &steps.shifted, first);
            for (b, (out, sum)) in rest.iter_mut().zip(sums).enumerate() {
                sum.store(out);
                least = least.least(if b + 1 < $b { sum } else { sum.plus(V::load(&UNUSED[len % LANE])) });
            }
        }};
    }
    match rest.len() {
        1 => last!(1),
        2 if B > 1 => last!(2),
        3 if B > 2 => last!(3),
        4 if B > 3 => last!(4),
        _ => {}
    }
    out[len] = 0.0;
    least
}

/// What a stretch of checks works on: rows of cells one after another, each in its [`room`], after the open
/// totals that came in.
pub(crate) struct Stretch<'a> {
    pub rows: &'a [Window],
    pub parts: &'a [Part],
    /// Step law for each batch size.
    pub steps: &'a [Steps],
    /// How many open totals came in, in cells from 0 on.
    pub came_in: usize,
    /// Powers of two taken out before.
    pub exponent: i32,
    /// The call of every uppermost stop, if they have one call.
    pub top: Option<Call>,
    /// Sites of the last check of all.
    pub cap: u32,
}

/// A stretch after the recursion ran over it.
pub(crate) struct Filled<'a> {
    pub stretch: &'a Stretch<'a>,
    pub cells: &'a [f64],
    /// Powers of two taken out of each check.
    pub exponents: &'a [i32],
}

/// The recursion over a stretch, filling `cells` and the exponent of each check. Returns whether a tracked
/// probability became too faint to be tilted far.
pub(crate) struct Recur<'a> {
    pub stretch: &'a Stretch<'a>,
    pub cells: &'a mut [f64],
    pub exponents: &'a mut [i32],
    /// Memory for a check with several runs of open totals.
    pub holes: &'a mut Vec<f64>,
}

impl VectorWork for Recur<'_> {
    type Result = bool;

    #[inline(always)]
    fn run<V: Vector>(self) -> bool {
        match V::BESIDE {
            1 => recur::<V, 1>(self),
            2 => recur::<V, 2>(self),
            _ => recur::<V, 4>(self),
        }
    }
}

#[inline(always)]
fn recur<V: Vector, const B: usize>(Recur { stretch, cells, exponents, holes }: Recur<'_>) -> bool {
    let mut exponent = stretch.exponent;
    let mut least = V::all(1.0);
    let (came_in, mut rest) = cells.split_at_mut(room(stretch.came_in));
    // An even number of open totals; the last may be the zero after them.
    let mut before = &came_in[..stretch.came_in.next_multiple_of(2)];
    for (i, (row, exponent_here)) in stretch.rows.iter().zip(exponents).enumerate() {
        let (out, others) = rest.split_at_mut(room(row.len));
        rest = others;
        let found = convolve::<V, B>(before.as_chunks().0, &stretch.steps[row.gap], out, row.len, least);
        // Where nothing came in, there is nothing to become faint.
        least = if before.is_empty() { least } else { found };
        if i % LOOK == LOOK - 1 {
            let mut sums = V::all(0.0);
            for vector in out[..row.len.next_multiple_of(LANE)].as_chunks().0 {
                sums = sums.plus(V::read(vector));
            }
            let mut lanes = [0.0; LANE];
            sums.store(&mut lanes);
            let (mut low, mut some) = (true, false);
            for mass in lanes {
                low &= mass < LOW;
                some |= mass > 0.0;
            }
            if low && some {
                cold_path();
                out[..row.len].iter_mut().for_each(|q| *q *= LIFT);
                exponent -= LIFT_EXPONENT;
            }
        }
        *exponent_here = exponent;
        before = if row.solid {
            &out[row.open.0..row.open.0 + (row.open.1 - row.open.0).next_multiple_of(2)]
        } else {
            cold_path();
            holes.clear();
            holes.extend_from_slice(&out[row.open.0..row.open.1]);
            close_holes(holes, &stretch.parts[row.parts.0..row.parts.1], row.open.0);
            holes.resize(holes.len().next_multiple_of(2), 0.0);
            holes
        };
    }
    is_faint(least)
}

/// Is some probability too faint?
#[inline(always)]
pub(super) fn is_faint<V: Vector>(least: V) -> bool {
    let mut lanes = [0.0; LANE];
    least.store(&mut lanes);
    let mut faint = false;
    for q in lanes {
        faint |= q < FAINT;
    }
    faint
}

/// Zeros in place of the stops between open totals.
pub(crate) fn close_holes(open: &mut [f64], parts: &[Part], start: usize) {
    for part in parts.iter().filter(|p| p.call.is_some() && p.start >= start) {
        open.get_mut(part.start - start..(part.end - start).min(open.len())).unwrap_or_default().fill(0.0);
    }
}
