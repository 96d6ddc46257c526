//! What is still to come: sites likely needed, the chance of each call, and what each line would take.
//!
//! From where the walk stands, the plan's remaining checks are evaluated exactly: at the thresholds, and
//! averaged over the means that the counts so far leave likely (the mixture of the any-time interval; for a negative
//! binomial the future totals are then beta-negative-binomial). It is a forecast for planning the day, not a call.

use super::State;
use crate::error::Error;
use crate::estimate::likely_means;
use crate::evaluate::{CurveRow, evaluate_lines};
use crate::lines::{Call, Column};
use crate::params::Mean;
use crate::plan::{Aim, Plan};
use crate::score::Total;
use crate::watch::Quiet;
use serde::ser::{Serialize, SerializeMap, Serializer};

/// What is still to come.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct WhatNext {
    /// As the counts so far make likely.
    pub likely: Forecast,
    /// If the true mean were at a threshold.
    pub at: Vec<Forecast>,
    /// For each line of the next check, how much the total must still grow to meet it; at most, for an
    /// inadequate line (negative: it cannot be met there).
    pub needed: Vec<Needed>,
}

/// A forecast at one true mean, or over likely ones.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// The true mean; none where likely ones are averaged.
    pub mean: Option<f64>,
    /// Sites still needed, on average.
    pub sites: f64,
    /// The chance of each call that the plan can make.
    pub calls: Vec<(Call, f64)>,
}

/// What a line of the next check takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Needed {
    /// Which line.
    pub line: Column,
    /// What the sites up to the check must add at least, or at most.
    pub total: Total,
}

impl Serialize for Forecast {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("mean", &self.mean)?;
        map.serialize_entry("sites", &self.sites)?;
        for (call, p) in &self.calls {
            map.serialize_entry(call.as_str(), p)?;
        }
        map.end()
    }
}

impl Serialize for Needed {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(2))?;
        map.serialize_entry("line", self.line.as_str())?;
        map.serialize_entry("total", &self.total)?;
        map.end()
    }
}

/// What is still to come on a walk that goes on; `None` where it is over or no site was counted.
///
/// # Errors
/// `too_much_work`.
pub(super) fn what_next(plan: &Plan, state: &State, steps: &[Total]) -> Result<Option<WhatNext>, Error> {
    if state.ended_by.is_some() || state.sites == 0 {
        return Ok(None);
    }
    let Some(lines) = plan.lines().after(state.sites, state.total) else { return Ok(None) };
    let design = plan.asked();
    let curve = |means: &[Mean]| evaluate_lines(&lines, &design.score, &design.dispersion, means, &Quiet);
    let calls = plan.lines().calls();
    let forecast = |mean: Option<f64>, rows: &[(f64, &CurveRow)]| {
        let sum = |of: &dyn Fn(&CurveRow) -> f64| rows.iter().map(|(w, row)| w * of(row)).sum();
        let calls = calls.iter().map(|&call| (call, sum(&|row| row.p(call)))).collect();
        Forecast { mean, sites: sum(&|row| row.expected_sites), calls }
    };
    let (weights, means): (Vec<f64>, Vec<Mean>) = likely_means(plan, steps)?.into_iter().unzip();
    if means.is_empty() {
        return Ok(None); // no mixture for such a law
    }
    let likely = curve(&means)?;
    let likely = forecast(None, &weights.into_iter().zip(&likely.rows).collect::<Vec<_>>());
    let thresholds = thresholds(&design.aim);
    let at = curve(&thresholds)?;
    let at = at.rows.iter().map(|row| forecast(Some(row.mean), &[(1.0, row)])).collect();
    let next = plan.lines().next_check(state.sites);
    let needed =
        design.aim.columns().iter().filter_map(|&line| Some(Needed { line, total: line.of(next?)? - state.total }));
    Ok(Some(WhatNext { likely, at, needed: needed.collect() }))
}

/// The means that a plan tells apart.
fn thresholds(aim: &Aim) -> Vec<Mean> {
    match aim {
        Aim::TwoCalls { thresholds: Some(t), .. } => vec![t.inadequate(), t.adequate()],
        Aim::ThreeCalls { lower, upper } => {
            [lower, upper].iter().flat_map(|pair| [pair.thresholds.inadequate(), pair.thresholds.adequate()]).collect()
        }
        Aim::Interval { critical, .. } => vec![*critical],
        Aim::TwoCalls { thresholds: None, .. } | Aim::Precision { .. } => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Entry, Walk};
    use crate::plan::{Aim, Checks, Closing, Design, Method, Plan};
    use crate::{Call, Dispersion, K, Mean, Plants, Quiet, Risk, Risks, Score, Site, Thresholds, Verdict};
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};
    use std::sync::Arc;

    fn plan() -> Arc<Plan> {
        plan_of(Score::Count)
    }

    fn plan_of(score: Score) -> Arc<Plan> {
        let risk = Risk::new(0.1).unwrap();
        let thresholds = Thresholds::new(Mean::new(1.5).unwrap(), Mean::new(3.0).unwrap()).unwrap();
        let design = Design {
            score,
            plants: Plants::ONE,
            dispersion: Dispersion::ConstantK { k: K::new(2.0).unwrap() },
            aim: Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(Risks::new(risk, risk).unwrap()) },
            checks: Checks::every(1, 20, 1).unwrap(),
            closing: Closing::Call,
        };
        Arc::new(Plan::design(design, Method::Calibrated, &Quiet).unwrap())
    }

    /// The future by Pólya's urn: after n sites and total T, with p ~ Beta(½ + nk, ½ + T), each site is drawn
    /// from a negative binomial with its own draw of p kept for the whole walk.
    #[test]
    fn the_forecast_is_that_of_drawn_futures() {
        let plan = plan();
        let mut walk = Walk::new(Arc::clone(&plan));
        for count in [2, 3, 1] {
            walk.push(Entry::Site(Site::of(count))).unwrap();
        }
        let next = walk.decision().what_next.unwrap();
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let mut unit = || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        // Beta(6½, 6½) and gamma draws by sums of exponentials and a squared normal's half.
        let gamma = |halves: u32, unit: &mut dyn FnMut() -> f64| {
            let normal = (-2.0 * unit().ln()).sqrt() * (std::f64::consts::TAU * unit()).cos();
            let whole: f64 = (0..halves / 2).map(|_| -unit().ln()).sum();
            whole + if halves % 2 == 1 { 0.5 * normal * normal } else { 0.0 }
        };
        let (walks, mut sites, mut adequate) = (40_000, 0.0, 0.0);
        for _ in 0..walks {
            let (a, b) = (gamma(13, &mut unit), gamma(13, &mut unit));
            let m = 2.0 * b / a; // p = a/(a+b) = k/(k+m)
            let (mut n, mut total) = (3, 6);
            loop {
                let mean = m * gamma(4, &mut unit) / 2.0;
                let mut left = mean;
                let mut count = 0;
                loop {
                    left += unit().ln();
                    if left < 0.0 {
                        break;
                    }
                    count += 1;
                }
                n += 1;
                total += count;
                if let Verdict::Stop(call) = plan.lines().verdict(n, total) {
                    sites += f64::from(n - 3);
                    adequate += f64::from(u8::from(call == Call::Adequate));
                    break;
                }
            }
        }
        let (sites, adequate) = (sites / f64::from(walks), adequate / f64::from(walks));
        let p = next.likely.calls.iter().find(|(call, _)| *call == Call::Adequate).unwrap().1;
        assert!((p - adequate).abs() < 4.0 * 0.5 / f64::from(walks).sqrt(), "{p} {adequate}");
        assert!((next.likely.sites - sites).abs() < 0.15, "{} {sites}", next.likely.sites);
        // At the adequate threshold an adequate call is likelier than at the inadequate one.
        assert!(next.at[1].calls[1].1 > next.at[0].calls[1].1);
        assert_eq!(next.needed.len(), 2);
    }

    /// Sites counted to a most that they rarely reach are forecast as sites counted in full.
    #[test]
    fn capped_counts_have_a_forecast() {
        let told = |score: Score| {
            let mut walk = Walk::new(plan_of(score));
            for count in [2, 3, 1] {
                walk.push(Entry::Site(Site::of(count))).unwrap();
            }
            walk.decision()
        };
        let (capped, full) = (told(Score::capped(40).unwrap()), told(Score::Count));
        let (a, b) = (capped.what_next.unwrap(), full.what_next.unwrap());
        let adequate = |next: &super::WhatNext| next.likely.calls.iter().find(|c| c.0 == Call::Adequate).unwrap().1;
        assert!(
            (adequate(&a) - adequate(&b)).abs() < 0.02 && (a.likely.sites - b.likely.sites).abs() < 0.2,
            "{a:?} {b:?}"
        );
        let (a, b) = (capped.any_time.unwrap(), full.any_time.unwrap());
        assert!(
            (a.low / b.low - 1.0).abs() < 0.1 && (a.high.unwrap() / b.high.unwrap() - 1.0).abs() < 0.1,
            "{a:?} {b:?}"
        );
        assert!((a.bet.unwrap().value / b.bet.unwrap().value - 1.0).abs() < 1e-9);
    }
}
