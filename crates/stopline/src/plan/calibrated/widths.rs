//! The different tables of whole totals that one line of the family can give.

use crate::plan::straight::ON_LINE;

#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Lower,
    Upper,
}

impl Side {
    pub const BOTH: [Self; 2] = [Self::Lower, Self::Upper];

    pub fn other(self) -> Self {
        if self == Side::Lower { Side::Upper } else { Side::Lower }
    }

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
    /// The number of each check, the middle line there and the total of its first change, in the order of the changes:
    /// over every unit of width each check changes once, in this order.
    checks: Vec<(usize, (f64, f64))>,
    known: Vec<f64>,
    /// Which check changes between a width, by its number, and the next.
    changed: Vec<(usize, usize)>,
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
        let lines = sites.iter().map(|&n| slope * f64::from(n)).enumerate();
        let mut checks: Vec<(usize, (f64, f64))> = match side {
            Side::Upper => lines.map(|(check, line)| (check, (line, libm::floor(line + after) + 1.0))).collect(),
            Side::Lower => lines.map(|(check, line)| (check, (line, libm::ceil(line - after) - 1.0))).collect(),
        };
        checks.sort_unstable_by(|(_, a), (_, b)| side.width(*a).total_cmp(&side.width(*b)));
        // What the rounding of lines can tell apart.
        let largest = sites.last().map_or(1.0, |&n| (slope * f64::from(n)).max(1.0));
        let units = libm::ceil((last - after).max(1.0));
        // As many changes as are listed at first.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // changes are counted before
        let listed = (first - after).clamp(0.0, units) as usize * checks.len() + checks.len();
        let mut widths = Self {
            side,
            checks,
            known: Vec::with_capacity(listed),
            changed: Vec::with_capacity(listed),
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
        for &(check, (line, total)) in &self.checks {
            let total = if self.side == Side::Upper { total + self.listed } else { total - self.listed };
            let width = self.side.width((line, total));
            // No total is negative: below 0 there is no lower line, and every total reaches an upper one.
            if total < 0.0 {
                continue;
            }
            if self.known.last().is_none_or(|last| width - last >= self.apart) {
                self.known.push(width);
            }
            self.changed.push((self.known.len() - 1, check));
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

    /// How far out from `from` the changes on the way, weighed by check, come to `asked`; or, where that is negative,
    /// how far in they do not come to more than its opposite. The last of all where they never do.
    pub fn where_changes_come_to(&mut self, from: usize, asked: f64, weights: &[f64]) -> usize {
        let weight = |&(_, check): &(usize, usize)| weights.get(check).copied().unwrap_or(0.0);
        let start = self.changed.partition_point(|&(at, _)| at < from);
        let mut sum = 0.0;
        if asked <= 0.0 {
            let inner = self.changed.get(..start).unwrap_or_default();
            let too_far = inner.iter().rposition(|change| {
                sum += weight(change);
                sum > -asked
            });
            return too_far.and_then(|i| inner.get(i)).map_or(0, |&(at, _)| at + 1);
        }
        for next in start.. {
            while self.changed.len() <= next && !self.complete() {
                self.list();
            }
            let Some(change) = self.changed.get(next) else { break };
            sum += weight(change);
            if sum >= asked {
                return self.reach(change.0 + 1);
            }
        }
        self.last()
    }

    /// The weights of all changes from one width to one further out.
    pub fn weight_between(&self, from: usize, to: usize, weights: &[f64]) -> f64 {
        let [from, to] = [from, to].map(|at| self.changed.partition_point(|&(place, _)| place < at));
        let changed = self.changed.get(from..to).unwrap_or_default();
        changed.iter().map(|&(_, check)| weights.get(check).copied().unwrap_or(0.0)).sum()
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
