//! Whether a walk's counts have the shape of the negative binomial: its variance, third moment and empty sites.
//!
//! - U = s² − (m + m²/k), k by the sites without any: the variance against what the empty sites imply.
//! - T = m₃ − s²(2s²/m − 1), m₃ = Σ(x − m)³/n: the third moment against what mean and variance imply.
//! - zeros: sites without any, n₀, against those expected at the k by maximum likelihood; z is the score of
//!   one more parameter for additional empty sites (Ridout, Hinde & Demétrio 2001, Biometrics 57:219–223,
//!   doi:10.1111/j.0006-341X.2001.00219.x, at a constant mean).
//!
//! U and T are those of Anscombe 1950 (Biometrika 37:358–382) and Evans 1953 (Biometrika 40:186–211,
//! doi:10.1093/biomet/40.1-2.186). Their standard errors, U's at the k of the empty sites, T's at the k by
//! moments, come from the exact moments of the negative binomial by the first terms of their expansion, and
//! are those of long series. Below 500 sites their distributions are so lopsided that p is drawn: counts
//! from the fitted law, fitted anew. From 500 sites on p is that of a normal variable.

use super::drawn::{Counter, Draws, How, P, share};
use super::estimate::{Clumping, Why};
use super::frequencies::Frequencies;
use super::json::number;
use super::precision::zeros_sd;
use crate::error::Error;
use crate::special::{normal_above, normal_beyond};
use crate::watch::{Quiet, Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// From this many sites on, U, T and z are taken as normal.
pub const MANY_SITES: u64 = 500;

/// A statistic with its standard error and p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Departure {
    /// Its value; near 0 where the counts are negative binomial.
    pub value: Result<f64, Why>,
    /// Standard error in long series of sites.
    pub se: Result<f64, Why>,
    /// Chance of a value so far from 0 or farther if the counts were negative binomial (two-sided; for
    /// zeros, of so many empty sites or more).
    pub p: Result<P, Why>,
}

/// The shape of a walk's counts against the negative binomial.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Shape {
    /// U.
    pub u: Departure,
    /// T.
    pub t: Departure,
    /// Sites without any, less those expected.
    pub zeros: Departure,
}

impl Frequencies {
    /// The shape of the counts against the negative binomial.
    ///
    /// # Errors
    /// `not_converged` if a bounded search does not end: not known to happen.
    ///
    /// ```
    /// use stopline::dispersion::{Draws, Frequencies};
    /// // Bliss & Fisher 1953: U = −0.198 ± 0.310, T = −1.553 ± 1.692.
    /// let leaves = Frequencies::from_table([(0, 70), (1, 38), (2, 17), (3, 10), (4, 9), (5, 3), (6, 2), (7, 1)])?;
    /// let shape = leaves.shape(Draws::new(199, 1)?)?;
    /// assert!((shape.u.value.unwrap() + 0.198).abs() < 5e-4 && (shape.u.se.unwrap() - 0.310).abs() < 5e-4);
    /// assert!(shape.t.p.unwrap().p > 0.05);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn shape(&self, draws: Draws) -> Result<Shape, Error> {
        self.shape_watched(draws, &Quiet)
    }

    /// The same, watched.
    ///
    /// # Errors
    /// `interrupted`.
    pub(super) fn shape_watched(&self, draws: Draws, watch: &dyn Watch) -> Result<Shape, Error> {
        let (sites, m) = (self.sites() as f64, self.mean().unwrap_or(0.0));
        let (ml, by_zeros, by_moments) = (self.k_ml()?, self.k_zero_class()?, self.k_moments());
        let excess_zeros = ml.or_why().and(self.excess_zeros(ml));
        let mut shape = Shape {
            u: Departure::new(
                by_zeros.or_why().and(self.u(by_zeros)),
                by_zeros.or_why().map(|k| libm::sqrt(variance_of_u(m, k) / sites)),
            ),
            t: Departure::new(self.t(), by_moments.or_why().map(|k| libm::sqrt(variance_of_t(m, k) / sites))),
            zeros: Departure::new(
                excess_zeros,
                ml.or_why().and_then(|k| zeros_sd(m, k)).map(|sd| sd * libm::sqrt(sites)),
            ),
        };
        if self.sites() < MANY_SITES {
            let k = ml.or_why();
            match k.and_then(|k| Counter::new(m, k)) {
                Ok(counter) => self.draw(&counter, draws, &mut shape, watch)?,
                Err(why) => {
                    for departure in [&mut shape.u, &mut shape.t, &mut shape.zeros] {
                        departure.p = departure.value.and(Err(why));
                    }
                }
            }
        } else {
            shape.u.normal(normal_beyond);
            shape.t.normal(normal_beyond);
            shape.zeros.normal(normal_above);
        }
        Ok(shape)
    }

    /// p of all three by counts drawn from the fitted law and fitted anew.
    fn draw(&self, counter: &Counter, draws: Draws, shape: &mut Shape, watch: &dyn Watch) -> Result<(), Error> {
        let mut chance = draws.stream(1);
        let mut counts = vec![0; usize::try_from(self.sites()).unwrap_or(0)];
        let (mut u, mut t, mut zeros) = (Tally::default(), Tally::default(), Tally::default());
        for done in 0..draws.number() {
            tell(watch, done.into(), draws.number().into())?;
            counts.fill_with(|| counter.draw(&mut chance));
            let drawn = Frequencies::of(&counts)?;
            u.add(shape.u.value, drawn.u(drawn.k_zero_class()?));
            t.add(shape.t.value, drawn.t());
            zeros.add(shape.zeros.value, drawn.excess_zeros(drawn.k_ml()?));
        }
        shape.u.p = shape.u.value.map(|_| u.two_sided());
        shape.t.p = shape.t.value.map(|_| t.two_sided());
        shape.zeros.p = shape.zeros.value.map(|_| zeros.upper());
        Ok(())
    }

    /// U, the share of empty sites having given `k`.
    fn u(&self, k: Clumping) -> Result<f64, Why> {
        let m = self.mean().ok_or(Why::NoSites)?;
        Ok(self.variance().ok_or(Why::OneSite)? - m - m * m * inverse(k)?)
    }

    fn t(&self) -> Result<f64, Why> {
        let (m, s2) = (self.mean().ok_or(Why::NoSites)?, self.variance().ok_or(Why::OneSite)?);
        if m == 0.0 {
            return Err(Why::AllZero);
        }
        let cubes: f64 = self.table().iter().map(|&(x, number)| number as f64 * libm::pow(x as f64 - m, 3.0)).sum();
        Ok(cubes / self.sites() as f64 - s2 * (2.0 * s2 / m - 1.0))
    }

    fn excess_zeros(&self, k: Clumping) -> Result<f64, Why> {
        let (sites, w) = (self.sites() as f64, inverse(k)?);
        let m = self.mean().ok_or(Why::NoSites)?;
        let ln_zero = if w == 0.0 { -m } else { -libm::log1p(m * w) / w };
        Ok((self.sites() - self.sites_with_any()) as f64 - sites * libm::exp(ln_zero))
    }
}

/// 1/k, 0 where k is infinite.
fn inverse(k: Clumping) -> Result<f64, Why> {
    match k {
        Clumping::Estimated(k) => Ok(1.0 / k),
        Clumping::Poisson => Ok(0.0),
        Clumping::Undefined(why) => Err(why),
    }
}

impl Departure {
    fn new(value: Result<f64, Why>, se: Result<f64, Why>) -> Self {
        Self { value, se, p: value.and(Err(Why::NoSites)) }
    }
    fn normal(&mut self, tail: impl Fn(f64) -> f64) {
        self.p = self.value.and_then(|value| Ok(P { p: tail(value / self.se?), how: How::Approximate }));
    }
}

/// Draws at or below, and at or above, a value.
#[derive(Default)]
struct Tally {
    below: u32,
    above: u32,
    draws: u32,
}

impl Tally {
    /// A draw without a value is left out.
    fn add(&mut self, value: Result<f64, Why>, drawn: Result<f64, Why>) {
        if let (Ok(value), Ok(drawn)) = (value, drawn) {
            self.draws += 1;
            self.below += u32::from(drawn <= value);
            self.above += u32::from(drawn >= value);
        }
    }
    fn upper(&self) -> P {
        share(self.above, self.draws)
    }
    fn two_sided(&self) -> P {
        let one = share(self.below.min(self.above), self.draws);
        let twice = |how| match how {
            How::Drawn { draws, se } => How::Drawn { draws, se: 2.0 * se },
            how => how,
        };
        P { p: (2.0 * one.p).min(1.0), how: twice(one.how) }
    }
}

/// Central moments 2 to 6 of the negative binomial, from its cumulants in P = m/k and Q = 1 + P.
fn central_moments(m: f64, k: f64) -> [f64; 5] {
    let p = m / k;
    let (y, odd) = (p * (1.0 + p), 1.0 + 2.0 * p);
    let c2 = m * (1.0 + p);
    let (c3, k4, k5) = (c2 * odd, c2 * (1.0 + 6.0 * y), c2 * odd * (1.0 + 12.0 * y));
    let k6 = c2 * (1.0 + 30.0 * y + 120.0 * y * y);
    let c4 = k4 + 3.0 * c2 * c2;
    let c6 = k6 + 15.0 * k4 * c2 + 10.0 * c3 * c3 + 15.0 * c2 * c2 * c2;
    [c2, c3, c4, k5 + 10.0 * c3 * c2, c6]
}

/// n·Var of U in long series: of (x − m)² − b·(x − m) + c·(1 at an empty site − p₀), the first terms of U.
fn variance_of_u(m: f64, k: f64) -> f64 {
    let [c2, c3, c4, ..] = central_moments(m, k);
    let p = m / k;
    let ln_zero = -k * libm::log1p(p);
    let zero = libm::exp(ln_zero);
    // ∂ ln p₀/∂m and ∂ ln p₀/∂k.
    let (by_m, by_k) = (-1.0 / (1.0 + p), m / (k + m) - libm::log1p(p));
    let b = 1.0 + 2.0 * p + p * p * by_m / by_k;
    let c = p * p / (by_k * zero);
    (c4 - c2 * c2) + b * b * c2 + c * c * zero * -libm::expm1(ln_zero) - 2.0 * b * c3
        + 2.0 * c * zero * (m * m - c2)
        + 2.0 * b * c * zero * m
}

/// n·Var of T in long series: of (x − m)³ − 3c₂(x − m) − b·(x − m)² + c·(x − m), the first terms of T.
fn variance_of_t(m: f64, k: f64) -> f64 {
    let [c2, c3, c4, c5, c6] = central_moments(m, k);
    let (b, c) = (4.0 * c2 / m - 1.0, 2.0 * c2 * c2 / (m * m) - 3.0 * c2);
    (c6 - c3 * c3) + b * b * (c4 - c2 * c2) + c * c * c2 - 2.0 * b * (c5 - c3 * c2) + 2.0 * c * c4 - 2.0 * b * c * c3
}

impl Serialize for Departure {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        number(&mut map, "value", self.value)?;
        number(&mut map, "se", self.se)?;
        number(&mut map, "p", self.p.map(|p| p.p))?;
        if let Ok(p) = self.p {
            p.how.entries(&mut map)?;
        }
        map.end()
    }
}
