//! The different tables of whole totals that one line of the family can give.

use crate::plan::straight::ON_LINE;

#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Lower,
    Upper,
}

/// The distances from the middle line at which the table of one line changes, in order of widening.
///
/// The upper line at n sites, ⌈s·n + h⌉, is t up to and with h = t − s·n; the lower, ⌊s·n − h⌋, is t up
/// to and with h = s·n − t. A negative distance is a line beyond the middle.
pub(super) struct Widths {
    known: Vec<f64>,
}

impl Widths {
    /// Every change beyond distance `after`, up to `last`.
    pub fn of(slope: f64, sites: &[u32], (after, last): (f64, f64), side: Side) -> Self {
        let mut known = Vec::new();
        for line in sites.iter().map(|&n| slope * f64::from(n)) {
            // No total is negative: below 0 there is no lower line, and every total reaches an upper one.
            match side {
                Side::Upper => {
                    let mut t = (libm::floor(line + after) + 1.0).max(0.0);
                    while t - line <= last {
                        known.push(t - line);
                        t += 1.0;
                    }
                }
                Side::Lower => {
                    let mut t = libm::ceil(line - after) - 1.0;
                    while t >= 0.0 && line - t <= last {
                        known.push(line - t);
                        t -= 1.0;
                    }
                }
            }
        }
        known.sort_unstable_by(f64::total_cmp);
        // Changes closer than the rounding of lines can tell apart are one.
        let largest = sites.last().map_or(1.0, |&n| (slope * f64::from(n)).max(1.0));
        known.dedup_by(|b, a| *b - *a < 2.0 * ON_LINE * largest);
        if side == Side::Lower || known.is_empty() {
            known.push(largest + 1.0); // no lower line at any check, or no check before the cap
        }
        Self { known }
    }

    pub fn at(&self, index: usize) -> f64 {
        self.known.get(index).copied().unwrap_or(f64::NAN)
    }

    pub fn last(&self) -> usize {
        self.known.len() - 1
    }

    /// The first change at or beyond distance `h`.
    pub fn beyond(&self, h: f64) -> usize {
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
            let widths = Widths::of(slope, &sites, (-0.4, 10.0), side);
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
        let none = Widths::of(0.1, &sites, (-0.4, 10.0), Side::Lower);
        assert!(sites.iter().all(|&n| at_most(0.1 * f64::from(n) - none.at(none.last())).is_none()));
    }
}
