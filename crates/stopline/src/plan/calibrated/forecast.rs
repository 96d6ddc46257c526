//! How far a line has to go, before that is looked at.
//!
//! As a line moves outwards it changes at one check after another, and each change lets walks go on that come to
//! the edge of the line there. The share of them that then end right is much the same at every check. So the
//! chance of each edge, known from one recursion near by, tells how far the log risk falls with each change; over a
//! unit of width it falls by about what a total changes the log likelihood ratio.

use super::widths::Side;

/// Lines moved by this, in totals, or by this share of their distance from the middle let walks go on at other checks than
/// before.
const MOVED: f64 = 1.0;
const MOVED_SHARE: f64 = 0.05;
/// A change of the log risk is learned from where more than this was expected, …
const LEAST_LEARNED: f64 = 0.005;
/// … and as a multiple of that from and up to these.
const SLOWEST: f64 = 0.02;
const FASTEST: f64 = 4.0;
/// The multiple to begin with, of a line whose call is given at the cap too, where some of the walks that go on end
/// with it all the same, and of others.
const BEGIN: [f64; 2] = [0.7, 1.0];
/// By how much of what widening a line takes from the log risk it keeps it adds to the other one, to begin with.
const OTHER: f64 = 0.1;

/// By how much the log risk of each line falls as its change at each check is passed.
pub(super) struct Forecast {
    per_total: f64,
    /// For the lower and the upper line, at each check.
    weights: [Vec<f64>; 2],
    /// The widths of the lines for which these were found.
    fitted: Option<[f64; 2]>,
    /// Multiples of the weights that were seen, for either line where its call is given at the cap too, and where not.
    rates: [[f64; 2]; 2],
    /// What widening a line adds to the log risk of the other, over what it takes from its own.
    pub other: f64,
}

impl Forecast {
    /// The same fall at every check.
    pub fn new(per_total: f64, checks: usize) -> Self {
        let even = vec![per_total / checks.max(1) as f64; checks];
        Self { per_total, weights: [even.clone(), even], fitted: None, rates: [BEGIN; 2], other: OTHER }
    }

    /// By about how much a log risk changes with so many changes of its line.
    pub fn of_changes(&self, changes: f64) -> f64 {
        changes * self.per_total / self.weights[0].len().max(1) as f64
    }

    /// Was it fitted to lines about as wide as these?
    pub fn fits(&self, widths: [f64; 2]) -> bool {
        self.fitted.is_some_and(|fitted| {
            fitted.iter().zip(widths).all(|(was, is)| (is - was).abs() <= MOVED.max(MOVED_SHARE * is))
        })
    }

    /// Takes what the chances of the edges of such lines tell.
    pub fn fit(&mut self, widths: [f64; 2], edges: [Vec<f64>; 2]) {
        for (weights, edges) in self.weights.iter_mut().zip(edges) {
            // Over a unit of width every check changes once.
            let sum: f64 = edges.iter().sum();
            if sum > 0.0 && edges.len() == weights.len() {
                weights.iter_mut().zip(edges).for_each(|(weight, edge)| *weight = edge / sum * self.per_total);
            }
        }
        self.fitted = Some(widths);
    }

    /// The weights of a line, and their multiple where its call is given at the cap too or not.
    pub fn of(&mut self, side: Side, at_cap: bool) -> (&[f64], &mut f64) {
        let Self { weights: [lower, upper], rates: [of_lower, of_upper], .. } = self;
        let (weights, [called, not]) = if side == Side::Lower { (lower, of_lower) } else { (upper, of_upper) };
        (weights, if at_cap { called } else { not })
    }

    /// Learns from a move of a line, whether its call is given at the cap too, by which its log risk was to fall by
    /// `expected`, it fell by `fall`, and that of the other line rose by `rise`.
    pub fn learn(&mut self, side: Side, at_cap: bool, expected: f64, [fall, rise]: [f64; 2]) {
        if expected > LEAST_LEARNED {
            *self.of(side, at_cap).1 = (fall / expected).clamp(SLOWEST, FASTEST);
            self.other = (rise / fall.max(LEAST_LEARNED)).clamp(0.0, 1.0);
        }
    }
}
