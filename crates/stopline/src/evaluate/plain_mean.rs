//! What becomes of the plain mean, total over sites, when a plan decides how many sites there are.
//!
//! Exactly, over every way to stop: E(T/n) and its standard deviation. A walk that stops because its total
//! is high is caught where the mean looks high, so the plain mean is biased (Girshick, Mosteller & Savage
//! 1946, Ann. Math. Stat. 17:13–23).

use super::exits;
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::law::Pool;
use crate::lines::Lines;
use crate::params::Mean;
use crate::score::Score;

/// Probability of the far upper end that is left out of the sums.
const LEFT_OFF: f64 = 1e-13;

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
    let mut sums = [0.0; 3];
    for (weight, law) in &laws.nodes {
        for exit in exits(lines, law, LEFT_OFF)?.list {
            #[allow(clippy::cast_precision_loss)] // totals stay below 2⁵³
            let plain = exit.total as f64 / (f64::from(exit.at) * score.units());
            let p = weight * exit.p;
            for (sum, term) in sums.iter_mut().zip([p, p * plain, p * plain * plain]) {
                *sum += term;
            }
        }
        if laws.pool == Pool::Worst {
            break; // of an interval of k, the best single value
        }
    }
    let [all, first, second] = sums;
    if all <= 0.0 {
        return Err(Error::new(Code::TooMuchWork, "ways to stop at mean", mean.get(), "some that can be listed"));
    }
    let m = mean.get();
    let expected = first / all;
    let variance = (second / all - expected * expected).max(0.0);
    Ok(PlainMean { mean: m, se_over_mean: libm::sqrt(variance) / m, bias_over_mean: (expected - m) / m })
}
