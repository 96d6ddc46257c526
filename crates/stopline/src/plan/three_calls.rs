//! Three calls from two pairs of thresholds, by two pairs of Wald's lines run together.
//!
//! The walk is called marginal where the lower pair has called adequate and the upper pair inadequate
//! (Sobel & Wald 1949, Ann. Math. Stat. 20:502–522). The risks that the lines promise are each pair's own,
//! nominal; the plan states the exact chance of every wrong call at the four means.

use super::Pair;
use super::aim::Aim;
use super::checks::Closing;
use super::design::Design;
use super::straight::Straight;
use crate::error::Error;
use crate::lines::{Call, Lines, Row};

impl Design {
    /// The lines of both pairs together.
    pub(super) fn three_calls(&self, lower: Pair, upper: Pair) -> Result<Lines, Error> {
        let wald = |pair: Pair| -> Result<Straight, Error> {
            let aim = Aim::TwoCalls { thresholds: Some(pair.thresholds), risks: Some(pair.risks) };
            Self { aim, ..self.clone() }.asked()?.wald()
        };
        let (lower, upper) = (wald(lower)?, wald(upper)?);
        let cap = self.checks.cap();
        let row = |n: u32| {
            if n == cap && self.closing == Closing::Call {
                let (low, high) = (lower.middle_cut(n), upper.middle_cut(n));
                let marginal = (low < high).then_some((low + 1, high));
                return Row::three_calls(n, Some(low), marginal, Some(low.max(high) + 1), None);
            }
            let marginal = upper.inadequate_at_most(n).map(|to| (lower.adequate_at_least(n), to));
            let middle = (n == cap).then_some(Call::Undecided);
            let marginal = marginal.filter(|(from, to)| from <= to);
            Row::three_calls(n, lower.inadequate_at_most(n), marginal, Some(upper.adequate_at_least(n)), middle)
        };
        Lines::new(self.checks.sites().into_iter().map(row).collect())
    }
}
