//! The fit of a set of walks: k of each, k common to all, and the model for a plan.
//!
//! A walk of a single site is named as such: its likelihood is largest at the Poisson limit whatever was
//! counted, which says nothing about the field. Serialised, a [`Fit`] is the object that
//! `stopline fit --json` prints; a null there has its reason in words beside it, in the key with `_is`.

use super::estimate::{Bound, Clumping, CommonK, Estimate, Why, common_k};
use super::frequencies::Frequencies;
use super::model::Dispersion;
use crate::counts::Counts;
use crate::error::{Code, Error};
use crate::params::{K, Level};
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::fmt;

/// The counts of one walk, as [`fit`] takes them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WalkCounts<'a> {
    /// Name of the field.
    pub field: &'a str,
    /// Name of the visit.
    pub visit: &'a str,
    /// Counts of the sites that have one.
    pub counts: &'a [u32],
    /// Number of sites without a count.
    pub missing: usize,
}

/// What the counts of one walk tell.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldFit {
    /// Name of the field.
    pub field: String,
    /// Name of the visit.
    pub visit: String,
    /// Number of sites with a count.
    pub sites: u64,
    /// Number of sites without one.
    pub missing: usize,
    /// Mean per site; `None` without sites.
    pub mean: Option<f64>,
    /// Variance with divisor n − 1; `None` below two sites.
    pub variance: Option<f64>,
    /// k by maximum likelihood with its profile interval.
    pub ml: Estimate,
    /// k by the adjusted profile likelihood with its interval.
    pub cox_reid: Estimate,
}

/// What the counts of several walks tell.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Each walk, in the order given.
    pub fields: Vec<FieldFit>,
    /// One k for all.
    pub common: CommonK,
    /// Level of all intervals.
    pub level: Level,
}

/// Fits k to each walk and one k to all.
///
/// # Errors
/// `interrupted` if the caller stops it; `out_of_range` and `not_converged` as the estimates of
/// [`Frequencies`], neither of which any real counts are known to reach.
///
/// ```
/// use stopline::{Level, Quiet, dispersion::{Clumping, WalkCounts, fit}};
/// let walks = [
///     WalkCounts { field: "heron", visit: "1", counts: &[0, 4, 1, 0, 2, 7], missing: 1 },
///     WalkCounts { field: "plover", visit: "1", counts: &[1, 1, 2, 1, 1, 1], missing: 0 },
/// ];
/// let fit = fit(&walks, Level::new(0.95)?, &Quiet)?;
/// assert_eq!(fit.most_clumped().unwrap().field, "heron");
/// assert_eq!(fit.fields[1].ml.k, Clumping::Poisson);
/// let json = serde_json::to_value(&fit).unwrap();
/// assert_eq!(json["fields"][1]["k_is"], "poisson");
/// assert_eq!(json["fields"][1]["k_high_is"], "unbounded");
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn fit(walks: &[WalkCounts<'_>], level: Level, watch: &dyn Watch) -> Result<Fit, Error> {
    let mut fields = Vec::with_capacity(walks.len());
    let mut tables = Vec::with_capacity(walks.len());
    for (done, walk) in walks.iter().enumerate() {
        tell(watch, done as u64, walks.len() as u64)?;
        let table = Frequencies::of(walk.counts)?;
        let one_site = table.sites() == 1 && table.sum() > 0;
        let unless_one_site = |estimate: Result<Estimate, Error>| {
            if one_site { Ok(Estimate::undefined(Why::OneSite)) } else { estimate }
        };
        fields.push(FieldFit {
            field: walk.field.to_owned(),
            visit: walk.visit.to_owned(),
            sites: table.sites(),
            missing: walk.missing,
            mean: table.mean(),
            variance: table.variance(),
            ml: unless_one_site(table.ml(level))?,
            cox_reid: unless_one_site(table.cox_reid(level))?,
        });
        tables.push(table);
    }
    Ok(Fit { fields, common: common_k(&tables, level)?, level })
}

/// Fits k to each walk of counts and one k to all.
///
/// # Errors
/// As [`fit`].
///
/// ```
/// use stopline::{Level, Quiet, counts::{Counts, Reading}, dispersion::fit_counts};
/// let table = "field,site,count\nheron,1,0\nheron,2,4\nheron,3,NA\nheron,4,1\n";
/// let fit = fit_counts(&Counts::read(table.as_bytes(), &Reading::default())?, Level::new(0.95)?, &Quiet)?;
/// assert_eq!((fit.fields[0].sites, fit.fields[0].missing), (3, 1));
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn fit_counts(counts: &Counts, level: Level, watch: &dyn Watch) -> Result<Fit, Error> {
    let present: Vec<Vec<u32>> = counts.walks.iter().map(|walk| walk.present().collect()).collect();
    let walks = counts.walks.iter().zip(&present).map(|(walk, counts)| WalkCounts {
        field: &walk.field,
        visit: &walk.visit,
        counts,
        missing: walk.missing(),
    });
    fit(&walks.collect::<Vec<_>>(), level, watch)
}

/// How the k of a plan was got from counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Got {
    /// By the likelihood given each walk's total.
    Conditional,
    /// By the adjusted profile likelihood, where in every walk all was found at one site.
    CoxReid,
}

impl fmt::Display for Got {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Conditional => "conditional likelihood given each walk's total",
            Self::CoxReid => "adjusted profile likelihood (Cox and Reid)",
        })
    }
}

/// The model of dispersion for a plan, from counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForPlan {
    /// The best common k, or Poisson where that is infinite.
    pub dispersion: Dispersion,
    /// The lower limit of the common k, for a cautious plan; `None` where it is too small for any plan.
    pub lower: Option<Dispersion>,
    /// How the common k was got.
    pub got: Got,
}

impl Fit {
    /// The walk with the smallest k by maximum likelihood; `None` where none has a finite k.
    #[must_use]
    pub fn most_clumped(&self) -> Option<&FieldFit> {
        let clumped = self.fields.iter().filter_map(|field| Some((field.ml.k.k()?, field)));
        clumped.min_by(|(a, _), (b, _)| a.total_cmp(b)).map(|(_, field)| field)
    }

    /// The model for a plan: the k common to all walks by conditional likelihood.
    ///
    /// # Errors
    /// `dispersion_undefined` where no walk tells anything; `out_of_range` for a k too small for a plan.
    pub fn for_plan(&self) -> Result<ForPlan, Error> {
        let conditional = self.common.conditional;
        let (estimate, got) = match conditional.k {
            Clumping::Undefined(Why::AllAtOneSite) => (self.common.cox_reid, Got::CoxReid),
            _ => (conditional, Got::Conditional),
        };
        let constant = |k: K| Dispersion::ConstantK { k };
        let dispersion = match estimate.k {
            Clumping::Estimated(k) => match K::new(k).map(constant) {
                // A larger k than any plan takes is Poisson in every digit.
                Err(_) if k > 1.0 => Dispersion::Poisson,
                model => model?,
            },
            Clumping::Poisson => Dispersion::Poisson,
            Clumping::Undefined(why) => {
                return Err(Error::new(
                    Code::DispersionUndefined,
                    "clumping",
                    format!("undefined ({why})"),
                    "counts with a walk of at least two sites where at least two were found",
                ));
            }
        };
        let lower = estimate.interval.and_then(|interval| K::new(interval.low).ok()).map(constant);
        Ok(ForPlan { dispersion, lower, got })
    }
}

/// Writes `name` and the ends of its interval, each followed by what it is in words.
fn estimate<M: SerializeMap>(map: &mut M, [name, low, high]: [&str; 3], of: &Estimate) -> Result<(), M::Error> {
    value(map, name, of.k.k(), of.k.name())?;
    let Some(interval) = of.interval else {
        value(map, low, None, "undefined")?;
        return value(map, high, None, "undefined");
    };
    value(map, low, Some(interval.low), "estimated")?;
    match interval.high {
        Bound::At(k) => value(map, high, Some(k), "estimated"),
        Bound::Unbounded => value(map, high, None, "unbounded"),
    }
}

fn value<M: SerializeMap>(map: &mut M, name: &str, number: Option<f64>, is: &str) -> Result<(), M::Error> {
    map.serialize_entry(name, &number)?;
    map.serialize_entry(&format!("{name}_is"), is)
}

/// In words, why there is no finite k.
fn why(k: Clumping) -> Option<String> {
    match k {
        Clumping::Estimated(_) => None,
        Clumping::Poisson => Some("sites vary no more than independent counts do".to_owned()),
        Clumping::Undefined(why) => Some(why.to_string()),
    }
}

/// A field of the object, with the level it shares.
struct FieldAt<'a>(&'a FieldFit, Level);

impl Serialize for FieldAt<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(field, level) = self;
        let is = |number: Option<f64>| if number.is_some() { "estimated" } else { "undefined" };
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("field", &field.field)?;
        map.serialize_entry("visit", &field.visit)?;
        map.serialize_entry("sites", &field.sites)?;
        map.serialize_entry("missing", &field.missing)?;
        value(&mut map, "mean", field.mean, is(field.mean))?;
        value(&mut map, "variance", field.variance, is(field.variance))?;
        map.serialize_entry("why", &why(field.ml.k))?;
        estimate(&mut map, ["k", "k_low", "k_high"], &field.ml)?;
        estimate(&mut map, ["k_cox_reid", "k_cox_reid_low", "k_cox_reid_high"], &field.cox_reid)?;
        map.serialize_entry("level", level)?;
        map.end()
    }
}

/// The common k of the object, with its level.
struct CommonAt<'a>(&'a CommonK, Level);

impl Serialize for CommonAt<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(common, level) = self;
        let mut map = serializer.serialize_map(None)?;
        estimate(&mut map, ["k_conditional", "k_low", "k_high"], &common.conditional)?;
        map.serialize_entry("why", &why(common.conditional.k))?;
        estimate(&mut map, ["k_cox_reid", "k_cox_reid_low", "k_cox_reid_high"], &common.cox_reid)?;
        estimate(&mut map, ["k_ml", "k_ml_low", "k_ml_high"], &common.ml)?;
        map.serialize_entry("level", level)?;
        map.serialize_entry("walks_used", &common.walks_used)?;
        map.serialize_entry("walks_without_any", &common.walks_without_any)?;
        map.serialize_entry("walks_of_one_site", &common.walks_of_one_site)?;
        map.end()
    }
}

impl Serialize for Fit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(2))?;
        map.serialize_entry("fields", &self.fields.iter().map(|field| FieldAt(field, self.level)).collect::<Vec<_>>())?;
        map.serialize_entry("common", &CommonAt(&self.common, self.level))?;
        map.end()
    }
}
