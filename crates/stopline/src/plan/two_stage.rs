//! Plans with two checks, searched through: every pair of checks with every cut.
//!
//! At the first check the walk stops with either call, or goes on to the second, where a cut decides. For
//! given checks and cut the narrowest lines of the first check that keep both exact risks are the least
//! fixed point of widening each line in turn, as for calibrated lines; they have the fewest sites at every
//! mean. The widest are those of a fixed walk, so pairs exist exactly where a fixed walk of the second
//! check keeps the risks. Chosen is the plan with the fewest sites at its worst mean, or, among those with
//! the fewest sites at most, that with the fewest at its worst mean (as the optimal and minimax plans of
//! Simon 1989, Controlled Clinical Trials 10:1–10, doi:10.1016/0197-2456(89)90015-9, which stop early for
//! one call only and count at one mean).

use super::checks::Checks;
use super::design::Asked;
use crate::error::Error;
use crate::evaluate::{InstructionSet, LargestSites, expected_sites, largest_expected_sites, pooled_calls, work};
use crate::lines::{Call, Lines, Row};
use crate::score::Total;
use crate::watch::Watch;

impl Asked<'_> {
    /// The best plan with two of `sites`, the second at most `most`, if there is any.
    pub(super) fn two_stage(
        &self,
        sites: &[u32],
        most: u32,
        watch: &dyn Watch,
    ) -> Result<Option<(Checks, Lines)>, Error> {
        let design = self.design;
        let mut best: Option<(LargestSites, [u32; 2], Lines)> = None;
        for &last in sites.iter().filter(|&&n| n <= most) {
            let Some((lowest, highest)) = self.cuts(last, watch)? else { continue };
            for &first in sites.iter().filter(|&&n| n < last) {
                // From here on a fixed walk of the first check alone keeps the risks.
                if self.cuts(first, watch)?.is_some()
                    || best.as_ref().is_some_and(|(b, ..)| b.expected_sites <= f64::from(first))
                {
                    break;
                }
                for cut in lowest..=highest {
                    let lines = self.narrowest_pair([first, last], cut, watch)?;
                    if let Some((most, ..)) = &best
                        && expected_sites(&lines, &design.score, &design.dispersion, most.mean)? >= most.expected_sites
                    {
                        continue;
                    }
                    let most = largest_expected_sites(&lines, &design.score, &design.dispersion)?;
                    if best.as_ref().is_none_or(|(before, ..)| most.expected_sites < before.expected_sites) {
                        best = Some((most, [first, last], lines));
                    }
                }
            }
        }
        best.map(|(_, at, lines)| Ok((Checks::at(at.to_vec())?, lines))).transpose()
    }

    /// The narrowest lines at the first of two checks that keep both risks with this cut at the second.
    fn narrowest_pair(&self, [first, last]: [u32; 2], cut: Total, watch: &dyn Watch) -> Result<Lines, Error> {
        let [mut high, mut low] = self.bounds_of_lines(first, watch)?;
        let [asked_a, asked_b] = [self.risks.false_adequate().get(), self.risks.false_inadequate().get()];
        loop {
            // Above the cut the second check calls adequate whatever comes: no line higher than that matters.
            let rows = vec![
                Row::two_calls(first, (low >= 0).then_some(low), Some(high), None),
                Row::two_calls(last, Some(cut), Some(cut + 1), None),
            ];
            let lines = Lines::new(rows)?;
            for (_, law) in self.laws.iter().flat_map(|laws| &laws.nodes) {
                self.spend(work(&lines, law)?, watch)?;
            }
            let [at_low, at_high] = pooled_calls(&lines, &self.laws, InstructionSet::best(), watch)?;
            let p = |calls: [f64; Call::ALL.len()], call: Call| calls.get(call.index()).copied().unwrap_or(0.0);
            if p(at_low, Call::Adequate) > asked_a && high <= cut {
                high += 1;
            } else if p(at_high, Call::Inadequate) > asked_b && low >= 0 {
                low -= 1;
            } else {
                return Ok(lines);
            }
        }
    }
}
