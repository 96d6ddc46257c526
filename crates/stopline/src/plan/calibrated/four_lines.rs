//! Four lines for three calls, each as narrow as its own exact risk allows.
//!
//! The two cuts at the cap are moved from the middle as long as the largest expected sites fall. Such lines exist
//! where a fixed walk to the cap can keep each pair's risks; they are the best of those tried.
#![allow(clippy::indexing_slicing)] // pairs, lines and risks are numbered 0 to 1 or 0 to 3

use super::narrowest::{Direction, narrowest};
use super::widths::{Side, Widths};
use crate::error::Error;
use crate::evaluate::{InstructionSet, LargestSites, expected_sites, largest_expected_sites, pooled_calls, work};
use crate::law::{Law, Laws, Pool};
use crate::lines::{Call, Lines};
use crate::plan::checks::Closing;
use crate::plan::design::{Asked, Design};
use crate::plan::straight::Line;
use crate::score::Total;
use crate::watch::Watch;
use std::cell::RefCell;

/// The search for four lines.
pub(in crate::plan) struct FourLines<'a> {
    design: &'a Design,
    pairs: &'a [Asked<'a>; 2],
    /// At the four means.
    laws: [Laws; 4],
    /// Risks to keep, in the order of [`crate::plan::Aim::asked_risks`].
    pub asked: [f64; 4],
    /// Cuts of each pair with which a fixed walk keeps its risks.
    cuts: [(Total, Total); 2],
    slopes: [f64; 2],
    /// Of the four lines.
    widths: RefCell<[Widths; 4]>,
    watch: &'a dyn Watch,
}

/// The line that each risk is kept by.
const LINE_OF_RISK: [usize; 4] = [1, 0, 3, 2];

impl<'a> FourLines<'a> {
    pub fn new(
        design: &'a Design,
        pairs: &'a [Asked<'a>; 2],
        cuts: [(Total, Total); 2],
        watch: &'a dyn Watch,
    ) -> Result<Self, Error> {
        let sites = design.checks.sites();
        let lined = match design.closing {
            Closing::Call => sites.split_last().map_or(&sites[..], |(_, before)| before),
            Closing::Undecided => &sites[..],
        };
        let of = |pair: &Asked<'_>| -> Result<([f64; 2], [Widths; 2]), Error> {
            let wald = pair.wald()?;
            let [a, b] = [pair.risks.false_adequate().get(), pair.risks.false_inadequate().get()];
            let per_total = (libm::log1p(-b) - libm::log(a)) / wald.upper;
            // From the middle on, so that the lines of a pair do not cross.
            let widths = |side, risk| Direction { side, slope: wald.slope, per_total, risk }.widths(lined, 0.0);
            Ok(([a, b], [widths(Side::Lower, b)?, widths(Side::Upper, a)?]))
        };
        let ((low, [inadequate, from]), (high, [to, adequate])) = (of(&pairs[0])?, of(&pairs[1])?);
        let laws = pairs.each_ref().map(|pair| pair.laws.clone());
        let [[m0, m1], [m2, m3]] = laws;
        let mut laws = [m0, m1, m2, m3];
        // Of an interval of k the best single value; others are added where they turn out to be worse.
        laws.iter_mut().filter(|laws| laws.pool == Pool::Worst).for_each(|laws| laws.nodes.truncate(1));
        Ok(Self {
            design,
            pairs,
            laws,
            asked: [low[0], low[1], high[0], high[1]],
            cuts,
            slopes: [pairs[0].wald()?.slope, pairs[1].wald()?.slope],
            widths: RefCell::new([inadequate, from, to, adequate]),
            watch,
        })
    }

    /// Takes account of another law at the mean of a risk: whether it was not yet.
    pub fn add(&mut self, risk: usize, law: Law) -> bool {
        let nodes = &mut self.laws[risk].nodes;
        let new = !nodes.iter().any(|(_, known)| *known == law);
        if new {
            nodes.push((1.0, law));
        }
        new
    }

    fn lines(&self, h: [f64; 4], cuts: [Total; 2]) -> Result<Lines, Error> {
        let line =
            |i: usize| Line { slope: self.slopes[i / 2], intercept: if i == 0 || i == 2 { -h[i] } else { h[i] } };
        self.design.four_lines([0, 1, 2, 3].map(line), cuts)
    }

    /// The four lines for these cuts, each as narrow as its risk allows; `None` where the widest do not do.
    fn narrowest(&self, cuts: [Total; 2]) -> Result<Option<Lines>, Error> {
        let risks = |h| self.risks(&self.lines(h, cuts)?);
        let found = narrowest(&mut self.widths.borrow_mut(), LINE_OF_RISK, risks)?;
        found.map(|h| self.lines(h, cuts)).transpose()
    }

    /// The four risks over the asked ones.
    fn risks(&self, lines: &Lines) -> Result<[f64; 4], Error> {
        for (_, law) in self.laws.iter().flat_map(|laws| &laws.nodes) {
            self.pairs[0].spend(work(lines, law)?, self.watch)?;
        }
        let calls = pooled_calls(lines, &self.laws, InstructionSet::best(), self.watch)?;
        let p = |at: usize, call: Call| calls[at][call.index()];
        let mut risks = [
            p(0, Call::Marginal) + p(0, Call::Adequate),
            p(1, Call::Inadequate),
            p(2, Call::Adequate),
            p(3, Call::Inadequate) + p(3, Call::Marginal),
        ];
        risks.iter_mut().zip(self.asked).for_each(|(risk, asked)| *risk /= asked);
        Ok(risks)
    }

    /// The best lines found from cuts in the middle outwards.
    pub fn best(&self) -> Result<Option<Lines>, Error> {
        let cap = self.design.checks.cap();
        let mut cuts = [0; 2];
        for ((cut, pair), (first, last)) in cuts.iter_mut().zip(self.pairs).zip(self.cuts) {
            *cut = pair.wald()?.middle_cut(cap).clamp(first, last);
        }
        let mut best: Option<(LargestSites, Lines)> = None;
        let mut better = |cuts: [Total; 2]| -> Result<bool, Error> {
            let Some(lines) = self.narrowest(cuts)? else { return Ok(false) };
            let (score, under) = (&self.design.score, &self.design.dispersion);
            if let Some((before, _)) = &best
                && expected_sites(&lines, score, under, before.mean)? >= before.expected_sites
            {
                return Ok(false);
            }
            let most = largest_expected_sites(&lines, score, under)?;
            if best.as_ref().is_some_and(|(before, _)| most.expected_sites >= before.expected_sites) {
                return Ok(false);
            }
            best = Some((most, lines));
            Ok(true)
        };
        better(cuts)?;
        if self.design.closing == Closing::Call {
            let mut stride = self.cuts.map(|(first, last)| ((last - first) / 4).max(1)).into_iter().max().unwrap_or(1);
            while stride > 0 {
                let mut moved = false;
                for (i, by) in [(0, stride), (0, -stride), (1, stride), (1, -stride)] {
                    let mut next = cuts;
                    next[i] += by;
                    let (first, last) = self.cuts[i];
                    if (first..=last).contains(&next[i]) && next[0] <= next[1] && better(next)? {
                        cuts = next;
                        moved = true;
                    }
                }
                if !moved {
                    stride /= 2;
                }
            }
        }
        Ok(best.map(|(_, lines)| lines))
    }
}
