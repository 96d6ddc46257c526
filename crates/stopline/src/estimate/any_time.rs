//! What a walk tells at any time: intervals and evidence that stay valid whenever one looks, however often,
//! and for whatever reason the counting ends.
//!
//! A mixture of likelihoods over the likelihood of a mean m is a martingale where m is true, and exceeds 1/α
//! at any time with probability at most α (Ville 1939; Robbins 1970, Ann. Math. Stat. 41:1397–1409; Howard,
//! Ramdas, McAuliffe & Sekhon 2021, Ann. Statist. 49:1055–1080, doi:10.1214/20-AOS1991). Negative binomial:
//! with p = k/(k+m) mixed by Beta(½, ½),
//! M = B(½+nk, ½+T)/B(½, ½) · (1 + m/k)^(nk) · ((k+m)/m)^T. Poisson: m mixed by Gamma(½) around the middle of
//! the plan's thresholds. Shares: p mixed by Beta(½, ½).
//! Counts to a most: the likelihoods of the counts themselves, mixed over means ([`capped`]).
//! One-sided evidence restricts the mixture to the other side of a threshold. It speaks against all means of its side where
//! E[sˣ] is largest at the threshold: of power-law variance a·mᵇ against small means where b ≥ 1 (s > 1), against large ones
//! where b ≤ 2 (s < 1; beyond, large means hold more empty sites); else it is left out.
//!
//! All of it holds for the clumping assumed; where the true k is smaller it breaks. [`Bet`] does not assume
//! any law: Π[1 + λ(Xᵢ − m₀)] is as safe where each site's mean, given those before, is at most m₀.

mod capped;

use self::capped::Capped;
use super::scale::{ENDS, Scale};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::law::{Law, Pool};
use crate::params::{Level, Mean};
use crate::plan::{Aim, Plan};
use crate::root::root;
use crate::score::{Score, Total};
use crate::special::{ln_beta, ln_gamma};
use serde::Serialize;
use statrs::function::{
    beta::checked_beta_reg,
    gamma::{checked_gamma_lr, checked_gamma_ur},
};

/// Of laws with a spread of k, as many as lie within 1.64 standard deviations.
const CENTRAL: usize = 4;

/// What the counts so far tell, at any time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AnyTime {
    /// Sites counted, those after a stop too.
    pub sites: u32,
    /// Total over them.
    pub total: Total,
    /// The interval holds the true mean at all times at once at least so often.
    pub level: f64,
    /// Lower limit of the mean.
    pub low: f64,
    /// Upper limit; none where there is none.
    pub high: Option<f64>,
    /// Evidence about the plan's thresholds.
    pub evidence: Vec<Evidence>,
    /// Evidence for enough enemies that assumes no law of counts.
    pub bet: Option<Bet>,
    /// What it rests on.
    pub caution: String,
}

/// Evidence against all means on one side of a threshold.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Evidence {
    /// `at_most` or `at_least` the threshold.
    pub against: &'static str,
    /// The threshold.
    pub mean: f64,
    /// If such a mean were true, this value or more would be reached, at any time, at most once in `value` walks.
    pub value: f64,
    /// The same in words.
    pub reading: String,
}

/// A bet against a mean of at most `mean`, whatever the law of counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bet {
    /// The mean bet against.
    pub mean: f64,
    /// λ: fixed by the plan, best where the mean is adequate.
    pub stake: f64,
    /// Π[1 + λ(Xᵢ − m₀)].
    pub value: f64,
    /// The same in words.
    pub reading: String,
}

/// The law of counts at one k, mixed over means. `Shares`: `units` are all units of a site.
#[derive(Debug, Clone, Copy)]
enum Mixture {
    NegBin { k: f64 },
    Poisson { rate: f64 },
    Shares { units: f64 },
}

const HALF: f64 = 0.5;

impl Mixture {
    fn of(law: &Law, middle: f64) -> Option<Self> {
        match law {
            Law::NegBin { k, .. } => Some(Self::NegBin { k: k.get() }),
            Law::Poisson { .. } => Some(Self::Poisson { rate: HALF / middle }),
            Law::Binomial { units, .. } => Some(Self::Shares { units: f64::from(*units) }),
            Law::Table { .. } => None,
        }
    }

    /// ln M at the mean of a step.
    fn ln_value(self, step: f64, n: f64, total: f64) -> f64 {
        match self {
            Self::NegBin { k } => {
                let nk = n * k;
                // ln(m/(k+m)) by itself: near 0 for a large mean, far from it for a small one.
                let zero = if total == 0.0 { 0.0 } else { -total * libm::log(step / (k + step)) };
                ln_beta(HALF + nk, HALF + total) - ln_beta(HALF, HALF) + nk * libm::log1p(step / k) + zero
            }
            Self::Poisson { rate } => {
                let zero = if total == 0.0 { 0.0 } else { -total * libm::log(step) };
                ln_gamma(HALF + total) - ln_gamma(HALF) + HALF * libm::log(rate) - (HALF + total) * libm::log(rate + n)
                    + n * step
                    + zero
            }
            Self::Shares { units } => {
                let (p, all) = (step / units, n * units);
                let (rest, part) = (all - total, |count: f64, ln: f64| if count == 0.0 { 0.0 } else { -count * ln });
                ln_beta(HALF + total, HALF + rest) - ln_beta(HALF, HALF)
                    + part(total, libm::log(p))
                    + part(rest, libm::log1p(-p))
            }
        }
    }

    /// The weight of means above `step` (or below) after the counts over that before.
    fn side(self, step: f64, n: f64, total: f64, above: bool) -> f64 {
        let beta = |a: f64, b: f64, x: f64, low: bool| {
            // The upper part is the lower part of the mirrored law, without cancellation.
            let p = if low { checked_beta_reg(a, b, x) } else { checked_beta_reg(b, a, 1.0 - x) };
            p.unwrap_or(f64::NAN)
        };
        let at = |n: f64, total: f64| match self {
            // A large mean is a small p = k/(k+m).
            Self::NegBin { k } => beta(HALF + n * k, HALF + total, k / (k + step), above),
            Self::Poisson { rate } => {
                let x = (rate + n) * step;
                let p = if above { checked_gamma_ur(HALF + total, x) } else { checked_gamma_lr(HALF + total, x) };
                p.unwrap_or(f64::NAN)
            }
            Self::Shares { units } => beta(HALF + total, HALF + n * units - total, step / units, !above),
        };
        let part = at(n, total) / at(0.0, 0.0);
        // Of a threshold so far off that nothing of the mixture lies beyond it there is nothing to say.
        if part.is_finite() { part } else { 0.0 }
    }
}

/// Means with weights that add to 1: what the mixture holds likely after these steps, at the plan's best k.
pub(crate) fn likely_means(plan: &Plan, steps: &[Total]) -> Result<Vec<(f64, Mean)>, Error> {
    const STEP: f64 = 0.05;
    let design = plan.asked();
    let scale = Scale::of(&design.score, &design.dispersion);
    let (n, total) = (steps.len() as f64, steps.iter().sum::<Total>() as f64);
    let middle = middle(&ends(&design.aim));
    // ln of the density on the line: the prior's, times the likelihood.
    let density = |x: f64| {
        let law = |x: f64| scale.laws(x).and_then(|laws| laws.nodes.into_iter().next().map(|(_, law)| law));
        let (law, beyond) = (law(x)?, law(x + 1e-4)?);
        let prior = |law: &Law| match *law {
            Law::NegBin { mean, k } => Some((libm::log(mean.get() / k.get()), 1.0 / (1.0 + mean.get() / k.get()))),
            Law::Binomial { p, .. } => Some((libm::log(p.get() / (1.0 - p.get())), p.get())),
            Law::Poisson { mean } => Some((libm::log(mean.get()), f64::NAN)),
            Law::Table { .. } => None,
        };
        let ((at, p), (next, _)) = (prior(&law)?, prior(&beyond)?);
        let slope = libm::log(((next - at) / 1e-4).abs());
        let prior = match law {
            Law::Poisson { mean } => HALF * at - HALF / middle * mean.get(),
            _ => HALF * libm::log(p * (1.0 - p)),
        };
        Some((prior + slope - Mixture::of(&law, middle)?.ln_value(law.mean(), n, total), scale.mean(x)))
    };
    let points = (0..).map(|i| ENDS.0 + STEP * f64::from(i)).take_while(|&x| x < ENDS.1);
    let found: Vec<(f64, f64)> = match Capped::of(scale, middle, steps) {
        Some(capped) => capped.likely(),
        None => points.filter_map(density).collect(),
    };
    let found: Vec<(f64, f64)> = found.into_iter().filter(|(ln, _)| ln.is_finite()).collect();
    let top = found.iter().map(|&(ln, _)| ln).fold(f64::NEG_INFINITY, f64::max);
    let kept: Vec<(f64, f64)> =
        found.into_iter().map(|(ln, m)| (libm::exp(ln - top), m)).filter(|&(w, _)| w > 1e-9).collect();
    let all: f64 = kept.iter().map(|&(w, _)| w).sum();
    kept.into_iter().map(|(w, m)| Ok((w / all, Mean::new(m)?))).collect()
}

/// Geometric mean of the thresholds.
fn middle(ends: &[(bool, Mean)]) -> f64 {
    let sum: f64 = ends.iter().map(|(_, m)| libm::log(m.get())).sum();
    libm::exp(sum / (ends.len() as f64).max(1.0))
}

/// The laws that are looked at one by one at a point: every k of an interval; of a spread of k those in the middle.
fn nodes(scale: Scale<'_>, x: f64) -> Vec<Law> {
    let Some(laws) = scale.laws(x) else { return Vec::new() };
    let spread = laws.pool == Pool::Average && laws.nodes.len() > CENTRAL;
    laws.nodes.into_iter().map(|(_, law)| law).take(if spread { CENTRAL } else { usize::MAX }).collect()
}

/// What the steps of a walk tell at any time, at `level`; `None` before the first site.
///
/// # Errors
/// `combination` where score and dispersion do not fit.
///
/// ```
/// # use stopline::{Dispersion, K, Level, Mean, Plants, Quiet, Score, Thresholds, estimate::any_time};
/// # use stopline::plan::{Aim, Design, Plan, Table};
/// let table = Table::of(&[(15, Some(31), Some(32))])?;
/// let aim = Aim::TwoCalls { thresholds: Some(Thresholds::new(Mean::new(1.5)?, Mean::new(3.0)?)?), risks: None };
/// let design = Design { score: Score::Count, plants: Plants::ONE, dispersion: Dispersion::ConstantK { k: K::new(2.0)? },
///     aim, checks: table.checks, closing: table.closing };
/// let plan = Plan::given(design, table.lines, &Quiet)?;
/// let told = any_time(&plan, &[4, 0, 7, 3], Level::new(0.9)?)?.unwrap();
/// assert!(told.low < 3.5 && 3.5 < told.high.unwrap());
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn any_time(plan: &Plan, steps: &[Total], level: Level) -> Result<Option<AnyTime>, Error> {
    let design = plan.asked();
    let scale = Scale::of(&design.score, &design.dispersion);
    let Ok(sites) = u32::try_from(steps.len()) else { return Ok(None) };
    let total: Total = steps.iter().sum();
    if sites == 0 || total < 0 {
        return Ok(None);
    }
    let ends = ends(&design.aim);
    let middle = middle(&ends);
    let capped = Capped::of(scale, middle, steps);
    let counted = Counted { scale, n: f64::from(sites), total: total as f64, middle, capped };
    if counted.ln_values(scale.point_of_step((total as f64).max(HALF) / counted.n)?).is_empty() {
        return Ok(None); // no mixture for such a law
    }
    let (low, high) = counted.interval(1.0 - level.get())?;
    let holds = |above: bool| match design.dispersion {
        Dispersion::PowerLaw { b, .. } => {
            if above {
                b >= 1.0
            } else {
                b <= 2.0
            }
        }
        _ => true,
    };
    let evidence = ends
        .iter()
        .filter(|&&(above, _)| holds(above))
        .map(|&(above, mean)| counted.evidence(above, mean))
        .collect::<Result<_, _>>()?;
    let bet = match design.aim {
        Aim::TwoCalls { thresholds: Some(t), .. } => Some((t.inadequate(), t.adequate())),
        Aim::ThreeCalls { lower, .. } => Some((lower.thresholds.inadequate(), lower.thresholds.adequate())),
        _ => None,
    };
    let bet = bet.map(|(m0, m1)| self::bet(scale, m0, m1, steps)).transpose()?.flatten();
    let caution = caution(&design.dispersion);
    Ok(Some(AnyTime { sites, total, level: level.get(), low, high, evidence, bet, caution }))
}

/// The thresholds of an aim; `true` where evidence that the mean is above it is sought.
fn ends(aim: &Aim) -> Vec<(bool, Mean)> {
    match aim {
        Aim::TwoCalls { thresholds: Some(t), .. } => vec![(true, t.inadequate()), (false, t.adequate())],
        Aim::ThreeCalls { lower, upper } => [lower, upper]
            .iter()
            .flat_map(|pair| [(true, pair.thresholds.inadequate()), (false, pair.thresholds.adequate())])
            .collect(),
        Aim::Interval { critical, .. } => vec![(true, *critical), (false, *critical)],
        Aim::TwoCalls { thresholds: None, .. } | Aim::Precision { .. } => Vec::new(),
    }
}

/// What was counted, on the plan's scale.
struct Counted<'a> {
    scale: Scale<'a>,
    n: f64,
    total: f64,
    middle: f64,
    capped: Option<Capped>,
}

impl Counted<'_> {
    /// ln M at a point under each law.
    fn ln_values(&self, x: f64) -> Vec<f64> {
        let value = |(number, law): (usize, &Law)| match &self.capped {
            Some(capped) => capped.ln_value(number, law, |_| true),
            None => Some(Mixture::of(law, self.middle)?.ln_value(law.mean(), self.n, self.total)),
        };
        nodes(self.scale, x).iter().enumerate().filter_map(value).collect()
    }

    /// The means at which no law's M reaches 1/α: from, to.
    fn interval(&self, alpha: f64) -> Result<(f64, Option<f64>), Error> {
        let start = self.scale.point_of_step(self.total.max(HALF) / self.n)?;
        let bound = -libm::log(alpha);
        // The union over laws holds a mean as long as one law does. Beyond what the model tells apart
        // everything is certain, which is as good as refuted.
        let far = |x: f64| {
            let least = self.ln_values(x).into_iter().fold(f64::INFINITY, f64::min);
            Ok::<f64, Error>(least.min(1e300) - bound)
        };
        let end = |up: bool| -> Result<Option<f64>, Error> {
            let (mut inside, mut step) = (start, 0.2);
            loop {
                let x = (inside + if up { step } else { -step }).clamp(ENDS.0, ENDS.1);
                if far(x)? >= 0.0 {
                    let bracket = if up { (inside, x) } else { (x, inside) };
                    return Ok(Some(self.scale.mean(root("limit of the mean", bracket, 1e-12, far)?)));
                }
                if x <= ENDS.0 || x >= ENDS.1 {
                    return Ok(None);
                }
                inside = x;
                step *= 1.5;
            }
        };
        let low = if self.total == 0.0 { 0.0 } else { end(false)?.unwrap_or(0.0) };
        let share = self.scale.under.of_shares();
        Ok((low, end(true)?.or(share.then_some(1.0))))
    }

    /// Evidence that the mean is above a threshold, against all means up to it; or that it is below.
    fn evidence(&self, above: bool, mean: Mean) -> Result<Evidence, Error> {
        let laws = self.scale.under.laws(self.scale.score, mean)?;
        let spread = laws.pool == Pool::Average && laws.nodes.len() > CENTRAL;
        let mut value = f64::INFINITY;
        for (number, (_, law)) in laws.nodes.iter().take(if spread { CENTRAL } else { usize::MAX }).enumerate() {
            let ln_value = match (&self.capped, Mixture::of(law, self.middle)) {
                (Some(capped), _) => capped.ln_value(number, law, |m| (m > mean.get()) == above),
                (None, Some(mixture)) => {
                    let (step, n, total) = (law.mean(), self.n, self.total);
                    Some(mixture.ln_value(step, n, total) + libm::log(mixture.side(step, n, total, above)))
                }
                (None, None) => None,
            };
            value = ln_value.map_or(value, |ln| value.min(libm::exp(ln)));
        }
        let value = value.min(1e300);
        let m = mean.get();
        let against = if above { "at_most" } else { "at_least" };
        let side = if above { "or less" } else { "or more" };
        Ok(Evidence { against, mean: m, value, reading: reading(value, &format!("truly at {m} {side}")) })
    }
}

/// What a value says, with `field` as the kind of field it speaks against.
fn reading(value: f64, field: &str) -> String {
    if value < 2.0 {
        format!("No evidence against a field {field} ({value:.2}; 1 is none).")
    } else {
        let times = if value < 1e6 { format!("{:.0}", libm::floor(value)) } else { "a million or more".to_owned() };
        format!("A field {field} would look like this, at any time of looking, at most 1 time in {times}.")
    }
}

/// The bet that grows fastest at the adequate mean.
fn bet(scale: Scale<'_>, m0: Mean, m1: Mean, steps: &[Total]) -> Result<Option<Bet>, Error> {
    let step = |mean: Mean| -> Result<Option<Law>, Error> {
        Ok(scale.under.laws(scale.score, mean)?.nodes.into_iter().next().map(|(_, law)| law))
    };
    // What is bet against must hold however the counts are clumped. A capped count is no larger than the count; but how many
    // units are positive at one mean of counts depends on their clumping.
    let at = match scale.score {
        Score::Count | Score::Capped { .. } => m0.get(),
        Score::Positive { .. } if scale.under.of_shares() => m0.get() * scale.score.units(),
        Score::Positive { .. } => return Ok(None),
    };
    let Some(law) = step(m1)?.filter(|law| law.mean() > at) else { return Ok(None) };
    let stake = stake(at, &law)?;
    let ln: f64 = steps.iter().map(|&x| libm::log1p(stake * (x as f64 - at))).sum();
    let value = libm::exp(ln.min(690.0));
    let m = m0.get();
    let field = format!("whose sites have a mean of {m} or less, however they are clumped,");
    Ok(Some(Bet { mean: m, stake, value, reading: reading(value, &field) }))
}

/// λ in (0, 1/m₀) with the largest E ln(1 + λ(X − m₀)).
fn stake(m0: f64, law: &Law) -> Result<f64, Error> {
    let mut p = Vec::new();
    let mut len = 64;
    loop {
        law.batch(1, len, &mut p);
        if p.len() < len || p.iter().sum::<f64>() > 1.0 - 1e-12 || len > 1 << 20 {
            break;
        }
        len *= 2;
    }
    let slope = |stake: f64| {
        let gain = |(x, p): (usize, &f64)| p * (x as f64 - m0) / (1.0 + stake * (x as f64 - m0));
        Ok::<f64, Error>(p.iter().enumerate().map(gain).sum())
    };
    let most = (1.0 - 1e-9) / m0;
    // Where empty sites never happen at the adequate mean (1 site of 1e9), more is always better.
    if slope(most)? > 0.0 { Ok(most) } else { root("stake of the bet", (0.0, most), 1e-9 / m0, slope) }
}

fn caution(under: &Dispersion) -> String {
    let holds = match under {
        Dispersion::Poisson => "It holds for counts without clumping".to_owned(),
        Dispersion::ConstantK { k } => format!("It holds for k {}", k.get()),
        Dispersion::KInterval { low, high, .. } => format!("It holds for every k from {} to {}", low.get(), high.get()),
        Dispersion::KSpread { median, sd_log } => format!(
            "It holds for every k from {:.3} to {:.3}, nine fields in ten",
            median.get() * libm::exp(-1.64 * sd_log),
            median.get() * libm::exp(1.64 * sd_log)
        ),
        Dispersion::PowerLaw { .. } => "It holds for the power law of the plan".to_owned(),
        Dispersion::Binomial | Dispersion::Proportion { .. } => {
            return "It holds where units are positive independently.".to_owned();
        }
    };
    format!(
        "{holds}. Where enemies are more clumped than that, it is wrong more often than it says: with k 2 assumed and 0.5 true, three times as often. The bet does not depend on it."
    )
}

#[cfg(test)]
mod tests;
