//! Draws of a gamma part, of a Poisson count, and of a step from a table, exactly.
//!
//! Gamma: Marsaglia & Tsang 2000, "A simple method for generating gamma variables", ACM TOMS 26:363–372,
//! doi:10.1145/358407.358414, with normal numbers by the polar method and shapes below 1 raised by one. Poisson: from
//! 10 on by Hörmann 1993, "The transformed rejection method for generating Poisson random variables", Insurance:
//! Mathematics and Economics 12:39–45, doi:10.1016/0167-6687(93)90997-4, below by adding up probabilities. Tables:
//! Walker 1977, "An efficient method for generating discrete random variables with general distributions", ACM TOMS
//! 3:253–256, doi:10.1145/355744.355749, with 47 random bits for the choice between an entry and its alias.
#![allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap, clippy::cast_sign_loss)] // whole numbers from `floor`, sizes up to 2¹⁷
#![allow(clippy::indexing_slicing)] // an index masked by the size of the table

use super::threefry::Stream;
use crate::law::{Law, poisson_pmf};
use crate::score::Total;

/// A standard normal number.
fn normal(stream: &mut Stream) -> f64 {
    loop {
        let (x, y) = (2.0 * stream.unit() - 1.0, 2.0 * stream.unit() - 1.0);
        let square = x * x + y * y;
        if square > 0.0 && square < 1.0 {
            return x * libm::sqrt(-2.0 * libm::log(square) / square);
        }
    }
}

/// A gamma number with mean `shape`.
pub(super) fn gamma(shape: f64, stream: &mut Stream) -> f64 {
    if shape < 1.0 {
        // Γ(a) = Γ(a + 1)·U^(1/a); a shape near 0 gives 0 nearly always.
        let raised = gamma(shape + 1.0, stream);
        return raised * libm::exp(libm::log(stream.unit()) / shape);
    }
    let d = shape - 1.0 / 3.0;
    let c = 1.0 / libm::sqrt(9.0 * d);
    loop {
        let z = normal(stream);
        let root = 1.0 + c * z;
        if root > 0.0 {
            let cube = root * root * root;
            if libm::log(stream.unit()) < 0.5 * z * z + d * (1.0 - cube + libm::log(cube)) {
                return d * cube;
            }
        }
    }
}

/// A Poisson count.
pub(super) fn poisson(mean: f64, stream: &mut Stream) -> Total {
    if mean < 10.0 {
        let (mut rest, mut p, mut x) = (stream.unit(), libm::exp(-mean), 0);
        // Counts above 150 have no chance that 53 bits could tell.
        while rest >= p && x < 150 {
            rest -= p;
            x += 1;
            p *= mean / x as f64;
        }
        return x;
    }
    let b = 0.931 + 2.53 * libm::sqrt(mean);
    let a = -0.059 + 0.02483 * b;
    let inverse = 1.1239 + 1.1328 / (b - 3.4);
    let quick = 0.9277 - 3.6224 / (b - 2.0);
    loop {
        let (u, v) = (stream.unit() - 0.5, stream.unit());
        let near = 0.5 - u.abs();
        let x = libm::floor((2.0 * a / near + b) * u + mean + 0.43);
        if near >= 0.07 && v <= quick {
            return x as Total;
        }
        if x >= 0.0 && (near >= 0.013 || v <= near) && v * inverse <= poisson_pmf(x, mean) * (a / (near * near) + b) {
            return x as Total;
        }
    }
}

/// Largest table: beyond, counts are drawn from their gamma part.
const LARGEST: Total = 65_536;

/// How a site's own step is drawn.
#[derive(Debug)]
pub(super) enum Draws {
    Table {
        first: Total,
        entries: Vec<Entry>,
    },
    Poisson {
        mean: f64,
    },
    /// Poisson counts of a gamma mean.
    NegBin {
        shape: f64,
        scale: f64,
    },
}

/// An entry of an alias table: its own step up to `limit` of 2⁴⁷, then the other.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    limit: u64,
    other: u32,
}

impl Draws {
    /// Draws of `law` that need not tell apart steps from `first + edge` on.
    pub fn of(law: &Law, edge: Total) -> Self {
        match law {
            Law::Poisson { mean } if edge > LARGEST => Self::Poisson { mean: mean.get() },
            Law::NegBin { mean, k } if edge > LARGEST => Self::NegBin { shape: k.get(), scale: mean.get() / k.get() },
            _ => {
                let longest = law.last(1).map_or(edge, |last| edge.min(last - law.first() + 1)).max(0);
                let mut p = Vec::new();
                law.batch(1, longest as usize, &mut p);
                let above = (1.0 - p.iter().sum::<f64>()).max(0.0);
                // What a binomial law lacks is rounding.
                let ended = matches!(law, Law::Binomial { .. }) && longest < edge;
                p.push(if ended { 0.0 } else { above });
                Self::Table { first: law.first(), entries: entries(p) }
            }
        }
    }

    #[inline]
    pub fn draw(&self, stream: &mut Stream) -> Total {
        match self {
            Self::Table { first, entries } => {
                let word = stream.word();
                let at = word as usize & (entries.len() - 1);
                let entry = entries[at];
                first + if word >> 17 < entry.limit { at as Total } else { Total::from(entry.other) }
            }
            Self::Poisson { mean } => poisson(*mean, stream),
            Self::NegBin { shape, scale } => {
                let mean = gamma(*shape, stream) * scale;
                poisson(mean, stream)
            }
        }
    }
}

/// The alias table of these weights, of a length that is a power of two.
fn entries(mut p: Vec<f64>) -> Vec<Entry> {
    let size = p.len().next_power_of_two();
    let scale = size as f64 / p.iter().sum::<f64>();
    p.resize(size, 0.0);
    p.iter_mut().for_each(|p| *p *= scale);
    let full = |p: f64| (p * (1_u64 << 47) as f64) as u64;
    let mut entries: Vec<Entry> = (0..).zip(&p).map(|(i, &p)| Entry { limit: full(p.min(1.0)), other: i }).collect();
    let (mut low, mut high): (Vec<usize>, Vec<usize>) = (0..size).partition(|&i| p[i] < 1.0);
    while let (Some(&giver), Some(taker)) = (high.last(), low.pop()) {
        entries[taker] = Entry { limit: full(p[taker]), other: giver as u32 };
        p[giver] -= 1.0 - p[taker];
        if p[giver] < 1.0 {
            high.pop();
            low.push(giver);
        }
    }
    // What rounding left has all of its entry.
    low.iter().chain(&high).for_each(|&i| entries[i].limit = 1 << 47);
    entries
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_has_the_probabilities_given() {
        for p in [vec![1.0], vec![0.5, 0.25, 0.0, 0.125, 0.125], (1..=1000).map(|x| 1.0 / f64::from(x)).collect()] {
            let entries = entries(p.clone());
            let mut drawn = vec![0.0; entries.len()];
            for (i, entry) in entries.iter().enumerate() {
                let own = entry.limit as f64 / (1_u64 << 47) as f64;
                drawn[i] += own / entries.len() as f64;
                drawn[entry.other as usize] += (1.0 - own) / entries.len() as f64;
            }
            let sum: f64 = p.iter().sum();
            for (got, p) in drawn.iter().zip(&p) {
                assert!((got - p / sum).abs() < 2e-14, "{got}, {}", p / sum);
            }
        }
    }
}
