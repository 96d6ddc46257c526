//! The evaluation of a plan as every program prints it.

use super::{Curve, CurveRow, evaluate_lines};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::params::{K, Mean};
use crate::plan::{Digest, Plan};
use crate::watch::Watch;
use serde::ser::{Serialize, SerializeStruct, Serializer};

/// What a plan really does under one dispersion. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluation {
    /// Digest of the plan.
    pub plan: Digest,
    /// The dispersion that was taken to be true.
    pub under: Dispersion,
    /// Calls and sites at each mean.
    pub curve: Curve,
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
    let curve = evaluate_lines(plan.lines(), &plan.asked().score, under, means, watch)?;
    Ok(Evaluation { plan: plan.digest().clone(), under: *under, curve })
}

impl Serialize for Evaluation {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Evaluation", 8)?;
        object.serialize_field("format", "stopline/evaluation")?;
        object.serialize_field("version", &1)?;
        object.serialize_field("plan", self.plan.as_str())?;
        object.serialize_field("dispersion", self.under.name())?;
        object.serialize_field("k", &self.under.constant_k().map(K::get))?;
        object.serialize_field("exact", &true)?;
        object.serialize_field("even_mean", &self.curve.even_mean)?;
        object.serialize_field("rows", &self.curve.rows)?;
        object.end()
    }
}

impl Serialize for CurveRow {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("CurveRow", 9)?;
        object.serialize_field("mean", &self.mean)?;
        object.serialize_field("adequate", &self.adequate)?;
        object.serialize_field("inadequate", &self.inadequate)?;
        object.serialize_field("undecided", &self.undecided)?;
        object.serialize_field("expected_sites", &self.expected_sites)?;
        object.serialize_field("sites_sd", &self.sites_sd)?;
        object.serialize_field("sites_p50", &self.sites_p50)?;
        object.serialize_field("sites_p90", &self.sites_p90)?;
        object.serialize_field("at_cap", &self.at_cap)?;
        object.end()
    }
}
