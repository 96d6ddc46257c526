//! The mean of a field after a plan stopped its walk: an unbiased estimate and exact intervals.
//!
//! A walk that stops because its total is high is caught where its plain mean looks high. At a known k the
//! mean of the first batch is unbiased, and so is its expectation given where the walk stopped, (n, T):
//! K¹_n(T)/K_n(T), a ratio of weighted numbers of paths that does not depend on the true mean (Girshick, Mosteller &
//! Savage 1946, Ann. Math. Stat. 17:13–23, doi:10.1214/aoms/1177731018). Intervals put all stops in one
//! order and hold every mean at which neither what was seen or less, nor what was seen or more, is
//! improbable: by T/n, or by stage (Armitage 1957, Biometrika 44:9–26; Emerson & Fleming 1990, Biometrika
//! 77:875–892, doi:10.1093/biomet/77.4.875). Stops are discrete, so intervals cover at least their level.
//!
//! Where k moves with the mean or varies from field to field, and for counts that are capped (their total does not hold
//! all that they tell, so that path counts depend on the mean), the estimate is taken at the plain mean
//! and is no longer exactly unbiased ([`behaviour()`] tells by how much); intervals stay exact. With an
//! interval of k they are the hull over it.

mod any_time;
mod behaviour;
mod places;
mod scale;
mod stops;
mod table;
mod tails;

pub(crate) use any_time::likely_means;
pub use any_time::{AnyTime, Bet, Evidence, any_time};
pub use behaviour::{Behaviour, behaviour};
pub use table::{EstimatedStop, estimates};

use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::lines::{Lines, Verdict};
use crate::params::Level;
use crate::score::{Score, Total};
use scale::Scale;
use tails::Tails;

/// How the stops of a plan are put in order, from the fewest enemies to the most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Order {
    /// By total over sites.
    #[default]
    PlainMean,
    /// Stops at a lower line first, the earlier the lower; then those between the lines or at the last
    /// check, by total over sites; then those at an upper line, the earlier the higher.
    Stage,
}

impl Order {
    /// The word used in every language and file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::PlainMean => "plain_mean",
            Self::Stage => "stage",
        }
    }

    /// Reads the word.
    ///
    /// # Errors
    /// `usage` for anything else.
    pub fn parse(text: &str) -> Result<Self, Error> {
        [Self::PlainMean, Self::Stage]
            .into_iter()
            .find(|order| order.as_str() == text)
            .ok_or_else(|| Error::new(Code::Usage, "order", text, "plain_mean, stage"))
    }
}

/// The mean told by one stop, on the plan's scale: per site, or as a share of positive units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AfterStop {
    /// Plain mean, biased; none where every unit was positive and means are of counts.
    pub plain: Option<f64>,
    /// Unbiased estimate; none where every unit was positive and means are of counts.
    pub mean: Option<f64>,
    /// Lower limit.
    pub low: f64,
    /// Upper limit; none where every mean above `low` is well possible.
    pub high: Option<f64>,
}

/// What the stop after `at` sites with `total` tells of the mean.
///
/// # Errors
/// `entry` where the lines do not stop there; `combination` where score and dispersion do not fit;
/// `too_much_work`.
///
/// ```
/// use stopline::{Dispersion, K, Level, Lines, Row, Score, estimate::{Order, after_stop}};
/// // One site, enough if 3 or more; else a second one.
/// let lines = Lines::new(vec![Row::two_calls(1, None, Some(3), None), Row::two_calls(2, Some(3), Some(4), None)])?;
/// let k = Dispersion::ConstantK { k: K::new(1.0)? };
/// let told = after_stop(&lines, &Score::Count, &k, (2, 4), Level::new(0.9)?, Order::PlainMean)?;
/// // At k = 1 all paths weigh the same: a first site of 0, 1 or 2 is equally likely.
/// assert!((told.mean.unwrap() - 1.0).abs() < 1e-12);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn after_stop(
    lines: &Lines,
    score: &Score,
    under: &Dispersion,
    (at, total): (u32, Total),
    level: Level,
    order: Order,
) -> Result<AfterStop, Error> {
    if lines.verdict(at, total) == Verdict::KeepSampling || total < 0 {
        return Err(Error::new(Code::Entry, "stop", format!("{total} after {at} sites"), "a stop of the plan"));
    }
    let scale = Scale::of(score, under);
    let mut tails = Tails::of(lines, scale, (at, total), order);
    let mean = match tails.first_batch()? {
        Some(step) => scale.mean_of_step(step)?,
        None => None,
    };
    let tail = 0.5 * (1.0 - level.get());
    let mut told = AfterStop {
        plain: scale.mean_of_step(total as f64 / f64::from(at))?,
        mean,
        low: f64::INFINITY,
        high: Some(0.0),
    };
    for node in tails.apart() {
        told.low = told.low.min(tails.limit(node, false, 1.0 - tail)?.unwrap_or(0.0));
        let high = tails.limit(node, true, tail)?;
        told.high = told.high.zip(high).map(|(a, b)| a.max(b));
    }
    if under.of_shares() {
        told.high = told.high.or(Some(1.0));
    }
    Ok(told)
}

/// The plain mean on the plan's scale, biased where a line stopped the walk; none before the first site, or where
/// every unit was positive and means are of counts.
#[must_use]
pub fn plain_mean(score: &Score, under: &Dispersion, sites: u32, total: Total) -> Option<f64> {
    let step = (sites > 0).then(|| total as f64 / f64::from(sites))?;
    Scale::of(score, under).mean_of_step(step).ok()?
}
