//! The forward recursion over the checks of a plan: where the total can be, and with what probability.
//!
//! Aroian's direct method (1968, Technometrics 10:125–132, doi:10.1080/00401706.1968.10490541): the
//! probabilities of the open totals after one check, convolved with the law of the next batch of
//! sites, give those at the next check; the totals in a stop leave the walk there.
//!
//! Checks are worked in stretches that fit a fixed amount of memory, so that memory does not grow with
//! the cap; a check whose probabilities become small is scaled by a power of two.

use super::dispatch::InstructionSet;
use super::kernel::{Lanes, Steps, Stretch, Tilted, padded};
use super::windows::{Part, Window, Windows};
use crate::error::Error;
use crate::law::Law;
use crate::watch::{Watch, tell};

/// Cells of a stretch, if its checks are not larger themselves: 1 MB.
const STRETCH: usize = 1 << 17;

/// Memory of a recursion, to be used again for the next.
#[derive(Debug, Default)]
pub(crate) struct Workspace {
    steps: Vec<Steps>,
    batch: Vec<f64>,
    cells: Vec<f64>,
    exponents: Vec<i32>,
    carried: Vec<f64>,
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
        mut see: impl FnMut(&Stretch<'_>, &[f64], &[i32]) -> Result<(), Error>,
    ) -> Result<bool, Error> {
        self.steps.resize_with(windows.gaps.len().max(self.steps.len()), Steps::default);
        for (steps, &(sites, longest)) in self.steps.iter_mut().zip(&windows.gaps) {
            law.batch(sites, longest, &mut self.batch);
            steps.set(&self.batch, longest);
        }
        let mut came_in = Part { start: 0, end: 1, call: None };
        self.carried.clear();
        self.carried.push(1.0);
        let (mut exponent, mut faint, mut done) = (0, false, 0);
        while done < windows.rows.len() {
            tell(watch, done as u64, windows.rows.len() as u64)?;
            let mut end = padded(came_in.end);
            let mut more = 0;
            for row in windows.rows.iter().skip(done) {
                if more > 0 && end + padded(row.len) > STRETCH {
                    break;
                }
                end += padded(row.len);
                more += 1;
            }
            let rows = windows.rows.get(done..done + more).unwrap_or_default();
            let stretch = Stretch { rows, parts: &windows.parts, steps: &self.steps, came_in, exponent };
            if self.cells.len() < end {
                self.cells.resize(end, 0.0);
            }
            let cells = self.cells.get_mut(..end).unwrap_or_default();
            if let Some(head) = cells.get_mut(..came_in.end) {
                head.copy_from_slice(&self.carried);
            }
            self.exponents.clear();
            faint |= set.recur(&stretch, cells, &mut self.exponents);
            see(&stretch, cells, &self.exponents)?;
            done += more;
            if let Some(row) = rows.last().filter(|_| done < windows.rows.len()) {
                let from = end - padded(row.len);
                self.carried.clear();
                self.carried.extend_from_slice(cells.get(from + row.open.0..from + row.open.1).unwrap_or_default());
                close_holes(&mut self.carried, windows.parts_of(row), row.open.0);
                came_in = Part { start: 0, end: self.carried.len(), call: None };
                exponent = self.exponents.last().copied().unwrap_or(exponent);
            }
        }
        Ok(faint)
    }

    /// Runs the recursion under `law` in portable arithmetic, showing every check to `see`.
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
        self.stretches(InstructionSet::PORTABLE, windows, law, watch, |stretch, cells, exponents| {
            before.clear();
            before.extend_from_slice(cells.get(..stretch.came_in.end).unwrap_or_default());
            let mut at = padded(stretch.came_in.end);
            let mut before_exponent = stretch.exponent;
            for (window, &exponent) in stretch.rows.iter().zip(exponents) {
                let q = cells.get(at..at + window.len).unwrap_or_default();
                at += padded(window.len);
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

    /// Runs the recursion under `law` and takes it into account for every block of means; where `open`
    /// is given, the mass open after each check is kept for each block.
    /// Returns whether some tracked probability became too faint to be tilted far.
    ///
    /// # Errors
    /// As [`Workspace::stretches`].
    pub fn tilted(
        &mut self,
        set: InstructionSet,
        windows: &Windows,
        law: &Law,
        watch: &dyn Watch,
        blocks: &mut [Tilted],
        mut open: Option<&mut [Vec<Lanes>]>,
    ) -> Result<bool, Error> {
        self.stretches(set, windows, law, watch, |stretch, cells, exponents| {
            for (i, block) in blocks.iter_mut().enumerate() {
                let open = open.as_deref_mut().and_then(|o| o.get_mut(i));
                set.tilt(stretch, cells, exponents, block, open);
            }
            Ok(())
        })
    }
}

/// Zeros in place of the stops between open totals.
fn close_holes(open: &mut [f64], parts: &[Part], start: usize) {
    for part in parts.iter().filter(|p| p.call.is_some() && p.start >= start) {
        open.get_mut(part.start - start..(part.end - start).min(open.len())).unwrap_or_default().fill(0.0);
    }
}
