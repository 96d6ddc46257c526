//! Two lines at each check, looked at again and again under the same laws while a search moves them.
//!
//! The recursion is the one of [`super::forward`], with nothing made anew that stays the same from strip to
//! strip: step laws, references, memory. What happens at the cap is left open, so that one pass serves every
//! way to close the walk there.
#![allow(clippy::cast_possible_wrap)] // windows in memory

use super::dispatch::InstructionSet;
use super::forward::{Wanted, Workspace};
use super::kernel::{Filled, room};
use super::tilt::{Eight, Settle};
use super::vector::LANE;
use super::windows::{Reach, Windows};
use crate::error::Error;
use crate::law::{Family, Law};
use crate::lines::{Call, Stop};
use crate::score::Total;
use crate::watch::Watch;

/// Inadequate at most, and adequate at least, at one check.
pub(crate) type Pair = (Option<Total>, Total);

/// How the walk stands when it comes to the cap, under one law.
#[derive(Debug, Clone, Default)]
pub(crate) struct Closing {
    /// P(called inadequate before).
    pub inadequate: f64,
    /// P(no call before).
    pub open: f64,
    /// P(no call before, and a total of at most `base + i` at the cap).
    at_most: Vec<f64>,
    base: Total,
    /// The first total that was not looked at.
    pub limit: Total,
}

impl Closing {
    /// P(no call before the cap, and a total of at most `total` there), for totals below the limit.
    pub fn at_most(&self, total: Total) -> f64 {
        let place = usize::try_from(total - self.base).ok();
        place.and_then(|i| self.at_most.get(i).or(self.at_most.last())).copied().unwrap_or(0.0)
    }
}

/// Laws of one family, which share a recursion.
#[derive(Debug)]
struct Related {
    family: Option<Family>,
    reference: Law,
    reach: Reach,
    /// Which of the laws these are, and their parameters in the family.
    of: Vec<usize>,
    means: Vec<f64>,
    workspace: Workspace,
}

/// Strips over the same checks, under the same laws.
#[derive(Debug)]
pub(crate) struct Strips {
    related: Vec<Related>,
    set: InstructionSet,
    windows: Windows,
    eights: Vec<Eight>,
    /// Probabilities of the open totals before the cap, and of the totals there.
    before: Vec<f64>,
    cells: Vec<f64>,
}

impl Strips {
    /// For `laws`: those of one family taken together at a mean of `middle`, or each by itself.
    pub fn new<'a>(laws: impl IntoIterator<Item = &'a Law>, middle: Option<f64>) -> Self {
        let mut related: Vec<Related> = Vec::new();
        for (i, law) in laws.into_iter().enumerate() {
            let (family, mean) = law.family().unzip();
            let reach = Reach::of(law);
            let together = |r: &&mut Related| family.is_some() && r.family == family && r.reach == reach;
            let shared = related.iter_mut().find(together).filter(|_| middle.is_some());
            match (shared, mean) {
                (Some(shared), Some(mean)) => {
                    shared.of.push(i);
                    shared.means.push(mean);
                }
                _ => related.push(Related {
                    family,
                    reference: middle.and_then(|mean| law.with_mean(mean)).unwrap_or_else(|| law.clone()),
                    reach,
                    of: vec![i],
                    means: mean.into_iter().collect(),
                    workspace: Workspace::default(),
                }),
            }
        }
        Self {
            related,
            set: InstructionSet::best(),
            windows: Windows::default(),
            eights: Vec::new(),
            before: Vec::new(),
            cells: Vec::new(),
        }
    }

    /// How a walk between lines at the checks `lined` ends before `cap`, and which totals below `limit` it
    /// has there, under each law; `None` where a law is too far from its reference for that.
    /// Without a cap the walk ends with the last check.
    ///
    /// # Errors
    /// `too_much_work`, `interrupted`, or what `spend`, told the multiply-adds, returns.
    pub fn closings(
        &mut self,
        lined: impl Iterator<Item = (u32, Pair)> + Clone,
        cap: Option<(u32, Total)>,
        watch: &dyn Watch,
        spend: impl Fn(f64) -> Result<(), Error>,
    ) -> Result<Vec<Option<Closing>>, Error> {
        let mut found: Vec<Option<Closing>> = vec![None; self.related.iter().map(|r| r.of.len()).sum()];
        let Self { related, set, windows, eights, before, cells } = self;
        let mut laid = None;
        for Related { family, reference, reach, of, means, workspace } in related {
            if laid != Some(*reach) {
                windows.lay(lined.clone(), cap, *reach)?;
                laid = Some(*reach);
            }
            spend(windows.work)?;
            let Some((family, (_, at))) = family.zip(reference.family()) else { continue };
            set.plainly(Settle { family, reference: at, means, eights });
            let (mut exponents, mut seen) = ((0, 0), 0);
            before.clear();
            before.push(1.0);
            cells.clear();
            let rows = windows.rows.len();
            let last = |filled: &Filled<'_>| {
                let Filled { stretch, cells: all, exponents: of } = *filled;
                seen += stretch.rows.len();
                if seen < rows {
                    return;
                }
                let mut at = room(stretch.came_in);
                let count = stretch.rows.len();
                before.clear();
                before.extend_from_slice(all.get(..stretch.came_in).unwrap_or_default());
                exponents = (stretch.exponent, stretch.exponent);
                for (i, (row, &exponent)) in stretch.rows.iter().zip(of).enumerate() {
                    if cap.is_some() && i + 1 == count {
                        cells.extend_from_slice(all.get(at..at + row.len).unwrap_or_default());
                        exponents.1 = exponent;
                    } else if i + 1 + usize::from(cap.is_some()) == count {
                        before.clear();
                        before.extend_from_slice(all.get(at + row.open.0..at + row.open.1).unwrap_or_default());
                        exponents.0 = exponent;
                    }
                    at += room(row.len);
                }
            };
            let far = workspace.tilted(*set, Wanted::Calls, windows, reference, watch, eights, &mut [], last)?;
            if far {
                continue;
            }
            let capped = usize::from(cap.is_some());
            let lined = rows.checked_sub(capped + 1).and_then(|i| windows.rows.get(i));
            let at_cap = windows.rows.last().filter(|_| cap.is_some());
            let largest = windows.largest_gap();
            for (place, &law) in of.iter().enumerate() {
                let (Some(eight), lane) = (eights.get(place / LANE), place % LANE) else { continue };
                if eight.sound(largest).get(lane) != Some(&true) {
                    continue;
                }
                let mut closing = Closing { inadequate: eight.call(Call::Inadequate, lane), ..Closing::default() };
                let (sites, base) = lined.map_or((0, 0), |row| (row.at, row.base + row.open.0 as Total));
                eight.running(lane, (sites, base, exponents.0), before, |_, sum| closing.open = sum);
                if let Some(row) = at_cap {
                    closing.base = row.base;
                    closing.limit = row.base + row.len as Total;
                    closing.at_most.reserve(cells.len());
                    let add = |_, sum| closing.at_most.push(sum);
                    eight.running(lane, (row.at, row.base, exponents.1), cells, add);
                }
                if let Some(slot) = found.get_mut(law) {
                    *slot = Some(closing);
                }
            }
        }
        Ok(found)
    }

    /// Expected sites of a walk between lines at the checks `lined` and to the cap at most, under each law.
    ///
    /// # Errors
    /// As [`Self::closings`].
    pub fn sites(
        &mut self,
        lined: impl Iterator<Item = (u32, Pair)> + Clone,
        cap: u32,
        watch: &dyn Watch,
        spend: impl Fn(f64) -> Result<(), Error>,
    ) -> Result<Vec<f64>, Error> {
        let mut found = Vec::with_capacity(self.related.len());
        let Self { related, set, windows, .. } = self;
        for Related { reference, reach, workspace, .. } in related {
            windows.lay(lined.clone(), None, *reach)?;
            spend(windows.work)?;
            let (mut sites, mut open, mut at) = (0.0, 1.0, 0);
            workspace.stretches(*set, windows, reference, watch, |filled| {
                let mut from = room(filled.stretch.came_in);
                for (row, &exponent) in filled.stretch.rows.iter().zip(filled.exponents) {
                    sites += f64::from(row.at - at) * open;
                    let cells = filled.cells.get(from + row.open.0..from + row.open.1).unwrap_or_default();
                    open = libm::scalbn(sum(cells), exponent);
                    (at, from) = (row.at, from + room(row.len));
                }
                Ok(())
            })?;
            found.push(sites + f64::from(cap - at) * open);
        }
        Ok(found)
    }
}

/// The sum, in eight parts at a time.
fn sum(cells: &[f64]) -> f64 {
    let (eights, rest) = cells.as_chunks::<LANE>();
    let mut parts = [0.0; LANE];
    for eight in eights {
        parts.iter_mut().zip(eight).for_each(|(sum, p)| *sum += p);
    }
    parts.iter().chain(rest).sum()
}

impl Windows {
    /// The windows of lines at the checks `lined`, then of a cap with totals below a limit.
    fn lay(
        &mut self,
        lined: impl Iterator<Item = (u32, Pair)>,
        cap: Option<(u32, Total)>,
        reach: Reach,
    ) -> Result<(), Error> {
        self.clear();
        let mut longest = 0;
        for (at, (low, high)) in lined {
            let above = Stop { from: Some(high), to: None, call: Call::Adequate };
            let stops = [Stop { from: None, to: low, call: Call::Inadequate }, above];
            let stops = if low.is_some() { &stops[..] } else { &stops[1..] };
            longest = longest.max(self.add(at, high, stops, reach));
        }
        if let Some((at, limit)) = cap {
            let above = Stop { from: Some(limit), to: None, call: Call::Adequate };
            longest = longest.max(self.add(at, limit, &[above], reach));
        }
        self.check(longest)
    }
}
