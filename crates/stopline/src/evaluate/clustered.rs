//! Exactly what a plan does where sites of a run have a part of their counts in common.
//!
//! Of the common part S of a run, a gamma variable of shape a = kρ and scale m/k, only what was counted of it so far
//! matters: after i sites of the run with j of its enemies, S has the shape a + j and the rate k/m + i, so that the next
//! site's share of it is negative binomial with exponent a + j and mean (a + j)/(k/m + i) (gamma–Poisson, conjugate). The
//! recursion therefore goes over the total *and* j, and nothing is left to quadrature. With a run's end j is forgotten. A
//! total from the largest bounded stop on decides alike for ever, and needs no j.
//!
//! Cost: sites × totals³/3 multiply-adds a mean, so that wide lines are refused; [`crate::simulate`] takes these.
#![allow(clippy::indexing_slicing)] // a kernel: totals and j below the edge

use super::curve::{even_mean_by, row};
use super::outcome::Outcome;
use super::{CurveRow, Evaluation};
use crate::error::{Code, Error};
use crate::law::Law;
use crate::lines::{Call, Lines, Row};
use crate::params::{K, Mean};
use crate::plan::Plan;
use crate::score::{Score, Total};
use crate::simulate::{Clustered, Common, Drawn, Sites};
use crate::watch::{Watch, Within, tell};

/// Multiply-adds above which an evaluation is refused (some tens of seconds).
const MOST_WORK: f64 = 2e10;
/// Evaluations that seeking the even mean takes at most, about.
const SEEKING: f64 = 20.0;

/// What `plan` does over clustered sites, at each mean.
///
/// # Errors
/// As [`clustered_lines`].
pub fn evaluate_clustered(
    plan: &Plan,
    source: &Clustered,
    means: &[Mean],
    watch: &dyn Watch,
) -> Result<Evaluation, Error> {
    let (lines, score) = (plan.lines(), &plan.asked().score);
    let rows = clustered_lines(lines, score, source, means, watch)?;
    let even_mean = even_mean(lines, score, source, &Within { watch, done: 1, of: 1 })?;
    Ok(Evaluation {
        plan: plan.digest().clone(),
        under: source.under(),
        source: source.origin(),
        calls: lines.calls(),
        curve: super::Curve { rows, even_mean },
        estimates: None,
        intervals: None,
        behaviour: None,
        stops: None,
    })
}

/// The mean at which both calls are equally likely, unless seeking it is too much work.
fn even_mean(lines: &Lines, score: &Score, source: &Clustered, watch: &dyn Watch) -> Result<Option<f64>, Error> {
    even_mean_by(lines, score, &source.under(), |mean| {
        if SEEKING * clustered_work(lines, score, source, &[mean])? > MOST_WORK {
            return Ok(f64::NAN);
        }
        let rows = clustered_lines(lines, score, source, &[mean], watch)?;
        Ok(rows.iter().map(|row| row.adequate - row.inadequate).sum())
    })
}

/// Multiply-adds of evaluating lines at each mean.
pub(crate) fn clustered_work(lines: &Lines, score: &Score, source: &Clustered, means: &[Mean]) -> Result<f64, Error> {
    let kinds = means.iter().map(|&mean| Ok(source.walks(score, mean)?.len())).sum::<Result<usize, Error>>()?;
    Ok(kinds as f64 * f64::from(lines.cap()) * (edge(lines.rows()) as f64).powi(3) / 3.0)
}

/// The same for any lines.
///
/// # Errors
/// `combination` where score and source do not fit, or steps may be negative; `too_much_work` for wide lines;
/// `interrupted`.
///
/// ```
/// use stopline::evaluate::clustered_lines;
/// use stopline::simulate::{Clustered, Run};
/// use stopline::{Dispersion, K, Lines, Mean, Quiet, Row, Score, Share};
/// // Two sites with all in common: their total is Poisson(2S), S being Gamma(k, m/k): negative binomial (2m, k).
/// let lines = Lines::new(vec![Row::two_calls(2, Some(0), Some(1), None)])?;
/// let under = Dispersion::ConstantK { k: K::new(2.0)? };
/// let all = Clustered::new(under, Share::new(1.0)?, Run::WholeWalk)?;
/// let row = &clustered_lines(&lines, &Score::Count, &all, &[Mean::new(1.5)?], &Quiet)?[0];
/// assert!((row.inadequate - (1.0 + 3.0 / 2.0_f64).powi(-2)).abs() < 1e-14);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn clustered_lines(
    lines: &Lines,
    score: &Score,
    source: &Clustered,
    means: &[Mean],
    watch: &dyn Watch,
) -> Result<Vec<CurveRow>, Error> {
    let kinds = means.iter().map(|&mean| source.walks(score, mean)).collect::<Result<Vec<_>, _>>()?;
    let (edge, nodes) = (edge(lines.rows()), kinds.iter().map(Vec::len).sum::<usize>());
    let work = clustered_work(lines, score, source, means)?;
    if work > MOST_WORK {
        let allowed = format!("at most {MOST_WORK:.0e}: lower lines or a smaller cap; or simulate");
        let value = format!("about {work:.0e} multiplications");
        return Err(Error::new(Code::TooMuchWork, "exact evaluation of clustered sites", value, allowed));
    }
    let mut done = 0;
    let mut rows = Vec::with_capacity(means.len());
    for (mean, kinds) in means.iter().zip(&kinds) {
        let mut pooled = Outcome::zero();
        for (weight, sites) in kinds {
            tell(watch, done, nodes as u64)?;
            done += 1;
            pooled.add(*weight, &outcome(lines, sites, edge, watch)?);
        }
        rows.push(row(lines, mean.get(), &pooled));
    }
    Ok(rows)
}

/// The first total that no bounded stop reaches at any check.
fn edge(rows: &[Row]) -> usize {
    let ends = rows.iter().flat_map(|row| &row.stops).flat_map(|stop| [stop.from, stop.to.map(|to| to + 1)]);
    usize::try_from(ends.flatten().max().unwrap_or(0)).unwrap_or(0).max(1)
}

/// Walks through the sites: `at[j][t]` for the totals below the edge, and the mass beyond.
struct Way {
    /// By what was counted of the common part of the run.
    at: Vec<Vec<f64>>,
    beyond: f64,
}

fn outcome(lines: &Lines, sites: &Sites, edge: usize, watch: &dyn Watch) -> Result<Outcome, Error> {
    if sites.own.as_ref().is_some_and(|law| law.first() < 0) {
        return Err(Error::about(Code::Combination, "a law with negative steps", "steps from 0"));
    }
    let steps = |law: &Option<Law>| {
        let mut p = vec![1.0];
        if let Some(law) = law {
            law.batch(1, edge, &mut p);
        }
        p
    };
    let (own, later) = (steps(&sites.own), steps(&sites.later));
    let mut start = vec![0.0; edge];
    start[0] = 1.0;
    let mut way = Way { at: vec![start], beyond: 0.0 };
    let mut outcome = Outcome::zero();
    let mut site = 0;
    for row in lines.rows() {
        while site < row.at {
            tell(watch, 0, 1)?;
            if let Some(common) = &sites.common
                && site < common.sites
            {
                let place = site % common.run;
                if place == 0 {
                    way.forget(edge);
                }
                way.share(common, place, edge)?;
                way.own(&own, edge);
            } else {
                way.forget(edge);
                way.own(if sites.later.is_some() { &later } else { &own }, edge);
            }
            site += 1;
        }
        outcome.open.push(way.check(row, edge, &mut outcome.calls));
    }
    Ok(outcome)
}

impl Way {
    /// The mass of the open totals.
    fn mass(&self) -> f64 {
        self.at.iter().flatten().sum()
    }

    /// The run ends: only the total matters.
    fn forget(&mut self, edge: usize) {
        let mut all = vec![0.0; edge];
        for at in &self.at {
            all.iter_mut().zip(at).for_each(|(sum, p)| *sum += p);
        }
        self.at = vec![all];
    }

    /// A site's share of the common part, at its place within the run.
    fn share(&mut self, common: &Common, place: u32, edge: usize) -> Result<(), Error> {
        let before = self.mass();
        let mut next = vec![vec![0.0; edge]; edge];
        let rate = 1.0 / common.scale + f64::from(place);
        let mut p = Vec::new();
        for (j, at) in self.at.iter().enumerate() {
            let Some(first) = at.iter().position(|p| *p > 0.0) else { continue };
            let shape = common.shape + j as f64;
            let law = Law::NegBin { mean: Mean::new(shape / rate)?, k: K::new(shape)? };
            law.batch(1, edge - first, &mut p);
            for (x, p) in p.iter().enumerate() {
                let to = &mut next[j + x][first + x..];
                to.iter_mut().zip(&at[first..]).for_each(|(to, from)| *to += p * from);
            }
        }
        while next.len() > 1 && next.last().is_some_and(|at| at.iter().all(|p| *p == 0.0)) {
            next.pop();
        }
        self.at = next;
        self.beyond += (before - self.mass()).max(0.0);
        Ok(())
    }

    /// What the site has of its own.
    fn own(&mut self, own: &[f64], edge: usize) {
        let before = self.mass();
        let mut next = vec![0.0; edge];
        for at in &mut self.at {
            next.fill(0.0);
            for (t, from) in at.iter().enumerate().filter(|(_, from)| **from > 0.0) {
                next[t..].iter_mut().zip(own).for_each(|(to, p)| *to += p * from);
            }
            at.copy_from_slice(&next);
        }
        self.beyond += (before - self.mass()).max(0.0);
    }

    /// Takes out what stops at a check; gives what is still open.
    fn check(&mut self, row: &Row, edge: usize, calls: &mut [f64; Call::ALL.len()]) -> f64 {
        for stop in &row.stops {
            let place = |t: Option<Total>, none| t.map_or(none, |t| usize::try_from(t).unwrap_or(0).min(edge));
            // A stop that ends below 0 holds nothing.
            let (from, to) = (place(stop.from, 0), place(stop.to.map(|t| t + 1), edge));
            for at in &mut self.at {
                for p in at.get_mut(from..to).into_iter().flatten() {
                    calls[stop.call.index()] += std::mem::take(p);
                }
            }
            if stop.to.is_none() {
                calls[stop.call.index()] += std::mem::take(&mut self.beyond);
            }
        }
        self.mass() + self.beyond
    }
}
