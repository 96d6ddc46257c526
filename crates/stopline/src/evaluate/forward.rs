//! The forward recursion over the checks of a plan: where the total can be, and with what probability.
//!
//! Aroian's direct method (1968, Technometrics 10:125–132, doi:10.1080/00401706.1968.10490541): the
//! probabilities of the open totals after one check, convolved with the law of the next batch of
//! sites, give those at the next check; the totals in a stop leave the walk there.
//!
//! Checks are worked in stretches that fit a fixed amount of memory, so that memory does not grow with
//! the cap; a check whose probabilities become small is scaled by a power of two.

use super::dispatch::InstructionSet;
use super::eight::{Eight, Finish};
use super::kernel::{Filled, Recur, Steps, Stretch, close_holes, room};
use super::tilt::{Follow, Place};
use super::vector::{LANE, Octet};
use super::windows::{Part, Window, Windows};
use crate::error::Error;
use crate::law::Law;
use crate::watch::{Watch, tell};
use std::ops::Range;

/// Cells of a stretch, if its checks are not larger themselves: 1 MB.
const STRETCH: usize = 1 << 17;

/// Memory of a recursion, to be used again for the next.
#[derive(Debug, Default)]
pub(crate) struct Workspace {
    /// The law whose steps are held, and for each batch how many sites it has and how many steps are there.
    law: Option<Law>,
    held: Vec<(u32, usize)>,
    pub(super) steps: Vec<Steps>,
    batch: Vec<f64>,
    pub(super) cells: Vec<f64>,
    holes: Vec<f64>,
    exponents: Vec<i32>,
    carried: Vec<f64>,
    /// Where in memory the last recursion stands if all its checks are one stretch, and whether it was faint.
    pub(super) whole: Option<(Range<usize>, bool)>,
}

/// What is wanted of means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wanted {
    /// P(call) only.
    Calls,
    /// Expected sites too.
    Sites,
}

/// What the recursion shows of one check.
pub(crate) struct Check<'a> {
    pub window: &'a Window,
    pub parts: &'a [Part],
    /// Probabilities are `q[i]·2^exponent`.
    pub q: &'a [f64],
    pub exponent: i32,
    /// Open probabilities of the check before (holes zero), scaled by its own exponent.
    pub before: &'a [f64],
    pub before_exponent: i32,
}

impl Workspace {
    /// Runs the recursion under `law`, handing every stretch with its cells and exponents to `see`.
    /// Returns whether some tracked probability became too faint to be tilted far.
    ///
    /// # Errors
    /// `interrupted`, or what `see` returns.
    pub fn stretches(
        &mut self,
        set: InstructionSet,
        windows: &Windows,
        law: &Law,
        watch: &dyn Watch,
        mut see: impl FnMut(&Filled<'_>) -> Result<(), Error>,
    ) -> Result<bool, Error> {
        self.hold(windows, law);
        self.whole = None;
        self.carried.clear();
        self.carried.push(1.0);
        let (mut exponent, mut faint, mut done) = (0, false, 0);
        while done < windows.rows.len() {
            tell(watch, done as u64, windows.rows.len() as u64)?;
            let came_in = self.carried.len();
            let (mut end, mut more) = (room(came_in), 0);
            if done == 0 && end + windows.cells <= STRETCH {
                (end, more) = (end + windows.cells, windows.rows.len());
            } else {
                for row in windows.rows.iter().skip(done) {
                    if more > 0 && end + room(row.len) > STRETCH {
                        break;
                    }
                    end += room(row.len);
                    more += 1;
                }
            }
            let rows = windows.rows.get(done..done + more).unwrap_or_default();
            let top = windows.top();
            let stretch =
                Stretch { rows, parts: &windows.parts, steps: &self.steps, came_in, exponent, top, cap: windows.cap() };
            if self.cells.len() < end + LANE {
                self.cells.resize(end + LANE, 0.0);
            }
            // Vectors are then written to aligned places.
            let aligned = self.cells.as_ptr().align_offset(align_of::<Octet>()).min(LANE);
            let cells = self.cells.get_mut(aligned..aligned + end).unwrap_or_default();
            let (head, padding) = cells.split_at_mut(came_in);
            head.copy_from_slice(&self.carried);
            padding.iter_mut().take(room(came_in) - came_in).for_each(|q| *q = 0.0);
            self.exponents.resize(more, 0);
            let (exponents, holes) = (&mut self.exponents, &mut self.holes);
            faint |= set.over_vectors(Recur { stretch: &stretch, cells, exponents, holes });
            see(&Filled { stretch: &stretch, cells, exponents: &self.exponents })?;
            if more == windows.rows.len() {
                self.whole = Some((aligned..aligned + end, faint));
            }
            done += more;
            if let Some(row) = rows.last().filter(|_| done < windows.rows.len()) {
                let from = end - room(row.len);
                self.carried.clear();
                self.carried.extend_from_slice(cells.get(from + row.open.0..from + row.open.1).unwrap_or_default());
                close_holes(&mut self.carried, windows.parts_of(row), row.open.0);
                exponent = self.exponents.last().copied().unwrap_or(exponent);
            }
        }
        Ok(faint)
    }

    /// Takes the last recursion, which was over these windows, into account for other means, if it is still in memory;
    /// whether some tracked probability became too faint to be tilted far.
    pub fn again(&self, set: InstructionSet, wanted: Wanted, windows: &Windows, eights: &mut [Eight]) -> Option<bool> {
        let (place, faint) = self.whole.clone()?;
        let (rows, top) = (&windows.rows[..], windows.top());
        let (parts, steps, cap) = (&windows.parts[..], &self.steps[..], windows.cap());
        let stretch = Stretch { rows, parts, steps, came_in: 1, exponent: 0, top, cap };
        let filled = Filled { stretch: &stretch, cells: self.cells.get(place)?, exponents: &self.exponents };
        let mut place = Place::default();
        let sites = wanted == Wanted::Sites || top.is_none();
        set.over_vectors(Follow { filled: &filled, place: &mut place, eights, sites, open: &mut [] });
        set.plainly(Finish { top, eights });
        Some(faint)
    }

    /// Makes the steps of `law` that these windows need ready, unless they are.
    pub(super) fn hold(&mut self, windows: &Windows, law: &Law) {
        if self.law.as_ref() != Some(law) {
            self.law = Some(law.clone());
            self.held.clear();
        }
        self.held.resize(windows.gaps.len().max(self.held.len()), (0, 0));
        self.steps.resize_with(self.held.len(), Steps::default);
        for ((steps, held), &(sites, longest)) in self.steps.iter_mut().zip(&mut self.held).zip(&windows.gaps) {
            if held.0 != sites || held.1 < longest {
                law.batch(sites, longest, &mut self.batch);
                steps.set(&self.batch, longest);
                *held = (sites, longest);
            }
        }
    }

    /// Runs the recursion under `law`, showing every check to `see`.
    ///
    /// # Errors
    /// As [`Workspace::stretches`].
    pub fn checks(
        &mut self,
        windows: &Windows,
        law: &Law,
        watch: &dyn Watch,
        mut see: impl FnMut(&Check<'_>) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let mut before = Vec::new();
        self.stretches(InstructionSet::best(), windows, law, watch, |filled| {
            let Filled { stretch, cells, exponents } = *filled;
            before.clear();
            before.extend_from_slice(cells.get(..stretch.came_in).unwrap_or_default());
            let mut at = room(stretch.came_in);
            let mut before_exponent = stretch.exponent;
            for (window, &exponent) in stretch.rows.iter().zip(exponents) {
                let q = cells.get(at..at + window.len).unwrap_or_default();
                at += room(window.len);
                let parts = windows.parts_of(window);
                see(&Check { window, parts, q, exponent, before: &before, before_exponent })?;
                before.clear();
                before.extend_from_slice(q.get(window.open.0..window.open.1).unwrap_or_default());
                close_holes(&mut before, parts, window.open.0);
                before_exponent = exponent;
            }
            Ok(())
        })?;
        Ok(())
    }

    /// Runs the recursion under `law` and takes it into account for the means that [`InstructionSet::settle`]
    /// made ready; where `open` is given, the mass open after each check is kept for each eight of them.
    /// Every stretch is shown to `also`. Returns whether some tracked probability became too faint to be tilted far.
    ///
    /// # Errors
    /// As [`Workspace::stretches`].
    #[allow(clippy::too_many_arguments)]
    pub fn tilted(
        &mut self,
        set: InstructionSet,
        wanted: Wanted,
        windows: &Windows,
        law: &Law,
        watch: &dyn Watch,
        eights: &mut [Eight],
        open: &mut [&mut [Octet]],
        mut also: impl FnMut(&Filled<'_>),
    ) -> Result<bool, Error> {
        let mut place = Place::default();
        // What is missing from 1 tells an uppermost call only if there is no other.
        let sites = wanted == Wanted::Sites || windows.top().is_none();
        let faint = self.stretches(set, windows, law, watch, |filled| {
            set.over_vectors(Follow { filled, place: &mut place, eights, sites, open });
            also(filled);
            Ok(())
        })?;
        set.plainly(Finish { top: windows.top(), eights });
        Ok(faint)
    }
}
