//! The recursion between two lines with what stops at the lower one taken into account on the way, for up to eight
//! means: what a search for lines asks again and again.
//!
//! Nothing is kept but the last two checks. Much work, checks of any other shape and probabilities near the end
//! of the range of numbers are left to [`super::forward`].
#![allow(clippy::indexing_slicing)] // lengths are fixed by `windows`; slices are cut once per row
#![allow(clippy::cast_possible_wrap)] // windows in memory

use super::dispatch::{InstructionSet, VectorWork};
use super::eight::{Eight, FRESH, Finish, LOOK};
use super::forward::Workspace;
use super::kernel::{Steps, convolve, is_faint, room};
use super::strips::Ends;
use super::tilt::{add_product, fresh, polynomial, raise};
use super::vector::{LANE, Octet, Vector};
use super::windows::{Window, Windows};
use crate::law::Law;
use crate::lines::Call;
use core::hint::cold_path;

/// Multiply-adds of a moment, about a tenth of a second.
const MOST_WORK: f64 = 2e8;

impl Workspace {
    /// Expected sites of a walk between lines under `law` itself and, if it is open after their last check, to `cap`;
    /// `None` where there is much work.
    pub fn sites_between(&mut self, set: InstructionSet, windows: &Windows, law: &Law, cap: u32) -> Option<f64> {
        if windows.work > MOST_WORK {
            return None;
        }
        let (steps, [even, odd]) = self.in_turn(windows, law);
        let (last, left, sites) = set.over_vectors(Sites { rows: &windows.rows, steps, even, odd });
        Some(sites + f64::from(cap - last) * left)
    }

    /// The steps of `law` and room for two checks, whose vectors are written to aligned places.
    fn in_turn(&mut self, windows: &Windows, law: &Law) -> (&[Steps], [&mut [f64]; 2]) {
        self.hold(windows, law);
        self.whole = None;
        let longest = windows.rows.iter().map(|row| room(row.len)).fold(room(1), usize::max);
        if self.cells.len() < 2 * longest + LANE {
            self.cells.resize(2 * longest + LANE, 0.0);
        }
        let aligned = self.cells.as_ptr().align_offset(align_of::<Octet>()).min(LANE);
        let (even, odd) = self.cells[aligned..aligned + 2 * longest].split_at_mut(longest);
        (&self.steps, [even, odd])
    }

    /// Runs the recursion under `law` and takes the calls into account for the means of an eight; whether the checks
    /// and the law suit; if not, nothing was done. There is no look at whether to stop on the way.
    pub fn between(
        &mut self,
        set: InstructionSet,
        windows: &Windows,
        law: &Law,
        eight: &mut Eight,
        ends: &mut Ends,
    ) -> bool {
        let rows = &windows.rows[..];
        let (Some(top), [.., last]) = (windows.top(), rows) else { return false };
        if windows.work > MOST_WORK || !rows.iter().all(|row| row.plain) {
            return false;
        }
        let (steps, [even, odd]) = self.in_turn(windows, law);
        let mut tried = eight.clone();
        let between = Between { rows, steps, even: &mut *even, odd: &mut *odd, eight: &mut tried };
        if !set.over_vectors(between) {
            return false;
        }
        set.plainly(Finish { top: Some(top), eights: core::slice::from_mut(&mut tried) });
        *eight = tried;
        let (of_last, of_before) = if rows.len() % 2 == 1 { (odd, even) } else { (even, odd) };
        let open = rows.len().checked_sub(2).map_or((0, 1), |i| rows[i].open);
        ends.before.clear();
        ends.before.extend_from_slice(&of_before[open.0..open.1]);
        ends.last.clear();
        ends.last.extend_from_slice(&of_last[..last.len]);
        ends.exponents = (0, 0);
        true
    }
}

/// The recursion; whether all probabilities stayed well in the range of numbers.
struct Between<'a> {
    rows: &'a [Window],
    steps: &'a [Steps],
    /// Cells of the checks, in turn; those of the start are even.
    even: &'a mut [f64],
    odd: &'a mut [f64],
    eight: &'a mut Eight,
}

impl VectorWork for Between<'_> {
    type Result = bool;

    #[inline(always)]
    fn run<V: Vector>(self) -> bool {
        match V::BESIDE {
            1 => between::<V, 1>(self),
            2 => between::<V, 2>(self),
            _ => between::<V, 4>(self),
        }
    }
}

#[inline(always)]
fn between<V: Vector, const B: usize>(Between { rows, steps, even, odd, eight }: Between<'_>) -> bool {
    let (ratio, site) = ([V::load(&eight.ratio)], [V::load(&eight.site)]);
    let powers = [V::all(1.0), ratio[0], ratio[0].times(ratio[0])];
    let (mut factor, mut stopped) = ([V::all(1.0)], [V::all(0.0)]);
    // Where the factor stands, and totals and sites since it was made anew and since its logarithm was looked at.
    let (mut sites, mut total, mut since, mut unseen) = (0, 0, 0, 0);
    let (mut before, mut out) = (even, odd);
    before[..room(1)].fill(0.0);
    before[0] = 1.0;
    let mut open: (usize, usize) = (0, 1);
    // Lane by lane.
    let mut least = V::all(1.0);
    for row in rows {
        let came = &before[open.0..open.0 + (open.1 - open.0).next_multiple_of(2)];
        least = convolve::<V, B>(came.as_chunks().0, &steps[row.gap], out, row.len, least);
        let gap = u64::from(row.at - sites);
        let moved = (row.base - total).unsigned_abs();
        since += gap + moved;
        unseen += gap + moved + row.open.0 as u64;
        if moved != 0 || since > FRESH {
            cold_path();
            factor = fresh(core::array::from_ref(&*eight), row.at, row.base, 0);
            since = 0;
        } else {
            raise(&mut factor, &site, gap);
        }
        let low = row.open.0;
        if low < powers.len() {
            // Mostly; no branch that is hard to foresee.
            let q = [if low > 0 { out[0] } else { 0.0 }, if low > 1 { out[1] } else { 0.0 }];
            add_product(&mut stopped, &[V::all(q[1]).times_plus(ratio[0], V::all(q[0]))], &factor);
            factor = [factor[0].times(powers[low])];
        } else {
            cold_path();
            add_product(&mut stopped, &polynomial(&out[..low], &ratio), &factor);
            raise(&mut factor, &ratio, low as u64);
        }
        since += low as u64;
        (sites, total) = (row.at, row.base + row.open.0 as i64);
        if unseen >= LOOK {
            unseen = 0;
            eight.look(sites, total, 0);
        }
        open = row.open;
        core::mem::swap(&mut before, &mut out);
    }
    stopped[0].store(&mut eight.calls[Call::Inadequate as usize].0);
    !is_faint(least)
}

/// The recursion under the law itself; gives the sites of the last check, the mass still open there, and the expected
/// sites up to there.
struct Sites<'a> {
    rows: &'a [Window],
    steps: &'a [Steps],
    /// As in [`Between`].
    even: &'a mut [f64],
    odd: &'a mut [f64],
}

impl VectorWork for Sites<'_> {
    type Result = (u32, f64, f64);

    #[inline(always)]
    fn run<V: Vector>(self) -> (u32, f64, f64) {
        match V::BESIDE {
            1 => sites::<V, 1>(self),
            2 => sites::<V, 2>(self),
            _ => sites::<V, 4>(self),
        }
    }
}

#[inline(always)]
fn sites<V: Vector, const B: usize>(Sites { rows, steps, even, odd }: Sites<'_>) -> (u32, f64, f64) {
    let (mut before, mut out) = (even, odd);
    before[..room(1)].fill(0.0);
    before[0] = 1.0;
    let (mut at, mut left, mut sites) = (0, 1.0, 0.0);
    let mut open: (usize, usize) = (0, 1);
    for row in rows {
        let came = &before[open.0..open.0 + (open.1 - open.0).next_multiple_of(2)];
        convolve::<V, B>(came.as_chunks().0, &steps[row.gap], out, row.len, V::all(1.0));
        sites += f64::from(row.at - at) * left;
        left = sum(&out[row.open.0..row.open.1]);
        (at, open) = (row.at, row.open);
        core::mem::swap(&mut before, &mut out);
    }
    (at, left, sites)
}

/// The sum, in eight parts at a time.
#[inline(always)]
pub(super) fn sum(cells: &[f64]) -> f64 {
    let (eights, rest) = cells.as_chunks::<LANE>();
    let mut parts = [0.0; LANE];
    for eight in eights {
        for l in 0..LANE {
            parts[l] += eight[l];
        }
    }
    let mut sum = 0.0;
    for part in parts {
        sum += part;
    }
    for q in rest {
        sum += q;
    }
    sum
}
