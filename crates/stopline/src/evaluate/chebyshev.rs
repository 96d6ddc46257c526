//! Many means from a few: calls and sites as Chebyshev series.
//!
//! Against m/(m + r), with r the mean per site along the middle of the lines (against p itself for shares of
//! positive units), both curves are so smooth that 96 nodes give them to the rounding of numbers over any
//! range of means; where the last terms say otherwise twice as many are taken, and then there is no series.
//! A series has absolute accuracy: a tiny probability may come out as 0. (Clenshaw 1955, Math. Tables Other
//! Aids Comput. 9:118–120; Trefethen 2013, *Approximation Theory and Approximation Practice*, chapters 3 and 8.)
#![allow(clippy::indexing_slicing)] // one term a node
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::dispatch::{PlainWork, VectorWork};
use super::vector::{LANE, Octet, Vector};
use crate::law::Family;
use std::sync::OnceLock;

/// Nodes tried, one after the other.
pub(super) const NODES: [usize; 2] = [96, 192];
/// Last terms that must be small, and how small against the largest value.
const LAST: usize = 8;
const SMALL: f64 = 1e-14;
/// Vectors of means that go through the terms together.
const TOGETHER: usize = 4;

/// Where means lie in a series: from −1 to 1 over a range of them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Axis {
    /// Means are told by m/(m + r); by themselves if there is no r.
    r: Option<f64>,
    middle: f64,
    half: f64,
}

impl Axis {
    /// Over these means, of which no less than two must differ.
    pub fn over(family: Family, r: f64, means: &[f64]) -> Option<Self> {
        let r = (!matches!(family, Family::Binomial { .. })).then_some(r);
        let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
        for &mean in means {
            (low, high) = (low.min(mean), high.max(mean));
        }
        let [low, high] = [low, high].map(|m| r.map_or(m, |r| m / (m + r)));
        (low < high).then_some(Self { r, middle: 0.5 * (low + high), half: 0.5 * (high - low) })
    }

    /// The means at the nodes.
    pub fn nodes(&self, count: usize) -> impl Iterator<Item = f64> {
        let Self { r, middle, half } = *self;
        (0..count).map(move |j| {
            let angle = core::f64::consts::PI * (j as f64 + 0.5) / count as f64;
            let at = middle + half * libm::cos(angle);
            r.map_or(at, |r| at * r / (1.0 - at))
        })
    }
}

/// cos(πk(j + ½)/n) at place n·j + k.
fn cosines(n: usize) -> &'static [f64] {
    static TABLES: [OnceLock<Vec<f64>>; NODES.len()] = [OnceLock::new(), OnceLock::new()];
    let which = usize::from(n != NODES[0]);
    TABLES[which].get_or_init(|| {
        // Angles are πi/2n: one turn has 4n of them.
        let turn: Vec<f64> = (0..4 * n).map(|i| libm::cos(core::f64::consts::PI * i as f64 / (2 * n) as f64)).collect();
        (0..n * n).map(|place| turn[(2 * (place / n) + 1) * (place % n) % (4 * n)]).collect()
    })
}

/// The terms of the series through values at the nodes; `None` where the last are not small.
pub(super) struct Terms<'a> {
    pub values: &'a [f64],
}

impl PlainWork for Terms<'_> {
    type Result = Option<Vec<f64>>;

    #[inline(always)]
    fn run(self) -> Option<Vec<f64>> {
        let n = self.values.len();
        let mut terms = vec![0.0; n];
        let mut largest = 0.0;
        for (&value, cosines) in self.values.iter().zip(cosines(n).chunks_exact(n)) {
            largest = if value > largest { value } else { largest };
            for (term, cosine) in terms.iter_mut().zip(cosines) {
                *term += value * cosine;
            }
        }
        terms.iter_mut().for_each(|term| *term *= 2.0 / n as f64);
        terms[0] *= 0.5;
        terms[n - LAST..].iter().all(|term| term.abs() <= SMALL * largest).then_some(terms)
    }
}

/// Sums of several series of one length at each mean: those of the f-th are in `sums[f]`, a vector for every
/// eight means.
pub(super) struct Sums<'a> {
    pub axis: Axis,
    pub means: &'a [f64],
    pub series: &'a [Vec<f64>],
    pub sums: &'a mut [Vec<Octet>],
}

impl VectorWork for Sums<'_> {
    type Result = ();

    #[inline(always)]
    fn run<V: Vector>(self) {
        let Self { axis, means, series, sums } = self;
        let mut at = Vec::with_capacity(means.len().div_ceil(LANE).next_multiple_of(TOGETHER));
        for means in means.chunks(LANE) {
            let mut twice = Octet::ZERO;
            for (twice, &mean) in twice.0.iter_mut().zip(means) {
                let place = axis.r.map_or(mean, |r| mean / (mean + r));
                *twice = 2.0 * ((place - axis.middle) / axis.half);
            }
            at.push(twice);
        }
        let vectors = at.len();
        at.resize(vectors.next_multiple_of(TOGETHER), Octet::ZERO);
        for (terms, sums) in series.iter().zip(sums) {
            sums.clear();
            for at in at.as_chunks::<TOGETHER>().0 {
                let twice = at.each_ref().map(|at| V::load(at));
                for sum in clenshaw(terms, &twice) {
                    let mut octet = Octet::ZERO;
                    sum.store(&mut octet.0);
                    sums.push(octet);
                }
            }
            sums.truncate(vectors);
        }
    }
}

/// Σ terms[k]·Tₖ(x) at each x, given 2x, by Clenshaw's recurrence bₖ = cₖ + 2x·bₖ₊₁ − bₖ₊₂.
///
/// With the signs of b as +, +, −, − over k nothing is subtracted.
#[inline(always)]
fn clenshaw<V: Vector, const N: usize>(terms: &[f64], twice: &[V; N]) -> [V; N] {
    let minus = V::all(-1.0);
    let less = twice.map(|x| x.times(minus));
    let zero = [V::all(0.0); N];
    // Of bₖ₊₁ and bₖ₊₂; four terms a turn, the last ones first.
    let (mut b1, mut b2) = (zero, zero);
    for four in terms.as_chunks::<4>().0.iter().rev() {
        // b₃ and b₂ are kept with the opposite sign, b₁ and b₀ with their own.
        for n in 0..N {
            b2[n] = V::all(-four[3]).plus(b2[n]).plus(less[n].times(b1[n]));
        }
        for n in 0..N {
            b1[n] = V::all(-four[2]).plus(b1[n]).plus(twice[n].times(b2[n]));
        }
        for n in 0..N {
            b2[n] = V::all(four[1]).plus(b2[n]).plus(less[n].times(b1[n]));
        }
        for n in 0..N {
            b1[n] = V::all(four[0]).plus(b1[n]).plus(twice[n].times(b2[n]));
        }
    }
    // b1 is b₀, b2 is b₁: the sum is b₀ − x·b₁.
    let half = V::all(0.5);
    for n in 0..N {
        b1[n] = b1[n].plus(less[n].times(half).times(b2[n]));
    }
    b1
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::InstructionSet;

    #[test]
    fn a_series_gives_a_smooth_curve_back() {
        let means: Vec<f64> = (0..333).map(|i| 0.01 * libm::exp(0.02 * f64::from(i))).collect();
        let axis = Axis::over(Family::Poisson, 1.4, &means).unwrap();
        let curve = |m: f64| 3.0 + libm::sin(3.0 * m / (1.0 + m));
        for set in InstructionSet::all() {
            let values: Vec<f64> = axis.nodes(NODES[0]).map(curve).collect();
            let series = vec![set.plainly(Terms { values: &values }).unwrap()];
            let mut sums = vec![Vec::new()];
            set.over_vectors(Sums { axis, means: &means, series: &series, sums: &mut sums });
            for (i, &mean) in means.iter().enumerate() {
                let sum = sums[0][i / LANE].0[i % LANE];
                // Rounding of 96 terms of a curve up to 4.
                assert!((sum - curve(mean)).abs() < 1e-13, "{mean}: {sum} {}", curve(mean));
            }
        }
        let kink: Vec<f64> = axis.nodes(NODES[0]).map(|m| (m - 1.0).abs()).collect();
        assert!(InstructionSet::best().plainly(Terms { values: &kink }).is_none(), "no series of a kink");
    }
}
