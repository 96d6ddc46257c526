//! What pairs of thresholds would cost.

use crate::design::{dispersion, risks};
use crate::errors::{one, watched};
use crate::fit::Fit;
use crate::recipe::{Recipe, recipe};
use pyo3::prelude::*;
use stopline::plan as core;
use stopline::{Dispersion, Error, K, Mean, Plants, Risks, Unit};

/// A pair of thresholds and what it would cost; made by ``levels``.
///
/// Attributes
/// ----------
/// inadequate, adequate : float
///     Per site.
/// k : float or None
///     None for Poisson.
/// fixed_sites : int or None
///     The fewest fixed sites at the asked risks.
/// largest_expected_sites : float or None
///     Of the calibrated plan, over all means.
/// past : (int, int, int)
///     Past means at or below, between, at or above.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Level {
    pub level: core::Level,
    pub recipe: Recipe,
}

/// Pairs of thresholds around a number and what each would cost. None is recommended.
///
/// Parameters
/// ----------
/// around : float
///     The number, counted per ``per``.
/// k : sequence of float, optional
///     Clumping to look at; ``inf`` for Poisson. Or:
/// fit : Fit, optional
///     Uses its common k.
/// plants : int, optional
///     Plants of a site (of the fitted counts, or 1).
/// per : {"site", "plant", "100-plants"}
///     Unit of ``around``.
/// false_adequate, false_inadequate : float
///     Risks to keep.
/// min_sites : int
///     First check of the calibrated plans.
/// past_means : sequence of float, optional
///     Means per site of past fields.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// list of Level
///
/// Raises
/// ------
/// StoplineError
///     The codes of parameters out of range.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> [(v.inadequate, v.adequate, v.fixed_sites) for v in stopline.levels(1.5, k=[1.2])][1]
/// (1.0, 2.0, 22)
#[pyfunction]
#[pyo3(signature = (around, *, k=None, fit=None, plants=None, per="site", false_adequate=0.1, false_inadequate=0.1, min_sites=5, past_means=None, progress=None))]
pub fn levels(
    py: Python<'_>,
    around: f64,
    k: Option<Vec<f64>>,
    fit: Option<Bound<'_, Fit>>,
    plants: Option<u16>,
    per: &str,
    false_adequate: f64,
    false_inadequate: f64,
    min_sites: u32,
    past_means: Option<Vec<f64>>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Vec<Level>> {
    let recipe =
        recipe!(py, "levels", around, k, fit, plants, per, false_adequate, false_inadequate, min_sites, past_means);
    let fit = fit.as_ref().map(Bound::get);
    let asked = || -> Result<(Mean, Vec<Dispersion>, Risks), Error> {
        let ks: Vec<Option<f64>> = k.map_or_else(|| vec![None], |k| k.into_iter().map(Some).collect());
        let found = ks.into_iter().map(|k| dispersion(k, fit, plants)).collect::<Result<Vec<_>, _>>()?;
        let plants = found.first().map_or(Plants::ONE, |(_, plants)| *plants);
        let around = Mean::new(around * Unit::parse(per)?.in_a_site(plants)).map_err(|e| e.named("around"))?;
        Ok((around, found.into_iter().map(|(d, _)| d).collect(), risks(false_adequate, false_inadequate)?))
    };
    let (around, dispersions, risks) = asked().map_err(|e| one(py, e))?;
    let past = past_means.unwrap_or_default();
    let levels = watched(py, progress, |watch| core::levels(around, &dispersions, risks, min_sites, &past, watch))?;
    let levels = levels.into_iter().enumerate();
    Ok(levels.map(|(i, level)| Level { level, recipe: recipe.of_list(py, i) }).collect())
}

#[pymethods]
impl Level {
    #[getter]
    fn inadequate(&self) -> f64 {
        self.level.thresholds.inadequate().get()
    }
    #[getter]
    fn adequate(&self) -> f64 {
        self.level.thresholds.adequate().get()
    }
    #[getter]
    fn k(&self) -> Option<f64> {
        self.level.dispersion.constant_k().map(K::get)
    }
    #[getter]
    fn fixed_sites(&self) -> Option<u32> {
        self.level.fixed.map(|f| f.sites)
    }
    #[getter]
    fn largest_expected_sites(&self) -> Option<f64> {
        self.level.calibrated.map(|c| c.expected_sites)
    }
    #[getter]
    fn past(&self) -> (usize, usize, usize) {
        self.level.past.into()
    }
    fn __repr__(&self) -> String {
        format!("<stopline.Level: {} and {} per site>", self.inadequate(), self.adequate())
    }
}
