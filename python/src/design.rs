//! What is asked of a plan, and ``plan`` itself.

use crate::counts::Counts;
use crate::errors::{one, released, watched};
use crate::fit::Fit;
use crate::plan::Plan;
use crate::simulate::{RunText, clustered};
use pyo3::prelude::*;
use std::sync::Arc;
use stopline::plan::{self as core, Aim, Checks, Closing, Design, Method, Objective, Pair, Sides};
use stopline::{Call, Code, Dispersion, Error, K, Mean, Plants, Risk, Risks, Score, Share, Thresholds, Unit};

/// The dispersion and the plants of a site, from k, from a fit, or Poisson for an infinite k.
pub fn dispersion(k: Option<f64>, fit: Option<&Fit>, plants: Option<u16>) -> Result<(Dispersion, Plants), Error> {
    let combination = |what, allowed| Err(Error::about(Code::Combination, what, allowed));
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
            Err(Error::about(Code::Combination, "k_interval and k_sd_log", allowed))
        }
    }
}

pub fn thresholds(inadequate: f64, adequate: f64, per: &str, plants: Plants) -> Result<Thresholds, Error> {
    let unit = Unit::parse(per)?.in_a_site(plants);
    let mean = |x: f64, name: &str| Mean::new(x * unit).map_err(|e| e.named(name));
    Thresholds::new(mean(inadequate, "inadequate")?, mean(adequate, "adequate")?)
}

pub fn risks(false_adequate: f64, false_inadequate: f64) -> Result<Risks, Error> {
    Risks::new(
        Risk::new(false_adequate).map_err(|e| e.named("false_adequate"))?,
        Risk::new(false_inadequate).map_err(|e| e.named("false_inadequate"))?,
    )
}

/// What is asked, in Python's words.
pub struct Asking<'a> {
    pub inadequate: Option<f64>,
    pub adequate: Option<f64>,
    pub upper: Option<(f64, f64)>,
    pub critical: Option<f64>,
    pub confidence: f64,
    pub sides: &'a str,
    pub se_over_mean: Option<f64>,
    pub per: &'a str,
}

impl Asking<'_> {
    /// The aim with means per site; `None` where nothing is asked.
    pub fn aim(&self, risks: Option<Risks>, plants: Plants) -> Result<Option<Aim>, Error> {
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
            _ => return Err(no_aim()),
        }))
    }
}

fn no_aim() -> Error {
    let allowed = "inadequate and adequate, with or without upper; or critical; or se_over_mean";
    Error::about(Code::Combination, "what is asked", allowed)
}

/// What a site adds: every enemy, those up to a most, or whether there are more than a tally.
pub fn score(counted_to: Option<u32>, above: Option<u32>, units: u16) -> Result<Score, Error> {
    match (counted_to, above) {
        (None, None) if units != 1 => Err(Error::new(Code::Combination, "units", units, "only with above")),
        (None, None) => Ok(Score::Count),
        (Some(most), None) => Score::capped(most),
        (None, Some(above)) => Score::positive(above, units),
        _ => Err(Error::about(Code::Combination, "counted_to and above", "one of them")),
    }
}

/// How counts vary, in Python's words.
pub struct Varying<'a> {
    pub k: Option<f64>,
    pub k_interval: Option<(f64, f64)>,
    pub k_sd_log: Option<f64>,
    pub power_law: Option<(f64, f64)>,
    pub proportion: Option<(f64, f64, f64)>,
    pub fit: Option<&'a Fit>,
}

impl Varying<'_> {
    /// The dispersion and the plants of a site; positive units need nothing said: thresholds are then shares.
    pub fn dispersion(&self, positive: bool, plants: Option<u16>) -> Result<(Dispersion, Plants), Error> {
        let Self { k, fit, power_law, proportion, .. } = *self;
        let models = [k.is_some(), fit.is_some(), power_law.is_some(), proportion.is_some()];
        if models.into_iter().filter(|given| *given).count() > 1 {
            return Err(Error::about(Code::Combination, "k, fit, power_law and proportion", "one of them"));
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
    let combination = |what, allowed| Err(Error::about(Code::Combination, what, allowed));
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
/// References
/// ----------
/// Laird 1978, J. Am. Stat. Assoc. 73:805-811, doi:10.1080/01621459.1978.10480103; Lindsay 1983, Ann. Statist. 11:86-94,
/// doi:10.1214/aos/1176346059.
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
///     Instead: one critical mean, with lines by Iwao.
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
/// References
/// ----------
/// Lines by Wald: Wald 1947, *Sequential Analysis*; Waters 1955, For. Sci. 1:68-79. Converging: Lorden 1976, Ann.
/// Statist. 4:281-291, doi:10.1214/aos/1176343407. Optimal: Kiefer & Weiss 1957, Ann. Math. Stat. 28:57-74; Weiss 1962,
/// J. Am. Stat. Assoc. 57:551-566. Two stages: Simon 1989, Controlled Clinical Trials 10:1-10,
/// doi:10.1016/0197-2456(89)90015-9. Three calls: Sobel & Wald 1949, Ann. Math. Stat. 20:502-522. Interval: Iwao 1975,
/// Res. Popul. Ecol. 16:281-288. Precision: Kuno 1969, Res. Popul. Ecol. 11:127-136; Green 1970, Res. Popul. Ecol.
/// 12:249-251.
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
        let aim = asking.aim(Some(risks), plants)?.ok_or_else(no_aim)?;
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
        _ => Err(one(py, Error::new(Code::Usage, "early", early, "inadequate, adequate"))),
    };
    let early = early.map(call).transpose()?;
    let alike = clustered(design.dispersion, shared, run).map_err(|e| one(py, e))?;
    if alike.is_some() && (chosen || undecided.is_some() || over.is_some() || early.is_some()) {
        let allowed = "without means, undecided_at_most, over and early";
        return Err(one(py, Error::new(Code::Combination, "shared", "given", allowed)));
    }
    let plan = watched(py, progress, |watch| match method {
        method if let Some(alike) = &alike => core::recalibrated(&design, method, alike, watch).map(|found| found.plan),
        method if let Some(early) = early => core::Plan::two_stage(design, method, early, watch),
        Method::Optimal => core::Plan::optimal(design, &objective, undecided, watch),
        Method::Tuned if let Some(over) = over => core::Plan::tuned(design, over, watch),
        method => core::Plan::design(design, method, watch),
    })?;
    Ok(Plan(Arc::new(plan)))
}
