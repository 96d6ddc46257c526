//! Eight means, each a tilt of the reference: factors, and what is known of each so far.
//!
//! A mean whose factor came near the end of the range of numbers is found out by [`Eight::sound`].
#![allow(clippy::indexing_slicing)] // eight lanes
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::dispatch::PlainWork;
use super::vector::{LANE, Octet};
use crate::elementary::exp;
use crate::law::{Family, Tilt};
use crate::lines::Call;

/// Totals and sites after which a factor is taken anew from its logarithm: its rounding grows with them.
pub(super) const FRESH: u64 = 255;
/// Totals summed without a new factor.
pub(super) const SEGMENT: usize = 240;
/// Totals and sites after which the logarithm of the factor is looked at, twice as many at most, …
pub(super) const LOOK: u64 = 32;
/// … where it must be at most this (e^±414 = 1e±180); …
const LARGEST_LN: f64 = 414.0;
/// … a total and a site may change it by at most this, so that it stays within 1e±291 between two looks, …
const STEEPEST: f64 = 4.0;
/// … and a batch by at most this: then no factor came near the end of the range of numbers.
const STEEPEST_BATCH: f64 = 150.0;

/// Mass left open, times the sites still to come, of which nothing more is added: it could change no sum by as much as
/// its rounding.
const NEGLIGIBLE: f64 = f64::EPSILON / 4.0;

/// Eight means as the checks pass.
#[derive(Debug, Clone)]
pub(crate) struct Eight {
    /// Factor per unit of the total, and per site, with their logarithms.
    pub ratio: Octet,
    pub site: Octet,
    pub ln_ratio: Octet,
    pub ln_site: Octet,
    /// ρᵀcⁿ at the first open total of the check before.
    pub(super) factor: Octet,
    /// Largest logarithm of a factor met, of either sign.
    largest_ln: Octet,
    /// Mass still open.
    pub(super) left: Octet,
    /// P(call) so far, in the order of [`Call::ALL`].
    pub calls: [Octet; Call::ALL.len()],
    /// Expected sites so far.
    pub sites: Octet,
}

impl Eight {
    /// The reference itself, eight times, before the first check.
    pub const START: Self = Self {
        ratio: Octet::ONE,
        site: Octet::ONE,
        ln_ratio: Octet::ZERO,
        ln_site: Octet::ZERO,
        factor: Octet::ONE,
        largest_ln: Octet::ZERO,
        left: Octet::ONE,
        calls: [Octet::ZERO; Call::ALL.len()],
        sites: Octet::ZERO,
    };

    /// What these tilts make of a reference, before the first check.
    pub fn tilted(tilt: impl Fn(usize) -> Tilt) -> Self {
        let mut eight = Self::START;
        for l in 0..LANE {
            let Tilt { ln_ratio, ln_site } = tilt(l);
            (eight.ln_ratio.0[l], eight.ln_site.0[l]) = (ln_ratio, ln_site);
            (eight.ratio.0[l], eight.site.0[l]) = (exp(ln_ratio), exp(ln_site));
        }
        eight
    }

    /// Takes note of how large or small the factor is here.
    #[inline(always)]
    pub fn look(&mut self, sites: u32, total: i64, exponent: i32) {
        let ln = self.ln_factor(sites, total, exponent);
        for l in 0..LANE {
            let (ln, largest) = (ln.0[l].abs(), &mut self.largest_ln.0[l]);
            *largest = if ln > *largest { ln } else { *largest };
        }
    }

    /// ln ρᵀcⁿ, where 2^`exponent` was taken out.
    #[inline(always)]
    pub(super) fn ln_factor(&self, sites: u32, total: i64, exponent: i32) -> Octet {
        #[allow(clippy::cast_precision_loss)] // totals stay below 2⁵³
        let (sites, total) = (f64::from(sites), total as f64);
        let lift = f64::from(exponent) * core::f64::consts::LN_2;
        let mut ln = Octet::ZERO;
        for l in 0..LANE {
            ln.0[l] = sites * self.ln_site.0[l] + total * self.ln_ratio.0[l] + lift;
        }
        ln
    }

    /// P(this call) at the mean of a lane.
    pub fn call(&self, call: Call, lane: usize) -> f64 {
        self.calls[call as usize].0[lane]
    }

    /// What makes a probability at the reference one at the mean of a lane, with 2^`exponent` taken out.
    pub fn factor_at(&self, lane: usize, (sites, total, exponent): (u32, i64, i32)) -> f64 {
        exp(self.ln_factor(sites, total, exponent).0[lane])
    }

    /// Adds to `sums` the running sums of probabilities at the reference, made those at the mean of a lane, the first at
    /// these sites and this total, with 2^`exponent` taken out.
    pub fn running(&self, lane: usize, (sites, total, exponent): (u32, i64, i32), q: &[f64], sums: &mut Vec<f64>) {
        let (mut sum, ratio) = (0.0, self.ratio.0[lane]);
        for (start, part) in (0_i64..).step_by(SEGMENT).zip(q.chunks(SEGMENT)) {
            let mut factor = self.factor_at(lane, (sites, total + start, exponent));
            sums.extend(part.iter().map(|q| {
                sum += q * factor;
                factor *= ratio;
                sum
            }));
        }
    }

    /// Gives the call of every uppermost stop what is missing from 1.
    #[inline(always)]
    fn finish(&mut self, top: Call) {
        let mut others = [0.0; LANE];
        for c in 0..Call::ALL.len() {
            if c != top as usize {
                for l in 0..LANE {
                    others[l] += self.calls[c].0[l];
                }
            }
        }
        // A difference: a tiny probability has absolute accuracy only, and rounding may take it below 0.
        let rest = &mut self.calls[top as usize];
        for l in 0..LANE {
            rest.0[l] = if others[l] < 1.0 { 1.0 - others[l] } else { 0.0 };
        }
    }

    /// Is so little left open at every mean that nothing more comes of it in as many sites?
    #[inline(always)]
    pub fn is_settled(&self, sites: f64) -> bool {
        let mut settled = true;
        for l in 0..LANE {
            settled &= self.left.0[l] * sites <= NEGLIGIBLE;
        }
        settled
    }

    /// Did everything of each mean stay in the range of numbers, with batches of at most `largest` sites?
    pub fn sound(&self, largest: u32) -> [bool; LANE] {
        let batch = if u64::from(largest) > FRESH { 1.0 } else { f64::from(largest) };
        let sane = |p: f64| (0.0..=1.5).contains(&p);
        let mut sound = [true; LANE];
        for l in 0..LANE {
            let ln_site = self.ln_site.0[l].abs();
            sound[l] = (self.largest_ln.0[l] <= LARGEST_LN)
                & (self.ln_ratio.0[l].abs() <= STEEPEST)
                & (ln_site <= STEEPEST)
                & (ln_site * batch <= STEEPEST_BATCH)
                & sane(self.left.0[l]);
        }
        for calls in &self.calls {
            for l in 0..LANE {
                sound[l] &= sane(calls.0[l]);
            }
        }
        sound
    }
}

/// Eights of means (a share for the binomial family) tilted from a reference, before the first check.
pub(crate) struct Settle<'a> {
    pub family: Family,
    pub reference: f64,
    pub means: &'a [f64],
    pub eights: &'a mut Vec<Eight>,
}

impl PlainWork for Settle<'_> {
    type Result = ();

    #[inline(always)]
    fn run(self) {
        let Self { family, reference, means, eights } = self;
        macro_rules! settle {
            ($family:expr) => {
                for (means, eight) in means.chunks(LANE).zip(&mut *eights) {
                    let mut lanes = [means[means.len() - 1]; LANE];
                    lanes[..means.len()].copy_from_slice(means);
                    for l in 0..LANE {
                        let tilt = $family.tilt(reference, lanes[l]);
                        (eight.ln_ratio.0[l], eight.ln_site.0[l]) = (tilt.ln_ratio, tilt.ln_site);
                    }
                    for l in 0..LANE {
                        eight.ratio.0[l] = exp(eight.ln_ratio.0[l]);
                        eight.site.0[l] = exp(eight.ln_site.0[l]);
                    }
                }
            };
        }
        eights.clear();
        eights.resize(means.len().div_ceil(LANE), Eight::START);
        // One loop a family, so that it can be put in vectors.
        match family {
            Family::Poisson => settle!(Family::Poisson),
            Family::NegBin { k } => settle!(Family::NegBin { k }),
            Family::Binomial { units } => settle!(Family::Binomial { units }),
        }
    }
}

/// Gives the call of every uppermost stop, if they have one call, what is missing from 1.
pub(crate) struct Finish<'a> {
    pub top: Option<Call>,
    pub eights: &'a mut [Eight],
}

impl PlainWork for Finish<'_> {
    type Result = ();

    #[inline(always)]
    fn run(self) {
        if let Some(top) = self.top {
            for eight in self.eights {
                eight.finish(top);
            }
        }
    }
}
