//! Pairs of thresholds around a number, and what each would cost. None is recommended.

use super::{Aim, Checks, Closing, Design, Fixed};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::evaluate::{LargestSites, largest_expected_sites};
use crate::params::{MOST_SITES, Mean, Plants, Risks, Thresholds};
use crate::score::Score;
use crate::watch::{Watch, tell};

/// The pairs looked at, as multiples of the number in the middle.
const PAIRS: [(f64, f64); 5] = [(0.8, 1.2), (2.0 / 3.0, 4.0 / 3.0), (0.5, 1.5), (2.0 / 3.0, 2.0), (0.5, 2.0)];

/// One pair of thresholds under one dispersion.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// The pair, per site.
    pub thresholds: Thresholds,
    /// The dispersion.
    pub dispersion: Dispersion,
    /// The fewest fixed sites at the asked risks; `None` where more than [`MOST_SITES`] would be needed.
    pub fixed: Option<Fixed>,
    /// The largest expected sites of the calibrated plan with one and a half times that cap, checked
    /// at every site from `min_sites`; `None` where there is none, or finding it would take
    /// too much work.
    pub calibrated: Option<LargestSites>,
    /// How many of the past fields' means lie at or below, between, and at or above the pair.
    pub past: [usize; 3],
}

/// What pairs of thresholds around `around` would cost, for each dispersion.
///
/// ```
/// use stopline::plan::levels;
/// use stopline::{Dispersion, K, Mean, Quiet, Risk, Risks};
/// let risk = Risk::new(0.1)?;
/// let k = Dispersion::ConstantK { k: K::new(1.2)? };
/// let levels = levels(Mean::new(1.5)?, &[k], Risks::new(risk, risk)?, 5, &[], &Quiet)?;
/// let third = &levels[1]; // 1 and 2 per site
/// assert_eq!(third.fixed.map(|f| f.sites), Some(22));
/// # Ok::<(), stopline::Error>(())
/// ```
///
/// # Errors
/// `out_of_range` where a pair leaves the range of means or `min_sites` is 0; `interrupted`.
pub fn levels(
    around: Mean,
    dispersions: &[Dispersion],
    risks: Risks,
    min_sites: u32,
    past_means: &[f64],
    watch: &dyn Watch,
) -> Result<Vec<Level>, Error> {
    let of = (PAIRS.len() * dispersions.len()) as u64;
    let pairs = PAIRS.iter().flat_map(|pair| dispersions.iter().map(move |d| (*pair, *d)));
    (0..)
        .zip(pairs)
        .map(|(done, ((low, high), dispersion))| {
            tell(watch, done, of)?;
            let at = |share: f64| Mean::new(around.get() * share).map_err(|e| e.named("threshold"));
            level(Thresholds::new(at(low)?, at(high)?)?, dispersion, risks, min_sites, past_means, watch)
        })
        .collect()
}

fn level(
    thresholds: Thresholds,
    dispersion: Dispersion,
    risks: Risks,
    min_sites: u32,
    past_means: &[f64],
    watch: &dyn Watch,
) -> Result<Level, Error> {
    let mut design = Design {
        score: Score::Count,
        plants: Plants::ONE, // sites of any size: everything is per site
        dispersion,
        aim: Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) },
        checks: Checks::every(min_sites, min_sites, 1)?,
        closing: Closing::Call,
    };
    let fixed = super::fewest_fixed_sites(&design)?;
    let mut calibrated = None;
    if let Some(fixed) = fixed {
        let cap = (fixed.sites + fixed.sites.div_ceil(2)).clamp(min_sites, MOST_SITES);
        design.checks = Checks::every(min_sites, cap, 1)?;
        match design.asked()?.calibrated(&design.checks.sites(), watch) {
            Ok(Some(lines)) => {
                calibrated = Some(largest_expected_sites(&lines, &design.score, &dispersion)?);
            }
            Ok(None) => {}
            Err(e) if e.code() == Code::TooMuchWork => {}
            Err(e) => return Err(e),
        }
    }
    let (low, high) = (thresholds.inadequate().get(), thresholds.adequate().get());
    let mut past = [0; 3];
    for &mean in past_means {
        let place = usize::from(mean > low) + usize::from(mean >= high);
        if let Some(n) = past.get_mut(place) {
            *n += 1;
        }
    }
    Ok(Level { thresholds, dispersion, fixed, calibrated, past })
}
