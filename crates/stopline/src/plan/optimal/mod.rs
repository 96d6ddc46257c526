//! The plan with the fewest expected sites at exact risks, and a bound that no plan can beat.
//!
//! For weights of means and multipliers of the risks, backward induction gives the plan of least cost
//! ([`backward`]); its cost less Σ multiplier·asked risk bounds the objective of *every* plan on the same
//! checks that keeps the risks, randomised ones included (Lagrangian duality). The best mixture of the
//! plans found so far gives the next weights and multipliers ([`master`]); when no new plan improves it,
//! bound and mixture meet. The plan itself is the best that moving single boundary points and pairs of
//! them reaches from the plans of the mixture ([`polish`]): with lines that rise and no holes.
//!
//! For the largest expected sites over all means the objective's rows are a few means around the largest,
//! moved until it lies among them.
#![allow(clippy::indexing_slicing)] // two bounds, then one for each undecided mean

mod backward;
mod forward;
mod master;
mod polish;
mod proof;

pub use proof::Proof;

use self::backward::{Costs, Stage, Strip};
use self::forward::Forward;
use self::master::Master;
use self::polish::{Candidate, Polish};
use super::checks::Closing;
use super::design::Asked;
use crate::error::{Code, Error};
use crate::evaluate::{Evaluator, InstructionSet, LargestSites, evaluate_lines, largest_expected_sites, pooled_calls};
use crate::law::Law;
use crate::lines::{Call, Lines};
use crate::params::{Mean, Share};
use crate::watch::{Watch, tell};

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

/// Steps of multipliers alone, before the mixture takes over.
const FIRST_STEPS: usize = 6;
/// Power of the ratio by which a multiplier is moved: risks are coupled, full steps circle.
const DAMPED: f64 = 0.8;
/// Plans sought for one set of means.
const MOST_PLANS: usize = 80;
/// The mixture and the bound have met.
const MET: f64 = 2e-6;
/// Means around the largest expected sites, as steps of ln mean.
const AROUND: [f64; 5] = [-0.04, -0.02, 0.0, 0.02, 0.04];
/// Plans tried until P(undecided) is kept at the plan's own even mean.
const EVEN_MEANS: usize = 8;
/// Times the means are moved.
const MOVES: usize = 6;

/// One design with its laws, ready to be solved for several sets of means.
struct Problem<'a> {
    asked: &'a Asked<'a>,
    sites: Vec<u32>,
    law: Law,
    bounds: Vec<f64>,
    undecided: Vec<Law>,
    undecided_means: Vec<Mean>,
    longest: usize,
    middle: f64,
}

/// A solved set of means.
struct Solved {
    costs: Costs,
    bound: f64,
    mixed: Vec<Strip>,
    stage: Stage,
    forward: Forward,
}

impl<'a> Problem<'a> {
    fn new(asked: &'a Asked<'a>, sites: &[u32], undecided: Option<(Share, Mean)>) -> Result<Self, Error> {
        let [low, high] = asked.nominal()?;
        if asked.laws.iter().any(|l| l.nodes.len() != 1) || low.tilt_to(&high).is_none() {
            return Err(Error::new(
                Code::Combination,
                "dispersion of an optimal plan",
                asked.design.dispersion.name(),
                "poisson, constant_k or binomial: the bound holds for one k",
            ));
        }
        let wald = asked.wald()?;
        let mut bounds = vec![asked.risks.false_adequate().get(), asked.risks.false_inadequate().get()];
        let mut undecided_means = Vec::new();
        if let Some((at_most, even)) = undecided {
            undecided_means = vec![asked.thresholds.inadequate(), asked.thresholds.adequate(), even];
            bounds.extend([at_most.get(); 3]);
        }
        let bounded = asked.laws_at(&undecided_means)?;
        // Upper lines above this are met with less than 1e-13 of the asked risk (Ville's inequality).
        let cap = sites.last().copied().unwrap_or(0);
        let per_total = (libm::log1p(-bounds[1]) - libm::log(bounds[0])) / wald.upper;
        let longest = wald.slope * f64::from(cap) + (30.0 - libm::log(bounds[0])) / per_total + 64.0;
        if longest * f64::from(cap) > MOST_STATES {
            return Err(Error::new(
                Code::TooMuchWork,
                "optimal plan",
                format!("about {longest:.0} totals at each of {cap} sites"),
                format!("at most {MOST_STATES:.0e} in all: a smaller cap or lower means"),
            ));
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // bounded by MOST_STATES
        let longest = longest as usize;
        Ok(Self {
            asked,
            sites: sites.to_vec(),
            law: low,
            bounds,
            undecided: bounded,
            undecided_means,
            longest,
            middle: wald.slope,
        })
    }

    /// What of backward induction does not depend on weights and multipliers.
    fn stage(&self, means: &[Law]) -> Result<Stage, Error> {
        let tilt = |law: &Law| {
            self.law
                .tilt_to(law)
                .ok_or_else(|| Error::about(Code::Combination, "laws of an optimal plan", "of one family"))
        };
        let [_, high] = self.asked.nominal()?;
        let adequate = tilt(&high)?;
        let means = means.iter().map(tilt).collect::<Result<_, _>>()?;
        let undecided = self.undecided.iter().map(tilt).collect::<Result<_, _>>()?;
        Ok(Stage::new(&self.sites, &self.law, adequate, means, undecided, self.longest))
    }

    /// Cutting planes for expected sites weighted over `means`: with `weights`, or with the weights that
    /// make the largest of them least.
    fn solve(
        &self,
        means: &[Law],
        weights: Option<&[f64]>,
        start: Option<&Solved>,
        watch: &dyn Watch,
    ) -> Result<Solved, Error> {
        let tilt = |law: &Law| {
            self.law
                .tilt_to(law)
                .ok_or_else(|| Error::about(Code::Combination, "laws of an optimal plan", "of one family"))
        };
        let [_, high] = self.asked.nominal()?;
        let stage = Stage::new(
            &self.sites,
            &self.law,
            tilt(&high)?,
            means.iter().map(tilt).collect::<Result<_, _>>()?,
            self.undecided.iter().map(tilt).collect::<Result<_, _>>()?,
            self.longest,
        );
        let laws: Vec<Law> =
            means.iter().cloned().chain([self.law.clone(), high]).chain(self.undecided.iter().cloned()).collect();
        let by_call = self.undecided.is_empty();
        let mut forward = Forward::new(&self.sites, by_call, laws, means.len(), self.middle);
        let equal = vec![1.0 / means.len() as f64; means.len()];
        let mut costs = match start {
            Some(s) => Costs { weights: weights.map_or(equal, <[f64]>::to_vec), ..s.costs.clone() },
            None => self.first_costs(weights.unwrap_or(&equal)),
        };
        let rows = if weights.is_some() { 1 } else { means.len() };
        let mut master = Master::new(rows, &self.bounds);
        let (mut plans, mut risks_of): (Vec<Strip>, Vec<Vec<f64>>) = (Vec::new(), Vec::new());
        let mut add = |strip: Strip, plans: &mut Vec<Strip>, master: &mut Master| -> Result<Vec<f64>, Error> {
            let entries = forward.entries(&strip)?;
            let objective = match weights {
                Some(w) => vec![entries.sites.iter().zip(w).map(|(s, w)| s * w).sum()],
                None => entries.sites,
            };
            master.add(objective.into_iter().chain(entries.risks.iter().copied()).collect());
            plans.push(strip);
            Ok(entries.risks)
        };
        for strip in start.iter().flat_map(|s| &s.mixed) {
            risks_of.push(add(strip.clone(), &mut plans, &mut master)?);
        }
        let (mut bound, mut best_costs) = (f64::NEG_INFINITY, costs.clone());
        let mut mixed: Vec<usize> = Vec::new();
        for turn in 0..MOST_PLANS {
            tell(watch, turn as u64, MOST_PLANS as u64)?;
            let (strip, cost) = stage.least_cost(&costs, false);
            let dual = cost - self.priced(&costs);
            if dual > bound {
                (bound, best_costs) = (dual, costs.clone());
            }
            let known = plans.iter().position(|p| *p == strip);
            let place = known.unwrap_or(plans.len());
            if known.is_none() {
                let risks = add(strip, &mut plans, &mut master)?;
                risks_of.push(risks);
            }
            let early = turn < FIRST_STEPS && start.is_none() && known.is_none();
            let prices = if early { None } else { master.solve() };
            let step = |costs: &mut Costs| costs.step(risks_of.get(place).map_or(&[], Vec::as_slice), &self.bounds);
            let Some(prices) = prices else {
                step(&mut costs);
                continue;
            };
            let mut next = Costs {
                weights: costs.weights.clone(),
                false_adequate: prices.multipliers[0],
                false_inadequate: prices.multipliers[1],
                undecided: prices.multipliers[2..].to_vec(),
            };
            // Early prices are wild; they stay within a box around the best so far.
            next.stay_near(&best_costs);
            if prices.feasible {
                mixed = prices.mixed;
                if prices.value - bound <= MET * bound.abs() {
                    break;
                }
                if weights.is_none() {
                    next.weights = cleaned(prices.weights);
                }
                if known.is_some() && next == costs {
                    break;
                }
                costs = next;
            } else if known.is_none() && next != costs {
                costs = next;
            } else {
                step(&mut costs); // nothing new at these prices, and no mixture keeps the bounds yet
            }
        }
        let mixed = mixed.into_iter().filter_map(|i| plans.get(i).cloned()).collect();
        Ok(Solved { costs: best_costs, bound, mixed, stage, forward })
    }

    fn priced(&self, costs: &Costs) -> f64 {
        let multipliers = [costs.false_adequate, costs.false_inadequate];
        multipliers.iter().chain(&costs.undecided).zip(&self.bounds).map(|(l, b)| l * b).sum()
    }

    /// Sites are about proportional to the logarithm of a risk, so a unit of it is worth sites/(risk·log).
    fn first_costs(&self, weights: &[f64]) -> Costs {
        let sites = self.sites.last().map_or(1.0, |&n| 0.4 * f64::from(n));
        let worth = |risk: f64| sites / (risk * (1.0 - libm::log(self.bounds[0]) - libm::log(self.bounds[1])));
        Costs {
            weights: weights.to_vec(),
            false_adequate: worth(self.bounds[0]),
            false_inadequate: worth(self.bounds[1]),
            undecided: self.undecided.iter().map(|_| 0.1 * worth(self.bounds[0])).collect(),
        }
    }

    /// The best feasible plan from the mixture of a solved problem.
    fn polished(&self, solved: &mut Solved) -> Result<Option<Candidate>, Error> {
        let mut best: Option<Candidate> = None;
        let (own, _) = solved.stage.least_cost(&solved.costs, false);
        let mut tried: Vec<Strip> = Vec::new();
        for strip in solved.mixed.clone().into_iter().chain([own]) {
            if tried.contains(&strip) {
                continue;
            }
            tried.push(strip.clone());
            let mut polish = Polish {
                stage: &solved.stage,
                forward: &mut solved.forward,
                law: &self.law,
                costs: &solved.costs,
                bounds: &self.bounds,
                bound: solved.bound,
            };
            if let Some(c) = polish.run(strip)?
                && best.as_ref().is_none_or(|b| c.cost < b.cost)
            {
                best = Some(c);
            }
        }
        Ok(best)
    }

    /// The bound at these costs, looking at every total.
    fn bound(&self, stage: &Stage, costs: &Costs) -> f64 {
        stage.least_cost(costs, true).1 - self.priced(costs)
    }
}

/// Weights without what rounding left of those that are 0.
fn cleaned(mut weights: Vec<f64>) -> Vec<f64> {
    weights.iter_mut().filter(|w| **w < 1e-9).for_each(|w| *w = 0.0);
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w /= sum);
    weights
}

/// Means of a share count per site: `units` of them.
fn scale(law: &Law) -> f64 {
    if let Law::Binomial { units, .. } = law { f64::from(*units) } else { 1.0 }
}

/// Totals times sites above which an optimal plan is refused.
const MOST_STATES: f64 = 2e7;

impl Costs {
    /// Multipliers within a factor of 2 of others.
    fn stay_near(&mut self, others: &Costs) {
        let near = |x: &mut f64, other: f64| *x = x.clamp(0.5 * other, 2.0 * other);
        near(&mut self.false_adequate, others.false_adequate);
        near(&mut self.false_inadequate, others.false_inadequate);
        for (u, other) in self.undecided.iter_mut().zip(&others.undecided) {
            *u = u.clamp(0.5 * other, 2.0 * other + 1.0);
        }
    }

    /// Multipliers moved by how far each risk is from its bound: a risk falls about as its multiplier grows.
    fn step(&mut self, risks: &[f64], bounds: &[f64]) {
        let multipliers = [&mut self.false_adequate, &mut self.false_inadequate].into_iter().chain(&mut self.undecided);
        for ((l, risk), bound) in multipliers.zip(risks).zip(bounds) {
            *l = (*l * libm::pow((risk / bound).clamp(0.05, 20.0), DAMPED)).max(1e-3);
        }
    }
}

impl Asked<'_> {
    /// The lines and the proof of an optimal plan; `None` where no plan keeps the risks at these checks.
    pub fn optimal(
        &self,
        sites: &[u32],
        objective: &Objective,
        undecided_at_most: Option<Share>,
        watch: &dyn Watch,
    ) -> Result<Option<(Lines, Proof)>, Error> {
        let Some(at_most) = self.undecided_bound(undecided_at_most)? else {
            return self.optimal_within(sites, objective, None, watch);
        };
        // P(undecided) is to be kept at the plan's own even mean, which is known only afterwards.
        let mut even = Mean::new(self.wald()?.slope / scale(&self.nominal()?[0]))?;
        for _ in 0..EVEN_MEANS {
            let Some((lines, proof)) = self.optimal_within(sites, objective, Some((at_most, even)), watch)? else {
                return Ok(None);
            };
            let curve = evaluate_lines(&lines, &self.design.score, &self.design.dispersion, &[even], watch)?;
            let Some(own) = curve.even_mean else { return Ok(Some((lines, proof))) };
            let own = Mean::new(own)?;
            let laws = [self.design.dispersion.laws(&self.design.score, own)?];
            let [calls] = pooled_calls(&lines, &laws, InstructionSet::PORTABLE, watch)?;
            if calls.get(Call::Undecided.index()).is_some_and(|&p| p <= at_most.get()) {
                return Ok(Some((lines, proof)));
            }
            even = own;
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

    /// The optimal plan with P(undecided) bounded at both thresholds and a third mean.
    fn optimal_within(
        &self,
        sites: &[u32],
        objective: &Objective,
        undecided: Option<(Share, Mean)>,
        watch: &dyn Watch,
    ) -> Result<Option<(Lines, Proof)>, Error> {
        let problem = Problem::new(self, sites, undecided)?;
        let (means, mut solved) = match objective {
            Objective::ExpectedSites(at) => {
                let sum: f64 = at.iter().map(|(_, w)| *w).sum();
                if at.is_empty() || at.iter().any(|(_, w)| !w.is_finite() || *w < 0.0) || sum <= 0.0 {
                    return Err(Error::about(
                        Code::OutOfRange,
                        "weights of the means",
                        "at least one mean, weights from 0, not all 0",
                    ));
                }
                let weights: Vec<f64> = at.iter().map(|(_, w)| w / sum).collect();
                let means: Vec<Mean> = at.iter().map(|(m, _)| *m).collect();
                let solved = problem.solve(&self.laws_at(&means)?, Some(&weights), None, watch)?;
                (means, solved)
            }
            Objective::LargestExpectedSites => self.largest(&problem, watch)?,
        };
        let Some(candidate) = problem.polished(&mut solved)? else { return Ok(None) };
        let lines = solved.forward.lines(&candidate.strip)?;
        let value = match objective {
            Objective::ExpectedSites(_) => candidate.cost,
            Objective::LargestExpectedSites => self.largest_sites(&lines)?.expected_sites,
        };
        let costs = &solved.costs;
        let proof = Proof {
            objective: objective.clone(),
            at: means.into_iter().zip(costs.weights.iter().copied()).filter(|(_, w)| *w > 0.0).collect(),
            multipliers: [costs.false_adequate, costs.false_inadequate],
            undecided: undecided.map(|(u, _)| {
                (u, problem.undecided_means.iter().copied().zip(costs.undecided.iter().copied()).collect())
            }),
            value,
            bound: problem.bound(&solved.stage, costs),
        };
        Ok(Some((lines, proof)))
    }

    /// Expected sites of `lines`, weighted over means.
    fn expected_sites(&self, lines: &Lines, means: &[Law], weights: &[f64]) -> Result<f64, Error> {
        let mut sum = 0.0;
        for (law, w) in means.iter().zip(weights) {
            let mut evaluator = Evaluator::new(lines, law, InstructionSet::PORTABLE)?;
            sum += w * evaluator.points(std::slice::from_ref(law))?.iter().map(|p| p.expected_sites).sum::<f64>();
        }
        Ok(sum)
    }

    fn largest_sites(&self, lines: &Lines) -> Result<LargestSites, Error> {
        largest_expected_sites(lines, &self.design.score, &self.design.dispersion)
    }

    fn laws_at(&self, means: &[Mean]) -> Result<Vec<Law>, Error> {
        let first = |&m: &Mean| {
            let laws = self.design.dispersion.laws(&self.design.score, m)?;
            laws.nodes
                .into_iter()
                .next()
                .map(|n| n.1)
                .ok_or_else(|| Error::about(Code::Combination, "dispersion without a law", "at least one"))
        };
        means.iter().map(first).collect()
    }

    /// Means around the largest expected sites, moved until the largest lies among them.
    fn largest(&self, problem: &Problem<'_>, watch: &dyn Watch) -> Result<(Vec<Mean>, Solved), Error> {
        let mut centre = problem.middle / scale(&problem.law);
        let mut best: Option<(Vec<Mean>, Solved)> = None;
        for turn in 0..MOVES {
            let at = |x: &f64| Mean::new(centre * libm::exp(*x));
            let means: Vec<Mean> =
                if turn == 0 { vec![Mean::new(centre)?] } else { AROUND.iter().map(at).collect::<Result<_, _>>()? };
            let start = best.as_ref().map(|(_, solved)| solved);
            let solved = problem.solve(&self.laws_at(&means)?, None, start, watch)?;
            let (plan, _) = solved.stage.least_cost(&solved.costs, false);
            let lines = solved.forward.lines(&plan)?;
            let largest = self.largest_sites(&lines)?;
            let inside = turn > 0 && libm::log(largest.mean / centre).abs() <= 0.05;
            if best.as_ref().is_none_or(|(_, b)| solved.bound > b.bound) {
                best = Some((means, solved));
            }
            if inside {
                break;
            }
            centre = largest.mean;
        }
        best.ok_or_else(|| Error::about(Code::NotConverged, "optimal plan", "means around the largest expected sites"))
    }
}
