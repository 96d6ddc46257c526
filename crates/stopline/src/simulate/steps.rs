//! Exact draws of a site's step from few random bits.
//!
//! A first table gives each step ⌊256·p⌋ of its 256 entries, so that a byte draws it; what the entries leave over is
//! made a law of its own, with a table that is used where the first came up empty, and so once more; what is left then
//! is drawn by inversion of 53 bits. Nothing is rounded off: the law drawn is the law given, its tail included, to the
//! accuracy of its probabilities. (Tables of common values: Marsaglia 1963, "Generating discrete random variables in a
//! computer", Comm. ACM 6:37–38, doi:10.1145/366193.366228.)
//!
//! A draw that came up empty is replaced by the next of the walks' [`Reserve`], which is a sequence of its own: it does
//! not matter who asks.
#![allow(clippy::indexing_slicing)] // kernels over arrays of fixed length
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // entries of tables: at most 256

use super::threefry::{Key, Stream, WORDS, batch};
use crate::law::Law;

/// Draws in a batch.
pub(super) const BATCH: usize = 8 * WORDS;
/// Draws that are handled together.
pub(super) const GROUP: usize = 64;
/// An entry that came up empty.
const EMPTY: u8 = u8::MAX;
/// Tables after the first.
const LEVELS: usize = 2;

/// The tables of a law.
#[derive(Debug, Clone)]
pub(super) struct Steps {
    /// Each is used where the one before came up empty.
    pub tables: [[u8; 256]; 1 + LEVELS],
    /// Sums of what the tables leave.
    rest: Vec<f64>,
}

impl Steps {
    /// Steps above the law's smallest, none told apart from `edge` on.
    pub fn of(law: &Law, edge: u8) -> Self {
        let mut p = Vec::new();
        law.batch(1, usize::from(edge), &mut p);
        let above = (1.0 - p.iter().sum::<f64>()).max(0.0);
        // A binomial law that ended before leaves rounding only; a table may really have mass above.
        let ended = matches!(law, Law::Binomial { .. }) && p.len() < usize::from(edge);
        p.resize(usize::from(edge), 0.0);
        p.push(if ended { 0.0 } else { above });
        Self::from_weights(p)
    }

    fn from_weights(mut p: Vec<f64>) -> Self {
        let mut tables = [[EMPTY; 256]; 1 + LEVELS];
        for table in &mut tables {
            let mut used = 0;
            for (step, p) in (0..EMPTY).zip(&mut p) {
                let scaled = *p * table.len() as f64;
                let whole = scaled as usize;
                *p = scaled - whole as f64;
                let end = table.len().min(used + whole);
                table[used..end].fill(step);
                used = end;
            }
            let left = (table.len() - used).max(1) as f64;
            p.iter_mut().for_each(|p| *p /= left);
        }
        let mut sum = 0.0;
        for p in &mut p {
            sum += *p;
            *p = sum;
        }
        Self { tables, rest: p }
    }
}

/// Draws kept ready for those of the first table that came up empty.
#[derive(Debug)]
pub(super) struct Reserve<'a> {
    pub steps: &'a Steps,
    pub key: Key,
    pub place: [u64; 2],
    pub levels: [Ready; LEVELS],
    last: Stream,
}

/// Draws of one further table that nobody took yet, at `from..to`.
#[derive(Debug)]
pub(super) struct Ready {
    pub draws: [u8; 2 * BATCH],
    pub from: usize,
    pub to: usize,
    pub batches: u64,
}

impl<'a> Reserve<'a> {
    pub fn new(steps: &'a Steps, key: Key, place: [u64; 2]) -> Self {
        let level = || Ready { draws: [0; 2 * BATCH], from: 0, to: 0, batches: 0 };
        let last = Stream::new(key, [(1 + LEVELS as u64) << 32, place[0], place[1]]);
        Self { steps, key, place, levels: [level(), level()], last }
    }

    /// A draw of what all tables leave.
    fn rest(&mut self) -> u8 {
        let rest = &self.steps.rest;
        let at = self.last.unit() * rest.last().copied().unwrap_or(0.0);
        rest.partition_point(|&sum| sum <= at).min(rest.len() - 1) as u8
    }

    /// The next draws of the table after `level`, at least `many` (at most a group).
    pub fn ready(&mut self, level: usize, many: usize) -> &[u8] {
        while self.levels[level].to - self.levels[level].from < many {
            let mut words = [0; WORDS];
            let ready = &mut self.levels[level];
            batch(&self.key, ready.batches, [(1 + level as u64) << 32, self.place[0], self.place[1]], &mut words);
            ready.batches += 1;
            ready.draws.copy_within(ready.from..ready.to, 0);
            ready.to -= ready.from;
            ready.from = 0;
            let mut draws = [0; BATCH];
            look_up(&self.steps.tables[level + 1], &words, &mut draws);
            self.fill(level + 1, &mut draws);
            let ready = &mut self.levels[level];
            ready.draws[ready.to..ready.to + BATCH].copy_from_slice(&draws);
            ready.to += BATCH;
        }
        &self.levels[level].draws[self.levels[level].from..]
    }

    /// Replaces the draws of table `level` that came up empty by draws of the next table.
    #[inline]
    fn fill(&mut self, level: usize, draws: &mut [u8]) {
        for group in draws.chunks_mut(GROUP) {
            let mut empty = empty(group);
            if level == LEVELS {
                while empty != 0 {
                    group[empty.trailing_zeros() as usize] = self.rest();
                    empty &= empty - 1;
                }
                continue;
            }
            let many = empty.count_ones() as usize;
            let mut ready = self.ready(level, many).iter();
            while empty != 0
                && let Some(draw) = ready.next()
            {
                group[empty.trailing_zeros() as usize] = *draw;
                empty &= empty - 1;
            }
            self.levels[level].from += many;
        }
    }

    /// The draws of a batch, of which the first `many` are wanted.
    #[inline]
    pub fn draw(&mut self, number: u64, site: u64, draws: &mut [u8; BATCH], many: usize) {
        let mut words = [0; WORDS];
        batch(&self.key, number, [site, self.place[0], self.place[1]], &mut words);
        look_up(&self.steps.tables[0], &words, draws);
        self.fill(0, &mut draws[..many]);
    }
}

#[inline]
fn look_up(table: &[u8; 256], words: &[u64], draws: &mut [u8]) {
    for (draws, word) in draws.chunks_exact_mut(8).zip(words) {
        for (draw, byte) in draws.iter_mut().zip(word.to_le_bytes()) {
            *draw = table[usize::from(byte)];
        }
    }
}

/// A bit for every draw of a group that came up empty.
#[inline]
fn empty(group: &[u8]) -> u64 {
    let (eights, rest) = group.as_chunks::<8>();
    let mut bits = 0;
    for eight in eights {
        // The high bit of a byte of `full` is set unless the byte is EMPTY; the product gathers the others on top.
        let other = !u64::from_le_bytes(*eight);
        let full = ((other & 0x7f7f_7f7f_7f7f_7f7f) + 0x7f7f_7f7f_7f7f_7f7f) | other;
        let gathered = ((!full & 0x8080_8080_8080_8080) >> 7).wrapping_mul(0x0102_0408_1020_4080);
        bits = bits >> 8 | gathered & 0xff00_0000_0000_0000;
    }
    if eights.len() < 8 {
        bits = bits.checked_shr(64 - 8 * eights.len() as u32).unwrap_or(0);
        for (i, draw) in rest.iter().enumerate() {
            bits |= u64::from(*draw == EMPTY) << (8 * eights.len() + i);
        }
    }
    bits
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::params::{K, Mean, Share};

    /// The probability with which the tables and the rest give each step.
    fn drawn(steps: &Steps) -> Vec<f64> {
        let (mut p, mut empty) = (vec![0.0; steps.rest.len()], 1.0);
        for table in &steps.tables {
            let entry = empty / 256.0;
            empty = 0.0;
            for &step in table {
                *p.get_mut(usize::from(step)).unwrap_or(&mut empty) += entry;
            }
        }
        let all = steps.rest.last().unwrap().max(f64::MIN_POSITIVE); // 0 where no draw gets here
        let mut below = 0.0;
        for (p, sum) in p.iter_mut().zip(&steps.rest) {
            *p += empty * (sum - below) / all;
            below = *sum;
        }
        p
    }

    #[test]
    fn the_law_drawn_is_the_law_given() {
        let neg_bin = |m, k| Law::NegBin { mean: Mean::new(m).unwrap(), k: K::new(k).unwrap() };
        for law in [
            neg_bin(1.5, 1.2),
            neg_bin(0.01, 0.1),
            neg_bin(90.0, 0.3),
            Law::Poisson { mean: Mean::new(40.0).unwrap() },
            Law::Binomial { p: Share::new(0.3).unwrap(), units: 9 },
            Law::Binomial { p: Share::new(1.0).unwrap(), units: 3 },
            Law::table(-2, vec![0.25, 0.0, 0.125, 0.5]).unwrap(),
        ] {
            for edge in [1, 20, 254] {
                let mut p = Vec::new();
                law.batch(1, usize::from(edge), &mut p);
                p.resize(usize::from(edge), 0.0);
                p.push(1.0 - p.iter().sum::<f64>());
                for (step, (got, want)) in drawn(&Steps::of(&law, edge)).into_iter().zip(p).enumerate() {
                    assert!((got - want).abs() < 1e-15, "{law:?}, {step} of {edge}: {got:e}, {want:e}");
                }
            }
        }
    }
}
