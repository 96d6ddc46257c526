//! The master problem: the best mixture of known plans, with prices kept in a box.
//!
//! min θ + Σ (top price)·excess − Σ (bottom price)·slack over weights λ ≥ 0 of plans with Σλ = 1, such
//! that for each row Σ λ·(entry of the plan) = its bound + excess − slack, where the rows of the objective
//! are bounded by θ alone. Its duals are the weights of the means and the multipliers of the risks at
//! which the next plan is sought: the highest point of the dual, as far as these plans show it, within the
//! box (Marsten, Hogan & Blankenship 1975, Oper. Res. 23:389–405).
//! A primal simplex on a handful of rows; the basis is solved anew at each step, so errors do not add up.
#![allow(clippy::indexing_slicing)] // square systems of `rows` unknowns, built here

/// Steps after which the simplex takes the first variable that helps, so that it cannot circle; and the last.
const CAREFUL: usize = 250;
const MOST_STEPS: usize = 500;
/// A reduced cost above this (relative to θ) counts as none.
const FLAT: f64 = 1e-12;
/// A basic variable that changes less than this with the one that enters does not leave for it.
const STILL: f64 = 1e-11;
/// A system with a smaller pivot is singular.
const LEAST_PIVOT: f64 = 1e-14;
/// Values that are no more than what rounding leaves of 0: of excesses and slacks, and of weights.
const NO_EXCESS: f64 = 1e-12;
pub(super) const NO_WEIGHT: f64 = 1e-9;
/// Rows at most: five means of the objective, five bounds, and the sum of the weights.
const MOST_ROWS: usize = 11;

type Row = [f64; MOST_ROWS];

/// Plans as columns, rows as above; the first `objective` rows are bounded by θ.
#[derive(Debug, Clone)]
pub(super) struct Master {
    objective: usize,
    bounds: Vec<f64>,
    /// Each plan's entry in every row, 1 in the last.
    columns: Vec<Row>,
    /// Basic variables, one a row of the tableau.
    basis: Vec<Variable>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Variable {
    /// Weight of a plan.
    Plan(usize),
    /// What is left of a row's bound.
    Slack(usize),
    /// By how much a row's bound is missed.
    Excess(usize),
    /// The objective.
    Theta,
}

/// The lowest and highest multiplier of a bound.
pub(super) type Range = (f64, f64);

/// Prices at the optimum.
#[derive(Debug, Clone)]
pub(super) struct Prices {
    /// Weight of each objective row; they add to 1.
    pub weights: Vec<f64>,
    /// Multiplier of each bound.
    pub multipliers: Vec<f64>,
    /// The dual's highest value within the box, as far as these plans show it.
    pub value: f64,
    /// Plans in the mixture, with their shares.
    pub mixed: Vec<(usize, f64)>,
    /// Whether the box holds a price back.
    pub at_edge: bool,
}

impl Master {
    /// `objective` rows bounded by θ, then one row for each of `bounds`.
    pub fn new(objective: usize, bounds: &[f64]) -> Self {
        debug_assert!(objective + bounds.len() < MOST_ROWS);
        Self { objective, bounds: bounds.to_vec(), columns: Vec::new(), basis: Vec::new() }
    }

    fn rows(&self) -> usize {
        self.objective + self.bounds.len() + 1
    }

    /// Adds a plan; its entries are in the order of the rows.
    pub fn add(&mut self, entries: impl IntoIterator<Item = f64>) {
        let mut column = [0.0; MOST_ROWS];
        column.iter_mut().zip(entries).for_each(|(c, e)| *c = e);
        column[self.rows() - 1] = 1.0;
        if self.basis.is_empty() {
            // The first plan alone: θ is its largest objective entry, every bound has slack or excess.
            let largest = (1..self.objective).fold(0, |best, i| if column[i] > column[best] { i } else { best });
            for i in 0..self.objective {
                self.basis.push(if i == largest { Variable::Theta } else { Variable::Slack(i) });
            }
            for (r, &bound) in self.bounds.iter().enumerate() {
                let i = self.objective + r;
                self.basis.push(if column[i] <= bound { Variable::Slack(i) } else { Variable::Excess(i) });
            }
            self.basis.push(Variable::Plan(0));
        }
        self.columns.push(column);
    }

    fn column(&self, v: Variable) -> Row {
        let mut a = [0.0; MOST_ROWS];
        match v {
            Variable::Plan(p) => a = self.columns[p],
            Variable::Slack(i) => a[i] = 1.0,
            Variable::Excess(i) => a[i] = -1.0,
            Variable::Theta => a[..self.objective].fill(-1.0),
        }
        a
    }

    fn price(&self, v: Variable, within: &[Range]) -> f64 {
        match v {
            Variable::Theta => 1.0,
            Variable::Excess(i) => within[i - self.objective].1,
            Variable::Slack(i) if i >= self.objective => -within[i - self.objective].0,
            _ => 0.0,
        }
    }

    /// Solves from the last basis; `None` before the first plan, or where the basis became singular.
    pub fn solve(&mut self, within: &[Range]) -> Option<Prices> {
        let rows = self.rows();
        let mut right = [0.0; MOST_ROWS];
        right[self.objective..rows - 1].copy_from_slice(&self.bounds);
        right[rows - 1] = 1.0;
        for step in 0..MOST_STEPS {
            let mut basic = [[0.0; MOST_ROWS]; MOST_ROWS];
            let mut costs = [0.0; MOST_ROWS];
            for (i, &v) in self.basis.iter().enumerate() {
                (basic[i], costs[i]) = (self.column(v), self.price(v, within));
            }
            let values = solve(rows, &basic, &right, false)?;
            let duals = solve(rows, &basic, &costs, true)?;
            let value: f64 = values.iter().zip(&costs).map(|(x, c)| x * c).sum();
            let entering = self.entering(&duals, within, FLAT * value.abs().max(1.0), step > CAREFUL);
            let Some(enter) = entering else { return Some(self.prices(&values, &duals, value, within)) };
            let direction = solve(rows, &basic, &self.column(enter), false)?;
            let mut leave: Option<(f64, usize)> = None;
            for (i, &v) in self.basis.iter().enumerate() {
                // θ may take any value.
                if direction[i] > STILL && v != Variable::Theta {
                    let ratio = values[i].max(0.0) / direction[i];
                    if leave.is_none_or(|(best, _)| ratio < best) {
                        leave = Some((ratio, i));
                    }
                }
            }
            self.basis[leave?.1] = enter;
        }
        None
    }

    fn prices(&self, values: &Row, duals: &Row, value: f64, within: &[Range]) -> Prices {
        let (objective, last) = (self.objective, self.rows() - 1);
        let held_back = |(v, &x): (&Variable, &f64)| match v {
            Variable::Excess(_) => x > NO_EXCESS,
            Variable::Slack(i) if *i >= objective => x > NO_EXCESS && within[i - objective].0 > 0.0,
            _ => false,
        };
        let mixed = |(v, &x): (&Variable, &f64)| match v {
            Variable::Plan(p) if x > NO_WEIGHT => Some((*p, x)),
            _ => None,
        };
        Prices {
            weights: duals[..objective].iter().map(|y| (-y).max(0.0)).collect(),
            multipliers: duals[objective..last].iter().zip(within).map(|(y, w)| (-y).clamp(w.0, w.1)).collect(),
            value,
            mixed: self.basis.iter().zip(values).filter_map(mixed).collect(),
            at_edge: self.basis.iter().zip(values).any(held_back),
        }
    }

    /// The variable with the most negative reduced cost, or the first with a negative one.
    fn entering(&self, duals: &Row, within: &[Range], flat: f64, first: bool) -> Option<Variable> {
        let slacks = (0..self.rows() - 1).map(Variable::Slack);
        let excesses = (self.objective..self.rows() - 1).map(Variable::Excess);
        let mut best: Option<(f64, Variable)> = None;
        for v in (0..self.columns.len()).map(Variable::Plan).chain(slacks).chain(excesses) {
            let used: f64 = match v {
                Variable::Plan(p) => self.columns[p].iter().zip(duals).map(|(a, y)| a * y).sum(),
                Variable::Slack(i) => duals[i],
                Variable::Excess(i) => -duals[i],
                Variable::Theta => continue,
            };
            let reduced = self.price(v, within) - used;
            let better = reduced < -flat && best.is_none_or(|(least, _)| reduced < least && !first);
            if better && !self.basis.contains(&v) {
                best = Some((reduced, v));
            }
        }
        best.map(|(_, v)| v)
    }
}

/// Solves B·x = b for B of `n` columns, or Bᵀ·x = b; `None` where B is singular.
fn solve(n: usize, columns: &[Row; MOST_ROWS], b: &Row, transposed: bool) -> Option<Row> {
    let mut a = [[0.0; MOST_ROWS + 1]; MOST_ROWS];
    for (i, row) in a[..n].iter_mut().enumerate() {
        for (j, x) in row[..n].iter_mut().enumerate() {
            *x = if transposed { columns[i][j] } else { columns[j][i] };
        }
        row[n] = b[i];
    }
    for k in 0..n {
        let pivot = (k..n).fold(k, |best, i| if a[i][k].abs() > a[best][k].abs() { i } else { best });
        if a[pivot][k].abs() < LEAST_PIVOT {
            return None;
        }
        a.swap(k, pivot);
        let (above, below) = a[..n].split_at_mut(k + 1);
        for row in below {
            let factor = row[k] / above[k][k];
            if factor != 0.0 {
                for (x, y) in row[k..=n].iter_mut().zip(&above[k][k..=n]) {
                    *x -= factor * y;
                }
            }
        }
    }
    let mut x = [0.0; MOST_ROWS];
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|j| a[i][j] * x[j]).sum();
        x[i] = (a[i][n] - sum) / a[i][i];
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDE: Range = (0.0, 1e9);

    #[test]
    fn mixes_two_plans_to_meet_a_risk_exactly() {
        // Plans (sites, risk): (10, .2) and (14, .05); asked .1: mixture 2/3 of the second: 12.667 sites,
        // and one more unit of risk saves 4/.15 sites.
        let mut master = Master::new(1, &[0.1]);
        master.add([10.0, 0.2]);
        master.add([14.0, 0.05]);
        let prices = master.solve(&[WIDE]).unwrap();
        assert!((prices.value - 38.0 / 3.0).abs() < 1e-9);
        assert!((prices.multipliers[0] - 4.0 / 0.15).abs() < 1e-9);
        assert!(!prices.at_edge && prices.mixed.len() == 2);
        // A plan above the line through both changes nothing; one below enters.
        master.add([13.5, 0.1]);
        assert!((master.solve(&[WIDE]).unwrap().value - 38.0 / 3.0).abs() < 1e-9);
        master.add([12.0, 0.1]);
        assert!((master.solve(&[WIDE]).unwrap().value - 12.0).abs() < 1e-9);
    }

    #[test]
    fn prices_stay_in_the_box() {
        // The dual is min(10 + .1·l, 14 − .05·l), highest at l = 26.67.
        let mut master = Master::new(1, &[0.1]);
        master.add([10.0, 0.2]);
        master.add([14.0, 0.05]);
        for (within, best) in [((0.0, 20.0), 20.0), ((30.0, 90.0), 30.0)] {
            let prices = master.solve(&[within]).unwrap();
            assert!(prices.at_edge && (prices.multipliers[0] - best).abs() < 1e-9);
            assert!((prices.value - f64::min(10.0 + 0.1 * best, 14.0 - 0.05 * best)).abs() < 1e-9);
        }
    }

    #[test]
    fn weighs_means_where_the_largest_counts() {
        // Two plans, sites at two means: (10, 14) and (16, 8): mixing 2:1 gives 12 at both.
        let mut master = Master::new(2, &[1.0]);
        master.add([10.0, 14.0, 0.0]);
        master.add([16.0, 8.0, 0.0]);
        let prices = master.solve(&[WIDE]).unwrap();
        assert!((prices.value - 12.0).abs() < 1e-9);
        assert!((prices.weights.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        assert!((prices.weights[0] - 0.5).abs() < 1e-9);
    }
}
