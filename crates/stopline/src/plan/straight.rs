//! Straight lines on the total: their slopes, their intercepts and their rounding.
//!
//! Wald (1947, *Sequential Analysis*; for the negative binomial Waters 1955, For. Sci. 1:68–79): the
//! log likelihood ratio of the adequate against the inadequate mean is T·d + n·e with d and e from
//! [`crate::law::Tilt`], so the walk stops where T leaves the strip between h₀ + s·n and h₁ + s·n,
//! s = −e/d, h₀ = ln(B/(1−A))/d, h₁ = ln((1−B)/A)/d, A = false_adequate, B = false_inadequate.

use super::checks::Closing;
use super::design::Asked;
use crate::error::{Code, Error};
use crate::law::{Law, Tilt};
use crate::lines::{Call, Column, Lines, Row};
use crate::score::Total;

/// A straight line on the total: intercept + slope·n after n sites.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Enemies per site.
    pub slope: f64,
    /// Enemies.
    pub intercept: f64,
}

impl Line {
    fn at(&self, n: u32) -> f64 {
        self.intercept + self.slope * f64::from(n)
    }

    /// As the lower line at `n` sites: the largest total on or below it.
    pub(crate) fn inadequate_at_most(&self, n: u32) -> Option<Total> {
        at_most(self.at(n))
    }

    /// As the upper line at `n` sites: the smallest total on or above it.
    pub(crate) fn adequate_at_least(&self, n: u32) -> Total {
        at_least(self.at(n))
    }
}

/// Two parallel lines: inadequate if T ≤ lower + slope·n, adequate if T ≥ upper + slope·n.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Straight {
    /// Enemies per site.
    pub slope: f64,
    /// Intercept of the lower line.
    pub lower: f64,
    /// Intercept of the upper line.
    pub upper: f64,
}

/// A line closer than this to a whole number (relative to its size) is taken to be on it.
pub(crate) const ON_LINE: f64 = 1e-11;

/// The largest total at or below the line `x`, `None` where it is negative.
pub(crate) fn at_most(x: f64) -> Option<Total> {
    let t = whole_below(x);
    (t >= 0).then_some(t)
}

/// The same, −1 where it is negative.
#[inline(always)]
pub(crate) fn whole_below(x: f64) -> Total {
    let x = x + ON_LINE * x.abs().max(1.0);
    let t = whole(x);
    (t - Total::from(t as f64 > x)).max(-1)
}

/// The smallest total at or above the line `x`; every total reaches a line below 0.
#[inline(always)]
pub(crate) fn at_least(x: f64) -> Total {
    let x = x - ON_LINE * x.abs().max(1.0);
    let t = whole(x);
    (t + Total::from((t as f64) < x)).max(0)
}

#[allow(clippy::cast_possible_truncation)] // lines stay below LARGEST_MEAN · MOST_SITES < 2⁵³
#[inline(always)]
fn whole(t: f64) -> Total {
    t as Total
}

impl Asked<'_> {
    /// Wald's lines for the nominal law.
    pub fn wald(&self) -> Result<Straight, Error> {
        let [low, high] = self.nominal()?;
        let tilt = tilt(&low, &high)?;
        let (a, b) = (self.risks.false_adequate().get(), self.risks.false_inadequate().get());
        Ok(Straight {
            slope: -tilt.ln_site / tilt.ln_ratio,
            lower: (libm::log(b) - libm::log1p(-a)) / tilt.ln_ratio,
            upper: (libm::log1p(-b) - libm::log(a)) / tilt.ln_ratio,
        })
    }
}

/// The tilt from the law at a lower mean to that at a higher one, or what comes nearest to it.
pub(super) fn tilt(low: &Law, high: &Law) -> Result<Tilt, Error> {
    low.tilt_to(high).or_else(|| low.nearest_tilt(high)).filter(|t| t.ln_ratio > 0.0).ok_or_else(|| {
        Error::about(Code::Combination, "laws at the two thresholds", "of one family, the second with the larger mean")
    })
}

impl Straight {
    /// The lower and the upper line.
    pub(crate) fn both(&self) -> [Line; 2] {
        [self.lower, self.upper].map(|intercept| Line { slope: self.slope, intercept })
    }

    /// The table of these lines. A plan that closes by a call says inadequate at the cap for totals
    /// up to `cut`.
    pub(crate) fn lines(&self, sites: &[u32], closing: Closing, cut: Total) -> Result<Lines, Error> {
        let cap = sites.last().copied().unwrap_or(0);
        let [lower, upper] = self.both();
        let row = |&n: &u32| {
            let (low, high) = (lower.inadequate_at_most(n), upper.adequate_at_least(n));
            if n < cap {
                Row::two_calls(n, low, Some(high), None)
            } else if closing == Closing::Undecided {
                Row::two_calls(n, low, Some(high), Some(Call::Undecided))
            } else {
                Row::two_calls(n, Some(cut), Some(cut + 1), None)
            }
        };
        Lines::new(sites.iter().map(row).collect())
    }

    /// Wald's cut at the cap: inadequate if T ≤ ⌊s·cap⌋.
    pub(crate) fn middle_cut(&self, cap: u32) -> Total {
        at_most(self.slope * f64::from(cap)).unwrap_or(0)
    }
}

/// Straight lines with slopes near `slopes`, one for each of `columns`, that give exactly these rows (the closing row of
/// a plan that closes by a call aside), rounded to as few decimals as do, at least two. Totals up to the first, third …
/// line are on it, and totals from the second, fourth … on; marginal is called where the line it is called up to is not
/// below the one it is called from.
pub(crate) fn through(lines: &Lines, columns: &[Column], slopes: &[f64], closing: Closing) -> Option<Vec<Line>> {
    let rows = lines.rows();
    let rows = if closing == Closing::Call { rows.split_last().map(|(_, before)| before)? } else { rows };
    if rows.is_empty() {
        return None;
    }
    (2..=12).find_map(|decimals| {
        let unit = libm::pow(10.0, f64::from(decimals));
        let round = |x: f64| libm::round(x * unit) / unit;
        let room = columns.iter().zip(slopes).map(|(&column, &slope)| Room::of(rows, column, round(slope)));
        let room = room.collect::<Option<Vec<_>>>()?;
        // Where marginal is not called its lines must cross: they are drawn as far in as that may need.
        [0.5, 0.1, 0.01].into_iter().find_map(|share| {
            let line = |room: &Room| Line { slope: room.slope, intercept: round(room.intercept(share)) };
            let found: Vec<Line> = room.iter().map(line).collect();
            rows.iter().all(|row| gives(&found, columns, row)).then_some(found)
        })
    })
}

/// Whether totals up to a line are on it, rather than from it on.
const fn is_lower(column: Column) -> bool {
    matches!(column, Column::InadequateAtMost | Column::MarginalTo)
}

/// Whether the table of lines has this row.
fn gives(lines: &[Line], columns: &[Column], row: &Row) -> bool {
    let total = |wanted: Column| {
        let (line, _) = lines.iter().zip(columns).find(|(_, column)| **column == wanted)?;
        if is_lower(wanted) { line.inadequate_at_most(row.at) } else { Some(line.adequate_at_least(row.at)) }
    };
    let marginal = total(Column::MarginalFrom).zip(total(Column::MarginalTo)).filter(|(from, to)| from <= to);
    columns.iter().all(|&column| {
        let given = match column {
            Column::MarginalFrom => marginal.map(|(from, _)| from),
            Column::MarginalTo => marginal.map(|(_, to)| to),
            other => total(other),
        };
        given == column.of(row)
    })
}

/// Between which intercepts a line of a slope gives a column of a table.
struct Room {
    column: Column,
    slope: f64,
    low: f64,
    high: f64,
}

impl Room {
    /// `None` where there is no such line.
    fn of(rows: &[Row], column: Column, slope: f64) -> Option<Self> {
        // ⌊h + s·n⌋ = t: t − s·n ≤ h < t + 1 − s·n (no line: h + s·n < 0); ⌈h + s·n⌉ = t likewise.
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        for row in rows {
            let at = slope * f64::from(row.at);
            let (from, to) = match (column.of(row), column) {
                (Some(t), _) if is_lower(column) => (t as f64, (t + 1) as f64),
                (Some(t), _) => ((t - 1) as f64, t as f64),
                (None, Column::InadequateAtMost) => (f64::NEG_INFINITY, 0.0),
                (None, Column::MarginalFrom | Column::MarginalTo) => continue,
                (None, _) => return None,
            };
            (low, high) = (low.max(from - at), high.min(to - at));
        }
        (low < high && high.is_finite()).then_some(Self { column, slope, low, high })
    }

    /// The intercept: of a line that marginal is called by, with this share of the room left to the outside of its range.
    fn intercept(&self, share: f64) -> f64 {
        if !self.low.is_finite() {
            return self.high - 0.5;
        }
        let share = match self.column {
            Column::MarginalFrom => 1.0 - share,
            Column::MarginalTo => share,
            _ => 0.5,
        };
        self.low + share * (self.high - self.low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_total_on_a_line_counts_as_on_it() {
        assert_eq!(at_most(5.0 - 1e-13), Some(5));
        assert_eq!(at_least(5.0 + 1e-13), 5);
        assert_eq!((at_most(4.9), at_least(4.1)), (Some(4), 5));
        assert_eq!((at_most(-0.1), at_least(-3.0)), (None, 0));
    }
}
