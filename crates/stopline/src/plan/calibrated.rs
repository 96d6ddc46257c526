//! Parallel lines of Wald's slope, as narrow as the exact risks allow.
//!
//! Of two strips with the same cut at the cap, the one with the higher upper line has the smaller
//! false-adequate risk and the larger false-inadequate risk, path by path; and mirrored for the lower
//! line. So from a narrow strip (both intercepts 0) each line is widened just enough for its own risk,
//! in turn, until both are kept: that ends in the narrowest feasible strip of the cut, the least fixed
//! point, which has the fewest sites at *every* mean of all feasible strips with this cut. Strips are
//! numbered by the distinct tables of integers they give, so nothing between two numbers is missed.
//! Among the cuts at the cap the plan takes the one with the smallest largest-expected-sites.
//!
//! Lines of this family may not exist at a cap where a plan of another shape does; then there is no
//! result.

use super::checks::Closing;
use super::design::Asked;
use super::straight::{ON_LINE, Straight};
use crate::error::{Code, Error};
use crate::evaluate::{InstructionSet, largest_expected_sites, pooled_calls};
use crate::lines::{Call, Lines};
use crate::score::Total;
use crate::watch::{Quiet, Watch, tell};

/// Cuts in a row without a better strip after which no further cut is tried in that direction.
const PATIENCE: u32 = 4;
/// Chance, as a share of the asked risk, that a line at the far end of its widths is ever met.
const LN_NEVER: f64 = 30.0;

/// The distances from the middle line at which the table of one line changes, in order of widening.
///
/// The upper line at n sites, ⌈h + s·n⌉, changes as h passes t − s·n; the lower, ⌊s·n − h⌋, as h
/// passes s·n − t. Negative distances (a line beyond the middle) are only used to narrow a strip further.
struct Widths {
    known: Vec<f64>,
    /// Position of the first distance that is not negative.
    middle: usize,
}

impl Widths {
    /// Every change between `narrowest` (negative) and `widest`.
    fn of(slope: f64, sites: &[u32], narrowest: f64, widest: f64, side: Side) -> Self {
        let mut known = Vec::new();
        for line in sites.iter().map(|&n| slope * f64::from(n)) {
            // Counted in whole totals: adding 1 to a distance again and again may step over the last change.
            let (mut t, by) = match side {
                Side::Upper => (libm::ceil(line + narrowest), 1.0),
                Side::Lower => (libm::floor(line - narrowest), -1.0),
            };
            // Below total 0 there is no lower line and nothing changes any more.
            while (t - line) * by <= widest && (side == Side::Upper || t >= 0.0) {
                known.push((t - line) * by);
                t += by;
            }
        }
        known.sort_by(f64::total_cmp);
        // Changes closer than the rounding of lines can tell apart are one.
        let largest = sites.last().map_or(1.0, |&n| (slope * f64::from(n)).max(1.0));
        known.dedup_by(|b, a| *b - *a < 2.0 * ON_LINE * largest);
        if side == Side::Lower || known.is_empty() {
            known.push(largest + 1.0); // no lower line at any check, or no check before the cap
        }
        let middle = known.partition_point(|&h| h < 0.0).min(known.len() - 1);
        Self { known, middle }
    }

    fn at(&self, index: usize) -> f64 {
        self.known.get(index).copied().unwrap_or(f64::NAN)
    }

    /// The first change at or beyond distance `h`.
    fn beyond(&self, h: f64) -> usize {
        self.known.partition_point(|&known| known < h)
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Side {
    Lower,
    Upper,
}

/// A strip by its position among the widths, with both its risks over the asked ones.
#[derive(Clone, Copy)]
struct Strip {
    lower: usize,
    upper: usize,
    /// false_adequate and false_inadequate, each over what is asked; kept where ≤ 1.
    risks: [f64; 2],
}

impl Strip {
    fn feasible(&self) -> bool {
        self.risks.iter().all(|&r| r <= 1.0)
    }
}

/// Strips of one design and one cut at the cap.
struct Family<'a> {
    asked: &'a Asked<'a>,
    sites: &'a [u32],
    slope: f64,
    /// Change of the log likelihood ratio per unit of the total: a line moved by h changes its risk by about e^(−h·d).
    per_total: f64,
    lower: Widths,
    upper: Widths,
}

impl<'a> Family<'a> {
    fn new(asked: &'a Asked<'a>, sites: &'a [u32]) -> Result<Self, Error> {
        let wald = asked.wald()?;
        let [a, b] = [asked.risks.false_adequate().get(), asked.risks.false_inadequate().get()];
        let per_total = (libm::log1p(-b) - libm::log(a)) / wald.upper;
        // Ville's inequality: a line at distance h is ever met with chance at most e^(−h·d).
        let widest = |risk: f64| (LN_NEVER - libm::log(risk)) / per_total;
        let narrowest = -(wald.slope + 4.0);
        let changes = sites.len() as f64 * (widest(a) + widest(b) - 2.0 * narrowest);
        if changes > MOST_CHANGES {
            return Err(Error::new(
                Code::TooMuchWork,
                "calibrated lines",
                format!("about {changes:.0e} different strips"),
                format!("at most {MOST_CHANGES:.0e}: fewer checks, lower means, or thresholds further apart"),
            ));
        }
        // A plan that closes by a call has no lines of its own at the cap.
        let lined = match asked.design.closing {
            Closing::Call => sites.split_last().map_or(sites, |(_, before)| before),
            Closing::Undecided => sites,
        };
        let widths = |risk, side| Widths::of(wald.slope, lined, narrowest, widest(risk), side);
        Ok(Self {
            asked,
            sites,
            slope: wald.slope,
            per_total,
            lower: widths(b, Side::Lower),
            upper: widths(a, Side::Upper),
        })
    }

    fn straight(&self, strip: Strip) -> Straight {
        Straight { slope: self.slope, lower: -self.lower.at(strip.lower), upper: self.upper.at(strip.upper) }
    }

    fn lines(&self, strip: Strip, cut: Total) -> Result<Lines, Error> {
        self.straight(strip).lines(self.sites, self.asked.design.closing, cut)
    }

    /// The strip at these positions with its exact risks; crossed lines count as infeasible.
    fn strip(&self, lower: usize, upper: usize, cut: Total) -> Result<Strip, Error> {
        let mut strip = Strip { lower, upper, risks: [f64::INFINITY; 2] };
        let Ok(lines) = self.lines(strip, cut) else { return Ok(strip) };
        let [low, high] = pooled_calls(&lines, &self.asked.laws, InstructionSet::PORTABLE, &Quiet)?;
        let over = |calls: [f64; 5], call: Call, asked: f64| calls.get(call.index()).copied().unwrap_or(0.0) / asked;
        strip.risks = [
            over(low, Call::Adequate, self.asked.risks.false_adequate().get()),
            over(high, Call::Inadequate, self.asked.risks.false_inadequate().get()),
        ];
        Ok(strip)
    }

    /// The same strip with one line widened just enough that its own risk is kept; `None` where even
    /// the widest does not do. The risk falls as the line widens; the search steps by the rate at
    /// which it should, then halves.
    fn widen(&self, from: Strip, side: Side, cut: Total) -> Result<Option<Strip>, Error> {
        let widths = if side == Side::Lower { &self.lower } else { &self.upper };
        let risk = |s: &Strip| if side == Side::Lower { s.risks[1] } else { s.risks[0] };
        let position = |s: &Strip| if side == Side::Lower { s.lower } else { s.upper };
        let to = |index: usize| match side {
            Side::Lower => self.strip(index, from.upper, cut),
            Side::Upper => self.strip(from.lower, index, cut),
        };
        let last = widths.known.len() - 1;
        let (mut below, mut kept) = (from, None::<Strip>);
        let mut step = 1;
        loop {
            let (low, high) = (position(&below), kept.as_ref().map_or(last + 1, position));
            if high - low <= 1 {
                return Ok(kept);
            }
            let aim = widths.at(low) + libm::log(risk(&below)) / self.per_total;
            let guess = if kept.is_none() { widths.beyond(aim).max(low + step) } else { widths.beyond(aim) };
            let halves = low + (high - low) / 2;
            let next = if kept.is_none() {
                step *= 2;
                guess.min(last)
            } else if step > 0 && guess > low && guess < high {
                step = 0; // one aimed step inside the bracket, then halves
                guess
            } else {
                step = 1;
                halves
            };
            let tried = to(next)?;
            if risk(&tried) <= 1.0 {
                kept = Some(tried);
            } else {
                below = tried;
            }
        }
    }

    /// The narrowest feasible strip with this cut, if there is one.
    fn narrowest(&self, cut: Total) -> Result<Option<Strip>, Error> {
        let mut strip = self.strip(self.lower.middle, self.upper.middle, cut)?;
        while !strip.feasible() {
            let side = if strip.risks[0] > 1.0 { Side::Upper } else { Side::Lower };
            match self.widen(strip, side, cut)? {
                Some(wider) => strip = wider,
                None => return Ok(None),
            }
        }
        // Only a strip that touches the middle line can be narrowed still: beyond it.
        loop {
            let mut narrower = None;
            for (lower, upper) in [(1, 0), (0, 1)] {
                if let (Some(lower), Some(upper)) = (strip.lower.checked_sub(lower), strip.upper.checked_sub(upper)) {
                    narrower = Some(self.strip(lower, upper, cut)?).filter(Strip::feasible);
                }
                if narrower.is_some() {
                    break;
                }
            }
            match narrower {
                Some(s) => strip = s,
                None => return Ok(Some(strip)),
            }
        }
    }
}

/// Most changes of the table of a line that are looked at.
const MOST_CHANGES: f64 = 2e7;

impl Asked<'_> {
    /// Whether the family has a feasible strip for these checks, looking only at the cuts that a fixed
    /// plan at the cap could have and the middle one.
    pub fn calibrated_exists(&self, sites: &[u32], watch: &dyn Watch) -> Result<bool, Error> {
        tell(watch, 0, 1)?;
        let family = Family::new(self, sites)?;
        let cap = sites.last().copied().unwrap_or(0);
        let middle = Straight { slope: family.slope, lower: 0.0, upper: 0.0 }.middle_cut(cap);
        let cut = self.cuts(cap).map_or(middle, |(first, last)| middle.clamp(first, last));
        Ok(family.narrowest(cut)?.is_some())
    }

    /// The calibrated lines for these checks; `None` where the family has none.
    pub fn calibrated(&self, sites: &[u32], watch: &dyn Watch) -> Result<Option<(Straight, Lines)>, Error> {
        let family = Family::new(self, sites)?;
        let cap = sites.last().copied().unwrap_or(0);
        let middle = Straight { slope: family.slope, lower: 0.0, upper: 0.0 }.middle_cut(cap);
        let mut best: Option<(f64, Strip, Total)> = None;
        let consider = |cut: Total, best: &mut Option<(f64, Strip, Total)>| -> Result<bool, Error> {
            let Some(strip) = family.narrowest(cut)? else { return Ok(false) };
            let lines = family.lines(strip, cut)?;
            let most = largest_expected_sites(&lines, &self.design.score, &self.design.dispersion)?.expected_sites;
            let better = best.is_none_or(|(before, ..)| most < before);
            if better {
                *best = Some((most, strip, cut));
            }
            Ok(better)
        };
        if self.design.closing == Closing::Undecided {
            consider(middle, &mut best)?; // lines at the cap like everywhere: no cut to choose
        } else {
            // Every cut of a fixed plan at the cap is feasible. From the middle of them outwards, until
            // several in a row bring nothing.
            let start = self.cuts(cap).map_or(middle, |(first, last)| middle.clamp(first, last));
            for (from, step) in [(start, 1), (start - 1, -1)] {
                let (mut cut, mut misses) = (from, 0);
                while cut >= 0 && misses < PATIENCE {
                    tell(watch, u64::from(misses), u64::from(PATIENCE))?;
                    misses = if consider(cut, &mut best)? { 0 } else { misses + 1 };
                    cut += step;
                }
            }
        }
        best.map(|(_, strip, cut)| Ok((family.straight(strip), family.lines(strip, cut)?))).transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_are_the_changes_of_the_rounded_lines() {
        let sites = [1, 2, 3];
        for (side, slope) in [(Side::Upper, 1.3), (Side::Lower, 1.3), (Side::Upper, 0.5), (Side::Lower, 0.5)] {
            let widths = Widths::of(slope, &sites, -0.4, 6.0, side);
            let table = |h: f64| {
                sites.map(|n| {
                    let line = slope * f64::from(n);
                    if side == Side::Upper {
                        Some(super::super::straight::at_least(line + h))
                    } else {
                        super::super::straight::at_most(line - h)
                    }
                })
            };
            for pair in widths.known.windows(2) {
                assert_ne!(table(pair[0]), table(pair[1]), "every step changes the table");
                // Nothing changes strictly inside a step.
                for share in [0.1, 0.5, 0.9] {
                    assert_eq!(table(pair[0] + share * (pair[1] - pair[0])), table(pair[1]));
                }
            }
        }
    }

    #[test]
    fn one_check_has_no_lines_but_its_cut() {
        use crate::plan::{Aim, Checks, Design, Method, Plan};
        use crate::{Dispersion, K, Mean, Plants, Risk, Risks, Score, Thresholds};
        let [low, high] = [1.0, 2.0].map(|m| Mean::new(m).unwrap());
        let risk = Risk::new(0.1).unwrap();
        let plan = |method, sites: u32| {
            let design = Design {
                score: Score::Count,
                plants: Plants::ONE,
                dispersion: Dispersion::ConstantK { k: K::new(1.2).unwrap() },
                aim: Aim::TwoCalls {
                    thresholds: Some(Thresholds::new(low, high).unwrap()),
                    risks: Some(Risks::new(risk, risk).unwrap()),
                },
                checks: Checks::at(vec![sites]).unwrap(),
                closing: Closing::Call,
            };
            Plan::design(design, method, &Quiet)
        };
        assert_eq!(plan(Method::Calibrated, 22).unwrap().lines(), plan(Method::Fixed, 22).unwrap().lines());
        assert_eq!(plan(Method::Calibrated, 21).unwrap_err().code(), Code::NoPlan);
    }
}
