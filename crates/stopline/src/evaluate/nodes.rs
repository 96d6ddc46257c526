//! Calls under eight laws at once: the nodes of an uncertain k, each in a lane of its own.
//!
//! The recursion of [`super::kernel`] over lanes of laws instead of lanes of totals: one pass at the middle of
//! the strip for all nodes, then every mean by its tilt. For lines whose open totals are one run below an
//! uppermost stop with the same call at every check, as nearly all are; others take a pass a node.
#![allow(clippy::indexing_slicing)] // lengths are fixed by `windows`
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::dispatch::{InstructionSet, VectorWork};
use super::eight::{Eight, Finish, SEGMENT};
use super::tilt::{Place, pass};
use super::vector::{LANE, Octet, Vector};
use super::windows::Windows;
use crate::error::Error;
use crate::law::{Family, Law};
use crate::watch::{Watch, tell};

/// Totals and steps that are worked on together.
const TOTALS: usize = 4;
/// Zeros before the steps, so that all totals of a block take all its open totals.
const MARGIN: usize = TOTALS - 1;
/// Probabilities below this may have lost digits.
const FAINT: f64 = 1e-290;
/// Checks from one look at progress to the next.
const TOLD: usize = 1024;

/// Up to eight laws, at a mean in the middle of the strip.
pub(super) struct Nodes {
    families: Vec<(Family, f64)>,
    /// For each batch, the probability of every step under each law.
    steps: Vec<Vec<Octet>>,
}

impl Nodes {
    /// `None` where one law has no family, or there are too many; the last is repeated in lanes left over.
    pub fn of(windows: &Windows, laws: &[Law]) -> Option<Self> {
        let simple = windows.top().is_some() && windows.rows.iter().all(|row| row.solid && row.len <= SEGMENT);
        if !simple || laws.is_empty() || laws.len() > LANE {
            return None;
        }
        let families = laws.iter().map(Law::family).collect::<Option<_>>()?;
        let mut p = Vec::new();
        let batch = |&(sites, longest): &(u32, usize)| {
            let mut steps = vec![Octet::ZERO; MARGIN + longest + TOTALS];
            for lane in 0..LANE {
                laws[lane.min(laws.len() - 1)].batch(sites, longest, &mut p);
                steps[MARGIN..].iter_mut().zip(&p).for_each(|(step, p)| step.0[lane] = *p);
            }
            steps
        };
        Some(Self { families, steps: windows.gaps.iter().map(batch).collect() })
    }

    /// P(call) at one parameter of each law, before the first check: a lane a law.
    pub fn tilted(&self, parameters: &[f64]) -> Eight {
        let lanes: Vec<_> = self.families.iter().zip(parameters).map(|((f, from), to)| f.tilt(*from, *to)).collect();
        Eight::tilted(|lane| lanes[lane.min(lanes.len() - 1)])
    }

    /// Takes all checks into account for each of the eights; whether they can be relied upon.
    ///
    /// # Errors
    /// `interrupted`.
    pub fn calls(
        &self,
        set: InstructionSet,
        windows: &Windows,
        eights: &mut [Eight],
        watch: &dyn Watch,
    ) -> Result<bool, Error> {
        let (mut open, mut place) = (vec![Octet::ONE], Place::default());
        let mut sound = true;
        for first in (0..windows.rows.len()).step_by(TOLD) {
            tell(watch, first as u64, windows.rows.len() as u64)?;
            let rows = first..windows.rows.len().min(first + TOLD);
            sound &=
                set.over_vectors(Through { nodes: self, windows, rows, open: &mut open, place: &mut place, eights });
        }
        let largest = windows.largest_gap();
        set.plainly(Finish { top: windows.top(), eights });
        Ok(sound && eights.iter().all(|eight| eight.sound(largest) == [true; LANE]))
    }
}

/// Goes through some checks.
struct Through<'a> {
    nodes: &'a Nodes,
    windows: &'a Windows,
    rows: std::ops::Range<usize>,
    /// Probabilities of the open totals, with room for whole blocks.
    open: &'a mut Vec<Octet>,
    place: &'a mut Place,
    eights: &'a mut [Eight],
}

impl VectorWork for Through<'_> {
    type Result = bool;

    #[inline(always)]
    fn run<V: Vector>(self) -> bool {
        let Self { nodes, windows, rows, open, place, eights } = self;
        let mut out: Vec<Octet> = Vec::new();
        let mut sound = true;
        for row in &windows.rows[rows] {
            let steps = &nodes.steps[row.gap];
            out.clear();
            out.resize(row.len.next_multiple_of(TOTALS), Octet::ZERO);
            for (block, out) in out.chunks_exact_mut(TOTALS).enumerate() {
                let end = (block + 1) * TOTALS;
                let sums = block_of::<V>(&open[..open.len().min(end)], &steps[..MARGIN + end]);
                for (out, sum) in out.iter_mut().zip(sums) {
                    sum.store(&mut out.0);
                }
            }
            out.truncate(row.len);
            pass::<V>(row, windows.parts_of(row), &out, place, eights);
            sound &= open.is_empty() || out.iter().all(|p| p.0.iter().all(|p| *p >= FAINT));
            open.clear();
            open.extend_from_slice(&out[row.open.0..row.open.1]);
        }
        sound
    }
}

/// Σⱼ open[j]·P(t − j) for the totals t of a block, whose steps from open total 0 are the last `TOTALS`.
#[inline(always)]
fn block_of<V: Vector>(open: &[Octet], steps: &[Octet]) -> [V; TOTALS] {
    let mut sums = [V::all(0.0); TOTALS];
    let (pairs, last) = open.as_chunks::<2>();
    let first = steps.len() - TOTALS;
    for (i, [a, b]) in pairs.iter().enumerate() {
        let (a, b) = (V::load(a), V::load(b));
        let steps = &steps[first - 2 * i - 1..][..TOTALS + 1];
        for t in 0..TOTALS {
            sums[t] = sums[t].plus(a.times(V::load(&steps[t + 1])).plus(b.times(V::load(&steps[t]))));
        }
    }
    if let [a] = last {
        let a = V::load(a);
        for (sum, step) in sums.iter_mut().zip(&steps[first - 2 * pairs.len()..]) {
            *sum = sum.plus(a.times(V::load(step)));
        }
    }
    sums
}
