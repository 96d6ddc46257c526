//! Real walks that a study draws again.

use super::Grid;
use crate::counts::Counts;
use crate::error::{Code, Error};
use crate::params::Plants;
use crate::plan::{Digest, Plan};
use crate::resample::scored;
use crate::simulate::{RealWalk, Redraw, SimulatedRow, Walks, redraw_lines};
use crate::watch::Watch;
use serde::{Deserialize, Serialize};

/// Walks as they were counted, and how their sites are drawn again.
#[derive(Debug, Clone, PartialEq)]
pub struct Real {
    pub(super) plants: Plants,
    pub(super) ways: Vec<Redraw>,
    pub(super) walks: Vec<Walk>,
}

/// One walk: its sites without a count are passed over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Walk {
    pub field: String,
    pub visit: String,
    pub counts: Vec<u32>,
}

/// A walk drawn again, as it is written down.
#[derive(Serialize)]
pub(super) struct RealRow<'a> {
    field: &'a str,
    visit: &'a str,
    #[serde(flatten)]
    row: SimulatedRow,
}

impl Real {
    /// The walks of counts, drawn again in each of these ways.
    ///
    /// # Errors
    /// `combination` for no way or no site with a count; `out_of_range` for a block of no sites.
    pub fn new(counts: &Counts, ways: Vec<Redraw>) -> Result<Self, Error> {
        let walks = counts.walks.iter().map(|walk| Walk {
            field: walk.field.clone(),
            visit: walk.visit.clone(),
            counts: walk.present().collect(),
        });
        Self::of(counts.plants, ways, walks.filter(|walk| !walk.counts.is_empty()).collect())
    }

    pub(super) fn of(plants: Plants, ways: Vec<Redraw>, walks: Vec<Walk>) -> Result<Self, Error> {
        let nothing = walks.is_empty() || walks.iter().any(|walk| walk.counts.is_empty());
        if nothing || ways.is_empty() {
            let allowed = "walks with a count each, and at least one way to draw their sites";
            return Err(Error::about(Code::Combination, "study of no real walks", allowed));
        }
        let ways = ways.into_iter().map(Redraw::checked).collect::<Result<_, _>>()?;
        Ok(Self { plants, ways, walks })
    }

    pub(super) fn digest(&self) -> Digest {
        Digest::of_bytes(serde_json::to_string(&self.walks).unwrap_or_default().as_bytes())
    }

    /// The mean of each walk, and what the plan scores of its sites.
    pub(super) fn scored(&self, plan: &Plan) -> Result<Vec<RealWalk>, Error> {
        let plants = plan.asked().plants;
        if self.plants != plants {
            let allowed = format!("{}, as in the plan", plants.get());
            return Err(Error::new(Code::Combination, "plants of a site", self.plants.get(), allowed));
        }
        self.walks.iter().map(|walk| scored(&plan.asked().score, walk.counts.iter().copied())).collect()
    }

    /// Walks a plan over each walk drawn again.
    pub(super) fn rows(
        &self,
        plan: &Plan,
        how: Redraw,
        grid: &Grid,
        seed: u64,
        watch: &dyn Watch,
    ) -> Result<Vec<RealRow<'_>>, Error> {
        let walks = Walks::new(grid.walks, seed)?;
        let rows = redraw_lines(plan.lines(), &self.scored(plan)?, how, &walks, watch)?;
        let rows = self.walks.iter().zip(rows);
        Ok(rows.map(|(walk, row)| RealRow { field: &walk.field, visit: &walk.visit, row }).collect())
    }
}
