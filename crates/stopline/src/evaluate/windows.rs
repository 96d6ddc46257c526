//! The totals worth tracking at each check, compiled once from lines and used by every recursion.
//!
//! At a check the totals run from the lowest that the open totals of the check before can reach up to
//! where the uppermost stop begins: its mass is never summed but is what is missing from the mass that
//! came in. A check without an uppermost stop is tracked up to where the uppermost stop of the next
//! check that has one begins, or what lies above every bounded stop on the way there: steps never being
//! negative, a total from there on cannot leave before that check, and surely leaves then.
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)] // totals stay below 2⁵³, windows in memory

use super::eight::SEGMENT;
use super::kernel::room;
use super::strips::Pair;
use crate::error::{Code, Error};
use crate::law::Law;
use crate::lines::{Call, Row, Stop};
use crate::score::Total;

/// Multiply-adds above which an evaluation is refused (about half a minute on one core).
const MOST_WORK: f64 = 5e10;
/// Numbers held at once above which an evaluation is refused (0.8 GB): each step law and its eight copies, and
/// a few times the longest check.
const MOST_HELD: f64 = 1e8;

/// A run of totals at a check that leave by the same call, or stay open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Part {
    /// Position of the run in the check's window.
    pub start: usize,
    pub end: usize,
    /// The call, or `None` for open totals.
    pub call: Option<Call>,
}

/// The tracked totals of one check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Window {
    pub at: u32,
    /// Number of the batch size that leads here, in [`Windows::gaps`].
    pub gap: usize,
    /// First total.
    pub base: Total,
    /// Number of totals.
    pub len: usize,
    /// Position of the first open total, and one past the last.
    pub open: (usize, usize),
    /// The runs, ascending and covering the window, in [`Windows::parts`]; none where `plain` and laid.
    pub parts: (usize, usize),
    /// Are the open totals one run up to the end of the window?
    pub solid: bool,
    /// Is it one stop or none, then one run of open totals up to an uppermost stop, neither of them long?
    pub plain: bool,
    /// The call of its stop, where it is plain and has one.
    pub low: Call,
    /// Call of the uppermost stop; `None` where the check has none: then everything above the window
    /// stays open and will surely leave by the uppermost stop of a later check.
    pub top: Option<Call>,
}

/// Every check's window.
#[derive(Debug, Clone, Default)]
pub(crate) struct Windows {
    pub rows: Vec<Window>,
    pub parts: Vec<Part>,
    /// The different batch sizes, each with the longest stretch of steps needed of it.
    pub gaps: Vec<(u32, usize)>,
    /// Cells of one recursion: the [`room`] of every check.
    pub cells: usize,
    /// Multiply-adds of one recursion, and of making its steps ready where that takes many.
    pub work: f64,
    /// Call of the first uppermost stop met, and was there one of another call?
    top: Option<Call>,
    mixed: bool,
}

/// What of a law decides the windows: the smallest step of a site, and the largest if there is one; and whether the
/// steps of a batch of sites have to be convolved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Reach {
    first: Total,
    last: Option<Total>,
    convolved: bool,
}

/// Multiply-adds of convolving a batch of sites, over the square of its totals: some, weighted for being done without a
/// look at whether to stop.
const CONVOLVED: f64 = 8.0;

impl Reach {
    pub fn of(law: &Law) -> Self {
        Self { first: law.first(), last: law.last(1), convolved: matches!(law, Law::Table { .. }) }
    }

    fn last(self, sites: u32) -> Option<Total> {
        self.last.map(|last| last.saturating_mul(Total::from(sites)))
    }

    /// The first total to track, and the first from there on that is not, so many sites on from so many open totals.
    #[inline]
    fn extent(self, (open_base, open): (Total, usize), sites: u32, limit: Total) -> (Total, Total) {
        let base = open_base + Total::from(sites) * self.first;
        let mut end = limit.max(base);
        if let Some(last) = self.last(sites) {
            end = end.min(open_base.saturating_add(last).saturating_add(open as Total)).max(base);
        }
        (base, end)
    }
}

impl Windows {
    /// The windows of these rows for laws of this reach.
    ///
    /// # Errors
    /// `too_much_work` where a recursion would take too many multiply-adds or too much memory.
    pub fn of(rows: &[Row], reach: Reach) -> Result<Self, Error> {
        let limits = limits(rows, reach)?;
        let parts = rows.iter().map(|row| 2 * row.stops.len() + 1).sum();
        let mut windows =
            Self { rows: Vec::with_capacity(rows.len()), parts: Vec::with_capacity(parts), ..Self::default() };
        let mut longest = 0;
        for (row, limit) in rows.iter().zip(limits) {
            longest = longest.max(windows.add(row.at, limit, &row.stops, reach));
        }
        windows.check(longest)?;
        Ok(windows)
    }

    /// Forgets all checks.
    pub fn clear(&mut self) {
        let Self { rows, parts, gaps, cells, work, top, mixed } = self;
        rows.clear();
        parts.clear();
        gaps.clear();
        (*cells, *work, *top, *mixed) = (0, 0.0, None, false);
    }

    /// Can these checks, the longest with so many totals, be evaluated?
    ///
    /// # Errors
    /// `too_much_work`.
    pub fn check(&self, longest: usize) -> Result<(), Error> {
        let steps: f64 = self.gaps.iter().map(|&(_, steps)| steps as f64).sum();
        let held = 9.0 * steps + 4.0 * longest as f64;
        let refuse = |value: String, allowed: String| {
            let allowed = format!("at most {allowed}: fewer checks (a larger `every`), a smaller cap or lower means");
            Err(Error::new(Code::TooMuchWork, "exact evaluation", value, allowed))
        };
        if held > MOST_HELD {
            refuse(format!("about {held:.1e} numbers held at once"), format!("{MOST_HELD:.0e}"))
        } else if self.work > MOST_WORK {
            refuse(format!("about {:.1e} multiplications", self.work), format!("{MOST_WORK:.0e}"))
        } else {
            Ok(())
        }
    }

    /// Sites of the last check.
    pub fn cap(&self) -> u32 {
        self.rows.last().map_or(0, |row| row.at)
    }

    /// The call of every uppermost stop, if they have one call.
    pub fn top(&self) -> Option<Call> {
        self.top.filter(|_| !self.mixed)
    }

    /// Sites of the largest batch.
    pub fn largest_gap(&self) -> u32 {
        self.gaps.iter().map(|g| g.0).max().unwrap_or(1)
    }

    /// The batch of so many sites, with at least so many steps needed of it: its number, sites and steps.
    #[cold]
    fn gap(&mut self, sites: u32, len: usize, reach: Reach) -> (usize, u32, usize) {
        let gap = self.gaps.iter().position(|g| g.0 == sites).unwrap_or_else(|| {
            self.gaps.push((sites, 0));
            self.gaps.len() - 1
        });
        let Some((_, longest)) = self.gaps.get_mut(gap) else { return (gap, sites, len) };
        if len > *longest {
            if reach.convolved && sites > 1 {
                self.work += CONVOLVED * (len as f64 * len as f64 - *longest as f64 * *longest as f64);
            }
            *longest = len;
        }
        (gap, sites, *longest)
    }

    /// Adds the check `at`, tracked below `limit`; returns how many totals that are.
    pub fn add(&mut self, at: u32, limit: Total, stops: &[Stop], reach: Reach) -> usize {
        // Before the first check the total is 0 for sure.
        let (before_at, open_base, open_len) =
            self.rows.last().map_or((0, 0, 1), |w| (w.at, w.base + w.open.0 as Total, w.open.1 - w.open.0));
        let sites = at - before_at;
        let (base, end) = reach.extent((open_base, open_len), sites, limit);
        let len = (end - base) as usize;
        let (gap, ..) = self.gap(sites, len, reach);
        let from = self.parts.len();
        let mut top = None;
        let mut next = base; // first total not yet covered
        for s in stops {
            let start = s.from.unwrap_or(base).max(next);
            self.part(base, (next, start.min(end)), None);
            match s.to {
                Some(to) => {
                    self.part(base, (start, (to + 1).min(end)), Some(s.call));
                    next = next.max(to + 1);
                }
                None => {
                    self.part(base, (start, end), Some(s.call));
                    top = Some(s.call);
                    next = end;
                }
            }
        }
        self.part(base, (next, end), None);
        let parts = (from, self.parts.len());
        let mut open = (0, 0);
        let mut runs = 0;
        for p in self.parts.get(from..).unwrap_or_default().iter().filter(|p| p.call.is_none()) {
            open = (if runs == 0 { p.start } else { open.0 }, p.end);
            runs += 1;
        }
        let solid = runs == 0 || (runs == 1 && open.1 == len);
        let plain = runs == 1 && open.1 == len && len <= SEGMENT && parts.1 - parts.0 <= 2 && top.is_some();
        if let Some(call) = top {
            self.mixed |= self.top.is_some_and(|other| other != call);
            self.top = Some(call);
        }
        let low = self.parts.get(from).and_then(|part| part.call).unwrap_or(Call::Inadequate);
        self.rows.push(Window { at, gap, base, len, open, parts, solid, plain, low, top });
        self.cells = self.cells.saturating_add(room(len));
        self.work += len as f64 * (open_len as f64 + 4.0);
        len
    }

    /// The windows of two lines apart at each check, and then of a cap with all totals below a limit: what
    /// [`Self::add`] makes of them, quicker.
    ///
    /// # Errors
    /// As [`Self::of`].
    pub fn lay(
        &mut self,
        lined: impl Iterator<Item = (u32, Pair)>,
        cap: Option<(u32, Total)>,
        reach: Reach,
    ) -> Result<(), Error> {
        self.clear();
        self.rows.reserve(lined.size_hint().0 + 1);
        let mut laying =
            Laying { before_at: 0, open_base: 0, open_len: 1, gap: (0, 0, 0), cells: 0, work: 0.0, longest: 0 };
        lined.for_each(|(at, pair)| laying.check(self, at, pair, reach));
        if let Some((at, limit)) = cap {
            laying.check(self, at, (-1, limit), reach);
        }
        let Laying { cells, work, longest, .. } = laying;
        self.cells = cells;
        self.work += work;
        self.top = Some(Call::Adequate);
        self.check(longest)
    }

    /// A stop up to a position and open totals from there on.
    #[cold]
    fn runs_of_two(&mut self, (stopped, len): (usize, usize)) -> (usize, usize) {
        let from = self.parts.len();
        let runs = [
            Part { start: 0, end: stopped, call: Some(Call::Inadequate) },
            Part { start: stopped, end: len, call: None },
        ];
        self.parts.extend(runs.into_iter().filter(|part| part.start < part.end));
        (from, self.parts.len())
    }

    fn part(&mut self, base: Total, (from, to): (Total, Total), call: Option<Call>) {
        if from < to {
            self.parts.push(Part { start: (from - base) as usize, end: (to - base) as usize, call });
        }
    }

    /// The runs of a check.
    pub fn parts_of(&self, row: &Window) -> &[Part] {
        self.parts.get(row.parts.0..row.parts.1).unwrap_or_default()
    }
}

/// Where [`Windows::lay`] stands.
struct Laying {
    /// Of the check before: its sites, its first open total and how many there are.
    before_at: u32,
    open_base: Total,
    open_len: Total,
    /// Number, sites and longest stretch of the batch that led there.
    gap: (usize, u32, usize),
    cells: usize,
    work: f64,
    longest: usize,
}

impl Laying {
    #[inline(always)]
    fn check(&mut self, windows: &mut Windows, at: u32, (low, high): Pair, reach: Reach) {
        let sites = at - self.before_at;
        let (base, end) = reach.extent((self.open_base, self.open_len as usize), sites, high);
        self.work += (end - base) as f64 * (self.open_len as f64 + 4.0);
        let len = (end - base) as usize;
        if self.gap.1 != sites || len > self.gap.2 {
            self.gap = windows.gap(sites, len, reach);
        }
        let stopped = ((low + 1).max(base).min(end) - base) as usize;
        let plain = stopped < len && len <= SEGMENT;
        let parts = if plain { (0, 0) } else { windows.runs_of_two((stopped, len)) };
        let open = if stopped < len { (stopped, len) } else { (0, 0) };
        let (gap, low, top) = (self.gap.0, Call::Inadequate, Some(Call::Adequate));
        windows.rows.push(Window { at, gap, base, len, open, parts, solid: true, plain, low, top });
        self.cells = self.cells.saturating_add(room(len));
        self.longest = self.longest.max(len);
        (self.before_at, self.open_base, self.open_len) = (at, base + open.0 as Total, (open.1 - open.0) as Total);
    }
}

/// For each check, the total from which nothing needs to be tracked.
fn limits(rows: &[Row], reach: Reach) -> Result<Vec<Total>, Error> {
    let mut limits = vec![0; rows.len()];
    if reach.first < 0 {
        // A total above a later line can come back: everything is tracked where a check has no uppermost stop.
        let (mut before_at, mut largest) = (0, 0);
        for (limit, row) in limits.iter_mut().zip(rows) {
            let last = reach.last(row.at - before_at).ok_or_else(|| {
                Error::about(Code::Combination, "a law with negative steps", "a table with a largest step")
            })?;
            largest += last;
            match row.highest() {
                Some((from, _)) => {
                    *limit = from;
                    largest = largest.min(from.saturating_sub(1));
                }
                None => *limit = largest + 1,
            }
            before_at = row.at;
        }
    } else {
        let mut later = Total::MAX;
        for (limit, row) in limits.iter_mut().zip(rows).rev() {
            *limit = match row.highest() {
                Some((from, _)) => from,
                None => row.stops.last().and_then(|s| s.to).map_or(later, |to| later.max(to + 1)),
            };
            later = *limit;
        }
    }
    Ok(limits)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_lines_are_laid_as_their_stops_would_be() {
        let reach = |last, convolved| Reach { first: 0, last, convolved };
        for reach in [reach(None, false), reach(Some(3), false), reach(Some(2), true)] {
            for step in [1, 2, 7] {
                for width in [1, 4, 300] {
                    let lined = || {
                        (1..30).map(|i| i * step + 2).map(|n| {
                            let low = Total::from(n) - 9;
                            (n, (low.max(-1), (low + width).max(low.max(-1) + 1)))
                        })
                    };
                    for cap in [None, Some((250, 260))] {
                        let (mut laid, mut added) = (Windows::default(), Windows::default());
                        laid.lay(lined(), cap, reach).unwrap();
                        let above = |from| Stop { from: Some(from), to: None, call: Call::Adequate };
                        for (at, (low, high)) in lined() {
                            let below = Stop { from: None, to: Some(low), call: Call::Inadequate };
                            let stops = [below, above(high)];
                            added.add(at, high, if low < 0 { &stops[1..] } else { &stops }, reach);
                        }
                        if let Some((at, limit)) = cap {
                            added.add(at, limit, &[above(limit)], reach);
                        }
                        assert_eq!((laid.rows.len(), &laid.gaps), (added.rows.len(), &added.gaps));
                        for (a, b) in laid.rows.iter().zip(&added.rows) {
                            let (parts, low) = (a.parts, a.low);
                            assert_eq!(*a, Window { parts, low, ..*b });
                            assert!(if a.plain {
                                a.open.0 == 0 || low == b.low
                            } else {
                                laid.parts_of(a) == added.parts_of(b)
                            });
                        }
                        assert_eq!(laid.cells, added.cells);
                        assert_eq!(laid.top(), added.top());
                        assert_eq!(laid.work, added.work, "sums of whole numbers");
                    }
                }
            }
        }
    }
}
