//! The master problem: the best mixture of known plans.
//!
//! min θ over weights λ ≥ 0 of plans with Σλ = 1, such that for each row Σ λ·(entry of the plan) ≤ its
//! bound, where the rows of the objective are bounded by θ and the others by what was asked. Its duals
//! are the weights of the means and the multipliers of the risks at which the next plan is sought.
//! A primal simplex on a handful of rows; the basis is solved anew at each step, so errors do not add up.
#![allow(clippy::indexing_slicing)] // square systems of `rows` unknowns, built here

/// Most rows: means of the objective, risks, and the sum of the weights.
const MOST_STEPS: usize = 500;
/// A reduced cost above this (relative to θ) counts as none.
const FLAT: f64 = 1e-12;

/// Plans as columns, rows as above; the first `objective` rows are bounded by θ.
#[derive(Debug, Clone)]
pub(super) struct Master {
    objective: usize,
    bounds: Vec<f64>,
    /// Each plan's entry in every row.
    columns: Vec<Vec<f64>>,
    /// Basic variables, one a row of the tableau.
    basis: Vec<Variable>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Variable {
    /// Weight of a plan.
    Plan(usize),
    /// What is left of a row's bound.
    Slack(usize),
    /// By how much a row's bound is missed, at a high price.
    Excess(usize),
    /// The objective.
    Theta,
}

/// Prices at the optimum.
#[derive(Debug, Clone)]
pub(super) struct Prices {
    /// Weight of each objective row; they add to 1.
    pub weights: Vec<f64>,
    /// Multiplier of each other row.
    pub multipliers: Vec<f64>,
    /// The mixture's objective; a price for missed bounds included.
    pub value: f64,
    /// Plans in the mixture.
    pub mixed: Vec<usize>,
    /// Whether the mixture keeps every bound.
    pub feasible: bool,
}

impl Master {
    /// `objective` rows bounded by θ, then one row for each of `bounds`.
    pub fn new(objective: usize, bounds: &[f64]) -> Self {
        Self { objective, bounds: bounds.to_vec(), columns: Vec::new(), basis: Vec::new() }
    }

    fn rows(&self) -> usize {
        self.objective + self.bounds.len() + 1
    }

    /// Adds a plan; its entries are in the order of the rows.
    pub fn add(&mut self, entries: Vec<f64>) {
        if self.basis.is_empty() {
            // The first plan alone: θ is its largest objective entry, every bound has slack or excess.
            let largest = (1..self.objective).fold(0, |best, i| if entries[i] > entries[best] { i } else { best });
            for i in 0..self.objective {
                self.basis.push(if i == largest { Variable::Theta } else { Variable::Slack(i) });
            }
            for (r, &bound) in self.bounds.iter().enumerate() {
                let i = self.objective + r;
                self.basis.push(if entries[i] <= bound { Variable::Slack(i) } else { Variable::Excess(i) });
            }
            self.basis.push(Variable::Plan(0));
        }
        self.columns.push(entries);
    }

    fn column(&self, v: Variable) -> Vec<f64> {
        let mut a = vec![0.0; self.rows()];
        match v {
            Variable::Plan(p) => {
                a[..self.rows() - 1].copy_from_slice(&self.columns[p]);
                a[self.rows() - 1] = 1.0;
            }
            Variable::Slack(i) => a[i] = 1.0,
            Variable::Excess(i) => a[i] = -1.0,
            Variable::Theta => a[..self.objective].fill(-1.0),
        }
        a
    }

    fn price(&self, v: Variable) -> f64 {
        match v {
            Variable::Theta => 1.0,
            // A missed bound costs far more sites than any plan takes.
            Variable::Excess(i) => 1e7 / self.bounds[i - self.objective],
            _ => 0.0,
        }
    }

    /// Solves from the last basis; `None` before the first plan, or where the basis became singular.
    pub fn solve(&mut self) -> Option<Prices> {
        let rows = self.rows();
        let mut right = vec![0.0; rows];
        right[self.objective..rows - 1].copy_from_slice(&self.bounds);
        right[rows - 1] = 1.0;
        for step in 0..MOST_STEPS {
            let basic: Vec<Vec<f64>> = self.basis.iter().map(|&v| self.column(v)).collect();
            let costs: Vec<f64> = self.basis.iter().map(|&v| self.price(v)).collect();
            let values = solve(&basic, &right, false)?;
            let duals = solve(&basic, &costs, true)?;
            let value: f64 = values.iter().zip(&costs).map(|(x, c)| x * c).sum();
            let enter = self.entering(&duals, FLAT * value.abs().max(1.0), step > MOST_STEPS / 2);
            let Some(enter) = enter else {
                let (objective, last) = (self.objective, rows - 1);
                let mixed = self.basis.iter().zip(&values).filter_map(|(v, &x)| match v {
                    Variable::Plan(p) if x > 1e-9 => Some(*p),
                    _ => None,
                });
                let missed = |(v, &x): (&Variable, &f64)| matches!(v, Variable::Excess(_)) && x > 1e-12;
                return Some(Prices {
                    weights: duals[..objective].iter().map(|y| (-y).max(0.0)).collect(),
                    multipliers: duals[objective..last].iter().map(|y| (-y).max(0.0)).collect(),
                    value,
                    mixed: mixed.collect(),
                    feasible: !self.basis.iter().zip(&values).any(missed),
                });
            };
            let direction = solve(&basic, &self.column(enter), false)?;
            let mut leave: Option<(f64, usize)> = None;
            for (i, (&x, &d)) in values.iter().zip(&direction).enumerate() {
                let free = self.basis[i] == Variable::Theta; // θ may take any value
                if d > 1e-11 && !free {
                    let ratio = x.max(0.0) / d;
                    if leave.is_none_or(|(best, _)| ratio < best) {
                        leave = Some((ratio, i));
                    }
                }
            }
            let (_, i) = leave?;
            self.basis[i] = enter;
        }
        None
    }

    /// The variable with the most negative reduced cost; the first of them where the simplex may circle.
    fn entering(&self, duals: &[f64], flat: f64, first: bool) -> Option<Variable> {
        let all = (0..self.columns.len())
            .map(Variable::Plan)
            .chain((0..self.rows() - 1).map(Variable::Slack))
            .chain((self.objective..self.rows() - 1).map(Variable::Excess));
        let mut best: Option<(f64, Variable)> = None;
        for v in all.filter(|v| !self.basis.contains(v)) {
            let reduced = self.price(v) - self.column(v).iter().zip(duals).map(|(a, y)| a * y).sum::<f64>();
            if reduced < -flat && best.is_none_or(|(least, _)| reduced < least && !first) {
                best = Some((reduced, v));
            }
        }
        best.map(|(_, v)| v)
    }
}

/// Solves B·x = b for B given by its columns, or Bᵀ·x = b; `None` where B is singular.
fn solve(columns: &[Vec<f64>], b: &[f64], transposed: bool) -> Option<Vec<f64>> {
    let n = b.len();
    let entry = |i: usize, j: usize| if transposed { columns[i][j] } else { columns[j][i] };
    let mut a: Vec<Vec<f64>> = (0..n).map(|i| (0..n).map(|j| entry(i, j)).chain([b[i]]).collect()).collect();
    for k in 0..n {
        let pivot = (k..n).fold(k, |best, i| if a[i][k].abs() > a[best][k].abs() { i } else { best });
        if a[pivot][k].abs() < 1e-14 {
            return None;
        }
        a.swap(k, pivot);
        let (above, below) = a.split_at_mut(k + 1);
        for row in below {
            let factor = row[k] / above[k][k];
            for (x, y) in row[k..].iter_mut().zip(&above[k][k..]) {
                *x -= factor * y;
            }
        }
    }
    let mut x = vec![0.0; n];
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|j| a[i][j] * x[j]).sum();
        x[i] = (a[i][n] - sum) / a[i][i];
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mixes_two_plans_to_meet_a_risk_exactly() {
        // Plans (sites, risk): (10, .2) and (14, .05); asked .1: mixture 2/3 of the second: 12.667 sites,
        // and one more unit of risk saves 4/.15 sites.
        let mut master = Master::new(1, &[0.1]);
        master.add(vec![10.0, 0.2]);
        master.add(vec![14.0, 0.05]);
        let prices = master.solve().unwrap();
        assert!((prices.value - 38.0 / 3.0).abs() < 1e-9);
        assert!((prices.multipliers[0] - 4.0 / 0.15).abs() < 1e-9);
        assert!(prices.feasible && prices.mixed.len() == 2);
        // A plan above the line through both changes nothing; one below enters.
        master.add(vec![13.5, 0.1]);
        assert!((master.solve().unwrap().value - 38.0 / 3.0).abs() < 1e-9);
        master.add(vec![12.0, 0.1]);
        assert!((master.solve().unwrap().value - 12.0).abs() < 1e-9);
    }

    #[test]
    fn weighs_means_where_the_largest_counts() {
        // Two plans, sites at two means: (10, 14) and (16, 8): mixing 2:1 gives 12 at both.
        let mut master = Master::new(2, &[1.0]);
        master.add(vec![10.0, 14.0, 0.0]);
        master.add(vec![16.0, 8.0, 0.0]);
        let prices = master.solve().unwrap();
        assert!((prices.value - 12.0).abs() < 1e-9);
        assert!((prices.weights.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        assert!((prices.weights[0] - 0.5).abs() < 1e-9);
    }
}
