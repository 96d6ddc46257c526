//! Sets of boundary moves after which sites are fewest and every bound is kept, as far as effects add up.
//!
//! With multipliers l, sites after a set of moves = Lagrangian after it − Σ l·risk, so what counts is
//! Σ Lagrangian of the moves + Σ l·(bound − risk left over); near the optimum both parts are hardly ever
//! negative. Sets of up to two moves are listed by their Lagrangian, then put together two and two.
#![allow(clippy::indexing_slicing)] // arrays of one length
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::backward::MOST_RISKS;
use super::stage::LANE;
use crate::evaluate::PlainWork;
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

/// The same without the risks, to be sorted: Lagrangian, moves, and how many.
type Few = (f64, [usize; 2], usize);

/// Sets with what a forecast needs of them in columns, so that eight can be looked at together.
struct Columns {
    sets: Vec<Set>,
    lagrangian: Vec<f64>,
    risks: [Vec<f64>; MOST_RISKS],
}

impl PlainWork for Search<'_> {
    type Result = Vec<Found>;

    /// The best sets, best first.
    #[inline(always)]
    fn run(self) -> Vec<Found> {
        let Columns { sets, lagrangian, risks } = self.columns();
        let bounds = self.slack.len();
        let mut found: Vec<Found> = Vec::with_capacity(KEPT + 1);
        let mut better = self.better;
        for (i, a) in sets.iter().enumerate() {
            if 2.0 * a.lagrangian >= better {
                break;
            }
            for from in (i / LANE * LANE..sets.len()).step_by(LANE) {
                if a.lagrangian + lagrangian[from.max(i)] >= better {
                    break;
                }
                // Forecasts above the bound; infinite where a bound is not kept.
                let mut above: [f64; LANE] = std::array::from_fn(|l| a.lagrangian + lagrangian[from + l]);
                let mut least = [f64::INFINITY; LANE];
                for r in 0..bounds {
                    let (slack, price) = (self.slack[r] - a.risks[r], self.multipliers[r]);
                    let risks = &risks[r][from..from + LANE];
                    for l in 0..LANE {
                        let left = slack - risks[l];
                        above[l] += price * left;
                        least[l] = if left < least[l] { left } else { least[l] };
                    }
                }
                let mut any = false;
                for l in 0..LANE {
                    any |= (above[l] < better) & (least[l] >= 0.0);
                }
                if !any {
                    continue;
                }
                for (l, b) in sets.iter().enumerate().skip(from.max(i)).take(from + LANE - from.max(i)) {
                    let above = above[l - from];
                    if above < better && least[l - from] >= 0.0 && !self.clash(a, b) {
                        let chosen = a.chosen[..a.len].iter().chain(&b.chosen[..b.len]).copied().collect();
                        let place = found.partition_point(|f| f.above <= above);
                        found.insert(place, Found { above, chosen });
                        if found.len() > KEPT {
                            found.pop();
                            better = found.last().map_or(better, |f| f.above);
                        }
                    }
                }
            }
        }
        found
    }
}

impl Search<'_> {
    /// The sets in columns, filled up to whole lanes with sets that are no use.
    fn columns(&self) -> Columns {
        let sets = self.sets();
        let column = |of: &dyn Fn(&Set) -> f64, rest: f64| -> Vec<f64> {
            let mut column = Vec::with_capacity(sets.len() + LANE);
            column.extend(sets.iter().map(of));
            column.resize(sets.len().next_multiple_of(LANE), rest);
            column
        };
        let lagrangian = column(&|set| set.lagrangian, f64::INFINITY);
        let mut risks: [Vec<f64>; MOST_RISKS] = Default::default();
        for (r, risks) in risks.iter_mut().enumerate().take(self.slack.len()) {
            *risks = column(&|set| set.risks[r], 0.0);
        }
        Columns { lagrangian, risks, sets }
    }

    /// No move, single moves and pairs, by their Lagrangian.
    fn sets(&self) -> Vec<Set> {
        let moves = &self.moves[..self.moves.len().min(TOGETHER)];
        let mut few = Vec::with_capacity(1 + (moves.len() + 1) * moves.len() / 2);
        few.push((0.0, [0; 2], 0));
        for (i, m) in moves.iter().enumerate() {
            if m.lagrangian < self.better {
                few.push((m.lagrangian, [i, 0], 1));
            }
            for (j, other) in moves[..i].iter().enumerate() {
                let lagrangian = m.lagrangian + other.lagrangian;
                if lagrangian < self.better && !same_line(m, other) {
                    few.push((lagrangian, [i, j], 2));
                }
            }
        }
        let order = |a: &Few, b: &Few| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1));
        if few.len() > MOST_SETS {
            few.select_nth_unstable_by(MOST_SETS, order);
            few.truncate(MOST_SETS);
        }
        few.sort_unstable_by(order);
        let set = |(lagrangian, chosen, len): Few| {
            let mut risks = [0.0; MOST_RISKS];
            for &i in &chosen[..len] {
                risks.iter_mut().zip(&moves[i].risks).for_each(|(sum, risk)| *sum += risk);
            }
            Set { chosen, len, lagrangian, risks }
        };
        few.into_iter().map(set).collect()
    }

    /// Do two sets move one line of one check twice?
    fn clash(&self, a: &Set, b: &Set) -> bool {
        a.chosen[..a.len].iter().any(|&i| b.chosen[..b.len].iter().any(|&j| same_line(&self.moves[i], &self.moves[j])))
    }
}

fn same_line(a: &Move, b: &Move) -> bool {
    (a.check, a.upper) == (b.check, b.upper)
}
