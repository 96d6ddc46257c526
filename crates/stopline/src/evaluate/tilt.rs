//! From the recursion at one reference to many means: Σ q[T]·ρᵀcⁿ over the totals of every check.
//!
//! A block of means goes through the checks together, one mean a lane. The factor ρᵀcⁿ follows the first open
//! total from check to check, and is taken anew from its logarithm before rounding adds up; the totals of
//! a check are summed by Horner's rule.
#![allow(clippy::indexing_slicing)] // lengths are fixed by `windows`; slices are cut once per row
#![allow(clippy::cast_possible_wrap)] // windows in memory
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use super::dispatch::VectorWork;
use super::eight::{Eight, FRESH, LOOK, SEGMENT};
use super::kernel::{Filled, Stretch, room};
use super::vector::{LANE, Octet, Vector};
use super::windows::{Part, Window};
use crate::elementary::exp;
use crate::lines::Call;
use core::hint::cold_path;

/// Checks taken into account before it is looked at what is left of each eight.
const TOGETHER: usize = 16;

/// Where the factors stand: the first open total of the check before.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Place {
    sites: u32,
    total: i64,
    /// Totals and sites since the factor was taken from its logarithm, and since that was looked at.
    since: u64,
    unseen: u64,
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
    cold_path();
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
    let (mut pairs, last) = q.as_chunks::<2>();
    let mut sum = [V::all(0.0); N];
    if let [last] = last {
        sum = [V::all(*last); N];
    } else if let Some(([next, last], others)) = pairs.split_last() {
        for n in 0..N {
            sum[n] = V::all(*last).times_plus(ratio[n], V::all(*next));
        }
        pairs = others;
    }
    for q in pairs.iter().rev() {
        for &q in q.iter().rev() {
            let q = V::all(q);
            for n in 0..N {
                sum[n] = sum[n].times_plus(ratio[n], q);
            }
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

/// At most W vectors at a time, some checks at a time.
#[inline(always)]
fn follow<V: Vector, const W: usize>(Follow { filled, place, mut eights, sites, open }: Follow<'_, '_>) {
    let Filled { stretch, cells, exponents } = *filled;
    let Stretch { parts, top, mut exponent, came_in, cap, .. } = *stretch;
    let mut cells = &cells[room(came_in)..];
    for (rows, exponents) in stretch.rows.chunks(TOGETHER).zip(exponents.chunks(TOGETHER)) {
        if open.is_empty() {
            eights = unsettled(eights, f64::from(cap - place.sites));
        }
        let checks = Checks { rows, parts, top, cells, exponents, exponent };
        let from = *place;
        let mut looked = from;
        look(&checks, &mut looked, eights);
        let (mut rest, mut open) = (&mut *eights, &mut *open);
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
                            group::<V, $v, true>(&checks, place, eights, masses);
                        } else {
                            group::<V, $v, false>(&checks, place, eights, masses);
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
        exponent = exponents.last().copied().unwrap_or(exponent);
        cells = &cells[rows.iter().map(|row| room(row.len)).sum()..];
    }
}

/// Without those at either end of whom so little is left open that nothing more comes of it in as many sites.
#[inline(always)]
fn unsettled(mut eights: &mut [Eight], sites: f64) -> &mut [Eight] {
    while let Some((_, others)) = eights.split_last().filter(|(last, _)| last.is_settled(sites)) {
        let count = others.len();
        eights = &mut eights[..count];
    }
    while eights.first().is_some_and(|first| first.is_settled(sites)) {
        eights = &mut eights[1..];
    }
    eights
}

/// Some checks of a stretch one after another.
struct Checks<'a> {
    rows: &'a [Window],
    parts: &'a [Part],
    top: Option<Call>,
    /// Theirs are the first.
    cells: &'a [f64],
    exponents: &'a [i32],
    /// Of the check before.
    exponent: i32,
}

#[inline(always)]
fn group<V: Vector, const N: usize, const SITES: bool>(
    checks: &Checks<'_>,
    place: &mut Place,
    eights: &mut [Eight; N],
    open_masses: &mut [&mut [Octet]],
) {
    let Checks { rows, top, cells, exponents, exponent: mut exponent_before, .. } = *checks;
    let (ratio, site) = (loaded(eights, |e| &e.ratio), loaded(eights, |e| &e.site));
    // What changes from check to check, to be held in registers; the factor is ρᵀcⁿ.
    let (mut factor, mut left) = (loaded(eights, |e| &e.factor), loaded(eights, |e| &e.left));
    let mut expected = loaded(eights, |e| &e.sites);
    let Place { mut sites, mut total, mut since, .. } = *place;
    let mut calls: Stopped<V, N> = core::array::from_fn(|c| loaded(eights, |e| &e.calls[c]));
    let mut rest = cells;
    for (row, &exponent) in rows.iter().zip(exponents) {
        let (q, others) = rest.split_at(room(row.len));
        let q = &q[..row.len];
        rest = others;
        let gap = row.at - sites;
        if SITES {
            if gap == 1 {
                add(&mut expected, &left);
            } else {
                add_product(&mut expected, &[V::all(f64::from(gap)); N], &left);
            }
        }
        // From the first open total of the check before to the first total of this window.
        let moved = (row.base - total).unsigned_abs();
        since += u64::from(gap) + moved;
        if moved != 0 || since > FRESH || exponent != exponent_before {
            cold_path();
            factor = fresh(eights, row.at, row.base, exponent);
            since = 0;
        } else {
            raise(&mut factor, &site, u64::from(gap));
        }
        exponent_before = exponent;
        if row.plain && top.is_some() {
            let (low, open) = q.split_at(row.open.0);
            if !low.is_empty() {
                add_product(&mut calls[row.low as usize], &polynomial(low, &ratio), &factor);
                raise(&mut factor, &ratio, low.len() as u64);
                since += low.len() as u64;
            }
            if SITES {
                left = polynomial(open, &ratio);
                multiply(&mut left, &factor);
            }
        } else {
            cold_path();
            let mut state = State { factor, left, since };
            runs::<V, N, SITES>(checks, row, q, exponent, &ratio, eights, &mut state, &mut calls);
            State { factor, left, since } = state;
        }
        (sites, total) = (row.at, row.base + row.open.0 as i64);
        if SITES && !open_masses.is_empty() {
            cold_path();
            let left = left;
            for (masses, left) in open_masses.iter_mut().zip(&left) {
                if let Some((mass, rest)) = core::mem::take(masses).split_first_mut() {
                    left.store(&mut mass.0);
                    *masses = rest;
                }
            }
        }
    }
    *place = Place { sites, total, since, ..*place };
    kept(&factor, eights, |e| &mut e.factor);
    kept(&left, eights, |e| &mut e.left);
    kept(&expected, eights, |e| &mut e.sites);
    for (c, calls) in calls.iter().enumerate() {
        kept(calls, eights, |e| &mut e.calls[c]);
    }
}

/// P(call) so far.
type Stopped<V, const N: usize> = [Lanes<V, N>; Call::ALL.len()];

/// How a check with any runs changes what is held of the means.
struct State<V, const N: usize> {
    factor: Lanes<V, N>,
    left: Lanes<V, N>,
    since: u64,
}

/// A check with any runs of stops and open totals, where the uppermost stops may have several calls.
#[inline(always)]
#[allow(clippy::too_many_arguments)]
fn runs<V: Vector, const N: usize, const SITES: bool>(
    checks: &Checks<'_>,
    row: &Window,
    q: &[f64],
    exponent: i32,
    ratio: &Lanes<V, N>,
    eights: &[Eight; N],
    state: &mut State<V, N>,
    calls: &mut Stopped<V, N>,
) {
    let (mut here, mut since) = (state.factor, state.since);
    let (mut open, mut stopped) = ([V::all(0.0); N], [V::all(0.0); N]);
    for part in &checks.parts[row.parts.0..row.parts.1] {
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
                        add(&mut calls[call as usize], &sums);
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
    if checks.top.is_none() {
        let mut above = state.left;
        subtract(&mut above, &stopped);
        subtract(&mut above, &open);
        add(&mut calls[call as usize], &above);
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
fn look(checks: &Checks<'_>, place: &mut Place, eights: &mut [Eight]) {
    let Place { mut sites, mut total, mut unseen, .. } = *place;
    let (mut rows, mut exponents) = (checks.rows, checks.exponents);
    // Totals never fall: where the last of these checks is near, it is enough to look there.
    if let ([.., last], [.., _]) = (rows, exponents) {
        let far = u64::from(last.at - sites) + (last.base + last.open.0 as i64 - total).unsigned_abs();
        if far <= LOOK {
            (rows, exponents) = (&rows[rows.len() - 1..], &exponents[exponents.len() - 1..]);
        }
    }
    for (row, &exponent) in rows.iter().zip(exponents) {
        let open = row.base + row.open.0 as i64;
        unseen += u64::from(row.at - sites) + (open - total).unsigned_abs();
        (sites, total) = (row.at, open);
        if unseen >= LOOK {
            unseen = 0;
            for eight in &mut *eights {
                eight.look(sites, total, exponent);
            }
        }
    }
    *place = Place { sites, total, unseen, ..*place };
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
