//! What becomes of the plain mean, total over sites, when a plan decides how many sites there are.
//!
//! Exactly, over every way to stop: E(T/n) and its standard deviation. A walk that stops because its total
//! is high is caught where the mean looks high, so the plain mean is biased (Girshick, Mosteller & Savage
//! 1946, Ann. Math. Stat. 17:13–23).

use super::forward::Workspace;
use super::windows::{Reach, Windows};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::law::{Law, Pool};
use crate::lines::{Lines, Row};
use crate::params::Mean;
use crate::score::Score;
use crate::watch::Quiet;

/// Bias and precision of the plain mean at one true mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlainMean {
    /// True mean per site.
    pub mean: f64,
    /// Standard deviation of the plain mean over the true one.
    pub se_over_mean: f64,
    /// Expected plain mean less the true one, over the true one.
    pub bias_over_mean: f64,
}

/// The plain mean of walks under `lines` at a true mean; of positive units, the plain share.
///
/// # Errors
/// `combination` where score and dispersion do not fit; `too_much_work`.
pub fn plain_mean(lines: &Lines, score: &Score, under: &Dispersion, mean: Mean) -> Result<PlainMean, Error> {
    let laws = under.laws(score, mean)?;
    // Of an interval of k, the best single value.
    let nodes = if laws.pool == Pool::Average { laws.nodes.len() } else { 1 };
    let (mut all, mut first, mut second) = (0.0, 0.0, 0.0);
    for (weight, law) in laws.nodes.iter().take(nodes) {
        let [one, two] = moments(lines, law)?;
        all += weight;
        first += weight * one / score.units();
        second += weight * two / (score.units() * score.units());
    }
    let m = mean.get();
    let expected = first / all;
    let variance = (second / all - expected * expected).max(0.0);
    Ok(PlainMean { mean: m, se_over_mean: libm::sqrt(variance) / m, bias_over_mean: (expected - m) / m })
}

/// E(T/n) and E(T²/n²) at the stop.
///
/// Nothing above the lines is summed: what leaves there is what came in, of which every moment is known,
/// less what stays and what leaves below.
fn moments(lines: &Lines, law: &Law) -> Result<[f64; 2], Error> {
    // A check that stops no walk is no check.
    let rows: Vec<Row> = lines.rows().iter().filter(|row| !row.stops.is_empty()).cloned().collect();
    let windows = Windows::of(&rows, Reach::of(law))?;
    let (mean, variance) = (law.mean(), law.variance());
    let (mut sums, mut before, mut open) = ([0.0; 2], 0.0, Moments { p: 1.0, t: 0.0, tt: 0.0 });
    Workspace::default().checks(&windows, law, &Quiet, |check| {
        let at = f64::from(check.window.at);
        let (step, spread) = ((at - before) * mean, (at - before) * variance);
        before = at;
        let came_in = Moments {
            p: open.p,
            t: open.t + open.p * step,
            tt: open.tt + 2.0 * open.t * step + open.p * (spread + step * step),
        };
        let scale = libm::exp2(f64::from(check.exponent));
        let (mut stayed, mut left) = (Moments::default(), Moments::default());
        for part in check.parts {
            let to = if part.call.is_none() { &mut stayed } else { &mut left };
            #[allow(clippy::cast_precision_loss)] // totals stay below 2⁵³
            let mut total = check.window.base as f64 + part.start as f64;
            for q in check.q.get(part.start..part.end).unwrap_or_default() {
                to.add(q * scale, total);
                total += 1.0;
            }
        }
        // Without an uppermost stop, what is above the window stays.
        open = if check.window.top.is_some() { stayed } else { came_in.less(left) };
        let left = came_in.less(open);
        for (sum, term) in sums.iter_mut().zip([left.t / at, left.tt / (at * at)]) {
            *sum += term;
        }
        Ok(())
    })?;
    Ok(sums)
}

/// Probability of some totals, and its products with the total and with the square of it.
#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    p: f64,
    t: f64,
    tt: f64,
}

impl Moments {
    fn add(&mut self, p: f64, total: f64) {
        self.p += p;
        self.t += p * total;
        self.tt += p * total * total;
    }

    fn less(self, other: Self) -> Self {
        Self { p: self.p - other.p, t: self.t - other.t, tt: self.tt - other.tt }
    }
}
