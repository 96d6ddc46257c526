//! Stop lines: per check, the totals at which the walk stops and the call made there.
//!
//! Every kind of plan is one table of rows of stops. [`Lines::verdict`] is the only place where a
//! verdict is made; what is evaluated is what is executed.

use crate::error::{Code, Error};
use crate::params::MOST_SITES;
use crate::score::Total;

/// Largest absolute total that a line may state: keeps every total exact as a 64-bit float.
pub(crate) const LARGEST_TOTAL: Total = 1 << 53;

/// What a stop says of the field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Call {
    /// Enemies are inadequate.
    Inadequate,
    /// Between two pairs of thresholds.
    Marginal,
    /// Enemies are adequate.
    Adequate,
    /// Enough was counted for the asked precision.
    Enough,
    /// The cap was reached without a call.
    Undecided,
}

impl Call {
    /// Every call.
    pub const ALL: [Call; 5] = [Call::Inadequate, Call::Marginal, Call::Adequate, Call::Enough, Call::Undecided];

    /// The word used in every language and file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Call::Inadequate => "inadequate",
            Call::Marginal => "marginal",
            Call::Adequate => "adequate",
            Call::Enough => "enough",
            Call::Undecided => "undecided",
        }
    }

    /// Position in [`Call::ALL`].
    #[must_use]
    pub(crate) const fn index(self) -> usize {
        self as usize
    }
}

/// What the lines say after some sites.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// No stop is reached.
    KeepSampling,
    /// The walk stops with this call.
    Stop(Call),
}

impl Verdict {
    /// The word used in every language and file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Verdict::KeepSampling => "keep_sampling",
            Verdict::Stop(call) => call.as_str(),
        }
    }
}

/// The totals `from..=to` (open-ended where `None`) at which a check stops the walk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Stop {
    /// Smallest total of the stop; `None`: from −∞.
    pub from: Option<Total>,
    /// Largest total of the stop; `None`: to +∞.
    pub to: Option<Total>,
    /// What is called.
    pub call: Call,
}

impl Stop {
    /// Is `total` in the stop?
    #[must_use]
    pub fn holds(&self, total: Total) -> bool {
        self.from.is_none_or(|f| f <= total) && self.to.is_none_or(|t| total <= t)
    }
}

/// One check: after `at` sites the total is compared with the stops.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Row {
    /// Number of sites.
    pub at: u32,
    /// Ascending and disjoint; a total in none of them is open.
    pub stops: Vec<Stop>,
}

impl Row {
    /// A check of a plan with two calls; a line that cannot be reached at this check is `None`.
    /// A `middle` fills what is between the lines (the closing of a plan that may end undecided).
    #[must_use]
    pub fn two_calls(
        at: u32,
        inadequate_at_most: Option<Total>,
        adequate_at_least: Option<Total>,
        middle: Option<Call>,
    ) -> Self {
        let mut stops = Vec::with_capacity(3);
        if let Some(a) = inadequate_at_most {
            stops.push(Stop { from: None, to: Some(a), call: Call::Inadequate });
        }
        if let Some(call) = middle {
            let from = inadequate_at_most.map(|a| a.saturating_add(1));
            let to = adequate_at_least.map(|b| b.saturating_sub(1));
            if from.zip(to).is_none_or(|(f, t)| f <= t) {
                stops.push(Stop { from, to, call });
            }
        }
        if let Some(b) = adequate_at_least {
            stops.push(Stop { from: Some(b), to: None, call: Call::Adequate });
        }
        Self { at, stops }
    }

    /// A check of a plan with three calls; what `marginal` leaves open between the lines `middle` fills.
    #[must_use]
    pub fn three_calls(
        at: u32,
        inadequate_at_most: Option<Total>,
        marginal: Option<(Total, Total)>,
        adequate_at_least: Option<Total>,
        middle: Option<Call>,
    ) -> Self {
        let Some((from, to)) = marginal else {
            return Self::two_calls(at, inadequate_at_most, adequate_at_least, middle);
        };
        let (below, above) =
            (inadequate_at_most.map(|a| a.saturating_add(1)), adequate_at_least.map(|b| b.saturating_sub(1)));
        let parts = [
            inadequate_at_most.map(|a| (None, Some(a), Call::Inadequate)),
            middle.map(|call| (below, Some(from.saturating_sub(1)), call)),
            Some((Some(from), Some(to), Call::Marginal)),
            middle.map(|call| (Some(to.saturating_add(1)), above, call)),
            adequate_at_least.map(|b| (Some(b), None, Call::Adequate)),
        ];
        let some = |&(from, to, _): &(Option<Total>, Option<Total>, Call)| from.zip(to).is_none_or(|(f, t)| f <= t);
        let stops = parts.into_iter().flatten().filter(some).map(|(from, to, call)| Stop { from, to, call }).collect();
        Self { at, stops }
    }

    /// A check that stops where enough was counted; below, `below` closes the plan.
    #[must_use]
    pub fn enough(at: u32, enough_at_least: Option<Total>, below: Option<Call>) -> Self {
        let to = enough_at_least.map(|t| t.saturating_sub(1));
        let stops = match (enough_at_least, below) {
            (Some(t), _) if t <= 0 => vec![Stop { from: None, to: None, call: Call::Enough }],
            (Some(t), None) => vec![Stop { from: Some(t), to: None, call: Call::Enough }],
            (Some(t), Some(call)) => {
                vec![Stop { from: None, to, call }, Stop { from: Some(t), to: None, call: Call::Enough }]
            }
            (None, Some(call)) => vec![Stop { from: None, to: None, call }],
            (None, None) => Vec::new(),
        };
        Self { at, stops }
    }

    /// Largest total of the stop that reaches to −∞, with its call.
    #[must_use]
    pub fn lowest(&self) -> Option<(Total, Call)> {
        self.stops.first().filter(|s| s.from.is_none()).and_then(|s| s.to.map(|t| (t, s.call)))
    }

    /// Smallest total of the stop that reaches to +∞, with its call.
    #[must_use]
    pub fn highest(&self) -> Option<(Total, Call)> {
        self.stops.last().filter(|s| s.to.is_none()).map(|s| (s.from.unwrap_or(Total::MIN), s.call))
    }

    /// The last total at which `call` is made from below (`inadequate_at_most`), if any.
    #[must_use]
    pub fn at_most(&self, call: Call) -> Option<Total> {
        self.lowest().filter(|(_, c)| *c == call).map(|(t, _)| t)
    }

    /// The first total at which `call` is made up to +∞ (`adequate_at_least`), if any.
    #[must_use]
    pub fn at_least(&self, call: Call) -> Option<Total> {
        self.highest().filter(|(_, c)| *c == call).map(|(t, _)| t)
    }

    /// Does every total stop here?
    #[must_use]
    pub fn closes(&self) -> bool {
        let mut next = None; // smallest total not yet covered; None before the first stop
        for (i, s) in self.stops.iter().enumerate() {
            let joins = if i == 0 { s.from.is_none() } else { s.from == next };
            if !joins {
                return false;
            }
            match s.to {
                None => return true,
                Some(t) => next = Some(t.saturating_add(1)),
            }
        }
        false
    }

    fn check(&self, what: &str) -> Result<(), Error> {
        let bad = |value: String, allowed: &str| {
            Err(Error::new(Code::Lines, format!("{what} at {} sites", self.at), value, allowed))
        };
        let mut above: Option<Total> = None; // last total covered so far
        for (i, s) in self.stops.iter().enumerate() {
            for t in [s.from, s.to].into_iter().flatten() {
                if t.checked_abs().is_none_or(|t| t >= LARGEST_TOTAL) {
                    return bad(t.to_string(), "less than 2^53 in size");
                }
            }
            let from = s.from.unwrap_or(Total::MIN);
            if s.from.is_none() && i > 0 || above.is_some_and(|a| from <= a) || s.to.is_some_and(|t| t < from) {
                return bad(format!("a stop from {from} to {:?}", s.to), "stops in rising order that do not overlap");
            }
            if i > 0 && above.is_none() {
                return bad(format!("a stop from {from}"), "nothing above a stop without an upper end");
            }
            above = s.to;
        }
        Ok(())
    }
}

/// A column of the table of lines, as files, cards and papers print it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Column {
    /// Inadequate if the total is at most this.
    InadequateAtMost,
    /// Marginal from this total …
    MarginalFrom,
    /// … to this.
    MarginalTo,
    /// Adequate if the total is at least this.
    AdequateAtLeast,
    /// Enough was counted if the total is at least this.
    EnoughAtLeast,
}

impl Column {
    /// Columns of a plan with two calls.
    pub const TWO_CALLS: &[Column] = &[Column::InadequateAtMost, Column::AdequateAtLeast];
    /// Columns of a plan with three calls.
    pub const THREE_CALLS: &[Column] =
        &[Column::InadequateAtMost, Column::MarginalFrom, Column::MarginalTo, Column::AdequateAtLeast];
    /// Columns of a plan that stops at a precision.
    pub const PRECISION: &[Column] = &[Column::EnoughAtLeast];

    /// The name used in every language and file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Column::InadequateAtMost => "inadequate_at_most",
            Column::MarginalFrom => "marginal_from",
            Column::MarginalTo => "marginal_to",
            Column::AdequateAtLeast => "adequate_at_least",
            Column::EnoughAtLeast => "enough_at_least",
        }
    }

    /// The name as people read it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Column::InadequateAtMost => "inadequate at or below",
            Column::MarginalFrom => "marginal from",
            Column::MarginalTo => "marginal to",
            Column::AdequateAtLeast => "adequate at or above",
            Column::EnoughAtLeast => "enough at or above",
        }
    }

    /// The total in this column of a row; `None` where it cannot be reached there.
    #[must_use]
    pub fn of(self, row: &Row) -> Option<Total> {
        let marginal = || row.stops.iter().find(|s| s.call == Call::Marginal);
        match self {
            Column::InadequateAtMost => row.at_most(Call::Inadequate),
            Column::MarginalFrom => marginal().and_then(|s| s.from),
            Column::MarginalTo => marginal().and_then(|s| s.to),
            Column::AdequateAtLeast => row.at_least(Call::Adequate),
            Column::EnoughAtLeast => row.at_least(Call::Enough).map(|t| t.max(0)),
        }
    }
}

/// The whole table, in the order of checks; the last row closes the plan.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Lines {
    rows: Vec<Row>,
}

impl Lines {
    /// A table whose rows rise in `at` from 1 and whose last row stops at every total.
    ///
    /// # Errors
    /// `lines`, naming the check.
    pub fn new(rows: Vec<Row>) -> Result<Self, Error> {
        let Some(last) = rows.last() else {
            return Err(Error::about(Code::Lines, "table of lines is empty", "at least one check"));
        };
        if !last.closes() {
            return Err(Error::new(
                Code::Lines,
                format!("last check, at {} sites,", last.at),
                "open at some total",
                "a closing check that stops at every total",
            ));
        }
        let mut before = 0;
        for row in &rows {
            if row.at <= before || row.at > MOST_SITES {
                return Err(Error::new(
                    Code::Lines,
                    "sites of a check",
                    row.at,
                    format!("rising from 1 to at most {MOST_SITES}; the check before is at {before}"),
                ));
            }
            before = row.at;
            row.check("stops")?;
        }
        Ok(Self { rows })
    }

    /// The rows.
    #[must_use]
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// Most sites the plan can take.
    #[must_use]
    pub fn cap(&self) -> u32 {
        self.rows.last().map_or(0, |r| r.at)
    }

    /// What the table says of `total` after `at` sites; between checks it keeps sampling.
    #[must_use]
    pub fn verdict(&self, at: u32, total: Total) -> Verdict {
        let row = self.rows.binary_search_by_key(&at, |r| r.at).ok().and_then(|i| self.rows.get(i));
        row.and_then(|r| r.stops.iter().find(|s| s.holds(total)))
            .map_or(Verdict::KeepSampling, |s| Verdict::Stop(s.call))
    }

    /// The checks still to come after `total` at `at` sites, counted on from there; `None` after the last.
    #[must_use]
    pub fn after(&self, at: u32, total: Total) -> Option<Self> {
        let on = |t: Option<Total>| t.map(|t| t.saturating_sub(total));
        let rows = self.rows.iter().filter(|row| row.at > at).map(|row| {
            let stops = row.stops.iter().map(|s| Stop { from: on(s.from), to: on(s.to), call: s.call });
            Row { at: row.at - at, stops: stops.collect() }
        });
        Self::new(rows.collect()).ok()
    }

    /// The calls that can be made, in the order of [`Call::ALL`].
    #[must_use]
    pub fn calls(&self) -> Vec<Call> {
        let made = |call: &Call| self.rows.iter().flat_map(|row| &row.stops).any(|stop| stop.call == *call);
        Call::ALL.into_iter().filter(made).collect()
    }

    /// The first check after `at` sites.
    #[must_use]
    pub fn next_check(&self, at: u32) -> Option<&Row> {
        self.rows.get(self.rows.partition_point(|r| r.at <= at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_close_and_lines_refuse_gaps() {
        let open = Row::two_calls(5, Some(2), Some(9), None);
        let closing = Row::two_calls(10, Some(7), Some(8), None);
        assert!(!open.closes() && closing.closes());
        assert!(Row::two_calls(10, Some(4), Some(9), Some(Call::Undecided)).closes());
        assert!(Row::two_calls(10, None, None, Some(Call::Undecided)).closes());
        let lines = Lines::new(vec![open.clone(), closing.clone()]).unwrap();
        assert_eq!(lines.verdict(5, 2), Verdict::Stop(Call::Inadequate));
        assert_eq!(lines.verdict(5, 3), Verdict::KeepSampling);
        assert_eq!(lines.verdict(5, 9), Verdict::Stop(Call::Adequate));
        assert_eq!(lines.verdict(7, 90), Verdict::KeepSampling);
        assert_eq!(lines.next_check(5).map(|r| r.at), Some(10));
        let after = lines.after(5, 4).unwrap();
        assert_eq!((after.verdict(5, 3), after.cap()), (Verdict::Stop(Call::Inadequate), 5));
        assert_eq!(lines.after(10, 4), None);
        assert_eq!(Lines::new(vec![open.clone()]).unwrap_err().code(), Code::Lines);
        assert_eq!(Lines::new(vec![closing.clone(), open]).unwrap_err().code(), Code::Lines);
        assert_eq!(Lines::new(vec![]).unwrap_err().code(), Code::Lines);
        let crossed = Row {
            at: 3,
            stops: vec![
                Stop { from: None, to: Some(5), call: Call::Inadequate },
                Stop { from: Some(5), to: None, call: Call::Adequate },
            ],
        };
        assert_eq!(Lines::new(vec![crossed, closing]).unwrap_err().code(), Code::Lines);
        let huge = Row::two_calls(5, Some(Total::MAX), Some(Total::MIN), Some(Call::Undecided));
        assert_eq!(Lines::new(vec![huge]).unwrap_err().code(), Code::Lines);
    }
}
