//! k of counts that stop at a most: a site is counted up to c, then "c or more".
//!
//! A site below c has the negative-binomial probability of its count, one at c that of c or more. No statistic of
//! such counts is sufficient, so the mean is fitted too: for each k the likelihood of a walk is largest at its own m,
//! and ln L(k) is the sum over walks of those largest values, without or with Cox & Reid's (1987, J. R. Statist. Soc.
//! B 49:1–39) adjustment −½·ln of the information on ln m. Peaks and the profile interval are sought over ln k.
//!
//! A walk with every site at c, or with none of any, tells nothing of k. Where c is small against the mean, k is
//! badly told: look at the interval. The adjusted k is what a plan should use.

use super::estimate::{Bound, Clumping, Estimate, Interval, Why};
use super::fit::{ForPlan, Got};
use super::json::{estimate, value, why};
use super::search::largest_of;
use crate::counts::Counts;
use crate::error::{Code, Error};
use crate::law::Law;
use crate::params::{K, Level, Mean};
use crate::root::root;
use crate::special::normal_within;
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// ln k is looked at between these, in so many steps; from the last on counts are taken to be Poisson.
const LN_K: (f64, f64) = (-6.0, 9.0);
const STEPS: u32 = 30;
/// Accuracy of ln k, and of ln m.
const ACCURACY: f64 = 1e-7;
/// Step of the second difference in ln m.
const DIFFERENCE: f64 = 1e-3;
/// Largest c.
const MOST: u32 = 10_000;

/// What one walk of such counts tells.
#[derive(Debug, Clone, PartialEq)]
pub struct CappedField {
    /// Name of the field.
    pub field: String,
    /// Name of the visit.
    pub visit: String,
    /// Number of sites with a count.
    pub sites: u64,
    /// Of these, at the most.
    pub at_most: u64,
    /// Number of sites without a count.
    pub missing: usize,
    /// Mean per site of full counts, by maximum likelihood; `None` where the counts do not tell.
    pub mean: Option<f64>,
    /// k by maximum likelihood with its profile interval.
    pub ml: Estimate,
}

/// What several walks tell.
#[derive(Debug, Clone, PartialEq)]
pub struct CappedFit {
    /// A site is counted up to this.
    pub counted_to: u32,
    /// Each walk.
    pub fields: Vec<CappedField>,
    /// One k for all, by maximum likelihood: too large for short walks.
    pub ml: Estimate,
    /// One k for all, adjusted for the fitted means.
    pub adjusted: Estimate,
    /// Level of the intervals.
    pub level: Level,
}

/// A walk as the number of sites with each count below c, and with c or more.
struct Walk {
    below: Vec<f64>,
    at_most: f64,
}

impl Walk {
    fn of(counts: impl Iterator<Item = u32>, counted_to: u32) -> Self {
        let mut walk = Self { below: vec![0.0; counted_to as usize], at_most: 0.0 };
        for count in counts {
            *walk.below.get_mut(count as usize).unwrap_or(&mut walk.at_most) += 1.0;
        }
        walk
    }

    fn sites(&self) -> f64 {
        self.below.iter().sum::<f64>() + self.at_most
    }

    /// Mean of what was counted.
    fn counted(&self) -> f64 {
        let found: f64 = (0..).zip(&self.below).map(|(x, n)| f64::from(x) * n).sum();
        (found + self.at_most * self.below.len() as f64) / self.sites()
    }

    fn why(&self) -> Option<Why> {
        let sites = self.sites();
        if sites == 0.0 {
            Some(Why::NoSites)
        } else if self.below.first() == Some(&sites) {
            Some(Why::AllZero)
        } else if self.at_most == sites {
            Some(Why::AllAtMost)
        } else if sites == 1.0 {
            Some(Why::OneSite)
        } else {
            None
        }
    }

    /// ln L at ln m, ln k.
    fn ln_likelihood(&self, ln_m: f64, ln_k: f64) -> f64 {
        let (Ok(mean), Ok(k)) = (Mean::new(libm::exp(ln_m)), K::new(libm::exp(ln_k))) else {
            return f64::NEG_INFINITY;
        };
        let law = Law::NegBin { mean, k };
        let mut p = Vec::new();
        law.batch(1, self.below.len(), &mut p);
        let below: f64 = self.below.iter().zip(&p).filter(|(n, _)| **n > 0.0).map(|(n, p)| n * libm::log(*p)).sum();
        let last = u32::try_from(self.below.len()).unwrap_or(u32::MAX).saturating_sub(1);
        let above = if self.at_most > 0.0 { self.at_most * libm::log(law.more_than(last)) } else { 0.0 };
        below + above
    }

    /// The likeliest ln m at this k, and ln L there.
    fn likeliest(&self, ln_k: f64) -> (f64, f64) {
        let start = libm::log(self.counted());
        // Full counts have a larger mean: much larger where most sites are at the most and k is small.
        largest_of(start - 0.5, start + 12.0, 25, ACCURACY, |ln_m| self.ln_likelihood(ln_m, ln_k))
    }

    /// ln L of k, adjusted or not.
    fn profile(&self, ln_k: f64, adjusted: bool) -> f64 {
        let (ln_m, top) = self.likeliest(ln_k);
        if !adjusted {
            return top;
        }
        let at = |step: f64| self.ln_likelihood(ln_m + step, ln_k);
        let information = (2.0 * top - at(DIFFERENCE) - at(-DIFFERENCE)) / (DIFFERENCE * DIFFERENCE);
        top - 0.5 * libm::log(information.max(f64::MIN_POSITIVE))
    }
}

/// Fits k to counts of sites that were counted up to `counted_to`, then no further; a count above is taken as that.
///
/// # Errors
/// `out_of_range` for a most of 0 or above 10 000; `interrupted`.
///
/// ```
/// use stopline::{Level, Quiet, counts::{Counts, Reading}, dispersion::fit_capped};
/// let table = "field,site,count\nheron,1,0\nheron,2,4+\nheron,3,1\nheron,4,0\nheron,5,2\nheron,6,4+\n";
/// let how = Reading { counted_to: Some(4), ..Reading::default() };
/// let fit = fit_capped(&Counts::read(table.as_bytes(), &how)?, 4, Level::new(0.95)?, &Quiet)?;
/// assert_eq!((fit.fields[0].sites, fit.fields[0].at_most), (6, 2));
/// assert!(fit.fields[0].mean.unwrap() > 11.0 / 6.0); // full counts have a larger mean
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn fit_capped(counts: &Counts, counted_to: u32, level: Level, watch: &dyn Watch) -> Result<CappedFit, Error> {
    if counted_to == 0 || counted_to > MOST {
        return Err(Error::new(Code::OutOfRange, "counted_to", counted_to, format!("1 to {MOST}")));
    }
    let walks: Vec<Walk> = counts.walks.iter().map(|walk| Walk::of(walk.present(), counted_to)).collect();
    let mut fields = Vec::with_capacity(walks.len());
    for (walk, of) in walks.iter().zip(&counts.walks) {
        let ml = common(&[walk], false, level, watch)?;
        let tells = !matches!(walk.why(), Some(Why::NoSites | Why::AllAtMost));
        let ln_k = ml.k.k().map_or(LN_K.1, libm::log);
        let mean = tells.then(|| if walk.counted() > 0.0 { libm::exp(walk.likeliest(ln_k).0) } else { 0.0 });
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // whole
        let (sites, at_most) = (walk.sites() as u64, walk.at_most as u64);
        let (field, visit) = (of.field.clone(), of.visit.clone());
        fields.push(CappedField { field, visit, sites, at_most, missing: of.missing(), mean, ml });
    }
    let all: Vec<&Walk> = walks.iter().collect();
    let (ml, adjusted) = (common(&all, false, level, watch)?, common(&all, true, level, watch)?);
    Ok(CappedFit { counted_to, fields, ml, adjusted, level })
}

/// The k common to walks.
fn common(walks: &[&Walk], adjusted: bool, level: Level, watch: &dyn Watch) -> Result<Estimate, Error> {
    let telling: Vec<&Walk> = walks.iter().copied().filter(|walk| walk.why().is_none()).collect();
    if telling.is_empty() {
        let why = walks.iter().find_map(|walk| walk.why()).unwrap_or(Why::NoSites);
        return Ok(Estimate::undefined(why));
    }
    let mut stopped = Ok(());
    let mut ln_l = |ln_k: f64| -> f64 {
        if stopped.is_ok() {
            stopped = tell(watch, 0, 1);
        }
        if stopped.is_err() {
            return 0.0;
        }
        telling.iter().map(|walk| walk.profile(ln_k, adjusted)).sum()
    };
    let (peak, top) = largest_of(LN_K.0, LN_K.1, STEPS, ACCURACY, &mut ln_l);
    let poisson = ln_l(LN_K.1);
    let z = normal_within(level.get());
    let drop = 0.5 * z * z;
    let low = if top - ln_l(LN_K.0) > drop {
        root("end of the interval of k", (LN_K.0, peak), ACCURACY, |x| Ok(top - ln_l(x) - drop))?
    } else {
        LN_K.0
    };
    let high = if top - poisson > drop {
        Bound::At(libm::exp(root("end of the interval of k", (peak, LN_K.1), ACCURACY, |x| Ok(top - ln_l(x) - drop))?))
    } else {
        Bound::Unbounded
    };
    stopped?;
    let k = if top - poisson <= ACCURACY { Clumping::Poisson } else { Clumping::Estimated(libm::exp(peak)) };
    Ok(Estimate { k, interval: Some(Interval { low: libm::exp(low), high }) })
}

impl CappedFit {
    /// The walk with the smallest k by maximum likelihood.
    #[must_use]
    pub fn most_clumped(&self) -> Option<&CappedField> {
        let clumped = self.fields.iter().filter_map(|field| Some((field.ml.k.k()?, field)));
        clumped.min_by(|(a, _), (b, _)| a.total_cmp(b)).map(|(_, field)| field)
    }

    /// The model for a plan: the k common to all walks, adjusted.
    ///
    /// # Errors
    /// As [`super::Fit::for_plan`].
    pub fn for_plan(&self) -> Result<ForPlan, Error> {
        ForPlan::of(&self.adjusted, Got::Capped)
    }
}

struct FieldAt<'a>(&'a CappedField, Level);

impl Serialize for FieldAt<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(field, level) = self;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("field", &field.field)?;
        map.serialize_entry("visit", &field.visit)?;
        map.serialize_entry("sites", &field.sites)?;
        map.serialize_entry("at_most", &field.at_most)?;
        map.serialize_entry("missing", &field.missing)?;
        value(&mut map, "mean", field.mean, if field.mean.is_some() { "estimated" } else { "undefined" })?;
        map.serialize_entry("why", &why(field.ml.k))?;
        estimate(&mut map, ["k", "k_low", "k_high"], &field.ml)?;
        map.serialize_entry("level", level)?;
        map.end()
    }
}

struct CommonAt<'a>(&'a CappedFit);

impl Serialize for CommonAt<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let fit = self.0;
        let mut map = serializer.serialize_map(None)?;
        estimate(&mut map, ["k_cox_reid", "k_low", "k_high"], &fit.adjusted)?;
        map.serialize_entry("why", &why(fit.adjusted.k))?;
        estimate(&mut map, ["k_ml", "k_ml_low", "k_ml_high"], &fit.ml)?;
        map.serialize_entry("level", &fit.level)?;
        map.end()
    }
}

impl Serialize for CappedFit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("counted_to", &self.counted_to)?;
        map.serialize_entry("fields", &self.fields.iter().map(|f| FieldAt(f, self.level)).collect::<Vec<_>>())?;
        map.serialize_entry("common", &CommonAt(self))?;
        map.end()
    }
}
