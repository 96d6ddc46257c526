//! From a plan near the optimum to a better one: boundary points, one or a few at a time.
//!
//! A raw solution of the multipliers may break a risk by a little or leave some unused. Turning one
//! boundary total from stopping to going on (or back) changes sites and risks by exactly the chance of
//! standing there times the difference in worth, from one forward and one backward pass; for several at
//! once the sum is a close forecast ([`super::search`]), and the exact entries decide.
#![allow(clippy::indexing_slicing)] // arrays of one length
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)] // totals from 0 to the longest row

use super::backward::{Costs, FAR, MOST_RISKS, Quantities, Strip};
use super::forward::{Entries, Reach};
use super::search::{Move, Search};
use super::stage::{ADEQUATE, INADEQUATE, MEANS, Stage};
use crate::error::Error;
use crate::evaluate::InstructionSet;
use crate::score::Total;
use crate::watch::{Watch, tell};

/// A plan this close to the bound is good enough.
pub(super) const CLOSE: f64 = 1e-4;
/// Rounds of improvement.
const ROUNDS: u64 = 80;

/// Changes of a risk, relative to its bound, that are worth a move: at first, and for what is left.
const LEAST_CHANGES: [f64; 2] = [1e-3, 1e-5];
/// Costs that differ by no more than this, relatively, are equal.
const SAME_COST: f64 = 1e-12;
/// A move that costs nothing counts as costing this, relative to the plan.
const NO_PRICE: f64 = 1e-9;

/// Up to so many checks, every pair of moves by up to so many totals is tried.
const FEW: usize = 8;
const BY: Total = 3;

/// A plan with its exact entries and weighted sites.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub strip: Strip,
    pub entries: Entries,
    pub cost: f64,
}

pub(super) struct Polish<'a> {
    pub set: InstructionSet,
    pub stage: &'a Stage,
    pub reach: &'a mut Reach,
    pub costs: &'a Costs,
    /// Risks to keep.
    pub bounds: &'a [f64],
    /// No plan costs less.
    pub bound: f64,
}

impl Polish<'_> {
    /// The plan with its entries; the reach is then its.
    pub fn candidate(&mut self, strip: Strip) -> Candidate {
        let entries = self.stage.entries(self.set, &strip, self.reach);
        let cost = self.cost(&entries);
        Candidate { strip, entries, cost }
    }

    /// Expected sites, weighted.
    pub fn cost(&self, entries: &Entries) -> f64 {
        entries.sites.iter().zip(&self.costs.weights).map(|(s, w)| s * w).sum()
    }

    pub fn keeps(&self, risks: &[f64]) -> bool {
        risks.iter().zip(self.bounds).all(|(r, b)| r <= b)
    }

    /// How far the risks are above their bounds, relatively.
    fn excess(&self, risks: impl Iterator<Item = f64>) -> f64 {
        risks.zip(self.bounds).map(|(r, b)| (r / b - 1.0).max(0.0)).sum()
    }

    fn excess_of(&self, candidate: &Candidate) -> f64 {
        self.excess(candidate.entries.risks.iter().copied())
    }

    /// Is it good enough?
    pub fn close(&self, candidate: &Candidate) -> bool {
        candidate.cost <= self.bound * (1.0 + CLOSE)
    }

    /// The best feasible plan found from `strip`; `None` where no sequence of moves makes it feasible.
    pub fn run(&mut self, strip: Strip, watch: &dyn Watch) -> Result<Option<Candidate>, Error> {
        let mut now = self.candidate(monotone(self.stage, strip));
        let mut best: Option<Candidate> = None;
        for round in 0..ROUNDS {
            tell(watch, round, ROUNDS)?;
            if self.keeps(&now.entries.risks) {
                if best.as_ref().is_some_and(|b| now.cost >= b.cost) {
                    break;
                }
                best = Some(now.clone());
                if self.close(&now) {
                    break;
                }
            }
            let next = self.step(&now);
            match next.or_else(|| self.pair(&now)) {
                Some(next) => now = next,
                None => break,
            }
        }
        Ok(best)
    }

    /// The next plan: feasible with fewer sites, or else less infeasible.
    fn step(&mut self, now: &Candidate) -> Option<Candidate> {
        let mut moves = self.moves(&now.strip);
        moves.sort_unstable_by(|a, b| a.lagrangian.total_cmp(&b.lagrangian));
        let feasible = self.keeps(&now.entries.risks);
        let slack: Vec<f64> = self.bounds.iter().zip(&now.entries.risks).map(|(b, r)| b - r).collect();
        let spent: f64 = slack.iter().zip(&self.costs.multipliers).map(|(s, l)| s * l).sum();
        let better = if feasible { spent - SAME_COST * now.cost } else { f64::INFINITY };
        // The forecasts are close, not exact: the entries decide.
        let mut nearest: Option<Candidate> = None;
        for least in LEAST_CHANGES {
            let moves: Vec<Move> = moves.iter().filter(|m| self.changes(m, least)).copied().collect();
            let search = Search { moves: &moves, multipliers: &self.costs.multipliers, slack: &slack, better };
            for found in self.set.plainly(search) {
                let chosen: Vec<Move> = found.chosen.iter().map(|&i| moves[i]).collect();
                let strip = moved(self.stage, &now.strip, &chosen);
                if !in_order(&strip) {
                    continue;
                }
                let next = self.candidate(strip);
                if self.keeps(&next.entries.risks) {
                    if !feasible || next.cost < now.cost {
                        return Some(next);
                    }
                } else if !feasible && nearest.as_ref().is_none_or(|n| self.excess_of(&next) < self.excess_of(n)) {
                    nearest = Some(next);
                }
            }
        }
        if feasible {
            return None;
        }
        // No set of moves is forecast to keep every bound: the one that takes away most of the excess for its price.
        let excess = self.excess_of(now);
        let after = |m: &Move| self.excess(now.entries.risks.iter().zip(&m.risks).map(|(r, d)| r + d));
        let gain = |m: &Move| (excess - after(m)) / (m.lagrangian.max(0.0) + NO_PRICE * now.cost);
        let pick = moves.iter().filter(|m| after(m) < excess).max_by(|a, b| gain(a).total_cmp(&gain(b))).copied();
        let single = pick.map(|m| self.candidate(moved(self.stage, &now.strip, &[m])));
        let both = [nearest, single].into_iter().flatten();
        both.filter(|c| self.excess_of(c) < excess).min_by(|a, b| self.excess_of(a).total_cmp(&self.excess_of(b)))
    }

    /// With few checks effects do not add up, but every pair of moves can be tried: the one with fewest sites,
    /// or with least excess.
    fn pair(&mut self, now: &Candidate) -> Option<Candidate> {
        let checks = self.stage.checks();
        if checks > FEW {
            return None;
        }
        let to = |check, upper, by| Move { check, upper, by, risks: [0.0; MOST_RISKS], lagrangian: 0.0 };
        let mut moves = vec![to(0, false, 0)];
        for check in 0..checks {
            for by in (-BY..=BY).filter(|by| *by != 0) {
                moves.extend([to(check, false, by), to(check, true, by)]);
            }
        }
        let mut best: Option<Candidate> = None;
        for (i, &first) in moves.iter().enumerate() {
            for &second in &moves[..i] {
                let strip = moved(self.stage, &now.strip, &[first, second]);
                if !in_order(&strip) || strip.high.last().is_some_and(|&h| h >= self.stage.longest as Total) {
                    continue;
                }
                let next = self.candidate(strip);
                let rank = |c: &Candidate| (self.excess_of(c), c.cost);
                if rank(&next) < rank(best.as_ref().unwrap_or(now)) {
                    best = Some(next);
                }
            }
        }
        best
    }

    /// Every line that may move at a check, by up to `FAR` totals, with the exact effect.
    fn moves(&mut self, strip: &Strip) -> Vec<Move> {
        self.stage.entries(self.set, strip, self.reach);
        let stage = self.stage;
        let points = stage.going_on(self.set, strip, &self.costs.weights);
        let cap = stage.checks() - 1;
        let mut moves = Vec::with_capacity(4 * FAR * points.len());
        for (i, points) in points.iter().enumerate() {
            for (upper, near) in [false, true].into_iter().zip(strip.near(i)) {
                if i == cap && stage.by_call() && !upper {
                    continue; // a cut is moved by its upper side, both lines together
                }
                // Outwards from the line: totals that open, then totals that stop.
                for opens in [false, true] {
                    let mut sum = Quantities::default();
                    for step in 1..=FAR {
                        // Below the lower line, and from the upper line on, totals are stopped.
                        let place = if opens == upper { FAR + step - 1 } else { FAR - step };
                        let total = near + place as Total;
                        let chance = self.reach.chance(i, total);
                        if chance <= 0.0 || total >= stage.longest as Total {
                            break;
                        }
                        let t = total as usize;
                        let chance = chance * stage.middle.ratio(INADEQUATE, i, t);
                        let stop = stopping(stage, i, t, upper);
                        let other = if i < cap {
                            points.at[usize::from(upper)][place]
                        } else if stage.by_call() {
                            stopping(stage, i, t, false)
                        } else {
                            staying_undecided(stage, t)
                        };
                        let chance = if opens { chance } else { -chance };
                        for ((sum, other), stop) in sum.iter_mut().zip(other).zip(stop) {
                            *sum += chance * (other - stop);
                        }
                        let by = if opens == upper { step as Total } else { -(step as Total) };
                        let m = self.effect(i, upper, by, &sum);
                        if !may_move(stage, strip, &m) {
                            break;
                        }
                        if self.changes(&m, LEAST_CHANGES[1]) {
                            moves.push(m);
                        }
                    }
                }
            }
        }
        moves
    }

    /// Does a move change a risk by this share of its bound? Far out hardly any walk stands: moves there cost
    /// nothing and bring nothing.
    fn changes(&self, m: &Move, share: f64) -> bool {
        m.risks.iter().zip(self.bounds).any(|(change, bound)| change.abs() > share * bound)
    }

    /// A move by the change it makes: of sites, of ending otherwise than adequate, and of the other risks.
    fn effect(&self, check: usize, upper: bool, by: Total, change: &Quantities) -> Move {
        let mut risks = [0.0; MOST_RISKS];
        risks.copy_from_slice(&change[1..]);
        risks[0] = -risks[0];
        let lagrangian = change[0] + self.costs.multipliers.iter().zip(&risks).map(|(l, d)| l * d).sum::<f64>();
        Move { check, upper, by, risks, lagrangian }
    }
}

/// What stopping at a check is worth in the quantities of [`super::backward::Points`].
fn stopping(stage: &Stage, check: usize, total: usize, adequate: bool) -> Quantities {
    let mut values = Quantities::default();
    if !adequate {
        values[1] = 1.0;
        values[2] = stage.low.ratio(ADEQUATE, check, total);
    }
    values
}

/// The same of staying undecided at the cap.
fn staying_undecided(stage: &Stage, total: usize) -> Quantities {
    let cap = stage.checks() - 1;
    let mut values = Quantities::default();
    values[1] = 1.0;
    for (value, tilt) in values[3..].iter_mut().zip(MEANS + stage.means..).take(stage.undecided) {
        *value = stage.low.ratio(tilt, cap, total);
    }
    values
}

/// The strip after some moves. A plan that ends by a call keeps its two lines at the cap together.
fn moved(stage: &Stage, strip: &Strip, moves: &[Move]) -> Strip {
    let mut strip = strip.clone();
    for m in moves {
        let both = stage.by_call() && m.check + 1 == stage.checks();
        if m.upper || both {
            strip.high[m.check] += m.by;
        }
        if !m.upper || both {
            strip.low[m.check] += m.by;
        }
    }
    strip
}

/// Do the lines of a strip still rise, and not cross, after one move?
fn may_move(stage: &Stage, strip: &Strip, m: &Move) -> bool {
    let i = m.check;
    let both = stage.by_call() && i + 1 == stage.checks();
    let low = strip.low[i] + if !m.upper || both { m.by } else { 0 };
    let high = strip.high[i] + if m.upper || both { m.by } else { 0 };
    let rises = |line: &[Total], now: Total| {
        (i == 0 || line[i - 1] <= now) && line.get(i + 1).is_none_or(|&after| now <= after)
    };
    low < high && low >= -1 && high >= 1 && rises(&strip.low, low) && rises(&strip.high, high)
}

/// Lines that rise and do not cross.
fn in_order(strip: &Strip) -> bool {
    let rises = |v: &[Total]| v.windows(2).all(|w| w[0] <= w[1]);
    rises(&strip.low)
        && rises(&strip.high)
        && strip.low.iter().zip(&strip.high).all(|(l, h)| l < h && *l >= -1 && *h >= 1)
}

/// The strip with lines that rise: an irregular point of the lower line is brought up to the one before it,
/// and no total stays open from which the last check calls adequate anyway.
fn monotone(stage: &Stage, mut strip: Strip) -> Strip {
    let cap = stage.checks() - 1;
    for i in 1..=cap {
        strip.low[i] = strip.low[i].max(strip.low[i - 1]);
    }
    let least = strip.low[cap] + 1;
    let last = if stage.by_call() { least } else { strip.high[cap].max(least) };
    for i in 0..=cap {
        let before = if i == 0 { 1 } else { strip.high[i - 1] };
        strip.high[i] = strip.high[i].min(last).max(before).max(strip.low[i] + 1);
    }
    strip.high[cap] = strip.high[cap].max(last);
    strip.low[cap] = if stage.by_call() { strip.high[cap] - 1 } else { strip.low[cap] };
    strip
}
