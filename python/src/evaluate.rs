//! What a plan really does.

use crate::columns::Columns;
use crate::counts::Numbers;
use crate::errors::{one, plain, released, watched};
use crate::plan::Plan;
use crate::recipe::{Recipe, recipe};
use crate::simulate::{RunText, clustered};
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use stopline::estimate::{AfterStop, Behaviour, Order};
use stopline::evaluate::{self as core, CurveRow, Evaluation};
use stopline::{Code, Dispersion, Error, K, Level, Mean};

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
/// estimates : dict of arrays, or None
///     Where asked: bias of the plain mean and of the estimate after stopping, and how often intervals hold the true
///     mean.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Curve {
    pub evaluation: Evaluation,
    pub recipe: Recipe,
}

/// What a plan really does, exactly.
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
/// estimates : bool, optional
///     Also tell how estimates of the mean after stopping behave.
/// level : float, optional
///     Level of their intervals.
/// order : str, optional
///     How stops are put in order for them: by ``plain_mean``, or by ``stage``.
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
/// References
/// ----------
/// Aroian 1968, Technometrics 10:125-132, doi:10.1080/00401706.1968.10490541.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")
/// >>> stopline.evaluate(plan, [1.5, 2.12, 3.0]).expected_sites.round(3)
/// array([ 9.882, 11.792,  8.255])
#[pyfunction]
#[pyo3(signature = (plan, means, *, k=None, shared=None, run=None, estimates=false, level=0.9, order="plain_mean", progress=None))]
pub fn evaluate(
    py: Python<'_>,
    plan: &Bound<'_, Plan>,
    means: Numbers<'_>,
    k: Option<f64>,
    shared: Option<f64>,
    run: Option<Bound<'_, PyAny>>,
    estimates: bool,
    level: f64,
    order: &str,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Curve> {
    let asked = means_of(py, means.as_array().iter().copied())?;
    // A copy: the caller may write to theirs.
    let means = PyArray1::from_iter(py, asked.iter().map(|m| m.get()));
    let recipe = recipe!(py, "evaluate", plan, means, k, shared, run, estimates, level, order);
    let run: Option<RunText> = run.map(|run| run.extract()).transpose()?;
    let (plan, means) = (plan.get(), asked);
    let under = under(plan, k).map_err(|e| one(py, e))?;
    let alike = clustered(under, shared, run).map_err(|e| one(py, e))?;
    let intervals = intervals(py, level, order)?;
    if estimates && alike.is_some() {
        let error = Error::new(Code::Combination, "estimates", "with shared", "sites that are independent");
        return Err(one(py, error));
    }
    let evaluation = watched(py, progress, |watch| {
        if let Some(alike) = &alike {
            return core::evaluate_clustered(&plan.0, alike, &means, watch);
        }
        let found = core::evaluate(&plan.0, &under, &means, watch)?;
        if estimates { found.with_behaviour(&plan.0, intervals, watch) } else { Ok(found) }
    })?;
    Ok(Curve { evaluation, recipe })
}

/// What every stop of a plan tells of the mean.
///
/// Parameters
/// ----------
/// plan : Plan
/// up_to : float
///     Stops with a larger plain mean are left off.
/// level : float, optional
///     Intervals hold the true mean at least so often.
/// order : str, optional
///     How stops are put in order for the intervals: by ``plain_mean``, or by ``stage`` (stops at a lower line first, the
///     earlier the lower, and mirrored at an upper line).
///
/// Returns
/// -------
/// dict of arrays
///     ``sites``, ``total``, ``call``, ``mean`` (the unbiased estimate), ``low``, ``high`` and ``plain_mean``; ``nan``
///     where there is none.
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range`` for ``up_to`` or the level, ``usage`` for the order, ``too_much_work``.
///
/// References
/// ----------
/// Estimate: Girshick, Mosteller & Savage 1946, Ann. Math. Stat. 17:13-23, doi:10.1214/aoms/1177731018. Intervals:
/// Armitage 1957, Biometrika 44:9-26; Emerson & Fleming 1990, Biometrika 77:875-892, doi:10.1093/biomet/77.4.875.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")
/// >>> told = stopline.estimates(plan, up_to=12.0)
/// >>> told["mean"][(told["sites"] == 1) & (told["total"] == 9)].round(6)  # a single site: its count
/// array([9.])
#[pyfunction]
#[pyo3(signature = (plan, up_to, *, level=0.9, order="plain_mean"))]
pub fn estimates<'py>(
    py: Python<'py>,
    plan: &Plan,
    up_to: f64,
    level: f64,
    order: &str,
) -> PyResult<Bound<'py, PyDict>> {
    let up_to = Mean::new(up_to).map_err(|e| one(py, e))?;
    let intervals = intervals(py, level, order)?;
    let design = plan.0.asked();
    let stops = released(py, |watch| {
        stopline::estimate::estimates(plan.0.lines(), &design.score, &design.dispersion, up_to, intervals, watch)
    })?;
    let told = PyDict::new(py);
    let number = |of: fn(&AfterStop) -> Option<f64>| {
        PyArray1::from_vec(py, stops.iter().map(|stop| of(&stop.told).unwrap_or(f64::NAN)).collect())
    };
    told.set_item("sites", PyArray1::from_vec(py, stops.iter().map(|stop| stop.at).collect()))?;
    told.set_item("total", PyArray1::from_vec(py, stops.iter().map(|stop| stop.total).collect()))?;
    told.set_item("call", stops.iter().map(|stop| stop.call.as_str()).collect::<Vec<_>>())?;
    told.set_item("mean", number(|told| told.mean))?;
    told.set_item("low", number(|told| Some(told.low)))?;
    told.set_item("high", number(|told| told.high))?;
    told.set_item("plain_mean", number(|told| told.plain))?;
    Ok(told)
}

/// The level of intervals, and how stops are put in order for them.
pub fn intervals(py: Python<'_>, level: f64, order: &str) -> PyResult<(Level, Order)> {
    let checked = Level::new(level).and_then(|level| Ok((level, Order::parse(order)?)));
    checked.map_err(|e| one(py, e))
}

/// Checked means.
pub fn means_of(py: Python<'_>, means: impl IntoIterator<Item = f64>) -> PyResult<Vec<Mean>> {
    means.into_iter().map(|m| Mean::new(m).map_err(|e| one(py, e))).collect()
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
        impl Curve {
            pub fn as_columns(&self) -> Columns {
                let rows = &self.evaluation.curve.rows;
                let table = Columns::default()$(.numbers(stringify!($name), rows.iter().map(|row| row.$name)))*;
                let Some(all) = &self.evaluation.estimates else { return table };
                table
                    .numbers("se_over_mean", all.iter().map(|e| e.se_over_mean))
                    .numbers("bias_over_mean", all.iter().map(|e| e.bias_over_mean))
            }
        }

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

            #[getter]
            fn estimates<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyDict>>> {
                let Some(all) = &self.evaluation.behaviour else { return Ok(None) };
                let column = |of: fn(&Behaviour) -> Option<f64>| {
                    PyArray1::from_vec(py, all.iter().map(|row| of(row).unwrap_or(f64::NAN)).collect())
                };
                let dict = PyDict::new(py);
                dict.set_item("plain_bias", column(|row| row.plain_bias))?;
                dict.set_item("plain_covers", column(|row| row.plain_covers))?;
                dict.set_item("bias", column(|row| row.bias))?;
                dict.set_item("se", column(|row| row.se))?;
                dict.set_item("covers", column(|row| Some(row.covers)))?;
                dict.set_item("above", column(|row| Some(row.above)))?;
                dict.set_item("below", column(|row| Some(row.below)))?;
                Ok(Some(dict))
            }

            /// The evaluation as plain objects, as the program prints it.
            ///
            /// Returns
            /// -------
            /// dict
            ///
            /// Examples
            /// --------
            /// >>> import stopline
            /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
            /// >>> stopline.evaluate(plan, [1.5]).to_dict()["exact"]
            /// True
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
