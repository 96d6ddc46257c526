//! Plans, and what pairs of thresholds would cost.

use crate::compare::minutes;
use crate::counts::Counts;
use crate::errors::{one, plain, released, watched};
use crate::fit::Fit;
use crate::recipe::{Recipe, recipe};
use crate::simulate::{RunText, clustered};
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyTuple, PyType};
use std::sync::Arc;
use stopline::decide::season;
use stopline::dispersion::Draws;
use stopline::plan::{
    self as core, About, Aim, AttainedRow, Checks, Closing, Design, Method, Objective, Pair, Sides, Table,
};
use stopline::{Call, Code, Dispersion, Error, K, Mean, Plants, Risk, Risks, Score, Share, Thresholds, Total, Unit};

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

/// The dispersion and the plants of a site, from k, from a fit, or Poisson for an infinite k.
pub fn dispersion(k: Option<f64>, fit: Option<&Fit>, plants: Option<u16>) -> Result<(Dispersion, Plants), Error> {
    let combination = |what, allowed| Err(Error::about(stopline::Code::Combination, what, allowed));
    let plants = plants.map(Plants::new).transpose()?;
    match (k, fit) {
        (Some(k), None) if k == f64::INFINITY => Ok((Dispersion::Poisson, plants.unwrap_or(Plants::ONE))),
        (Some(k), None) => Ok((Dispersion::ConstantK { k: K::new(k)? }, plants.unwrap_or(Plants::ONE))),
        (None, Some(fit)) => {
            let own = fit.plants.or(plants).unwrap_or(Plants::ONE);
            if plants.is_some_and(|p| p != own) {
                return combination("plants", "those of the fitted counts: k belongs to the size of a site");
            }
            Ok((fit.fit.for_plan()?.dispersion, own))
        }
        _ => combination("k and fit", "one of them"),
    }
}

fn rows(attained: &[AttainedRow]) -> Vec<(f64, &'static str, f64)> {
    attained.iter().map(|row| (row.mean.get(), row.call.as_str(), row.p)).collect()
}

/// A constant k with what is said of its uncertainty.
fn uncertain(one: Dispersion, interval: Option<(f64, f64)>, sd_log: Option<f64>) -> Result<Dispersion, Error> {
    match (one, interval, sd_log) {
        (one, None, None) => Ok(one),
        (Dispersion::ConstantK { k }, Some((low, high)), None) => {
            let end = |x| K::new(x).map_err(|e| e.named("k_interval"));
            Dispersion::k_interval(k, end(low)?, end(high)?)
        }
        (Dispersion::ConstantK { k }, None, Some(sd)) => Dispersion::k_spread(k, sd).map_err(|e| e.named("k_sd_log")),
        _ => {
            let allowed = "one of them, with one k of all means";
            Err(Error::about(stopline::Code::Combination, "k_interval and k_sd_log", allowed))
        }
    }
}

pub fn thresholds(inadequate: f64, adequate: f64, per: &str, plants: Plants) -> Result<Thresholds, Error> {
    let unit = Unit::parse(per)?.in_a_site(plants);
    let mean = |x: f64, name: &str| Mean::new(x * unit).map_err(|e| e.named(name));
    Thresholds::new(mean(inadequate, "inadequate")?, mean(adequate, "adequate")?)
}

fn risks(false_adequate: f64, false_inadequate: f64) -> Result<Risks, Error> {
    Risks::new(
        Risk::new(false_adequate).map_err(|e| e.named("false_adequate"))?,
        Risk::new(false_inadequate).map_err(|e| e.named("false_inadequate"))?,
    )
}

/// What is asked, in Python's words.
struct Asking<'a> {
    inadequate: Option<f64>,
    adequate: Option<f64>,
    upper: Option<(f64, f64)>,
    critical: Option<f64>,
    confidence: f64,
    sides: &'a str,
    se_over_mean: Option<f64>,
    per: &'a str,
}

impl Asking<'_> {
    /// The aim with means per site; `None` where nothing is asked.
    fn aim(&self, risks: Option<Risks>, plants: Plants) -> Result<Option<Aim>, Error> {
        let unit = Unit::parse(self.per)?.in_a_site(plants);
        let level = |x, name: &str| stopline::Level::new(x).map_err(|e| e.named(name));
        let thresholds = |low, high| thresholds(low, high, self.per, plants);
        Ok(Some(match (self.inadequate.zip(self.adequate), self.upper, self.critical, self.se_over_mean) {
            (None, None, None, None) if self.inadequate.or(self.adequate).is_none() => return Ok(None),
            (Some((low, high)), None, None, None) => Aim::TwoCalls { thresholds: Some(thresholds(low, high)?), risks },
            (Some((low, high)), Some(upper), None, None) => {
                let risks = risks.map_or_else(|| self::risks(0.1, 0.1), Ok)?;
                let pair = |low, high| Ok::<_, Error>(Pair { thresholds: thresholds(low, high)?, risks });
                Aim::three_calls(pair(low, high)?, pair(upper.0, upper.1)?)?
            }
            (None, None, Some(critical), None) => Aim::Interval {
                critical: Mean::new(critical * unit).map_err(|e| e.named("critical"))?,
                confidence: level(self.confidence, "confidence")?,
                sides: Sides::parse(self.sides)?,
            },
            (None, None, None, Some(part)) => Aim::Precision { se_over_mean: level(part, "se_over_mean")? },
            _ => {
                let allowed = "inadequate and adequate, with or without upper; or critical; or se_over_mean";
                return Err(Error::about(stopline::Code::Combination, "what is asked", allowed));
            }
        }))
    }
}

/// What a site adds: every enemy, those up to a most, or whether there are more than a tally.
fn score(counted_to: Option<u32>, above: Option<u32>, units: u16) -> Result<Score, Error> {
    match (counted_to, above) {
        (None, None) if units != 1 => Err(Error::new(stopline::Code::Combination, "units", units, "only with above")),
        (None, None) => Ok(Score::Count),
        (Some(most), None) => Score::capped(most),
        (None, Some(above)) => Score::positive(above, units),
        _ => Err(Error::about(stopline::Code::Combination, "counted_to and above", "one of them")),
    }
}

/// How counts vary, in Python's words.
struct Varying<'a> {
    k: Option<f64>,
    k_interval: Option<(f64, f64)>,
    k_sd_log: Option<f64>,
    power_law: Option<(f64, f64)>,
    proportion: Option<(f64, f64, f64)>,
    fit: Option<&'a Fit>,
}

impl Varying<'_> {
    /// The dispersion and the plants of a site; positive units need nothing said: thresholds are then shares.
    fn dispersion(&self, positive: bool, plants: Option<u16>) -> Result<(Dispersion, Plants), Error> {
        let Self { k, fit, power_law, proportion, .. } = *self;
        let models = [k.is_some(), fit.is_some(), power_law.is_some(), proportion.is_some()];
        if models.into_iter().filter(|given| *given).count() > 1 {
            let what = "k, fit, power_law and proportion";
            return Err(Error::about(stopline::Code::Combination, what, "one of them"));
        }
        let own = match (power_law, proportion) {
            (Some((a, b)), _) => Dispersion::power_law(a, b)?,
            (None, Some((a, b, scatter))) => Dispersion::proportion(a, b, scatter)?,
            (None, None) if positive && k.is_none() && fit.is_none() => Dispersion::Binomial,
            (None, None) => {
                let (own, plants) = dispersion(k, fit, plants)?;
                return Ok((uncertain(own, self.k_interval, self.k_sd_log)?, plants));
            }
        };
        let plants = plants.map_or(Ok(Plants::ONE), Plants::new)?;
        Ok((uncertain(own, self.k_interval, self.k_sd_log)?, plants))
    }
}

/// What an optimal plan has least of.
fn objective(
    means: Option<Vec<f64>>,
    weights: Option<Vec<f64>>,
    unit: f64,
    method: Method,
) -> Result<Objective, Error> {
    let combination = |what, allowed| Err(Error::about(stopline::Code::Combination, what, allowed));
    let (means, weights) = match (means, weights) {
        (None, None) => return Ok(Objective::LargestExpectedSites),
        (None, Some(_)) => return combination("weights", "only with means"),
        (Some(_), _) if method != Method::Optimal => return combination("means", "only with the method optimal"),
        (Some(means), Some(weights)) if means.len() != weights.len() => {
            return combination("number of weights", "as many as means");
        }
        (Some(means), weights) => {
            let weights = weights.unwrap_or_else(|| vec![1.0; means.len()]);
            (means, weights)
        }
    };
    let mean = |m: f64| Mean::new(m * unit).map_err(|e| e.named("means"));
    let at = means.into_iter().zip(weights).map(|(m, w)| Ok((mean(m)?, w))).collect::<Result<_, Error>>()?;
    Ok(Objective::ExpectedSites(at))
}

/// The true means of fields, with their weights, from counts: the mixture that makes the totals of the walks
/// most likely, so that the error of sampling is taken out.
///
/// Parameters
/// ----------
/// counts : Counts
/// k : float, optional
///     Clumping; ``inf`` for Poisson. Or:
/// fit : Fit, optional
///     Uses its common k.
///
/// Returns
/// -------
/// list of (float, float)
///     Mean per site and weight; the weights add to 1.
///
/// Raises
/// ------
/// StoplineError
///     ``combination`` unless one of k and fit is given.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> counts = stopline.Counts.from_columns(field=["heron"] * 3 + ["plover"] * 3, site=[1, 2, 3] * 2,
/// ...                                       counts=[0, 1, 0, 8, 11, 9])
/// >>> [(round(mean, 3), round(weight, 3)) for mean, weight in stopline.field_means(counts, k=2.0)]
/// [(0.333, 0.5), (9.329, 0.5)]
#[pyfunction]
#[pyo3(signature = (counts, *, k=None, fit=None))]
pub fn field_means(py: Python<'_>, counts: &Counts, k: Option<f64>, fit: Option<&Fit>) -> PyResult<Vec<(f64, f64)>> {
    let (dispersion, _) = dispersion(k, fit, None).map_err(|e| one(py, e))?;
    let means = released(py, |watch| stopline::dispersion::field_means_of(&counts.0, &dispersion, watch))?;
    Ok(means.at.into_iter().map(|(m, w)| (m.get(), w)).collect())
}

/// Derives a stop plan.
///
/// Parameters
/// ----------
/// inadequate, adequate : float, optional
///     Thresholds, counted per ``per``: at or below, at or above.
/// upper : (float, float), optional
///     With them: a second pair above; between the pairs enemies are called marginal.
/// critical : float, optional
///     Instead: one critical mean, with lines by Iwao (1975).
/// confidence : float
///     The nominal confidence of these.
/// sides : {"two", "one"}
///     Whether it is of both sides or of one.
/// se_over_mean : float, optional
///     Instead: count until the standard error is at most this part of the mean (Kuno 1969; Green 1970 where
///     a power law is given).
/// over : (float, float), optional
///     With method "tuned": means per site over which the true precision is kept.
/// k : float, optional
///     Clumping (variance m + m²/k); ``inf`` for Poisson counts. Or:
/// k_interval : (float, float), optional
///     With k: risks hold for every k from the first to the second.
/// k_sd_log : float, optional
///     With k: it differs from field to field, log-normally; risks hold on average.
/// power_law : (float, float), optional
///     Instead of k: a and b of the variance a·mᵇ.
/// fit : Fit, optional
///     Uses its common k.
/// plants : int, optional
///     Plants of a site (of the fitted counts, or 1).
/// per : {"site", "plant", "100-plants"}
///     Unit of the thresholds.
/// false_adequate, false_inadequate : float
///     Risks to keep: P(called adequate) at the inadequate mean, P(called inadequate) at the adequate mean.
/// min_sites, max_sites, every : int
///     First check, cap, sites between checks. Or:
/// at : sequence of int, optional
///     The checks.
/// method : {"calibrated", "wald", "optimal", "converging", "fixed", "curtailed", "two_stage", "two_stage_minimax", "nominal", "tuned"}
///     How lines are derived; by default "calibrated" for two and three calls, else "nominal".
/// closing : {"call", "undecided"}
///     What happens at the cap; by default "undecided" for a precision, else "call".
/// undecided_at_most : float, optional
///     Bound of P(undecided), for an optimal plan that may end undecided.
/// means : sequence of float, optional
///     True means, counted per ``per``, over which an optimal plan has fewest sites on average; by default
///     the largest expected sites are least.
/// weights : sequence of float, optional
///     How much each of the means counts.
/// progress : callable or tqdm bar, optional
///     Told of the work: called with the steps done and all steps, or moved along.
/// counted_to : int, optional
///     A site is counted to this and no further.
/// above, units : int, optional
///     Instead of counting: of ``units`` at a site, those with more than ``above`` enemies. Without k, fit or proportion
///     the thresholds are shares of units.
/// proportion : (float, float, float), optional
///     With above, instead of k: a, b and scatter of ln m = a + b·ln(−ln(1 − P)), as ``fit_proportion`` gives them.
/// early : {"inadequate", "adequate"}, optional
///     The one call that the first check of a two-stage plan may make; by default both.
/// shared, run : float, int or "whole_walk", optional
///     As in ``simulate``: risks then hold where sites are alike.
///
/// Returns
/// -------
/// Plan
///
/// Raises
/// ------
/// StoplineError
///     ``no_plan`` where no plan keeps the risks within the cap, saying what would; the codes of parameters
///     out of range.
///
/// Examples
/// --------
/// >>> import stopline
/// >>> plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0)
/// >>> all(p <= 0.1 for mean, call, p in plan.attained)
/// True
#[pyfunction]
#[pyo3(signature = (*, inadequate=None, adequate=None, upper=None, critical=None, confidence=0.9, sides="two", se_over_mean=None, over=None, k=None, k_interval=None, k_sd_log=None, power_law=None, fit=None, plants=None, per="site", false_adequate=0.1, false_inadequate=0.1, min_sites=5, max_sites=30, every=1, at=None, method=None, closing=None, undecided_at_most=None, means=None, weights=None, progress=None, counted_to=None, above=None, units=1, proportion=None, early=None, shared=None, run=None))]
pub fn plan(
    py: Python<'_>,
    inadequate: Option<f64>,
    adequate: Option<f64>,
    upper: Option<(f64, f64)>,
    critical: Option<f64>,
    confidence: f64,
    sides: &str,
    se_over_mean: Option<f64>,
    over: Option<(f64, f64)>,
    k: Option<f64>,
    k_interval: Option<(f64, f64)>,
    k_sd_log: Option<f64>,
    power_law: Option<(f64, f64)>,
    fit: Option<&Fit>,
    plants: Option<u16>,
    per: &str,
    false_adequate: f64,
    false_inadequate: f64,
    min_sites: u32,
    max_sites: u32,
    every: u32,
    at: Option<Vec<u32>>,
    method: Option<&str>,
    closing: Option<&str>,
    undecided_at_most: Option<f64>,
    means: Option<Vec<f64>>,
    weights: Option<Vec<f64>>,
    progress: Option<Bound<'_, PyAny>>,
    counted_to: Option<u32>,
    above: Option<u32>,
    units: u16,
    proportion: Option<(f64, f64, f64)>,
    early: Option<&str>,
    shared: Option<f64>,
    run: Option<RunText>,
) -> PyResult<Plan> {
    let chosen = means.is_some();
    let asked = || -> Result<(Design, Method, Option<Share>, Objective), Error> {
        let score = score(counted_to, above, units)?;
        let varying = Varying { k, k_interval, k_sd_log, power_law, proportion, fit };
        let (dispersion, plants) = varying.dispersion(above.is_some(), plants)?;
        let risks = risks(false_adequate, false_inadequate)?;
        let unit = Unit::parse(per)?.in_a_site(plants);
        let asking = Asking { inadequate, adequate, upper, critical, confidence, sides, se_over_mean, per };
        let aim = asking.aim(Some(risks), plants)?.ok_or_else(|| {
            let allowed = "inadequate and adequate, with or without upper; or critical; or se_over_mean";
            Error::about(stopline::Code::Combination, "what is asked", allowed)
        })?;
        let checks = at.map_or_else(|| Checks::every(min_sites, max_sites, every), Checks::at)?;
        let (usual, closes) = match aim {
            Aim::TwoCalls { .. } | Aim::ThreeCalls { .. } => ("calibrated", "call"),
            Aim::Precision { .. } => ("nominal", "undecided"),
            _ => ("nominal", "call"),
        };
        let (method, closing) = (method.unwrap_or(usual), Closing::parse(closing.unwrap_or(closes))?);
        let share = |u| Share::new(u).map_err(|e| e.named("undecided_at_most"));
        let undecided = undecided_at_most.map(share).transpose()?;
        let method = Method::parse(method)?;
        let objective = objective(means, weights, unit, method)?;
        Ok((Design { score, plants, dispersion, aim, checks, closing }, method, undecided, objective))
    };
    let (design, method, undecided, objective) = asked().map_err(|e| one(py, e))?;
    let mean = |m| Mean::new(m).map_err(|e| one(py, e.named("over")));
    let over = over.map(|(low, high)| PyResult::Ok([mean(low)?, mean(high)?])).transpose()?;
    let call = |early: &str| match early {
        "inadequate" => Ok(Call::Inadequate),
        "adequate" => Ok(Call::Adequate),
        _ => Err(one(py, Error::new(stopline::Code::Usage, "early", early, "inadequate, adequate"))),
    };
    let early = early.map(call).transpose()?;
    let alike = clustered(design.dispersion, shared, run).map_err(|e| one(py, e))?;
    if alike.is_some() && (chosen || undecided.is_some() || over.is_some() || early.is_some()) {
        let allowed = "without means, undecided_at_most, over and early";
        return Err(one(py, Error::new(stopline::Code::Combination, "shared", "given", allowed)));
    }
    let plan = watched(py, progress, |watch| match method {
        method if let Some(alike) = &alike => core::recalibrated(&design, method, alike, watch).map(|found| found.plan),
        method if early.is_some() => core::Plan::two_stage(design, method, early.unwrap_or(Call::Inadequate), watch),
        Method::Optimal => core::Plan::optimal(design, &objective, undecided, watch),
        method => match over {
            Some(over) if method == Method::Tuned => core::Plan::tuned(design, over, watch),
            _ => core::Plan::design(design, method, watch),
        },
    })?;
    Ok(Plan(Arc::new(plan)))
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
    /// Raises
    /// ------
    /// StoplineError
    ///     ``lines`` for a table that is not usable.
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
    fn beside(&self, py: Python<'_>) -> PyResult<Vec<Self>> {
        let plans = released(py, |watch| self.0.beside(watch))?;
        Ok(plans.into_iter().map(|plan| Self(Arc::new(plan))).collect())
    }

    /// Where k differs from field to field, mean, call and its probability as nine of ten fields keep it.
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
    /// a season; at these means, or at the thresholds. ``combination`` or ``too_much_work`` where there is none.
    #[pyo3(signature = (means=None))]
    fn check_of_k<'py>(&self, py: Python<'py>, means: Option<Vec<f64>>) -> PyResult<Bound<'py, PyAny>> {
        let means = means.unwrap_or_default().into_iter().map(Mean::new).collect::<Result<Vec<_>, _>>();
        let means = means.map_err(|e| one(py, e))?;
        let found = released(py, |watch| self.0.check_of_k()?.report(self.0.digest().as_str(), &means, watch))?;
        plain(py, &found)
    }

    /// What walks under this plan say together of its k: the chance of counts so clumped; each walk's counts in order.
    fn check_of_k_over<'py>(&self, py: Python<'py>, walks: Vec<Vec<u32>>) -> PyResult<Bound<'py, PyAny>> {
        let walks: Vec<Vec<Total>> =
            walks.into_iter().map(|walk| walk.into_iter().map(Total::from).collect()).collect();
        let found = released(py, |watch| season(self.0.check_of_k()?, &walks, watch))?;
        plain(py, &found)
    }

    /// The plan of the same request for half the k, to walk by where the check of k alarms.
    fn fallback(&self, py: Python<'_>) -> PyResult<Self> {
        released(py, |watch| self.0.fallback(watch)).map(|p| Self(Arc::new(p)))
    }

    /// Reads a plan file's text; a changed one is refused with ``plan_edited``.
    #[staticmethod]
    fn from_json(py: Python<'_>, text: &str) -> PyResult<Self> {
        py.detach(|| core::Plan::from_json(text)).map(|p| Self(Arc::new(p))).map_err(|e| one(py, e))
    }

    /// The plan file's text.
    fn to_json(&self, py: Python<'_>) -> PyResult<String> {
        self.0.to_json().map_err(|e| one(py, e))
    }

    /// The plan file as plain objects.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        py.import("json")?.call_method1("loads", (self.to_json(py)?,))
    }

    /// Recomputes digest, risks and bound; raises ``plan_edited`` where one differs.
    fn verify(&self, py: Python<'_>) -> PyResult<()> {
        released(py, |watch| self.0.verify(watch))
    }

    /// The card for the field, as plain text.
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
