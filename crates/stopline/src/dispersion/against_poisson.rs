//! Whether the sites of a walk vary more than independent counts would: the exact conditional test.
//!
//! Given their total T, independent counts of n sites with one mean fall like T individuals thrown at
//! sites at random, whatever the mean. Σx² (the index of dispersion Σ(x − m)²/m with T fixed) orders the
//! outcomes; p is the chance of so large a one or larger. It is *exact* by a recursion over sites, over
//! the individuals left and the pairs Σx(x − 1)/2 so far, as long as its work is small; else the
//! individuals are *drawn* and p has a standard error; for totals too large for that, χ² with n − 1 degrees
//! of freedom is very nearly exact (Fisher, Thornton & Mackenzie 1922, Ann. Appl. Biol. 9:325–359).
//!
//! The likelihood-ratio test (half of χ² with one degree, for k at its boundary) is not used: with 20
//! sites its true size is .02 to .03 where .05 is asked.

use super::drawn::{Chance, Draws, How, P, share};
use super::estimate::{Why, nothing_found};
use super::frequencies::Frequencies;
use crate::error::Error;
use crate::special::chi_square_above;
use crate::watch::{Quiet, Watch, tell};
use serde::Serialize;

/// The test of independent counts with one mean.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PoissonTest {
    /// Σ(x − m)²/m.
    pub index_of_dispersion: f64,
    /// P(index so large or larger) for independent counts with this total.
    #[serde(flatten)]
    pub p: P,
}

/// Most steps of the recursion.
const MOST_STEPS: f64 = 3e7;
/// Most individuals thrown.
const MOST_THROWN: f64 = 3e8;

impl Frequencies {
    /// The test of independent counts with one mean against clumped ones.
    ///
    /// # Errors
    /// Why there is nothing to test.
    ///
    /// ```
    /// use stopline::dispersion::{Draws, Frequencies, How};
    /// // Two individuals at two sites: both at one site in half of all cases.
    /// let test = Frequencies::of(&[2, 0])?.against_poisson(Draws::new(999, 1)?).unwrap();
    /// assert_eq!(test.p.how, How::Exact);
    /// assert!((test.p.p - 0.5).abs() < 1e-15);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn against_poisson(&self, draws: Draws) -> Result<PoissonTest, Why> {
        // A watch that never stops the work leaves no other error.
        self.against_poisson_within(draws, MOST_STEPS, MOST_THROWN, &Quiet).unwrap_or(Err(Why::NoSites))
    }

    /// The same, watched.
    ///
    /// # Errors
    /// `interrupted`.
    pub(super) fn against_poisson_watched(
        &self,
        draws: Draws,
        watch: &dyn Watch,
    ) -> Result<Result<PoissonTest, Why>, Error> {
        self.against_poisson_within(draws, MOST_STEPS, MOST_THROWN, watch)
    }

    fn against_poisson_within(
        &self,
        draws: Draws,
        steps: f64,
        thrown: f64,
        watch: &dyn Watch,
    ) -> Result<Result<PoissonTest, Why>, Error> {
        if let Some(why) = nothing_found(&[self]).or((self.sites() == 1).then_some(Why::OneSite)) {
            return Ok(Err(why));
        }
        let (sites, total) = (self.sites() as f64, self.sum() as f64);
        let index_of_dispersion = self.squared_spread() as f64 / total;
        let pairs = (self.sum_of_squares() - self.sum()) / 2;
        let most = libm::sqrt(2.0 * pairs as f64) + 2.0; // individuals at one site that pairs allow
        let p = if sites * total * (pairs as f64 * most.min(total) + total) < steps {
            P { p: exact(self.sites(), small(self.sum()), small(pairs)), how: How::Exact }
        } else if f64::from(draws.number()) * (total + sites) < thrown {
            throw(&mut draws.stream(0), small(self.sites().into()), self.sum(), pairs, draws.number(), watch)?
        } else {
            P { p: chi_square_above(index_of_dispersion, sites - 1.0), how: How::Approximate }
        };
        Ok(Ok(PoissonTest { index_of_dispersion, p }))
    }
}

/// Numbers that passed a bound on work.
fn small(number: u128) -> usize {
    usize::try_from(number).unwrap_or(usize::MAX)
}

/// P(pairs or more), `total` individuals on `sites` sites.
#[allow(clippy::indexing_slicing)] // the inner loop of the recursion; indices are bounded by the lengths below
fn exact(sites: u64, total: usize, pairs: usize) -> f64 {
    if pairs == 0 {
        return 1.0;
    }
    let pairs_of = |x: usize| x * x.saturating_sub(1) / 2;
    // At r·pairs + q: probability that r individuals and q < pairs pairs are reached.
    let mut now = vec![0.0; (total + 1) * pairs];
    now[total * pairs] = 1.0;
    let mut reached = 0.0;
    let mut law = Vec::new();
    let mut beyond = Vec::new();
    for left in (1..=sites).rev() {
        let mut next = vec![0.0; (total + 1) * pairs];
        for r in 0..=total {
            let from = &now[r * pairs..(r + 1) * pairs];
            if from.iter().all(|&p| p == 0.0) {
                continue;
            }
            binomial(r, left, &mut law);
            // beyond[x]: P(X ≥ x).
            beyond.clear();
            beyond.resize(r + 2, 0.0);
            for x in (0..=r).rev() {
                beyond[x] = beyond[x + 1] + law[x];
            }
            for (q, &p) in from.iter().enumerate().filter(|(_, p)| **p > 0.0) {
                let mut x = 0;
                while x <= r && q + pairs_of(x) < pairs {
                    next[(r - x) * pairs + q + pairs_of(x)] += p * law[x];
                    x += 1;
                }
                reached += p * beyond[x];
            }
        }
        now = next;
    }
    reached
}

/// The law of how many of `r` individuals are at one of `left` sites.
fn binomial(r: usize, left: u64, law: &mut Vec<f64>) {
    law.clear();
    law.resize(r + 1, 0.0);
    if left == 1 {
        if let Some(last) = law.last_mut() {
            *last = 1.0;
        }
        return;
    }
    // The ratio to the count before is (r−x+1)/x · 1/(left−1); P(0) does not underflow for r up to 10⁶/left.
    let ratio = 1.0 / (left - 1) as f64;
    let mut p = libm::exp(r as f64 * libm::log1p(-1.0 / left as f64));
    let mut x = 0.0;
    for at in law {
        *at = p;
        p *= (r as f64 - x) / (x + 1.0) * ratio;
        x += 1.0;
    }
}

/// The share of throws with so many pairs or more.
fn throw(
    chance: &mut Chance,
    sites: usize,
    total: u128,
    pairs: u128,
    draws: u32,
    watch: &dyn Watch,
) -> Result<P, Error> {
    let mut counts = vec![0_u64; sites];
    let mut as_extreme = 0;
    for done in 0..draws {
        tell(watch, done.into(), draws.into())?;
        counts.fill(0);
        let mut found = 0;
        for _ in 0..total {
            if let Some(count) = counts.get_mut(chance.below(sites)) {
                found += u128::from(*count);
                *count += 1;
            }
        }
        as_extreme += u32::from(found >= pairs);
    }
    Ok(share(as_extreme, draws))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The three ways agree on one walk: drawn within 4 standard errors, χ² roughly.
    #[test]
    fn ways_agree() {
        let walk = Frequencies::of(&[0, 3, 1, 0, 8, 2, 2, 0, 5, 1, 1, 4, 0, 2, 6, 3, 0, 1, 2, 2]).unwrap();
        let draws = Draws::new(9999, 3).unwrap();
        let exact = walk.against_poisson(draws).unwrap();
        assert_eq!(exact.p.how, How::Exact);
        let drawn = walk.against_poisson_within(draws, 0.0, 1e9, &Quiet).unwrap().unwrap();
        let How::Drawn { se, .. } = drawn.p.how else { panic!("not drawn") };
        assert!((drawn.p.p - exact.p.p).abs() < 4.0 * se, "{exact:?} {drawn:?}");
        let near = walk.against_poisson_within(draws, 0.0, 0.0, &Quiet).unwrap().unwrap();
        assert_eq!(near.p.how, How::Approximate);
        assert!((near.p.p / exact.p.p - 1.0).abs() < 0.5, "{near:?} {exact:?}");
    }

    /// Every way to throw 5 individuals at 4 sites.
    #[test]
    fn exact_equals_counting() {
        let mut squares = Vec::new();
        for throw in 0..4_u32.pow(5) {
            let mut counts = [0_u32; 4];
            (0..5).for_each(|i| counts[(throw / 4_u32.pow(i) % 4) as usize] += 1);
            squares.push(counts.iter().map(|x| x * x).sum::<u32>());
        }
        for counts in [[5, 0, 0, 0], [4, 1, 0, 0], [3, 1, 1, 0], [2, 2, 1, 0], [2, 1, 1, 1]] {
            let square: u32 = counts.iter().map(|x| x * x).sum();
            let want = squares.iter().filter(|&&s| s >= square).count() as f64 / 1024.0;
            let got = Frequencies::of(&counts).unwrap().against_poisson(Draws::new(99, 0).unwrap()).unwrap();
            assert!((got.p.p - want).abs() < 1e-14, "{counts:?}: {} {want}", got.p.p);
        }
    }
}
