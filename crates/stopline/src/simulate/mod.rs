//! What a plan does over simulated walks, where exactness ends: clustered sites.
//!
//! Every random bit is a function of the seed, the mean, the block of walks, the site and the position of the walk, so
//! that the same numbers come out on one thread or many, with any instruction set, on any machine. At each mean they
//! do not depend on the other means asked for. Walks of independent sites go in lockstep, a block at a time (`lockstep`,
//! `avx512`), others one by one (`walker`). Memory does not grow with the number of walks. Where exactness does not end,
//! [`crate::evaluate::evaluate`] is faster and has no Monte-Carlo error.

mod avx512;
mod course;
mod lockstep;
mod simulated;
mod source;
mod steps;
mod threefry;
mod variates;
mod walker;
mod workers;

pub use simulated::{Estimate, Simulated, SimulatedRow};
pub(crate) use source::drawn::{Common, Drawn, Sites};
pub use source::{Clustered, Origin, Redraw, Run, Source};
pub(crate) use workers::share;

use crate::error::{Code, Error};
use crate::evaluate::InstructionSet;
use crate::lines::Lines;
use crate::params::Mean;
use crate::plan::Plan;
use crate::score::{Score, Total};
use crate::watch::Watch;
use std::sync::{Mutex, PoisonError};
use walker::{Ground, Walker};

/// Walks that may be asked for.
const WALKS: std::ops::RangeInclusive<u64> = 2..=1_000_000_000_000;
/// Seeds are stated in JSON, where whole numbers are exact below this.
const SEEDS: u64 = 1 << 53;
/// Numbers counted at once above which a simulation is refused (0.4 GB).
const MOST_COUNTED: usize = 50_000_000;

/// Walks a plan over simulated counts, at each mean.
///
/// # Errors
/// `out_of_range` for fewer than 2 walks or a seed of 2⁵³ or more; `combination` where the plan's score and the source
/// do not fit; `too_much_work` where means and checks are too many to be held; `interrupted`.
///
/// ```
/// # use stopline::{Dispersion, K, Mean, Plants, Quiet, Score, plan::{Aim, Design, Plan, Table}};
/// use stopline::{Share, simulate::{Clustered, Run, simulate}};
/// # let table = Table::of(&[(15, Some(31), Some(32))])?;
/// # let under = Dispersion::ConstantK { k: K::new(2.0)? };
/// # let design = Design { score: Score::Count, plants: Plants::ONE, dispersion: under, checks: table.checks,
/// #     aim: Aim::TwoCalls { thresholds: None, risks: None }, closing: table.closing };
/// # let plan = Plan::given(design, table.lines, &Quiet)?; // 15 sites, inadequate if the total is at most 31
/// let alone = simulate(&plan, &under, &[Mean::new(1.5)?], 100_000, 1, &Quiet)?;
/// let row = &alone.rows[0];
/// assert!((row.adequate.value - 0.0835).abs() < 4.0 * row.adequate.se);
/// // A quarter of the extra-Poisson variance common to runs of five sites: a wrong call is more likely.
/// let clustered = Clustered::new(under, Share::new(0.25)?, Run::Sites(5))?;
/// let together = simulate(&plan, &clustered, &[Mean::new(1.5)?], 100_000, 1, &Quiet)?;
/// assert!(together.rows[0].adequate.value > row.adequate.value + 4.0 * row.adequate.se);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn simulate(
    plan: &Plan,
    source: &dyn Source,
    means: &[Mean],
    walks: u64,
    seed: u64,
    watch: &dyn Watch,
) -> Result<Simulated, Error> {
    let asked = Walks::new(walks, seed)?;
    let rows = simulate_lines(plan.lines(), &plan.asked().score, source, means, &asked, watch)?;
    let (plan, under, source) = (plan.digest().clone(), source.under(), source.origin());
    Ok(Simulated { plan, under, source, walks, seed, rows })
}

/// How many walks to simulate at each mean, and from which random numbers.
#[derive(Debug, Clone, Copy)]
pub struct Walks {
    many: u64,
    seed: u64,
    set: InstructionSet,
}

impl Walks {
    /// So many walks, from this seed.
    ///
    /// # Errors
    /// `out_of_range` for fewer than 2 walks or a seed of 2⁵³ or more.
    pub fn new(many: u64, seed: u64) -> Result<Self, Error> {
        if !WALKS.contains(&many) {
            let allowed = format!("a whole number from {} to {}", WALKS.start(), WALKS.end());
            return Err(Error::new(Code::OutOfRange, "walks", many, allowed));
        }
        if seed >= SEEDS {
            return Err(Error::new(Code::OutOfRange, "seed", seed, format!("a whole number below {SEEDS}")));
        }
        Ok(Self { many, seed, set: InstructionSet::best() })
    }

    /// The same with an instruction set of choice, which changes no number.
    #[must_use]
    pub const fn with(self, set: InstructionSet) -> Self {
        Self { set, ..self }
    }
}

/// Walks any lines over simulated counts, at each mean.
///
/// # Errors
/// As [`simulate`].
pub fn simulate_lines(
    lines: &Lines,
    score: &Score,
    source: &dyn Source,
    means: &[Mean],
    walks: &Walks,
    watch: &dyn Watch,
) -> Result<Vec<SimulatedRow>, Error> {
    let kinds = means.iter().map(|&mean| source.walks(score, mean)).collect::<Result<Vec<_>, _>>()?;
    let places: Vec<u64> = means.iter().map(|mean| mean.get().to_bits()).collect();
    let counts = counts(lines, &places, &kinds, walks, watch)?;
    let row = |(mean, counts): (&Mean, &Vec<u64>)| SimulatedRow::of(lines, mean.get(), walks.many, counts);
    Ok(means.iter().zip(&counts).map(row).collect())
}

/// The mean of a real walk, and its steps.
pub(crate) type RealWalk = (f64, Box<[Total]>);

/// Walks any lines over real walks drawn again: a row each, from random numbers of its own even where means are the same.
pub(crate) fn redraw_lines(
    lines: &Lines,
    real: &[RealWalk],
    how: Redraw,
    walks: &Walks,
    watch: &dyn Watch,
) -> Result<Vec<SimulatedRow>, Error> {
    let kind = |steps: &[Total]| Sites { own: None, common: None, later: None, redrawn: Some((steps.into(), how)) };
    let kinds: Vec<_> = real.iter().map(|(_, steps)| vec![(1.0, kind(steps))]).collect();
    let places: Vec<u64> = (0..real.len() as u64).collect(); // no mean has such small bits
    let counts = counts(lines, &places, &kinds, walks, watch)?;
    Ok(real.iter().zip(&counts).map(|((mean, _), counts)| SimulatedRow::of(lines, *mean, walks.many, counts)).collect())
}

/// How many walks stop with each call at each check, a list for each place, whose kinds of walks are given.
fn counts(
    lines: &Lines,
    places: &[u64],
    kinds: &[Vec<(f64, Sites)>],
    asked: &Walks,
    watch: &dyn Watch,
) -> Result<Vec<Vec<u64>>, Error> {
    let Some(first) = kinds.first() else { return Ok(Vec::new()) };
    let (ground, walks) = (&Ground::new(lines, first, asked.seed, asked.set), asked.many);
    let cells = lines.rows().len() * lockstep::CALLS;
    let counted = cells.saturating_mul(places.len());
    if counted > MOST_COUNTED {
        let allowed = format!("at most {MOST_COUNTED}: fewer means or fewer checks");
        return Err(Error::new(Code::TooMuchWork, "simulation", format!("{counted} numbers held at once"), allowed));
    }
    let all: Vec<Mutex<Vec<u64>>> = places.iter().map(|_| Mutex::new(vec![0; cells])).collect();
    let block = ground.block() as u64;
    let blocks = walks.div_ceil(block);
    workers::share(blocks * places.len() as u64, watch, || {
        let (mut walker, mut at_place) = (Walker::new(ground), None);
        let mut counts = vec![0; cells];
        let all = &all;
        move |task| {
            let (number, task) = (task / blocks, task % blocks);
            let place = usize::try_from(number).unwrap_or(usize::MAX);
            let (Some(&at), Some(kinds), Some(all)) = (places.get(place), kinds.get(place), all.get(place)) else {
                return;
            };
            if at_place != Some(number) {
                walker.go_to(at, kinds);
                at_place = Some(number);
            }
            counts.fill(0);
            let many = block.min(walks - task * block);
            walker.walk(task, usize::try_from(many).unwrap_or(0), &mut counts);
            let mut all = all.lock().unwrap_or_else(PoisonError::into_inner);
            all.iter_mut().zip(&counts).for_each(|(all, count)| *all += count);
        }
    })?;
    Ok(all.into_iter().map(|counts| counts.into_inner().unwrap_or_else(PoisonError::into_inner)).collect())
}
