//! What a plan does over simulated walks.

use crate::columns::Columns;
use crate::counts::Numbers;
use crate::errors::{one, plain, watched};
use crate::evaluate::{means_of, under};
use crate::plan::Plan;
use crate::recipe::{Recipe, recipe};
use numpy::PyArray1;
use pyo3::prelude::*;
use stopline::simulate::{self as core, Clustered, Run, SimulatedRow};
use stopline::{Code, Dispersion, Error, Share};

/// Shares of calls and sites over n means, with Monte-Carlo standard errors; made by ``simulate``.
///
/// Attributes
/// ----------
/// mean, adequate, inadequate, marginal, enough, undecided : array of n float
///     True mean per site and the share of walks with each call there.
/// expected_sites, sites_sd, at_cap : array of n float
///     Mean and standard deviation of the number of sites; share of walks to the cap.
/// sites_p50, sites_p90 : array of n uint32
///     Quantiles of the number of sites.
/// adequate_se, inadequate_se, marginal_se, enough_se, undecided_se : array of n float
///     The standard error of each.
/// expected_sites_se, sites_sd_se, at_cap_se, sites_p50_se, sites_p90_se : array of n float
///     The standard error of each.
/// walks, seed : int
///     As asked.
/// plan : str
///     Digest of the plan.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Simulated {
    pub simulated: core::Simulated,
    pub recipe: Recipe,
}

#[derive(FromPyObject)]
pub enum RunText {
    Sites(i64),
    Word(String),
}

pub fn run(text: Option<RunText>) -> Result<Run, Error> {
    let refused = |value: &str| Err(Error::new(Code::Combination, "run", value, "sites of a run, or 'whole_walk'"));
    match text {
        // A run of no sites is refused as one of fewer is.
        Some(RunText::Sites(sites)) => u32::try_from(sites).map(Run::Sites).or_else(|_| refused(&sites.to_string())),
        Some(RunText::Word(word)) if word == "whole_walk" => Ok(Run::WholeWalk),
        Some(RunText::Word(word)) => refused(&word),
        None => refused("missing"),
    }
}

/// Sites that are alike, where a shared part is given.
pub fn clustered(under: Dispersion, shared: Option<f64>, run: Option<RunText>) -> Result<Option<Clustered>, Error> {
    match (shared, run) {
        (None, None) => Ok(None),
        (None, Some(_)) => Err(Error::about(Code::Combination, "run", "nothing without shared")),
        (Some(shared), text) => {
            let shared = Share::new(shared).map_err(|e| e.named("shared"))?;
            Clustered::new(under, shared, self::run(text)?).map(Some)
        }
    }
}

/// Walks a plan over simulated counts, where exactness ends: sites that are alike.
///
/// The same seed gives the same numbers on any machine, with any number of threads.
///
/// Parameters
/// ----------
/// plan : Plan
/// means : array_like of n float
///     True means per site (shares of positive units for such a plan).
/// walks : int
///     Walks at each mean.
/// seed : int
///     Where the random numbers begin.
/// k : float, optional
///     Another clumping than the plan's; ``inf`` for Poisson.
/// shared : float, optional
///     Share of the counts' variance beyond that of Poisson counts that sites have in common: Gamma(k·shared) in common
///     and Gamma(k·(1 − shared)) of each site's own, so that a site's counts stay negative binomial.
/// run : int or "whole_walk", optional
///     Sites it is common to: 1 to ``run``, ``run`` + 1 to 2·``run``, …; or all of a walk.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// Simulated
///
/// Raises
/// ------
/// StoplineError
///     ``out_of_range``; ``combination`` where counts have no such variance to share.
///
/// References
/// ----------
/// Random numbers: Salmon, Moraes, Dror & Shaw 2011, SC '11, doi:10.1145/2063384.2063405.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")
/// >>> alike = stopline.simulate(plan, [1.5, 3.0], walks=20_000, shared=0.25, run=5)
/// >>> bool(alike.adequate[0] > stopline.evaluate(plan, [1.5]).adequate[0] + 4 * alike.adequate_se[0])
/// True
#[pyfunction]
#[pyo3(signature = (plan, means, *, walks, seed=1, k=None, shared=None, run=None, progress=None))]
pub fn simulate(
    py: Python<'_>,
    plan: &Bound<'_, Plan>,
    means: Numbers<'_>,
    walks: u64,
    seed: u64,
    k: Option<f64>,
    shared: Option<f64>,
    run: Option<Bound<'_, PyAny>>,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Simulated> {
    let asked = means_of(py, means.as_array().iter().copied())?;
    // A copy: the caller may write to theirs.
    let means = PyArray1::from_iter(py, asked.iter().map(|m| m.get()));
    let recipe = recipe!(py, "simulate", plan, means, walks, seed, k, shared, run);
    let run: Option<RunText> = run.map(|run| run.extract()).transpose()?;
    let (plan, means) = (plan.get(), asked);
    let source = || -> Result<Box<dyn core::Source>, Error> {
        let under = under(plan, k)?;
        Ok(match clustered(under, shared, run)? {
            Some(clustered) => Box::new(clustered),
            None => Box::new(under),
        })
    };
    let source = source().map_err(|e| one(py, e))?;
    let simulated =
        watched(py, progress, |watch| core::simulate(&plan.0, source.as_ref(), &means, walks, seed, watch))?;
    Ok(Simulated { simulated, recipe })
}

impl Simulated {
    fn column<'py, T: numpy::Element>(&self, py: Python<'py>, of: fn(&SimulatedRow) -> T) -> Bound<'py, PyArray1<T>> {
        PyArray1::from_vec(py, self.simulated.rows.iter().map(of).collect())
    }
}

macro_rules! columns {
    ($($name:ident: $type:ty = $of:expr),* $(,)?) => {
        impl Simulated {
            pub fn as_columns(&self) -> Columns {
                let rows = &self.simulated.rows;
                Columns::default()$(.numbers(stringify!($name), rows.iter().map($of)))*
            }
        }

        #[pymethods]
        impl Simulated {
            $(#[getter]
            fn $name<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<$type>> {
                self.column(py, $of)
            })*

            #[getter]
            fn walks(&self) -> u64 {
                self.simulated.walks
            }

            #[getter]
            fn seed(&self) -> u64 {
                self.simulated.seed
            }

            #[getter]
            fn plan(&self) -> &str {
                self.simulated.plan.as_str()
            }

            /// The simulation as plain objects, as the program prints it.
            ///
            /// Returns
            /// -------
            /// dict
            ///
            /// Examples
            /// --------
            /// >>> import stopline
            /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
            /// >>> stopline.simulate(plan, [1.5], walks=100).to_dict()["exact"]
            /// False
            fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
                plain(py, &self.simulated)
            }

            fn __len__(&self) -> usize {
                self.simulated.rows.len()
            }

            fn __repr__(&self) -> String {
                format!("<stopline.Simulated: {} walks at each of {} means>", self.simulated.walks, self.simulated.rows.len())
            }
        }
    };
}

columns! {
    mean: f64 = |row| row.mean,
    adequate: f64 = |row| row.adequate.value, adequate_se: f64 = |row| row.adequate.se,
    inadequate: f64 = |row| row.inadequate.value, inadequate_se: f64 = |row| row.inadequate.se,
    marginal: f64 = |row| row.marginal.value, marginal_se: f64 = |row| row.marginal.se,
    enough: f64 = |row| row.enough.value, enough_se: f64 = |row| row.enough.se,
    undecided: f64 = |row| row.undecided.value, undecided_se: f64 = |row| row.undecided.se,
    expected_sites: f64 = |row| row.expected_sites.value, expected_sites_se: f64 = |row| row.expected_sites.se,
    sites_sd: f64 = |row| row.sites_sd.value, sites_sd_se: f64 = |row| row.sites_sd.se,
    sites_p50: u32 = |row| row.sites_p50, sites_p50_se: f64 = |row| row.sites_p50_se,
    sites_p90: u32 = |row| row.sites_p90, sites_p90_se: f64 = |row| row.sites_p90_se,
    at_cap: f64 = |row| row.at_cap.value, at_cap_se: f64 = |row| row.at_cap.se,
}
