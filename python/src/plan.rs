//! Plans.

use crate::compare::minutes;
use crate::counts::Counts;
use crate::design::{Asking, Varying, score};
use crate::errors::{json, one, plain, released};
use crate::evaluate::means_of;
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyTuple, PyType};
use std::sync::Arc;
use stopline::decide::season;
use stopline::dispersion::Draws;
use stopline::plan::{self as core, About, Aim, AttainedRow, Design, Table};
use stopline::{Code, Error, K, Score, Total};

/// A stop plan: lines on the total and their exact risks; made by ``plan``, ``Plan.given`` or ``Plan.from_json``.
///
/// Equal, and of equal hash, where every decision is. Pickles as its file.
///
/// Attributes
/// ----------
/// lines : list of (int, int or None, int or None)
///     Sites of each check, inadequate if the total is at most, adequate if it is at least; None where
///     a line cannot be reached.
/// attained : list of (float, str, float)
///     True mean per site, the call that would be wrong there, its exact probability over independent sites.
/// alike : dict or None
///     Of a plan made for sites that are alike: ``shared``, ``run`` (None: the whole walk) and ``attained`` over these.
/// straight : list of (float, float) or None
///     Slope and intercept of the straight lines that give this table, one for each column after the sites.
/// thresholds : (float, float) or None
///     Inadequate and adequate mean per site.
/// columns : list of str
///     What the numbers of a line are.
/// digest, method, plants, k, cautions
///     As in the plan file; k is None for Poisson.
#[pyclass(frozen, module = "stopline", eq, hash)]
#[derive(Clone)]
pub struct Plan(pub Arc<core::Plan>);

impl PartialEq for Plan {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}

impl std::hash::Hash for Plan {
    fn hash<H: std::hash::Hasher>(&self, state: &mut H) {
        self.0.digest().hash(state);
    }
}

fn rows(attained: &[AttainedRow]) -> Vec<(f64, &'static str, f64)> {
    attained.iter().map(|row| (row.mean.get(), row.call.as_str(), row.p)).collect()
}

#[pymethods]
impl Plan {
    /// A plan from a table typed in from a paper.
    ///
    /// Parameters
    /// ----------
    /// lines : list of (int, int or None, ...)
    ///     Sites and the totals in the columns of what is asked: inadequate at most, adequate at least; with ``upper``
    ///     inadequate at most, marginal from, marginal to, adequate at least; with ``se_over_mean`` enough at least.
    ///     The last row closes.
    /// k, k_interval, k_sd_log, power_law, proportion, counted_to, above, units
    ///     As in ``plan``: how counts vary and what is scored.
    /// plants, inadequate, adequate, per, upper, critical, confidence, sides, se_over_mean
    ///     As in ``plan``; with thresholds the exact risks are computed.
    ///
    /// Returns
    /// -------
    /// Plan
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``lines`` for a table that is not usable; the codes of parameters out of range, ``combination``.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.Plan.given([(15, 31, 32)], k=2.0, inadequate=1.5, adequate=3.0)
    /// >>> [round(p, 4) for mean, call, p in plan.attained]
    /// [0.0835, 0.0921]
    #[staticmethod]
    #[pyo3(signature = (lines, *, k=None, plants=1, inadequate=None, adequate=None, per="site", upper=None, critical=None, confidence=0.9, sides="two", se_over_mean=None, k_interval=None, k_sd_log=None, power_law=None, proportion=None, counted_to=None, above=None, units=1))]
    fn given(
        py: Python<'_>,
        lines: Vec<Vec<Option<Total>>>,
        k: Option<f64>,
        plants: u16,
        inadequate: Option<f64>,
        adequate: Option<f64>,
        per: &str,
        upper: Option<(f64, f64)>,
        critical: Option<f64>,
        confidence: f64,
        sides: &str,
        se_over_mean: Option<f64>,
        k_interval: Option<(f64, f64)>,
        k_sd_log: Option<f64>,
        power_law: Option<(f64, f64)>,
        proportion: Option<(f64, f64, f64)>,
        counted_to: Option<u32>,
        above: Option<u32>,
        units: u16,
    ) -> PyResult<Self> {
        let made = || -> Result<(Design, stopline::Lines), Error> {
            let score = score(counted_to, above, units)?;
            let varying = Varying { k, k_interval, k_sd_log, power_law, proportion, fit: None };
            let (dispersion, plants) = varying.dispersion(above.is_some(), Some(plants))?;
            let asking = Asking { inadequate, adequate, upper, critical, confidence, sides, se_over_mean, per };
            let aim = asking.aim(None, plants)?.unwrap_or(Aim::TwoCalls { thresholds: None, risks: None });
            let table = Table::of_columns(aim.columns(), &lines)?;
            Ok((Design { score, plants, dispersion, aim, checks: table.checks, closing: table.closing }, table.lines))
        };
        let (design, lines) = made().map_err(|e| one(py, e))?;
        released(py, |watch| core::Plan::given(design, lines, watch)).map(|p| Self(Arc::new(p)))
    }

    /// Plans to read beside this one, each with its own risks and sites; those that there are not are left out.
    ///
    /// For a table typed in, at the same checks: of two calls the calibrated and the optimal plan of its exact risks; with
    /// ``upper`` the calibrated one; with ``critical`` the lines of the formula, and the calibrated and the optimal plan
    /// that tell apart the two means at which the table errs as often as its confidence allows; with ``se_over_mean`` the
    /// lines of the formula, and the tuned plan whose true precision is the table's own over the means at which its lines
    /// lie. For an uncertain k the plan if its middle value were known.
    ///
    /// Returns
    /// -------
    /// list of Plan
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> table = [(5, None, 14), (10, 14, 26), (15, 31, 32)]
    /// >>> plan = stopline.Plan.given(table, k=2.0, inadequate=1.5, adequate=3.0)
    /// >>> [other.method for other in plan.beside()]
    /// ['calibrated', 'optimal']
    fn beside(&self, py: Python<'_>) -> PyResult<Vec<Self>> {
        let plans = released(py, |watch| self.0.beside(watch))?;
        Ok(plans.into_iter().map(|plan| Self(Arc::new(plan))).collect())
    }

    /// Where k differs from field to field, mean, call and its probability as nine of ten fields keep it.
    ///
    /// Returns
    /// -------
    /// list of (float, str, float)
    ///     As ``attained``; none for other plans.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, k_sd_log=0.4, inadequate=1.0, adequate=2.0, max_sites=60)
    /// >>> all(p > on_average for (_, _, p), (_, _, on_average) in zip(plan.in_nine_of_ten(), plan.attained))
    /// True
    fn in_nine_of_ten(&self, py: Python<'_>) -> PyResult<Vec<(f64, &'static str, f64)>> {
        let rows = released(py, |watch| self.0.in_nine_of_ten(watch))?;
        Ok(rows.into_iter().map(|r| (r.mean.get(), r.call.as_str(), r.p)).collect())
    }

    /// What other ways to score sites would cost for the same thresholds and risks, each by its calibrated plan.
    ///
    /// Parameters
    /// ----------
    /// counted_to : sequence of int, optional
    ///     Sites counted to a most.
    /// above : sequence of int, optional
    ///     Sites with more than a tally; by default all tallies that tell.
    /// minutes_site, minutes_plant, minutes_enemy : float, optional
    ///     As in ``compare``.
    ///
    /// Returns
    /// -------
    /// list of dict
    ///     Full counts first: ``fixed_sites``, ``largest_expected_sites``, ``expected_sites`` at both thresholds, and the
    ///     ``risks`` where the true k is half, all, and twice the plan's; ``minutes`` of a walk at both thresholds and at
    ///     the mean that takes most sites, and ``minutes_saved`` against full counts, None without times.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``combination`` for a plan without thresholds and risks, or of shares.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> [way["fixed_sites"] for way in plan.ways_to_score(counted_to=[4], above=[0])]
    /// [22, 25, 52]
    #[pyo3(signature = (*, counted_to=None, above=None, minutes_site=None, minutes_plant=0.0, minutes_enemy=0.0))]
    fn ways_to_score<'py>(
        &self,
        py: Python<'py>,
        counted_to: Option<Vec<u32>>,
        above: Option<Vec<u32>>,
        minutes_site: Option<f64>,
        minutes_plant: f64,
        minutes_enemy: f64,
    ) -> PyResult<Bound<'py, PyAny>> {
        let design = self.0.asked();
        let times = minutes(minutes_site, minutes_plant, minutes_enemy, 0.0).map_err(|e| one(py, e))?;
        let ways = || -> Result<Vec<Score>, Error> {
            let capped = counted_to.unwrap_or_default().into_iter().map(Score::capped);
            let tallies = match above {
                Some(above) => above.into_iter().map(|above| Score::positive(above, 1)).collect::<Result<_, _>>()?,
                None => design.tallies()?,
            };
            Ok([vec![Score::Count], capped.collect::<Result<_, _>>()?, tallies].concat())
        };
        let ways = ways().map_err(|e| one(py, e))?;
        let scored = released(py, |watch| design.scored(&ways, times, watch))?;
        plain(py, &scored)
    }

    /// How the check of k while walking behaves: its level, false alarms, how much clumping it notices on a walk and over
    /// a season.
    ///
    /// Parameters
    /// ----------
    /// means : sequence of float, optional
    ///     True means per site; by default the thresholds.
    ///
    /// Returns
    /// -------
    /// dict
    ///     ``false_alarms``; ``rows``, one a mean; ``seasons``.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``combination`` where there is no such check, ``out_of_range`` for a mean, ``too_much_work``.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> told = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, max_sites=25).check_of_k()
    /// >>> told["false_alarms"] <= 0.05, [row["mean"] for row in told["rows"]]
    /// (True, [1.5, 3.0])
    #[pyo3(signature = (means=None))]
    fn check_of_k<'py>(&self, py: Python<'py>, means: Option<Vec<f64>>) -> PyResult<Bound<'py, PyAny>> {
        let means = means_of(py, means.unwrap_or_default())?;
        let found = released(py, |watch| self.0.check_of_k()?.report(self.0.digest().as_str(), &means, watch))?;
        plain(py, &found)
    }

    /// What walks under this plan say together of its k.
    ///
    /// Parameters
    /// ----------
    /// walks : sequence of sequences of int
    ///     The counts of each walk in the order walked.
    ///
    /// Returns
    /// -------
    /// dict
    ///     ``p``: the chance of counts so clumped if k is as planned.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``combination`` where there is no such check, ``too_much_work``.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0, max_sites=25)
    /// >>> plan.check_of_k_over([[0, 0, 19, 0, 0], [0, 17, 0, 1, 0]])["p"] < 0.01
    /// True
    fn check_of_k_over<'py>(&self, py: Python<'py>, walks: Vec<Vec<u32>>) -> PyResult<Bound<'py, PyAny>> {
        let walks: Vec<Vec<Total>> =
            walks.into_iter().map(|walk| walk.into_iter().map(Total::from).collect()).collect();
        let found = released(py, |watch| season(self.0.check_of_k()?, &walks, watch))?;
        plain(py, &found)
    }

    /// The plan of the same request for half the k, to walk by where the check of k alarms.
    ///
    /// Returns
    /// -------
    /// Plan
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``no_plan`` where five times the sites do not do, ``combination`` for a plan without one k or typed in.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> stopline.plan(k=2.0, inadequate=1.5, adequate=3.0).fallback().k
    /// 1.0
    fn fallback(&self, py: Python<'_>) -> PyResult<Self> {
        released(py, |watch| self.0.fallback(watch)).map(|p| Self(Arc::new(p)))
    }

    /// The plan of a plan file's text.
    ///
    /// Parameters
    /// ----------
    /// text : str
    ///
    /// Returns
    /// -------
    /// Plan
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``plan_format``, ``plan_version``; ``plan_edited`` for a file that was changed.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> stopline.Plan.from_json(plan.to_json()) == plan
    /// True
    #[staticmethod]
    fn from_json(py: Python<'_>, text: &str) -> PyResult<Self> {
        py.detach(|| core::Plan::from_json(text)).map(|p| Self(Arc::new(p))).map_err(|e| one(py, e))
    }

    /// The plan file's text.
    ///
    /// Returns
    /// -------
    /// str
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> stopline.plan(k=1.2, inadequate=1.0, adequate=2.0).to_json().splitlines()[1]
    /// '  "format": "stopline/plan",'
    fn to_json(&self, py: Python<'_>) -> PyResult<String> {
        self.0.to_json().map_err(|e| one(py, e))
    }

    /// The plan file as plain objects.
    ///
    /// Returns
    /// -------
    /// dict
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> stopline.plan(k=1.2, inadequate=1.0, adequate=2.0).to_dict()["dispersion"]
    /// {'model': 'constant_k', 'k': 1.2}
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        json(py, &self.to_json(py)?)
    }

    /// Recomputes risks and bound; reading a file has checked its digest.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``plan_edited`` where one differs.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> stopline.plan(k=1.2, inadequate=1.0, adequate=2.0).verify()
    fn verify(&self, py: Python<'_>) -> PyResult<()> {
        released(py, |watch| self.0.verify(watch))
    }

    /// The card for the field, as plain text.
    ///
    /// Returns
    /// -------
    /// str
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> "adequate" in stopline.plan(k=1.2, inadequate=1.0, adequate=2.0).card()
    /// True
    fn card(&self) -> String {
        stopline::card(&self.0)
    }

    /// The true risks of plans made like this one from other counts of the same fields: fit, plan, exact risk.
    ///
    /// Parameters
    /// ----------
    /// counts : Counts
    ///     What k was fitted to.
    /// draws, seed : int
    ///     Sets of counts drawn like these.
    ///
    /// Returns
    /// -------
    /// dict
    ///     ``k``, ``false_adequate``, ``false_inadequate``, ``expected_sites``: quantiles .05, .5 and .95; ``kept``, the
    ///     share of cases with both risks within those asked.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``dispersion_undefined`` where the counts do not tell k, ``combination`` for another plan, ``out_of_range``.
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> counts = stopline.Counts.from_columns(field=["heron"] * 6 + ["owl"] * 6, site=[1, 2, 3, 4, 5, 6] * 2,
    /// ...                                       counts=[0, 3, 1, 0, 5, 0, 2, 9, 1, 4, 0, 2])
    /// >>> plan = stopline.plan(fit=stopline.fit(counts), inadequate=1.0, adequate=3.0)
    /// >>> found = plan.calibration(counts, draws=99)["false_adequate"]
    /// >>> found["low"] < 0.1 < found["high"]
    /// True
    #[pyo3(signature = (counts, *, draws=999, seed=1))]
    fn calibration<'py>(
        &self,
        py: Python<'py>,
        counts: &Bound<'py, Counts>,
        draws: u32,
        seed: u64,
    ) -> PyResult<Bound<'py, PyAny>> {
        let draws = Draws::new(draws, seed).map_err(|e| one(py, e))?;
        let (plan, counts) = (&self.0, &counts.get().0);
        match released(py, |watch| plan.calibration(counts, draws, watch))? {
            Ok(found) => plain(py, &found),
            Err(why) => Err(one(py, Error::new(Code::DispersionUndefined, "clumping", why, "counts that tell k"))),
        }
    }

    /// The true risks of this plan where neighbouring sites are as alike as those of these counts.
    ///
    /// Parameters
    /// ----------
    /// counts : Counts
    ///     Walks, at least 5.
    /// run_length : int
    ///     Sites of a run, of which a share of the clumping is common.
    /// level : float
    ///     Level of the limits of that share.
    ///
    /// Returns
    /// -------
    /// dict
    ///     ``found`` (``rho`` with ``low`` and ``high``); ``independent``, ``fitted`` and ``at_most``: both risks over
    ///     independent sites, at the fitted share and at its upper limit.
    ///
    /// Raises
    /// ------
    /// StoplineError
    ///     ``dispersion_undefined`` where the counts do not tell, ``combination`` for another plan, ``too_much_work``.
    ///
    /// Examples
    /// --------
    /// >>> import numpy as np, stopline
    /// >>> alike = [0, 1, 0, 0, 4, 5, 3, 6, 2, 0, 0, 1]
    /// >>> counts = stopline.Counts.from_columns(field=list("abcde" * 12), site=np.repeat(np.arange(1, 13), 5),
    /// ...                                       counts=np.repeat(alike, 5))
    /// >>> found = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0).neighbours(counts)
    /// >>> found["at_most"]["false_adequate"] > found["independent"]["false_adequate"]
    /// True
    #[pyo3(signature = (counts, *, run_length=5, level=0.95))]
    fn neighbours<'py>(
        &self,
        py: Python<'py>,
        counts: &Bound<'py, Counts>,
        run_length: u32,
        level: f64,
    ) -> PyResult<Bound<'py, PyAny>> {
        let level = stopline::Level::new(level).map_err(|e| one(py, e))?;
        let (plan, counts) = (&self.0, &counts.get().0);
        match released(py, |watch| plan.neighbours(counts, run_length, level, watch))? {
            Ok(found) => plain(py, &found),
            Err(why) => {
                Err(one(py, Error::new(Code::DispersionUndefined, "likeness of sites", why, "counts that tell it")))
            }
        }
    }

    /// The same plan, and digest, with other words about it.
    ///
    /// Parameters
    /// ----------
    /// title, crop, stage, counted, site, route, source, notes : str, optional
    ///     What is not given stays as it was.
    ///
    /// Returns
    /// -------
    /// Plan
    ///
    /// Examples
    /// --------
    /// >>> import stopline
    /// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
    /// >>> plan.with_about(crop="soybean").digest == plan.digest
    /// True
    #[pyo3(signature = (*, title=None, crop=None, stage=None, counted=None, site=None, route=None, source=None, notes=None))]
    fn with_about(
        &self,
        title: Option<String>,
        crop: Option<String>,
        stage: Option<String>,
        counted: Option<String>,
        site: Option<String>,
        route: Option<String>,
        source: Option<String>,
        notes: Option<String>,
    ) -> Self {
        let old = self.0.about().clone();
        let about = About {
            title: title.unwrap_or(old.title),
            crop: crop.unwrap_or(old.crop),
            stage: stage.unwrap_or(old.stage),
            counted: counted.unwrap_or(old.counted),
            site: site.unwrap_or(old.site),
            route: route.unwrap_or(old.route),
            source: source.unwrap_or(old.source),
            notes: notes.unwrap_or(old.notes),
        };
        Self(Arc::new(core::Plan::clone(&self.0).with_about(about)))
    }

    #[getter]
    fn digest(&self) -> &str {
        self.0.digest().as_str()
    }
    #[getter]
    fn method(&self) -> &str {
        self.0.method().as_str()
    }
    #[getter]
    fn plants(&self) -> u16 {
        self.0.asked().plants.get()
    }
    #[getter]
    fn k(&self) -> Option<f64> {
        self.0.asked().dispersion.constant_k().map(K::get)
    }
    #[getter]
    fn thresholds(&self) -> Option<(f64, f64)> {
        self.0.asked().thresholds().map(|t| (t.inadequate().get(), t.adequate().get()))
    }
    #[getter]
    fn lines<'py>(&self, py: Python<'py>) -> PyResult<Vec<Bound<'py, PyTuple>>> {
        let columns = self.0.asked().aim.columns();
        let line = |row: &stopline::Row| {
            let totals = columns.iter().map(|column| column.of(row));
            PyTuple::new(py, std::iter::once(Some(Total::from(row.at))).chain(totals).collect::<Vec<_>>())
        };
        self.0.lines().rows().iter().map(line).collect()
    }
    #[getter]
    fn columns(&self) -> Vec<&'static str> {
        std::iter::once("sites").chain(self.0.asked().aim.columns().iter().map(|c| c.as_str())).collect()
    }
    #[getter]
    fn straight(&self) -> Option<Vec<(f64, f64)>> {
        Some(self.0.straight()?.iter().map(|line| (line.slope, line.intercept)).collect())
    }
    #[getter]
    fn attained(&self) -> Vec<(f64, &'static str, f64)> {
        rows(self.0.attained())
    }
    #[getter]
    fn alike<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyDict>>> {
        let Some(alike) = self.0.alike() else { return Ok(None) };
        let found = PyDict::new(py);
        found.set_item("shared", alike.shared().get())?;
        found.set_item("run", alike.run())?;
        found.set_item("attained", rows(alike.attained()))?;
        Ok(Some(found))
    }
    #[getter]
    fn cautions<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.0.cautions().into_iter().chain(stopline::decide::standing_cautions()).collect::<Vec<_>>())
    }

    fn __reduce__<'py>(&self, py: Python<'py>) -> PyResult<(Bound<'py, PyAny>, (String,))> {
        Ok((PyType::new::<Self>(py).getattr("from_json")?, (self.to_json(py)?,)))
    }

    fn __repr__(&self) -> String {
        let lines = self.0.lines();
        format!(
            "<stopline.Plan: {}, {} checks up to {} sites, {}>",
            self.method(),
            lines.rows().len(),
            lines.cap(),
            self.0.digest().short()
        )
    }
}
