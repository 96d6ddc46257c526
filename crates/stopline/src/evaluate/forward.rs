//! One forward recursion over the checks of a plan: where the total can be, and with what probability.
//!
//! Aroian's direct method (1968, Technometrics 10:125–132, doi:10.1080/00401706.1968.10490541): the
//! probabilities of the open totals after one check, convolved with the law of the next batch of
//! sites, give those at the next check; the totals in a stop leave the walk there. The uppermost stop
//! has no upper end; its mass is never summed but is what is missing from the mass that came in.
//!
//! Only the totals of one check are held, scaled by a power of two where they become small.
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)] // totals stay below 2⁵³, windows in memory

use super::kernel::convolve;
use crate::error::{Code, Error};
use crate::law::Law;
use crate::lines::{Call, Lines, Row};
use crate::score::Total;
use crate::watch::{Watch, tell};

/// Multiply-adds above which an evaluation is refused (about half a minute on one core).
const MOST_WORK: f64 = 5e10;
/// Totals tracked at one check above which an evaluation is refused (0.3 GB for each of the rows held).
const MOST_TOTALS: f64 = 4e7;
/// Probabilities below this are near the end of the range of numbers and may have lost digits.
const FAINT: f64 = 1e-290;

/// Totals that leave or stay at a check, as a run of tracked probabilities.
pub(crate) struct Segment {
    /// First total.
    pub from: Total,
    /// Position in the tracked probabilities.
    pub start: usize,
    pub end: usize,
    /// The call, or `None` for open totals.
    pub call: Option<Call>,
}

/// What the recursion shows of one check.
pub(crate) struct Check<'a> {
    pub at: u32,
    /// Probabilities under the reference law are `q[i]·2^exponent`, from total `base`.
    pub base: Total,
    pub q: &'a [f64],
    pub exponent: i32,
    /// Ascending, covering `q`; totals above `q` go to `top`.
    pub segments: &'a [Segment],
    /// Call of the uppermost stop; `None` where the check has none: then everything above `q` stays
    /// open and will surely leave by the uppermost stop of a later check.
    pub top: Option<Call>,
    /// Open probabilities of the check before, scaled by its own exponent.
    pub before: &'a [f64],
    pub before_exponent: i32,
}

/// For each check, the total from which nothing needs to be tracked.
///
/// With an uppermost stop that is where it begins. Without one, steps never being negative, it is
/// where the uppermost stop of the next check that has one begins, or what lies above every bounded
/// stop on the way there: a total from there on cannot leave before that check, and surely leaves then.
fn limits(rows: &[Row]) -> Vec<Total> {
    let mut limits = vec![0; rows.len()];
    let mut later = Total::MAX;
    for (limit, row) in limits.iter_mut().zip(rows).rev() {
        *limit = match row.highest() {
            Some((from, _)) => from,
            None => row.stops.last().and_then(|s| s.to).map_or(later, |to| later.max(to + 1)),
        };
        later = *limit;
    }
    limits
}

/// Runs the recursion under `law`, showing every check to `see` until no mass is tracked any more.
/// Returns whether some tracked probability became too faint to be tilted far.
///
/// # Errors
/// `out_of_range` for a table that is no law, `too_much_work` before it starts, `interrupted`, or what
/// `see` returns.
pub(crate) fn forward(
    lines: &Lines,
    law: &Law,
    watch: &dyn Watch,
    mut see: impl FnMut(&Check<'_>) -> Result<(), Error>,
) -> Result<bool, Error> {
    law.check()?;
    let rows = lines.rows();
    let mut limits = limits(rows);
    let first = law.first();
    if first < 0 {
        lift_limits(rows, law, &mut limits)?;
    }
    refuse_too_much(rows, law, &limits)?;
    let (mut faint, mut exponent, mut before_at) = (false, 0, 0);
    let mut open = vec![1.0]; // probabilities of the open totals, from `open_base`
    let mut open_base: Total = 0;
    let (mut q, mut step, mut segments) = (Vec::new(), Vec::new(), Vec::new());
    let mut step_gap = 0;
    for (done, (row, &limit)) in (0..).zip(rows.iter().zip(&limits)) {
        tell(watch, done, rows.len() as u64)?;
        let gap = row.at - before_at;
        let mut base = open_base + Total::from(gap) * first;
        let mut end = limit.max(base);
        if let Some(last) = law.last(gap) {
            end = end.min(open_base + open.len() as Total + last);
        }
        let len = usize::try_from(end - base).unwrap_or(0);
        if gap != step_gap || step.len() < len {
            law.batch(gap, len, &mut step);
            step_gap = gap;
        }
        q.resize(len, 0.0);
        convolve(&open, &step, 0, &mut q);
        // Rows of a faint walk are lifted; the factor is a power of two and exact.
        let before_exponent = exponent;
        let largest = q.iter().copied().fold(0.0, f64::max);
        if largest > 0.0 && largest < 1e-150 {
            q.iter_mut().for_each(|x| *x *= LIFT);
            exponent -= LIFT_EXPONENT;
        }
        faint |= largest > 0.0 && q.iter().any(|&x| x < FAINT);
        segments.clear();
        cut(row, base, end, &mut segments);
        let top = row.highest().map(|(_, call)| call);
        see(&Check { at: row.at, base, q: &q, exponent, segments: &segments, top, before: &open, before_exponent })?;
        // What is open is the window from the first to the last open total, stops inside it zeroed.
        let mut window: Option<(usize, usize)> = None;
        for s in &segments {
            match s.call {
                None => window = Some((window.map_or(s.start, |w| w.0), s.end)),
                Some(_) => q.get_mut(s.start..s.end).unwrap_or_default().fill(0.0),
            }
        }
        let (start, stop) = window.unwrap_or((0, 0));
        open.clear();
        open.extend_from_slice(q.get(start..stop).unwrap_or_default());
        base += start as Total;
        open_base = base;
        before_at = row.at;
        if open.is_empty() && top.is_some() {
            break; // everything has left
        }
    }
    Ok(faint)
}

const LIFT_EXPONENT: i32 = 400;
const LIFT: f64 = 2.582249878086909e120; // 2^400

/// Cuts the tracked totals `base..end` of a check into stops and open runs.
fn cut(row: &Row, base: Total, end: Total, segments: &mut Vec<Segment>) {
    let mut add = |from: Total, to: Total, call: Option<Call>| {
        let (from, to) = (from.max(base), to.min(end));
        if from < to {
            segments.push(Segment { from, start: (from - base) as usize, end: (to - base) as usize, call });
        }
    };
    let mut next = base; // first total not yet covered
    for s in &row.stops {
        let from = s.from.unwrap_or(base).max(next);
        add(next, from, None);
        let to = s.to.map_or(end, |t| t + 1);
        add(from, to, Some(s.call));
        next = next.max(to);
    }
    add(next, end, None);
}

/// With steps that may be negative a total above a later line can come back: everything is tracked
/// where a check has no uppermost stop.
fn lift_limits(rows: &[Row], law: &Law, limits: &mut [Total]) -> Result<(), Error> {
    let (mut before_at, mut largest) = (0, 0);
    for (row, limit) in rows.iter().zip(limits) {
        let last = law.last(row.at - before_at).ok_or_else(|| {
            Error::about(Code::Combination, "a law with negative steps", "a table with a largest step")
        })?;
        largest += last;
        match row.highest() {
            Some((from, _)) => largest = largest.min(from.saturating_sub(1)),
            None => *limit = largest + 1,
        }
        before_at = row.at;
    }
    Ok(())
}

/// Multiply-adds of one recursion over `lines` under `law`.
pub(crate) fn work(lines: &Lines, law: &Law) -> f64 {
    work_of(lines.rows(), law, &limits(lines.rows())).0
}

/// Multiply-adds of the recursion, and the most totals a check tracks, with its sites.
fn work_of(rows: &[Row], law: &Law, limits: &[Total]) -> (f64, (f64, u32)) {
    let (mut work, mut most) = (0.0, (0.0, 0));
    let (mut open, mut base, mut before_at) = (1.0, 0.0, 0);
    for (row, &limit) in rows.iter().zip(limits) {
        let gap = row.at - before_at;
        let from = base + f64::from(gap) * law.first() as f64;
        let mut tracked = (limit as f64 - from).max(0.0);
        if let Some(last) = law.last(gap) {
            tracked = tracked.min(open + last as f64 - f64::from(gap) * law.first() as f64);
        }
        if tracked > most.0 {
            most = (tracked, row.at);
        }
        work += tracked * (open + 4.0);
        let low = row.lowest().map_or(from, |(t, _)| (t + 1) as f64).max(from);
        open = (from + tracked - low).max(0.0);
        base = low;
        before_at = row.at;
    }
    (work, most)
}

/// Refuses a recursion with too many multiply-adds, or too many totals to hold.
fn refuse_too_much(rows: &[Row], law: &Law, limits: &[Total]) -> Result<(), Error> {
    let refuse = |value: String, allowed: String| {
        let allowed = format!("at most {allowed}: fewer checks (a larger `every`), a smaller cap or lower means");
        Err(Error::new(Code::TooMuchWork, "exact evaluation", value, allowed))
    };
    let (work, (totals, at)) = work_of(rows, law, limits);
    if totals > MOST_TOTALS {
        refuse(format!("{totals:.1e} totals at {at} sites"), format!("{MOST_TOTALS:.0e}"))
    } else if work > MOST_WORK {
        refuse(format!("about {work:.1e} multiplications"), format!("{MOST_WORK:.0e}"))
    } else {
        Ok(())
    }
}
