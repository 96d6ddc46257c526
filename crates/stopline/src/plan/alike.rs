//! What a plan promises where sites of a run have a part of their counts in common.

use super::attained::AttainedRow;
use super::design::Design;
use crate::error::{Code, Error};
use crate::evaluate::{clustered_lines, clustered_work};
use crate::lines::Lines;
use crate::params::Share;
use crate::simulate::{Clustered, Run};
use crate::watch::Watch;

/// What sites have in common, and the exact risks there.
#[derive(Debug, Clone, PartialEq)]
pub struct Alike {
    shared: Share,
    run: Option<u32>,
    pub(super) attained: Vec<AttainedRow>,
}

impl Alike {
    /// The exact risks of a design's lines over such sites.
    ///
    /// # Errors
    /// `combination` for sites of a first run only, or counts without a variance to share; as [`clustered_lines`].
    pub(super) fn of(design: &Design, lines: &Lines, source: &Clustered, watch: &dyn Watch) -> Result<Self, Error> {
        let run = match source.run() {
            Run::WholeWalk => None,
            Run::Sites(sites) => Some(sites),
            Run::First(_) => {
                let allowed = "runs along the whole walk, or the whole walk";
                return Err(Error::new(Code::Combination, "sites that are alike", "the first only", allowed));
            }
        };
        let stated = design.aim.stated();
        let means: Vec<_> = stated.iter().map(|(mean, _)| *mean).collect();
        let rows = clustered_lines(lines, &design.score, source, &means, watch)?;
        let row = |((mean, call), row): (_, &crate::evaluate::CurveRow)| AttainedRow { mean, call, p: row.p(call) };
        Ok(Self { shared: source.shared(), run, attained: stated.into_iter().zip(&rows).map(row).collect() })
    }

    /// As a file states it.
    pub(super) fn stated(shared: f64, run: Option<u32>, attained: Vec<AttainedRow>) -> Result<Self, Error> {
        Ok(Self { shared: Share::new(shared).map_err(|e| e.named("attained.alike.shared"))?, run, attained })
    }

    /// Computes it anew.
    pub(super) fn again(&self, design: &Design, lines: &Lines, watch: &dyn Watch) -> Result<Self, Error> {
        Self::of(design, lines, &self.source(design)?, watch)
    }

    /// Multiplications of computing it anew.
    pub(super) fn work(&self, design: &Design, lines: &Lines) -> Result<f64, Error> {
        let means: Vec<_> = design.aim.stated().iter().map(|(mean, _)| *mean).collect();
        clustered_work(lines, &design.score, &self.source(design)?, &means)
    }

    /// Walks over such sites.
    ///
    /// # Errors
    /// As [`Clustered::new`].
    pub fn source(&self, design: &Design) -> Result<Clustered, Error> {
        Clustered::new(design.dispersion, self.shared, self.run.map_or(Run::WholeWalk, Run::Sites))
    }

    /// Share of the counts' variance beyond that of Poisson counts that sites have in common.
    #[must_use]
    pub const fn shared(&self) -> Share {
        self.shared
    }

    /// Sites of a run; none: the whole walk.
    #[must_use]
    pub const fn run(&self) -> Option<u32> {
        self.run
    }

    /// The exact risks at the thresholds.
    #[must_use]
    pub fn attained(&self) -> &[AttainedRow] {
        &self.attained
    }

    /// What sites have in common, in words.
    #[must_use]
    pub fn in_words(&self) -> String {
        let share = self.shared.get();
        match self.run {
            Some(1) => format!("{share} of the clumping is common to runs of 1 site"),
            Some(sites) => format!("{share} of the clumping is common to runs of {sites} sites"),
            None => format!(
                "{share} of the clumping is common to the whole walk, so that the part walked differs from the field"
            ),
        }
    }
}
