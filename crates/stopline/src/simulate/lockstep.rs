//! A block of walks, all at the same site: those that stop are counted and leave, those that go on close up.
//!
//! What a walk draws at a site depends on its place among the walks still going on, never on how many of them a
//! machine handles at once. `avx512` does the same in vectors, to the last bit.
#![allow(clippy::indexing_slicing)] // a kernel: positions stay below the number of walks, which is at most a block

use super::avx512::Wide;
use super::course::{Check, Course};
use super::steps::{BATCH, GROUP, Reserve};
use crate::evaluate::InstructionSet;
use crate::lines::Call;

/// Walks of a block: their totals stay in the nearest cache.
pub(super) const BLOCK: usize = 16_384;
/// Calls counted for each check.
pub(super) const CALLS: usize = Call::ALL.len();

/// The totals of a block, with room for vectors that start within it.
pub(super) type Totals = [u8; BLOCK + GROUP];

/// Walks `many` walks of `course`, and adds what is called at each check to `counts`, the calls of a check together.
pub(super) fn walk(
    set: InstructionSet,
    course: &Course,
    reserve: &mut Reserve,
    totals: &mut Totals,
    many: usize,
    counts: &mut [u64],
) {
    let wide = Wide::of(set);
    let mut checks = counts.chunks_exact_mut(CALLS);
    let mut going = many;
    totals[..many].fill(0);
    for (site, check) in (0..).zip(&course.checks) {
        let (shift, last) = if let Check::Strip { shift, last, .. } = *check { (shift, last) } else { (0, u8::MAX) };
        let (stay, below) = match wide {
            Some(wide) => wide.step(reserve, site, totals, going, shift, last),
            None => step(reserve, site, totals, going, shift, last),
        };
        let add = |counts: Option<&mut [u64]>, call: Option<Call>, walks: usize| {
            if let (Some(counts), Some(call)) = (counts, call) {
                counts[call.index()] += walks as u64;
            }
        };
        match check {
            Check::None => {}
            Check::Strip { low, high, .. } => {
                let mut counts = checks.next();
                add(counts.as_deref_mut(), *low, below);
                add(counts, *high, going - stay - below);
                going = stay;
            }
            Check::Stops { stops, shift } => {
                let counts = checks.next();
                going = settle(stops, *shift, totals, going, counts.unwrap_or_default());
            }
        }
        if going == 0 {
            break;
        }
    }
}

/// Adds a step to each of `going` totals and lowers them by `shift`; those in `0..=last` then close up. Returns how
/// many these are, and how many were below `shift`.
#[inline(never)]
fn step(reserve: &mut Reserve, site: u64, totals: &mut Totals, going: usize, shift: u8, last: u8) -> (usize, usize) {
    let (mut stay, mut below) = (0, 0);
    let mut draws = [0; BATCH];
    for (number, start) in (0..going).step_by(BATCH).enumerate() {
        let many = BATCH.min(going - start);
        reserve.draw(number as u64, site, &mut draws, many);
        let draws = &mut draws[..many];
        for (draws, totals) in draws.chunks_mut(GROUP).zip(totals[start..start + many].chunks(GROUP)) {
            let mut few = 0_u8; // at most a group
            for (draw, total) in draws.iter_mut().zip(totals) {
                let total = draw.saturating_add(*total);
                few += u8::from(total < shift);
                *draw = total.wrapping_sub(shift);
            }
            below += usize::from(few);
        }
        let (eights, rest) = draws.as_chunks::<8>();
        for eight in eights {
            if let Some(room) = totals[stay..].first_chunk_mut::<8>() {
                let mut kept = 0;
                for total in eight {
                    room[kept & 7] = *total; // fewer than 8 were kept so far
                    kept += usize::from(*total <= last);
                }
                stay += kept;
            }
        }
        for total in rest {
            totals[stay] = *total;
            stay += usize::from(*total <= last);
        }
    }
    (stay, below)
}

/// Counts the totals in each stop, and closes up the others, lowered by `shift`.
fn settle(stops: &[(u8, u8, Call)], shift: u8, totals: &mut Totals, going: usize, counts: &mut [u64]) -> usize {
    let mut stay = 0;
    for i in 0..going {
        let total = totals[i];
        match stops.iter().find(|(from, to, _)| (*from..=*to).contains(&total)) {
            Some((_, _, call)) => counts[call.index()] += 1,
            None => {
                totals[stay] = total.wrapping_sub(shift);
                stay += 1;
            }
        }
    }
    stay
}
