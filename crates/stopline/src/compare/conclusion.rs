//! What a comparison comes to, in sentences, each with its condition.

use super::way::{Risked, WayCompared};
use super::{Ground, PRECISIONS, estimates_mean, way};
use crate::card::times;
use crate::error::Error;
use crate::params::{Mean, Plants, Risk, Risks};
use crate::plan::{Aim, Checks, Closing, Design, Fixed, fewest_fixed_sites};
use crate::watch::{Watch, tell};

pub(super) fn conclusion(ground: &Ground, ways: &[WayCompared], watch: &dyn Watch) -> Result<Vec<String>, Error> {
    let mut said = Vec::new();
    for plan in ways.iter().filter(|way| way.plan.is_some()) {
        tell(watch, 0, 1)?;
        said.extend(of_plan(ground, plan)?);
    }
    said.extend(of_fixed(ways));
    said.extend(of_clumped(ground, ways));
    said.extend(of_precision(ground)?);
    said.push(conditions(ground));
    Ok(said)
}

/// A plan beside the fixed number of sites that has its risks.
fn of_plan(ground: &Ground, way: &WayCompared) -> Result<Option<String>, Error> {
    let Risked { false_adequate: Some(a), false_inadequate: Some(b), .. } = way.risks else { return Ok(None) };
    let name = &way.name;
    let takes = match &way.season {
        Some(season) => format!("{:.1} sites on average in a season like yours", season.expected_sites),
        None => {
            let sites = way.at.iter().map(|at| at.row.expected_sites);
            let (least, most) = sites.fold((f64::MAX, 0.0_f64), |(l, m), x| (l.min(x), m.max(x)));
            format!("{least:.1} to {most:.1} sites on average over the means compared")
        }
    };
    let never = format!("never more than {}", way.max_sites);
    let calls = format!("A low field is called adequate {}, a high field inadequate {}.", times(a), times(b));
    Ok(Some(match same_risks(ground, a, b)? {
        Some(fixed) => {
            let sites = fixed.sites;
            format!("At the same risks {name} takes {takes}, {never}; a fixed walk always takes {sites}. {calls}")
        }
        None => format!("{name} takes {takes}, {never}. {calls}"),
    }))
}

/// The fewest fixed sites whose risks are no larger.
fn same_risks(ground: &Ground, a: f64, b: f64) -> Result<Option<Fixed>, Error> {
    // A risk of 0, as of a plan that never makes a call, is no fixed walk's.
    let (Ok(a), Ok(b)) = (Risk::new(a), Risk::new(b)) else { return Ok(None) };
    let Ok(risks) = Risks::new(a, b) else { return Ok(None) };
    fewest_fixed_sites(&Design {
        score: ground.score.clone(),
        plants: Plants::ONE,
        dispersion: ground.under,
        aim: Aim::TwoCalls { thresholds: Some(ground.thresholds), risks: Some(risks) },
        checks: Checks::at(vec![1])?,
        closing: Closing::Call,
    })
}

/// What the fewest of the fixed numbers costs against the most.
fn of_fixed(ways: &[WayCompared]) -> Option<String> {
    let fixed = || ways.iter().filter(|way| way.plan.is_none());
    let least = fixed().min_by_key(|way| way.max_sites)?;
    let most = fixed().max_by_key(|way| way.max_sites).filter(|most| most.max_sites > least.max_sites)?;
    let risks = |way: &WayCompared| {
        let p = |p: Option<f64>| in_100(p.unwrap_or(0.0));
        format!("{} and {}", p(way.risks.false_adequate), p(way.risks.false_inadequate))
    };
    Some(format!(
        "{} instead of {} makes wrong calls in {} of 100 low and high fields instead of {}.",
        capital(&least.name),
        most.max_sites,
        risks(least),
        risks(most)
    ))
}

fn of_clumped(ground: &Ground, ways: &[WayCompared]) -> Option<String> {
    let (name, _) = ground.clumped.as_ref()?;
    let of = |way: &WayCompared| {
        let risks = way.risks_clumped?;
        let p = |p: Option<f64>| p.map(in_100);
        Some(format!("{}: {} and {}", way.name, p(risks.false_adequate)?, p(risks.false_inadequate)?))
    };
    let all: Vec<String> = ways.iter().filter_map(of).collect();
    (!all.is_empty()).then(|| {
        format!("If fields are as clumped as {name}, wrong calls in 100 low and high fields are, {}.", all.join("; "))
    })
}

/// What known precision takes at the middle of the thresholds.
fn of_precision(ground: &Ground) -> Result<Option<String>, Error> {
    if !estimates_mean(ground) {
        return Ok(None);
    }
    let (low, high) = (ground.thresholds.inadequate().get(), ground.thresholds.adequate().get());
    let middle = Mean::new(0.5 * (low + high))?;
    let variance = way::variance(ground, middle)?;
    let sites = PRECISIONS.map(|d| libm::ceil(variance / (middle.get() * d * middle.get() * d) - 1e-9));
    let [pests, research] = sites;
    Ok(Some(format!(
        "To know a mean of {} with a standard error of a quarter of it, as is usual for pest management, takes {pests} \
         sites; of a tenth, for research, {research}. To call a field takes less where it is far from the thresholds.",
        short(middle.get())
    )))
}

fn conditions(ground: &Ground) -> String {
    let unit = if ground.under.of_shares() { "of all units" } else { "per site" };
    let clumping = match ground.under.constant_k() {
        Some(k) => format!("clumping k {}", short(k.get())),
        None => format!("{} counts", ground.under.name()),
    };
    format!(
        "All this holds for thresholds {} and {} {unit}, {clumping}, and sites that are independent: where k is smaller \
         or neighbouring sites are alike, wrong calls are more.",
        short(ground.thresholds.inadequate().get()),
        short(ground.thresholds.adequate().get())
    )
}

/// A probability as a number of times in 100, rounded up.
fn in_100(p: f64) -> String {
    format!("{:.1}", libm::ceil(p * 1000.0 - 1e-9) / 10.0 + 0.0)
}

/// A number with up to three decimals.
fn short(x: f64) -> String {
    let text = format!("{x:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn capital(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
