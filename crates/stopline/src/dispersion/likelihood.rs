//! The likelihood of one k for one or several walks, each with a mean of its own that is not known.
//!
//! With w = 1/k and relative to the Poisson limit (w = 0), one walk of n sites with mean m has
//! ln L(w) = Σⱼ Aⱼ ln(1+jw) − n[(k+m) ln(1+mw) − m], Aⱼ the number of counts above j. The three ways to
//! treat the means differ by terms of (n, m) alone:
//!
//! - *plain*: m is the sample mean, which maximises the likelihood at every k (Bliss & Fisher 1953,
//!   Biometrics 9:176–200, doi:10.2307/3001850);
//! - *adjusted* for having fitted m: + ½ ln(1+mw), from −½ ln(n·m·k/(k+m)) (Cox & Reid 1987,
//!   J. R. Statist. Soc. B 49:1–39);
//! - *conditional* on each walk's total, which frees it of m: a further −[δ(n(k+m)) − δ(nk)], δ what
//!   Stirling's formula leaves. This is the Dirichlet–multinomial likelihood Π Γ(x+k)/Γ(k) · Γ(nk)/Γ(Σx+nk)
//!   to a constant (Robinson & Smyth 2008, Biostatistics 9:321–332, doi:10.1093/biostatistics/kxm030).
//!
//! Near the Poisson limit everything is of the order of w·E/2 with E known in whole numbers, and the
//! rest is summed as parts of order w²: no digits are lost at k = 10⁹ (the first-order parts cancel
//! there). For k below the mean the direct sums are the accurate ones. Walks with large counts go
//! value by value ([`LargeCounts`]).

use super::frequencies::Frequencies;
use super::large_counts::LargeCounts;
use crate::special::{deviance_step, ln_1p_parts, stirling_rest, stirling_rest_slope};

/// How the unknown means of the walks are treated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Means {
    Plain,
    Adjusted,
    Conditional,
}

/// Walks of one number of sites and one mean: all that the likelihood needs beside the counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Alike {
    /// Number of sites of each.
    pub n: f64,
    /// Mean per site of each.
    pub m: f64,
    /// Number of such walks.
    pub walks: f64,
}

impl Alike {
    pub fn one(walk: &Frequencies) -> Self {
        let n = walk.sites() as f64;
        Self { n, m: walk.sum() as f64 / n, walks: 1.0 }
    }
}

/// A walk with a larger count is summed value by value instead of count by count.
const LARGEST_IN_TAILS: u64 = 255;
/// The least k for sums of second order, whatever the means.
const SECOND_ORDER_FROM: f64 = 0.05;

/// ln-likelihood of a common k as a function of w = 1/k, relative to the Poisson limit.
pub(super) struct Likelihood {
    means: Means,
    /// A₁, A₂, …: how many counts are above 1, 2, … in walks without large counts, in fours, filled with 0.
    tails: Vec<[f64; 4]>,
    /// Sizes and means of those walks.
    walks: Vec<Alike>,
    /// E of those walks: twice the slope of ln L at w = 0.
    excess: f64,
    /// The same of the plain likelihood.
    plain_excess: f64,
    /// Mean of the sites of those walks.
    mean: f64,
    /// Walks with large counts.
    large: Vec<LargeCounts>,
    /// Σx/n over all walks.
    overall_mean: f64,
    largest: f64,
    sites: f64,
    /// Sites with any, less one for each walk where the mean is conditioned on: 0 where ln L rises for ever as k → 0.
    deciding: u64,
}

impl Likelihood {
    /// Of the walks that say something: any found, and for a conditional likelihood two found and two sites.
    pub fn new<'a>(walks: impl IntoIterator<Item = &'a Frequencies>, means: Means) -> Self {
        let least = if means == Means::Conditional { 2 } else { 1 };
        let says = |walk: &&Frequencies| walk.sum() >= u128::from(least) && walk.sites() >= least;
        let mut walks: Vec<&Frequencies> = walks.into_iter().filter(says).collect();
        // In an order of their own, so that sums do not depend on the order given; large counts last.
        let is_large = |walk: &Frequencies| walk.largest() > LARGEST_IN_TAILS;
        walks.sort_unstable_by_key(|walk| {
            (is_large(walk), walk.sites(), walk.sum(), walk.sum_of_squares(), walk.table())
        });
        let (small, large) = walks.split_at(walks.partition_point(|walk| !is_large(walk)));

        let sites = |walks: &[&Frequencies]| walks.iter().map(|walk| walk.sites() as f64).sum::<f64>();
        let mean = |of: &[&Frequencies]| of.iter().map(|walk| walk.sum() as f64).sum::<f64>() / sites(of).max(1.0);
        let mut alike: Vec<Alike> = Vec::new();
        for own in small.iter().map(|walk| Alike::one(walk)) {
            match alike.last_mut() {
                Some(last) if (last.n, last.m) == (own.n, own.m) => last.walks += 1.0,
                _ => alike.push(own),
            }
        }
        let numerator =
            |walk: &Frequencies| walk.excess() + if means == Means::Plain { 0 } else { walk.sum().cast_signed() };
        let excess =
            |part: &dyn Fn(&Frequencies) -> i128| sum_of_fractions(small.iter().map(|walk| (part(walk), walk.sites())));
        let given_up = if means == Means::Conditional { 1 } else { 0 };
        Self {
            means,
            tails: tails(small),
            excess: excess(&numerator),
            plain_excess: excess(&Frequencies::excess),
            mean: mean(small),
            walks: alike,
            large: large.iter().map(|walk| LargeCounts::new(walk, numerator(walk))).collect(),
            overall_mean: mean(&walks),
            largest: walks.iter().map(|walk| walk.largest() as f64).fold(0.0, f64::max),
            sites: sites(&walks),
            deciding: walks.iter().map(|walk| walk.sites_with_any() - given_up).fold(0, u64::saturating_add),
        }
    }

    /// Whether no walk says anything.
    pub fn is_empty(&self) -> bool {
        self.walks.is_empty() && self.large.is_empty()
    }
    /// Whether the likelihood only rises as k → 0.
    pub fn rises_to_zero(&self) -> bool {
        self.deciding == 0
    }
    /// Mean of all sites.
    pub fn overall_mean(&self) -> f64 {
        self.overall_mean
    }
    /// The largest count.
    pub fn largest(&self) -> f64 {
        self.largest
    }
    /// Number of sites.
    pub fn sites(&self) -> f64 {
        self.sites
    }
    /// E: twice the slope of ln L at the Poisson limit; its sign is exact for a single walk.
    pub fn excess(&self) -> f64 {
        self.excess + self.large.iter().map(|walk| walk.excess).sum::<f64>()
    }

    /// Sizes and means of all walks.
    fn all_walks(&self) -> impl Iterator<Item = &Alike> {
        self.walks.iter().chain(self.large.iter().map(|walk| &walk.own))
    }

    /// d ln L/dw over the size of the two opposing parts of it: from −1 to 1, of the same sign, and nearly
    /// straight in ln(1 + m·w) around its zeros.
    pub fn balance(&self, w: f64) -> f64 {
        if w == 0.0 {
            let against: f64 = self.all_walks().map(|&Alike { n, m, walks }| walks * n * m * m).sum();
            return self.excess() / (2.0 * against + self.excess());
        }
        let k = 1.0 / w;
        let adjusted = if self.means == Means::Plain { 0.0 } else { 0.5 };
        // What pulls towards the Poisson limit, Σ n·(mw − ln(1+mw))/w², and the slope.
        let (mut against, mut slope) = (0.0, 0.0);
        if k >= self.mean.max(SECOND_ORDER_FROM) {
            for &Alike { n, m, walks } in &self.walks {
                let (second, third) = ln_1p_parts(m * w);
                against += walks * n * m * m * second;
                slope += walks * m * m * (n * m * third - adjusted / (1.0 + m * w));
            }
            slope = 0.5 * self.excess + w * (slope - sum_of_tails(&self.tails, |j| j * j / (1.0 + j * w)));
        } else {
            for &Alike { n, m, walks } in &self.walks {
                against += walks * n * m * m * ln_1p_parts(m * w).0;
                slope += walks * m * adjusted / (1.0 + m * w);
            }
            slope += sum_of_tails(&self.tails, |j| j / (1.0 + j * w)) - against;
        }
        for walk in &self.large {
            let Alike { n, m, .. } = walk.own;
            against += n * m * m * ln_1p_parts(m * w).0;
            slope += walk.slope(k, adjusted);
        }
        if self.means == Means::Conditional {
            let total = |&Alike { n, m, walks }: &Alike| {
                walks * n * (stirling_rest_slope(n * (k + m)) - stirling_rest_slope(n * k))
            };
            slope += k * k * self.all_walks().map(total).sum::<f64>();
        }
        slope / (2.0 * against + slope)
    }

    /// ln L at `to` less ln L at `from`, where w = 0 is the Poisson limit.
    pub fn rise(&self, from: f64, to: f64) -> f64 {
        let large: f64 = self.large.iter().map(|walk| walk.rise(from, to)).sum();
        large + (self.above_poisson(to) - self.above_poisson(from))
    }

    /// ln L at w less ln L at 0, without the counts of walks with large ones.
    fn above_poisson(&self, w: f64) -> f64 {
        if w == 0.0 {
            return 0.0;
        }
        let k = 1.0 / w;
        let own = if k >= self.mean.max(SECOND_ORDER_FROM) {
            let walks = |&Alike { n, m, walks }: &Alike| {
                let v = m * w;
                walks * n * m * v * v * ((1.0 + v) * ln_1p_parts(v).1 - 0.5)
            };
            0.5 * w * self.plain_excess
                - self.walks.iter().map(walks).sum::<f64>()
                - sum_of_tails(&self.tails, |j| (j * w) * (j * w) * ln_1p_parts(j * w).0)
        } else {
            let walks = |&Alike { n, m, walks }: &Alike| walks * n * deviance_step(k, m);
            sum_of_tails(&self.tails, |j| libm::log1p(j * w)) - self.walks.iter().map(walks).sum::<f64>()
        };
        own + self.all_walks().map(|walks| walks.walks * self.means_part(walks, k)).sum::<f64>()
    }

    /// What treating its mean adds to ln L of one walk.
    fn means_part(&self, &Alike { n, m, .. }: &Alike, k: f64) -> f64 {
        let adjusted = || 0.5 * libm::log1p(m / k);
        match self.means {
            Means::Plain => 0.0,
            Means::Adjusted => adjusted(),
            Means::Conditional => adjusted() - (stirling_rest(n * (k + m)) - stirling_rest(n * k)),
        }
    }
}

/// A₁, A₂, … of all these walks together.
fn tails(walks: &[&Frequencies]) -> Vec<[f64; 4]> {
    let largest = walks.iter().map(|walk| walk.largest()).max().unwrap_or(0);
    // First the sites with count 2, 3, …: A₁ is the number of all of those.
    let mut tails = vec![[0.0; 4]; usize::try_from(largest).unwrap_or(0).saturating_sub(1).div_ceil(4)];
    let places = tails.as_flattened_mut();
    for &(value, sites) in walks.iter().flat_map(|walk| walk.table()) {
        let place = value.checked_sub(2).and_then(|place| places.get_mut(usize::try_from(place).ok()?));
        if let Some(place) = place {
            *place += sites as f64;
        }
    }
    let mut above = 0.0;
    for place in places.iter_mut().rev() {
        above += *place;
        *place = above;
    }
    tails
}

/// Σⱼ Aⱼ·part(j) over j = 1, 2, …, in four sums that do not wait for each other.
fn sum_of_tails(tails: &[[f64; 4]], part: impl Fn(f64) -> f64) -> f64 {
    let mut sums = [0.0; 4];
    let mut js = [1.0, 2.0, 3.0, 4.0];
    for four in tails {
        for ((sum, j), tail) in sums.iter_mut().zip(&mut js).zip(four) {
            *sum += tail * part(*j);
            *j += 4.0;
        }
    }
    let [a, b, c, d] = sums;
    (a + b) + (c + d)
}

/// Σ numerator/sites: whole parts exactly, so that a sum of 0 comes out as 0 and a single fraction
/// has the right sign.
fn sum_of_fractions(parts: impl Iterator<Item = (i128, u64)>) -> f64 {
    let (mut whole, mut rest, mut number) = (0_i128, 0.0, 0.0);
    for (numerator, sites) in parts {
        let sites = i128::from(sites);
        whole = whole.saturating_add(numerator / sites);
        rest += (numerator % sites) as f64 / sites as f64;
        number += 1.0;
    }
    let sum = whole as f64 + rest;
    // Each fraction is rounded by at most 1e-16, as is each partial sum of at most `number`.
    if number > 1.0 && sum.abs() <= 1e-16 * number * number { 0.0 } else { sum }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2(ln L(k̂) − ln L(∞)) by 60-digit arithmetic (mpmath 1.4), from clear clumping to a k̂ of 6·10⁹, and with a
    /// large count. A rounding of the last digit of k̂ does not show, ln L being flat there.
    #[test]
    fn rise_above_the_poisson_limit() {
        let table = |frequencies: &[u64]| Frequencies::from_table((0..).zip(frequencies.iter().copied())).unwrap();
        let outlier = Frequencies::from_table([(0, 4), (1, 2), (2, 1), (5000, 1)]).unwrap();
        let cases = [
            (table(&[70, 38, 17, 10, 9, 3, 2, 1]), 1.0245923867921254, 40.745574445140285),
            (table(&[43, 32, 20, 5, 1]), 6941.4798689644285, 7.130917082142091e-07),
            (table(&[44979, 33540, 16604, 4085, 841]), 6041845178.825828, 8.271564482929016e-16),
            (outlier, 0.06277647319043315, 20705.090890988497),
        ];
        for (walk, k, deviance) in cases {
            let rise = Likelihood::new([&walk], Means::Plain).rise(0.0, 1.0 / k);
            // Sums of at most a few dozen parts, of one sign but for a factor of 3.
            assert!((2.0 * rise / deviance - 1.0).abs() < 1e-14, "{k}: {rise}");
        }
    }

    #[test]
    fn sums_of_fractions_have_the_right_sign() {
        let sum = |parts: &[(i128, u64)]| sum_of_fractions(parts.iter().copied());
        assert_eq!(sum(&[(1, 3), (1, 3), (-2, 3)]), 0.0);
        assert_eq!(sum(&[(7, 3), (1, 6), (-5, 2)]), 0.0);
        assert_eq!(sum(&[(1, u64::MAX)]), 1.0 / u64::MAX as f64);
        assert!(sum(&[(10_i128.pow(30) + 1, 1), (-(10_i128.pow(30)), 1)]) == 1.0);
    }
}
