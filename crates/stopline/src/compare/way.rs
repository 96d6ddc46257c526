//! One way to walk a field, and what it comes to.

use super::season::{Season, season};
use super::{Ground, estimates_mean, from_odds, to_odds};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::evaluate::{CurveRow, evaluate_lines, plain_mean, stopped_by};
use crate::law::Pool;
use crate::lines::{Call, Lines};
use crate::params::Mean;
use crate::plan::{Digest, Plan, always};
use crate::watch::Watch;
use serde::{Serialize, Serializer};

/// A way to walk a field: a plan, or always so many sites.
#[derive(Debug, Clone, PartialEq)]
pub struct Way {
    /// What it is called.
    pub name: String,
    /// Digest of the plan, if it is one.
    pub plan: Option<Digest>,
    /// Its stop lines.
    pub lines: Lines,
}

impl Way {
    /// A plan.
    #[must_use]
    pub fn plan(name: &str, plan: &Plan) -> Self {
        Self { name: name.to_owned(), plan: Some(plan.digest().clone()), lines: plan.lines().clone() }
    }

    /// Always so many sites, by the cut of [`always`].
    ///
    /// # Errors
    /// As [`always`].
    pub fn always(sites: u32, ground: &Ground) -> Result<Self, Error> {
        let lines = always(&ground.score, &ground.under, ground.thresholds, sites)?;
        Ok(Self { name: format!("always {sites} sites"), plan: None, lines })
    }
}

/// Chances of wrong calls; none where the way makes no such calls.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Risked {
    /// P(called adequate) at the inadequate mean.
    pub false_adequate: Option<f64>,
    /// P(called inadequate) at the adequate mean.
    pub false_inadequate: Option<f64>,
    /// The largest chance of a wrong call over means up to the inadequate one and from the adequate one on.
    pub worst: Option<f64>,
}

/// What a way does at one true mean.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct At {
    /// Calls and sites.
    #[serde(flatten, serialize_with = "curve_row")]
    pub row: CurveRow,
    /// Standard deviation of total over sites, over the mean; none where the total is no sum of counts.
    pub se_over_mean: Option<f64>,
    /// Mean minutes between the first site and the last; none without timings.
    pub minutes: Option<f64>,
    /// P(stopped by the sites of each check).
    pub stopped_by: Vec<f64>,
}

fn curve_row<S: Serializer>(row: &CurveRow, serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Shown {
        mean: f64,
        adequate: f64,
        inadequate: f64,
        undecided: f64,
        expected_sites: f64,
        sites_p50: u32,
        sites_p90: u32,
    }
    let &CurveRow { mean, adequate, inadequate, undecided, expected_sites, sites_p50, sites_p90, .. } = row;
    Shown { mean, adequate, inadequate, undecided, expected_sites, sites_p50, sites_p90 }.serialize(serializer)
}

/// What a way to walk a field comes to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WayCompared {
    /// What it is called.
    pub name: String,
    /// Digest of the plan, if it is one.
    pub plan: Option<String>,
    /// Most sites it takes.
    pub max_sites: u32,
    /// Sites of each check.
    pub checks: Vec<u32>,
    /// Wrong calls on one visit.
    pub risks: Risked,
    /// At least one wrong call on several visits.
    pub risks_over_visits: Risked,
    /// Wrong calls on one visit where fields are more clumped.
    pub risks_clumped: Option<Risked>,
    /// At each mean.
    pub at: Vec<At>,
    /// Over the means of past fields.
    pub season: Option<Season>,
}

impl WayCompared {
    pub(super) fn of(way: &Way, ground: &Ground, watch: &dyn Watch) -> Result<Self, Error> {
        let risks = risks(way, ground, &ground.under, watch)?;
        let some = |p: Option<f64>| p.map(|p| -libm::expm1(f64::from(ground.visits) * libm::log1p(-p)));
        let risks_over_visits = Risked {
            false_adequate: some(risks.false_adequate),
            false_inadequate: some(risks.false_inadequate),
            worst: some(risks.worst),
        };
        let clumped = ground.clumped.as_ref();
        Ok(Self {
            name: way.name.clone(),
            plan: way.plan.as_ref().map(|digest| digest.as_str().to_owned()),
            max_sites: way.lines.cap(),
            checks: way.lines.rows().iter().map(|row| row.at).collect(),
            risks,
            risks_over_visits,
            risks_clumped: clumped.map(|(_, under)| self::risks(way, ground, under, watch)).transpose()?,
            at: at(way, ground, watch)?,
            season: ground.past.as_ref().map(|past| season(way, ground, past, watch)).transpose()?,
        })
    }
}

fn at(way: &Way, ground: &Ground, watch: &dyn Watch) -> Result<Vec<At>, Error> {
    let Ground { score, under, means, .. } = ground;
    let curve = evaluate_lines(&way.lines, score, under, means, watch)?;
    let stopped = stopped_by(&way.lines, score, under, means, watch)?;
    let mut found = Vec::with_capacity(means.len());
    for ((&mean, row), stopped_by) in means.iter().zip(curve.rows).zip(stopped) {
        let se = estimates_mean(ground).then(|| se_over_mean(way, ground, mean)).transpose()?;
        let minutes = minutes(ground, mean, row.expected_sites)?;
        found.push(At { row, se_over_mean: se, minutes, stopped_by });
    }
    Ok(found)
}

/// Mean minutes of so many sites on average: by Wald's identity the enemies counted are those of a site times these.
pub(super) fn minutes(ground: &Ground, mean: Mean, sites: f64) -> Result<Option<f64>, Error> {
    let Some(times) = ground.timings else { return Ok(None) };
    let enemies = ground.under.enemies_counted(&ground.score, mean)?;
    Ok(Some(times.of_walk(sites, ground.plants, enemies * sites)))
}

/// Variance of a site's count, or of its share of positive units.
pub(super) fn variance(ground: &Ground, mean: Mean) -> Result<f64, Error> {
    let laws = ground.under.laws(&ground.score, mean)?;
    let units = ground.score.units();
    let averaged = laws.pool == Pool::Average;
    let nodes = laws.nodes.iter().take(if averaged { usize::MAX } else { 1 });
    let sum: f64 = nodes.map(|(weight, law)| if averaged { *weight } else { 1.0 } * law.variance()).sum();
    Ok(sum / (units * units))
}

fn se_over_mean(way: &Way, ground: &Ground, mean: Mean) -> Result<f64, Error> {
    match way.lines.rows() {
        [only] => Ok(libm::sqrt(variance(ground, mean)? / f64::from(only.at)) / mean.get()),
        _ => Ok(plain_mean(&way.lines, &ground.score, &ground.under, mean)?.se_over_mean),
    }
}

/// Steps away from a threshold at which wrong calls are looked at: each a factor of 2^¼ of the mean, or of its odds.
const STEPS_AWAY: i32 = 12;

fn risks(way: &Way, ground: &Ground, under: &Dispersion, watch: &dyn Watch) -> Result<Risked, Error> {
    let makes = |call: Call| way.lines.calls().contains(&call);
    let shares = ground.under.of_shares();
    let mut worst = None;
    let mut side = |mean: Mean, direction: f64, call: Call| -> Result<Option<f64>, Error> {
        if !makes(Call::Adequate) && !makes(Call::Inadequate) {
            return Ok(None);
        }
        let away = |i: i32| libm::exp2(0.25 * f64::from(i) * direction) * to_odds(mean, shares);
        let further = (1..=STEPS_AWAY).map_while(|i| from_odds(away(i), shares).ok());
        let means: Vec<Mean> = std::iter::once(mean).chain(further).collect();
        let rows = evaluate_lines(&way.lines, &ground.score, under, &means, watch)?.rows;
        let largest = rows.iter().map(|row| row.p(call)).fold(0.0, f64::max);
        worst = Some(largest.max(worst.unwrap_or(0.0)));
        Ok(rows.first().map(|row| row.p(call)))
    };
    let false_adequate = side(ground.thresholds.inadequate(), -1.0, Call::Adequate)?;
    let false_inadequate = side(ground.thresholds.adequate(), 1.0, Call::Inadequate)?;
    Ok(Risked { false_adequate, false_inadequate, worst })
}
