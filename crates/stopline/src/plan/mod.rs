//! Stop plans: from thresholds, risks and dispersion to a table of stop lines, and its file.
//!
//! A plan is described by its score, its aim and its method ([`Design`], [`Method`]); everything
//! downstream reads the one table of rows of stops ([`Lines`]) and does not know which kind it is.

mod about;
mod aim;
mod aim_file;
mod alike;
mod attained;
mod beside;
mod calibrated;
mod calibration;
mod checks;
mod curtailed;
mod design;
mod digest;
mod file;
mod fixed;
mod levels;
mod neighbours;
mod no_plan;
mod nominal;
mod one_sided;
mod optimal;
mod recalibrated;
mod scores;
mod straight;
mod table;
mod three_calls;
mod two_stage;
mod wire;

pub use about::{About, MadeBy};
pub use aim::{Aim, Pair, Sides};
pub use alike::Alike;
pub use attained::AttainedRow;
pub use calibration::{Calibration, Range};
pub use checks::{Checks, Closing};
pub use design::{Design, Method};
pub use digest::Digest;
pub use fixed::Fixed;
pub use levels::{Level, levels};
pub use neighbours::{Neighbours, RisksAlike};
pub use optimal::{Objective, Proof};
pub use recalibrated::{Recalibrated, recalibrated};
pub use scores::{Scored, ScoredPlan};
pub use straight::{Line, Straight};
pub use table::Table;
pub(crate) use wire::required;

use crate::decide::CheckOfK;
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::lines::{Call, Lines, Row};
use crate::params::{Mean, Plants, Risk, Risks, Share, Thresholds};
use crate::score::Score;
use crate::watch::{Quiet, Watch};
use attained::attained;
use no_plan::no_plan;
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::sync::{Arc, OnceLock};

/// A plan that can be walked: what was asked, the lines, and the risks they exactly have.
#[derive(Debug, Clone)]
pub struct Plan {
    design: Design,
    method: Method,
    lines: Lines,
    attained: Vec<AttainedRow>,
    alike: Option<Alike>,
    proof: Option<Proof>,
    about: About,
    host: Box<RawValue>,
    made_by: MadeBy,
    /// Worked out when first asked for; the other once for all clones.
    digest: OnceLock<Digest>,
    pub(crate) check_of_k: Arc<OnceLock<Result<CheckOfK, Error>>>,
}

impl PartialEq for Plan {
    /// Equal where every decision is: by digest.
    fn eq(&self, other: &Self) -> bool {
        self.digest() == other.digest()
    }
}

impl Plan {
    /// Derives a plan.
    ///
    /// # Errors
    /// `no_plan` where no plan of this method keeps the risks within the cap, naming the fewest fixed
    /// sites and the cap that would do; `combination` where parts of the design do not fit;
    /// `too_much_work`, `interrupted`.
    ///
    /// ```
    /// use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
    /// use stopline::{Dispersion, K, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds};
    /// let design = Design {
    ///     score: Score::Count,
    ///     plants: Plants::new(3)?,
    ///     dispersion: Dispersion::ConstantK { k: K::new(1.2)? },
    ///     aim: Aim::TwoCalls {
    ///         thresholds: Some(Thresholds::new(Mean::new(1.0)?, Mean::new(2.0)?)?),
    ///         risks: Some(Risks::new(Risk::new(0.1)?, Risk::new(0.1)?)?),
    ///     },
    ///     checks: Checks::every(5, 30, 1)?,
    ///     closing: Closing::Call,
    /// };
    /// let plan = Plan::design(design, Method::Calibrated, &Quiet)?;
    /// assert!(plan.attained().iter().all(|row| row.p <= 0.1));
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn design(design: Design, method: Method, watch: &dyn Watch) -> Result<Self, Error> {
        design.derivable(method)?;
        let (checks, lines) = match design.aim {
            Aim::TwoCalls { .. } if method == Method::Optimal => {
                return Self::optimal(design, &Objective::LargestExpectedSites, None, watch);
            }
            Aim::TwoCalls { .. } => match design.asked()?.two_calls(method, watch)? {
                Some(found) => found,
                None => return Err(no_plan(&design, method, watch)?),
            },
            Aim::ThreeCalls { lower, upper } if method == Method::Calibrated => {
                (design.checks.clone(), design.calibrated_three_calls(lower, upper, watch)?)
            }
            Aim::ThreeCalls { lower, upper } => (design.checks.clone(), design.three_calls(lower, upper)?),
            Aim::Interval { critical, confidence, sides } => {
                (design.checks.clone(), design.interval(critical, confidence, sides)?)
            }
            Aim::Precision { .. } if method == Method::Tuned => {
                let allowed = "a range of means over which the precision is kept";
                return Err(Error::about(Code::Combination, "tuned plan without means", allowed));
            }
            Aim::Precision { se_over_mean } => (design.checks.clone(), design.precision(se_over_mean)?),
        };
        Self::new(Design { checks, ..design }, method, lines, None, watch)
    }

    /// Derives the plan with the least `objective` at the asked risks, with its proof. A design that may
    /// end undecided needs a bound of P(undecided), kept at both thresholds and at the plan's even mean.
    ///
    /// # Errors
    /// As [`Plan::design`]; `combination` where k is uncertain, or the bound of P(undecided) is missing.
    pub fn optimal(
        design: Design,
        objective: &Objective,
        undecided_at_most: Option<Share>,
        watch: &dyn Watch,
    ) -> Result<Self, Error> {
        let sites = design.checks.sites();
        match design.asked()?.optimal(&sites, objective, undecided_at_most, watch)? {
            Some((lines, proof)) => Self::new(design, Method::Optimal, lines, Some(proof), watch),
            None => Err(no_plan(&design, Method::Optimal, watch)?),
        }
    }

    /// Derives the plan for a precision whose *true* standard error over mean, stopping included, is at most
    /// the asked one at 25 means from the first to the second, evenly spaced in their logarithms: the formula's
    /// lines for the largest smaller precision that does. The range is told in the plan's notes.
    ///
    /// # Errors
    /// `combination` for another aim or a reversed range; `no_plan` where no smaller precision does, as where
    /// the cap is too low; `too_much_work`, `interrupted`.
    pub fn tuned(design: Design, over: [Mean; 2], watch: &dyn Watch) -> Result<Self, Error> {
        design.derivable(Method::Tuned)?;
        let lines = design.tuned_precision(over, watch)?;
        let [low, high] = over.map(Mean::get);
        let notes = format!("precision kept at true means from {low} to {high} per site");
        Ok(Self::new(design, Method::Tuned, lines, None, watch)?.with_about(About { notes, ..About::default() }))
    }

    /// Derives a plan with two checks that makes one call only at the first: with the fewest expected sites at the
    /// mean for which that call is right, or, for [`Method::TwoStageMinimax`], the same among those with the fewest
    /// sites at most (the optimal and minimax plans of Simon 1989).
    ///
    /// # Errors
    /// As [`Plan::design`]; `combination` for another method, or an early call that is not inadequate or adequate.
    ///
    /// ```
    /// use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
    /// use stopline::{Call, Dispersion, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds};
    /// let design = Design {
    ///     score: Score::positive(0, 1)?,
    ///     plants: Plants::ONE,
    ///     dispersion: Dispersion::Binomial,
    ///     aim: Aim::TwoCalls {
    ///         thresholds: Some(Thresholds::new(Mean::new(0.1)?, Mean::new(0.3)?)?),
    ///         risks: Some(Risks::new(Risk::new(0.05)?, Risk::new(0.2)?)?),
    ///     },
    ///     checks: Checks::every(1, 40, 1)?,
    ///     closing: Closing::Call,
    /// };
    /// let plan = Plan::two_stage(design, Method::TwoStage, Call::Inadequate, &Quiet)?;
    /// assert_eq!(plan.asked().checks.sites(), [10, 29]);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn two_stage(design: Design, method: Method, early: Call, watch: &dyn Watch) -> Result<Self, Error> {
        design.derivable(method)?;
        if !matches!(method, Method::TwoStage | Method::TwoStageMinimax) || design.closing != Closing::Call {
            let (what, allowed) = ("early call", "only with method two_stage or two_stage_minimax and a closing call");
            return Err(Error::new(Code::Combination, what, early.as_str(), allowed));
        }
        let (sites, minimax) = (design.checks.sites(), method == Method::TwoStageMinimax);
        let derive = |asked: &design::Asked<'_>| asked.one_sided(&sites, early, minimax, watch);
        match design.asked()?.at_every_k(|(_, lines): &(Checks, Lines)| Ok(Cow::Borrowed(lines)), derive, watch)? {
            Some((checks, lines)) => Self::new(Design { checks, ..design }, method, lines, None, watch),
            None => Err(no_plan(&design, method, watch)?),
        }
    }

    /// A plan from a table given from outside; its exact risks are computed where it has thresholds.
    ///
    /// # Errors
    /// `lines` where the rows are not at the design's checks; `combination`; `too_much_work`.
    pub fn given(design: Design, lines: Lines, watch: &dyn Watch) -> Result<Self, Error> {
        if let Some(call) = lines.calls().into_iter().find(|call| !design.aim.calls().contains(call)) {
            let what = format!("call in a table for {}", design.aim.as_str());
            let allowed: Vec<&str> = design.aim.calls().iter().map(|call| call.as_str()).collect();
            return Err(Error::new(Code::Combination, what, call.as_str(), allowed.join(", ")));
        }
        Self::new(design, Method::Given, lines, None, watch)
    }

    fn new(
        design: Design,
        method: Method,
        lines: Lines,
        proof: Option<Proof>,
        watch: &dyn Watch,
    ) -> Result<Self, Error> {
        let attained = attained(&design, &lines, watch)?;
        let host =
            RawValue::from_string("{}".to_owned()).map_err(|e| Error::new(Code::PlanFormat, "host", e, "an object"))?;
        let (about, made_by) = (About::default(), MadeBy::default());
        let (digest, check_of_k) = (OnceLock::new(), Arc::default());
        Self { design, method, lines, attained, alike: None, proof, about, host, made_by, digest, check_of_k }
            .assembled()
    }

    /// A plan of the same design and method where counts vary in another way.
    ///
    /// # Errors
    /// As [`Plan::design`]; `combination` where the lines were given from outside.
    pub(crate) fn under(&self, dispersion: Dispersion, watch: &dyn Watch) -> Result<Self, Error> {
        self.derived_anew(Design { dispersion, ..self.design.clone() }, watch)
    }

    /// A plan of another design by the same method.
    pub(crate) fn derived_anew(&self, design: Design, watch: &dyn Watch) -> Result<Self, Error> {
        if let Some(alike) = &self.alike {
            return Ok(recalibrated(&design, self.method, &alike.source(&design)?, watch)?.plan);
        }
        match &self.proof {
            Some(proof) => Self::optimal(design, &proof.objective, None, watch),
            None => Self::design(design, self.method, watch),
        }
    }

    /// The same plan with other words about it.
    #[must_use]
    pub fn with_about(mut self, about: About) -> Self {
        self.about = about;
        self
    }

    /// The same plan carrying an embedder's JSON object.
    ///
    /// # Errors
    /// `plan_format` where `host` is not a JSON object.
    pub fn with_host(mut self, host: &str) -> Result<Self, Error> {
        let object = || Error::about(Code::PlanFormat, "host", "a JSON object");
        self.host = serde_json::from_str(host).map_err(|_| object())?;
        if self.host.get().starts_with('{') { Ok(self) } else { Err(object()) }
    }

    /// What was asked.
    #[must_use]
    pub fn asked(&self) -> &Design {
        &self.design
    }
    /// How the lines were derived.
    #[must_use]
    pub fn method(&self) -> Method {
        self.method
    }
    /// The stop lines.
    #[must_use]
    pub fn lines(&self) -> &Lines {
        &self.lines
    }
    /// The exact risks at the thresholds, over independent sites; empty where there are none.
    #[must_use]
    pub fn attained(&self) -> &[AttainedRow] {
        &self.attained
    }
    /// What a plan made for sites that are alike promises there.
    #[must_use]
    pub fn alike(&self) -> Option<&Alike> {
        self.alike.as_ref()
    }
    /// For an optimal plan, what proves how close it is to the best there can be.
    #[must_use]
    pub fn proof(&self) -> Option<&Proof> {
        self.proof.as_ref()
    }
    /// Words about the plan.
    #[must_use]
    pub fn about(&self) -> &About {
        &self.about
    }
    /// The embedder's JSON object, as it was given.
    #[must_use]
    pub fn host(&self) -> &str {
        self.host.get()
    }
    /// The program that made the plan.
    #[must_use]
    pub fn made_by(&self) -> &MadeBy {
        &self.made_by
    }
    /// Digest of everything that bears on decisions.
    #[must_use]
    pub fn digest(&self) -> &Digest {
        self.digest.get_or_init(|| self.compute_digest())
    }

    /// The straight lines that give this very table, one for each of the [columns](Aim::columns) of its aim, with as few
    /// decimals as do: those of a pair of thresholds parallel unless the plan's lines converge. Marginal is called from its
    /// first line to its second, where that is not below the first. `None` where no such lines exist.
    #[must_use]
    pub fn straight(&self) -> Option<Vec<Line>> {
        let Design { aim, closing, .. } = &self.design;
        let through = |slopes: &[f64]| straight::through(&self.lines, aim.columns(), slopes, *closing);
        match (aim, self.method) {
            (Aim::ThreeCalls { lower, upper }, _) => {
                let [lower, upper] = self.design.slopes_of_pairs(*lower, *upper).ok()?;
                through(&[lower, lower, upper, upper])
            }
            // Nobody draws a line through one check.
            (_, Method::Curtailed | Method::TwoStage | Method::TwoStageMinimax | Method::Fixed) => None,
            (_, Method::Converging) => {
                let slopes = self.design.asked().ok()?.converging_slopes().ok()?;
                slopes.into_iter().find_map(|slopes| through(&slopes))
            }
            _ => through(&[self.design.asked().ok()?.wald().ok()?.slope; 2]),
        }
    }
}

impl design::Asked<'_> {
    /// The checks and lines of a plan for two calls; `None` where no plan of the method keeps the risks.
    fn two_calls(&self, method: Method, watch: &dyn Watch) -> Result<Option<(Checks, Lines)>, Error> {
        let Design { checks, closing, .. } = self.design;
        let (sites, cap) = (checks.sites(), checks.cap());
        let calls = !matches!(method, Method::Wald | Method::Calibrated | Method::Optimal);
        if calls && *closing == Closing::Undecided {
            let what = format!("closing of a {} plan", method.as_str());
            return Err(Error::new(Code::Combination, what, "undecided", "call"));
        }
        let fewest = || {
            let checked = |n: u32| sites.binary_search(&n).is_ok() || n > cap;
            Ok::<_, Error>(self.fewest_fixed(checked, watch)?.filter(|f| f.sites <= cap))
        };
        Ok(match method {
            Method::Wald => {
                let wald = self.wald()?;
                Some((checks.clone(), wald.lines(&sites, *closing, wald.middle_cut(cap))?))
            }
            Method::Calibrated => self.calibrated(&sites, watch)?.map(|lines| (checks.clone(), lines)),
            Method::Converging => self.converging(&sites, watch)?,
            Method::Curtailed => fewest()?.map(|f| curtailed::curtailed(self.design, f)).transpose()?,
            Method::TwoStage | Method::TwoStageMinimax => {
                let most = if method == Method::TwoStage { Some(cap) } else { fewest()?.map(|f| f.sites) };
                match most {
                    Some(most) => self.two_stage(&sites, most, watch)?,
                    None => None,
                }
            }
            _ => fewest()?.map(|f| Ok::<_, Error>((Checks::at(vec![f.sites])?, f.lines()?))).transpose()?,
        })
    }
}

/// Wald's two lines for a design, as he gives them, before they are rounded to whole totals.
///
/// # Errors
/// `combination` where the design lacks thresholds or risks, or its laws at the thresholds are not of
/// one family.
pub fn wald_lines(design: &Design) -> Result<Straight, Error> {
    design.asked()?.wald()
}

/// The lines of someone who always counts `sites`: inadequate where the total is at most ⌊s·n⌋, s being the
/// slope of Wald's lines, the mean at which both thresholds are equally likely.
///
/// # Errors
/// `combination` where the laws at the thresholds are not of one family; `lines` for 0 sites.
pub fn always(score: &Score, under: &Dispersion, thresholds: Thresholds, sites: u32) -> Result<Lines, Error> {
    // The slope does not depend on the risks.
    let even = Risks::new(Risk::new(0.1)?, Risk::new(0.1)?)?;
    let design = Design {
        score: score.clone(),
        plants: Plants::ONE,
        dispersion: *under,
        aim: Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(even) },
        checks: Checks::at(vec![sites])?,
        closing: Closing::Call,
    };
    let cut = straight::at_most(wald_lines(&design)?.slope * f64::from(sites)).unwrap_or(-1);
    Lines::new(vec![Row::two_calls(sites, Some(cut), Some(cut + 1), None)])
}

/// The fewest sites, of any number, at which one cut keeps both risks of a design; `None` where more
/// than [`crate::MOST_SITES`] would be needed.
///
/// # Errors
/// `combination` where the design lacks thresholds or risks; `too_much_work` where the totals are too many.
pub fn fewest_fixed_sites(design: &Design) -> Result<Option<Fixed>, Error> {
    design.asked()?.fewest_fixed(|_| true, &Quiet)
}

/// The JSON schema of a plan file.
#[cfg(feature = "schema")]
#[must_use]
pub fn schema() -> String {
    schema_of::<wire::PlanFile>()
}

/// The JSON schema of a file as it is written: keys that may be null are there all the same.
#[cfg(feature = "schema")]
pub(crate) fn schema_of<T: schemars::JsonSchema>() -> String {
    let settings = schemars::generate::SchemaSettings::default().for_serialize();
    let schema = settings.into_generator().into_root_schema_for::<T>();
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    text
}
