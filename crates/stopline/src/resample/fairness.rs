//! Whether the law is a fair description of walks, by sets of walks that follow it.

use super::{Drawn, Resampling, exact};
use crate::dispersion::{Chance, Counter, How, P, share};
use crate::error::{Code, Error};
use crate::evaluate::CurveRow;
use crate::params::{K, Mean};
use crate::plan::Plan;
use crate::score::Total;
use crate::simulate::{SimulatedRow, Walks, redraw_lines};
use crate::watch::{Quiet, Watch, tell};
use serde::Serialize;

/// Times that a walk is walked for the verdict: as many of the real walks as of those that follow the law.
const WALKS: u64 = 500;
/// Chance at which a fair law is called none, shared by two measures.
const LEVEL: f64 = 0.05;

/// How far walks drawn again and the law are apart, and what that is worth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fairness {
    /// Root mean square difference of P(adequate), or P(enough), over the walks.
    pub off_call: f64,
    /// P(so far apart or further, if the law were true).
    pub p_call: f64,
    /// Its Monte-Carlo standard error.
    pub p_call_se: f64,
    /// Root mean square difference of expected sites.
    pub off_sites: f64,
    /// P(so far apart or further, if the law were true).
    pub p_sites: f64,
    /// Its Monte-Carlo standard error.
    pub p_sites_se: f64,
    /// Sets of walks that follow the law.
    pub sets: u32,
    /// Neither is further apart than one in 20 sets would be.
    pub fair: bool,
}

pub(super) fn fairness(
    plan: &Plan,
    drawn: &[Drawn<'_>],
    how: &Resampling,
    watch: &dyn Watch,
) -> Result<Fairness, Error> {
    let counters: Vec<Counter> = drawn
        .iter()
        .map(|one| {
            let k = one.under.constant_k().map_or(f64::INFINITY, K::get);
            let large = |_| Error::new(Code::TooMuchWork, "mean of a walk", one.mean.get(), "a smaller one");
            Counter::new(one.mean.get(), k).map_err(large)
        })
        .collect::<Result<_, _>>()?;
    let own: Vec<_> = drawn.iter().map(|one| (one.mean, one.steps.clone())).collect();
    let real = apart(plan, drawn, &own, how, 0, watch)?;
    let mut further = [0_u32; 2];
    for set in 1..=how.sets {
        tell(watch, set.into(), how.sets.into())?;
        let mut chance = Chance::new(how.seed, set.into());
        let rows: Vec<(Mean, Box<[Total]>)> = drawn
            .iter()
            .zip(&counters)
            .map(|(one, counter)| {
                let steps: Box<[Total]> = one.steps.iter().map(|_| counter.draw(&mut chance).into()).collect();
                let total: Total = steps.iter().sum();
                // Of walks without any enemy the law is that of next to none.
                Ok((Mean::new((total as f64 / steps.len() as f64).max(1e-6))?, steps))
            })
            .collect::<Result<_, Error>>()?;
        let found = apart(plan, drawn, &rows, how, set.into(), &Quiet)?;
        further.iter_mut().zip(found.iter().zip(&real)).for_each(|(n, (found, real))| *n += u32::from(found >= real));
    }
    let [call, sites] = further.map(|further| share(further, how.sets));
    let se = |p: P| if let How::Drawn { se, .. } = p.how { se } else { 0.0 };
    let [off_call, off_sites] = real;
    Ok(Fairness {
        off_call,
        p_call: call.p,
        p_call_se: se(call),
        off_sites,
        p_sites: sites.p,
        p_sites_se: se(sites),
        sets: how.sets,
        fair: call.p.min(sites.p) > 0.5 * LEVEL,
    })
}

/// Root mean square differences of the call from above and of sites, of walks drawn again from these rows.
fn apart(
    plan: &Plan,
    drawn: &[Drawn<'_>],
    rows: &[(Mean, Box<[Total]>)],
    how: &Resampling,
    set: u64,
    watch: &dyn Watch,
) -> Result<[f64; 2], Error> {
    // Each set has random numbers of its own.
    let walks = Walks::new(WALKS, (how.seed ^ set.rotate_right(12) >> 11) & ((1 << 53) - 1))?;
    let found = redraw_lines(plan.lines(), rows, how.how, &walks, watch)?;
    let exact = exact(plan, rows.iter().zip(drawn).map(|((mean, _), one)| (*mean, one.under)), watch)?;
    let rms = |of: &dyn Fn(&SimulatedRow, &CurveRow) -> f64| {
        let sum: f64 = found.iter().zip(&exact).map(|(found, exact)| of(found, exact) * of(found, exact)).sum();
        libm::sqrt(sum / found.len() as f64)
    };
    Ok([
        rms(&|found, exact| found.adequate.value + found.enough.value - exact.adequate - exact.enough),
        rms(&|found, exact| found.expected_sites.value - exact.expected_sites),
    ])
}
