//! Sets of boundary moves after which sites are fewest and every bound is kept, as far as effects add up.
//!
//! With multipliers l, sites after a set of moves = Lagrangian after it − Σ l·risk, so what counts is
//! Σ Lagrangian of the moves + Σ l·(bound − risk left over); near the optimum both parts are hardly ever
//! negative. Sets of up to two moves are listed by their Lagrangian, then put together two and two.
#![allow(clippy::indexing_slicing)] // arrays of one length

use super::backward::MOST_RISKS;
use crate::score::Total;

/// A boundary that moves by some totals.
#[derive(Debug, Clone, Copy)]
pub(super) struct Move {
    pub check: usize,
    pub upper: bool,
    pub by: Total,
    /// Changes of the risks.
    pub risks: [f64; MOST_RISKS],
    /// Change of the Lagrangian: how far from optimal it is to move here.
    pub lagrangian: f64,
}

/// Moves that are put together: those that change the Lagrangian least.
const TOGETHER: usize = 40;
/// Sets of up to two of them.
const MOST_SETS: usize = 300;
/// Forecasts that are kept.
const KEPT: usize = 8;

/// What a search starts from.
pub(super) struct Search<'a> {
    /// Sorted by their Lagrangian.
    pub moves: &'a [Move],
    pub multipliers: &'a [f64],
    /// What is left of each bound before any move.
    pub slack: &'a [f64],
    /// Better than this is worth finding.
    pub better: f64,
}

/// Moves, and what their forecast is above the bound.
#[derive(Debug, Clone)]
pub(super) struct Found {
    pub above: f64,
    pub chosen: Vec<usize>,
}

#[derive(Clone, Copy)]
struct Set {
    chosen: [usize; 2],
    len: usize,
    lagrangian: f64,
    risks: [f64; MOST_RISKS],
}

impl Search<'_> {
    /// The best sets, best first.
    pub fn run(&self) -> Vec<Found> {
        let sets = self.sets();
        let mut slack = [f64::INFINITY; MOST_RISKS];
        slack[..self.slack.len()].copy_from_slice(self.slack);
        let mut price = [0.0; MOST_RISKS];
        price[..self.multipliers.len()].copy_from_slice(self.multipliers);
        let mut found: Vec<Found> = Vec::with_capacity(KEPT + 1);
        let mut better = self.better;
        for (i, a) in sets.iter().enumerate() {
            if 2.0 * a.lagrangian >= better {
                break;
            }
            for b in &sets[i..] {
                let lagrangian = a.lagrangian + b.lagrangian;
                if lagrangian >= better {
                    break;
                }
                let mut above = lagrangian;
                let mut kept = true;
                for r in 0..self.slack.len() {
                    let left = slack[r] - (a.risks[r] + b.risks[r]);
                    kept &= left >= 0.0;
                    above += price[r] * left;
                }
                if !kept || above >= better || self.clash(a, b) {
                    continue;
                }
                let chosen = a.chosen[..a.len].iter().chain(&b.chosen[..b.len]).copied().collect();
                let place = found.partition_point(|f| f.above <= above);
                found.insert(place, Found { above, chosen });
                if found.len() > KEPT {
                    found.pop();
                    better = found.last().map_or(better, |f| f.above);
                }
            }
        }
        found
    }

    /// No move, single moves and pairs, by their Lagrangian.
    fn sets(&self) -> Vec<Set> {
        let moves = &self.moves[..self.moves.len().min(TOGETHER)];
        let none = Set { chosen: [0; 2], len: 0, lagrangian: 0.0, risks: [0.0; MOST_RISKS] };
        let mut sets = vec![none];
        for (i, m) in moves.iter().enumerate() {
            let single = Set { chosen: [i, 0], len: 1, lagrangian: m.lagrangian, risks: m.risks };
            if m.lagrangian < self.better {
                sets.push(single);
            }
            for (j, other) in moves[..i].iter().enumerate() {
                if m.lagrangian + other.lagrangian < self.better && !same_line(m, other) {
                    let risks = std::array::from_fn(|r| m.risks[r] + other.risks[r]);
                    sets.push(Set { chosen: [i, j], len: 2, lagrangian: m.lagrangian + other.lagrangian, risks });
                }
            }
        }
        sets.sort_unstable_by(|a, b| a.lagrangian.total_cmp(&b.lagrangian));
        sets.truncate(MOST_SETS);
        sets
    }

    /// Do two sets move one line of one check twice?
    fn clash(&self, a: &Set, b: &Set) -> bool {
        a.chosen[..a.len].iter().any(|&i| b.chosen[..b.len].iter().any(|&j| same_line(&self.moves[i], &self.moves[j])))
    }
}

fn same_line(a: &Move, b: &Move) -> bool {
    (a.check, a.upper) == (b.check, b.upper)
}
