//! The evaluation of a plan as every program prints it.

use super::plain_mean::{PlainMean, plain_mean};
use super::{Curve, CurveRow, evaluate_lines};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::estimate::{Behaviour, EstimatedStop, Order, behaviour, estimates};
use crate::lines::Call;
use crate::params::{K, Level, Mean};
use crate::plan::{Aim, Design, Digest, Plan};
use crate::simulate::Origin;
use crate::watch::Watch;
use serde::ser::{Serialize, SerializeMap, SerializeStruct, Serializer};

/// What a plan really does under one dispersion. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluation {
    /// Digest of the plan.
    pub plan: Digest,
    /// The dispersion that was taken to be true.
    pub under: Dispersion,
    /// Where the counts come from.
    pub source: Origin,
    /// The calls that the plan can make.
    pub calls: Vec<Call>,
    /// Calls and sites at each mean.
    pub curve: Curve,
    /// For a plan that stops at a precision: what becomes of the plain mean, at each mean.
    pub estimates: Option<Vec<PlainMean>>,
    /// Level and order of the intervals, where they were asked for.
    pub intervals: Option<(Level, Order)>,
    /// Where asked: how estimates after stopping behave, at each mean.
    pub behaviour: Option<Vec<Behaviour>>,
    /// Where asked: what every stop tells.
    pub stops: Option<Vec<EstimatedStop>>,
}

impl Evaluation {
    /// The same, with how estimates and intervals (of a level, stops in this order) behave that take the plan's dispersion
    /// to be true.
    ///
    /// # Errors
    /// As [`crate::estimate::behaviour()`].
    pub fn with_behaviour(mut self, plan: &Plan, intervals: (Level, Order), watch: &dyn Watch) -> Result<Self, Error> {
        let Design { score, dispersion, .. } = plan.asked();
        let means = self.curve.rows.iter().map(|row| Mean::new(row.mean)).collect::<Result<Vec<_>, _>>()?;
        let found = behaviour(plan.lines(), score, (dispersion, &self.under), &means, intervals, watch)?;
        (self.behaviour, self.intervals) = (Some(found), Some(intervals));
        Ok(self)
    }

    /// The same, with what every stop tells whose plain mean is at most `up_to`.
    ///
    /// # Errors
    /// As [`crate::estimate::estimates`].
    pub fn with_stops(
        mut self,
        plan: &Plan,
        up_to: Mean,
        intervals: (Level, Order),
        watch: &dyn Watch,
    ) -> Result<Self, Error> {
        let Design { score, dispersion, .. } = plan.asked();
        let found = estimates(plan.lines(), score, dispersion, up_to, intervals, watch)?;
        (self.stops, self.intervals) = (Some(found), Some(intervals));
        Ok(self)
    }
}

/// What `plan` does where counts vary as `under` says, at each mean, exactly.
///
/// # Errors
/// As [`evaluate_lines`].
///
/// ```
/// # use stopline::{Dispersion, K, Mean, Plants, Quiet, Row, Score, evaluate::evaluate, plan::{Aim, Design, Plan, Table}};
/// // 15 sites, inadequate if the total is at most 31.
/// let table = Table::of(&[(15, Some(31), Some(32))])?;
/// let under = Dispersion::ConstantK { k: K::new(2.0)? };
/// let design = Design { score: Score::Count, plants: Plants::ONE, dispersion: under, checks: table.checks,
///     aim: Aim::TwoCalls { thresholds: None, risks: None }, closing: table.closing };
/// let plan = Plan::given(design, table.lines, &Quiet)?;
/// let json = serde_json::to_value(evaluate(&plan, &under, &[Mean::new(1.5)?], &Quiet)?).unwrap();
/// assert_eq!((&json["format"], &json["k"]), (&"stopline/evaluation".into(), &2.0.into()));
/// assert_eq!(json["rows"][0]["sites_p90"], 15);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn evaluate(plan: &Plan, under: &Dispersion, means: &[Mean], watch: &dyn Watch) -> Result<Evaluation, Error> {
    let design = plan.asked();
    let curve = evaluate_lines(plan.lines(), &design.score, under, means, watch)?;
    let estimates = match design.aim {
        Aim::Precision { .. } => Some(
            means.iter().map(|&m| plain_mean(plan.lines(), &design.score, under, m)).collect::<Result<Vec<_>, _>>()?,
        ),
        _ => None,
    };
    let (digest, calls) = (plan.digest().clone(), plan.lines().calls());
    let source = Origin::Independent;
    let (intervals, behaviour, stops) = (None, None, None);
    Ok(Evaluation { plan: digest, under: *under, source, calls, curve, estimates, intervals, behaviour, stops })
}

impl Serialize for Evaluation {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Evaluation", 9)?;
        object.serialize_field("format", "stopline/evaluation")?;
        object.serialize_field("version", &1)?;
        object.serialize_field("plan", self.plan.as_str())?;
        object.serialize_field("dispersion", self.under.name())?;
        object.serialize_field("k", &self.under.constant_k().map(K::get))?;
        object.serialize_field("exact", &true)?;
        if self.source != Origin::Independent {
            object.serialize_field("source", &self.source)?;
        }
        object.serialize_field("even_mean", &self.curve.even_mean)?;
        let rows: Vec<FullRow<'_>> = (self.curve.rows.iter().enumerate())
            .map(|(i, row)| FullRow {
                row,
                of: self,
                estimate: self.estimates.as_ref().and_then(|e| e.get(i)),
                behaviour: self.behaviour.as_ref().and_then(|e| e.get(i)),
            })
            .collect();
        object.serialize_field("rows", &rows)?;
        if let Some((level, order)) = &self.intervals {
            object.serialize_field("level", &level.get())?;
            object.serialize_field("order", order.as_str())?;
        }
        match &self.stops {
            Some(stops) => object.serialize_field("stops", stops)?,
            None => object.skip_field("stops")?,
        }
        object.end()
    }
}

/// A row with what this kind of plan has beside the two calls.
struct FullRow<'a> {
    row: &'a CurveRow,
    of: &'a Evaluation,
    estimate: Option<&'a PlainMean>,
    behaviour: Option<&'a Behaviour>,
}

impl Serialize for FullRow<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let row = self.row;
        let mut object = serializer.serialize_map(None)?;
        object.serialize_entry("mean", &row.mean)?;
        object.serialize_entry("adequate", &row.adequate)?;
        object.serialize_entry("inadequate", &row.inadequate)?;
        object.serialize_entry("undecided", &row.undecided)?;
        for (call, p) in [(Call::Marginal, row.marginal), (Call::Enough, row.enough)] {
            if self.of.calls.contains(&call) {
                object.serialize_entry(call.as_str(), &p)?;
            }
        }
        object.serialize_entry("expected_sites", &row.expected_sites)?;
        object.serialize_entry("sites_sd", &row.sites_sd)?;
        object.serialize_entry("sites_p50", &row.sites_p50)?;
        object.serialize_entry("sites_p90", &row.sites_p90)?;
        object.serialize_entry("at_cap", &row.at_cap)?;
        if let Some(estimate) = self.estimate {
            object.serialize_entry("se_over_mean", &estimate.se_over_mean)?;
            object.serialize_entry("bias_over_mean", &estimate.bias_over_mean)?;
        }
        if let Some(behaviour) = self.behaviour {
            object.serialize_entry("estimate", behaviour)?;
        }
        object.end()
    }
}
