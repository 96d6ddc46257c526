//! From the recursion at one reference to what happens at each of many means.
#![allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap)] // exponents and anchors stay far below 2³¹

use super::forward::{Check, forward};
use super::kernel::polynomial;
use crate::error::Error;
use crate::law::{Law, Laws, Pool, Tilt};
use crate::lines::{Call, Lines};
use crate::watch::Watch;

/// Means that share a pass over a check's probabilities.
const BLOCK: usize = 8;
/// Beyond this a power is taken through logarithms, to stay inside the range of numbers.
const LARGE_EXPONENT: f64 = 600.0;

/// What a walk under one law ends in.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    /// P(call), in the order of [`Call::ALL`].
    pub calls: [f64; Call::ALL.len()],
    /// P(still open after check i).
    pub open: Vec<f64>,
}

impl Outcome {
    fn new(checks: usize) -> Self {
        Self { calls: [0.0; Call::ALL.len()], open: Vec::with_capacity(checks) }
    }

    /// Adds `weight` times `other`.
    pub fn add(&mut self, weight: f64, other: &Outcome) {
        self.calls.iter_mut().zip(&other.calls).for_each(|(a, b)| *a += weight * b);
        if self.open.is_empty() {
            self.open.resize(other.open.len(), 0.0);
        }
        self.open.iter_mut().zip(&other.open).for_each(|(a, b)| *a += weight * b);
    }

    pub fn zero() -> Self {
        Self::new(0)
    }
}

/// The state of one mean as the checks pass.
struct Tilted {
    tilt: Tilt,
    ratio: f64,
    outcome: Outcome,
    /// Mass that came into the check and is not yet accounted for.
    left: f64,
}

impl Tilted {
    /// Σ q[j]·2^exponent · ρ^(from+j) · cⁿ over a segment, given Σ q[j]·ρʲ.
    fn scale(&self, check: &Check<'_>, from: i64, polynomial: f64) -> f64 {
        let ln = f64::from(check.at) * self.tilt.ln_site
            + from as f64 * self.tilt.ln_ratio
            + f64::from(check.exponent) * core::f64::consts::LN_2;
        if ln.abs() < LARGE_EXPONENT {
            polynomial * libm::exp(ln)
        } else if polynomial > 0.0 {
            libm::exp(ln + libm::log(polynomial))
        } else {
            0.0
        }
    }
}

/// Σ q[j]·ρʲ as (anchor, Σ q[j]·ρ^(j−anchor)) for a ρ whose powers would leave the range of numbers.
fn anchored(q: &[f64], tilt: Tilt) -> (i64, f64) {
    if tilt.ln_ratio <= 0.0 {
        return (0, q.iter().rev().fold(0.0, |s, &q| s * libm::exp(tilt.ln_ratio) + q));
    }
    let back = libm::exp(-tilt.ln_ratio);
    (q.len() as i64 - 1, q.iter().fold(0.0, |s, &q| s * back + q))
}

/// What happens under each of `laws`, all for the same lines.
///
/// # Errors
/// `too_much_work`, `interrupted`.
pub(crate) fn outcomes(lines: &Lines, laws: &[Law], watch: &dyn Watch) -> Result<Vec<Outcome>, Error> {
    let mut found: Vec<Option<Outcome>> = laws.iter().map(|_| None).collect();
    // One recursion at a mean in the middle of the strip serves all laws of the first law's family.
    if laws.len() > 1
        && let Some(reference) = laws.first().and_then(|l| l.with_mean(middle(lines)))
    {
        let (at, tilts): (Vec<_>, Vec<_>) =
            laws.iter().enumerate().filter_map(|(i, law)| reference.tilt_to(law).map(|t| (i, t))).unzip();
        if let Some(outcomes) = tilted(lines, &reference, &tilts, watch)? {
            for (i, outcome) in at.into_iter().zip(outcomes) {
                if let Some(slot) = found.get_mut(i) {
                    *slot = Some(outcome);
                }
            }
        }
    }
    // The others are their own reference; then a probability too faint to hold is truly negligible.
    let own = Tilt { ln_ratio: 0.0, ln_site: 0.0 };
    let mut all = Vec::with_capacity(laws.len());
    for (slot, law) in found.into_iter().zip(laws) {
        all.push(match slot {
            Some(outcome) => outcome,
            None => pass(lines, law, &[own], watch)?.0.pop().unwrap_or_else(Outcome::zero),
        });
    }
    Ok(all)
}

/// The mean per site in the middle of where the last check divides the totals.
pub(crate) fn middle(lines: &Lines) -> f64 {
    let Some(row) = lines.rows().last() else { return 1.0 };
    let bounds = row.stops.iter().flat_map(|s| [s.from, s.to.map(|t| t + 1)]).flatten();
    let (sum, n) = bounds.fold((0.0, 0.0), |(s, n), b| (s + b as f64, n + 1.0));
    (if n > 0.0 { sum / n } else { 1.0 }).max(0.5) / f64::from(row.at)
}

/// All tilts from one reference, or `None` where the strip is too wide to be tilted safely.
fn tilted(lines: &Lines, reference: &Law, tilts: &[Tilt], watch: &dyn Watch) -> Result<Option<Vec<Outcome>>, Error> {
    let (outcomes, faint) = pass(lines, reference, tilts, watch)?;
    Ok((!faint).then_some(outcomes))
}

fn pass(lines: &Lines, reference: &Law, tilts: &[Tilt], watch: &dyn Watch) -> Result<(Vec<Outcome>, bool), Error> {
    let checks = lines.rows().len();
    let mut states: Vec<Tilted> = tilts
        .iter()
        .map(|&tilt| Tilted { tilt, ratio: libm::exp(tilt.ln_ratio), outcome: Outcome::new(checks), left: 1.0 })
        .collect();
    let faint = forward(lines, reference, watch, |check| {
        for block in states.chunks_mut(BLOCK) {
            see(check, block);
        }
        Ok(())
    })?;
    let outcomes = states
        .into_iter()
        .map(|mut s| {
            s.outcome.open.resize(checks, 0.0); // all had left before the last check
            s.outcome
        })
        .collect();
    Ok((outcomes, faint))
}

/// Takes one check into account for a block of means.
fn see(check: &Check<'_>, block: &mut [Tilted]) {
    let mut ratios = [1.0; BLOCK];
    ratios.iter_mut().zip(block.iter()).for_each(|(r, s)| *r = s.ratio);
    let mut open = [0.0; BLOCK];
    let mut stopped = [0.0; BLOCK];
    for segment in check.segments {
        let q = check.q.get(segment.start..segment.end).unwrap_or_default();
        let sums = polynomial(q, &ratios);
        let states = block.iter_mut().zip(sums).zip(open.iter_mut().zip(&mut stopped));
        for ((state, sum), (open, stopped)) in states {
            let wide = q.len() as f64 * state.tilt.ln_ratio.abs() > LARGE_EXPONENT;
            let mass = if wide {
                let (anchor, sum) = anchored(q, state.tilt);
                state.scale(check, segment.from + anchor, sum)
            } else {
                state.scale(check, segment.from, sum)
            };
            match segment.call {
                None => *open += mass,
                Some(call) => {
                    *stopped += mass;
                    if let Some(p) = state.outcome.calls.get_mut(call.index()) {
                        *p += mass;
                    }
                }
            }
        }
    }
    for (state, (open, stopped)) in block.iter_mut().zip(open.into_iter().zip(stopped)) {
        match check.top {
            // A difference: a tiny mass has absolute accuracy only, and rounding may take it below 0.
            Some(call) => {
                let above = (state.left - stopped - open).max(0.0);
                if let Some(p) = state.outcome.calls.get_mut(call.index()) {
                    *p += above;
                }
                state.left = open;
            }
            None => state.left = (state.left - stopped).max(0.0),
        }
        state.outcome.open.push(state.left);
    }
}

/// P(call) for every call, in the order of [`Call::ALL`], under each set of laws: averaged, or for each
/// call the worst.
///
/// # Errors
/// As [`outcomes`].
pub(crate) fn pooled_calls<const M: usize>(
    lines: &Lines,
    laws: &[Laws; M],
    watch: &dyn Watch,
) -> Result<[[f64; Call::ALL.len()]; M], Error> {
    let mut pooled = [[0.0_f64; Call::ALL.len()]; M];
    let nodes = laws.iter().map(|l| l.nodes.len()).max().unwrap_or(0);
    for node in 0..nodes {
        let here: Vec<_> =
            laws.iter().enumerate().filter_map(|(i, l)| l.nodes.get(node).map(|n| (i, l.pool, n))).collect();
        let node_laws: Vec<Law> = here.iter().map(|(_, _, (_, law))| law.clone()).collect();
        for ((i, pool, (weight, _)), outcome) in here.into_iter().zip(outcomes(lines, &node_laws, watch)?) {
            let sums = pooled.get_mut(i).into_iter().flatten();
            for (sum, p) in sums.zip(outcome.calls) {
                *sum = match pool {
                    Pool::Average => *sum + weight * p,
                    Pool::Worst => sum.max(p),
                };
            }
        }
    }
    Ok(pooled)
}
