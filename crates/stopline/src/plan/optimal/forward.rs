//! Exact entries of a strip for the master problem, and how its walks reach each total.
#![allow(clippy::indexing_slicing)] // arrays of one length

use super::backward::Strip;
use crate::error::Error;
use crate::evaluate::{Evaluator, InstructionSet, Reach, Windows, Workspace};
use crate::law::Law;
use crate::lines::{Call, Lines, Row, Stop};
use crate::score::Total;
use crate::watch::Quiet;

/// The recursion of one design, with its memory.
pub(super) struct Forward {
    sites: Vec<u32>,
    by_call: bool,
    /// At the objective's means, then the inadequate and the adequate mean, then where staying
    /// undecided is bounded.
    laws: Vec<Law>,
    objective: usize,
    reach: Reach,
    evaluator: Evaluator,
    workspace: Workspace,
}

/// What the master problem knows of a plan.
#[derive(Debug, Clone)]
pub(super) struct Entries {
    /// Expected sites at each mean of the objective.
    pub sites: Vec<f64>,
    /// false_adequate, false_inadequate, then P(undecided) at each bounded mean.
    pub risks: Vec<f64>,
}

impl Forward {
    /// For checks at `sites`; `middle` is the mean per site in the middle of the strips to come.
    pub fn new(sites: &[u32], by_call: bool, laws: Vec<Law>, objective: usize, middle: f64) -> Self {
        let reach = laws.first().map_or(Reach::default(), Reach::of);
        Self {
            sites: sites.to_vec(),
            by_call,
            laws,
            objective,
            reach,
            evaluator: Evaluator::over(Windows::default(), reach, middle, InstructionSet::PORTABLE),
            workspace: Workspace::default(),
        }
    }

    /// The stops of check `i`; with `split`, the lowest total of the upper stop apart, so that it is tracked.
    fn stops(&self, strip: &Strip, i: usize, split: bool) -> ([Stop; 4], usize, Total) {
        let (low, high) = (strip.low[i], strip.high[i]);
        let none = Stop { from: None, to: None, call: Call::Adequate };
        let (mut stops, mut n) = ([none; 4], 0);
        let mut put = |stop: Stop| {
            stops[n] = stop;
            n += 1;
        };
        if low >= 0 {
            put(Stop { from: None, to: Some(low), call: Call::Inadequate });
        }
        if !self.by_call && i + 1 == self.sites.len() && low + 1 < high {
            put(Stop { from: (low >= 0).then_some(low + 1), to: Some(high - 1), call: Call::Undecided });
        }
        let mut limit = high;
        if split {
            put(Stop { from: Some(high), to: Some(high), call: Call::Adequate });
            limit = high + 1;
        }
        put(Stop { from: Some(limit), to: None, call: Call::Adequate });
        (stops, n, limit)
    }

    fn compile(&mut self, strip: &Strip, split: bool) {
        self.evaluator.windows.clear();
        for i in 0..self.sites.len() {
            let (stops, n, limit) = self.stops(strip, i, split);
            self.evaluator.windows.add(self.sites[i], limit, &stops[..n], self.reach);
        }
    }

    /// Exact entries of a strip, in plain arithmetic.
    pub fn entries(&mut self, strip: &Strip) -> Result<Entries, Error> {
        self.compile(strip, false);
        let points = self.evaluator.points(&self.laws)?;
        let (objective, bounded) = points.split_at(self.objective);
        let mut risks = vec![bounded[0].adequate, bounded[1].inadequate];
        risks.extend(bounded[2..].iter().map(|p| p.undecided));
        Ok(Entries { sites: objective.iter().map(|p| p.expected_sites).collect(), risks })
    }

    /// Under `law`, the probability of standing at each total of each check, from `first` on, up to the
    /// first total of the upper stop.
    pub fn reach(&mut self, strip: &Strip, law: &Law) -> Result<Vec<(Total, Vec<f64>)>, Error> {
        self.compile(strip, true);
        let mut reach = Vec::with_capacity(self.sites.len());
        self.workspace.checks(&self.evaluator.windows, law, &Quiet, |check| {
            let scale = libm::exp2(f64::from(check.exponent));
            reach.push((check.window.base, check.q.iter().map(|q| q * scale).collect()));
            Ok(())
        })?;
        Ok(reach)
    }

    /// The strip as lines.
    pub fn lines(&self, strip: &Strip) -> Result<Lines, Error> {
        let row = |i: usize| {
            let (low, high) = (strip.low[i], strip.high[i]);
            let middle = (!self.by_call && i + 1 == self.sites.len()).then_some(Call::Undecided);
            Row::two_calls(self.sites[i], (low >= 0).then_some(low), Some(high), middle)
        };
        Lines::new((0..self.sites.len()).map(row).collect())
    }
}
