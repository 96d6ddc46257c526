//! What a plan really does: the chance of each call and the number of sites, exactly.
//!
//! One recursion serves every mean: at a fixed k the total is sufficient, so the probability of every
//! way to stop at (n, T) under mean µ is that under a reference mean times ρᵀcⁿ ([`crate::law::Tilt`]).
//! Laws that are not of one family (k moving with the mean, a table) get a recursion each. An
//! uncertain k is a weighted set of laws. Two products: [`evaluate()`] gives the curves, [`exits`] every
//! single way to stop.
//!
//! Accuracy: probabilities to 1e-12 absolute, expected sites to 1e-12 relative, for means from 1e-6
//! to 1e4 and k from 0.1 to 1e9. Nothing is cut off: the uppermost stop gets what is missing from 1.

mod between;
mod chebyshev;
mod clustered;
mod curve;
mod dispatch;
mod eight;
mod evaluation;
mod exits;
mod forward;
mod kernel;
mod largest;
mod lean;
mod nodes;
mod outcome;
mod plain_mean;
mod sensitivity;
mod strips;
#[cfg(test)]
mod tests;
mod tilt;
mod vector;
mod windows;

pub(crate) use clustered::clustered_work;
pub use clustered::{clustered_lines, evaluate_clustered};
pub use curve::{Curve, CurveRow, curve_of_laws, evaluate_lines, stopped_by};
pub use dispatch::InstructionSet;
pub(crate) use dispatch::{PlainWork, VectorWork};
pub use evaluation::{Evaluation, evaluate};
pub use exits::{Exit, Exits, exits};
pub use largest::{LargestSites, largest_expected_sites};
pub(crate) use largest::{expected_sites, largest_sites_between};
pub use lean::{Evaluator, Point};
pub use outcome::calls_of_laws;
pub(crate) use outcome::{pool_calls, pooled_calls};
pub use plain_mean::{PlainMean, plain_mean};
pub use sensitivity::{Case, K_FACTORS, Otherwise, Sensitivity, sensitivity};
pub(crate) use strips::{Closing, Closings, Pair, Strips};
pub(crate) use vector::{BYTES, Bytes, Vector};
pub(crate) use windows::{Reach, Windows};

use crate::error::Error;
use crate::law::Law;
use crate::lines::Lines;

/// Multiply-adds of one recursion over `lines` under `law`.
///
/// # Errors
/// `too_much_work` where no recursion would be run at all.
pub(crate) fn work(lines: &Lines, law: &Law) -> Result<f64, Error> {
    Ok(Windows::of(lines.rows(), Reach::of(law))?.work)
}
