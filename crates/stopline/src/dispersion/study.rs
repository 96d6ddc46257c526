//! What a researcher reports beside k: tests of the laws that were fitted, how walks differ, what variance they have
//! at their means, and whether neighbouring sites are alike.
//!
//! Everything that [`fit_counts`] gives, and for each walk what [`Frequencies::examine`] tests. What is drawn at
//! random comes from the seed given: the same counts, number of draws and seed give the same numbers.

use super::drawn::Draws;
use super::estimate::Why;
use super::examination::Examination;
use super::fit::{Fit, fit_counts};
use super::frequencies::Frequencies;
use super::json::part;
use super::mean_variance::{MeanVariance, mean_variance};
use super::one_k::{BlissOwen, OneK, bliss_owen, one_k};
use super::order::{Order, order};
use super::spread::{Spread, spread};
use super::supported::{Laws, supported_laws};
use crate::counts::Counts;
use crate::error::Error;
use crate::params::{Level, Mean};
use crate::watch::{Watch, Within};
use serde::ser::SerializeMap;

/// How a study is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Studying {
    /// Level of all intervals.
    pub level: Level,
    /// What is drawn at random.
    pub draws: Draws,
    /// Sites of a run along the walk, from 2 to 1000.
    pub run_length: u32,
}

/// What counts tell beside k.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Study {
    /// Tests of the laws fitted to each walk, in the order of the walks.
    pub tests: Vec<Examination>,
    /// The common k by Bliss & Owen's regression.
    pub bliss_owen: BlissOwen,
    /// Whether all walks share one k.
    pub one_k: Result<OneK, Why>,
    /// How k differs from walk to walk.
    pub spread: Result<Spread, Why>,
    /// Variance against mean, by regression.
    pub mean_variance: MeanVariance,
    /// Which law of variance the walks support.
    pub laws: Result<Laws, Why>,
    /// Whether neighbouring sites are alike.
    pub order: Order,
    /// What was drawn at random.
    pub draws: Draws,
}

/// The fit of counts with everything else they tell: [`Fit::study`] is there.
///
/// # Errors
/// As [`fit_counts`], and `out_of_range` for the run length.
///
/// ```
/// use stopline::{Level, Quiet, counts::{Counts, Reading}, dispersion::{Draws, Studying, study_counts}};
/// let table = "field,site,count\nheron,1,0\nheron,2,4\nheron,3,NA\nheron,4,1\nheron,5,0\n";
/// let counts = Counts::read(table.as_bytes(), &Reading::default())?;
/// let how = Studying { level: Level::new(0.95)?, draws: Draws::new(199, 20)?, run_length: 5 };
/// let fit = study_counts(&counts, &how, &Quiet)?;
/// // Of 5 individuals at 4 sites, 4 or 5 at one: 4·(5·3 + 1) of 4⁵ cases.
/// let test = fit.study.unwrap().tests[0].clumping.unwrap();
/// assert!((test.p.p - 64.0 / 1024.0).abs() < 1e-15);
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn study_counts(counts: &Counts, how: &Studying, watch: &dyn Watch) -> Result<Fit, Error> {
    let Studying { level, draws, run_length } = *how;
    let fit = fit_counts(counts, level, watch)?;
    let k = fit.common.conditional.k.or_why();
    let walks: Result<Vec<_>, _> =
        counts.walks.iter().map(|walk| Frequencies::of(&walk.present().collect::<Vec<_>>())).collect();
    let walks = walks?;
    let mut tests = Vec::with_capacity(walks.len());
    for (done, walk) in walks.iter().enumerate() {
        let within = Within { watch, done: done as u64, of: walks.len() as u64 };
        tests.push(walk.examine_watched(draws.of_part(done as u64), &within)?);
    }
    let study = Study {
        tests,
        bliss_owen: bliss_owen(&walks),
        one_k: one_k(&walks, k, draws, watch)?,
        spread: spread(&walks, level, draws, watch)?,
        mean_variance: mean_variance(&walks, level)?,
        laws: supported_laws(&walks, watch)?,
        order: if counts.noticed.order_known {
            order(&counts.walks, run_length, level, draws, watch)?
        } else {
            Order::unknown(run_length, level)
        },
        draws,
    };
    Ok(Fit { study: Some(study), ..fit })
}

impl Fit {
    /// With the power law's k at these means, in the study if there is one.
    #[must_use]
    pub fn with_k_at(mut self, means: &[Mean]) -> Self {
        self.study = self.study.map(|study| Study { mean_variance: study.mean_variance.with_k_at(means), ..study });
        self
    }
}

impl Study {
    pub(super) fn entries<M: SerializeMap>(&self, map: &mut M) -> Result<(), M::Error> {
        map.serialize_entry("bliss_owen", &self.bliss_owen)?;
        part(map, "one_k", &self.one_k)?;
        part(map, "spread", &self.spread)?;
        map.serialize_entry("mean_variance", &self.mean_variance)?;
        part(map, "laws", &self.laws)?;
        map.serialize_entry("order", &self.order)?;
        map.serialize_entry("draws", &self.draws)
    }
}
