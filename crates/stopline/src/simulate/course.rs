//! Lines compiled for walks in step: totals as bytes above the lowest total still open.
//!
//! Steps are counted from the smallest that a site can add, so that totals never fall. A total of `edge` or more is
//! beyond every bounded stop for good, and what a step adds above `edge` makes no difference: bytes that stop
//! counting at 255 decide as the totals themselves would. Lines whose window is wider are walked one by one.

use crate::lines::{Call, Lines, Row};
use crate::score::Total;

/// Largest number of open totals, and of steps told apart: a byte less the mark of a draw to be made again.
const WIDEST: Total = 254;

/// What happens after a site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Check {
    /// Nothing is looked at.
    None,
    /// Totals below `shift` leave by `low`, those above `shift + last` by `high`; the others are lowered by `shift`.
    Strip { shift: u8, last: u8, low: Option<Call>, high: Option<Call> },
    /// Any stops, as (first, last, call); totals that stay are lowered by `shift`.
    Stops { stops: Vec<(u8, u8, Call)>, shift: u8 },
}

/// A check for every site up to the cap.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Course {
    pub checks: Vec<Check>,
    /// The first total, and step, that is not told apart from larger ones.
    pub edge: u8,
}

/// Stops as first and last total above the lowest open one, and call.
type Stops = Vec<(Total, Total, Call)>;

/// The stops of every row with by how much the lowest open total rises there; and the first total, and step, that is
/// not told apart from larger ones.
struct Raised(Vec<(Stops, Total)>, Total);

impl Raised {
    fn of(lines: &Lines, first: Total) -> Self {
        let (mut base, mut edge) = (0, 1);
        let raise = |row: &Row| {
            let stops = relative(row, Total::from(row.at) * first + base);
            let ends = stops.iter().flat_map(|&(from, to, _)| [from, if to == Total::MAX { 0 } else { to + 1 }]);
            edge = ends.fold(edge, Total::max);
            // What is lowered must not have stopped counting: only where all of it leaves here.
            let shift = if row.highest().is_some() { lowest_open(&stops) } else { 0 };
            base += shift;
            (stops, shift)
        };
        Self(lines.rows().iter().map(raise).collect(), edge)
    }
}

/// The smallest step that decides as any larger one does, wherever it is made.
pub(super) fn edge(lines: &Lines, first: Total) -> Total {
    Raised::of(lines, first).1
}

impl Course {
    /// The course of `lines` for steps of at least `first`; `None` where its totals do not fit bytes.
    pub fn of(lines: &Lines, first: Total) -> Option<Self> {
        let Raised(raised, edge) = Raised::of(lines, first);
        if edge > WIDEST {
            return None;
        }
        let mut checks = Vec::new();
        for (row, (stops, shift)) in lines.rows().iter().zip(raised) {
            checks.resize(usize::try_from(row.at).ok()?.checked_sub(1)?, Check::None);
            checks.push(check(&stops, shift)?);
        }
        Some(Self { checks, edge: u8::try_from(edge).ok()? })
    }
}

/// The stops of a row as totals above `zero`, without those wholly below; the last total is `MAX` where there is none.
fn relative(row: &Row, zero: Total) -> Stops {
    let from = |from: Option<Total>| from.map_or(0, |t| t.saturating_sub(zero).max(0));
    let to = |to: Option<Total>| to.map_or(Total::MAX, |t| t.saturating_sub(zero));
    row.stops.iter().map(|s| (from(s.from), to(s.to), s.call)).filter(|s| s.1 >= 0).collect()
}

/// The lowest total in no stop, counted from one that is open or was just closed; 0 if there is none.
fn lowest_open(stops: &[(Total, Total, Call)]) -> Total {
    let mut open = 0;
    for &(from, to, _) in stops {
        if from > open {
            break;
        }
        open = if to == Total::MAX { return 0 } else { to + 1 };
    }
    open
}

fn check(stops: &[(Total, Total, Call)], shift: Total) -> Option<Check> {
    let byte = |t: Total| u8::try_from(t.min(255)).ok();
    let low = stops.first().filter(|s| s.0 == 0 && s.1 == shift - 1);
    let high = stops.last().filter(|s| s.1 == Total::MAX && s.0 > shift);
    let plain = usize::from(low.is_some()) + usize::from(high.is_some()) == stops.len();
    if plain && (low.is_some() || shift == 0) {
        let last = byte(high.map_or(255, |s| s.0 - 1 - shift))?;
        return Some(Check::Strip { shift: byte(shift)?, last, low: low.map(|s| s.2), high: high.map(|s| s.2) });
    }
    let stops = stops.iter().map(|&(from, to, call)| Some((byte(from)?, byte(to)?, call))).collect::<Option<_>>()?;
    Some(Check::Stops { stops, shift: byte(shift)? })
}
