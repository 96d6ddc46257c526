//! Real walks drawn again, and plans where things are otherwise.

use crate::counts::Counts;
use crate::errors::{one, plain, watched};
use crate::evaluate::{means_of, under};
use crate::plan::Plan;
use pyo3::prelude::*;
use stopline::Share;
use stopline::evaluate::sensitivity as core_sensitivity;
use stopline::resample::{self as core, Redraw, Resampling};

/// Walks a plan over the sites of real walks drawn again, beside the exact curve at each walk's mean.
///
/// Parameters
/// ----------
/// plan : Plan
/// counts : Counts
///     Walks counted in full, whatever the plan scores of a site.
/// draw : {"with_replacement", "without_replacement", "blocks"}
///     How sites are drawn.
/// block : int
///     Neighbours of a block.
/// walks : int
///     Times that each walk is walked.
/// seed : int
///     Where the random numbers begin.
/// k : float, optional
///     Clumping taken to be true; by default the plan's.
/// hold_out : bool
///     Beside each field, k fitted to the other fields.
/// sets : int
///     Sets of walks that the verdict is got from.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// dict
///     ``rows``, one a walk, and ``fairness``: whether the law is a fair description of these walks.
///
/// Raises
/// ------
/// StoplineError
///     ``combination``, ``out_of_range``; ``usage`` for another draw.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=2.0, inadequate=0.5, adequate=2.0)
/// >>> counts = stopline.Counts.from_columns(field=["owl"] * 6, site=range(1, 7), counts=[3, 2, 0, 4, 1, 1])
/// >>> found = stopline.resample(plan, counts, walks=100, sets=99)
/// >>> len(found["rows"]), found["fairness"]["sets"]
/// (1, 99)
#[pyfunction]
#[pyo3(signature = (plan, counts, *, draw="with_replacement", block=5, walks=10_000, seed=1, k=None, hold_out=false, sets=199, progress=None))]
pub fn resample<'py>(
    py: Python<'py>,
    plan: &Plan,
    counts: &Counts,
    draw: &str,
    block: u32,
    walks: u64,
    seed: u64,
    k: Option<f64>,
    hold_out: bool,
    sets: u32,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    let how = Redraw::of(draw, block).map_err(|e| one(py, e))?;
    let under = under(plan, k).map_err(|e| one(py, e))?;
    let how = Resampling { how, walks, seed, hold_out, sets };
    let found = watched(py, progress, |watch| core::resample(&plan.0, &counts.0, &under, &how, watch))?;
    plain(py, &found)
}

/// What becomes of a plan where one thing after the other is not as it was thought, exactly.
///
/// Parameters
/// ----------
/// plan : Plan
///     A plan that adds up counts of one k.
/// means : sequence of float
///     True means per site.
/// caught : float
///     Share of the enemies that the bucket catches.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// dict
///     ``cases``: each with ``otherwise``, its ``number`` and ``rows`` over the means.
///
/// Raises
/// ------
/// StoplineError
///     ``combination``, ``out_of_range``.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0)
/// >>> [case["otherwise"] for case in stopline.sensitivity(plan, [1.5, 3.0])["cases"]][-2:]
/// ['bare_share', 'one_corner']
#[pyfunction]
#[pyo3(signature = (plan, means, *, caught=0.8, progress=None))]
pub fn sensitivity<'py>(
    py: Python<'py>,
    plan: &Plan,
    means: Vec<f64>,
    caught: f64,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Bound<'py, PyAny>> {
    let means = means_of(py, means)?;
    let caught = Share::new(caught).map_err(|e| one(py, e.named("caught")))?;
    let found = watched(py, progress, |watch| core_sensitivity(&plan.0, &means, caught, watch))?;
    plain(py, &found)
}
