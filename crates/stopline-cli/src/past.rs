//! Past counts that a plan is calibrated on.

use crate::arguments::ReadingArguments;
use crate::failure::Failure;
use crate::input;
use std::collections::BTreeSet;
use std::path::Path;
use stopline::counts::{Counts, PlantsFrom};
use stopline::dispersion::{CappedFit, Clumping, Estimate, Fit, ForPlan, Got, fit_capped, fit_counts};
use stopline::{Code, Error, Level, Watch};

/// Level of the limits of k in reports.
const LEVEL: f64 = 0.95;

/// Past counts, their fit and what a plan takes from it.
pub struct Past {
    /// Name of the file, without its folder.
    pub name: String,
    pub counts: Counts,
    pub fit: Fit,
    /// Of sites that were counted to a most: what they tell takes the place of the fit.
    pub capped: Option<CappedFit>,
    pub for_plan: ForPlan,
}

impl Past {
    /// Reads and fits. Counts of a single field are refused: they do not show how fields differ.
    pub fn read(path: &Path, how: &ReadingArguments, watch: &dyn Watch) -> Result<Self, Failure> {
        let counts = input::counts(path, how)?;
        let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        let fields = fields(&counts);
        if fields < 2 {
            let allowed = "at least 2, since clumping differs between fields; or give --k";
            let error = Error::new(Code::OutOfRange, "number of fields in --from", fields, allowed);
            return Err(Failure::from(error).in_file(&path.display().to_string()));
        }
        let fit = fit_counts(&counts, Level::new(LEVEL)?, watch)?;
        let counted_to = how.counted_to()?;
        let capped = counted_to.map(|most| fit_capped(&counts, most, Level::new(LEVEL)?, watch)).transpose()?;
        let for_plan = capped.as_ref().map_or_else(|| fit.for_plan(), CappedFit::for_plan)?;
        Ok(Self { name, counts, fit, capped, for_plan })
    }

    /// The common k that a plan takes.
    pub fn estimate(&self) -> &Estimate {
        match self.for_plan.got {
            Got::Capped => self.capped.as_ref().map_or(&self.fit.common.cox_reid, |capped| &capped.adjusted),
            Got::CoxReid => &self.fit.common.cox_reid,
            _ => &self.fit.common.conditional,
        }
    }

    /// Number of fields.
    pub fn fields(&self) -> usize {
        fields(&self.counts)
    }

    /// Whether someone said how many plants a site has.
    pub fn plants_known(&self) -> bool {
        self.counts.noticed.plants_from != PlantsFrom::Assumed
    }

    /// Field, visit and k of the most clumped walk.
    pub fn most_clumped(&self) -> Option<(&str, &str, Clumping)> {
        match &self.capped {
            Some(capped) => capped.most_clumped().map(|f| (f.field.as_str(), f.visit.as_str(), f.ml.k)),
            None => self.fit.most_clumped().map(|f| (f.field.as_str(), f.visit.as_str(), f.ml.k)),
        }
    }

    /// Means per site of all walks that have any.
    pub fn means(&self) -> Vec<f64> {
        if let Some(capped) = &self.capped {
            return capped.fields.iter().filter_map(|field| field.mean).collect();
        }
        self.fit.fields.iter().filter_map(|field| field.mean).collect()
    }
}

/// Number of fields in counts.
pub fn fields(counts: &Counts) -> usize {
    counts.walks.iter().map(|walk| walk.field.as_str()).collect::<BTreeSet<_>>().len()
}
