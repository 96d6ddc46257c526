//! What a plan that takes sites as independent truly does where neighbouring sites are as alike as counts show.
//!
//! The share ρ of the extra-Poisson variance that sites of a run have in common is fitted to the counts with its limits
//! (`dispersion::shared`); over sites that share ρ, the lower and the upper limit, the plan's risks are computed exactly
//! ([`crate::evaluate::clustered_lines`]), with the dispersion that the plan was made for.

use super::Plan;
use crate::counts::Counts;
use crate::dispersion::{Dispersion, SharedClumping, Why, shared_clumping};
use crate::error::{Code, Error};
use crate::evaluate::{clustered_lines, clustered_work};
use crate::params::{Level, Share};
use crate::score::Score;
use crate::simulate::{Clustered, Run};
use crate::watch::Watch;
use serde::Serialize;

/// Multiply-adds above which risks are refused, some seconds: `evaluate_clustered` takes more.
const MOST_WORK: f64 = 1e9;

/// Both risks of a plan where sites are alike.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RisksAlike {
    /// Share of the clumping that sites of a run have in common.
    pub shared: f64,
    /// True risk of calling an inadequate field adequate.
    pub false_adequate: f64,
    /// True risk of calling an adequate field inadequate.
    pub false_inadequate: f64,
}

/// What the likeness of neighbouring sites does to a plan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Neighbours {
    /// The share as fitted.
    pub found: SharedClumping,
    /// Sites of a run.
    pub run_length: u32,
    /// Level of the limits of the share.
    pub level: Level,
    /// Risks over independent sites.
    pub independent: RisksAlike,
    /// Risks at the fitted share.
    pub fitted: RisksAlike,
    /// Risks at its upper limit.
    pub at_most: RisksAlike,
}

impl Neighbours {
    /// Whether the counts show that neighbours are alike: the lower limit of the share is above 0.
    #[must_use]
    pub fn is_shown(&self) -> bool {
        self.found.low > 0.0
    }
}

impl Plan {
    /// The true risks of this plan where neighbouring sites are as alike as those of these counts.
    ///
    /// # Errors
    /// `combination` unless the plan is for two calls at thresholds, by full counts that are clumped; `too_much_work` for
    /// wide lines; `out_of_range` for the run length; `interrupted`.
    pub fn neighbours(
        &self,
        counts: &Counts,
        run_length: u32,
        level: Level,
        watch: &dyn Watch,
    ) -> Result<Result<Neighbours, Why>, Error> {
        let design = self.asked();
        let (Some(thresholds), Score::Count) = (design.thresholds(), &design.score) else {
            let allowed = "a plan for two calls by full counts";
            return Err(Error::about(Code::Combination, "likeness of sites for another plan", allowed));
        };
        if design.dispersion == Dispersion::Poisson {
            return Ok(Err(Why::NotClumped));
        }
        let found = match shared_clumping(counts, run_length, level, watch)? {
            Ok(found) => found,
            Err(why) => return Ok(Err(why)),
        };
        let means = [thresholds.inadequate(), thresholds.adequate()];
        let at = |shared: f64| -> Result<RisksAlike, Error> {
            let source = Clustered::new(design.dispersion, Share::new(shared)?, Run::Sites(run_length))?;
            let work = clustered_work(self.lines(), &design.score, &source, &means)?;
            if work > MOST_WORK {
                let value = format!("about {work:.0e} multiplications");
                let allowed = format!("at most {MOST_WORK:.0e}: lower lines or a smaller cap; or simulate");
                return Err(Error::new(Code::TooMuchWork, "exact risks where sites are alike", value, allowed));
            }
            let rows = clustered_lines(self.lines(), &design.score, &source, &means, watch)?;
            let risk = |row: usize, of: fn(&crate::evaluate::CurveRow) -> f64| rows.get(row).map_or(f64::NAN, of);
            let (false_adequate, false_inadequate) = (risk(0, |row| row.adequate), risk(1, |row| row.inadequate));
            Ok(RisksAlike { shared, false_adequate, false_inadequate })
        };
        let (independent, fitted, at_most) = (at(0.0)?, at(found.rho)?, at(found.high)?);
        Ok(Ok(Neighbours { found, run_length, level, independent, fitted, at_most }))
    }
}
