//! The share of positive sites against the mean, over walks: ln m = a + b·ln(−ln(1 − P)).
//!
//! Kono & Sugino 1958; Gerrard & Chiang 1970: a straight line through one point a walk, by least squares; the scatter
//! is the standard deviation of ln m around it. That scatter holds the sampling error of both m and P, so that a plan
//! under it is a little more careful than fields are different. Walks without a positive site, or with no other, have
//! no point. Outside the means of the walks the line is a guess.

use super::estimate::Why;
use super::model::Dispersion;
use super::regression::{Line, line};
use crate::counts::Counts;
use crate::error::Error;
use crate::params::Level;
use serde::ser::{Serialize, SerializeMap, Serializer};

/// The relation with what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct ProportionFit {
    /// A site is positive when it holds more than this.
    pub above: u32,
    /// Intercept a and slope b, with their limits.
    pub line: Result<Line, Why>,
    /// Walks without a positive site.
    pub none_positive: usize,
    /// Walks with positive sites only.
    pub all_positive: usize,
    /// Least and largest mean of the walks with a point.
    pub means: Option<(f64, f64)>,
}

/// Fits the relation of sites with more than `above` enemies to the mean.
///
/// # Errors
/// `not_converged` if a bounded search does not end: not known to happen.
///
/// ```
/// use stopline::{Level, counts::{Counts, Reading}, dispersion::fit_proportion};
/// let mut table = "field,site,count\n".to_owned();
/// for (field, counts) in [("heron", [0, 0, 1, 0]), ("lapwing", [1, 0, 2, 0]), ("plover", [3, 0, 5, 4])] {
///     counts.iter().zip(1..).for_each(|(count, site)| table += &format!("{field},{site},{count}\n"));
/// }
/// let fit = fit_proportion(&Counts::read(table.as_bytes(), &Reading::default())?, 0, Level::new(0.95)?)?;
/// assert!(fit.line.unwrap().slope.value > 0.0);
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn fit_proportion(counts: &Counts, above: u32, level: Level) -> Result<ProportionFit, Error> {
    let mut fit = ProportionFit { above, line: Err(Why::FewPoints), none_positive: 0, all_positive: 0, means: None };
    let mut points = Vec::new();
    for walk in &counts.walks {
        let (mut sites, mut positive, mut sum) = (0_u32, 0_u32, 0_u64);
        for count in walk.present() {
            sites += 1;
            positive += u32::from(count > above);
            sum += u64::from(count);
        }
        if sites == 0 {
            continue;
        }
        if positive == 0 {
            fit.none_positive += 1;
        } else if positive == sites {
            fit.all_positive += 1;
        } else {
            let (share, m) = (f64::from(positive) / f64::from(sites), sum as f64 / f64::from(sites));
            points.push((libm::log(-libm::log1p(-share)), libm::log(m)));
            fit.means = Some(fit.means.map_or((m, m), |(low, high)| (low.min(m), high.max(m))));
        }
    }
    fit.line = line(&points, level)?;
    Ok(fit)
}

impl ProportionFit {
    /// The model for a plan.
    ///
    /// # Errors
    /// `out_of_range` for a line that no plan takes, as one that falls.
    #[must_use]
    pub fn dispersion(&self) -> Option<Result<Dispersion, Error>> {
        let line = self.line.ok()?;
        Some(Dispersion::proportion(line.intercept.value, line.slope.value, libm::sqrt(line.mean_square)))
    }
}

impl Serialize for ProportionFit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("above", &self.above)?;
        let line = self.line.as_ref().ok();
        map.serialize_entry("a", &line.map(|line| line.intercept))?;
        map.serialize_entry("b", &line.map(|line| line.slope))?;
        map.serialize_entry("scatter", &line.map(|line| libm::sqrt(line.mean_square)))?;
        map.serialize_entry("why", &self.line.err().map(|why| why.to_string()))?;
        map.serialize_entry("walks", &line.map_or(0, |line| line.points))?;
        map.serialize_entry("none_positive", &self.none_positive)?;
        map.serialize_entry("all_positive", &self.all_positive)?;
        map.serialize_entry("least_mean", &self.means.map(|means| means.0))?;
        map.serialize_entry("largest_mean", &self.means.map(|means| means.1))?;
        map.end()
    }
}
