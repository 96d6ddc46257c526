//! How often each small count occurs.
//!
//! Where the largest count of a block is small, the counts are packed into bytes and compared with each value in
//! turn, many at once; a table that is counted up needs about two steps of the processor a count, this a fraction of one.
#![allow(clippy::indexing_slicing)] // indices are made to be below the length of their array
#![allow(clippy::needless_range_loop)] // lanes of several arrays in step

use crate::evaluate::{BYTES, Bytes, InstructionSet, Vector, VectorWork};

/// Counts in a block: what is found of them in one place of a register stays within a byte.
const BLOCK: usize = 255 * BYTES;
/// The largest count in a block for which comparing is quicker.
const LARGEST_COMPARED: u8 = 40;

/// Frequencies of the counts 0, 1, …; the last of all counts from `BINS − 1` on.
pub(super) fn tally<const BINS: usize>(counts: &[u32]) -> [u64; BINS] {
    let set = InstructionSet::best();
    let mut all = [0; BINS];
    let mut packed = Vec::with_capacity(counts.len().min(BLOCK) / BYTES + 1);
    let mut rest = counts;
    while !rest.is_empty() {
        let (block, others) = rest.split_at(rest.len().min(BLOCK));
        if !set.over_vectors(Compare { counts: block, packed: &mut packed, all: &mut all }) {
            // Counts too large for it will come again.
            count_up(rest, &mut all);
            break;
        }
        rest = others;
    }
    all
}

/// Adds the frequencies of a block to those of all; whether its counts are small enough, or nothing was done.
struct Compare<'a> {
    counts: &'a [u32],
    packed: &'a mut Vec<[u8; BYTES]>,
    all: &'a mut [u64],
}

impl VectorWork for Compare<'_> {
    type Result = bool;

    #[inline(always)]
    fn run<V: Vector>(self) -> bool {
        let Self { counts, packed, all } = self;
        if V::BESIDE == 1 {
            return false; // the table is quicker
        }
        packed.clear();
        let (full, rest) = counts.as_chunks::<BYTES>();
        let mut largest = [0; BYTES];
        for counts in full {
            packed.push(pack(counts, &mut largest));
        }
        // Filled with what no count is compared with.
        let mut last = [0; BYTES];
        last[..rest.len()].copy_from_slice(rest);
        let mut bytes = pack(&last, &mut largest);
        bytes[rest.len()..].fill(u8::MAX);
        packed.push(bytes);
        let mut most = 0;
        for l in 0..BYTES {
            most = most.max(largest[l]);
        }
        let Some(most) =
            u8::try_from(most).ok().filter(|&most| most <= LARGEST_COMPARED && usize::from(most) + 1 < all.len())
        else {
            return false;
        };
        for (value, all) in (0..=most).zip(all) {
            let value = V::Bytes::all(value);
            // Two sums in turn, so that neither waits for itself.
            let mut found = [V::Bytes::all(0); 2];
            let (twos, one) = packed.as_chunks::<2>();
            for [a, b] in twos {
                found[0] = found[0].plus_equal((V::Bytes::read(a), value));
                found[1] = found[1].plus_equal((V::Bytes::read(b), value));
            }
            for a in one {
                found[0] = found[0].plus_equal((V::Bytes::read(a), value));
            }
            *all += u64::from(found[0].sum() + found[1].sum());
        }
        true
    }
}

/// The counts as bytes, and the largest of each lane.
#[inline(always)]
#[allow(clippy::cast_possible_truncation)] // looked at together with the largest
fn pack(counts: &[u32; BYTES], largest: &mut [u32; BYTES]) -> [u8; BYTES] {
    let mut bytes = [0; BYTES];
    for l in 0..BYTES {
        largest[l] = largest[l].max(counts[l]);
        bytes[l] = counts[l] as u8;
    }
    bytes
}

fn count_up<const BINS: usize>(counts: &[u32], all: &mut [u64; BINS]) {
    // Four tables in turn, so that a run of one value does not wait for its own last addition; in
    // blocks that keep them within 32 bits.
    for block in counts.chunks(1 << 30) {
        let mut turns = [[0_u32; BINS]; 4];
        let (fours, rest) = block.as_chunks::<4>();
        for four in fours {
            for (bins, &count) in turns.iter_mut().zip(four) {
                bins[(count as usize).min(BINS - 1)] += 1;
            }
        }
        for &count in rest {
            turns[0][(count as usize).min(BINS - 1)] += 1;
        }
        let [a, b, c, d] = turns;
        for ((((all, a), b), c), d) in all.iter_mut().zip(a).zip(b).zip(c).zip(d) {
            *all += u64::from(a) + u64::from(b) + u64::from(c) + u64::from(d);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    #[test]
    fn compared_counted_up_and_sorted_counts_agree() {
        let mut rng = ChaCha8Rng::seed_from_u64(41);
        let mut seen = [false; 2];
        for size in [0, 1, 31, 32, 33, 1000, BLOCK - 1, BLOCK, BLOCK + 1, 3 * BLOCK + 17] {
            for most in
                [0, 1, 12, u32::from(LARGEST_COMPARED), u32::from(LARGEST_COMPARED) + 1, 62, 63, 64, 255, 300, u32::MAX]
            {
                let counts: Vec<u32> = (0..size).map(|_| rng.next_u32() % most.saturating_add(1).max(1)).collect();
                let mut sorted = [0; 64];
                counts.iter().for_each(|&count| sorted[count.min(63) as usize] += 1);
                assert_eq!(tally::<64>(&counts), sorted, "{size} up to {most}");
                for set in InstructionSet::all() {
                    for block in counts.chunks(BLOCK) {
                        let (mut compared, mut up) = ([0; 64], [0; 64]);
                        let done =
                            set.over_vectors(Compare { counts: block, packed: &mut Vec::new(), all: &mut compared });
                        count_up(block, &mut up);
                        assert_eq!(compared, if done { up } else { [0; 64] }, "{size} up to {most}, {set:?}");
                        seen[usize::from(done)] = true;
                    }
                }
            }
        }
        assert!(seen[0], "some counts are too large");
        assert!(seen[1] || InstructionSet::all().len() == 1, "some are compared");
    }
}
