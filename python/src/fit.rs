//! Fits of how clumped counts are.

use crate::counts::{Counts, Numbers, column};
use crate::errors::{many, one, plain, released, watched};
use crate::evaluate::means_of;
use crate::plan::Plan;
use crate::recipe::{Recipe, recipe};
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use stopline::counts::{self as core, Columns, Weights};
use stopline::dispersion::{self, Draws, Placing, Studying, fit_counts, study_counts};
use stopline::{Code, Error, Level, Minutes, Plants};

/// A column of its own.
fn own<'py>(numbers: &Bound<'py, PyAny>) -> PyResult<Bound<'py, PyAny>> {
    let numbers: Numbers<'py> = numbers.extract()?;
    Ok(PyArray1::from_iter(numbers.py(), numbers.as_array().iter().copied()).into_any())
}

/// Clumping fitted to counts; made by ``fit``.
///
/// Attributes
/// ----------
/// k : float or None
///     The k for a plan, common to all walks by conditional likelihood; None where it is infinite (Poisson).
/// k_low : float or None
///     Its lower limit.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Fit {
    pub fit: dispersion::Fit,
    pub plants: Option<Plants>,
    pub recipe: Recipe,
}

/// Fits how clumped counts are.
///
/// Parameters
/// ----------
/// counts : Counts, or array_like of n counts
///     Walks, or the counts of a single one.
/// level : float
///     Level of the intervals.
/// study : bool
///     Also tests of the fitted laws, spread of k over fields, laws of variance, order of sites; in
///     ``to_dict()`` under ``tests`` of each field and ``bliss_owen``, ``one_k``, ``spread``,
///     ``mean_variance``, ``laws`` and ``order``.
/// draws, seed : int
///     What a study draws at random.
/// run_length : int
///     Sites of a run along the walk, for a study of their order.
/// stopped_by : Plan, optional
///     The plan that stopped the walks; ``to_dict()["stopped"]`` is then k by where they stopped.
/// at_means : sequence of float, optional
///     For a study: means per site at which the power law's k is given.
/// quality : float, optional
///     Standard error over k that is wanted: ``to_dict()["needed"]`` says how many fields and sites give it.
/// minutes : (float, float, float), optional
///     Minutes for a site, a plant and an enemy, where plants were counted apart (``rows="plants"``): the best number of
///     plants of a site in ``to_dict()["plants_of_sites"]``.
/// each : bool
///     Also each column of counts by itself: ``to_dict()["groups"]``. ``fit(counts.group(name))`` gives one as a ``Fit``.
/// weights : dict of str to float, str or Fraction, optional
///     Also a weighted sum of columns: ``to_dict()["weighted"]``. Numbers of at most 4 decimals, or fractions such as
///     ``"1/3"``.
/// unit : (float, float), optional
///     Length of one of either coordinate, by default 1. Where places were read, ``to_dict()["places"]`` tells whether near sites are
///     alike; where observers were, ``to_dict()["observers"]`` whether they differ.
/// blocks, distances : sequence of float, optional
///     Sides of the square blocks that sites are gathered in; distances up to which they are compared.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// Fit
///     ``to_dict()`` gives every walk (ML and Cox-Reid k with profile intervals) and the common k
///     (conditional ML).
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for the level, ``counts_*`` for counts that are none, ``combination``, ``not_converged``.
///
/// References
/// ----------
/// k of a walk: Bliss & Fisher 1953, Biometrics 9:176-200, doi:10.2307/3001850; adjusted for its mean: Cox & Reid 1987,
/// J. R. Statist. Soc. B 49:1-39. Common k: Robinson & Smyth 2008, Biostatistics 9:321-332,
/// doi:10.1093/biostatistics/kxm030; of walks that a plan stopped: Girshick, Mosteller & Savage 1946, Ann. Math. Stat.
/// 17:13-23, doi:10.1214/aoms/1177731018; of a study: Bliss & Owen 1958, Biometrika 45:37-58,
/// doi:10.1093/biomet/45.1-2.37.
///
/// Examples
/// --------
/// European red mites on 150 apple leaves (Bliss & Fisher 1953, Biometrics 9:176-200):
///
/// >>> import numpy as np, stopline
/// >>> mites = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
/// >>> round(stopline.fit(mites).to_dict()["fields"][0]["k"], 5)
/// 1.02459
#[pyfunction]
#[pyo3(signature = (counts, *, level=0.95, study=false, draws=999, seed=1, run_length=5, stopped_by=None, at_means=None, quality=None, minutes=None, each=false, weights=None, unit=None, blocks=None, distances=None, progress=None))]
pub fn fit(
    py: Python<'_>,
    counts: &Bound<'_, PyAny>,
    level: f64,
    study: bool,
    draws: u32,
    seed: u64,
    run_length: u32,
    stopped_by: Option<Bound<'_, Plan>>,
    at_means: Option<Vec<f64>>,
    quality: Option<f64>,
    minutes: Option<(f64, f64, f64)>,
    each: bool,
    weights: Option<Bound<'_, PyDict>>,
    unit: Option<(f64, f64)>,
    blocks: Option<Vec<f64>>,
    distances: Option<Vec<f64>>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Fit> {
    // A copy: the caller may write to theirs.
    let counts = &if counts.is_instance_of::<Counts>() { counts.clone() } else { own(counts)? };
    let weights = weights.map(|weights| weights.copy()).transpose()?;
    let recipe = recipe!(
        py, "fit", counts, level, study, draws, seed, run_length, stopped_by, at_means, quality, minutes, each,
        weights, unit, blocks, distances
    );
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let held;
    let (counts, plants) = if let Ok(counts) = counts.cast::<Counts>() {
        (&counts.get().0, Some(counts.get().0.plants))
    } else {
        // One walk, as a plain column of counts.
        let counts = column(&counts.extract()?);
        let field = vec!["1"; counts.len()];
        let columns = Columns {
            field: &field,
            visit: None,
            site: None,
            plants: None,
            place: None,
            observer: None,
            counts: &[("count", &counts)],
        };
        held = core::Counts::from_columns(&columns, None).map_err(|e| many(py, e))?;
        (&held, None)
    };
    let draws = Draws::new(draws, seed).map_err(|e| one(py, e))?;
    let how = Studying { level, draws, run_length };
    let plan = stopped_by.as_ref().map(|plan| &plan.get().0);
    let minutes = minutes.map(|(site, plant, enemy)| Minutes::new(site)?.with_plant(plant)?.with_enemy(enemy));
    let minutes = minutes.transpose().map_err(|e| one(py, e))?;
    let weights = weights.as_ref().map(weights_of).transpose()?;
    let placing =
        Placing::new(unit.map_or([1.0; 2], Into::into), &blocks.unwrap_or_default(), &distances.unwrap_or_default());
    let placing = placing.map_err(|e| one(py, e))?;
    let fit = watched(py, progress, |watch| {
        let mut fit = if study { study_counts(counts, &how, watch) } else { fit_counts(counts, level, watch) }?;
        if let Some(quality) = quality {
            fit = fit.with_needed(counts, quality)?;
        }
        if counts.by_plant.is_some() || minutes.is_some() {
            fit = fit.with_plants(counts, minutes, draws, watch)?;
        }
        if each {
            fit = fit.with_groups(counts, watch)?;
        }
        if let Some(weights) = &weights {
            fit = fit.with_weighted(counts, weights, draws, watch)?;
        }
        if counts.places.is_some() {
            fit = fit.with_places(counts, &placing, draws, watch)?;
        }
        fit = fit.with_observers(counts, draws, watch)?;
        match plan {
            Some(plan) => fit.stopped_by(counts, plan.lines(), watch),
            None => Ok(fit),
        }
    })?;
    let at = means_of(py, at_means.unwrap_or_default())?;
    let call = format!(
        "stopline.fit(level={}, study={study}, draws={}, seed={}, run_length={run_length})",
        level.get(),
        draws.number(),
        draws.seed()
    );
    let fit = fit.with_k_at(&at).with_command(call.replace("true", "True").replace("false", "False"));
    Ok(Fit { fit, plants, recipe })
}

/// Weights by name, as they are written.
fn weights_of(weights: &Bound<'_, PyDict>) -> PyResult<Weights> {
    let all: Vec<(String, String)> = weights
        .iter()
        .map(|(name, weight)| Ok((name.str()?.to_string(), weight.str()?.to_string())))
        .collect::<PyResult<_>>()?;
    // 1.0 is written `1.0`, a Fraction `1/3`.
    let all: Vec<(&str, &str)> = all.iter().map(|(name, weight)| (name.as_str(), weight.as_str())).collect();
    Weights::new(&all).map_err(|e| one(weights.py(), e))
}

/// Laws of variance from means and variances alone, as papers print them.
///
/// Parameters
/// ----------
/// mean, variance : array_like of n numbers
///     Of each field; NaN for a variance that is missing.
/// level : float
///     Level of the limits.
/// at_means : sequence of float, optional
///     Means per site at which the power law's k is given.
///
/// Returns
/// -------
/// dict
///     ``power_law`` (a, b), ``patchiness`` (alpha, beta), what was left out, ``k_at``.
///
/// Raises
/// ------
/// StoplineError
///     ``combination`` where n differ, ``out_of_range`` for the level or for a mean or variance below 0.
///
/// References
/// ----------
/// Power law: Taylor 1961, Nature 189:732-735, doi:10.1038/189732a0. Patchiness: Lloyd 1967, J. Anim. Ecol. 36:1-30,
/// doi:10.2307/3012; Iwao 1968, Res. Popul. Ecol. 10:1-20, doi:10.1007/BF02514729.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> laws = stopline.mean_variance([1, 2, 4], [2, 6, 20])
/// >>> round(laws["patchiness"]["beta"]["value"], 6)
/// 2.0
#[pyfunction]
#[pyo3(signature = (mean, variance, *, level=0.95, at_means=None))]
pub fn mean_variance<'py>(
    py: Python<'py>,
    mean: Numbers<'py>,
    variance: Numbers<'py>,
    level: f64,
    at_means: Option<Vec<f64>>,
) -> PyResult<Bound<'py, PyAny>> {
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let (mean, variance) = (column(&mean), column(&variance));
    if mean.len() != variance.len() {
        let allowed = format!("{}, as of mean", mean.len());
        return Err(one(py, Error::new(Code::Combination, "length of variance", variance.len(), allowed)));
    }
    let points: Vec<_> = mean.into_iter().map(|m| m.unwrap_or(f64::NAN)).zip(variance).collect();
    let laws = dispersion::mean_variance_of(&points, level).map_err(|e| one(py, e))?;
    plain(py, &laws.with_k_at(&means_of(py, at_means.unwrap_or_default())?))
}

#[pymethods]
impl Fit {
    #[getter]
    fn k(&self, py: Python<'_>) -> PyResult<Option<f64>> {
        let found = self.fit.for_plan().map_err(|e| one(py, e))?;
        Ok(found.dispersion.constant_k().map(|k| k.get()))
    }

    #[getter]
    fn k_low(&self, py: Python<'_>) -> PyResult<Option<f64>> {
        let found = self.fit.for_plan().map_err(|e| one(py, e))?;
        Ok(found.lower.and_then(|d| d.constant_k()).map(|k| k.get()))
    }

    /// The fit as plain objects: ``fields`` and ``common``, every null explained beside it.
    ///
    /// Returns
    /// -------
    /// dict
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> sorted(stopline.fit([0, 4, 1, 0, 2, 9]).to_dict())
    /// ['common', 'fields', 'made_by']
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.fit)
    }

    fn __repr__(&self) -> String {
        format!("<stopline.Fit: {} walks>", self.fit.fields.len())
    }
}

/// Fits k to counts of sites that were counted up to a most, then no further.
///
/// Parameters
/// ----------
/// counts : Counts
/// counted_to : int
///     The most that a site was counted to; a count above is taken as that.
/// level : float
///     Level of the intervals.
///
/// Returns
/// -------
/// dict
///     ``fields`` with the mean of full counts and k of each walk; ``common`` with ``k_cox_reid``, adjusted for the
///     fitted means, which a plan should use, and ``k_ml``.
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for a most of 0 or above 10 000.
///
/// References
/// ----------
/// Adjusted for fitted means: Cox & Reid 1987, J. R. Statist. Soc. B 49:1-39.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> counts = stopline.Counts.from_columns(field=["heron"] * 6, site=[1, 2, 3, 4, 5, 6], counts=[0, 4, 1, 0, 2, 9])
/// >>> stopline.fit_capped(counts, 4)["fields"][0]["at_most"]
/// 2
#[pyfunction]
#[pyo3(signature = (counts, counted_to, *, level=0.95))]
pub fn fit_capped<'py>(py: Python<'py>, counts: &Counts, counted_to: u32, level: f64) -> PyResult<Bound<'py, PyAny>> {
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let fit = released(py, |watch| stopline::dispersion::fit_capped(&counts.0, counted_to, level, watch))?;
    plain(py, &fit)
}

/// Fits the share of sites with more than a tally to the mean, over walks: ln m = a + b·ln(−ln(1 − P)).
///
/// Parameters
/// ----------
/// counts : Counts
/// above : int
///     A site is positive when it holds more than this.
/// level : float
///     Level of the limits of a and b.
///
/// Returns
/// -------
/// dict
///     ``a`` and ``b`` with their limits, ``scatter`` (standard deviation of ln m around the line), and the walks that
///     have no point; for ``plan(proportion=...)``.
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for a level not between 0 and 1.
///
/// References
/// ----------
/// Kono & Sugino 1958; Gerrard & Chiang 1970.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> counts = stopline.Counts.from_columns(field=["heron"] * 4 + ["owl"] * 4 + ["plover"] * 4, site=[1, 2, 3, 4] * 3,
/// ...                                       counts=[0, 1, 0, 0, 2, 0, 3, 0, 4, 0, 2, 9])
/// >>> round(stopline.fit_proportion(counts)["b"]["value"], 2)
/// 1.73
#[pyfunction]
#[pyo3(signature = (counts, *, above=0, level=0.95))]
pub fn fit_proportion<'py>(py: Python<'py>, counts: &Counts, above: u32, level: f64) -> PyResult<Bound<'py, PyAny>> {
    let level = Level::new(level).map_err(|e| one(py, e))?;
    let fit = released(py, |_| stopline::dispersion::fit_proportion(&counts.0, above, level))?;
    plain(py, &fit)
}
