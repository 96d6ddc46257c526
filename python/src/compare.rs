//! Would fewer sites do?

use crate::columns::Columns;
use crate::counts::{Counts, Numbers};
use crate::design::{dispersion, thresholds};
use crate::errors::{one, plain, watched};
use crate::evaluate::means_of;
use crate::fit::Fit;
use crate::plan::Plan;
use crate::recipe::{Recipe, recipe};
use arrow_array::StringArray;
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use std::sync::Arc;
use stopline::compare::{self as core, At, Ground, Way, WayCompared, in_common, means_around};
use stopline::{Code, Error, Minutes, Plants, Score};

/// Ways to walk a field side by side; made by ``compare``.
///
/// Attributes
/// ----------
/// ways : list of str
///     Their names.
/// conclusion : list of str
///     What it comes to, in sentences with their conditions.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Comparison {
    pub comparison: core::Comparison,
    pub recipe: Recipe,
}

/// Minutes of the parts of a walk, if any are given.
pub fn minutes(site: Option<f64>, plant: f64, enemy: f64, in_out: f64) -> Result<Option<Minutes>, Error> {
    match site {
        Some(site) => Minutes::new(site)?.with_plant(plant)?.with_enemy(enemy)?.with_in_and_out(in_out).map(Some),
        None if [plant, enemy, in_out] == [0.0; 3] => Ok(None),
        None => Err(Error::about(Code::Combination, "minutes_site", "a number beside the other minutes")),
    }
}

/// Fixed numbers of sites and plans side by side, exactly.
///
/// Parameters
/// ----------
/// plans : dict of str to Plan, optional
///     Plans by name; clumping and thresholds are theirs where not given.
/// fixed : sequence of int
///     Fixed numbers of sites.
/// k : float, optional
///     Clumping; ``inf`` for Poisson. Or:
/// fit : Fit, optional
///     Uses its common k.
/// counts : Counts, optional
///     Past counts: what their fields come to in a season, and how clumped the most clumped third of them is.
/// inadequate, adequate : float, optional
///     Thresholds, counted per ``per``.
/// per : {"site", "plant", "100-plants"}
///     Unit of the thresholds.
/// plants : int, optional
///     Plants of a site; 1 if nothing says it.
/// means : array_like of n float, optional
///     True means per site; by default five around the thresholds.
/// visits : int
///     Visits to a field in a season.
/// minutes_site, minutes_plant, minutes_enemy, minutes_in_out : float, optional
///     Minutes for a site, more for each plant and each enemy, and for walking into the field and out again.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// Comparison
///
/// Raises
/// ------
/// StoplineError
///     ``combination`` where plans differ in what is not given, or nothing says it.
///
/// References
/// ----------
/// Standard error over the mean of a fixed number of sites: Karandinos 1976, Bull. Entomol. Soc. Am. 22:417-421.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> fifteen = stopline.compare(fixed=[15], k=2.0, inadequate=1.5, adequate=3.0).to_dict()["ways"][0]["risks"]
/// >>> round(fifteen["false_adequate"], 4), round(fifteen["false_inadequate"], 4)
/// (0.0835, 0.0921)
#[pyfunction]
#[pyo3(signature = (plans=None, *, fixed=vec![10, 15, 20, 25, 30], k=None, fit=None, counts=None, inadequate=None, adequate=None, per="site", plants=None, means=None, visits=1, minutes_site=None, minutes_plant=0.0, minutes_enemy=0.0, minutes_in_out=0.0, progress=None))]
pub fn compare(
    py: Python<'_>,
    plans: Option<&Bound<'_, PyDict>>,
    fixed: Vec<u32>,
    k: Option<f64>,
    fit: Option<Bound<'_, Fit>>,
    counts: Option<&Bound<'_, Counts>>,
    inadequate: Option<f64>,
    adequate: Option<f64>,
    per: &str,
    plants: Option<u16>,
    means: Option<Bound<'_, PyAny>>,
    visits: u32,
    minutes_site: Option<f64>,
    minutes_plant: f64,
    minutes_enemy: f64,
    minutes_in_out: f64,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Comparison> {
    let means: Option<Numbers<'_>> = means.map(|means| means.extract()).transpose()?;
    let means = means.map(|means| means_of(py, means.as_array().iter().copied())).transpose()?;
    let recipe = {
        // Copies: the caller may write to theirs.
        let plans = plans.map(|plans| plans.copy()).transpose()?;
        let means = means.as_ref().map(|means| PyArray1::from_iter(py, means.iter().map(|m| m.get())));
        recipe!(
            py,
            "compare",
            plans,
            fixed,
            k,
            fit,
            counts,
            inadequate,
            adequate,
            per,
            plants,
            means,
            visits,
            minutes_site,
            minutes_plant,
            minutes_enemy,
            minutes_in_out
        )
    };
    let fit = fit.as_ref().map(Bound::get);
    let mut held: Vec<(String, Arc<stopline::plan::Plan>)> = Vec::new();
    for (name, plan) in plans.iter().flat_map(|plans| plans.iter()) {
        held.push((name.str()?.to_string(), plan.cast::<Plan>()?.get().0.clone()));
    }
    let plans: Vec<(String, &stopline::plan::Plan)> = held.iter().map(|(name, plan)| (name.clone(), &**plan)).collect();
    let missing = |what: &str| Error::about(Code::Combination, what, "given, or the same in all plans");
    let asked = || -> Result<Ground, Error> {
        let own = in_common(&plans, "plants of a site", |plan| Some(plan.asked().plants))?;
        let plants = plants.map(Plants::new).transpose()?.or(own);
        let (under, plants) = if k.is_some() || fit.is_some() {
            dispersion(k, fit, plants.map(Plants::get))?
        } else {
            let own = in_common(&plans, "clumping", |plan| Some(plan.asked().dispersion))?;
            (own.ok_or_else(|| missing("clumping"))?, plants.unwrap_or(Plants::ONE))
        };
        let thresholds = match (inadequate, adequate) {
            (Some(low), Some(high)) => thresholds(low, high, per, plants)?,
            (None, None) => in_common(&plans, "thresholds", |plan| plan.asked().thresholds())?
                .ok_or_else(|| missing("thresholds"))?,
            _ => return Err(Error::about(Code::Combination, "inadequate and adequate", "both or neither")),
        };
        let score = in_common(&plans, "score", |plan| Some(plan.asked().score.clone()))?.unwrap_or(Score::Count);
        let means = match means {
            Some(means) => means,
            None => means_around(thresholds, under.of_shares())?.to_vec(),
        };
        let timings = self::minutes(minutes_site, minutes_plant, minutes_enemy, minutes_in_out)?;
        Ok(Ground { score, plants, under, thresholds, means, clumped: None, past: None, timings, visits })
    };
    let mut ground = asked().map_err(|e| one(py, e))?;
    let counts = counts.map(|counts| &counts.get().0);
    let comparison = watched(py, progress, |watch| {
        if let Some(counts) = counts {
            ground.clumped = core::most_clumped_third(counts, watch)?;
            ground.past = Some(stopline::dispersion::field_means_of(counts, &ground.under, watch)?);
        }
        let fixed = fixed.into_iter().map(|sites| Way::always(sites, &ground));
        let mut ways = fixed.collect::<Result<Vec<_>, _>>()?;
        ways.extend(plans.iter().map(|(name, plan)| Way::plan(name, plan)));
        core::compare(&ground, &ways, watch)
    })?;
    Ok(Comparison { comparison, recipe })
}

impl Comparison {
    pub fn as_columns(&self) -> Columns {
        let rows: Vec<(&WayCompared, &At)> =
            self.comparison.ways.iter().flat_map(|way| way.at.iter().map(move |at| (way, at))).collect();
        let number = |of: fn(&At) -> f64| rows.iter().map(move |(_, at)| of(at));
        Columns::default()
            .with("way", StringArray::from_iter_values(rows.iter().map(|(way, _)| &way.name)))
            .numbers("mean", number(|at| at.row.mean))
            .numbers("adequate", number(|at| at.row.adequate))
            .numbers("inadequate", number(|at| at.row.inadequate))
            .numbers("undecided", number(|at| at.row.undecided))
            .numbers("expected_sites", number(|at| at.row.expected_sites))
            .numbers("sites_p50", rows.iter().map(|(_, at)| at.row.sites_p50))
            .numbers("sites_p90", rows.iter().map(|(_, at)| at.row.sites_p90))
            .numbers("max_sites", rows.iter().map(|(way, _)| way.max_sites))
            .numbers("se_over_mean", number(|at| at.se_over_mean.unwrap_or(f64::NAN)))
            .numbers("minutes", number(|at| at.minutes.unwrap_or(f64::NAN)))
    }
}

#[pymethods]
impl Comparison {
    #[getter]
    fn ways(&self) -> Vec<&str> {
        self.comparison.ways.iter().map(|way| way.name.as_str()).collect()
    }

    #[getter]
    fn conclusion(&self) -> Vec<&str> {
        self.comparison.conclusion.iter().map(String::as_str).collect()
    }

    /// The comparison as plain objects, as the program prints it.
    ///
    /// Returns
    /// -------
    /// dict
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> found = stopline.compare(fixed=[15], k=2.0, inadequate=1.5, adequate=3.0)
    /// >>> [way["name"] for way in found.to_dict()["ways"]]
    /// ['always 15 sites']
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.comparison)
    }

    fn __repr__(&self) -> String {
        format!("<stopline.Comparison: {} ways>", self.comparison.ways.len())
    }
}
