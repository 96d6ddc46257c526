//! Plans with two checks, the first of which can make one call only (Simon 1989, Controlled Clinical Trials 10:1–10,
//! doi:10.1016/0197-2456(89)90015-9), searched through.
//!
//! For given checks and cut at the second, the first check's line is drawn as far in as the risk of its own call
//! allows: every walk that it stops then also lessens the other risk, and sites. The other risk only grows as the cut
//! moves away from where a fixed walk keeps the first, so that the cuts end where it is broken even with the first
//! check's line as far in as the first check alone allows. Chosen is the plan with the fewest
//! expected sites at the mean for which the early call is right (Simon's optimal plan), or among those with the fewest
//! sites at most (his minimax plan). Unlike for two early calls a fixed walk need not keep the risks at the second check.

use super::checks::Checks;
use super::design::Asked;
use crate::error::{Code, Error};
use crate::evaluate::{InstructionSet, expected_sites, pooled_calls, work};
use crate::lines::{Call, Lines, Row};
use crate::score::Total;
use crate::watch::Watch;

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
                let [above, below] = self.bounds_of_lines(first, watch)?;
                let (furthest, other) = if early == Call::Inadequate { (below, 0) } else { (above, 1) };
                while cut >= 0 {
                    let [kept_a, kept_b] = self.kept(&one_line([first, last], furthest, cut, early)?, watch)?;
                    if ![kept_a, kept_b].get(other).is_some_and(|kept| *kept) {
                        break;
                    }
                    let found = self.furthest_in([first, last], cut, early, watch)?;
                    cut += step;
                    let Some((line, lines)) = found else { continue };
                    let (score, under) = (&self.design.score, &self.design.dispersion);
                    let expected = expected_sites(&lines, score, under, right.get())?;
                    if best.as_ref().is_none_or(|(before, ..)| expected < *before) {
                        best = Some((expected, [first, last], lines));
                    }
                    // Sites depend on the first check's line alone.
                    if line == furthest {
                        break;
                    }
                }
            }
            if minimax && best.is_some() {
                break;
            }
        }
        best.map(|(_, at, lines)| Ok((Checks::at(at.to_vec())?, lines))).transpose()
    }

    /// The line and the plan with this cut at the second check whose first check calls `early` as often as its risk allows, if
    /// the other risk is then kept.
    fn furthest_in(
        &self,
        [first, last]: [u32; 2],
        cut: Total,
        early: Call,
        watch: &dyn Watch,
    ) -> Result<Option<(Total, Lines)>, Error> {
        // No line at the first check; then further in, one total after another.
        let (mut line, step, own) = if early == Call::Inadequate { (-1, 1, 1) } else { (cut + 1, -1, 0) };
        let mut found = None;
        loop {
            let lines = one_line([first, last], line, cut, early)?;
            let kept = self.kept(&lines, watch)?;
            if !kept.get(own).is_some_and(|kept| *kept) {
                return Ok(found);
            }
            found = kept.iter().all(|kept| *kept).then_some((line, lines));
            let next = line + step;
            if next > cut || next < 0 {
                return Ok(found);
            }
            line = next;
        }
    }

    /// Are the false-adequate and the false-inadequate risk kept?
    fn kept(&self, lines: &Lines, watch: &dyn Watch) -> Result<[bool; 2], Error> {
        for (_, law) in self.laws.iter().flat_map(|laws| &laws.nodes) {
            self.spend(work(lines, law)?, watch)?;
        }
        let [low, high] = pooled_calls(lines, &self.laws, InstructionSet::best(), watch)?;
        let p = |calls: [f64; Call::ALL.len()], call: Call| calls.get(call.index()).copied().unwrap_or(0.0);
        let asked = [self.risks.false_adequate().get(), self.risks.false_inadequate().get()];
        Ok([p(low, Call::Adequate) <= asked[0], p(high, Call::Inadequate) <= asked[1]])
    }
}

/// Two checks, of which the first calls `early` only: on its line, if that is 0 or more, or beyond.
fn one_line([first, last]: [u32; 2], line: Total, cut: Total, early: Call) -> Result<Lines, Error> {
    let row = match early {
        Call::Inadequate => Row::two_calls(first, (line >= 0).then_some(line), None, None),
        _ => Row::two_calls(first, None, Some(line), None),
    };
    Lines::new(vec![row, Row::two_calls(last, Some(cut), Some(cut + 1), None)])
}
