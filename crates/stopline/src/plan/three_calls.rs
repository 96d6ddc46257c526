//! Three calls from two pairs of thresholds, by two pairs of parallel lines run together.
//!
//! The walk is called marginal where the lower pair has called adequate and the upper pair inadequate
//! (Sobel & Wald 1949, Ann. Math. Stat. 20:502–522). With Wald's lines the risks that each pair promises are
//! nominal; the plan states the exact chance of every wrong call at the four means. Calibrated lines keep them exactly
//! ([`FourLines`]).

use super::Pair;
use super::aim::Aim;
use super::attained::{attained, worst_k};
use super::calibrated::FourLines;
use super::checks::Closing;
use super::design::{Asked, Design};
use super::straight::Line;
use crate::error::{Code, Error};
use crate::lines::{Call, Lines, Row};
use crate::params::MOST_SITES;
use crate::score::Total;
use crate::watch::Watch;

/// Times that lines are derived because k is uncertain.
const TIMES: u32 = 30;
/// Numbers of sites looked through for a cap that would do.
const CAPS: u32 = 200;

impl Design {
    /// The design of one pair of thresholds.
    fn of_pair(&self, pair: Pair) -> Self {
        let aim = Aim::TwoCalls { thresholds: Some(pair.thresholds), risks: Some(pair.risks) };
        Self { aim, ..self.clone() }
    }

    /// The slopes of the lines of both pairs.
    pub(super) fn slopes_of_pairs(&self, lower: Pair, upper: Pair) -> Result<[f64; 2], Error> {
        let slope = |pair| Ok::<_, Error>(self.of_pair(pair).asked()?.wald()?.slope);
        Ok([slope(lower)?, slope(upper)?])
    }

    /// Wald's lines of both pairs together.
    pub(super) fn three_calls(&self, lower: Pair, upper: Pair) -> Result<Lines, Error> {
        let wald = |pair| self.of_pair(pair).asked()?.wald();
        let (lower, upper) = (wald(lower)?, wald(upper)?);
        let ([a, b], [c, d]) = (lower.both(), upper.both());
        let cap = self.checks.cap();
        self.four_lines([a, b, c, d], [lower.middle_cut(cap), upper.middle_cut(cap)])
    }

    /// The table of four lines, with these cuts at the cap of a plan that closes by a call.
    pub(super) fn four_lines(
        &self,
        [inadequate, from, to, adequate]: [Line; 4],
        [low, high]: [Total; 2],
    ) -> Result<Lines, Error> {
        let cap = self.checks.cap();
        let row = |n: u32| {
            if n == cap && self.closing == Closing::Call {
                let marginal = (low < high).then_some((low + 1, high));
                return Row::three_calls(n, Some(low), marginal, Some(low.max(high) + 1), None);
            }
            let marginal = to.inadequate_at_most(n).map(|to| (from.adequate_at_least(n), to));
            let middle = (n == cap).then_some(Call::Undecided);
            let marginal = marginal.filter(|(from, to)| from <= to);
            Row::three_calls(n, inadequate.inadequate_at_most(n), marginal, Some(adequate.adequate_at_least(n)), middle)
        };
        Lines::new(self.checks.sites().into_iter().map(row).collect())
    }

    /// Lines of both pairs together that keep every pair's exact risks.
    pub(super) fn calibrated_three_calls(&self, lower: Pair, upper: Pair, watch: &dyn Watch) -> Result<Lines, Error> {
        let designs = [lower, upper].map(|pair| self.of_pair(pair));
        let pairs = [designs[0].asked()?, designs[1].asked()?];
        let cap = self.checks.cap();
        let (Some(low), Some(high)) = (pairs[0].cuts(cap, watch)?, pairs[1].cuts(cap, watch)?) else {
            return Err(no_plan(&pairs, cap, watch)?);
        };
        let mut four = FourLines::new(self, &pairs, [low, high], watch)?;
        // Over an interval of k a wrong call may be likelier than at the values of k that were looked at.
        for _ in 0..TIMES {
            let Some(lines) = four.best()? else { break };
            let rows = attained(self, &lines, watch)?;
            let mut wrong = rows.iter().zip(self.aim.asked_risks()).collect::<Vec<_>>();
            wrong.sort_by(|a, b| a.1.0.cmp(&b.1.0).then(b.0.p.total_cmp(&a.0.p)));
            let mut kept = true;
            for rows in wrong.chunk_by(|a, b| a.1.0 == b.1.0) {
                let p: f64 = rows.iter().map(|(row, _)| row.p).sum();
                let Some((row, (risk, asked))) = rows.first().filter(|(_, (_, asked))| p > *asked) else { continue };
                kept = false;
                let worst = worst_k(self, &lines, row.mean, row.call, watch)?;
                if !worst.is_some_and(|(_, law)| four.add(*risk, law)) {
                    four.asked.iter_mut().skip(*risk).take(1).for_each(|limit| *limit *= 0.999 * asked / p);
                }
            }
            if kept {
                return Ok(lines);
            }
        }
        Err(no_plan(&pairs, cap, watch)?)
    }
}

/// Where no lines keep the risks: a cap at which a fixed walk keeps those of both pairs.
fn no_plan(pairs: &[Asked<'_>; 2], cap: u32, watch: &dyn Watch) -> Result<Error, Error> {
    let mut first = cap + 1;
    for pair in pairs {
        first = first.max(pair.fewest_fixed(|_| true, watch)?.map_or(MOST_SITES, |fixed| fixed.sites));
    }
    let mut would_do = None;
    for n in (first..=MOST_SITES).take(CAPS as usize) {
        if pairs[0].cuts(n, watch)?.is_some() && pairs[1].cuts(n, watch)?.is_some() {
            would_do = Some(n);
            break;
        }
    }
    let allowed = would_do.map_or("no cap that was tried would do".to_owned(), |n| format!("max_sites {n} would do"));
    Ok(Error::new(Code::NoPlan, "max_sites for a calibrated plan for three calls at the asked risks", cap, allowed))
}
