//! Whether the law is a fair description of walks, by sets of walks that follow it.

use super::{Drawn, Resampling, exact, scored};
use crate::dispersion::{Chance, Counter, How, P, share};
use crate::error::{Code, Error};
use crate::evaluate::CurveRow;
use crate::params::{K, Mean};
use crate::plan::Plan;
use crate::simulate::{Estimate, RealWalk, SimulatedRow, Walks, redraw_lines};
use crate::watch::{Watch, Within};
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
    /// Its Monte-Carlo standard error.
    pub off_call_se: f64,
    /// P(so far apart or further, if the law were true).
    pub p_call: f64,
    /// Its Monte-Carlo standard error.
    pub p_call_se: f64,
    /// Root mean square difference of expected sites.
    pub off_sites: f64,
    /// Its Monte-Carlo standard error.
    pub off_sites_se: f64,
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
    let own: Vec<_> = drawn.iter().map(|one| (one.mean.get(), one.steps.clone())).collect();
    let real = apart(plan, drawn, &own, how, 0, watch)?;
    let mut further = [0_u32; 2];
    for set in 1..=how.sets {
        let mut chance = Chance::new(how.seed, set.into());
        let made = |(one, counter): (&Drawn<'_>, &Counter)| {
            scored(&plan.asked().score, one.steps.iter().map(|_| counter.draw(&mut chance)))
        };
        let made = drawn.iter().zip(&counters).map(made).collect::<Result<Vec<_>, _>>()?;
        let within = Within { watch, done: set.into(), of: how.sets.into() };
        let found = apart(plan, drawn, &made, how, set.into(), &within)?;
        let pairs = found.iter().zip(&real);
        further.iter_mut().zip(pairs).for_each(|(n, (found, real))| *n += u32::from(found.value >= real.value));
    }
    let [call, sites] = further.map(|further| share(further, how.sets));
    let se = |p: P| if let How::Drawn { se, .. } = p.how { se } else { 0.0 };
    let [off_call, off_sites] = real;
    Ok(Fairness {
        off_call: off_call.value,
        off_call_se: off_call.se,
        p_call: call.p,
        p_call_se: se(call),
        off_sites: off_sites.value,
        off_sites_se: off_sites.se,
        p_sites: sites.p,
        p_sites_se: se(sites),
        sets: how.sets,
        fair: call.p.min(sites.p) > 0.5 * LEVEL,
    })
}

/// Root mean square differences of the call from above and of sites, of walks of these means and steps drawn again.
fn apart(
    plan: &Plan,
    drawn: &[Drawn<'_>],
    real: &[RealWalk],
    how: &Resampling,
    set: u64,
    watch: &dyn Watch,
) -> Result<[Estimate; 2], Error> {
    // Each set has random numbers of its own.
    let walks = Walks::new(WALKS, (how.seed ^ set.rotate_right(12) >> 11) & ((1 << 53) - 1))?;
    let found = redraw_lines(plan.lines(), real, how.how, &walks, watch)?;
    // Of walks without any enemy the law is that of next to none.
    let means = real.iter().map(|(mean, _)| Mean::new(mean.max(1e-6))).collect::<Result<Vec<_>, _>>()?;
    let exact = exact(plan, means.into_iter().zip(drawn.iter().map(|one| one.under)), watch)?;
    let off = |of: &dyn Fn(&SimulatedRow, &CurveRow) -> Estimate| {
        rms(&found.iter().zip(&exact).map(|(found, exact)| of(found, exact)).collect::<Vec<_>>())
    };
    Ok([
        off(&|found, exact| {
            let (adequate, enough) = (found.adequate, found.enough);
            let value = adequate.value + enough.value - exact.adequate - exact.enough;
            // A plan makes one of these calls, the other has no error.
            Estimate { value, se: adequate.se.max(enough.se) }
        }),
        off(&|found, exact| Estimate {
            value: found.expected_sites.value - exact.expected_sites,
            se: found.expected_sites.se,
        }),
    ])
}

/// Root mean square of normal estimates xᵢ: Var x² = 4x²·se² + 2se⁴.
fn rms(of: &[Estimate]) -> Estimate {
    let n = of.len() as f64;
    let square = |x: f64| x * x;
    let value = libm::sqrt(of.iter().map(|x| square(x.value)).sum::<f64>() / n);
    let variance: f64 = of.iter().map(|x| 4.0 * square(x.value * x.se) + 2.0 * square(square(x.se))).sum();
    Estimate { value, se: if value > 0.0 { libm::sqrt(variance) / (2.0 * n * value) } else { 0.0 } }
}
