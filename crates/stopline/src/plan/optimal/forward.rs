//! The forward pass over a strip: exact risks and expected sites, and how its walks reach each total.
#![allow(clippy::indexing_slicing)] // rows of one length, cut by the limits of the row
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)] // totals from 0 to the longest row in memory

use super::backward::{FAR, Strip};
use super::stage::{ADEQUATE, BLOCK, INADEQUATE, LANE, MEANS, Stage};
use crate::evaluate::{InstructionSet, PlainWork};
use crate::score::Total;

/// What the master problem knows of a plan.
#[derive(Debug, Clone, Default)]
pub(super) struct Entries {
    /// Expected sites at each mean of the objective.
    pub sites: Vec<f64>,
    /// false_adequate, false_inadequate, then P(undecided) at each bounded mean.
    pub risks: Vec<f64>,
}

/// In the measure of the stage, the chance of standing at each total of each check before it stops
/// there, from the lowest that can be reached up to the first few of the upper line.
#[derive(Debug, Default)]
pub(super) struct Reach {
    cells: Vec<f64>,
    /// First cell and first total of each check.
    rows: Vec<(usize, usize)>,
    open: Vec<f64>,
}

impl Reach {
    /// The chance of standing at `total` at check `i`.
    pub fn chance(&self, i: usize, total: Total) -> f64 {
        let Some(&(at, first)) = self.rows.get(i) else { return 0.0 };
        let end = self.rows.get(i + 1).map_or(self.cells.len(), |r| r.0);
        let place = usize::try_from(total).ok().and_then(|t| t.checked_sub(first)).map(|t| at + t);
        place.filter(|&p| p < end).and_then(|p| self.cells.get(p)).copied().unwrap_or(0.0)
    }
}

impl Stage {
    /// Exact entries of a strip; `reach` is filled.
    pub fn entries(&self, set: InstructionSet, strip: &Strip, reach: &mut Reach) -> Entries {
        set.plainly(Walking { stage: self, strip, reach })
    }
}

struct Walking<'a> {
    stage: &'a Stage,
    strip: &'a Strip,
    reach: &'a mut Reach,
}

impl PlainWork for Walking<'_> {
    type Result = Entries;

    #[inline(always)]
    fn run(self) -> Entries {
        let (stage, Self { strip, reach, .. }) = (self.stage, self);
        let Reach { cells, rows, open } = reach;
        cells.clear();
        rows.clear();
        open.clear();
        open.push(1.0);
        let mut sites = vec![f64::from(stage.sites[0]); stage.means];
        // At the inadequate mean everything but adequate, at the adequate mean inadequate, then undecided.
        let mut ends = vec![0.0; 2 + stage.undecided];
        let mut base = 0;
        for i in 0..stage.checks() {
            let high = strip.high[i].max(0) as usize;
            if high <= base || open.is_empty() {
                break; // everything left is adequate, or nothing is left
            }
            let at = cells.len();
            let len = high - base + FAR;
            cells.resize(at + len.next_multiple_of(LANE * BLOCK), 0.0);
            for (b, out) in cells[at..].chunks_exact_mut(LANE * BLOCK).enumerate() {
                out.copy_from_slice(stage.middle.onwards(i, open, b * BLOCK).as_flattened());
            }
            cells.truncate(at + len);
            rows.push((at, base));
            let row = &cells[at..at + high - base];
            let first_open = ((strip.low[i] + 1).max(0) as usize).clamp(base, high);
            let (stopped, still) = row.split_at(first_open - base);
            if !stopped.is_empty() {
                for (end, tilt) in ends.iter_mut().zip([INADEQUATE, ADEQUATE]) {
                    *end += stage.middle.weigh(tilt, i, base, stopped);
                }
            }
            if i + 1 < stage.checks() {
                for (j, sites) in sites.iter_mut().enumerate() {
                    *sites += stage.gap(i + 1) * stage.middle.weigh(MEANS + j, i, first_open, still);
                }
                open.clear();
                open.extend_from_slice(still);
                base = first_open;
            } else {
                let tilts = (MEANS + stage.means..).take(stage.undecided);
                for (end, tilt) in [(0, INADEQUATE)].into_iter().chain((2..).zip(tilts)) {
                    ends[end] += stage.middle.weigh(tilt, i, first_open, still);
                }
            }
        }
        let adequate = 1.0 - ends[0];
        ends[0] = if adequate > 0.0 { adequate } else { 0.0 };
        Entries { sites, risks: ends }
    }
}
