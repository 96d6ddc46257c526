//! The plan with the fewest expected sites at exact risks, and a bound that no plan can beat.
//!
//! For weights of means and multipliers of the risks, backward induction gives the plan of least cost
//! ([`backward`]); its cost less Σ multiplier·asked risk bounds the objective of *every* plan on the same
//! checks that keeps the risks, randomised ones included (Lagrangian duality). Cutting planes find the
//! highest bound ([`problem`], [`master`]). The plan itself is the best that moving boundary points, one or
//! a few at a time, reaches from the plans met there ([`polish`]): with lines that rise and no holes.
//!
//! For the largest expected sites over all means the objective's rows are a few means around the largest,
//! moved until it lies among them.

mod backward;
mod forward;
mod master;
mod polish;
mod problem;
mod proof;
mod search;
mod stage;
#[cfg(test)]
mod tests;

pub use proof::Proof;

use self::backward::{Costs, Strip};
use self::polish::CLOSE;
use self::problem::{Problem, Solved, Start};
use super::checks::Closing;
use super::design::{Asked, Design};
use crate::error::{Code, Error};
use crate::evaluate::{InstructionSet, evaluate_lines, pooled_calls};
use crate::lines::{Call, Lines};
use crate::params::{Mean, Share};
use crate::score::Score;
use crate::watch::Watch;

/// What an optimal plan has least of.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Objective {
    /// The largest expected sites over all means.
    LargestExpectedSites,
    /// Expected sites averaged over these means with these weights (made to add to 1).
    ExpectedSites(Vec<(Mean, f64)>),
}

impl Objective {
    /// Expected sites at `means`, equally weighted.
    #[must_use]
    pub fn at(means: &[Mean]) -> Self {
        Self::ExpectedSites(means.iter().map(|&m| (m, 1.0)).collect())
    }

    /// `largest_expected_sites` or `expected_sites`.
    #[must_use]
    pub const fn as_str(&self) -> &'static str {
        match self {
            Self::LargestExpectedSites => "largest_expected_sites",
            Self::ExpectedSites(_) => "expected_sites",
        }
    }
}

/// Means that the search for the largest expected sites takes in, one after another.
const MOST_MEANS: usize = 12;
/// The largest expected sites of a mixture of plans are those at its means.
const SAME_SITES: f64 = 5e-6;
/// Times a plan is improved where its own expected sites are largest.
const IMPROVED: usize = 6;
/// Plans tried until P(undecided) is kept at the plan's own even mean.
const EVEN_MEANS: usize = 8;
/// By so much more than needed is asked less of P(undecided) where it was too large.
const A_LITTLE: f64 = 1e-9;

/// A solution of the dual problem, and the best plan found there.
struct Best {
    solved: Solved,
    strip: Strip,
    value: f64,
}

impl Best {
    fn close(&self) -> bool {
        self.value <= self.solved.bound * (1.0 + CLOSE)
    }
}

impl Asked<'_> {
    /// A mean between the thresholds to begin with: that of Wald's slope, where the total is on the scale of the means.
    fn middle_mean(&self) -> Result<Mean, Error> {
        let Design { score, dispersion, .. } = self.design;
        if *score == Score::Count || dispersion.of_shares() {
            return Mean::new(self.wald()?.slope / score.units());
        }
        Mean::new(libm::sqrt(self.thresholds.inadequate().get() * self.thresholds.adequate().get()))
    }

    /// The lines and the proof of an optimal plan; `None` where no plan keeps the risks at these checks.
    pub fn optimal(
        &self,
        sites: &[u32],
        objective: &Objective,
        undecided_at_most: Option<Share>,
        watch: &dyn Watch,
    ) -> Result<Option<(Lines, Proof)>, Error> {
        self.optimal_on(InstructionSet::best(), sites, objective, undecided_at_most, watch)
    }

    /// The same compiled for one instruction set: the result is the same for all.
    fn optimal_on(
        &self,
        set: InstructionSet,
        sites: &[u32],
        objective: &Objective,
        undecided_at_most: Option<Share>,
        watch: &dyn Watch,
    ) -> Result<Option<(Lines, Proof)>, Error> {
        let Some(at_most) = self.undecided_bound(undecided_at_most)? else {
            let problem = Problem::new(self, set, sites, None)?;
            let best = self.best(&problem, objective, &problem.bounds, watch)?;
            return best.map(|best| proved(&problem, best, objective, None)).transpose();
        };
        // P(undecided) is to be kept at the plan's own even mean, which is known only afterwards: the means
        // are moved there, and what is asked at the last of them is made a little less.
        let mut even = self.middle_mean()?;
        let mut asked = at_most.get();
        for _ in 0..EVEN_MEANS {
            let problem = Problem::new(self, set, sites, Some((at_most, even)))?;
            let mut bounds = problem.bounds.clone();
            bounds.iter_mut().skip(4).for_each(|b| *b = asked);
            let Some(best) = self.best(&problem, objective, &bounds, watch)? else { return Ok(None) };
            match self.undecided_at_even_mean(&problem.lines(&best.strip)?, watch)? {
                Some((own, undecided)) if undecided > at_most.get() => {
                    asked *= at_most.get() / undecided * (1.0 - A_LITTLE);
                    even = own;
                }
                _ => return proved(&problem, best, objective, Some(at_most)).map(Some),
            }
        }
        Err(Error::new(
            Code::NotConverged,
            "even mean of an optimal plan that may end undecided",
            even.get(),
            format!("settled within {EVEN_MEANS} plans; a larger undecided_at_most, or closing by a call"),
        ))
    }

    /// The bound of P(undecided), where the design may end undecided.
    fn undecided_bound(&self, at_most: Option<Share>) -> Result<Option<Share>, Error> {
        match (self.design.closing, at_most) {
            (Closing::Call, None) => Ok(None),
            (Closing::Undecided, Some(u)) if u.get() > 0.0 && u.get() < 1.0 => Ok(Some(u)),
            (Closing::Undecided, _) => Err(Error::about(
                Code::Combination,
                "an optimal plan that may end undecided",
                "a bound of P(undecided), more than 0 and less than 1 (undecided_at_most): without one it would never call at the cap",
            )),
            (Closing::Call, Some(u)) => {
                Err(Error::new(Code::Combination, "undecided_at_most", u.get(), "only with the closing undecided"))
            }
        }
    }

    /// The plan's even mean, and P(undecided) there.
    fn undecided_at_even_mean(&self, lines: &Lines, watch: &dyn Watch) -> Result<Option<(Mean, f64)>, Error> {
        let (score, under) = (&self.design.score, &self.design.dispersion);
        let Some(even) = evaluate_lines(lines, score, under, &[], watch)?.even_mean else { return Ok(None) };
        let even = Mean::new(even)?;
        let [calls] = pooled_calls(lines, &[under.laws(score, even)?], InstructionSet::best(), watch)?;
        Ok(calls.get(Call::Undecided.index()).map(|&p| (even, p)))
    }

    /// The best weights and multipliers, and the best plan that keeps `bounds`; `None` where none does.
    fn best(
        &self,
        problem: &Problem<'_>,
        objective: &Objective,
        bounds: &[f64],
        watch: &dyn Watch,
    ) -> Result<Option<Best>, Error> {
        let Objective::ExpectedSites(at) = objective else { return self.largest(problem, bounds, watch) };
        let sum: f64 = at.iter().map(|(_, w)| *w).sum();
        if at.is_empty() || at.iter().any(|(_, w)| !w.is_finite() || *w < 0.0) || sum <= 0.0 {
            let allowed = "at least one mean, weights from 0, not all 0";
            return Err(Error::about(Code::OutOfRange, "weights of the means", allowed));
        }
        let weights: Vec<f64> = at.iter().map(|(_, w)| w / sum).collect();
        let means: Vec<Mean> = at.iter().map(|(m, _)| *m).collect();
        let Some(solved) = problem.solve(means, Some(&weights), None, watch)? else { return Ok(None) };
        let Some(plan) = problem.polished(&solved, bounds, watch)? else { return Ok(None) };
        Ok(Some(Best { solved, value: plan.cost, strip: plan.strip }))
    }

    /// The plan whose largest expected sites over all means are least: the mean at which the best mixture of
    /// plans takes most is added to those that count, until it is one of them.
    fn largest(&self, problem: &Problem<'_>, bounds: &[f64], watch: &dyn Watch) -> Result<Option<Best>, Error> {
        let (mut means, mut start) = (vec![self.middle_mean()?], None);
        let mut turn = 0;
        let solved = loop {
            turn += 1;
            let Some(solved) = problem.solve(means, None, start, watch)? else { return Ok(None) };
            let mixture: Vec<_> = solved.plans.iter().filter(|k| k.share > 0.0).map(|k| (&k.strip, k.share)).collect();
            let (mean, sites) = problem.largest_sites(&mixture)?;
            let mut counted = solved.counted();
            let known = counted.iter().any(|(m, _)| *m == mean) || turn >= MOST_MEANS;
            if sites <= solved.mixed * (1.0 + SAME_SITES) || known {
                break solved;
            }
            counted.push((mean, 0.0));
            let weights;
            (means, weights) = counted.into_iter().unzip();
            let costs = Costs { weights, multipliers: solved.costs.multipliers };
            start = Some(Start { costs, bound: solved.bound, plans: solved.plans });
        };
        let Some(plan) = problem.polished(&solved, bounds, watch)? else { return Ok(None) };
        let (mut mean, value) = problem.largest_sites(&[(&plan.strip, 1.0)])?;
        let mut best = Best { solved, strip: plan.strip, value };
        // What counts in the end is the plan's own largest: fewer sites there.
        for _ in 0..IMPROVED {
            if best.close() {
                break;
            }
            let Some(plan) = problem.improved(&best.solved, mean, &best.strip, bounds, watch)? else { break };
            let (at, value) = problem.largest_sites(&[(&plan.strip, 1.0)])?;
            if value >= best.value {
                break;
            }
            (mean, best.strip, best.value) = (at, plan.strip, value);
        }
        Ok(Some(best))
    }

    /// Bound and value from the weights, the multipliers and the lines alone.
    fn bound_and_value(&self, problem: &Problem<'_>, proof: &Proof, strip: &Strip) -> Result<(f64, f64), Error> {
        let (means, weights): (Vec<Mean>, Vec<f64>) = proof.at.iter().copied().unzip();
        let undecided = proof.undecided.iter().flat_map(|(_, at)| at.iter().map(|(_, u)| *u));
        let multipliers = proof.multipliers.into_iter().chain(undecided).collect();
        let value = match &proof.objective {
            Objective::LargestExpectedSites => problem.largest_sites(&[(strip, 1.0)])?.1,
            Objective::ExpectedSites(_) => problem.expected_sites(strip, &means, &weights)?,
        };
        Ok((problem.bound(&means, weights, multipliers)?, value))
    }
}

/// The plan's lines with their proof.
fn proved(
    problem: &Problem<'_>,
    Best { solved, strip, value }: Best,
    objective: &Objective,
    undecided_at_most: Option<Share>,
) -> Result<(Lines, Proof), Error> {
    let [false_adequate, false_inadequate, ref undecided @ ..] = solved.costs.multipliers[..] else {
        return Err(Error::about(Code::NotConverged, "optimal plan", "a multiplier for each risk"));
    };
    let proof = Proof {
        objective: objective.clone(),
        at: solved.means.into_iter().zip(solved.costs.weights).filter(|(_, w)| *w > 0.0).collect(),
        multipliers: [false_adequate, false_inadequate],
        undecided: undecided_at_most
            .map(|u| (u, problem.undecided_means.iter().copied().zip(undecided.iter().copied()).collect())),
        value,
        bound: solved.bound,
    };
    Ok((problem.lines(&strip)?, proof))
}
