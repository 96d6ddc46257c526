//! Seeded random counts for tests whose distribution has no usable form.

use super::estimate::Why;
use super::probabilities::Probabilities;
use crate::error::{Code, Error};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

/// How many sets of counts are drawn for a test or an interval, and from which seed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Draws {
    number: u32,
    seed: u64,
    /// What they are drawn for, if for one of several things: its random numbers are its own.
    #[serde(skip)]
    part: u64,
}

impl Draws {
    /// At least 99 sets; the same seed gives the same numbers on every machine.
    ///
    /// # Errors
    /// `out_of_range` unless 99 ≤ `number` ≤ 1 000 000 and `seed` < 2⁵³.
    pub fn new(number: u32, seed: u64) -> Result<Self, Error> {
        if !(99..=1_000_000).contains(&number) {
            return Err(Error::new(Code::OutOfRange, "number of draws", number, "from 99 to 1000000"));
        }
        if seed >= 1 << 53 {
            return Err(Error::new(Code::OutOfRange, "seed", seed, "from 0 to 9007199254740991"));
        }
        Ok(Self { number, seed, part: 0 })
    }
    /// Number of sets.
    #[must_use]
    pub const fn number(self) -> u32 {
        self.number
    }
    /// The seed.
    #[must_use]
    pub const fn seed(self) -> u64 {
        self.seed
    }

    /// The same number of draws for the `part`-th of several things, from random numbers of its own.
    pub(super) const fn of_part(self, part: u64) -> Self {
        Self { part, ..self }
    }

    /// Random numbers of their own for each `stream` below 16, so that what is drawn for one thing does not
    /// depend on what was drawn for another.
    pub(super) fn stream(self, stream: u64) -> Chance {
        Chance::new(self.seed, self.part * 16 + stream)
    }
}

/// A stream of random numbers.
pub(crate) struct Chance(ChaCha8Rng);

impl Chance {
    /// The numbers of a seed and a stream.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }
    /// From 0 to less than 1, in steps of 2⁻⁵³.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }
    /// A whole number below `end`.
    #[allow(clippy::cast_possible_truncation)] // the product of two 64-bit numbers, shifted by 64
    pub fn below(&mut self, end: usize) -> usize {
        ((u128::from(self.0.next_u64()) * end as u128) >> 64) as usize
    }
    /// A random order.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            let j = self.below(i + 1);
            items.swap(i, j);
        }
    }
}

/// Draws counts of one law by inversion.
pub(crate) struct Counter(Vec<f64>);

impl Counter {
    /// Of the negative binomial with mean m and exponent k, or the Poisson law where k is infinite.
    pub fn new(m: f64, k: f64) -> Result<Self, Why> {
        let Probabilities { mut at, .. } = Probabilities::new(m, k)?;
        let mut sum = 0.0;
        for p in &mut at {
            sum += *p;
            *p = sum;
        }
        at.pop(); // whatever is left belongs to the last count
        Ok(Self(at))
    }
    pub fn draw(&self, chance: &mut Chance) -> u32 {
        let u = chance.unit();
        // Tables have at most 2²¹ counts.
        u32::try_from(self.0.partition_point(|&below| below <= u)).unwrap_or(u32::MAX)
    }
}

/// How a p was got.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum How {
    /// To rounding.
    Exact,
    /// From random sets of counts.
    Drawn {
        /// Number of sets.
        draws: u32,
        /// Standard error of p.
        se: f64,
    },
    /// From a distribution that many sites approach.
    Approximate,
}

impl How {
    pub(super) fn entries<M: SerializeMap>(self, map: &mut M) -> Result<(), M::Error> {
        match self {
            Self::Exact => map.serialize_entry("how", "exact"),
            Self::Approximate => map.serialize_entry("how", "approximate"),
            Self::Drawn { draws, se } => {
                map.serialize_entry("how", "drawn")?;
                map.serialize_entry("draws", &draws)?;
                map.serialize_entry("p_se", &se)
            }
        }
    }
}

/// The chance of a result so extreme or more, and how it was got.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct P {
    /// The chance.
    pub p: f64,
    /// How it was got.
    pub how: How,
}

impl Serialize for P {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("p", &self.p)?;
        self.how.entries(&mut map)?;
        map.end()
    }
}

/// Rounding of a statistic that is drawn again, relative.
const ROUNDING: f64 = 1e-9;

/// Is what was drawn as extreme as what was found? What chance gives anew is, whatever its roundings.
pub(super) fn reaches(drawn: f64, found: f64) -> bool {
    drawn >= found - ROUNDING * found.abs()
}

/// A share of draws as p: (1 + those as extreme)/(1 + draws), which keeps the promised size at any number
/// of draws (Davison & Hinkley 1997, Bootstrap Methods and their Application, § 4.2).
pub(crate) fn share(as_extreme: u32, draws: u32) -> P {
    let p = (1.0 + f64::from(as_extreme)) / (1.0 + f64::from(draws));
    let se = libm::sqrt(p * (1.0 - p) / (1.0 + f64::from(draws)));
    P { p, how: How::Drawn { draws, se } }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frequencies of 40 000 draws against the law: χ² over classes of at least 5, p above 1e-4.
    #[test]
    fn counts_follow_their_law() {
        let mut chance = Draws::new(99, 5).unwrap().stream(1);
        for (m, k) in [(1.5, 1.2), (0.3, 0.05), (40.0, 3.0), (7.0, f64::INFINITY)] {
            let counter = Counter::new(m, k).unwrap();
            let counts: Vec<u32> = (0..40_000).map(|_| counter.draw(&mut chance)).collect();
            let law = Probabilities::new(m, k).unwrap();
            let (mut chi_square, mut classes, mut observed, mut expected) = (0.0, 0.0, 0.0, 0.0);
            for (x, (p, above)) in law.at.iter().zip(&law.above).enumerate() {
                observed += counts.iter().filter(|&&count| count as usize == x).count() as f64;
                expected += 40_000.0 * p;
                if expected >= 5.0 && 40_000.0 * above >= 5.0 {
                    chi_square += (observed - expected) * (observed - expected) / expected;
                    (classes, observed, expected) = (classes + 1.0, 0.0, 0.0);
                }
            }
            chi_square += (observed - expected) * (observed - expected) / expected;
            assert!(crate::special::chi_square_above(chi_square, classes) > 1e-4, "{m}, {k}: {chi_square}, {classes}");
        }
        let first: Vec<usize> = (0..1000).map(|_| chance.below(3)).collect();
        assert!((0..3).all(|i| first.iter().filter(|&&x| x == i).count() > 250));
    }
}
