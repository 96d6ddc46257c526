//! The exact risks a plan really has.

use super::design::Design;
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::evaluate::{InstructionSet, pooled_calls};
use crate::law::Laws;
use crate::lines::{Call, Lines};
use crate::params::{K, Mean};
use crate::watch::{Quiet, Watch};

/// Probability of a wrong call at a threshold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AttainedRow {
    /// True mean per site.
    pub mean: Mean,
    /// The call that would be wrong there.
    pub call: Call,
    /// Its probability; over an interval of k the largest.
    pub p: f64,
}

/// Exact risks of `lines` at the thresholds of `design`; empty where it has none.
pub(crate) fn attained(design: &Design, lines: &Lines, watch: &dyn Watch) -> Result<Vec<AttainedRow>, Error> {
    let Some(thresholds) = design.thresholds() else { return Ok(Vec::new()) };
    let wrong = [(thresholds.inadequate(), Call::Adequate), (thresholds.adequate(), Call::Inadequate)];
    let laws = [design.dispersion.laws(&design.score, wrong[0].0)?, design.dispersion.laws(&design.score, wrong[1].0)?];
    let calls = pooled_calls(lines, &laws, InstructionSet::PORTABLE, watch)?;
    let mut rows = Vec::with_capacity(wrong.len());
    for ((mean, call), calls) in wrong.into_iter().zip(calls) {
        let mut p = calls.get(call.index()).copied().unwrap_or(0.0);
        if let Dispersion::KInterval { low, high, .. } = design.dispersion {
            p = p.max(worst_k(design, lines, mean, call, (low, high))?);
        }
        // Sums of many terms may pass 1 in the last place.
        rows.push(AttainedRow { mean, call, p: p.min(1.0) });
    }
    Ok(rows)
}

/// Largest P(call) over an interval of k: errors are not monotone in k, so a grid over ln k is refined
/// around its best point, three times by a factor of 16.
fn worst_k(design: &Design, lines: &Lines, mean: Mean, call: Call, (low, high): (K, K)) -> Result<f64, Error> {
    let (mut from, mut to) = (libm::log(low.get()), libm::log(high.get()));
    let (first, last) = (from, to);
    let mut worst = 0.0_f64;
    for _ in 0..4 {
        let points = 32;
        let step = (to - from) / f64::from(points);
        let mut at = from;
        for i in 0..=points {
            let x = (from + step * f64::from(i)).clamp(first, last);
            let k = Dispersion::ConstantK { k: K::new(libm::exp(x).clamp(low.get(), high.get()))? };
            let laws: [Laws; 1] = [k.laws(&design.score, mean)?];
            let [calls] = pooled_calls(lines, &laws, InstructionSet::PORTABLE, &Quiet)?;
            let p = calls.get(call.index()).copied().unwrap_or(0.0);
            if p > worst {
                (worst, at) = (p, x);
            }
        }
        (from, to) = (at - step, at + step);
        if step <= 0.0 {
            break;
        }
    }
    Ok(worst)
}
