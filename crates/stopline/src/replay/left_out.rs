//! Each field replayed under a plan that was made without it.

use super::{Replayed, Replaying, Tally, replay};
use crate::counts::Counts;
use crate::dispersion::{Dispersion, fit_counts};
use crate::error::{Code, Error};
use crate::params::K;
use crate::plan::{Method, Plan};
use crate::watch::{Watch, tell};
use serde::Serialize;

/// A field, and the plan made without it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeftOut {
    /// The field that had no say.
    pub field: String,
    /// k common to the other fields; none where it is infinite.
    pub k: Option<f64>,
    /// Digest of the plan made with it.
    pub plan: Option<String>,
    /// Why there is none.
    pub why: Option<String>,
    /// The walks of the field, in the order walked.
    pub walks: Vec<Replayed>,
    /// These together.
    pub tally: Tally,
}

/// Fits k and derives the lines anew without each field, and replays it.
///
/// # Errors
/// `combination` where the lines were given, or the plan's dispersion is not one k (or Poisson); as [`replay`].
pub fn leave_one_out(plan: &Plan, counts: &Counts, how: &Replaying, watch: &dyn Watch) -> Result<Vec<LeftOut>, Error> {
    if !matches!(plan.asked().dispersion, Dispersion::ConstantK { .. } | Dispersion::Poisson) {
        let allowed = "constant_k or poisson: only these are fitted anew";
        return Err(Error::new(Code::Combination, "dispersion of the plan", plan.asked().dispersion.name(), allowed));
    }
    if matches!(plan.method(), Method::Given | Method::Tuned) {
        let allowed = "a method by which lines are derived from k alone";
        return Err(Error::new(Code::Combination, "method of the plan", plan.method().as_str(), allowed));
    }
    let mut fields: Vec<&str> = Vec::new();
    for walk in &counts.walks {
        if !fields.contains(&walk.field.as_str()) {
            fields.push(&walk.field);
        }
    }
    if fields.len() < 3 {
        return Err(Error::new(Code::OutOfRange, "number of fields", fields.len(), "at least 3, to fit k without one"));
    }
    let how = Replaying { orders: 0, ..*how };
    let of = fields.len() as u64;
    let one = |(done, field): (u64, &str)| {
        tell(watch, done, of)?;
        let others = fit_counts(&counts.of_fields(|name| name != field), how.level, watch)?.for_plan()?.dispersion;
        let k = others.constant_k().map(K::get);
        let (mut found, mut why, mut walks) = (None, None, Vec::new());
        match plan.under(others, watch) {
            Ok(made) => {
                walks = replay(&made, &counts.of_fields(|name| name == field), &how, watch)?.walks;
                found = Some(made.digest().as_str().to_owned());
            }
            Err(e) if e.code() == Code::Interrupted => return Err(e),
            Err(e) => why = Some(e.to_string()),
        }
        Ok(LeftOut { field: field.to_owned(), k, plan: found, why, tally: Tally::of(&walks), walks })
    };
    (0..).zip(fields).map(one).collect()
}
