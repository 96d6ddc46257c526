//! The different tables of whole totals that one line of the family can give.

use crate::plan::straight::ON_LINE;

#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Lower,
    Upper,
}

impl Side {
    /// How far a total is out from the middle line.
    fn width(self, (line, total): (f64, f64)) -> f64 {
        if self == Side::Upper { total - line } else { line - total }
    }
}

/// The distances from the middle line at which the table of one line changes, in order of widening.
///
/// The upper line at n sites, ⌈s·n + h⌉, is t up to and with h = t − s·n; the lower, ⌊s·n − h⌋, is t up
/// to and with h = s·n − t. A negative distance is a line beyond the middle.
///
/// Those far out are only listed once they are asked for.
pub(super) struct Widths {
    side: Side,
    /// The middle line at each check and the total of its first change, in the order of the changes: over every unit of
    /// width each check changes once, in this order.
    checks: Vec<(f64, f64)>,
    known: Vec<f64>,
    /// Units of width that are listed, of how many.
    listed: f64,
    units: f64,
    /// Changes closer than this are one.
    apart: f64,
    /// A width at which the lower line is below 0 at every check.
    none: f64,
}

impl Widths {
    /// Every change beyond distance `after`, up to about `last`; those up to about `first` are listed now.
    pub fn of(slope: f64, sites: &[u32], (after, last): (f64, f64), first: f64, side: Side) -> Self {
        let lines = sites.iter().map(|&n| slope * f64::from(n));
        let mut checks: Vec<(f64, f64)> = match side {
            Side::Upper => lines.map(|line| (line, libm::floor(line + after) + 1.0)).collect(),
            Side::Lower => lines.map(|line| (line, libm::ceil(line - after) - 1.0)).collect(),
        };
        checks.sort_unstable_by(|a, b| side.width(*a).total_cmp(&side.width(*b)));
        // What the rounding of lines can tell apart.
        let largest = sites.last().map_or(1.0, |&n| (slope * f64::from(n)).max(1.0));
        let units = libm::ceil((last - after).max(1.0));
        let mut widths = Self {
            side,
            checks,
            known: Vec::new(),
            listed: 0.0,
            units,
            apart: 2.0 * ON_LINE * largest,
            none: largest + 1.0,
        };
        while !widths.complete() && (widths.known.is_empty() || widths.listed < first - after) {
            widths.list();
        }
        widths
    }

    fn complete(&self) -> bool {
        self.listed >= self.units
    }

    /// Lists the changes over another unit of width.
    fn list(&mut self) {
        for &(line, total) in &self.checks {
            let total = if self.side == Side::Upper { total + self.listed } else { total - self.listed };
            let width = self.side.width((line, total));
            // No total is negative: below 0 there is no lower line, and every total reaches an upper one.
            if total >= 0.0 && self.known.last().is_none_or(|last| width - last >= self.apart) {
                self.known.push(width);
            }
        }
        self.listed += 1.0;
        if self.complete() && (self.side == Side::Lower || self.known.is_empty()) {
            self.known.push(self.none); // no lower line at any check, or no check before the cap
        }
    }

    pub fn at(&self, index: usize) -> f64 {
        self.known.get(index).copied().unwrap_or(f64::NAN)
    }

    /// The last change of all.
    pub fn last(&mut self) -> usize {
        self.reach(usize::MAX)
    }

    /// A change by its number, or the last of all.
    pub fn reach(&mut self, index: usize) -> usize {
        while self.known.len() <= index && !self.complete() {
            self.list();
        }
        index.min(self.known.len().saturating_sub(1))
    }

    /// The first change at or beyond distance `h`; one more than there are where none is.
    pub fn beyond(&mut self, h: f64) -> usize {
        while !self.complete() && self.known.last().is_none_or(|&last| last < h) {
            self.list();
        }
        self.known.partition_point(|&known| known < h)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::straight::{at_least, at_most};

    #[test]
    fn widths_are_the_changes_of_the_rounded_lines() {
        let sites = [1, 2, 3, 7];
        for (side, slope) in [(Side::Upper, 1.3), (Side::Lower, 1.3), (Side::Upper, 0.5), (Side::Lower, 0.1)] {
            let mut widths = Widths::of(slope, &sites, (-0.4, 10.0), 2.0, side);
            widths.last();
            let table = |h: f64| {
                sites.map(|n| {
                    let line = slope * f64::from(n);
                    if side == Side::Upper { Some(at_least(line + h)) } else { at_most(line - h) }
                })
            };
            for pair in widths.known.windows(2) {
                assert_ne!(table(pair[0]), table(pair[1]), "every step changes the table");
                // Nothing changes strictly inside a step.
                for share in [0.1, 0.5, 0.9] {
                    assert_eq!(table(pair[0] + share * (pair[1] - pair[0])), table(pair[1]));
                }
            }
        }
        let none_needed = Widths::of(0.5, &sites, (2.0, 9.0), 1.0, Side::Upper);
        assert!(none_needed.at(0) > 2.0, "the first change is always listed");
        let mut none = Widths::of(0.1, &sites, (-0.4, 10.0), 2.0, Side::Lower);
        let last = none.last();
        assert!(sites.iter().all(|&n| at_most(0.1 * f64::from(n) - none.at(last)).is_none()));
    }
}
