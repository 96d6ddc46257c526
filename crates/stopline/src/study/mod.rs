//! Large studies: plans × (clumping × shared parts, and real walks drawn again) × repeats, each cell simulated on its own.
//!
//! A *cell* is one plan under one k and one shared part, walked so many times at each mean, or one plan over the sites of
//! each real walk drawn again in one way ([`Redraw`]); a repeat is the same from other random numbers. A cell's numbers are a function of what it is: its seed is drawn from the study's seed, the plan
//! and its own numbers by SHA-256, so that they depend neither on the other cells nor on who computes them, when or in
//! which order, and a grid can grow without changing what was computed before.
//!
//! A cell done becomes one line of a [`shard`], written whole and made durable before it counts; what is read back is
//! checked line by line, so that a study that was killed goes on where it was. The table at the end is the same to the
//! byte.

mod cell;
mod real;
mod run;
pub mod shard;
mod spec;
mod table;

pub use cell::{Cell, Walked};
pub use real::Real;
pub use run::{Sink, run};
pub use table::table;

use crate::error::{Code, Error};
use crate::params::{K, Mean, Share};
use crate::plan::{Digest, Plan};
#[cfg(doc)]
use crate::simulate::Redraw;
use crate::simulate::{Run, Walks};

/// Most cells of a study.
const MOST_CELLS: usize = 10_000_000;

/// What is crossed with what.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    plans: Vec<(String, Plan)>,
    k: Vec<Option<K>>,
    shared: Vec<Share>,
    run: Run,
    means: Vec<Mean>,
    real: Option<Real>,
    walks: u64,
    repeats: u32,
    seed: u64,
}

/// What a grid is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossed {
    /// Plans with names of their own.
    pub plans: Vec<(String, Plan)>,
    /// Clumping; `None` is each plan's own dispersion.
    pub k: Vec<Option<K>>,
    /// Shares of the extra-Poisson variance that sites have in common; 0 is independent sites.
    pub shared: Vec<Share>,
    /// Sites these are common to.
    pub run: Run,
    /// True means; none where only real walks are drawn again.
    pub means: Vec<Mean>,
    /// Real walks that are drawn again beside those of the clumping and shared parts.
    pub real: Option<Real>,
    /// Walks at each mean, or over each real walk.
    pub walks: u64,
    /// Repeats of each cell from other random numbers.
    pub repeats: u32,
    /// Where the random numbers begin.
    pub seed: u64,
}

impl Grid {
    /// A grid whose every cell can be simulated.
    ///
    /// # Errors
    /// `combination` where something is crossed with nothing, two plans have one name, or a plan does not fit a
    /// clumping; `out_of_range` for walks or the seed; `too_much_work` for more than ten million cells.
    pub fn new(crossed: Crossed) -> Result<Self, Error> {
        let Crossed { plans, k, shared, run, means, real, walks, repeats, seed } = crossed;
        Walks::new(walks, seed)?;
        if let Run::First(sites) = run {
            let allowed = "runs of so many sites each, or the whole walk";
            return Err(Error::new(Code::Combination, "run of a study", format!("the first {sites} sites"), allowed));
        }
        let laws = if means.is_empty() { Some(0) } else { k.len().checked_mul(shared.len()) };
        let sources = laws.and_then(|laws| laws.checked_add(real.as_ref().map_or(0, |real| real.ways.len())));
        let many = [plans.len(), sources.unwrap_or(usize::MAX), usize::try_from(repeats).unwrap_or(0)];
        let cells = many.iter().try_fold(1_usize, |cells, n| cells.checked_mul(*n)).unwrap_or(usize::MAX);
        if cells == 0 || k.is_empty() || shared.is_empty() {
            let allowed = "at least one plan, clumping, shared part and repeat, and a mean or a real walk";
            return Err(Error::about(Code::Combination, "study of nothing", allowed));
        }
        if cells > MOST_CELLS {
            return Err(Error::new(Code::TooMuchWork, "cells of a study", cells, format!("at most {MOST_CELLS}")));
        }
        for (i, (name, _)) in plans.iter().enumerate() {
            if plans.iter().skip(i + 1).any(|(other, _)| other == name) {
                return Err(Error::new(Code::Combination, "name of two plans", name, "a name for each"));
            }
        }
        let grid = Self { plans, k, shared, run, means, real, walks, repeats, seed };
        for number in (0..grid.cells()).step_by(usize::try_from(repeats).unwrap_or(1)) {
            grid.cell(number)?.check()?;
        }
        Ok(grid)
    }

    /// Number of cells.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.plans.len() * self.sources() * self.repeats as usize
    }

    /// Laws at the means.
    fn laws(&self) -> usize {
        if self.means.is_empty() { 0 } else { self.k.len() * self.shared.len() }
    }

    /// Laws, and ways to draw real walks again.
    fn sources(&self) -> usize {
        self.laws() + self.real.as_ref().map_or(0, |real| real.ways.len())
    }

    /// The cell of a number below [`Self::cells`]: repeats vary fastest, plans slowest; real walks come after laws.
    ///
    /// # Errors
    /// `out_of_range` for any other number.
    pub fn cell(&self, number: usize) -> Result<Cell<'_>, Error> {
        let (rest, repeat) = (number / self.repeats as usize, number % self.repeats as usize);
        let (plan, source) = (self.plans.get(rest / self.sources()), rest % self.sources());
        let walked = match source.checked_sub(self.laws()) {
            Some(way) => self.real.as_ref().and_then(|real| Some(Walked::Real(real, *real.ways.get(way)?))),
            None => {
                let (k, shared) = (self.k.get(source / self.shared.len()), self.shared.get(source % self.shared.len()));
                k.zip(shared).map(|(&k, &shared)| Walked::Law { k, shared })
            }
        };
        let (Some((name, plan)), Some(walked)) = (plan, walked) else {
            let allowed = format!("below {}", self.cells());
            return Err(Error::new(Code::OutOfRange, "number of a cell", number, allowed));
        };
        Ok(Cell { grid: self, number, name, plan, walked, repeat })
    }

    /// True means.
    #[must_use]
    pub fn means(&self) -> &[Mean] {
        &self.means
    }

    /// Digest of everything that the numbers depend on.
    #[must_use]
    pub fn digest(&self) -> Digest {
        Digest::of_bytes(self.to_json().as_bytes())
    }
}
