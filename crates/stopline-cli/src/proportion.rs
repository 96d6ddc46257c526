//! The share of positive sites against the mean, for `plan --proportion`.

use crate::words::{figures, many, wrapped};
use serde::Serialize;
use stopline::decide::Season;
use stopline::dispersion::{Fit, ProportionFit};

/// A fit, and what was asked for beside it.
#[derive(Serialize)]
pub struct Whole<'a> {
    #[serde(flatten)]
    pub fit: &'a Fit,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proportion: Option<&'a ProportionFit>,
    /// What walks that a plan stopped say together of its k.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub check_of_k: Option<&'a Season>,
}

/// The relation of positive sites to the mean, and how a plan takes it.
pub fn relation(of: &ProportionFit) -> String {
    let above = of.above;
    let line = match of.line {
        Ok(line) => line,
        Err(why) => {
            return wrapped("", &format!("How often sites hold more than {above} is not told by the mean: {why}."));
        }
    };
    let left = of.none_positive + of.all_positive;
    let [a, b, scatter] = [line.intercept.value, line.slope.value, line.mean_square.sqrt()].map(figures);
    let (low, high) = of.means.unwrap_or_default();
    wrapped(
        "",
        &format!(
            "Share P of sites with more than {above}: ln m = {a} + {b} ln(-ln(1 - P)), scatter of ln m {scatter} (sampling included), from {} with means {} to {}; {} without or with such sites only left out. For a plan: --score positive --above {above} --proportion {a},{b},{scatter}",
            many(line.points as u64, "walk"),
            figures(low),
            figures(high),
            many(left as u64, "walk"),
        ),
    )
}
