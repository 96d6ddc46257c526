//! What summaries of fields tell: k by moments of each, and how the variance goes with the mean.

use super::estimate::Why;
use super::json::{number, value};
use super::mean_variance::{MeanVariance, of_points};
use super::origin::{Made, Origin};
use crate::counts::Summary;
use crate::error::Error;
use crate::params::{Level, Mean};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// The fit of summaries.
#[derive(Debug, Clone, PartialEq)]
pub struct SummaryFit {
    /// The summaries, with k by moments, m²/(s² − m).
    pub fields: Vec<(Summary, Result<f64, Why>)>,
    /// Variance against mean.
    pub mean_variance: MeanVariance,
    /// What it was made from.
    pub origin: Origin,
}

impl SummaryFit {
    /// With the power law's k at these means.
    #[must_use]
    pub fn with_k_at(self, means: &[Mean]) -> Self {
        Self { mean_variance: self.mean_variance.with_k_at(means), ..self }
    }
}

/// Fits the laws of variance to summaries.
///
/// # Errors
/// `not_converged` if a bounded search does not end: not known to happen.
///
/// ```
/// use stopline::{Level, counts::{Reading, Summary}, dispersion::fit_summaries};
/// let table = "field,site,mean,variance\nheron,20,1,2\nplover,20,2,6\nlapwing,20,4,20\n";
/// let fit = fit_summaries(&Summary::read(table.as_bytes(), &Reading::default())?, Level::new(0.95)?)?;
/// assert!(fit.fields.iter().all(|(_, k)| (k.unwrap() - 1.0).abs() < 1e-12)); // m²/(s² − m) = 1
/// assert!((fit.mean_variance.patchiness.unwrap().slope.value - 2.0).abs() < 1e-12); // mean crowding 2·m
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn fit_summaries(summaries: &[Summary], level: Level) -> Result<SummaryFit, Error> {
    // A variance of one site is none.
    let variance = |of: &Summary| of.variance.filter(|_| of.sites > 1);
    let k = |of: &Summary| match variance(of) {
        _ if of.mean == 0.0 => Err(Why::AllZero),
        None => Err(Why::OneSite),
        Some(variance) if variance > of.mean => Ok(of.mean * of.mean / (variance - of.mean)),
        Some(_) => Err(Why::NotClumped),
    };
    Ok(SummaryFit {
        fields: summaries.iter().map(|of| (of.clone(), k(of))).collect(),
        mean_variance: of_points(summaries.iter().map(|of| (Some(of.mean), variance(of))), level)?,
        origin: Origin::default(),
    })
}

struct Field<'a>(&'a Summary, Result<f64, Why>);

impl Serialize for Field<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(of, k) = self;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("field", &of.field)?;
        map.serialize_entry("visit", &of.visit)?;
        map.serialize_entry("sites", &of.sites)?;
        map.serialize_entry("mean", &of.mean)?;
        value(&mut map, "variance", of.variance, if of.variance.is_some() { "given" } else { "missing" })?;
        number(&mut map, "k_moments", *k)?;
        map.end()
    }
}

impl Serialize for SummaryFit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("fields", &self.fields.iter().map(|(of, k)| Field(of, *k)).collect::<Vec<_>>())?;
        map.serialize_entry("common", &None::<f64>)?;
        map.serialize_entry("common_is", &Why::NoCounts.to_string())?;
        map.serialize_entry("mean_variance", &self.mean_variance)?;
        map.serialize_entry("made_by", &Made(&self.origin, None))?;
        map.end()
    }
}
