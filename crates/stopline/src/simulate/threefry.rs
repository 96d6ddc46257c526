//! Random bits as a function of where they are used: Threefry-4×64 of 13 rounds.
//!
//! A counter-based generator has no state to hand on: every word is computed from the seed and its place alone, so
//! that results depend neither on the number of threads nor on the order of work nor on the machine. The authors
//! know of no statistical flaw from 12 rounds on (Random123 1.14.0, `threefry.h`); their known answers for 13
//! rounds are the test below.
//!
//! Salmon, Moraes, Dror & Shaw 2011, "Parallel random numbers: as easy as 1, 2, 3", SC '11,
//! doi:10.1145/2063384.2063405.
#![allow(clippy::indexing_slicing)] // arrays of fixed length

/// Counters of a batch.
pub(super) const COUNTERS: usize = 8;
/// Words of a batch: the first words of its counters, then their second, third and fourth.
pub(super) const WORDS: usize = 4 * COUNTERS;

/// What all draws of a simulation have in common, with the parity word of the key schedule.
#[derive(Debug, Clone, Copy)]
pub(super) struct Key(pub [u64; 5]);

impl Key {
    pub fn of(key: [u64; 4]) -> Self {
        let [a, b, c, d] = key;
        Self([a, b, c, d, a ^ b ^ c ^ d ^ 0x1BD1_1BDA_A9FC_1A22])
    }

    /// Word `i` of the `s`-th addition of the key.
    #[inline]
    pub fn word(&self, s: usize, i: usize) -> u64 {
        self.0[(s + i) % 5].wrapping_add(if i == 3 { s as u64 } else { 0 })
    }
}

/// The rounds on words `a`, `b`, `c`, `d` that already hold counter and key, given functions `add(x, y)` and
/// `key(s, i)`, and a macro `roll!(R x y)` = (x rolled left by R) xor y.
macro_rules! rounds {
    ($a:ident $b:ident $c:ident $d:ident, $add:path, $roll:ident, $key:expr) => {{
        macro_rules! mix {
            ($x:ident $y:ident $r:literal) => {
                $x = $add($x, $y);
                $y = $roll!($r $y $x);
            };
        }
        macro_rules! two {
            ($r0:literal $r1:literal $r2:literal $r3:literal) => {
                mix!($a $b $r0);
                mix!($c $d $r1);
                mix!($a $d $r2);
                mix!($c $b $r3);
            };
        }
        macro_rules! key {
            ($s:literal) => {
                $a = $add($a, $key($s, 0));
                $b = $add($b, $key($s, 1));
                $c = $add($c, $key($s, 2));
                $d = $add($d, $key($s, 3));
            };
        }
        two!(14 16 52 57);
        two!(23 40 5 37);
        key!(1);
        two!(25 33 46 12);
        two!(58 22 32 32);
        key!(2);
        two!(14 16 52 57);
        two!(23 40 5 37);
        key!(3);
        mix!($a $b 25);
        mix!($c $d 33);
    }};
}
pub(super) use rounds;

/// The words of a batch at `place`.
#[inline]
pub(super) fn batch(key: &Key, batch: u64, place: [u64; 3], words: &mut [u64; WORDS]) {
    let first = batch.wrapping_mul(COUNTERS as u64);
    let word = |s, i| key.word(s, i);
    macro_rules! roll {
        ($r:literal $x:ident $y:ident) => {
            $x.rotate_left($r) ^ $y
        };
    }
    for counter in 0..COUNTERS {
        let mut a = first.wrapping_add(counter as u64).wrapping_add(word(0, 0));
        let mut b = place[0].wrapping_add(word(0, 1));
        let mut c = place[1].wrapping_add(word(0, 2));
        let mut d = place[2].wrapping_add(word(0, 3));
        rounds!(a b c d, u64::wrapping_add, roll, word);
        words[counter] = a;
        words[counter + COUNTERS] = b;
        words[counter + 2 * COUNTERS] = c;
        words[counter + 3 * COUNTERS] = d;
    }
}

/// Words one after the other.
#[derive(Debug)]
pub(super) struct Stream {
    key: Key,
    place: [u64; 3],
    batches: u64,
    words: [u64; WORDS],
    used: usize,
}

impl Stream {
    pub fn new(key: Key, place: [u64; 3]) -> Self {
        Self { key, place, batches: 0, words: [0; WORDS], used: WORDS }
    }

    /// 64 random bits.
    #[inline]
    pub fn word(&mut self) -> u64 {
        if self.used == WORDS {
            batch(&self.key, self.batches, self.place, &mut self.words);
            self.batches += 1;
            self.used = 0;
        }
        let word = self.words[self.used];
        self.used += 1;
        word
    }

    /// A number in [0, 1), of 53 random bits.
    #[inline]
    pub fn unit(&mut self) -> f64 {
        (self.word() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    /// A whole number below `many`, which is at most 2³²: as even as 53 bits are.
    pub fn below(&mut self, many: usize) -> usize {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // below `many`
        let place = (self.unit() * many as f64) as usize;
        place.min(many.saturating_sub(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `threefry4x64 13` in `tests/kat_vectors` of Random123 1.14.0: counter, key, words.
    const KNOWN: [([u64; 4], [u64; 4], [u64; 4]); 3] = [
        ([0; 4], [0; 4], [0x4071_fabe_e1dc_8e05, 0x02ed_3113_695c_9c62, 0x3973_11b5_b89f_9d49, 0xe212_92c3_2580_24bc]),
        (
            [u64::MAX; 4],
            [u64::MAX; 4],
            [0x7eae_d935_4797_22b5, 0x9099_4358_c429_f31c, 0x4963_8108_3e07_a75b, 0x627e_d0d7_4682_1121],
        ),
        (
            [0x243f_6a88_85a3_08d3, 0x1319_8a2e_0370_7344, 0xa409_3822_299f_31d0, 0x082e_fa98_ec4e_6c89],
            [0x4528_21e6_38d0_1377, 0xbe54_66cf_34e9_0c6c, 0xc0ac_29b7_c97c_50dd, 0x3f84_d5b5_b547_0917],
            [0x4361_288e_f9c1_900c, 0x8717_2915_2178_2833, 0x0d19_db18_c20c_f47e, 0xa0b4_1d63_ac85_81e5],
        ),
    ];

    #[test]
    fn words_are_the_published_ones() {
        for ([first, place @ ..], key, known) in KNOWN {
            let mut words = [0; WORDS];
            let counter = usize::try_from(first % COUNTERS as u64).unwrap();
            batch(&Key::of(key), first / COUNTERS as u64, place, &mut words);
            assert_eq!([0, 1, 2, 3].map(|i| words[COUNTERS * i + counter]), known);
        }
    }

    #[test]
    fn a_stream_is_its_batches() {
        let key = Key::of([5, 0, 0, 0]);
        let mut stream = Stream::new(key, [1, 2, 3]);
        let mut words = [0; WORDS];
        for number in 0..3 {
            batch(&key, number, [1, 2, 3], &mut words);
            for word in words {
                assert_eq!(stream.unit(), (word >> 11) as f64 / 2.0_f64.powi(53));
            }
        }
    }
}
