//! Straight lines that converge, tuned to exact risks.
//!
//! Two one-sided tests run together (Lorden 1976, Ann. Statist. 4:281–291, doi:10.1214/aos/1176343407): adequate is
//! called where a mean m* between the thresholds is likely enough against the inadequate mean, inadequate where it is
//! against the adequate one. Each log likelihood ratio is linear in sites and total, so both lines are straight; the
//! lower one is steeper, and where they meet the walk ends. At m* such plans have nearly the fewest sites of all.
//!
//! Lorden's intercepts keep the risks with room to spare. Here, for given m* and a given line that divides the
//! totals where the two would cross, each line is widened just enough for its own exact risk, in turn, as for
//! parallel lines ([`super`]): the least fixed point, with the fewest sites at every mean among such lines. The
//! dividing line is sought from where Lorden's lines meet outwards, m* in ever smaller steps, for the smallest
//! largest-expected-sites; the best of what was tried is taken. Where lines do not meet before the cap the cut decides.

use super::narrowest::{Direction, narrowest};
use super::widths::{Side, Widths};
use super::{MANY_CUTS, SAME_SITES};
use crate::error::Error;
use crate::evaluate::{InstructionSet, LargestSites, expected_sites, largest_expected_sites, pooled_calls, work};
use crate::lines::{Call, Lines, Row};
use crate::params::Mean;
use crate::plan::checks::Checks;
use crate::plan::design::Asked;
use crate::plan::straight::{Line, at_most, tilt};
use crate::score::Total;
use crate::watch::Watch;
use std::borrow::Cow;

/// ln m* goes from the inadequate to the adequate mean in this many steps; first every eighth is tried.
const STEPS: u32 = 32;
const FIRST_STEP: u32 = 8;
/// Dividing lines in one direction that may be no better, one after another, before the search there ends.
const PATIENCE: u32 = 3;

/// The best lines so far.
struct Best {
    lines: Lines,
    most: LargestSites,
    step: u32,
}

impl Asked<'_> {
    /// Converging lines, with their checks up to where the walk surely ends; `None` where none keep the risks.
    pub fn converging(&self, sites: &[u32], watch: &dyn Watch) -> Result<Option<(Checks, Lines)>, Error> {
        let derive = |asked: &Self| {
            let mut best = None;
            let mut step = FIRST_STEP;
            for at in (1..STEPS / step).map(|i| i * step) {
                asked.with_middle(sites, at, &mut best, watch)?;
            }
            while let (2.., Some(Best { step: at, .. })) = (step, &best) {
                step /= 2;
                for at in [at - step, at + step] {
                    asked.with_middle(sites, at, &mut best, watch)?;
                }
            }
            Ok(best.map(|best| best.lines))
        };
        let lines = self.at_every_k(|lines: &Lines| Ok(Cow::Borrowed(lines)), derive, watch)?;
        Ok(lines.map(|lines| (self.design.checks.with_cap(lines.cap()), lines)))
    }

    /// Tries the lines of one m*.
    fn with_middle(&self, sites: &[u32], step: u32, best: &mut Option<Best>, watch: &dyn Watch) -> Result<(), Error> {
        let Some((&cap, lined)) = sites.split_last() else { return Ok(()) };
        let [down, up] = self.directions(step)?;
        // What is called at the first check already must keep the risks.
        let first = lined.first().copied().unwrap_or(1);
        let [lowest_upper, highest_lower] = self.bounds_of_lines(first, watch)?;
        let at = |of: Direction| of.slope * f64::from(first);
        let mut widths = [
            down.widths(lined, at(down) - (highest_lower + 1) as f64)?,
            up.widths(lined, (lowest_upper - 1) as f64 - at(up))?,
        ];
        // Lorden's own lines meet after `n` sites: the dividing line goes through that point.
        let (lower, upper) = (libm::log(down.risk) / down.per_total, -libm::log(up.risk) / up.per_total);
        let n = (upper - lower) / (down.slope - up.slope);
        let slope = 0.5 * (down.slope + up.slope);
        let start = at_most(0.5 * (lower + upper) + slope * f64::from(cap)).unwrap_or(0);
        let (start, stride) = match self.cuts(cap, watch)? {
            Some((first, last)) if n >= f64::from(cap) => {
                (start.clamp(first, last), ((last - first) / MANY_CUTS).max(1))
            }
            _ => (start, 1),
        };
        for (mut cut, stride) in [(start, stride), (start - stride, -stride)] {
            let mut misses = 0;
            while cut >= 0 && misses < PATIENCE {
                let shape = Divided { sites, cap, slopes: [down.slope, up.slope], cut };
                if self.better(&shape, &mut widths, best, watch)? {
                    misses = 0;
                    best.iter_mut().for_each(|best| best.step = step);
                } else {
                    misses += 1;
                }
                cut += stride;
            }
        }
        Ok(())
    }

    /// Takes the narrowest lines with this dividing line, if they are better than the best.
    fn better(
        &self,
        shape: &Divided<'_>,
        widths: &mut [Widths; 2],
        best: &mut Option<Best>,
        watch: &dyn Watch,
    ) -> Result<bool, Error> {
        let [a, b] = [self.risks.false_adequate().get(), self.risks.false_inadequate().get()];
        let risks = |h: [f64; 2]| {
            let lines = shape.lines(h)?;
            for (_, law) in self.laws.iter().flat_map(|laws| &laws.nodes) {
                self.spend(work(&lines, law)?, watch)?;
            }
            let [low, high] = pooled_calls(&lines, &self.laws, InstructionSet::best(), watch)?;
            let p = |calls: [f64; Call::ALL.len()], call: Call| calls.get(call.index()).copied().unwrap_or(0.0);
            Ok([p(low, Call::Adequate) / a, p(high, Call::Inadequate) / b])
        };
        let Some(h) = narrowest(widths, [1, 0], risks)? else { return Ok(false) };
        let lines = shape.lines(h)?;
        if !shape.straight_to_the_end(h, &lines) {
            return Ok(false);
        }
        let (score, under) = (&self.design.score, &self.design.dispersion);
        let worse = |sites: f64, best: &Best| sites >= best.most.expected_sites * (1.0 - SAME_SITES);
        if let Some(best) = &best
            && worse(expected_sites(&lines, score, under, best.most.mean)?, best)
        {
            return Ok(false);
        }
        let most = largest_expected_sites(&lines, score, under)?;
        if best.as_ref().is_some_and(|best| worse(most.expected_sites, best)) {
            return Ok(false);
        }
        *best = Some(Best { lines, most, step: 0 });
        Ok(true)
    }

    /// Where the lower and the upper line run with m* at this step.
    fn directions(&self, step: u32) -> Result<[Direction; 2], Error> {
        let (low, high) = (self.thresholds.inadequate(), self.thresholds.adequate());
        let share = f64::from(step) / f64::from(STEPS);
        let middle = Mean::new(low.get() * libm::exp(share * libm::log(high.get() / low.get())))?;
        let [low, middle, high] = self.nominal_at([low, middle, high])?;
        let line = |from, to, side, risk| -> Result<Direction, Error> {
            let tilt = tilt(from, to)?;
            Ok(Direction { side, slope: -tilt.ln_site / tilt.ln_ratio, per_total: tilt.ln_ratio, risk })
        };
        Ok([
            line(&middle, &high, Side::Lower, self.risks.false_inadequate().get())?,
            line(&low, &middle, Side::Upper, self.risks.false_adequate().get())?,
        ])
    }

    /// The pairs of slopes that converging lines may have, lower before upper.
    pub fn converging_slopes(&self) -> Result<Vec<[f64; 2]>, Error> {
        (1..STEPS).map(|step| Ok(self.directions(step)?.map(|line| line.slope))).collect()
    }
}

/// Two lines and the one between them that neither passes: it comes to `cut` at the cap.
struct Divided<'a> {
    sites: &'a [u32],
    cap: u32,
    /// Of the lower and the upper line.
    slopes: [f64; 2],
    cut: Total,
}

impl Divided<'_> {
    /// The totals on the lines at these distances from the origin.
    fn totals(&self, [lower, upper]: [f64; 2], n: u32) -> (Option<Total>, Total) {
        let [down, up] = self.slopes;
        let lower = Line { slope: down, intercept: -lower };
        (lower.inadequate_at_most(n), Line { slope: up, intercept: upper }.adequate_at_least(n))
    }

    /// The table, up to the check at which every total stops.
    fn lines(&self, h: [f64; 2]) -> Result<Lines, Error> {
        let [down, up] = self.slopes;
        let row = |&n: &u32| {
            if n == self.cap {
                return Row::two_calls(n, Some(self.cut), Some(self.cut + 1), None);
            }
            let left = libm::ceil(0.5 * (down + up) * f64::from(self.cap - n));
            #[allow(clippy::cast_possible_truncation)] // far below 2⁵³
            let middle = self.cut - left as Total;
            let (low, high) = self.totals(h, n);
            let low = low.map(|low| low.min(middle)).filter(|&t| t >= 0);
            Row::two_calls(n, low, Some(high.max(middle + 1).max(0)), None)
        };
        let mut rows: Vec<Row> = self.sites.iter().map(row).collect();
        rows.truncate(1 + rows.iter().position(Row::closes).unwrap_or(rows.len()));
        Lines::new(rows)
    }

    /// Up to where every total stops: are the two lines straight before?
    fn straight_to_the_end(&self, h: [f64; 2], lines: &Lines) -> bool {
        let before = lines.rows().split_last().map_or(&[][..], |(_, before)| before);
        before.iter().all(|row| {
            let (low, high) = self.totals(h, row.at);
            row.at_most(Call::Inadequate) == low && row.at_least(Call::Adequate) == Some(high)
        })
    }
}
