//! Parallel lines of Wald's slope, as narrow as the exact risks allow.
//!
//! Of two strips with the same cut at the cap, the one with the higher upper line has the smaller
//! false-adequate risk and the larger false-inadequate risk, path by path; and mirrored for the lower
//! line. So from a strip too narrow each line is widened just enough for its own risk, in turn, until
//! both are kept: that ends in the narrowest feasible strip of the cut, the least fixed point, which has
//! the fewest sites at *every* mean of all feasible strips with this cut. Strips are numbered by the
//! distinct tables of integers they give, so nothing between two numbers is missed. Only where the
//! narrowest would cross, at risks kept after very few sites, are there several, and all are looked at.
//!
//! Among the cuts at the cap the plan takes the one with the smallest largest-expected-sites, going
//! outwards from the middle. Past a cut that was no better a bound is looked at, which ends that: a higher
//! cut never needs a narrower lower line, a lower cut never a narrower upper one, so what that line alone
//! costs only grows. Where a fixed plan at the cap could have hundreds of cuts, as at means in the
//! hundreds, steps are wider and grow narrower around the best.
//!
//! Lines of this family may not exist at a cap where a plan of another shape does; then there is no
//! result.

mod converging;
mod family;
mod forecast;
mod four_lines;
mod least;
mod narrowest;
mod widths;

pub(super) use four_lines::FourLines;

use super::checks::Closing;
use super::design::{Asked, Design};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::evaluate::{LargestSites, Strips};
use crate::law::{Law, Pool};
use crate::lines::Lines;
use crate::params::Mean;
use crate::score::Total;
use crate::watch::Watch;
use family::{End, Family, Places, Strip};
use least::never;
use std::borrow::Cow;

/// Chance, as a share of the asked risk, that a line at the far end of its widths is ever met: −ln.
const LN_NEVER: f64 = 30.0;
/// Most changes of the tables of all lines that are listed.
const MOST_CHANGES: f64 = 2e7;
/// Expected sites closer than this, relatively, are taken to be equal.
const SAME_SITES: f64 = 1e-11;

/// By about how many changes of its table each line may fall short where a strip inside many is sought.
const CLOSE: f64 = 4.0;
/// Cuts of a fixed plan at the cap, up to twice which every cut is looked at.
const MANY_CUTS: Total = 64;

/// What all cuts have in common.
const NO_CALL: End = End::Only { inadequate_at_most: None, adequate_at_least: None };

/// The best strip so far.
struct Best {
    strip: Strip,
    end: End,
    /// Worked out once something is compared with it.
    worst: Option<Worst>,
}

/// The mean that takes a strip most sites.
struct Worst {
    mean: f64,
    expected_sites: f64,
    /// The laws there, with how results under them are put together.
    laws: Strips,
    weights: Vec<f64>,
    /// The strip that was compared last, and what came of it.
    seen: Option<(Places, bool)>,
}

impl Worst {
    /// Of a strip; that of another is likely near.
    fn of(family: &mut Family<'_>, lines: Places, other: Option<&Self>) -> Result<Self, Error> {
        let Design { score, dispersion, .. } = family.asked.design;
        let most = family.largest_sites(lines, other.map(|other| other.mean))?;
        let laws = dispersion.laws(score, Mean::new(most.mean)?)?;
        // Curves of the worst of several laws are those of the first.
        let shown = if laws.pool == Pool::Average { laws.nodes.len() } else { 1 };
        let (weights, laws): (Vec<f64>, Vec<Law>) = laws.nodes.into_iter().take(shown).unzip();
        let LargestSites { mean, expected_sites } = most;
        Ok(Self { mean, expected_sites, laws: Strips::new(&laws, None), weights, seen: None })
    }
}

impl Best {
    /// Has the strip, and so every wider one, no fewer sites than the best has at its worst mean?
    fn is_no_worse(best: &mut Option<Self>, family: &mut Family<'_>, lines: Places) -> Result<bool, Error> {
        let Some(best) = best else { return Ok(false) };
        if best.strip.places.within(lines) {
            return Ok(true);
        }
        let worst = match &mut best.worst {
            Some(worst) => worst,
            unknown => unknown.insert(Worst::of(family, best.strip.places, None)?),
        };
        if let Some((_, no_worse)) = worst.seen.filter(|(seen, _)| *seen == lines) {
            return Ok(no_worse);
        }
        let sites = family.sites(lines, &mut worst.laws)?;
        let sites: f64 = worst.weights.iter().zip(sites).map(|(weight, sites)| weight * sites).sum();
        let no_worse = sites >= worst.expected_sites * (1.0 - SAME_SITES);
        worst.seen = Some((lines, no_worse));
        Ok(no_worse)
    }
}

struct Search<'a> {
    asked: &'a Asked<'a>,
    family: Family<'a>,
    best: Option<Best>,
}

impl Asked<'_> {
    /// Whether the family has a feasible strip for these checks.
    pub fn calibrated_exists(&self, sites: &[u32], watch: &dyn Watch) -> Result<bool, Error> {
        if let Dispersion::KInterval { .. } = self.design.dispersion {
            return Ok(self.calibrated(sites, watch)?.is_some());
        }
        let mut search = Search { asked: self, family: Family::new(self, sites, watch)?, best: None };
        search.over_cuts(|search, from, end| Ok(!search.family.narrowest(from, end, &mut never)?.is_empty()))
    }

    /// The calibrated lines for these checks; `None` where the family has none.
    pub fn calibrated(&self, sites: &[u32], watch: &dyn Watch) -> Result<Option<Lines>, Error> {
        let derive = |asked: &Self| {
            let mut search = Search { asked, family: Family::new(asked, sites, watch)?, best: None };
            search.over_cuts(|search, from, end| search.consider(from, end).map(|()| false))?;
            search.best.as_ref().map(|best| search.family.lines(&best.strip, best.end)).transpose()
        };
        self.at_every_k(|lines: &Lines| Ok(Cow::Borrowed(lines)), derive, watch)
    }
}

impl Search<'_> {
    /// Hands each cut that may be better than the best, with the lines of a strip inside all its feasible ones, to
    /// `enough`, until that is true; whether it was.
    fn over_cuts(
        &mut self,
        mut enough: impl FnMut(&mut Self, Places, End) -> Result<bool, Error>,
    ) -> Result<bool, Error> {
        let innermost = Places::INNERMOST;
        if self.asked.design.closing == Closing::Undecided {
            return enough(self, innermost, End::Lines);
        }
        let close = self.family.forecast.of_changes(CLOSE);
        let Some((inner, _)) = self.family.outwards(innermost, NO_CALL, close, &mut never)? else { return Ok(false) };
        let (start, mut stride) = self.start()?;
        // The second direction goes on from where the first one began.
        let mut near_start = self.family.last;
        for (first, step) in [(start, stride), (start - stride, -stride)] {
            self.family.last = near_start;
            let (mut from, mut cut, mut fewer) = (inner, first, true);
            while cut >= 0 {
                if !fewer {
                    // Inside the strips of this cut and of all further on.
                    let only = match step {
                        1.. => End::Only { inadequate_at_most: Some(cut), adequate_at_least: None },
                        _ => End::Only { inadequate_at_most: None, adequate_at_least: Some(cut + 1) },
                    };
                    let Self { family, best, .. } = self;
                    // Where no cut does yet, whether any further on could is to be known.
                    let close = if best.is_some() { close } else { 0.0 };
                    let mut enough = |family: &mut Family<'_>, lines| Best::is_no_worse(best, family, lines);
                    match family.outwards(from, only, close, &mut enough)? {
                        Some((bound, _)) if !enough(family, bound)? => from = bound,
                        _ => break,
                    }
                }
                if enough(self, from, End::Cut(cut))? {
                    return Ok(true);
                }
                if cut == start {
                    near_start = self.family.last;
                }
                fewer = self.best.as_ref().is_some_and(|best| best.end == End::Cut(cut));
                cut += step;
            }
        }
        while let (2.., Some(Best { end: End::Cut(best), .. })) = (stride, &self.best) {
            let best = *best;
            stride = (stride / 4).max(1);
            for cut in [-3, -2, -1, 1, 2, 3].map(|i| best + i * stride).into_iter().filter(|&cut| cut >= 0) {
                if enough(self, inner, End::Cut(cut))? {
                    return Ok(true);
                }
            }
        }
        Ok(false)
    }

    /// A cut to begin with, of those a fixed plan at the cap could have the one nearest the middle line, or
    /// the first that keeps the false-adequate risk; and the steps from there.
    fn start(&self) -> Result<(Total, Total), Error> {
        let (cap, watch) = (self.family.cap(), self.family.watch);
        let middle = self.asked.wald()?.middle_cut(cap);
        match self.asked.cuts(cap, watch)? {
            Some((first, last)) => Ok((middle.clamp(first, last), ((last - first) / MANY_CUTS).max(1))),
            None => Ok((self.asked.cut(cap, watch)?.cut, 1)),
        }
    }

    /// Takes the narrowest strips of a cut into account.
    fn consider(&mut self, from: Places, end: End) -> Result<(), Error> {
        let Self { family, best, .. } = self;
        for strip in family.narrowest(from, end, &mut |family, lines| Best::is_no_worse(best, family, lines))? {
            if best.is_none() {
                *best = Some(Best { strip, end, worst: None });
                continue;
            }
            if Best::is_no_worse(best, family, strip.places)? {
                continue;
            }
            let before = best.as_ref().and_then(|best| best.worst.as_ref());
            let worst = Worst::of(family, strip.places, before)?;
            if before.is_none_or(|before| worst.expected_sites < before.expected_sites * (1.0 - SAME_SITES)) {
                *best = Some(Best { strip, end, worst: Some(worst) });
            }
        }
        Ok(())
    }
}
