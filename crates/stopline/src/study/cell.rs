//! One cell of a study, and the line it becomes.

use super::Grid;
use super::real::{Real, RealRow};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::params::{K, Share};
use crate::plan::{Digest, Plan};
use crate::simulate::{Clustered, Redraw, Run, SimulatedRow, Source, Walks, simulate_lines};
use crate::watch::Watch;
use serde::Serialize;

/// One plan over one kind of walks, one repeat of it.
#[derive(Debug, Clone, Copy)]
pub struct Cell<'a> {
    pub(super) grid: &'a Grid,
    /// Its number.
    pub number: usize,
    /// Name of the plan.
    pub name: &'a str,
    /// The plan.
    pub plan: &'a Plan,
    /// What it is walked over.
    pub walked: Walked<'a>,
    /// Number of the repeat, from 0.
    pub repeat: usize,
}

/// What a plan is walked over.
#[derive(Debug, Clone, Copy)]
pub enum Walked<'a> {
    /// Counts of a law.
    Law {
        /// Clumping; `None` is the plan's own.
        k: Option<K>,
        /// Share that sites have in common.
        shared: Share,
    },
    /// Real walks, their sites drawn again.
    Real(&'a Real, Redraw),
}

/// A cell as it is written down.
#[derive(Serialize)]
struct Done<'a> {
    cell: usize,
    plan: &'a str,
    digest: &'a str,
    k: Option<f64>,
    shared: Option<f64>,
    run: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    draw: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    block: Option<u32>,
    repeat: usize,
    walks: u64,
    seed: u64,
    rows: Rows<'a>,
}

#[derive(Serialize)]
#[serde(untagged)]
enum Rows<'a> {
    Law(Vec<SimulatedRow>),
    Real(Vec<RealRow<'a>>),
}

impl Cell<'_> {
    /// Seed of the cell: 53 bits of the SHA-256 of what it is.
    #[must_use]
    pub fn seed(&self) -> u64 {
        let (seed, plan) = (self.grid.seed, self.plan.digest().as_str());
        let what = match self.walked {
            Walked::Law { k, shared } => {
                format!("{:?}", (seed, plan, k.map(K::get), shared.get(), run(self.grid.run), self.repeat))
            }
            Walked::Real(real, how) => format!("{:?}", (seed, plan, how.word(), real.digest().as_str(), self.repeat)),
        };
        let digest = Digest::of_bytes(what.as_bytes());
        let bits = digest.as_str().get(7..23).and_then(|hex| u64::from_str_radix(hex, 16).ok());
        bits.unwrap_or(0) >> 11
    }

    /// Simulates the cell: one JSON object on one line.
    ///
    /// # Errors
    /// As [`crate::simulate::simulate`].
    pub fn run(&self, watch: &dyn Watch) -> Result<String, Error> {
        let (grid, plan, seed) = (self.grid, self.plan, self.seed());
        let rows = match self.walked {
            Walked::Law { k, shared } => {
                let (source, walks) = (self.source(k, shared)?, Walks::new(grid.walks, seed)?);
                let score = &plan.asked().score;
                Rows::Law(simulate_lines(plan.lines(), score, source.as_ref(), &grid.means, &walks, watch)?)
            }
            Walked::Real(real, how) => Rows::Real(real.rows(plan, how, grid, seed, watch)?),
        };
        let (k, shared, how) = match self.walked {
            Walked::Law { k, shared } => (k.or_else(|| plan.asked().dispersion.constant_k()), Some(shared.get()), None),
            Walked::Real(_, how) => (None, None, Some(how.word())),
        };
        let done = Done {
            cell: self.number,
            plan: self.name,
            digest: plan.digest().as_str(),
            k: k.map(K::get),
            shared,
            run: shared.and_then(|_| run(grid.run)),
            draw: how.map(|(word, _)| word),
            block: how.and_then(|(_, block)| block),
            repeat: self.repeat,
            walks: grid.walks,
            seed,
            rows,
        };
        serde_json::to_string(&done).map_err(|e| Error::new(Code::NotConverged, "cell of a study", e, "finite numbers"))
    }

    /// Whether it can be simulated.
    pub(super) fn check(&self) -> Result<(), Error> {
        match self.walked {
            Walked::Law { k, shared } => {
                let source = self.source(k, shared)?;
                self.grid.means.iter().try_for_each(|&mean| source.walks(&self.plan.asked().score, mean).map(|_| ()))
            }
            Walked::Real(real, _) => real.scored(self.plan).map(|_| ()),
        }
    }

    /// Where counts of a law come from.
    fn source(&self, k: Option<K>, shared: Share) -> Result<Box<dyn Source>, Error> {
        let under = match k {
            Some(k) => Dispersion::ConstantK { k },
            None => self.plan.asked().dispersion,
        };
        if shared.get() == 0.0 {
            return Ok(Box::new(under));
        }
        Ok(Box::new(Clustered::new(under, shared, self.grid.run)?))
    }
}

/// Sites of a run; none: the whole walk.
pub(super) fn run(run: Run) -> Option<u32> {
    match run {
        Run::Sites(sites) | Run::First(sites) => Some(sites),
        Run::WholeWalk => None,
    }
}
