//! A plan run over full walks.

use crate::columns::Columns;
use crate::compare::minutes;
use crate::counts::Counts;
use crate::errors::{one, plain, watched};
use crate::plan::Plan;
use crate::recipe::{Recipe, recipe};
use arrow_array::{BooleanArray, Int64Array, StringArray};
use pyo3::prelude::*;
use stopline::Level;
use stopline::replay::{self as core, Replayed, Replaying};

/// A plan replayed over walks; made by ``replay``.
///
/// ``to_dict()`` gives everything, ``table()`` one row a walk.
#[pyclass(frozen, module = "stopline", eq)]
pub struct Replay {
    pub replay: core::Replay,
    pub left_out: Option<Vec<core::LeftOut>>,
    pub recipe: Recipe,
}

/// Runs a plan over full walks: where it stops, and whether it agrees with the whole walk.
///
/// Parameters
/// ----------
/// plan : Plan
/// counts : Counts
///     Full walks.
/// orders : int
///     Random orders of each walk beside the order walked.
/// seed : int
///     Where the random numbers begin.
/// level : float
///     Level of the interval of a field's mean by the whole walk.
/// leave_out : bool
///     Also replay each field under a plan made without it.
/// minutes_site, minutes_plant, minutes_enemy : float, optional
///     Minutes for a site, and more for each plant and each enemy.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
///
/// Returns
/// -------
/// Replay
///
/// Raises
/// ------
/// StoplineError
///     ``combination`` where sites are not of the plan's size.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.Plan.given([(2, 0, 5), (4, 3, 4)], k=1.0)
/// >>> counts = stopline.Counts.from_columns(field=["owl"] * 4, site=[1, 2, 3, 4], counts=[3, 2, 0, 4])
/// >>> stopline.replay(plan, counts, orders=0).to_dict()["walks"][0]["walked"]["stopped_at"]
/// 2
#[pyfunction]
#[pyo3(signature = (plan, counts, *, orders=1000, seed=1, level=0.9, leave_out=false, minutes_site=None, minutes_plant=0.0, minutes_enemy=0.0, progress=None))]
pub fn replay(
    py: Python<'_>,
    plan: &Bound<'_, Plan>,
    counts: &Bound<'_, Counts>,
    orders: u32,
    seed: u64,
    level: f64,
    leave_out: bool,
    minutes_site: Option<f64>,
    minutes_plant: f64,
    minutes_enemy: f64,
    progress: Option<Bound<'_, PyAny>>,
) -> PyResult<Replay> {
    let recipe =
        recipe!(py, "replay", plan, counts, orders, seed, level, leave_out, minutes_site, minutes_plant, minutes_enemy);
    let (plan, counts) = (plan.get(), counts.get());
    let asked = || {
        let timings = minutes(minutes_site, minutes_plant, minutes_enemy, 0.0)?;
        Ok(Replaying { orders, seed, level: Level::new(level)?, timings })
    };
    let how = asked().map_err(|e| one(py, e))?;
    let (replay, left_out) = watched(py, progress, |watch| {
        let replay = core::replay(&plan.0, &counts.0, &how, watch)?;
        let left_out = leave_out.then(|| core::leave_one_out(&plan.0, &counts.0, &how, watch)).transpose()?;
        Ok((replay, left_out))
    })?;
    Ok(Replay { replay, left_out, recipe })
}

impl Replay {
    pub fn as_columns(&self) -> Columns {
        let walks = &self.replay.walks;
        let words = |of: fn(&Replayed) -> Option<&str>| walks.iter().map(of).collect::<StringArray>();
        let number = |of: fn(&Replayed) -> f64| walks.iter().map(of);
        let truth = |of: fn(&Replayed) -> Option<bool>| walks.iter().map(of).collect::<BooleanArray>();
        Columns::default()
            .with("field", words(|w| Some(&w.field)))
            .with("visit", words(|w| Some(&w.visit)))
            .numbers("sites", walks.iter().map(|w| w.sites))
            .numbers("mean", number(|w| w.mean))
            .with("whole", words(|w| Some(w.whole.as_str())))
            .with("stopped_at", walks.iter().map(|w| w.walked.stopped_at.map(i64::from)).collect::<Int64Array>())
            .with("call", words(|w| w.walked.call.map(stopline::Call::as_str)))
            .with("agrees", truth(|w| w.walked.agrees))
            .with("contradicted", truth(|w| w.walked.contradicted))
            .numbers("random_agree", number(|w| w.random.map_or(f64::NAN, |r| r.agree.value)))
            .numbers("random_agree_se", number(|w| w.random.map_or(f64::NAN, |r| r.agree.se)))
    }
}

#[pymethods]
impl Replay {
    /// The replay as plain objects, as the program prints it.
    ///
    /// Returns
    /// -------
    /// dict
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> counts = stopline.Counts.from_columns(field=["heron"] * 3, site=[1, 2, 3], counts=[2, 0, 5])
    /// >>> len(stopline.replay(plan, counts, orders=0).to_dict()["walks"])
    /// 1
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let replay = plain(py, &self.replay)?;
        replay.set_item("left_out", plain(py, &self.left_out)?)?;
        Ok(replay)
    }

    fn __repr__(&self) -> String {
        format!("<stopline.Replay: {} walks>", self.replay.walks.len())
    }
}
