//! From the recursion at one reference to many means: Σ q[T]·ρᵀcⁿ over the totals of every check.
//!
//! A block of means goes through the checks together, one mean a lane. The factor ρᵀcⁿ follows the first open
//! total from check to check, and is taken anew from its logarithm before rounding adds up; the totals of
//! a check are summed by Horner's rule. A mean whose factor came near the end of the range of numbers is
//! found out by [`Eight::sound`].
#![allow(clippy::indexing_slicing)] // lengths are fixed by `windows`; slices are cut once per row
#![allow(clippy::cast_possible_wrap)] // windows in memory
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::dispatch::{PlainWork, VectorWork};
use super::kernel::{Filled, room};
use super::vector::{LANE, Octet, Vector};
use super::windows::{Part, Window};
use crate::elementary::exp;
use crate::law::{Family, Tilt};
use crate::lines::Call;

/// Totals and sites after which a factor is taken anew from its logarithm: its rounding grows with them.
pub(super) const FRESH: u64 = 255;
/// Totals summed without a new factor.
pub(crate) const SEGMENT: usize = 240;
/// Totals and sites after which the logarithm of the factor is looked at, …
pub(super) const LOOK: u64 = 32;
/// … where it must be at most this (e^±414 = 1e±180); …
const LARGEST_LN: f64 = 414.0;
/// … a total and a site may change it by at most this, so that it stays within 1e±235 between two looks, …
const STEEPEST: f64 = 4.0;
/// … and a batch by at most this: then no factor came near the end of the range of numbers.
const STEEPEST_BATCH: f64 = 150.0;

/// Eight means as the checks pass.
#[derive(Debug, Clone)]
pub(crate) struct Eight {
    /// Factor per unit of the total, and per site, with their logarithms.
    pub ratio: Octet,
    pub site: Octet,
    pub ln_ratio: Octet,
    pub ln_site: Octet,
    /// ρᵀcⁿ at the first open total of the check before.
    factor: Octet,
    /// Largest logarithm of a factor met, of either sign.
    largest_ln: Octet,
    /// Mass still open.
    left: Octet,
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
    fn ln_factor(&self, sites: u32, total: i64, exponent: i32) -> Octet {
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

/// Where the factors stand: the first open total of the check before.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Place {
    sites: u32,
    total: i64,
    /// Totals and sites since the factor was taken from its logarithm, and since that was looked at.
    since: u64,
    unseen: u64,
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

/// N vectors of means.
type Lanes<V, const N: usize> = [V; N];

#[inline(always)]
fn multiply<V: Vector, const N: usize>(a: &mut Lanes<V, N>, b: &Lanes<V, N>) {
    for (a, b) in a.iter_mut().zip(b) {
        *a = a.times(*b);
    }
}

#[inline(always)]
fn add<V: Vector, const N: usize>(sum: &mut Lanes<V, N>, a: &Lanes<V, N>) {
    for (sum, a) in sum.iter_mut().zip(a) {
        *sum = sum.plus(*a);
    }
}

#[inline(always)]
pub(super) fn add_product<V: Vector, const N: usize>(sum: &mut Lanes<V, N>, a: &Lanes<V, N>, b: &Lanes<V, N>) {
    for n in 0..N {
        sum[n] = a[n].times_plus(b[n], sum[n]);
    }
}

#[inline(always)]
fn loaded<V: Vector, const N: usize>(eights: &[Eight; N], of: impl Fn(&Eight) -> &Octet) -> Lanes<V, N> {
    eights.each_ref().map(|eight| V::load(of(eight)))
}

#[inline(always)]
fn kept<V: Vector, const N: usize>(
    lanes: &Lanes<V, N>,
    eights: &mut [Eight; N],
    of: impl Fn(&mut Eight) -> &mut Octet,
) {
    for (lanes, eight) in lanes.iter().zip(eights) {
        lanes.store(&mut of(eight).0);
    }
}

/// Times the n-th power.
#[inline(always)]
pub(super) fn raise<V: Vector, const N: usize>(factor: &mut Lanes<V, N>, x: &Lanes<V, N>, n: u64) {
    if n == 1 {
        return multiply(factor, x);
    }
    let (mut power, mut rest) = (*x, n);
    while rest > 0 {
        if rest % 2 == 1 {
            multiply(factor, &power);
        }
        rest /= 2;
        if rest > 0 {
            let same = power;
            multiply(&mut power, &same);
        }
    }
}

/// Σ q[j]·ρʲ by Horner's rule.
#[inline(always)]
pub(super) fn polynomial<V: Vector, const N: usize>(q: &[f64], ratio: &Lanes<V, N>) -> Lanes<V, N> {
    let Some((&last, rest)) = q.split_last() else { return [V::all(0.0); N] };
    let mut sum = [V::all(last); N];
    for &q in rest.iter().rev() {
        let q = V::all(q);
        for n in 0..N {
            sum[n] = sum[n].times_plus(ratio[n], q);
        }
    }
    sum
}

/// Takes a stretch of checks into account for all means.
pub(crate) struct Follow<'a, 'b> {
    pub filled: &'a Filled<'a>,
    pub place: &'a mut Place,
    pub eights: &'a mut [Eight],
    /// Is the open mass followed, or only the calls below the uppermost stop?
    pub sites: bool,
    /// Where the open mass after each check from here on is kept, if it is asked for.
    pub open: &'a mut [&'b mut [Octet]],
}

impl VectorWork for Follow<'_, '_> {
    type Result = ();

    #[inline(always)]
    fn run<V: Vector>(self) {
        if V::BESIDE == 1 { follow::<V, 3>(self) } else { follow::<V, 6>(self) }
    }
}

/// At most W vectors at a time.
#[inline(always)]
fn follow<V: Vector, const W: usize>(Follow { filled, place, eights, sites, open, .. }: Follow<'_, '_>) {
    let from = *place;
    let mut looked = from;
    look(filled, &mut looked, eights);
    let (mut rest, mut open) = (eights, open);
    while !rest.is_empty() {
        let groups = rest.len().div_ceil(W);
        let size = rest.len().div_ceil(groups);
        let (eights, others) = rest.split_at_mut(size);
        let kept = size.min(open.len());
        let (masses, other_masses) = open.split_at_mut(kept);
        *place = from;
        macro_rules! group {
            ($v:literal) => {
                if let Ok(eights) = eights.try_into() {
                    if sites {
                        group::<V, $v, true>(filled, place, eights, masses);
                    } else {
                        group::<V, $v, false>(filled, place, eights, masses);
                    }
                }
            };
        }
        match size {
            1 => group!(1),
            2 => group!(2),
            3 => group!(3),
            4 if W > 3 => group!(4),
            5 if W > 3 => group!(5),
            _ if W > 3 => group!(6),
            _ => {}
        }
        (rest, open) = (others, other_masses);
    }
    place.unseen = looked.unseen;
}

/// What changes from check to check.
#[derive(Clone, Copy)]
struct State<V, const N: usize> {
    /// ρᵀcⁿ.
    factor: Lanes<V, N>,
    left: Lanes<V, N>,
    sites: Lanes<V, N>,
    calls: [Lanes<V, N>; Call::ALL.len()],
    since: u64,
}

#[inline(always)]
fn group<V: Vector, const N: usize, const SITES: bool>(
    filled: &Filled<'_>,
    place: &mut Place,
    eights: &mut [Eight; N],
    open_masses: &mut [&mut [Octet]],
) {
    let Filled { stretch, cells, exponents } = *filled;
    let (ratio, site) = (loaded(eights, |e| &e.ratio), loaded(eights, |e| &e.site));
    let mut state: State<V, N> = State {
        factor: loaded(eights, |e| &e.factor),
        left: loaded(eights, |e| &e.left),
        sites: loaded(eights, |e| &e.sites),
        calls: core::array::from_fn(|c| loaded(eights, |e| &e.calls[c])),
        since: place.since,
    };
    let mut at = room(stretch.came_in);
    let mut exponent_before = stretch.exponent;
    for (row, &exponent) in stretch.rows.iter().zip(exponents) {
        let q = &cells[at..at + row.len];
        at += room(row.len);
        let gap = row.at - place.sites;
        if SITES {
            add_product(&mut state.sites, &[V::all(f64::from(gap)); N], &state.left);
        }
        // From the first open total of the check before to the first total of this window.
        let moved = (row.base - place.total).unsigned_abs();
        state.since += u64::from(gap) + moved;
        if moved != 0 || state.since > FRESH || exponent != exponent_before {
            state.factor = fresh(eights, row.at, row.base, exponent);
            state.since = 0;
        } else {
            raise(&mut state.factor, &site, u64::from(gap));
        }
        exponent_before = exponent;
        if row.plain && stretch.top.is_some() {
            let (low, open) = q.split_at(row.open.0);
            if !low.is_empty() {
                let call = stretch.parts[row.parts.0].call.unwrap_or(Call::Inadequate);
                add_product(&mut state.calls[call as usize], &polynomial(low, &ratio), &state.factor);
                raise(&mut state.factor, &ratio, low.len() as u64);
                state.since += low.len() as u64;
            }
            if SITES {
                state.left = polynomial(open, &ratio);
                multiply(&mut state.left, &state.factor);
            }
        } else {
            let mut other = state;
            runs::<V, N, SITES>(filled, row, q, exponent, &ratio, eights, &mut other);
            state = other;
        }
        (place.sites, place.total) = (row.at, row.base + row.open.0 as i64);
        if SITES {
            for (masses, left) in open_masses.iter_mut().zip(&state.left) {
                if let Some((mass, rest)) = core::mem::take(masses).split_first_mut() {
                    left.store(&mut mass.0);
                    *masses = rest;
                }
            }
        }
    }
    place.since = state.since;
    kept(&state.factor, eights, |e| &mut e.factor);
    kept(&state.left, eights, |e| &mut e.left);
    kept(&state.sites, eights, |e| &mut e.sites);
    for (c, calls) in state.calls.iter().enumerate() {
        kept(calls, eights, |e| &mut e.calls[c]);
    }
}

/// A check with any runs of stops and open totals, where the uppermost stops may have several calls.
#[inline(always)]
fn runs<V: Vector, const N: usize, const SITES: bool>(
    filled: &Filled<'_>,
    row: &Window,
    q: &[f64],
    exponent: i32,
    ratio: &Lanes<V, N>,
    eights: &[Eight; N],
    state: &mut State<V, N>,
) {
    let (mut here, mut since) = (state.factor, state.since);
    let (mut open, mut stopped) = ([V::all(0.0); N], [V::all(0.0); N]);
    for part in &filled.stretch.parts[row.parts.0..row.parts.1] {
        if part.call.is_none() && part.start == row.open.0 {
            (state.factor, state.since) = (here, since);
        }
        let mut from = part.start;
        while from < part.end {
            let to = part.end.min(from + SEGMENT);
            if SITES || part.call.is_some() {
                let mut sums = polynomial(&q[from..to], ratio);
                multiply(&mut sums, &here);
                let into = match part.call {
                    Some(call) => {
                        add(&mut state.calls[call as usize], &sums);
                        &mut stopped
                    }
                    None => &mut open,
                };
                add(into, &sums);
            }
            since += (to - from) as u64;
            if since > FRESH {
                here = fresh(eights, row.at, row.base + to as i64, exponent);
                since = 0;
            } else {
                raise(&mut here, ratio, (to - from) as u64);
            }
            from = to;
        }
    }
    if !SITES {
        return;
    }
    let Some(call) = row.top else {
        subtract(&mut state.left, &stopped);
        return;
    };
    if filled.stretch.top.is_none() {
        let mut above = state.left;
        subtract(&mut above, &stopped);
        subtract(&mut above, &open);
        add(&mut state.calls[call as usize], &above);
    }
    state.left = open;
}

/// A difference of masses: a tiny one has absolute accuracy only, and rounding may take it below 0.
#[inline(always)]
fn subtract<V: Vector, const N: usize>(a: &mut Lanes<V, N>, b: &Lanes<V, N>) {
    for (a, b) in a.iter_mut().zip(b) {
        let (mut rest, mut less) = (Octet::ZERO, Octet::ZERO);
        a.store(&mut rest.0);
        b.store(&mut less.0);
        for l in 0..LANE {
            let left = rest.0[l] - less.0[l];
            rest.0[l] = if left > 0.0 { left } else { 0.0 };
        }
        *a = V::load(&rest);
    }
}

/// The factors at (sites, total) from their logarithms.
#[inline(always)]
pub(super) fn fresh<V: Vector, const N: usize>(
    eights: &[Eight; N],
    sites: u32,
    total: i64,
    exponent: i32,
) -> Lanes<V, N> {
    let mut factors = [V::all(0.0); N];
    for (factors, eight) in factors.iter_mut().zip(eights) {
        *factors = V::load(&Octet(eight.ln_factor(sites, total, exponent).0.map(exp)));
    }
    factors
}

/// Looks at the logarithms of the factors now and then, as far as the checks went.
#[inline(always)]
pub(crate) fn look(filled: &Filled<'_>, place: &mut Place, eights: &mut [Eight]) {
    for (row, &exponent) in filled.stretch.rows.iter().zip(filled.exponents) {
        let total = row.base + row.open.0 as i64;
        place.unseen += u64::from(row.at - place.sites) + (total - place.total).unsigned_abs();
        (place.sites, place.total) = (row.at, total);
        if place.unseen >= LOOK {
            place.unseen = 0;
            for eight in &mut *eights {
                eight.look(row.at, total, exponent);
            }
        }
    }
}

/// Takes the calls of a check into account whose probabilities `q` differ from lane to lane; its stops come before
/// its open totals.
#[inline(always)]
pub(crate) fn pass<V: Vector>(row: &Window, parts: &[Part], q: &[Octet], place: &mut Place, eights: &mut [Eight]) {
    let (gap, moved) = (row.at - place.sites, (row.base - place.total).unsigned_abs());
    let since = place.since + u64::from(gap) + moved;
    let anew = moved != 0 || since > FRESH;
    let first_open = row.base + row.open.0 as i64;
    for eight in &mut *eights {
        let mut factor = if anew {
            [V::load(&Octet(eight.ln_factor(row.at, row.base, 0).0.map(exp)))]
        } else {
            let mut factor = [V::load(&eight.factor)];
            raise(&mut factor, &[V::load(&eight.site)], u64::from(gap));
            factor
        };
        let ratio = [V::load(&eight.ratio)];
        for part in parts {
            let Some(call) = part.call else { break };
            let mut sum = [V::all(0.0)];
            for q in q[part.start..part.end].iter().rev() {
                sum = [sum[0].times(ratio[0]).plus(V::load(q))];
            }
            let calls = &mut eight.calls[call as usize];
            V::load(calls).plus(sum[0].times(factor[0])).store(&mut calls.0);
            raise(&mut factor, &ratio, (part.end - part.start) as u64);
        }
        factor[0].store(&mut eight.factor.0);
    }
    place.since = if anew { 0 } else { since } + row.open.0 as u64;
    place.unseen += u64::from(gap) + (first_open - place.total).unsigned_abs();
    (place.sites, place.total) = (row.at, first_open);
    if place.unseen >= LOOK {
        place.unseen = 0;
        for eight in eights {
            eight.look(row.at, first_open, 0);
        }
    }
}
