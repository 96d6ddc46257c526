//! One cell of a study, and the line it becomes.

use super::Grid;
use crate::error::{Code, Error};
use crate::params::{K, Share};
use crate::plan::{Digest, Plan};
use crate::simulate::{Run, SimulatedRow, Walks, simulate_lines};
use crate::watch::Watch;
use serde::Serialize;

/// One plan under one clumping and one shared part, one repeat of it.
#[derive(Debug, Clone, Copy)]
pub struct Cell<'a> {
    pub(super) grid: &'a Grid,
    /// Its number.
    pub number: usize,
    /// Name of the plan.
    pub name: &'a str,
    /// The plan.
    pub plan: &'a Plan,
    /// Clumping; `None` is the plan's own.
    pub k: Option<K>,
    /// Share that sites have in common.
    pub shared: Share,
    /// Number of the repeat, from 0.
    pub repeat: usize,
}

/// A cell as it is written down.
#[derive(Serialize)]
struct Done<'a> {
    cell: usize,
    plan: &'a str,
    digest: &'a str,
    k: Option<f64>,
    shared: f64,
    run: Option<u32>,
    repeat: usize,
    walks: u64,
    seed: u64,
    rows: Vec<SimulatedRow>,
}

impl Cell<'_> {
    /// Seed of the cell: 53 bits of the SHA-256 of what it is.
    #[must_use]
    pub fn seed(&self) -> u64 {
        let k = self.k.map(K::get);
        let what = (self.grid.seed, self.plan.digest().as_str(), k, self.shared.get(), run(self.grid.run), self.repeat);
        let digest = Digest::of_bytes(format!("{what:?}").as_bytes());
        let bits = digest.as_str().get(7..23).and_then(|hex| u64::from_str_radix(hex, 16).ok());
        bits.unwrap_or(0) >> 11
    }

    /// Simulates the cell: one JSON object on one line.
    ///
    /// # Errors
    /// As [`crate::simulate::simulate`].
    pub fn run(&self, watch: &dyn Watch) -> Result<String, Error> {
        let grid = self.grid;
        let walks = Walks::new(grid.walks, self.seed())?;
        let source = self.source()?;
        let rows =
            simulate_lines(self.plan.lines(), &self.plan.asked().score, source.as_ref(), &grid.means, &walks, watch)?;
        let k = self.k.or_else(|| self.plan.asked().dispersion.constant_k());
        let done = Done {
            cell: self.number,
            plan: self.name,
            digest: self.plan.digest().as_str(),
            k: k.map(K::get),
            shared: self.shared.get(),
            run: run(grid.run),
            repeat: self.repeat,
            walks: grid.walks,
            seed: self.seed(),
            rows,
        };
        serde_json::to_string(&done).map_err(|e| Error::new(Code::NotConverged, "cell of a study", e, "finite numbers"))
    }
}

/// Sites of a run; none: the whole walk.
pub(super) fn run(run: Run) -> Option<u32> {
    match run {
        Run::Sites(sites) | Run::First(sites) => Some(sites),
        Run::WholeWalk => None,
    }
}
