//! The check of a plan as every program prints it: how often it alarms, and how much clumping it notices.

use super::{CheckOfK, SeasonPower, season_power};
use crate::error::Error;
use crate::params::{K, Mean};
use crate::watch::{Watch, tell};
use serde::Serialize;

/// Fields of the seasons that are told.
const SEASONS: [u32; 3] = [5, 15, 40];
/// Parts of k whose power is told.
const PARTS: [f64; 2] = [0.5, 0.25];

/// The check of k of a plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckedPlan {
    format: &'static str,
    version: u32,
    /// Digest of the plan.
    pub plan: String,
    /// The plan's k, of an interval its lower end; none: without clumping.
    pub k: Option<f64>,
    /// A look alarms where the chance of such counts is at most this.
    pub level: f64,
    /// The mean with most false alarms.
    pub worst_mean: f64,
    /// How often walks are alarmed there under the plan's k.
    pub false_alarms: f64,
    /// Totals up to this are looked at.
    pub totals_to: usize,
    /// How often walks are alarmed, exactly, at each mean.
    pub rows: Vec<Alarmed>,
    /// How often fields of a season are noticed together.
    pub seasons: Vec<SeasonPower>,
}

/// How often walks are alarmed at one mean.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Alarmed {
    /// True mean per site.
    pub mean: f64,
    /// Under the plan's k.
    pub as_planned: f64,
    /// Under smaller k: k, how often.
    pub more_clumped: Vec<(f64, f64)>,
}

impl CheckOfK {
    /// How the check behaves at these means (without any, where power is told), for the plan with this digest.
    ///
    /// # Errors
    /// As [`CheckOfK::of`].
    pub fn report(&self, plan: &str, means: &[Mean], watch: &dyn Watch) -> Result<CheckedPlan, Error> {
        let told = self.power.iter().map(|power| Mean::new(power.mean)).collect::<Result<Vec<_>, _>>()?;
        let means = if means.is_empty() { &told } else { means };
        let steps = (means.len() + SEASONS.len()) as u64;
        let mut rows = Vec::new();
        for (i, &mean) in means.iter().enumerate() {
            tell(watch, i as u64, steps)?;
            let smaller = |part: f64| K::new(part * self.k.map_or(2.0 * mean.get(), K::get));
            let alarmed =
                |k: Option<K>| Ok::<f64, Error>(self.alarmed_under(k, &[mean])?.first().copied().unwrap_or(0.0));
            let more_clumped = PARTS.iter().map(|&part| {
                let k = smaller(part)?;
                Ok((k.get(), alarmed(Some(k))?))
            });
            let more_clumped = more_clumped.collect::<Result<_, Error>>()?;
            rows.push(Alarmed { mean: mean.get(), as_planned: alarmed(self.k)?, more_clumped });
        }
        // In the middle of the means, as fields of a season may be anywhere.
        let middle = told.iter().map(|mean| libm::log(mean.get())).sum::<f64>() / told.len() as f64;
        let (middle, half) = (Mean::new(libm::exp(middle))?, PARTS.first().copied().unwrap_or(0.5));
        let half = K::new(half * self.k.map_or(2.0 * middle.get(), K::get))?;
        let seasons = SEASONS.iter().enumerate().map(|(i, &fields)| {
            tell(watch, (means.len() + i) as u64, steps)?;
            season_power(self, fields, middle, half)
        });
        let seasons = seasons.collect::<Result<_, Error>>()?;
        let ((worst_mean, false_alarms), plan) = (self.worst, plan.to_owned());
        Ok(CheckedPlan {
            format: "stopline/check_of_k",
            version: 1,
            plan,
            k: self.k.map(K::get),
            level: self.level,
            worst_mean,
            false_alarms,
            totals_to: self.most,
            rows,
            seasons,
        })
    }
}
