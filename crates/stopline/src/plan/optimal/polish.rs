//! From a plan near the optimum to a better one: boundary points, one or a few at a time.
//!
//! A raw solution of the multipliers may break a risk by a little or leave some unused. Turning one
//! boundary total from stopping to going on (or back) changes sites and risks by exactly the chance of
//! standing there times the difference in worth, from one forward and one backward pass; for several at
//! once the sum is a close forecast, and the exact entries decide.
#![allow(clippy::indexing_slicing)] // arrays of one length

use super::backward::{Costs, Stage, Strip};
use super::forward::{Entries, Forward};
use crate::error::Error;
use crate::law::Law;
use crate::score::Total;

/// Boundary points that are tried together: those that change the Lagrangian least.
const TOGETHER: usize = 48;
/// Most of them in one step, and sets looked at.
const DEPTH: usize = 5;
const MOST_SETS: usize = 20_000;
/// Forecasts that are verified.
const VERIFIED: usize = 6;
/// A plan this close to the bound is good enough.
const CLOSE: f64 = 1e-4;
/// Rounds of improvement.
const ROUNDS: usize = 60;

/// A boundary that moves by one total.
#[derive(Debug, Clone, Copy)]
struct Move {
    check: usize,
    upper: bool,
    by: Total,
    /// Changes of the risks.
    risks: [f64; MOST_RISKS],
    /// Change of the Lagrangian: how far from optimal it is to move here.
    lagrangian: f64,
}

/// Risks that may be bounded: two, and staying undecided at three means.
const MOST_RISKS: usize = 5;

/// A plan with its exact entries and weighted sites.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub strip: Strip,
    pub entries: Entries,
    pub cost: f64,
}

pub(super) struct Polish<'a> {
    pub stage: &'a Stage,
    pub forward: &'a mut Forward,
    /// Law at the inadequate mean.
    pub law: &'a Law,
    pub costs: &'a Costs,
    pub bounds: &'a [f64],
    /// No plan costs less.
    pub bound: f64,
}

/// A search for the set of moves after which sites are fewest and every bound is kept, as far as effects add up.
///
/// With multipliers l, sites after a set = Lagrangian after it − Σ l·risk, so what counts is
/// Σ Lagrangian of the moves + Σ l·(bound − risk left over), and both parts are never negative.
struct Search<'a> {
    moves: &'a [Move],
    multipliers: Vec<f64>,
    /// What is left of each bound before any move.
    slack: Vec<f64>,
    /// Better than this is worth finding.
    best: f64,
    sets: usize,
    found: Vec<(f64, Vec<usize>)>,
}

impl<'a> Search<'a> {
    fn new(polish: &Polish<'_>, now: &Candidate, moves: &'a [Move]) -> Self {
        let costs = polish.costs;
        let multipliers: Vec<f64> =
            [costs.false_adequate, costs.false_inadequate].into_iter().chain(costs.undecided.iter().copied()).collect();
        let slack: Vec<f64> = polish.bounds.iter().zip(&now.entries.risks).map(|(b, r)| b - r).collect();
        let feasible = slack.iter().all(|&s| s >= 0.0);
        let spent: f64 = slack.iter().zip(&multipliers).map(|(s, l)| s * l).sum();
        let best = if feasible { spent - 1e-12 * now.cost } else { f64::INFINITY };
        Self { moves: &moves[..moves.len().min(TOGETHER)], multipliers, slack, best, sets: 0, found: Vec::new() }
    }

    fn descend(&mut self, from: usize, lagrangian: f64, chosen: &mut Vec<usize>) {
        for i in from..self.moves.len() {
            let m = self.moves[i];
            let lagrangian = lagrangian + m.lagrangian;
            if lagrangian >= self.best || self.sets >= MOST_SETS {
                return; // later moves cost more
            }
            if chosen.iter().any(|&c| (self.moves[c].check, self.moves[c].upper) == (m.check, m.upper)) {
                continue;
            }
            self.sets += 1;
            for (s, r) in self.slack.iter_mut().zip(&m.risks) {
                *s -= r;
            }
            chosen.push(i);
            if self.slack.iter().all(|&s| s >= 0.0) {
                let after = lagrangian + self.slack.iter().zip(&self.multipliers).map(|(s, l)| s * l).sum::<f64>();
                if after < self.best {
                    self.best = after;
                    self.found.push((after, chosen.clone()));
                }
            }
            if chosen.len() < DEPTH {
                self.descend(i + 1, lagrangian, chosen);
            }
            chosen.pop();
            for (s, r) in self.slack.iter_mut().zip(&m.risks) {
                *s += r;
            }
        }
    }
}

impl Polish<'_> {
    /// The plan with its entries.
    pub fn candidate(&mut self, strip: Strip) -> Result<Candidate, Error> {
        let entries = self.forward.entries(&strip)?;
        let cost = entries.sites.iter().zip(&self.costs.weights).map(|(s, w)| s * w).sum();
        Ok(Candidate { strip, entries, cost })
    }

    fn keeps(&self, risks: &[f64]) -> bool {
        risks.iter().zip(self.bounds).all(|(r, b)| r <= b)
    }

    /// How far the risks are above their bounds, relatively.
    fn excess(&self, risks: &[f64]) -> f64 {
        risks.iter().zip(self.bounds).map(|(r, b)| (r / b - 1.0).max(0.0)).sum()
    }

    /// The best feasible plan found from `strip`; `None` where no sequence of moves makes it feasible.
    pub fn run(&mut self, strip: Strip) -> Result<Option<Candidate>, Error> {
        let mut now = self.candidate(monotone(strip))?;
        let mut best: Option<Candidate> = None;
        for _ in 0..ROUNDS {
            if self.keeps(&now.entries.risks) {
                if best.as_ref().is_some_and(|b| now.cost >= b.cost) {
                    break;
                }
                let done = now.cost <= self.bound * (1.0 + CLOSE);
                best = Some(now.clone());
                if done {
                    break;
                }
            }
            match self.step(&now)? {
                Some(next) => now = next,
                None => break,
            }
        }
        Ok(best)
    }

    /// The next plan: feasible with fewer sites, or else less infeasible.
    fn step(&mut self, now: &Candidate) -> Result<Option<Candidate>, Error> {
        let mut moves = self.moves(&now.strip)?;
        moves.sort_by(|a, b| a.lagrangian.total_cmp(&b.lagrangian));
        let feasible = self.keeps(&now.entries.risks);
        let mut search = Search::new(self, now, &moves);
        search.descend(0, 0.0, &mut Vec::new());
        let mut found = search.found;
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The forecasts are close, not exact: the entries decide.
        let mut nearest: Option<Candidate> = None;
        for (_, chosen) in found.into_iter().take(VERIFIED) {
            let chosen: Vec<Move> = chosen.iter().filter_map(|&i| moves.get(i).copied()).collect();
            let strip = moved(&now.strip, &chosen);
            if !in_order(&strip) {
                continue;
            }
            let next = self.candidate(strip)?;
            if self.keeps(&next.entries.risks) {
                if !feasible || next.cost < now.cost {
                    return Ok(Some(next));
                }
            } else if !feasible
                && nearest.as_ref().is_none_or(|n| self.excess(&next.entries.risks) < self.excess(&n.entries.risks))
            {
                nearest = Some(next);
            }
        }
        if feasible {
            return Ok(None);
        }
        // No set of moves is forecast to keep every bound: the one that takes away most of the excess for its price.
        let excess = self.excess(&now.entries.risks);
        let after = |m: &Move| -> Vec<f64> { now.entries.risks.iter().zip(&m.risks).map(|(r, d)| r + d).collect() };
        let gain = |m: &Move| (excess - self.excess(&after(m))) / (m.lagrangian.max(0.0) + 1e-9 * now.cost);
        let pick = moves
            .iter()
            .filter(|m| self.excess(&after(m)) < excess)
            .max_by(|a, b| gain(a).total_cmp(&gain(b)))
            .copied();
        let single = pick.map(|m| self.candidate(moved(&now.strip, &[m]))).transpose()?;
        let both = [nearest, single].into_iter().flatten();
        Ok(both
            .filter(|c| self.excess(&c.entries.risks) < excess)
            .min_by(|a, b| self.excess(&a.entries.risks).total_cmp(&self.excess(&b.entries.risks))))
    }

    /// Every boundary total that may move by one, with its exact effect.
    fn moves(&mut self, strip: &Strip) -> Result<Vec<Move>, Error> {
        let reach = self.forward.reach(strip, self.law)?;
        let points = self.stage.going_on(strip, &self.costs.weights);
        let cap = self.stage.sites.len() - 1;
        let mut moves = Vec::new();
        for (i, (base, q)) in reach.iter().enumerate() {
            let (low, high) = (strip.low[i], strip.high[i]);
            // (total that changes, line, direction, stays open afterwards)
            let candidates = [
                (low + 1, false, 1, false),
                (low, false, -1, true),
                (high - 1, true, -1, false),
                (high, true, 1, true),
            ];
            for (total, upper, by, opens) in candidates {
                let place = usize::try_from(total - base).ok().and_then(|p| q.get(p)).copied();
                let Some(chance) = place.filter(|&c| total >= 0 && c > 0.0) else { continue };
                let at_cap = i == cap;
                if at_cap && self.stage.by_call && !upper {
                    continue; // the cut is moved by its upper side, both lines together
                }
                let stop = self.stage.stopping(i, total, upper);
                let other = if !at_cap {
                    let p = &points[i];
                    let Some(place) = usize::try_from(total - p.first).ok().filter(|&k| k < p.values[0].len()) else {
                        continue;
                    };
                    let mut values: Vec<f64> = p.values.iter().map(|v| v[place]).collect();
                    values[1] = 1.0 - values[1];
                    values
                } else if self.stage.by_call {
                    self.stage.stopping(i, total, false)
                } else {
                    self.stage.staying_undecided(total)
                };
                let sign = if opens { chance } else { -chance };
                let change = |c: usize| sign * (other[c] - stop[c]);
                let mut risks = [0.0; MOST_RISKS];
                for (r, slot) in risks.iter_mut().enumerate().take(self.bounds.len()) {
                    *slot = change(r + 1);
                }
                let multipliers = [self.costs.false_adequate, self.costs.false_inadequate];
                let multipliers = multipliers.iter().chain(&self.costs.undecided);
                let lagrangian = change(0) + multipliers.zip(&risks).map(|(l, d)| l * d).sum::<f64>();
                let m = Move { check: i, upper, by, risks, lagrangian };
                if in_order(&moved(strip, &[m])) {
                    moves.push(m);
                }
            }
        }
        Ok(moves)
    }
}

fn moved(strip: &Strip, moves: &[Move]) -> Strip {
    let mut strip = strip.clone();
    let cap = strip.low.len() - 1;
    for m in moves {
        let cut = m.check == cap && strip.high[cap] == strip.low[cap] + 1;
        if m.upper || cut {
            strip.high[m.check] += m.by;
        }
        if !m.upper || cut {
            strip.low[m.check] += m.by;
        }
    }
    strip
}

/// Lines that rise and do not cross.
fn in_order(strip: &Strip) -> bool {
    let rises = |v: &[Total]| v.windows(2).all(|w| w[0] <= w[1]);
    rises(&strip.low)
        && rises(&strip.high)
        && strip.low.iter().zip(&strip.high).all(|(l, h)| l < h && *l >= -1 && *h >= 1)
}

/// The strip with lines that rise: an irregular point is brought up to the line before it.
fn monotone(mut strip: Strip) -> Strip {
    for i in 1..strip.low.len() {
        strip.low[i] = strip.low[i].max(strip.low[i - 1]);
        strip.high[i] = strip.high[i].max(strip.high[i - 1]).max(strip.low[i] + 1);
    }
    strip
}
