//! The fit of a set of walks: k of each, k common to all, and the model for a plan.
//!
//! A walk of a single site is named as such: its likelihood is largest at the Poisson limit whatever was
//! counted, which says nothing about the field. Serialised, a [`Fit`] is the object that
//! `stopline fit --json` prints; a null there has its reason in words beside it, in the key with `_is`.

use super::estimate::{Clumping, CommonK, Estimate, Why, common_k};
use super::examination::Examination;
use super::frequencies::Frequencies;
use super::json::{estimate, number, part, value, why};
use super::model::Dispersion;
use super::needed::Needed;
use super::notice::Notice;
use super::observers::ObserversFit;
use super::origin::{Made, Origin};
use super::places::Places;
use super::plants::PlantsOfSites;
use super::precision::Efficiency;
use super::stopped::{Stopped, k_of_stopped};
use super::study::Study;
use super::weighted::{GroupFit, WeightedFit};
use crate::counts::Counts;
use crate::error::{Code, Error};
use crate::lines::Lines;
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
    /// k by moments, for comparison.
    pub moments: Clumping,
    /// k by the share of sites without any, for comparison.
    pub zero_class: Clumping,
    /// Morisita's index.
    pub morisita_index: Option<f64>,
    /// Lloyd's mean crowding.
    pub mean_crowding: Option<f64>,
    /// Standard error of the k by maximum likelihood from the observed information.
    pub se_observed: Result<f64, Why>,
    /// The same from the expected information.
    pub se_expected: Result<f64, Why>,
    /// What the simple estimates would use of the information, were the k by maximum likelihood true.
    pub efficiency: Result<Efficiency, Why>,
    /// What a person should look at.
    pub notice: Option<Notice>,
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
    /// What else the counts tell, where it was asked for ([`study_counts`](super::study_counts)).
    pub study: Option<Study>,
    /// k from walks that a plan stopped, where that was asked for ([`Fit::stopped_by`]).
    pub stopped: Option<Stopped>,
    /// What k of a wanted closeness needs, where that was asked for ([`Fit::with_needed`]).
    pub needed: Option<Result<Needed, Why>>,
    /// What single plants tell, where they stood apart ([`Fit::with_plants`]).
    pub plants_of_sites: Option<Result<PlantsOfSites, Why>>,
    /// Each group by itself, where that was asked for ([`Fit::with_groups`]).
    pub groups: Option<Vec<GroupFit>>,
    /// A weighted sum of groups, where that was asked for ([`Fit::with_weighted`]).
    pub weighted: Option<WeightedFit>,
    /// Whether observers differ, where they were read ([`Fit::with_observers`]).
    pub observers: Option<ObserversFit>,
    /// What the places of the sites tell, where they were read ([`Fit::with_places`]).
    pub places: Option<Result<Places, Why>>,
    /// What it was made from.
    pub origin: Origin,
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
        let ml = unless_one_site(table.ml(level))?;
        let k = ml.k.or_why();
        let se_expected = k.and_then(|k| table.se_expected(k));
        fields.push(FieldFit {
            field: walk.field.to_owned(),
            visit: walk.visit.to_owned(),
            sites: table.sites(),
            missing: walk.missing,
            mean: table.mean(),
            variance: table.variance(),
            ml,
            cox_reid: unless_one_site(table.cox_reid(level))?,
            moments: table.k_moments(),
            zero_class: table.k_zero_class()?,
            morisita_index: table.morisita_index(),
            mean_crowding: table.mean_crowding(),
            se_observed: k.and_then(|k| table.se_observed(k)),
            se_expected: se_expected.map(|(se, _)| se),
            efficiency: se_expected.map(|(_, efficiency)| efficiency),
            notice: Notice::of(&table, level)?,
        });
        tables.push(table);
    }
    Ok(Fit {
        fields,
        common: common_k(&tables, level)?,
        level,
        study: None,
        stopped: None,
        needed: None,
        plants_of_sites: None,
        groups: None,
        weighted: None,
        observers: None,
        places: None,
        origin: Origin::default(),
    })
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
    let fit = fit(&walks.collect::<Vec<_>>(), level, watch)?;
    Ok(Fit { origin: Origin { input: counts.digest.clone(), command: None }, ..fit })
}

/// How the k of a plan was got from counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Got {
    /// By the likelihood given each walk's total.
    Conditional,
    /// By the adjusted profile likelihood of counts that stop at a most.
    Capped,
    /// By the adjusted profile likelihood, where in every walk all was found at one site.
    CoxReid,
}

impl fmt::Display for Got {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Conditional => "conditional likelihood given each walk's total",
            Self::Capped => "adjusted profile likelihood of counts that stop at a most",
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

impl ForPlan {
    /// The model for sites of `times` as many plants. Counts of one size do not tell k of another: where the plants of
    /// a site are alike k stays as it is, where they are independent it becomes times·k; so it lies between.
    ///
    /// # Errors
    /// `out_of_range` unless both ends are allowed as k.
    pub fn of_size(&self, times: f64) -> Result<Dispersion, Error> {
        let Dispersion::ConstantK { k } = self.dispersion else { return Ok(self.dispersion) };
        let other = K::new(times * k.get())?;
        let (low, high) = if times < 1.0 { (other, k) } else { (k, other) };
        if low == high {
            return Ok(self.dispersion);
        }
        Dispersion::k_interval(K::new(libm::sqrt(low.get() * high.get()))?, low, high)
    }
}

impl Fit {
    /// With k as walks tell it that a plan with these lines stopped: the other estimates take each walk as a
    /// sample of sites, which stopped walks are not, and read too large.
    ///
    /// # Errors
    /// As [`k_of_stopped`].
    pub fn stopped_by(self, counts: &Counts, lines: &Lines, watch: &dyn Watch) -> Result<Self, Error> {
        let walks: Vec<Vec<u32>> = counts.walks.iter().map(|walk| walk.present().collect()).collect();
        Ok(Self { stopped: Some(k_of_stopped(lines, &walks, self.level, watch)?), ..self })
    }

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
        ForPlan::of(&estimate, got)
    }
}

impl ForPlan {
    /// What a plan takes from an estimate of a common k.
    pub(super) fn of(estimate: &Estimate, got: Got) -> Result<Self, Error> {
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
        Ok(Self { dispersion, lower, got })
    }
}

/// A field of the object, with the level it shares and its tests.
struct FieldAt<'a>(&'a FieldFit, Level, Option<&'a Examination>);

impl Serialize for FieldAt<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(field, level, tests) = self;
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
        number(&mut map, "k_moments", field.moments.or_why())?;
        number(&mut map, "k_zero_class", field.zero_class.or_why())?;
        number(&mut map, "k_se_observed", field.se_observed)?;
        number(&mut map, "k_se_expected", field.se_expected)?;
        number(&mut map, "efficiency_of_moments", field.efficiency.map(|of| of.moments))?;
        number(&mut map, "efficiency_of_zero_class", field.efficiency.map(|of| of.zero_class))?;
        value(&mut map, "morisita_index", field.morisita_index, is(field.morisita_index))?;
        value(&mut map, "mean_crowding", field.mean_crowding, is(field.mean_crowding))?;
        if let Some(notice) = field.notice {
            map.serialize_entry("notice", &notice)?;
        }
        if let Some(tests) = tests {
            map.serialize_entry("tests", tests)?;
        }
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

impl Fit {
    /// Writes the walks and their common k.
    pub(super) fn fields_and_common<M: SerializeMap>(&self, map: &mut M) -> Result<(), M::Error> {
        let tests = |i: usize| self.study.as_ref().and_then(|study| study.tests.get(i));
        let fields = self.fields.iter().enumerate().map(|(i, field)| FieldAt(field, self.level, tests(i)));
        map.serialize_entry("fields", &fields.collect::<Vec<_>>())?;
        map.serialize_entry("common", &CommonAt(&self.common, self.level))
    }
}

impl Serialize for Fit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        self.fields_and_common(&mut map)?;
        if let Some(groups) = &self.groups {
            map.serialize_entry("groups", groups)?;
        }
        if let Some(weighted) = &self.weighted {
            map.serialize_entry("weighted", weighted)?;
        }
        if let Some(stopped) = &self.stopped {
            map.serialize_entry("stopped", stopped)?;
        }
        if let Some(study) = &self.study {
            study.entries(&mut map)?;
        }
        if let Some(places) = &self.places {
            part(&mut map, "places", places)?;
        }
        if let Some(observers) = &self.observers {
            map.serialize_entry("observers", observers)?;
        }
        if let Some(plants) = &self.plants_of_sites {
            part(&mut map, "plants_of_sites", plants)?;
        }
        if let Some(needed) = &self.needed {
            part(&mut map, "needed", needed)?;
        }
        map.serialize_entry("made_by", &Made(&self.origin, self.seed()))?;
        map.end()
    }
}
