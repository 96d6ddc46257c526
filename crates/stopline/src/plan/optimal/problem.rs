//! The search for weights and multipliers: cutting planes on the dual.
//!
//! For given ones backward induction gives the plan of least cost; its cost less Σ multiplier·asked risk
//! is the dual there, and bounds every plan from below. The plans found so far show the dual as the least
//! of as many planes ([`super::master`]); its highest point, within a box around the best point so far,
//! is looked at next. Where no plane stands above the best point any more, bound and mixture of plans meet.
#![allow(clippy::indexing_slicing)] // one multiplier a bound

use super::backward::{Costs, Strip};
use super::forward::{Entries, Reach};
use super::master::{Master, NO_WEIGHT, Prices, Range};
use super::polish::{Candidate, Polish};
use super::stage::{Stage, Ways};
use crate::error::{Code, Error};
use crate::evaluate::InstructionSet;
use crate::law::Law;
use crate::lines::{Call, Lines, Row};
use crate::params::{Mean, Share};
use crate::plan::design::{Asked, Design};
use crate::score::Total;
use crate::watch::{Quiet, Watch, tell};

/// Steps of multipliers alone, before the planes take over.
const FIRST_STEPS: usize = 6;
/// Power of the ratio by which a multiplier is moved: risks are coupled, full steps circle.
const DAMPED: f64 = 0.8;
/// Plans sought for one set of means.
const MOST_PLANS: usize = 120;
/// The planes and the bound have met.
const MET: f64 = 2e-6;
/// Factor by which multipliers may move at first, at least and at most.
const BOX: (f64, f64, f64) = (2.0, 1.02, 1e6);
/// The same where both risks are near already.
const NEAR_BOX: f64 = 1.05;
/// Plans outside the mixture that are tried where those in it leave a gap.
const MORE_STARTS: usize = 6;
/// A gap from which calibrated lines are tried too.
const FAR_OFF: f64 = 1e-3;
/// Means that are kept beside a new one.
const ROOM: usize = 4;
/// Most of it that is taken on.
const MOST: Effort = Effort { seconds: 60.0, numbers: 5e7 };
/// Seconds for all plans looked at, for a step of the inner loops and for a check; measured on a busy machine of 2023
/// with AVX-512.
const STEP: f64 = 2e-8;
const CHECK: f64 = 4e-4;
/// Numbers kept for each total: tables of each mean.
const TABLES: f64 = 40.0;
/// Two ways to compute a risk differ by less than this, relatively.
const SAME_RISK: f64 = 1e-12;

/// One design with its laws, ready to be solved for several sets of means.
pub(super) struct Problem<'a> {
    pub asked: &'a Asked<'a>,
    set: InstructionSet,
    sites: Vec<u32>,
    /// The law of the middle of the strip, in whose measure all is told.
    pub middle: Law,
    /// At the two thresholds.
    thresholds: [Law; 2],
    /// Risks to keep.
    pub bounds: Vec<f64>,
    pub undecided_means: Vec<Mean>,
    longest: usize,
}

/// A solved set of means.
pub(super) struct Solved {
    pub means: Vec<Mean>,
    pub costs: Costs,
    /// No plan has a smaller objective.
    pub bound: f64,
    /// The objective of the best mixture of the plans.
    pub mixed: f64,
    pub plans: Vec<Known>,
    stage: Stage,
}

/// A plan met in the search.
#[derive(Debug, Clone)]
pub(super) struct Known {
    pub strip: Strip,
    /// Its share in the mixture.
    pub share: f64,
    entries: Entries,
}

/// Where a search begins.
pub(super) struct Start {
    pub costs: Costs,
    pub bound: f64,
    pub plans: Vec<Known>,
}

impl Solved {
    /// Means with their weights: without those of no weight where there are many.
    pub fn counted(&self) -> Vec<(Mean, f64)> {
        let mut all: Vec<(Mean, f64)> = self.means.iter().copied().zip(self.costs.weights.iter().copied()).collect();
        if all.len() > ROOM {
            all.sort_by(|a, b| b.1.total_cmp(&a.1));
            all.truncate(ROOM);
        }
        all
    }
}

impl<'a> Problem<'a> {
    pub fn new(
        asked: &'a Asked<'a>,
        set: InstructionSet,
        sites: &[u32],
        undecided: Option<(Share, Mean)>,
    ) -> Result<Self, Error> {
        let [low, high] = asked.nominal()?;
        let wald = asked.wald()?;
        let one_law = asked.laws.iter().all(|l| l.nodes.len() == 1);
        let one_family = asked.laws.iter().flat_map(|l| &l.nodes).all(|(_, law)| low.tilt_to(law).is_some());
        let Some(middle) = low.with_mean(wald.slope).filter(|_| one_law && one_family) else {
            return Err(Error::new(
                Code::Combination,
                "dispersion of an optimal plan",
                asked.design.dispersion.name(),
                "poisson, constant_k or binomial: the bound holds for one k",
            ));
        };
        let mut bounds = vec![asked.risks.false_adequate().get(), asked.risks.false_inadequate().get()];
        let mut undecided_means = Vec::new();
        if let Some((at_most, even)) = undecided {
            undecided_means = vec![asked.thresholds.inadequate(), asked.thresholds.adequate(), even];
            bounds.extend([at_most.get(); 3]);
        }
        // Upper lines above this are met with less than 1e-13 of the asked risk (Ville's inequality).
        let cap = sites.last().copied().unwrap_or(0);
        let per_total = (libm::log1p(-bounds[1]) - libm::log(bounds[0])) / wald.upper;
        let longest = wald.slope * f64::from(cap) + (30.0 - libm::log(bounds[0])) / per_total + 64.0;
        Effort::of(sites, wald.upper - wald.lower, wald.slope, longest).check(longest)?;
        Ok(Self {
            asked,
            set,
            sites: sites.to_vec(),
            middle,
            thresholds: [low, high],
            bounds,
            undecided_means,
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // bounded by MOST
            longest: longest as usize,
        })
    }

    fn stage(&self, means: &[Mean], ways: Ways) -> Result<Stage, Error> {
        let Design { score, dispersion, .. } = self.asked.design;
        let mut laws = self.thresholds.to_vec();
        for &mean in means.iter().chain(&self.undecided_means) {
            laws.extend(dispersion.laws(score, mean)?.nodes.into_iter().map(|(_, law)| law));
        }
        Stage::new(&self.sites, &self.middle, &laws, self.undecided_means.len(), self.longest, ways)
            .ok_or_else(|| Error::about(Code::Combination, "laws of an optimal plan", "of one family"))
    }

    /// Least expected sites weighted over `means`: with `weights`, or with the weights that make the
    /// largest of them least. `None` where the bound is above the cap: then no plan keeps the risks.
    pub fn solve(
        &self,
        means: Vec<Mean>,
        weights: Option<&[f64]>,
        start: Option<Start>,
        watch: &dyn Watch,
    ) -> Result<Option<Solved>, Error> {
        let stage = self.stage(&means, Ways::Both)?;
        let cap = self.sites.last().map_or(0.0, |&n| f64::from(n));
        let rows = if weights.is_some() { 1 } else { means.len() };
        let mut planes = Planes {
            set: self.set,
            stage: &stage,
            weights,
            master: Master::new(rows, &self.bounds),
            plans: Vec::new(),
            reach: Reach::default(),
        };
        let mut stepping = start.is_none();
        let (mut best, mut bound) = match start {
            Some(start) => {
                start.plans.into_iter().for_each(|known| {
                    planes.add(known.strip);
                });
                (start.costs, start.bound)
            }
            None => {
                let equal = || vec![1.0 / means.len() as f64; means.len()];
                let weights = weights.map_or_else(equal, <[f64]>::to_vec);
                (Costs { weights, multipliers: self.first_multipliers() }, f64::NEG_INFINITY)
            }
        };
        let (mut costs, mut size) = (best.clone(), BOX.0);
        let mut prices: Option<Prices> = None;
        if !stepping && let Some(prices) = planes.master.solve(&self.within(&best, size)) {
            costs = self.costs(&costs, weights, &prices);
        }
        for turn in 0..MOST_PLANS {
            tell(watch, turn as u64, MOST_PLANS as u64)?;
            let (strip, cost) = stage.least_cost(self.set, &costs);
            let dual = cost - self.priced(&costs);
            if dual > bound {
                size = if turn > FIRST_STEPS { f64::min(1.5 * size, 2.0 * BOX.0) } else { size };
                (bound, best) = (dual, costs.clone());
            } else {
                size = libm::sqrt(size).max(BOX.1);
            }
            if bound > cap {
                return Ok(None);
            }
            let place = planes.add(strip);
            let risks = &planes.plans[place].entries.risks;
            if turn < FIRST_STEPS && stepping {
                if !self.near(risks) {
                    self.step(&mut costs, risks);
                    continue;
                }
                (stepping, size) = (false, NEAR_BOX);
            }
            prices = self.highest(&mut planes.master, &best, bound, &mut size);
            let Some(prices) = &prices else {
                self.step(&mut costs, &planes.plans[place].entries.risks);
                continue;
            };
            let next = self.costs(&costs, weights, prices);
            if prices.value - bound <= MET * bound.abs() || next == costs {
                break;
            }
            costs = next;
        }
        let mut plans = planes.plans;
        let mixed = prices.as_ref().map_or(f64::INFINITY, |p| p.value);
        for (i, share) in prices.into_iter().flat_map(|p| p.mixed) {
            plans[i].share = share;
        }
        plans.sort_by(|a, b| b.share.total_cmp(&a.share));
        Ok(Some(Solved { means, costs: best, bound, mixed, plans, stage }))
    }

    /// The prices as costs; given weights stay.
    fn costs(&self, now: &Costs, weights: Option<&[f64]>, prices: &Prices) -> Costs {
        let weights = if weights.is_some() { now.weights.clone() } else { cleaned(prices.weights.clone()) };
        Costs { weights, multipliers: prices.multipliers.clone() }
    }

    /// The highest point of the planes in a box around the best, which grows where it alone holds them back.
    fn highest(&self, master: &mut Master, best: &Costs, bound: f64, size: &mut f64) -> Option<Prices> {
        loop {
            let prices = master.solve(&self.within(best, *size))?;
            if prices.value - bound > MET * bound.abs() || !prices.at_edge || *size >= BOX.2 {
                return Some(prices);
            }
            *size *= *size;
        }
    }

    fn within(&self, best: &Costs, size: f64) -> Vec<Range> {
        let unit = 0.05 * (size - 1.0);
        let range = |(i, (&l, first)): (usize, (&f64, f64))| {
            // Staying undecided may well cost nothing.
            let step = if i < 2 { 0.0 } else { unit * first };
            ((l / size - step).max(0.0), l * size + step)
        };
        best.multipliers.iter().zip(self.first_multipliers()).enumerate().map(range).collect()
    }

    fn priced(&self, costs: &Costs) -> f64 {
        costs.multipliers.iter().zip(&self.bounds).map(|(l, b)| l * b).sum()
    }

    /// Sites are about proportional to the logarithm of a risk, so a unit of it is worth sites/(risk·log).
    fn first_multipliers(&self) -> Vec<f64> {
        let sites = self.sites.last().map_or(1.0, |&n| 0.4 * f64::from(n));
        let worth = |risk: f64| sites / (risk * (1.0 - libm::log(self.bounds[0]) - libm::log(self.bounds[1])));
        let share = |i: usize| if i < 2 { 1.0 } else { 0.1 };
        self.bounds.iter().enumerate().map(|(i, &b)| share(i) * worth(b)).collect()
    }

    /// Multipliers moved by how far each risk is from its bound: a risk falls about as its multiplier grows.
    fn step(&self, costs: &mut Costs, risks: &[f64]) {
        for ((l, risk), bound) in costs.multipliers.iter_mut().zip(risks).zip(&self.bounds) {
            *l *= libm::pow((risk / bound).clamp(0.05, 20.0), DAMPED);
        }
    }

    /// Are both risks so near what was asked that planes do better than steps?
    fn near(&self, risks: &[f64]) -> bool {
        risks.iter().zip(&self.bounds).take(2).all(|(r, b)| (r / b - 1.0).abs() < 0.02)
    }

    /// The best plan that keeps `bounds`, from the plans of a solved problem.
    pub fn polished(&self, solved: &Solved, bounds: &[f64], watch: &dyn Watch) -> Result<Option<Candidate>, Error> {
        let mut reach = Reach::default();
        let kept = kept(bounds);
        let mut polish = self.polish(&solved.stage, &solved.costs, &kept, solved.bound, &mut reach);
        let (mixed, mut others): (Vec<&Known>, Vec<&Known>) = solved.plans.iter().partition(|k| k.share > 0.0);
        // Plans that keep the bounds first, those with fewest sites before.
        let rank = |k: &&Known| (!polish.keeps(&k.entries.risks), polish.cost(&k.entries));
        others.sort_by(|a, b| rank(a).partial_cmp(&rank(b)).unwrap_or(std::cmp::Ordering::Equal));
        let mut best: Option<Candidate> = None;
        let starts = mixed.into_iter().chain(others.into_iter().take(MORE_STARTS)).map(|k| k.strip.clone());
        let last = [Some(self.least_cost(solved)), self.fixed()].into_iter().flatten();
        let mut starts = starts.chain(last);
        let mut calibrated = false;
        loop {
            let strip = match starts.next() {
                Some(strip) => strip,
                // Where all else leaves a gap that matters.
                None if !calibrated && best.as_ref().is_none_or(|b| b.cost > solved.bound * (1.0 + FAR_OFF)) => {
                    calibrated = true;
                    match self.calibrated(watch)? {
                        Some(strip) => strip,
                        None => break,
                    }
                }
                None => break,
            };
            let Some(found) = polish.run(strip, watch)? else { continue };
            if best.as_ref().is_none_or(|b| found.cost < b.cost) {
                let close = polish.close(&found);
                best = Some(found);
                if close {
                    break;
                }
            }
        }
        Ok(best)
    }

    /// A plan with fewer expected sites at `mean`, from a plan that keeps `bounds`.
    pub fn improved(
        &self,
        solved: &Solved,
        mean: Mean,
        from: &Strip,
        bounds: &[f64],
        watch: &dyn Watch,
    ) -> Result<Option<Candidate>, Error> {
        let mut reach = Reach::default();
        let kept = kept(bounds);
        let costs = Costs { weights: vec![1.0], multipliers: solved.costs.multipliers.clone() };
        let stage = self.stage(&[mean], Ways::Both)?;
        self.polish(&stage, &costs, &kept, solved.bound, &mut reach).run(from.clone(), watch)
    }

    fn polish<'b>(
        &self,
        stage: &'b Stage,
        costs: &'b Costs,
        bounds: &'b [f64],
        bound: f64,
        reach: &'b mut Reach,
    ) -> Polish<'b> {
        Polish { set: self.set, stage, reach, costs, bounds, bound }
    }

    /// The mean with the largest expected sites of a mixture of plans, and how many: on a grid that goes
    /// well beyond the thresholds, then by parabolas.
    pub fn largest_sites(&self, mixture: &[(&Strip, f64)]) -> Result<(Mean, f64), Error> {
        let Design { score, dispersion, .. } = self.asked.design;
        let shares = dispersion.of_shares();
        let to = |m: f64| if shares { libm::log(m / (1.0 - m)) } else { libm::log(m) };
        let from = |x: f64| Mean::new(if shares { 1.0 / (1.0 + libm::exp(-x)) } else { libm::exp(x) });
        let (low, high) = (self.asked.thresholds.inadequate().get(), self.asked.thresholds.adequate().get());
        let (low, span) = (to(low), to(high) - to(low));
        let mut reach = Reach::default();
        let mut sites = |xs: &[f64]| -> Result<Vec<f64>, Error> {
            let means = xs.iter().map(|&x| from(x)).collect::<Result<Vec<_>, _>>()?;
            let stage = self.stage(&means, Ways::Forward)?;
            let mut sum = vec![0.0; xs.len()];
            for (strip, share) in mixture {
                let entries = stage.entries(self.set, strip, &mut reach);
                sum.iter_mut().zip(&entries.sites).for_each(|(sum, s)| *sum += share * s);
            }
            Ok(sum)
        };
        let mut xs: Vec<f64> = (-12..=16).map(|i| low + 0.25 * f64::from(i) * span).collect();
        xs.insert(0, xs[0] - 7.0); // almost none
        // A unit is all but surely positive at high means.
        xs.retain(|&x| from(x).is_ok_and(|mean| dispersion.laws(score, mean).is_ok()));
        let (mut top, mut most) = (xs[0], 0.0);
        let mut keep = |xs: &[f64], found: &[f64]| {
            for (&x, &sites) in xs.iter().zip(found) {
                if sites > most {
                    (top, most) = (x, sites);
                }
            }
            (top, most)
        };
        let (mut at, _) = keep(&xs, &sites(&xs)?);
        for step in [0.25, 0.0625, 0.015_625, 0.004].map(|s| s * span) {
            let around = [at - step, at, at + step];
            let found = sites(&around)?;
            (at, _) = keep(&around, &found);
            let bend = found[0] - 2.0 * found[1] + found[2];
            if at == around[1] && bend < 0.0 {
                at += (0.5 * step * (found[0] - found[2]) / bend).clamp(-step, step);
            }
        }
        let (at, most) = keep(&[at], &sites(&[at])?);
        Ok((from(at)?, most))
    }

    /// One cut at the cap, where one keeps the risks: totals that are above it before need no more sites.
    fn fixed(&self) -> Option<Strip> {
        let cap = *self.sites.last()?;
        let (first, last) = self.asked.cuts(cap, &Quiet).ok()??; // only one of many starts
        #[allow(clippy::cast_possible_truncation)] // below `longest`
        let middle = (self.middle.mean() * f64::from(cap)) as Total;
        let cut = middle.clamp(first, last);
        let mut low: Vec<Total> = vec![-1; self.sites.len()];
        *low.last_mut()? = cut;
        self.within_reach(Strip { low, high: vec![cut + 1; self.sites.len()] })
    }

    /// The calibrated lines, where there are any.
    fn calibrated(&self, watch: &dyn Watch) -> Result<Option<Strip>, Error> {
        match self.asked.calibrated(&self.sites, watch) {
            Ok(found) => Ok(found.and_then(|lines| self.strip(&lines))),
            Err(e) if e.code() == Code::TooMuchWork => Ok(None), // only one of many starts
            Err(e) => Err(e),
        }
    }

    fn within_reach(&self, strip: Strip) -> Option<Strip> {
        strip.high.iter().all(|&h| usize::try_from(h).is_ok_and(|h| h <= self.longest)).then_some(strip)
    }

    /// The plan of least cost of a solved problem.
    pub fn least_cost(&self, solved: &Solved) -> Strip {
        solved.stage.least_cost(self.set, &solved.costs).0
    }

    /// Expected sites of a plan, weighted over means.
    pub fn expected_sites(&self, strip: &Strip, means: &[Mean], weights: &[f64]) -> Result<f64, Error> {
        let entries = self.stage(means, Ways::Forward)?.entries(self.set, strip, &mut Reach::default());
        Ok(entries.sites.iter().zip(weights).map(|(s, w)| s * w).sum())
    }

    /// The bound at these costs.
    pub fn bound(&self, means: &[Mean], weights: Vec<f64>, multipliers: Vec<f64>) -> Result<f64, Error> {
        let costs = Costs { weights, multipliers };
        Ok(self.stage(means, Ways::Both)?.least_cost(self.set, &costs).1 - self.priced(&costs))
    }

    /// Lines as a strip; none where a check lacks its upper line.
    pub fn strip(&self, lines: &Lines) -> Option<Strip> {
        let rows = lines.rows();
        let low = rows.iter().map(|r| r.at_most(Call::Inadequate).unwrap_or(-1)).collect();
        let high = rows.iter().map(|r| r.at_least(Call::Adequate)).collect::<Option<Vec<_>>>()?;
        self.within_reach(Strip { low, high })
    }

    /// The strip as lines.
    pub fn lines(&self, strip: &Strip) -> Result<Lines, Error> {
        let last = self.sites.len() - 1;
        let row = |(i, &n): (usize, &u32)| {
            let (low, high) = (strip.low[i], strip.high[i]);
            let middle = (!self.undecided_means.is_empty() && i == last).then_some(Call::Undecided);
            Row::two_calls(n, (low >= 0).then_some(low), Some(high), middle)
        };
        Lines::new(self.sites.iter().enumerate().map(row).collect())
    }
}

/// What a design asks of the machine, about.
#[derive(Debug, Clone, Copy)]
struct Effort {
    seconds: f64,
    /// Numbers in memory.
    numbers: f64,
}

impl Effort {
    /// Going from a check to the next is a sum over the open totals for each of them; there are about as many as between
    /// Wald's lines and a batch adds.
    fn of(sites: &[u32], width: f64, slope: f64, longest: f64) -> Self {
        let gaps = std::iter::once(0).chain(sites.iter().copied()).zip(sites).map(|(a, &b)| b - a);
        let open: Vec<f64> = gaps.clone().map(|gap| (width + slope * f64::from(gap)).min(longest)).collect();
        let batches = gaps.collect::<std::collections::BTreeSet<_>>().len();
        Self {
            seconds: STEP * open.iter().map(|open| open * open).sum::<f64>() + CHECK * sites.len() as f64,
            numbers: (2.0 * batches as f64 + TABLES) * longest
                + open.iter().sum::<f64>()
                + (2 * MOST_PLANS * sites.len()) as f64,
        }
    }

    fn check(self, longest: f64) -> Result<(), Error> {
        if self.seconds <= MOST.seconds && self.numbers <= MOST.numbers {
            return Ok(());
        }
        let memory = |numbers: f64| 8e-6 * numbers;
        Err(Error::new(
            Code::TooMuchWork,
            "optimal plan",
            format!("about {:.0} s and {:.0} MB for totals up to {longest:.0}", self.seconds, memory(self.numbers)),
            format!(
                "at most {:.0} s and {:.0} MB: fewer checks, a smaller cap, lower means or larger risks",
                MOST.seconds,
                memory(MOST.numbers)
            ),
        ))
    }
}

/// The plans found so far.
struct Planes<'a> {
    set: InstructionSet,
    stage: &'a Stage,
    weights: Option<&'a [f64]>,
    master: Master,
    plans: Vec<Known>,
    reach: Reach,
}

impl Planes<'_> {
    /// The plan's place, new or known.
    fn add(&mut self, strip: Strip) -> usize {
        if let Some(known) = self.plans.iter().position(|p| p.strip == strip) {
            return known;
        }
        let entries = self.stage.entries(self.set, &strip, &mut self.reach);
        let risks = entries.risks.iter().copied();
        match self.weights {
            Some(w) => {
                let sites: f64 = entries.sites.iter().zip(w).map(|(s, w)| s * w).sum();
                self.master.add([sites].into_iter().chain(risks));
            }
            None => self.master.add(entries.sites.iter().copied().chain(risks)),
        }
        self.plans.push(Known { strip, share: 0.0, entries });
        self.plans.len() - 1
    }
}

/// Bounds that are kept whichever way a risk is computed.
fn kept(bounds: &[f64]) -> Vec<f64> {
    bounds.iter().map(|b| b * (1.0 - SAME_RISK)).collect()
}

/// Weights without what rounding left of those that are 0.
fn cleaned(mut weights: Vec<f64>) -> Vec<f64> {
    weights.iter_mut().filter(|w| **w < NO_WEIGHT).for_each(|w| *w = 0.0);
    let sum: f64 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w /= sum);
    weights
}
