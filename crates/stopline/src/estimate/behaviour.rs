//! How estimates behave over all ways to stop, exactly: bias of the plain mean and of the unbiased one, and
//! how often intervals hold the true mean.

use super::Order;
use super::table::{EstimatedStop, table};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::evaluate::exits;
use crate::law::Pool;
use crate::lines::Lines;
use crate::params::{Level, Mean};
use crate::score::Score;
use crate::special::normal_within;
use crate::watch::Watch;

/// Probability that is left out of the sums.
const LEFT_OFF: f64 = 1e-13;

/// A stop and its probability.
type Way = ((u32, i64), f64);

/// What becomes of estimates at one true mean. Deviations are over the true mean.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Behaviour {
    /// True mean.
    pub mean: f64,
    /// Expected plain mean less the true one; none where some stop, all units being positive, has no mean.
    pub plain_bias: Option<f64>,
    /// How often plain mean ± z·(standard error for a fixed number of sites) holds the true mean; none
    /// where means are of counts but units are scored.
    pub plain_covers: Option<f64>,
    /// Expected estimate less the true mean; none as above.
    pub bias: Option<f64>,
    /// Standard deviation of the estimate; none as above.
    pub se: Option<f64>,
    /// How often the interval holds the true mean.
    pub covers: f64,
    /// How often the interval lies above the true mean.
    pub above: f64,
    /// How often the interval lies below the true mean.
    pub below: f64,
}

/// How the estimates and intervals (of `level`, stops in this order) that take `assumed` to be true behave where
/// `truth` is, at each mean.
///
/// # Errors
/// As [`super::estimates`].
pub fn behaviour(
    lines: &Lines,
    score: &Score,
    (assumed, truth): (&Dispersion, &Dispersion),
    means: &[Mean],
    (level, order): (Level, Order),
    watch: &dyn Watch,
) -> Result<Vec<Behaviour>, Error> {
    let mut ways: Vec<Vec<Way>> = Vec::new();
    for &mean in means {
        let laws = truth.laws(score, mean)?;
        let mut own = Vec::new();
        for (weight, law) in laws.nodes.iter().take(if laws.pool == Pool::Worst { 1 } else { usize::MAX }) {
            own.extend(exits(lines, law, LEFT_OFF)?.list.into_iter().map(|e| ((e.at, e.total), weight * e.p)));
        }
        ways.push(own);
    }
    let plain = |&((at, total), _): &Way| total as f64 / f64::from(at);
    let top = ways.iter().flatten().map(plain).fold(0.0, f64::max);
    let told = table(lines, score, assumed, top, (level, order), 0.0, watch)?;
    means.iter().zip(&ways).map(|(&mean, own)| Ok(one(&told, score, assumed, mean.get(), own, level))).collect()
}

fn one(told: &[EstimatedStop], score: &Score, assumed: &Dispersion, m: f64, ways: &[Way], level: Level) -> Behaviour {
    let z = normal_within(level.get());
    let counts = *score == Score::Count;
    let simple = counts || assumed.of_shares();
    let mut all = 0.0;
    let [mut plain, mut plain_covers, mut first, mut second, mut above, mut below] = [0.0; 6];
    for &((at, total), p) in ways {
        let Ok(i) = told.binary_search_by_key(&(at, total), |stop| (stop.at, stop.total)) else { continue };
        let Some(stop) = told.get(i) else { continue };
        all += p;
        let n = f64::from(at);
        let mean = total as f64 / (n * score.units());
        plain += p * stop.told.plain.unwrap_or(f64::INFINITY);
        let variance = Mean::new(mean).map_or(0.0, |m| assumed.variance(m));
        let se = libm::sqrt(variance / (n * score.units()));
        plain_covers += if (mean - m).abs() <= z * se { p } else { 0.0 };
        let estimate = stop.told.mean.unwrap_or(f64::INFINITY);
        first += p * estimate;
        second += p * estimate * estimate;
        above += if stop.told.low > m { p } else { 0.0 };
        below += if stop.told.high.is_some_and(|high| high < m) { p } else { 0.0 };
    }
    let [plain, plain_covers, first, second, above, below] =
        [plain, plain_covers, first, second, above, below].map(|sum| sum / all);
    let finite = |x: f64| x.is_finite().then_some(x);
    Behaviour {
        mean: m,
        plain_bias: finite(plain / m - 1.0),
        plain_covers: simple.then_some(plain_covers),
        bias: finite(first / m - 1.0),
        se: finite(libm::sqrt((second - first * first).max(0.0)) / m),
        covers: 1.0 - above - below,
        above,
        below,
    }
}
