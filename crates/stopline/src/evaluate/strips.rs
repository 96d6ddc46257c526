//! Two lines at each check, looked at again and again under the same laws while a search moves them.
//!
//! The recursion is the one of [`super::forward`], with nothing made anew that stays the same from strip to
//! strip: step laws, references, memory. What happens at the cap is left open, so that one pass serves every
//! way to close the walk there.
#![allow(clippy::cast_possible_wrap)] // windows in memory

use super::between::sum;
use super::dispatch::InstructionSet;
use super::eight::{Eight, Settle};
use super::forward::{Wanted, Workspace};
use super::kernel::{Filled, room};
use super::vector::LANE;
use super::windows::{Reach, Windows};
use crate::error::Error;
use crate::law::{Family, Law};
use crate::lines::Call;
use crate::score::Total;
use crate::watch::Watch;
use std::ops::Range;

/// Inadequate at most, −1 for never, and adequate at least, at one check of totals that are not negative.
pub(crate) type Pair = (Total, Total);

/// Totals at the cap, more than there mostly are.
const SUMS: usize = 48;

/// How the walk stands when it comes to the cap, under one law.
#[derive(Debug, Clone)]
pub(crate) struct Closing {
    /// P(called inadequate before).
    pub inadequate: f64,
    /// P(no call before).
    pub open: f64,
    /// Where among the sums of its [`Closings`] those of P(no call before, and a total of at most `base + i` at the cap)
    /// stand.
    sums: Range<usize>,
    base: Total,
    /// The first total that was not looked at.
    pub limit: Total,
}

/// How walks stand when they come to the cap, between lines looked at one after the other.
#[derive(Debug, Default)]
pub(crate) struct Closings {
    of_laws: Vec<Option<Closing>>,
    sums: Vec<f64>,
}

impl Closings {
    /// With memory for so many looks under so many laws.
    pub fn with_room_for(looks: usize, laws: usize) -> Self {
        Self { of_laws: Vec::with_capacity(looks * laws), sums: Vec::with_capacity(looks * laws * SUMS) }
    }

    /// Those of one look; `None` of a law that is too far from its reference.
    pub fn of(&self, look: &Range<usize>) -> &[Option<Closing>] {
        self.of_laws.get(look.clone()).unwrap_or_default()
    }

    /// P(no call before the cap, and a total of at most `total` there), for totals below the limit.
    pub fn at_most(&self, closing: &Closing, total: Total) -> f64 {
        let sums = self.sums.get(closing.sums.clone()).unwrap_or_default();
        let place = usize::try_from(total - closing.base).ok();
        place.and_then(|i| sums.get(i).or(sums.last())).copied().unwrap_or(0.0)
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
    /// Eights of them before the first check.
    start: Vec<Eight>,
    workspace: Workspace,
}

/// Probabilities at the reference of the open totals before the last check and of all totals there, with the powers of
/// two taken out of each.
#[derive(Debug, Default)]
pub(super) struct Ends {
    pub before: Vec<f64>,
    pub last: Vec<f64>,
    pub exponents: (i32, i32),
}

impl Ends {
    /// Of a stretch with the last check.
    fn keep(&mut self, filled: &Filled<'_>) {
        let Filled { stretch, cells, exponents } = *filled;
        let (mut from, mut open, mut exponent) = (room(stretch.came_in), 0..stretch.came_in, stretch.exponent);
        let Some((last, earlier)) = stretch.rows.split_last() else { return };
        for (row, &of) in earlier.iter().zip(exponents) {
            (open, exponent) = (from + row.open.0..from + row.open.1, of);
            from += room(row.len);
        }
        self.before.clear();
        self.before.extend_from_slice(cells.get(open).unwrap_or_default());
        self.last.clear();
        self.last.extend_from_slice(cells.get(from..from + last.len).unwrap_or_default());
        self.exponents = (exponent, exponents.last().copied().unwrap_or(exponent));
    }
}

/// Strips over the same checks, under the same laws.
#[derive(Debug)]
pub(crate) struct Strips {
    related: Vec<Related>,
    set: InstructionSet,
    windows: Windows,
    eights: Vec<Eight>,
    ends: Ends,
    sums: Vec<f64>,
}

impl Strips {
    /// For `laws`: those of one family taken together at a mean of `middle`, or each by itself.
    pub fn new<'a>(laws: impl IntoIterator<Item = &'a Law>, middle: Option<f64>) -> Self {
        Self::by(InstructionSet::best().fused(), laws, middle)
    }

    /// By the instructions of this set.
    pub fn by<'a>(set: InstructionSet, laws: impl IntoIterator<Item = &'a Law>, middle: Option<f64>) -> Self {
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
                    start: Vec::new(),
                    workspace: Workspace::default(),
                }),
            }
        }
        for Related { family, reference, means, start, .. } in &mut related {
            if let Some((family, (_, at))) = family.zip(reference.family()) {
                set.plainly(Settle { family, reference: at, means, eights: start });
            }
        }
        Self { related, set, windows: Windows::default(), eights: Vec::new(), ends: Ends::default(), sums: Vec::new() }
    }

    /// Adds to `closings` how a walk between lines at the checks `lined` ends before `cap`, and which totals below
    /// `limit` it has there, under each law; says where. Without a cap the walk ends with the last check.
    ///
    /// # Errors
    /// `too_much_work`, `interrupted`, or what `spend`, told the multiply-adds, returns.
    pub fn closings(
        &mut self,
        lined: impl Iterator<Item = (u32, Pair)> + Clone,
        cap: Option<(u32, Total)>,
        watch: &dyn Watch,
        spend: impl Fn(f64) -> Result<(), Error>,
        closings: &mut Closings,
    ) -> Result<Range<usize>, Error> {
        let first = closings.of_laws.len();
        let look = first..first + self.related.iter().map(|r| r.of.len()).sum::<usize>();
        closings.of_laws.resize(look.end, None);
        let Self { related, set, windows, eights, ends, sums } = self;
        let mut laid = None;
        for Related { family, reference, reach, of, start, workspace, .. } in related {
            if laid != Some(*reach) {
                windows.lay(lined.clone(), cap, *reach)?;
                laid = Some(*reach);
            }
            spend(windows.work)?;
            if family.is_none() {
                continue;
            }
            eights.clone_from(start);
            // The usual case, quickly.
            let done = match &mut eights[..] {
                [eight] => workspace.between(*set, windows, reference, eight, ends),
                _ => false,
            };
            if !done {
                let (mut seen, rows) = (0, windows.rows.len());
                let keep = |filled: &Filled<'_>| {
                    seen += filled.stretch.rows.len();
                    if seen == rows {
                        ends.keep(filled);
                    }
                };
                if workspace.tilted(*set, Wanted::Calls, windows, reference, watch, eights, &mut [], keep)? {
                    continue;
                }
            }
            let mut rows = windows.rows.iter().rev();
            let at_cap = rows.next().filter(|_| cap.is_some());
            let lined = if cap.is_some() { rows.next() } else { windows.rows.last() };
            let (open, exponent) = match (at_cap, lined) {
                (None, Some(row)) => (ends.last.get(row.open.0..row.open.1).unwrap_or_default(), ends.exponents.1),
                _ => (&ends.before[..], ends.exponents.0),
            };
            let largest = windows.largest_gap();
            for (place, &law) in of.iter().enumerate() {
                let (Some(eight), lane) = (eights.get(place / LANE), place % LANE) else { continue };
                if eight.sound(largest).get(lane) != Some(&true) {
                    continue;
                }
                let inadequate = eight.call(Call::Inadequate, lane);
                let (sites, base) = lined.map_or((0, 0), |row| (row.at, row.base + row.open.0 as Total));
                sums.clear();
                eight.running(lane, (sites, base, exponent), open, sums);
                let open = sums.last().copied().unwrap_or(0.0);
                let from = closings.sums.len();
                let (mut base, mut limit) = (0, 0);
                if let Some(row) = at_cap {
                    (base, limit) = (row.base, row.base + row.len as Total);
                    eight.running(lane, (row.at, row.base, ends.exponents.1), &ends.last, &mut closings.sums);
                }
                let sums = from..closings.sums.len();
                if let Some(slot) = closings.of_laws.get_mut(first + law) {
                    *slot = Some(Closing { inadequate, open, sums, base, limit });
                }
            }
        }
        Ok(look)
    }

    /// How likely a walk between lines is to come, at each check, to the last total called inadequate, under the law
    /// of the first number, and to the last open total, under that of the second.
    ///
    /// # Errors
    /// As [`Self::closings`].
    pub fn edges(
        &mut self,
        lined: impl Iterator<Item = (u32, Pair)> + Clone,
        laws: [usize; 2],
        watch: &dyn Watch,
        spend: impl Fn(f64) -> Result<(), Error>,
    ) -> Result<[Vec<f64>; 2], Error> {
        let mut found = [0, 1].map(|_| Vec::with_capacity(lined.size_hint().0));
        let Self { related, set, windows, .. } = self;
        for Related { reference, reach, of, start, workspace, .. } in related {
            let places = laws.map(|law| of.iter().position(|&number| number == law));
            if places == [None, None] {
                continue;
            }
            windows.lay(lined.clone(), None, *reach)?;
            spend(windows.work)?;
            workspace.stretches(*set, windows, reference, watch, |filled| {
                let mut from = room(filled.stretch.came_in);
                for (row, &exponent) in filled.stretch.rows.iter().zip(filled.exponents) {
                    let lasts = [row.open.0, row.open.1];
                    for ((found, place), past) in found.iter_mut().zip(places).zip(lasts) {
                        let Some(place) = place else { continue };
                        let last = past.checked_sub(1).and_then(|last| filled.cells.get(from + last));
                        // A law by itself is its own reference.
                        let eight = start.get(place / LANE).unwrap_or(&Eight::START);
                        let factor = eight.factor_at(place % LANE, (row.at, row.base + past as Total - 1, exponent));
                        found.push(last.map_or(0.0, |q| q * factor));
                    }
                    from += room(row.len);
                }
                Ok(())
            })?;
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
            if let Some(sites) = workspace.sites_between(*set, windows, reference, cap) {
                found.push(sites);
                continue;
            }
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
