//! Plans with two checks, the first of which can make one call only (Simon 1989, Controlled Clinical Trials 10:1–10,
//! doi:10.1016/0197-2456(89)90015-9), searched through.
//!
//! For given checks and cut at the second, the first check's line is drawn as far in as the risk of its own call
//! allows: every walk that it stops then also lessens the other risk, and sites. Chosen is the plan with the fewest
//! expected sites at the mean for which the early call is right (Simon's optimal plan), or among those with the fewest
//! sites at most (his minimax plan). Unlike for two early calls a fixed walk need not keep the risks at the second check.

use super::checks::Checks;
use super::design::Asked;
use crate::error::{Code, Error};
use crate::evaluate::{InstructionSet, expected_sites, pooled_calls, work};
use crate::lines::{Call, Lines, Row};
use crate::score::Total;
use crate::watch::Watch;

/// Cuts that may keep no risks, one after another, before the search among cuts ends.
const PATIENCE: u32 = 2;

impl Asked<'_> {
    /// The best plan with two of `sites` that calls `early` at the first; `None` where none keeps the risks.
    ///
    /// # Errors
    /// `combination` for another early call than inadequate or adequate; `too_much_work`, `interrupted`.
    pub(super) fn one_sided(
        &self,
        sites: &[u32],
        early: Call,
        minimax: bool,
        watch: &dyn Watch,
    ) -> Result<Option<(Checks, Lines)>, Error> {
        if !matches!(early, Call::Inadequate | Call::Adequate) {
            let what = "early call of a two-stage plan";
            return Err(Error::new(Code::Combination, what, early.as_str(), "inadequate or adequate"));
        }
        let right = if early == Call::Inadequate { self.thresholds.inadequate() } else { self.thresholds.adequate() };
        let mut best: Option<(f64, [u32; 2], Lines)> = None;
        for &last in sites {
            for &first in sites.iter().filter(|&&n| n < last) {
                if best.as_ref().is_some_and(|(sites, ..)| *sites <= f64::from(first)) {
                    break;
                }
                // From the cut at which a fixed walk just keeps the early call's own risk.
                let [above, below] = self.bounds_of_lines(last, watch)?;
                let (mut cut, step) = if early == Call::Inadequate { (below, -1) } else { (above - 1, 1) };
                let mut misses = 0;
                while cut >= 0 && misses < PATIENCE {
                    let Some(lines) = self.furthest_in([first, last], cut, early, watch)? else {
                        misses += 1;
                        cut += step;
                        continue;
                    };
                    let (score, under) = (&self.design.score, &self.design.dispersion);
                    let expected = expected_sites(&lines, score, under, right.get())?;
                    if best.as_ref().is_none_or(|(before, ..)| expected < *before) {
                        best = Some((expected, [first, last], lines));
                    }
                    cut += step;
                }
            }
            if minimax && best.is_some() {
                break;
            }
        }
        best.map(|(_, at, lines)| Ok((Checks::at(at.to_vec())?, lines))).transpose()
    }

    /// The plan with this cut at the second check whose first check calls `early` as often as its risk allows, if
    /// the other risk is then kept.
    fn furthest_in(
        &self,
        [first, last]: [u32; 2],
        cut: Total,
        early: Call,
        watch: &dyn Watch,
    ) -> Result<Option<Lines>, Error> {
        let asked = [self.risks.false_adequate().get(), self.risks.false_inadequate().get()];
        let with = |line: Total| {
            let row = match early {
                Call::Inadequate => Row::two_calls(first, (line >= 0).then_some(line), None, None),
                _ => Row::two_calls(first, None, Some(line), None),
            };
            Lines::new(vec![row, Row::two_calls(last, Some(cut), Some(cut + 1), None)])
        };
        let kept = |lines: &Lines| -> Result<[bool; 2], Error> {
            for (_, law) in self.laws.iter().flat_map(|laws| &laws.nodes) {
                self.spend(work(lines, law)?, watch)?;
            }
            let [low, high] = pooled_calls(lines, &self.laws, InstructionSet::best(), watch)?;
            let p = |calls: [f64; Call::ALL.len()], call: Call| calls.get(call.index()).copied().unwrap_or(0.0);
            let risks = [p(low, Call::Adequate), p(high, Call::Inadequate)];
            Ok([risks[0] <= asked[0], risks[1] <= asked[1]])
        };
        // No line at the first check; then further in, one total after another.
        let (mut line, step, own) = if early == Call::Inadequate { (-1, 1, 1) } else { (cut + 1, -1, 0) };
        let mut found = None;
        loop {
            let lines = with(line)?;
            let kept = kept(&lines)?;
            if !kept.get(own).is_some_and(|kept| *kept) {
                return Ok(found);
            }
            found = kept.iter().all(|kept| *kept).then_some(lines);
            let next = line + step;
            if next > cut || next < 0 {
                return Ok(found);
            }
            line = next;
        }
    }
}
