//! Decisions, from all counts at once or one site at a time.

use crate::errors::{one, plain};
use crate::evaluate::intervals;
use crate::plan::Plan;
use pyo3::prelude::*;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use stopline::decide::{self as core, Entry, Log, LogHead, Record, State};
use stopline::{Error, Site};

/// What a walk comes to; made by ``decide`` or a ``Walk``.
///
/// Attributes
/// ----------
/// verdict : str
///     ``adequate``, ``inadequate``, ``undecided`` or ``keep_sampling``.
/// is_final : bool
///     Will no further count change it?
/// ended_by : str or None
///     ``line``, ``max_sites`` or ``scout``.
/// sites, total, stopped_at, after_stop : int
///     Counted sites and their total, up to the stop; where it was; sites after it.
/// mean : float or None
///     Estimate of the mean per site (or share of positive units): unbiased after a stop, else the plain mean.
/// interval : tuple of two float, or None
///     After a stop: such intervals hold the true mean at least 9 times in 10; the second is None where there is no
///     upper limit.
/// plain_mean : float or None
///     Total over sites; biased where a line stopped the walk.
/// any_time : dict or None
///     Interval of the mean and evidence about the thresholds that stay valid whenever one looks, with their reading.
/// what_next : dict or None
///     While the walk goes on: sites likely still needed, the chance of each call, what each line would take.
/// check_of_k : dict or None
///     From the third site: the chance of counts so uneven at the plan's k, the level of an alarm, where the walk was
///     first alarmed, and how little such a check notices. None where it cannot be made; a caution says why.
/// cautions : list of str
#[pyclass(frozen, module = "stopline", eq)]
pub struct Decision {
    pub walk: Arc<core::Walk>,
    state: State,
    /// What takes time is computed when it is first asked for.
    whole: OnceLock<core::Decision>,
}

/// The same entries under the same plan.
impl PartialEq for Decision {
    fn eq(&self, other: &Self) -> bool {
        self.walk.plan() == other.walk.plan() && self.walk.entries() == other.walk.entries()
    }
}

impl Decision {
    fn of(walk: Arc<core::Walk>) -> Self {
        Self { state: walk.state(), walk, whole: OnceLock::new() }
    }

    fn whole(&self, py: Python<'_>) -> &core::Decision {
        self.whole.get().unwrap_or_else(|| py.detach(|| self.whole.get_or_init(|| self.walk.decision())))
    }
}

/// A site as Python gives it: one count, or one for each group; `None` is a missing count.
#[derive(FromPyObject)]
pub enum Groups {
    One(u32),
    Several(Vec<Option<u32>>),
}

impl From<Groups> for Site {
    fn from(groups: Groups) -> Self {
        match groups {
            Groups::One(count) => Site::of(count),
            Groups::Several(groups) => Site { groups },
        }
    }
}

/// The decision on the counts of a walk, in the order walked.
///
/// Parameters
/// ----------
/// plan : Plan
/// counts : sequence of int, or of sequences of int (one a group)
///     None for a site that was skipped.
/// ended : bool
///     The scout ended the walk (rain, dusk): that is no call.
///
/// Returns
/// -------
/// Decision
///
/// Raises
/// ------
/// StoplineError
///     ``entry`` for a site that cannot be scored.
///
/// References
/// ----------
/// After a stop: as in ``estimates``. At any time: Robbins 1970, Ann. Math. Stat. 41:1397-1409; Howard, Ramdas, McAuliffe
/// & Sekhon 2021, Ann. Statist. 49:1055-1080, doi:10.1214/20-AOS1991.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
/// >>> stopline.decide(plan, [3, 4, 9, 2, 5]).verdict
/// 'adequate'
#[pyfunction]
#[pyo3(signature = (plan, counts, *, ended=false))]
pub fn decide(py: Python<'_>, plan: &Plan, counts: Vec<Option<Groups>>, ended: bool) -> PyResult<Decision> {
    let sites = counts.into_iter().map(|c| c.map(Site::from));
    let walk = core::Walk::of_sites(&plan.0, sites, ended).map_err(|e| one(py, e))?;
    Ok(Decision::of(Arc::new(walk)))
}

#[pymethods]
impl Decision {
    #[getter]
    fn verdict(&self) -> &str {
        self.state.verdict.as_str()
    }
    #[getter]
    fn is_final(&self) -> bool {
        self.state.ended_by.is_some()
    }
    #[getter]
    fn ended_by(&self) -> Option<&str> {
        self.state.ended_by.map(core::EndedBy::as_str)
    }
    #[getter]
    fn sites(&self) -> u32 {
        self.state.sites
    }
    #[getter]
    fn total(&self) -> i64 {
        self.state.total
    }
    #[getter]
    fn stopped_at(&self) -> Option<u32> {
        self.state.stopped_at
    }
    #[getter]
    fn after_stop(&self) -> u32 {
        self.state.after_stop
    }
    #[getter]
    fn mean(&self, py: Python<'_>) -> Option<f64> {
        self.whole(py).estimate.mean
    }
    #[getter]
    fn plain_mean(&self, py: Python<'_>) -> Option<f64> {
        self.whole(py).estimate.plain_mean
    }
    #[getter]
    fn interval(&self, py: Python<'_>) -> Option<(f64, Option<f64>)> {
        let estimate = self.whole(py).estimate;
        estimate.low.map(|low| (low, estimate.high))
    }
    /// The interval of the mean after a stop, of another level or with stops in another order.
    ///
    /// Parameters
    /// ----------
    /// level : float
    ///     Such intervals hold the true mean at least so often.
    /// order : {"plain_mean", "stage"}
    ///     How stops are put in order.
    ///
    /// Returns
    /// -------
    /// (float, float or None) or None
    ///     Means per site; the second is None where there is no upper limit. None before a stop.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``out_of_range`` for the level, ``usage`` for the order.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, min_sites=1, max_sites=20, method="wald")
    /// >>> low, high = stopline.decide(plan, [4, 8]).interval_at(level=0.8)
    /// >>> round(low, 2), round(high, 2)
    /// (2.85, 12.13)
    #[pyo3(signature = (*, level=0.9, order="plain_mean"))]
    fn interval_at(&self, py: Python<'_>, level: f64, order: &str) -> PyResult<Option<(f64, Option<f64>)>> {
        let (level, order) = intervals(py, level, order)?;
        let estimate = self.walk.estimate_at(level, order);
        Ok(estimate.low.map(|low| (low, estimate.high)))
    }
    #[getter]
    fn any_time<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.whole(py).any_time)
    }
    #[getter]
    fn what_next<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.whole(py).what_next)
    }
    #[getter]
    fn check_of_k<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.whole(py).check_of_k)
    }
    #[getter]
    fn cautions(&self, py: Python<'_>) -> Vec<String> {
        self.whole(py).cautions.iter().map(|c| c.text.clone()).collect()
    }
    /// The decision as plain objects, as the program prints it.
    ///
    /// Returns
    /// -------
    /// dict
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> stopline.decide(plan, [3, 4]).to_dict()["verdict"]
    /// 'keep_sampling'
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, self.whole(py))
    }
    fn __repr__(&self) -> String {
        format!(
            "<stopline.Decision: {} after {} sites, total {}>",
            self.state.verdict.as_str(),
            self.state.sites,
            self.state.total
        )
    }
}

/// A walk under a plan, one entry at a time; every method gives the decision as things stand.
///
/// Parameters
/// ----------
/// plan : Plan
///
/// Attributes
/// ----------
/// decision : Decision
///     As things stand.
/// plan : Plan
///
/// Examples
/// --------
/// >>> import stopline
/// >>> walk = stopline.Walk(stopline.plan(k=1.2, inadequate=1.0, adequate=2.0))
/// >>> walk.push(3)
/// <stopline.Decision: keep_sampling after 1 sites, total 3>
/// >>> walk.undo().sites
/// 0
#[pyclass(frozen, module = "stopline")]
pub struct Walk(pub Mutex<Arc<core::Walk>>);

impl Walk {
    pub fn walk(&self) -> MutexGuard<'_, Arc<core::Walk>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn entry(&self, py: Python<'_>, entry: Entry) -> PyResult<Decision> {
        let pushed = {
            let mut walk = self.walk();
            // Copied where a decision still holds the walk as it was.
            Arc::make_mut(&mut walk).push(entry).map(|_| Arc::clone(&walk))
        };
        // Python runs, and another thread with it, only after the walk is free again.
        pushed.map(Decision::of).map_err(|e| one(py, e))
    }
}

fn head(field: &str, visit: &str, at: &str) -> LogHead {
    LogHead { field: field.to_owned(), visit: visit.to_owned(), at: at.to_owned() }
}

#[pymethods]
impl Walk {
    #[new]
    fn new(plan: &Plan) -> Self {
        Self(Mutex::new(Arc::new(core::Walk::new(Arc::clone(&plan.0)))))
    }
    /// Takes the count of a site.
    ///
    /// Parameters
    /// ----------
    /// counts : int, or sequence of int
    ///     The enemies of the site, or one count a group.
    ///
    /// Returns
    /// -------
    /// Decision
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``entry`` for a site that cannot be scored, or after the walk was closed.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> walk.push(3).total
    /// 3
    fn push(&self, py: Python<'_>, counts: Groups) -> PyResult<Decision> {
        self.entry(py, Entry::Site(counts.into()))
    }
    /// A site that could not be counted.
    ///
    /// Returns
    /// -------
    /// Decision
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``entry`` after the walk was closed.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> walk.skip().sites
    /// 0
    fn skip(&self, py: Python<'_>) -> PyResult<Decision> {
        self.entry(py, Entry::Skip)
    }
    /// Takes back the latest site, skip or close.
    ///
    /// Returns
    /// -------
    /// Decision
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``entry`` where there is nothing to take back.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> walk.push(3).total, walk.undo().total
    /// (3, 0)
    fn undo(&self, py: Python<'_>) -> PyResult<Decision> {
        self.entry(py, Entry::Undo)
    }
    /// The scout ends the walk: that is no call.
    ///
    /// Returns
    /// -------
    /// Decision
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``entry`` where it was closed before.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> walk.close().ended_by
    /// 'scout'
    fn close(&self, py: Python<'_>) -> PyResult<Decision> {
        self.entry(py, Entry::Close)
    }
    /// A remark, kept in the log.
    ///
    /// Parameters
    /// ----------
    /// text : str
    ///
    /// Returns
    /// -------
    /// Decision
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> walk.note("dew").sites
    /// 0
    fn note(&self, py: Python<'_>, text: String) -> PyResult<Decision> {
        self.entry(py, Entry::Note(text))
    }
    /// The walk is interrupted.
    ///
    /// Returns
    /// -------
    /// Decision
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``entry`` after the walk was closed.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> walk.pause().verdict
    /// 'keep_sampling'
    fn pause(&self, py: Python<'_>) -> PyResult<Decision> {
        self.entry(py, Entry::Pause)
    }
    /// The walk goes on.
    ///
    /// Returns
    /// -------
    /// Decision
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``entry`` after the walk was closed.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> walk.pause().verdict, walk.resume().verdict
    /// ('keep_sampling', 'keep_sampling')
    fn resume(&self, py: Python<'_>) -> PyResult<Decision> {
        self.entry(py, Entry::Resume)
    }
    /// The walk of a log (JSON Lines), as the program and ``to_log`` write it; a torn last line is passed over.
    ///
    /// Parameters
    /// ----------
    /// text : str
    ///
    /// Returns
    /// -------
    /// Walk
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``log`` with the row of a line that cannot be read or does not follow from the one before, ``plan_format``,
    ///     ``plan_edited``.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk.from_log(stopline.Walk(plan).to_log(field="heron"))
    /// >>> walk.decision.sites
    /// 0
    #[staticmethod]
    fn from_log(py: Python<'_>, text: &str) -> PyResult<Self> {
        let (log, _) = Log::read(text).map_err(|e| one(py, e))?;
        Ok(Self(Mutex::new(Arc::new(log.walk().clone()))))
    }
    /// A log of this walk, plan included, that the program goes on with.
    ///
    /// Parameters
    /// ----------
    /// field, visit : str
    ///     Where and when it was.
    /// at : str
    ///     A time, RFC 3339, told but never relied on.
    ///
    /// Returns
    /// -------
    /// str
    ///     JSON Lines.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> _ = walk.push(3)
    /// >>> len(walk.to_log(field="heron").splitlines())
    /// 2
    #[pyo3(signature = (*, field="", visit="", at=""))]
    fn to_log(&self, py: Python<'_>, field: &str, visit: &str, at: &str) -> PyResult<String> {
        let walk = Arc::clone(&self.walk());
        let written = || -> Result<String, Error> {
            let (mut log, mut text) = Log::start(Arc::clone(walk.plan()), head(field, visit, at))?;
            for entry in walk.entries() {
                text += &log.append(entry.clone(), at)?;
            }
            Ok(text)
        };
        written().map_err(|e| one(py, e))
    }
    /// The record of the decision, to be kept: plan, entries, verdict, estimate, interval and cautions.
    ///
    /// Parameters
    /// ----------
    /// field, visit, at : str
    ///     As in ``to_log``.
    /// csv : bool
    ///     As CSV with the columns ``what`` and ``value``; else as JSON.
    ///
    /// Returns
    /// -------
    /// str
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> walk = stopline.Walk(plan)
    /// >>> _ = walk.push(3)
    /// >>> walk.record(field="heron", csv=True).splitlines()[0]
    /// 'what,value'
    #[pyo3(signature = (*, field="", visit="", at="", csv=false))]
    fn record(&self, py: Python<'_>, field: &str, visit: &str, at: &str, csv: bool) -> PyResult<String> {
        let walk = Arc::clone(&self.walk());
        let (head, decision) = (head(field, visit, at), walk.decision());
        let record = Record::of(&walk, &head, &decision);
        if csv { record.to_csv() } else { record.to_json() }.map_err(|e| one(py, e))
    }
    #[getter]
    fn plan(&self) -> Plan {
        Plan(Arc::clone(self.walk().plan()))
    }
    #[getter]
    fn decision(&self) -> Decision {
        Decision::of(Arc::clone(&self.walk()))
    }
    fn __repr__(&self) -> String {
        let state = self.walk().state();
        format!("<stopline.Walk: {} after {} sites>", state.verdict.as_str(), state.sites)
    }
}
