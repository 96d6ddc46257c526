//! Plans whose risks hold where sites have a part of their counts in common.
//!
//! The lines are those of a plan for smaller risks over independent sites: the risks asked of that plan are lowered by
//! what the exact risks over clustered sites ([`crate::evaluate::clustered_lines`]) exceed, and raised again by what they
//! leave, a few times; of the plans that keep the asked risks the one with the fewest sites in the middle of the
//! thresholds is taken. What is shared over the whole walk no number of sites averages out: where the visited part of
//! the field differs from the field by so much that no cut keeps both risks, that is told.

use super::{Aim, Alike, Checks, Design, Method, Plan};
use crate::error::{Code, Error};
use crate::evaluate::{CurveRow, clustered_lines};
use crate::params::{MOST_SITES, Mean, Risk, Risks, Thresholds};
use crate::simulate::{Clustered, Run};
use crate::watch::{Watch, tell};
use statrs::function::gamma::checked_gamma_lr;

/// Rounds of lowering and raising.
const ROUNDS: u64 = 16;
/// Caps that are tried where the asked one is too small, as multiples of it.
const CAPS: [f64; 4] = [1.5, 2.0, 3.0, 4.0];

/// A plan made for clustered sites, beside the plan for independent ones.
#[derive(Debug, Clone, PartialEq)]
pub struct Recalibrated {
    /// The plan: it asks for the asked risks, and states those over independent sites and over these.
    pub plan: Plan,
    /// What it does over the clustered sites at the inadequate mean, the geometric middle and the adequate mean.
    pub rows: [CurveRow; 3],
    /// The plan of the same design for independent sites; none where the asked cap allows none.
    pub before: Option<Plan>,
    /// What that does over the clustered sites, at the same means.
    pub rows_before: Option<[CurveRow; 3]>,
}

/// Derives a plan for two calls whose risks hold over clustered sites.
///
/// # Errors
/// `no_plan` where the cap allows none, naming one that does, or where none does; as [`Plan::design`] and
/// [`clustered_lines`].
pub fn recalibrated(
    design: &Design,
    method: Method,
    source: &Clustered,
    watch: &dyn Watch,
) -> Result<Recalibrated, Error> {
    let asked = design.asked()?;
    let (thresholds, risks) = (asked.thresholds, asked.risks);
    if source.run() == Run::WholeWalk && !possible(thresholds, risks, source)? {
        let allowed = "a smaller shared part, larger risks or thresholds further apart: what the whole walk shares no \
                       number of sites averages out";
        return Err(Error::new(Code::NoPlan, "sites over which these risks hold", "no number", allowed));
    }
    let before = match Plan::design(design.clone(), method, watch) {
        Ok(plan) => Some(plan),
        Err(e) if e.code() == Code::NoPlan => None,
        Err(e) => return Err(e),
    };
    let rows_before = before.as_ref().map(|plan| rows(plan, thresholds, source, watch)).transpose()?;
    let search = Search { design, method, source, thresholds, risks };
    match search.plan(watch)? {
        Some((plan, rows)) => {
            Ok(Recalibrated { plan: plan.made_for(design, source, watch)?, rows, before, rows_before })
        }
        None => Err(search.no_plan(watch)?),
    }
}

impl Plan {
    /// The same lines as a plan of another design, made for sites that are alike.
    fn made_for(mut self, design: &Design, source: &Clustered, watch: &dyn Watch) -> Result<Self, Error> {
        // The method may have settled the checks.
        self.design.aim.clone_from(&design.aim);
        self.alike = Some(Alike::of(&self.design, &self.lines, source, watch)?);
        if let Some(proof) = &mut self.proof {
            // What no plan with the asked risks can beat over independent sites.
            let now = proof.recomputed(&self.design, &self.lines, watch)?;
            (proof.bound, proof.value) = (now.bound, now.value);
        }
        self.assembled()
    }
}

/// What a plan does over clustered sites at the thresholds and between.
fn rows(plan: &Plan, thresholds: Thresholds, source: &Clustered, watch: &dyn Watch) -> Result<[CurveRow; 3], Error> {
    let (low, high) = (thresholds.inadequate(), thresholds.adequate());
    let middle = Mean::new(libm::sqrt(low.get() * high.get()))?;
    let rows = clustered_lines(plan.lines(), &plan.asked().score, source, &[low, middle, high], watch)?;
    rows.try_into().map_err(|_| Error::about(Code::NotConverged, "rows of a plan", "three"))
}

struct Search<'a> {
    design: &'a Design,
    method: Method,
    source: &'a Clustered,
    thresholds: Thresholds,
    risks: Risks,
}

impl Search<'_> {
    fn plan(&self, watch: &dyn Watch) -> Result<Option<(Plan, [CurveRow; 3])>, Error> {
        let asked = [self.risks.false_adequate().get(), self.risks.false_inadequate().get()];
        let mut aimed = asked;
        let mut best: Option<(Plan, [CurveRow; 3])> = None;
        for round in 0..ROUNDS {
            tell(watch, round, ROUNDS)?;
            let risks = Risks::new(Risk::new(aimed[0])?, Risk::new(aimed[1])?)?;
            let aim = Aim::TwoCalls { thresholds: Some(self.thresholds), risks: Some(risks) };
            let plan = match Plan::design(Design { aim, ..self.design.clone() }, self.method, watch) {
                Ok(plan) => plan,
                // The cap is too small for risks so small.
                Err(e) if e.code() == Code::NoPlan => break,
                Err(e) => return Err(e),
            };
            let rows = rows(&plan, self.thresholds, self.source, watch)?;
            let [low, middle, high] = &rows;
            let found = [low.adequate, high.inadequate];
            let kept = found.iter().zip(&asked).all(|(found, asked)| found <= asked);
            for ((aimed, asked), found) in aimed.iter_mut().zip(&asked).zip(&found) {
                // A whole step down, but small ones up: risks move in jumps.
                let step = asked / found.max(1e-12);
                *aimed = (*aimed * if step < 1.0 { 0.99 * step } else { step.min(1.1) }).clamp(1e-9, *asked);
            }
            let fewer = |(_, rows): &(Plan, [CurveRow; 3])| middle.expected_sites < rows[1].expected_sites;
            if kept && best.as_ref().is_none_or(fewer) {
                best = Some((plan, rows));
            }
        }
        Ok(best)
    }

    /// That there is no plan, with a cap at which there is one.
    fn no_plan(&self, watch: &dyn Watch) -> Result<Error, Error> {
        let cap = self.design.checks.cap();
        let mut allowed = "larger risks, thresholds further apart or a larger cap".to_owned();
        for times in CAPS {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // at most four caps
            let larger = libm::ceil(f64::from(cap) * times) as u32;
            let Checks::Every { min_sites, every, .. } = &self.design.checks else { break };
            if larger > MOST_SITES {
                break;
            }
            let design = Design { checks: Checks::every(*min_sites, larger, *every)?, ..self.design.clone() };
            let found = Search { design: &design, ..*self }.plan(watch);
            if let Ok(Some(_)) = found {
                allowed = format!("max_sites {larger} (there is a plan), larger risks or thresholds further apart");
                break;
            }
            if let Err(e) = found
                && e.code() == Code::Interrupted
            {
                return Err(e);
            }
        }
        Ok(Error::new(Code::NoPlan, "max_sites for these risks over sites that are alike", cap, allowed))
    }
}

/// Could any number of sites keep both risks where the whole walk shares a part S of each site's mean? The visited part
/// of the field then has the mean m(1 − ρ) + S, S being Gamma(kρ, m/k), and a cut between them errs as that does.
fn possible(thresholds: Thresholds, risks: Risks, source: &Clustered) -> Result<bool, Error> {
    let Some(k) = source.k() else { return Ok(true) };
    let (k, shared) = (k.get(), source.shared().get());
    if shared == 0.0 {
        return Ok(true);
    }
    // P(the visited part has at most this mean).
    let below = |field: Mean, mean: f64| {
        let rest = mean - field.get() * (1.0 - shared);
        if rest <= 0.0 { 0.0 } else { checked_gamma_lr(k * shared, rest * k / field.get()).unwrap_or(f64::NAN) }
    };
    // The smallest cut that keeps the first risk.
    let (mut from, mut to) = (0.0, 1.0);
    while 1.0 - below(thresholds.inadequate(), to) > risks.false_adequate().get() {
        from = to;
        to *= 2.0;
    }
    for _ in 0..60 {
        let cut = 0.5 * (from + to);
        *(if 1.0 - below(thresholds.inadequate(), cut) > risks.false_adequate().get() { &mut from } else { &mut to }) =
            cut;
    }
    Ok(below(thresholds.adequate(), to) <= risks.false_inadequate().get())
}
