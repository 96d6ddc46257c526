//! The check of k over the walks of a season: what one field is too short to show, many may.
//!
//! Where a plan stopped a walk, its pairs have a law free of the mean: that of all orders of counts that stay open
//! until then and stop there. Over walks the pairs add, so that their laws are folded; P(pairs ≥ those counted) is then
//! exact for the whole season, whatever the means of the fields.

use super::pairs::{Pairs, Recursion, open, pairs_of};
use super::{CheckOfK, FALSE_ALARMS, MOST_WORK, too_much};
use crate::dispersion::{Chance, Counter};
use crate::error::{Code, Error};
use crate::params::{K, Mean};
use crate::score::Total;
use crate::watch::{Watch, tell};
use serde::Serialize;
use statrs::function::gamma::checked_gamma_ur;
use std::collections::BTreeMap;

/// Simulated seasons behind a power, and where their random numbers begin.
const SEASONS: u32 = 2000;
const SEED: u64 = 1;

/// What the walks of a season say of the plan's k together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Season {
    /// Walks of at least two sites whose totals are followed, up to their stops.
    pub walks: usize,
    /// Walks that could not be used: shorter, or with a larger total.
    pub left_out: usize,
    /// Chance of counts at least so clumped in such walks at the plan's k; 1 without walks.
    pub p: f64,
    /// Pairs counted, and expected at the plan's k.
    pub pairs: usize,
    /// Pairs expected at the plan's k.
    pub expected: f64,
}

/// What walks under the plan of a check say together; the counts of each in the order walked, those after a stop left out.
///
/// # Errors
/// `too_much_work`; `interrupted`.
pub fn season(check: &CheckOfK, walks: &[impl AsRef<[Total]>], watch: &dyn Watch) -> Result<Season, Error> {
    let ends: Vec<Option<(u32, usize, usize)>> = walks.iter().map(|walk| end(check, walk.as_ref())).collect();
    let used: Vec<(u32, usize, usize)> = ends.iter().flatten().copied().collect();
    let laws = Laws::of(check, check.k, used.iter().map(|&(at, total, _)| (at, total)))?;
    let pairs = used.iter().map(|used| used.2).sum();
    let stops: Vec<(u32, usize)> = used.iter().map(|&(at, total, _)| (at, total)).collect();
    let (p, expected) = laws.at_least(&stops, pairs, watch)?;
    Ok(Season { walks: used.len(), left_out: walks.len() - used.len(), p, pairs, expected })
}

/// Where a walk ended or stands: sites, total, pairs.
fn end(check: &CheckOfK, walk: &[Total]) -> Option<(u32, usize, usize)> {
    let (mut total, mut pairs) = (0, 0);
    let mut at = 0;
    for &x in walk {
        let count = usize::try_from(x).ok()?;
        at += 1;
        (total, pairs) = (total + count, pairs + pairs_of(count));
        if total > check.most {
            return None;
        }
        if !open(&check.lines, at, total) {
            break;
        }
    }
    (at >= 2).then_some((at, total, pairs))
}

/// Laws of pairs at the ends of walks.
struct Laws(BTreeMap<(u32, usize), Pairs>);

impl Laws {
    fn of(check: &CheckOfK, k: Option<K>, ends: impl Iterator<Item = (u32, usize)>) -> Result<Self, Error> {
        let mut wanted: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        ends.for_each(|(at, total)| wanted.entry(at).or_default().push(total));
        let mut recursion = Recursion::new(check.last(k), check.most).closely();
        let mut laws = BTreeMap::new();
        for at in 1..=wanted.keys().next_back().copied().unwrap_or(0) {
            recursion.step();
            if recursion.work > MOST_WORK {
                return Err(too_much(check.most, at));
            }
            for &total in wanted.get(&at).into_iter().flatten() {
                if let Some(Some(law)) = recursion.here.get(total) {
                    let all = law.all();
                    let p = law.p.iter().map(|p| p / all).collect();
                    laws.insert((at, total), Pairs { first: law.first, p, beyond: law.beyond / all });
                }
            }
            for (total, place) in recursion.here.iter_mut().enumerate() {
                if !open(&check.lines, at, total) {
                    *place = None;
                }
            }
        }
        Ok(Self(laws))
    }

    /// P(pairs of such walks together ≥ `pairs`), and their mean.
    fn at_least(&self, ends: &[(u32, usize)], pairs: usize, watch: &dyn Watch) -> Result<(f64, f64), Error> {
        let mut sum = Pairs { first: 0, p: vec![1.0], beyond: 0.0 };
        let (mut expected, mut work) = (0.0, 0.0);
        for (i, law) in ends.iter().filter_map(|end| self.0.get(end)).enumerate() {
            tell(watch, i as u64, ends.len() as u64)?;
            expected += (law.first..).zip(&law.p).map(|(pairs, p)| pairs as f64 * p).sum::<f64>();
            // More pairs than were counted need not be told apart.
            let first = sum.first + law.first;
            let room = (sum.p.len() + law.p.len()).min((pairs + 1).saturating_sub(first));
            let mut to = Pairs { first, p: vec![0.0; room], beyond: 0.0 };
            for (i, a) in sum.p.iter().enumerate() {
                to.p.iter_mut().skip(i).zip(&law.p).for_each(|(to, b)| *to += a * b);
            }
            to.beyond = (1.0 - to.p.iter().sum::<f64>()).max(0.0);
            work += sum.p.len() as f64 * law.p.len() as f64;
            if work > 10.0 * MOST_WORK {
                let value = format!("{} walks with {pairs} pairs", ends.len());
                return Err(Error::new(Code::TooMuchWork, "check of k over walks", value, "fewer walks at a time"));
            }
            sum = to;
        }
        Ok((sum.at_least(pairs).min(1.0), expected))
    }
}

/// How often a season of fields is noticed together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SeasonPower {
    /// Fields walked, all with this mean and k.
    pub fields: u32,
    /// True mean per site.
    pub mean: f64,
    /// True k.
    pub k: f64,
    /// How often the chance of so many pairs is at most .05.
    pub noticed: f64,
    /// Its Monte-Carlo standard error.
    pub se: f64,
}

/// How often so many fields with this mean and k are noticed together: simulated (2000 seasons, seeded), chances by three
/// cumulants.
///
/// # Errors
/// `too_much_work`; `out_of_range`.
pub fn season_power(check: &CheckOfK, fields: u32, mean: Mean, k: K) -> Result<SeasonPower, Error> {
    let counter =
        Counter::new(mean.get(), k.get()).map_err(|why| Error::about(Code::OutOfRange, "mean", why.to_string()))?;
    let mut chance = Chance::new(SEED, 0);
    let cap = check.lines.cap();
    let mut walk = || end(check, &(0..cap).map(|_| counter.draw(&mut chance).into()).collect::<Vec<_>>());
    let seasons: Vec<Vec<_>> = (0..SEASONS).map(|_| (0..fields).filter_map(|_| walk()).collect()).collect();
    let laws = Laws::of(check, check.k, seasons.iter().flatten().map(|&(at, total, _)| (at, total)))?;
    let cumulants: BTreeMap<_, _> = laws.0.iter().map(|(end, law)| (*end, cumulants(law))).collect();
    let noticed = seasons.iter().filter(|season| {
        let mut sums = [0.0; 3];
        for law in season.iter().filter_map(|&(at, total, _)| cumulants.get(&(at, total))) {
            sums.iter_mut().zip(law).for_each(|(sum, part)| *sum += part);
        }
        let pairs: usize = season.iter().map(|end| end.2).sum();
        above(sums, pairs as f64 - 0.5) <= FALSE_ALARMS
    });
    let noticed = noticed.count() as f64 / f64::from(SEASONS);
    let se = libm::sqrt(noticed * (1.0 - noticed) / f64::from(SEASONS));
    Ok(SeasonPower { fields, mean: mean.get(), k: k.get(), noticed, se })
}

/// Mean, variance and third central moment.
fn cumulants(law: &Pairs) -> [f64; 3] {
    let sum = |of: &dyn Fn(f64) -> f64| (law.first..).zip(&law.p).map(|(pairs, p)| p * of(pairs as f64)).sum::<f64>();
    let mean = sum(&|x| x);
    [mean, sum(&|x| (x - mean) * (x - mean)), sum(&|x| (x - mean) * (x - mean) * (x - mean))]
}

/// P(more than x) of the shifted gamma law with these cumulants.
fn above([mean, variance, third]: [f64; 3], x: f64) -> f64 {
    if variance <= 0.0 {
        return 1.0;
    }
    let z = (x - mean) / libm::sqrt(variance);
    let skewness = third / (variance * libm::sqrt(variance));
    if skewness < 1e-3 {
        return crate::special::normal_above(z);
    }
    let shape = 4.0 / (skewness * skewness);
    let at = shape + libm::sqrt(shape) * z;
    if at <= 0.0 { 1.0 } else { checked_gamma_ur(shape, at).unwrap_or(1.0) }
}
