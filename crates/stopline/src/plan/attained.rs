//! The exact risks a plan really has.

use super::design::Design;
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::evaluate::{self, InstructionSet, Reach, pool_calls, pooled_calls};
use crate::law::{Law, Laws};
use crate::lines::{Call, Lines};
use crate::params::{K, Mean};
use crate::watch::Watch;

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

/// Multiply-adds above which risks are not computed (some seconds).
const MOST_WORK: f64 = 1e10;
/// Values of ln k looked at in an interval, each time closer around the worst.
const GRIDS: u32 = 4;
const GRID: u32 = 32;

/// Exact risks of `lines` at the thresholds of `design`; empty where it has none.
///
/// # Errors
/// `too_much_work`, `interrupted`.
pub(super) fn attained(design: &Design, lines: &Lines, watch: &dyn Watch) -> Result<Vec<AttainedRow>, Error> {
    let stated = design.aim.stated();
    if stated.is_empty() {
        return Ok(Vec::new());
    }
    let work = work(design, lines)?;
    if work > MOST_WORK {
        let allowed = format!("at most {MOST_WORK:.0e}: fewer checks (a larger `every`), a smaller cap or lower means");
        return Err(Error::new(
            Code::TooMuchWork,
            "multiplications for the exact risks",
            format!("about {work:.0e}"),
            allowed,
        ));
    }
    let means = means(&stated);
    let laws = means.iter().map(|&m| design.dispersion.laws(&design.score, m)).collect::<Result<Vec<_>, _>>()?;
    let mut rows = Vec::with_capacity(stated.len());
    let mut known = vec![[0.0; Call::ALL.len()]; means.len()];
    pool_calls(lines, &laws, InstructionSet::best(), watch, &mut known)?;
    for (mean, call) in stated {
        let at = means.iter().position(|&m| m == mean);
        let calls = at.and_then(|i| known.get(i)).copied().unwrap_or_default();
        let mut p = calls.get(call.index()).copied().unwrap_or(0.0);
        if let Some((worst, _)) = worst_k(design, lines, mean, call, watch)? {
            p = p.max(worst);
        }
        // Sums of many terms may pass 1 in the last place.
        rows.push(AttainedRow { mean, call, p: p.min(1.0) });
    }
    Ok(rows)
}

/// The means that calls are stated at, each once.
fn means(stated: &[(Mean, Call)]) -> Vec<Mean> {
    let mut means: Vec<Mean> = stated.iter().map(|(mean, _)| *mean).collect();
    means.dedup();
    means
}

/// Multiply-adds of [`attained`].
pub(super) fn work(design: &Design, lines: &Lines) -> Result<f64, Error> {
    let (mut work, mut known) = (0.0, None);
    for mean in means(&design.aim.stated()) {
        let laws = design.dispersion.laws(&design.score, mean)?;
        for (_, law) in &laws.nodes {
            // Laws of one reach take the same work.
            let here = match known {
                Some((reach, work)) if reach == Reach::of(law) => work,
                _ => evaluate::work(lines, law)?,
            };
            known = Some((Reach::of(law), here));
            work += here;
        }
        if let (Dispersion::KInterval { .. }, Some((_, law))) = (design.dispersion, laws.nodes.first()) {
            work += f64::from(GRIDS * (GRID + 1)) * evaluate::work(lines, law)?;
        }
    }
    Ok(work)
}

/// For an interval of k the largest P(call), and the law under which it is: errors are not monotone in k, so a
/// grid over ln k is refined around its best point, three times by a factor of 16.
pub(super) fn worst_k(
    design: &Design,
    lines: &Lines,
    mean: Mean,
    call: Call,
    watch: &dyn Watch,
) -> Result<Option<(f64, Law)>, Error> {
    let Dispersion::KInterval { k, low, high, .. } = design.dispersion else { return Ok(None) };
    let (mut from, mut to) = (libm::log(low.get()), libm::log(high.get()));
    let (first, last) = (from, to);
    let scored = |k| Dispersion::ConstantK { k }.laws(&design.score, mean);
    let mut worst = (0.0_f64, scored(k)?);
    for _ in 0..GRIDS {
        let step = (to - from) / f64::from(GRID);
        let mut at = from;
        for i in 0..=GRID {
            let x = (from + step * f64::from(i)).clamp(first, last);
            let k = K::new(libm::exp(x).clamp(low.get(), high.get()))?;
            let laws: [Laws; 1] = [scored(k)?];
            let [calls] = pooled_calls(lines, &laws, InstructionSet::best(), watch)?;
            let p = calls.get(call.index()).copied().unwrap_or(0.0);
            if p > worst.0 {
                let [laws] = laws;
                (worst, at) = ((p, laws), x);
            }
        }
        (from, to) = (at - step, at + step);
        if step <= 0.0 {
            break;
        }
    }
    let (p, laws) = worst;
    Ok(laws.nodes.into_iter().next().map(|(_, law)| (p, law)))
}
