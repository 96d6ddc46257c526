//! Lines by published formulas whose promise is nominal: around one critical mean, and to a precision.
//!
//! *Interval* (Iwao 1975, Res. Popul. Ecol. 16:281–288): the walk stops where the total leaves
//! n·c ± z·√(n·V(c)), c the critical mean, V the variance of one site there. The confidence is that of an
//! interval at a fixed number of sites; looking again and again, the plan errs more often.
//!
//! *Precision*: the walk stops where (SE/mean)² = V(m)/(n·m²) at m = T/n is at most D². For variance
//! m + m²/k that is T ≥ 1/(D² − 1/(k·n)), never while n ≤ 1/(k·D²) (Kuno 1969, Res. Popul. Ecol.
//! 11:127–136); for variance a·mᵇ, b < 2, T ≥ n·(D²·n/a)^(1/(b−2)) (Green 1970, Res. Popul. Ecol. 12:249–251).

use super::checks::Closing;
use super::design::Design;
use super::straight::{at_least, at_most};
use super::{Aim, Sides};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::evaluate::plain_mean;
use crate::law::{Law, Pool};
use crate::lines::{Call, Lines, Row};
use crate::params::{Level, Mean};
use crate::score::Score;
use crate::special::normal_within;
use crate::watch::{Watch, tell};

impl Design {
    /// Lines around a critical mean. A plan that closes by a call says inadequate at the cap where the
    /// mean counted is at most the critical one.
    pub(super) fn interval(&self, critical: Mean, confidence: Level, sides: Sides) -> Result<Lines, Error> {
        let laws = self.dispersion.laws(&self.score, critical)?;
        let confidence = confidence.get();
        let z = match sides {
            Sides::Two => normal_within(confidence),
            Sides::One if confidence > 0.5 => normal_within(2.0 * confidence - 1.0),
            Sides::One => {
                let allowed = "more than 0.5 for one side, and less than 1";
                return Err(Error::new(Code::OutOfRange, "confidence", confidence, allowed));
            }
        };
        // Mean and variance of a site at the critical mean: averaged over an uncertain k, at the best of an interval.
        let nodes =
            if laws.pool == Pool::Average { laws.nodes.as_slice() } else { laws.nodes.get(..1).unwrap_or_default() };
        let averaged = nodes.len() > 1;
        let weighed = |of: &dyn Fn(&Law) -> f64| -> f64 {
            nodes.iter().map(|(w, law)| if averaged { w * of(law) } else { of(law) }).sum()
        };
        let per_site = weighed(&Law::mean);
        let variance = weighed(&|law| law.variance() + (law.mean() - per_site) * (law.mean() - per_site));
        let cap = self.checks.cap();
        let row = |n: u32| {
            let sites = f64::from(n);
            let (middle, half) = (sites * per_site, z * libm::sqrt(sites * variance));
            if n == cap && self.closing == Closing::Call {
                let cut = at_most(middle).unwrap_or(0);
                return Row::two_calls(n, Some(cut), Some(cut + 1), None);
            }
            let open = (n == cap).then_some(Call::Undecided);
            Row::two_calls(n, at_most(middle - half), Some(at_least(middle + half)), open)
        };
        Lines::new(self.checks.sites().into_iter().map(row).collect())
    }

    /// The total from which a precision is reached. A plan that closes by a call says at the cap that
    /// enough was counted, whatever the precision.
    pub(super) fn precision(&self, se_over_mean: Level) -> Result<Lines, Error> {
        let asked = se_over_mean.get() * se_over_mean.get();
        let to_reach = |n: f64| -> Result<Option<f64>, Error> {
            match self.dispersion {
                Dispersion::PowerLaw { a, b } if self.score == Score::Count => {
                    if b >= 2.0 {
                        let allowed =
                            "less than 2: with a larger one more enemies need more sites, and no total is enough";
                        return Err(Error::new(Code::Combination, "b of a power law for a precision", b, allowed));
                    }
                    Ok(Some(n * libm::pow(asked * n / a, 1.0 / (b - 2.0))))
                }
                // Variance p(1 − p) of a unit: (1 − p)/p ≤ D²·units, T = units·p.
                Dispersion::Binomial => {
                    let units = n * self.score.units();
                    Ok(Some(units / (1.0 + asked * units)))
                }
                _ if matches!(self.score, Score::Capped { .. }) => {
                    let what = "score of a plan for a precision";
                    let allowed = "count or positive: the mean of full counts cannot be read off capped ones";
                    Err(Error::new(Code::Combination, what, self.score.as_str(), allowed))
                }
                _ if self.score != Score::Count => {
                    let allowed = "binomial for positive units: the precision is that of their share";
                    Err(Error::new(Code::Combination, "dispersion of a precision", self.dispersion.name(), allowed))
                }
                other => {
                    let per_clump = other.constant_k().map_or(0.0, |k| 1.0 / (k.get() * n));
                    Ok((asked > per_clump).then(|| 1.0 / (asked - per_clump)))
                }
            }
        };
        let cap = self.checks.cap();
        let row = |n: u32| {
            let total = to_reach(f64::from(n))?.filter(|t| *t < MOST_TOTAL).map(at_least);
            Ok(match (n == cap, self.closing) {
                (true, Closing::Call) => Row::enough(n, Some(0), Some(Call::Enough)),
                (true, Closing::Undecided) => Row::enough(n, total, Some(Call::Undecided)),
                (false, _) => Row::enough(n, total, None),
            })
        };
        Lines::new(self.checks.sites().into_iter().map(row).collect::<Result<_, Error>>()?)
    }
}

impl Design {
    /// The lines for the largest precision at most the asked one that truly keeps it over a range of means.
    pub(super) fn tuned_precision(&self, over: [Mean; 2], watch: &dyn Watch) -> Result<Lines, Error> {
        let Aim::Precision { se_over_mean } = self.aim else {
            return Err(Error::new(Code::Combination, "aim of a tuned plan", self.aim.as_str(), "precision"));
        };
        let means = means_over(over)?;
        let asked = se_over_mean.get();
        let keeps = |share: f64| -> Result<Option<Lines>, Error> {
            let lines = self.precision(Level::new(asked * share)?)?;
            for &mean in &means {
                tell(watch, 0, 1)?;
                if plain_mean(&lines, &self.score, &self.dispersion, mean)?.se_over_mean > asked {
                    return Ok(None);
                }
            }
            Ok(Some(lines))
        };
        let (mut kept, mut broken) = (SMALLEST, 1.0);
        if let Some(lines) = keeps(broken)? {
            return Ok(lines);
        }
        let Some(mut lines) = keeps(kept)? else {
            let cap = self.checks.cap();
            let allowed = "more: at the cap the precision is not reached at every mean of the range";
            return Err(Error::new(Code::NoPlan, "max_sites for a tuned plan", cap, allowed));
        };
        for _ in 0..HALVINGS {
            let middle = 0.5 * (kept + broken);
            match keeps(middle)? {
                Some(found) => (kept, lines) = (middle, found),
                None => broken = middle,
            }
        }
        Ok(lines)
    }
}

/// Means from the first to the second, evenly spaced in their logarithms.
pub(super) fn means_over([low, high]: [Mean; 2]) -> Result<Vec<Mean>, Error> {
    if low >= high {
        let allowed = format!("less than the highest mean, {}", high.get());
        return Err(Error::new(Code::Combination, "lowest mean of a range", low.get(), allowed));
    }
    let ratio = libm::log(high.get() / low.get()) / f64::from(MEANS - 1);
    (0..MEANS).map(|i| Mean::new((low.get() * libm::exp(ratio * f64::from(i))).min(high.get()))).collect()
}

/// Means at which a tuned plan keeps its precision.
const MEANS: u32 = 97;
/// The smallest part of the asked precision that is tried, and how often the distance to it is halved.
const SMALLEST: f64 = 0.5;
const HALVINGS: u32 = 12;
/// A total that no walk reaches is no line.
const MOST_TOTAL: f64 = 1e12;
