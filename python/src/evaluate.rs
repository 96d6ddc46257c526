//! What a plan really does.

use crate::errors::{one, plain, watched};
use crate::plan::Plan;
use crate::recipe::{Recipe, recipe};
use crate::simulate::{RunText, clustered};
use numpy::{AllowTypeChange, PyArray1, PyArrayLike1};
use pyo3::prelude::*;
use stopline::evaluate::{self as core, CurveRow, Evaluation};
use stopline::{Dispersion, Error, K, Mean};

/// Operating characteristic and sites over n means; made by ``evaluate``.
///
/// Attributes
/// ----------
/// mean, adequate, inadequate, marginal, enough, undecided : array of n float
///     True mean per site and the probability of each call there.
/// expected_sites, sites_sd, at_cap : array of n float
///     Mean and standard deviation of the number of sites; probability of walking to the cap.
/// sites_p50, sites_p90 : array of n uint32
///     Quantiles of the number of sites.
/// even_mean : float or None
///     Where both calls are equally likely.
/// plan : str
///     Digest of the plan.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Curve {
    pub evaluation: Evaluation,
    pub recipe: Recipe,
}

/// What a plan really does, exactly (Aroian 1968, Technometrics 10:125-132).
///
/// Parameters
/// ----------
/// plan : Plan
/// means : array_like of n float
///     True means per site (shares of positive units for such a plan).
/// k : float, optional
///     Another clumping than the plan's; ``inf`` for Poisson.
/// shared : float, optional
///     Share of the counts' variance beyond that of Poisson counts that sites have in common, as in ``simulate``.
/// run : int or "whole_walk", optional
///     Sites it is common to.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// Curve
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for a mean that is not positive, ``too_much_work``.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")
/// >>> stopline.evaluate(plan, [1.5, 2.12, 3.0]).expected_sites.round(3)
/// array([ 9.882, 11.792,  8.255])
#[pyfunction]
#[pyo3(signature = (plan, means, *, k=None, shared=None, run=None, progress=None))]
pub fn evaluate(
    py: Python<'_>,
    plan: &Bound<'_, Plan>,
    means: PyArrayLike1<'_, f64, AllowTypeChange>,
    k: Option<f64>,
    shared: Option<f64>,
    run: Option<Bound<'_, PyAny>>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Curve> {
    let asked = means_of(py, &means)?;
    // A copy: the caller may write to theirs.
    let means = PyArray1::from_iter(py, asked.iter().map(|m| m.get()));
    let recipe = recipe!(py, "evaluate", plan, means, k, shared, run);
    let run: Option<RunText> = run.map(|run| run.extract()).transpose()?;
    let (plan, means) = (plan.get(), asked);
    let under = under(plan, k).map_err(|e| one(py, e))?;
    let alike = clustered(under, shared, run).map_err(|e| one(py, e))?;
    let evaluation = watched(py, progress, |watch| match &alike {
        Some(alike) => core::evaluate_clustered(&plan.0, alike, &means, watch),
        None => core::evaluate(&plan.0, &under, &means, watch),
    })?;
    Ok(Curve { evaluation, recipe })
}

/// Checked means.
pub fn means_of(py: Python<'_>, means: &PyArrayLike1<'_, f64, AllowTypeChange>) -> PyResult<Vec<Mean>> {
    means.as_array().iter().map(|&m| Mean::new(m).map_err(|e| one(py, e))).collect()
}

/// The dispersion taken to be true: the plan's, or another k.
pub fn under(plan: &Plan, k: Option<f64>) -> Result<Dispersion, Error> {
    match k {
        None => Ok(plan.0.asked().dispersion),
        Some(k) if k == f64::INFINITY => Ok(Dispersion::Poisson),
        Some(k) => Ok(Dispersion::ConstantK { k: K::new(k)? }),
    }
}

impl Curve {
    fn column<'py, T: numpy::Element>(&self, py: Python<'py>, of: fn(&CurveRow) -> T) -> Bound<'py, PyArray1<T>> {
        PyArray1::from_vec(py, self.evaluation.curve.rows.iter().map(of).collect())
    }
}

macro_rules! columns {
    ($($name:ident: $type:ty),* $(,)?) => {
        #[pymethods]
        impl Curve {
            $(#[getter]
            fn $name<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<$type>> {
                self.column(py, |row| row.$name)
            })*

            #[getter]
            fn even_mean(&self) -> Option<f64> {
                self.evaluation.curve.even_mean
            }

            #[getter]
            fn plan(&self) -> &str {
                self.evaluation.plan.as_str()
            }

            /// Standard deviation of the plain mean over the true one, for a plan that stops at a precision.
            #[getter]
            fn se_over_mean<'py>(&self, py: Python<'py>) -> Option<Bound<'py, PyArray1<f64>>> {
                let all = self.evaluation.estimates.as_ref()?.iter().map(|e| e.se_over_mean).collect();
                Some(PyArray1::from_vec(py, all))
            }

            /// Expected plain mean less the true one, over the true one.
            #[getter]
            fn bias_over_mean<'py>(&self, py: Python<'py>) -> Option<Bound<'py, PyArray1<f64>>> {
                let all = self.evaluation.estimates.as_ref()?.iter().map(|e| e.bias_over_mean).collect();
                Some(PyArray1::from_vec(py, all))
            }

            /// The evaluation as plain objects, as the program prints it.
            fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
                plain(py, &self.evaluation)
            }

            fn __len__(&self) -> usize {
                self.evaluation.curve.rows.len()
            }

            fn __repr__(&self) -> String {
                format!("<stopline.Curve: {} means>", self.evaluation.curve.rows.len())
            }
        }
    };
}

columns! {
    mean: f64, adequate: f64, inadequate: f64, marginal: f64, enough: f64, undecided: f64,
    expected_sites: f64, sites_sd: f64, sites_p50: u32, sites_p90: u32, at_cap: f64,
}
