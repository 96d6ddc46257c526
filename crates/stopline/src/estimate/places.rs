//! The recursion behind estimates: for each total at each check, the probability of coming there, and
//! the same with every path weighted by the mean of its first batch.
//!
//! A law of one family differs from another by a tilt of the total, so that one recursion serves all means. Totals
//! are reckoned at a reference near their own plain mean, where nothing that matters underflows.
#![allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap, clippy::cast_sign_loss)] // totals are checked against the work

use crate::error::{Code, Error};
use crate::law::{Family, Law, Tilt};
use crate::lines::{Lines, Row};
use crate::score::Total;

/// Multiply-adds of the recursions of one family that are done at most.
const MOST_WORK: f64 = 3e8;
/// A reference serves plain means from a half to twice its own.
const RUNG: f64 = 4.0;
/// Shares of units: the largest that a reference serves, and the reference.
const SHARES: [(f64, f64); 5] = [(0.05, 0.02), (0.35, 0.2), (0.65, 0.5), (0.95, 0.8), (1.0, 0.98)];

/// Where a stop lies between the lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Side {
    /// At a lower line before the last check.
    Low,
    /// Between the lines, or at the last check.
    Middle,
    /// At an upper line before the last check.
    High,
}

impl Side {
    /// Where the stop that holds `total` lies; `None` where the walk goes on.
    pub fn of(row: &Row, total: Total, closing: bool) -> Option<Self> {
        let stop = row.stops.iter().find(|stop| stop.holds(total))?;
        Some(match (stop.from, stop.to) {
            _ if closing => Side::Middle,
            (None, Some(_)) => Side::Low,
            (Some(_), None) => Side::High,
            _ => Side::Middle,
        })
    }
}

/// A total at a check.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub at: u32,
    pub total: Total,
    /// `None` where the walk goes on.
    pub side: Option<Side>,
    /// ln P(coming here) under the reference.
    ln_p: f64,
    /// Mean of a step of the first batch, given that a walk came here.
    pub first: f64,
    reference: usize,
}

/// What is wanted: totals of at most `most` at any check; of stops, those with T/n ≤ `ratio.0/ratio.1`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted {
    pub most: Total,
    pub ratio: Option<(Total, u32)>,
    /// Checks after this many sites are of no interest.
    pub last: u32,
}

impl Wanted {
    /// Largest total of a stop that is wanted at a check.
    fn stop(&self, at: u32) -> Total {
        self.ratio.map_or(self.most, |(total, sites)| {
            let by_ratio = i128::from(total) * i128::from(at) / i128::from(sites.max(1));
            Total::try_from(by_ratio).unwrap_or(Total::MAX).min(self.most)
        })
    }
}

/// All places wanted, of one family of laws.
#[derive(Debug)]
pub(super) struct Places {
    pub list: Vec<Place>,
    references: Vec<Law>,
    work: f64,
}

impl Places {
    /// The places under laws of the family of `law`.
    pub fn of(lines: &Lines, law: &Law, wanted: Wanted) -> Result<Self, Error> {
        let mut places = Self { list: Vec::new(), references: Vec::new(), work: 0.0 };
        if law.family().is_none() {
            places.add(lines, law.clone(), wanted, (f64::NEG_INFINITY, f64::INFINITY))?;
            return Ok(places);
        }
        let most = wanted.most.max(1) as f64;
        let highest = wanted.ratio.map_or(most, |(total, sites)| (total.max(1) as f64) / f64::from(sites.max(1)));
        let rungs: Vec<(f64, f64)> = match law {
            Law::Binomial { units, .. } => {
                SHARES.iter().map(|(to, at)| (to * f64::from(*units), at * f64::from(*units))).collect()
            }
            _ => {
                let smallest = 0.5 / f64::from(lines.cap());
                let mut rungs: Vec<(f64, f64)> =
                    (0..60).map(|i| highest / libm::pow(RUNG, f64::from(i))).map(|to| (to, 0.5 * to)).collect();
                rungs.retain(|rung| rung.0 >= smallest);
                rungs.reverse();
                rungs
            }
        };
        let mut from = f64::NEG_INFINITY;
        let count = rungs.len();
        for (i, (to, mean)) in rungs.into_iter().enumerate() {
            let to = if i + 1 == count { f64::INFINITY } else { to };
            let Some(reference) = law.with_mean(mean) else { return no_family() };
            places.add(lines, reference, wanted, (from, to))?;
            from = to;
        }
        Ok(places)
    }

    /// The places whose plain mean lies in `(from, to]`, under one reference.
    fn add(&mut self, lines: &Lines, law: Law, wanted: Wanted, (from, to): (f64, f64)) -> Result<(), Error> {
        let reference = self.references.len();
        let most = (to * f64::from(lines.cap())).min(wanted.most as f64) as Total;
        let (mut base, mut open): (Total, Vec<[f64; 2]>) = (0, vec![[1.0, 0.0]]);
        let (mut before_at, mut ln_scale) = (0, 0.0);
        let mut batch = Vec::new();
        for row in lines.rows().iter().take_while(|row| row.at <= wanted.last) {
            let closing = row.at == lines.cap();
            let sites = row.at - before_at;
            // Stops beyond what this reference serves are not needed, open totals are.
            let stops = |at: u32| wanted.stop(at).min((to * f64::from(at)).min(wanted.most as f64) as Total);
            let stop_most = stops(row.at);
            // Above the next upper line a walk stops there.
            let mut onwards = lines.rows().iter().skip_while(|next| next.at < row.at);
            let upper = onwards.find_map(|next| Some((next.at, next.highest()?.0)));
            let last = upper.map_or(most, |(at, from)| most.min((from - 1).max(stops(at))));
            let last = law.last(row.at).map_or(last, |most| last.min(most));
            let len = usize::try_from(last - base + 1).unwrap_or(0);
            self.work += len as f64 * (open.len() as f64 + 8.0);
            if self.work > MOST_WORK {
                return Err(Error::new(
                    Code::TooMuchWork,
                    "estimate after stopping",
                    format!("totals up to {last} at {} sites", row.at),
                    "smaller totals or fewer checks",
                ));
            }
            law.batch(sites, len, &mut batch);
            let mut here = vec![[0.0; 2]; len];
            for (j, w) in open.iter().enumerate() {
                for (x, (to, p)) in here.iter_mut().skip(j).zip(&batch).enumerate() {
                    to[0] += w[0] * p;
                    // The first batch itself: a walk of no sites has no mean yet.
                    to[1] += if before_at == 0 { w[0] * p * x as f64 / f64::from(sites) } else { w[1] * p };
                }
            }
            let (mut first_open, mut end_open) = (None, 0);
            let mut largest: f64 = 0.0;
            for (i, (total, p)) in (base..).zip(&mut here).enumerate() {
                let side = Side::of(row, total, closing);
                let plain = total as f64 / f64::from(row.at);
                if p[0] > 0.0 && plain > from && plain <= to && (side.is_none() || total <= stop_most) {
                    let ln_p = libm::log(p[0]) + ln_scale;
                    self.list.push(Place { at: row.at, total, side, ln_p, first: p[1] / p[0], reference });
                }
                if side.is_some() {
                    *p = [0.0; 2];
                } else {
                    first_open = first_open.or(Some(i));
                    end_open = i + 1;
                    largest = largest.max(p[0]);
                }
            }
            let Some(start) = first_open.filter(|_| largest > 0.0) else { break };
            open.clear();
            open.extend(here.iter().take(end_open).skip(start).map(|p| [p[0] / largest, p[1] / largest]));
            base += start as Total;
            ln_scale += libm::log(largest);
            before_at = row.at;
        }
        self.references.push(law);
        Ok(())
    }

    /// About the largest P of each place: under its family's law with its own plain mean.
    pub fn at_own_mean(&self) -> Vec<f64> {
        let own = |place: &Place| {
            let reference = self.references.get(place.reference)?;
            let plain = (place.total as f64).max(1e-3) / f64::from(place.at);
            let tilt = reference.tilt_to(&reference.with_mean(plain)?)?;
            Some(libm::exp(place.ln_p + place.total as f64 * tilt.ln_ratio + f64::from(place.at) * tilt.ln_site))
        };
        self.list.iter().map(|place| own(place).unwrap_or(1.0)).collect()
    }

    /// ln P of each place under `law`, of the same family.
    pub fn under<'a>(&'a self, law: &Law) -> impl Fn(&Place) -> f64 + use<'a> {
        let nowhere = Tilt { ln_ratio: f64::NAN, ln_site: f64::NAN };
        let here = Tilt { ln_ratio: 0.0, ln_site: 0.0 };
        let tilt = |r: &Law| if r == law { here } else { r.tilt_to(law).unwrap_or(nowhere) };
        let tilts: Vec<Tilt> = self.references.iter().map(tilt).collect();
        move |place| {
            let tilt = tilts.get(place.reference).unwrap_or(&nowhere);
            place.ln_p + place.total as f64 * tilt.ln_ratio + f64::from(place.at) * tilt.ln_site
        }
    }
}

/// What places are kept under: a family of laws, or a law that has none.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Kin {
    Family(Family),
    Alone(Law),
}

impl Kin {
    pub fn of(law: &Law) -> Self {
        law.family().map_or_else(|| Self::Alone(law.clone()), |(family, _)| Self::Family(family))
    }
}

/// Laws without a mean of their own have no estimate.
pub(super) fn no_family<T>() -> Result<T, Error> {
    Err(Error::about(Code::Combination, "law of a table", "counts or positive units, whose laws have a mean"))
}
