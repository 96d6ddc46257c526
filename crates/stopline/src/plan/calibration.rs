//! What the uncertainty of a fit does to a plan made from it: fit → plan → true risk, over the fits that other counts of
//! the same fields would have given.
//!
//! Counts are drawn with each walk's number of sites and mean, and k as fitted: log-normal over walks with the median and
//! spread that the walks support (`spread`). Each set is fitted by the conditional likelihood, as the plan was. At evenly
//! spaced quantiles of the k so found a plan of the same design is derived, and its exact risks are computed with the k
//! that the counts were drawn with: for a spread of k, averaged over it. The means of fields and the shape of the law are
//! taken as they are: what they err by is not in these ranges.

use super::{Method, Plan};
use crate::counts::Counts;
use crate::dispersion::{Dispersion, Draws, Refits, Why, refits};
use crate::error::{Code, Error};
use crate::evaluate::evaluate;
use crate::params::K;
use crate::score::Score;
use crate::watch::{Watch, tell};
use serde::Serialize;

/// Plans derived, at so many quantiles.
const PLANS: usize = 41;

/// The least, middle and most of nine in ten cases: quantiles .05, .5, .95.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Range {
    /// Quantile .05.
    pub low: f64,
    /// Median.
    pub middle: f64,
    /// Quantile .95.
    pub high: f64,
}

/// What other counts of the same fields would have come to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Calibration {
    /// Median of k that counts were drawn with; `None` where they were not clumped.
    pub median_k: Option<f64>,
    /// Standard deviation of ln k over fields.
    pub sd_log: f64,
    /// k as it would have been fitted; `None` where an end is not clumped.
    pub k: [Option<f64>; 3],
    /// True risk of calling an inadequate field adequate.
    pub false_adequate: Range,
    /// True risk of calling an adequate field inadequate.
    pub false_inadequate: Range,
    /// Expected sites at the threshold that takes more.
    pub expected_sites: Range,
    /// Share of cases in which both risks are at most those asked for.
    pub kept: f64,
    /// Share of cases in which no plan of the design would have been found.
    pub no_plan: f64,
    /// Share of drawn sets that tell no k.
    pub no_k: f64,
    /// What was drawn.
    pub draws: Draws,
}

fn range(mut of: Vec<f64>) -> Range {
    of.sort_unstable_by(f64::total_cmp);
    let last = of.len().saturating_sub(1) as f64;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // from 0 to the last place
    let at = |share: f64| of.get(libm::round(share * last) as usize).copied().unwrap_or(f64::NAN);
    Range { low: at(0.05), middle: at(0.5), high: at(0.95) }
}

impl Plan {
    /// The true risks of plans made like this one from other counts of the same fields.
    ///
    /// # Errors
    /// `combination` unless the plan is derived, for two calls at asked risks, with one k for counts; `no_plan` where no
    /// quantile has one; `too_much_work`; `interrupted`.
    pub fn calibration(
        &self,
        counts: &Counts,
        draws: Draws,
        watch: &dyn Watch,
    ) -> Result<Result<Calibration, Why>, Error> {
        let design = self.asked();
        let one_k = matches!(design.dispersion, Dispersion::ConstantK { .. } | Dispersion::Poisson);
        let of_counts = design.score == Score::Count;
        let (Some(thresholds), Some(risks), true) = (design.thresholds(), design.risks(), one_k && of_counts) else {
            let allowed = "of full counts, for two calls at asked risks, with one k";
            return Err(Error::about(Code::Combination, "calibration of another plan", allowed));
        };
        if self.method() == Method::Given {
            return Err(Error::about(Code::Combination, "calibration of lines typed in", "a derived plan"));
        }
        let Refits { median, sd_log, mut k, no_k } = match refits(counts, draws, watch)? {
            Ok(refits) => refits,
            Err(why) => return Ok(Err(why)),
        };
        k.sort_unstable_by(f64::total_cmp);
        let model = |k: f64| K::new(k).map_or(Dispersion::Poisson, |k| Dispersion::ConstantK { k });
        let truth = match K::new(median) {
            Ok(median) if sd_log > 0.0 => Dispersion::k_spread(median, sd_log)?,
            _ => model(median),
        };
        let means = [thresholds.inadequate(), thresholds.adequate()];
        let (mut adequate, mut inadequate, mut sites, mut kept) = (Vec::new(), Vec::new(), Vec::new(), 0.0);
        for i in 0..PLANS {
            tell(watch, i as u64, PLANS as u64)?;
            let Some(&k) = k.get((2 * i + 1) * k.len() / (2 * PLANS)) else { continue };
            let plan =
                match Self::design(super::Design { dispersion: model(k), ..design.clone() }, self.method(), watch) {
                    Err(e) if e.code() == Code::NoPlan => continue,
                    plan => plan?,
                };
            let found = evaluate(&plan, &truth, &means, watch)?.curve.rows;
            let [low, high] = &found[..] else { continue };
            kept += f64::from(u8::from(
                low.adequate <= risks.false_adequate().get() && high.inadequate <= risks.false_inadequate().get(),
            ));
            adequate.push(low.adequate);
            inadequate.push(high.inadequate);
            sites.push(low.expected_sites.max(high.expected_sites));
        }
        if adequate.is_empty() {
            let allowed = "a plan at some k that these fields may show";
            return Err(Error::about(Code::NoPlan, "no plan of this design at any k", allowed));
        }
        let found = adequate.len() as f64;
        let quantiles = range(k);
        let finite = |k: f64| k.is_finite().then_some(k);
        Ok(Ok(Calibration {
            median_k: finite(median),
            sd_log,
            k: [quantiles.low, quantiles.middle, quantiles.high].map(finite),
            false_adequate: range(adequate),
            false_inadequate: range(inadequate),
            expected_sites: range(sites),
            kept: kept / found,
            no_plan: 1.0 - found / PLANS as f64,
            no_k,
            draws,
        }))
    }
}
