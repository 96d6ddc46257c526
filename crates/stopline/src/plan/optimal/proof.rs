//! What a plan file keeps of the search for an optimal plan, so that anyone can check it.

use super::super::design::Design;
use super::super::wire::{MultiplierWire, ObjectiveWire, ProofWire, RisksWire, UndecidedWire, WeightWire};
use super::{Objective, Problem};
use crate::error::{Code, Error};
use crate::evaluate::InstructionSet;
use crate::lines::Lines;
use crate::params::{Mean, Share};
use crate::watch::{Watch, tell};

/// What anyone needs to recompute, with one backward induction, the bound that no plan can beat.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// What is least.
    pub objective: Objective,
    /// Means and weights of the dual problem.
    pub at: Vec<(Mean, f64)>,
    /// Multiplier of the false-adequate and of the false-inadequate risk.
    pub multipliers: [f64; 2],
    /// For plans that may end undecided: the bound of P(undecided), the means where it is kept, and the
    /// multiplier of each.
    pub undecided: Option<(Share, Vec<(Mean, f64)>)>,
    /// The plan's objective.
    pub value: f64,
    /// No plan on the same checks with these risks and this k has a smaller one.
    pub bound: f64,
}

/// Bound and value as they come out now.
pub(in super::super) struct Recomputed {
    pub bound: f64,
    pub value: f64,
}

impl Proof {
    /// value/bound − 1.
    #[must_use]
    pub fn gap(&self) -> f64 {
        self.value / self.bound - 1.0
    }

    /// Bound and value from the lines, the weights and the multipliers alone.
    pub(in super::super) fn recomputed(
        &self,
        design: &Design,
        lines: &Lines,
        watch: &dyn Watch,
    ) -> Result<Recomputed, Error> {
        tell(watch, 0, 1)?;
        let asked = design.asked()?;
        let even = self.undecided.as_ref().and_then(|(u, at)| at.last().map(|(m, _)| (*u, *m)));
        let problem = Problem::new(&asked, InstructionSet::best(), &design.checks.sites(), even)?;
        let strip = problem
            .strip(lines)
            .ok_or_else(|| Error::about(Code::Lines, "lines of an optimal plan", "an upper line at every check"))?;
        let (bound, value) = asked.bound_and_value(&problem, self, &strip)?;
        Ok(Recomputed { bound, value })
    }

    pub(in super::super) fn from_wire(wire: ProofWire) -> Result<Self, Error> {
        let number = |what: &str, x: f64| {
            if x.is_finite() && x >= 0.0 && !x.is_sign_negative() {
                Ok(x)
            } else {
                Err(Error::new(Code::OutOfRange, format!("proof.{what}"), x, "a number from 0"))
            }
        };
        let mean = |m: f64| Mean::new(m).map_err(|e| e.named("proof mean"));
        let weighted = |w: WeightWire| Ok((mean(w.mean)?, number("at.weight", w.weight)?));
        let at = wire.at.into_iter().map(weighted).collect::<Result<Vec<_>, Error>>()?;
        let positive = |what: &str, x: f64| {
            number(what, x)?;
            if x > 0.0 { Ok(x) } else { Err(Error::new(Code::OutOfRange, format!("proof.{what}"), x, "more than 0")) }
        };
        let undecided = wire
            .undecided
            .map(|u| {
                let at = u.at.into_iter().map(|m| Ok((mean(m.mean)?, number("undecided.multiplier", m.multiplier)?)));
                Ok::<_, Error>((Share::new(u.at_most)?, at.collect::<Result<Vec<_>, Error>>()?))
            })
            .transpose()?;
        Ok(Self {
            objective: match wire.objective {
                ObjectiveWire::LargestExpectedSites => Objective::LargestExpectedSites,
                ObjectiveWire::ExpectedSites => Objective::ExpectedSites(at.clone()),
            },
            at,
            multipliers: [
                positive("multipliers.false_adequate", wire.multipliers.false_adequate)?,
                positive("multipliers.false_inadequate", wire.multipliers.false_inadequate)?,
            ],
            undecided,
            value: number("value", wire.value)?,
            bound: number("bound", wire.bound)?,
        })
    }
}

impl From<&Proof> for ProofWire {
    fn from(proof: &Proof) -> Self {
        Self {
            objective: match proof.objective {
                Objective::LargestExpectedSites => ObjectiveWire::LargestExpectedSites,
                Objective::ExpectedSites(_) => ObjectiveWire::ExpectedSites,
            },
            at: proof.at.iter().map(|(m, w)| WeightWire { mean: m.get(), weight: *w }).collect(),
            multipliers: RisksWire { false_adequate: proof.multipliers[0], false_inadequate: proof.multipliers[1] },
            undecided: proof.undecided.as_ref().map(|(u, at)| UndecidedWire {
                at_most: u.get(),
                at: at.iter().map(|(m, u)| MultiplierWire { mean: m.get(), multiplier: *u }).collect(),
            }),
            value: proof.value,
            bound: proof.bound,
        }
    }
}
