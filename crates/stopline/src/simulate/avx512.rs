//! `lockstep::step`, 64 walks at a time in AVX-512 (VBMI2): the same draws, the same totals.
//!
//! A table is a vector that random bytes permute; draws that came up empty are filled from the reserve by an
//! expanding load, and the totals that go on close up by a compressing store.
#![allow(unsafe_code)] // vectors in memory, and calls of functions that need what `Wide` says the processor has

use super::lockstep::Totals;
use super::steps::Reserve;
use crate::evaluate::InstructionSet;

#[cfg(target_arch = "x86_64")]
pub(super) use vectors::Wide;

/// Elsewhere there is none.
#[cfg(not(target_arch = "x86_64"))]
#[derive(Clone, Copy)]
pub(super) enum Wide {}

#[cfg(not(target_arch = "x86_64"))]
impl Wide {
    pub const fn of(_: InstructionSet) -> Option<Self> {
        None
    }
    pub fn step(self, _: &mut Reserve, _: u64, _: &mut Totals, _: usize, _: u8, _: u8) -> (usize, usize) {
        match self {}
    }
}

#[cfg(target_arch = "x86_64")]
#[allow(clippy::indexing_slicing)] // positions stay below the number of walks, as in `lockstep`
mod vectors {
    use super::super::steps::{BATCH, GROUP};
    use super::super::threefry::{COUNTERS, Key, rounds};
    use super::{InstructionSet, Reserve, Totals};
    use std::arch::x86_64::*;

    /// The processor has what this file uses.
    #[derive(Clone, Copy)]
    pub struct Wide(());

    impl Wide {
        /// Where the caller allows AVX-512, and the processor has the parts of it that handle bytes.
        pub fn of(set: InstructionSet) -> Option<Self> {
            let has = set.as_str() == "avx512"
                && is_x86_feature_detected!("avx512bw")
                && is_x86_feature_detected!("avx512vbmi")
                && is_x86_feature_detected!("avx512vbmi2")
                && is_x86_feature_detected!("popcnt");
            has.then_some(Self(()))
        }

        /// As `lockstep::step`.
        pub fn step(
            self,
            reserve: &mut Reserve,
            site: u64,
            totals: &mut Totals,
            going: usize,
            shift: u8,
            last: u8,
        ) -> (usize, usize) {
            // SAFETY: a `Wide` is only made where the processor has these features.
            unsafe {
                match (shift, last) {
                    (0, u8::MAX) => step::<false, false>(reserve, site, totals, going, shift, last),
                    (0, _) => step::<false, true>(reserve, site, totals, going, shift, last),
                    _ => step::<true, true>(reserve, site, totals, going, shift, last),
                }
            }
        }
    }

    /// Random batches made at once: independent work hides the latency of the rounds.
    const ABREAST: usize = 4;

    #[inline]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn load(bytes: &[u8], at: usize) -> __m512i {
        // SAFETY: the slice is as long as the vector.
        unsafe { _mm512_loadu_si512(bytes[at..at + GROUP].as_ptr().cast()) }
    }

    #[inline]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn store(bytes: &mut [u8], at: usize, vector: __m512i) {
        // SAFETY: as above.
        unsafe { _mm512_storeu_si512(bytes[at..at + GROUP].as_mut_ptr().cast(), vector) }
    }

    /// The words of `N` batches from `number` on, in the order of `threefry::batch`.
    #[inline]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn batches<const N: usize>(key: &Key, number: u64, place: [u64; 3]) -> [[__m512i; 4]; N] {
        let all = |x: u64| [_mm512_set1_epi64(x.cast_signed()); N];
        let key = |s, i| all(key.word(s, i));
        macro_rules! roll {
            ($r:literal $x:ident $y:ident) => {{
                let mut rolled = $x;
                for (x, y) in rolled.iter_mut().zip($y) {
                    *x = _mm512_xor_si512(_mm512_rol_epi64::<$r>(*x), y);
                }
                rolled
            }};
        }
        let mut counters = [_mm512_set_epi64(7, 6, 5, 4, 3, 2, 1, 0); N];
        for (i, counter) in (number..).zip(&mut counters) {
            let first = i.wrapping_mul(COUNTERS as u64);
            *counter = _mm512_add_epi64(*counter, _mm512_set1_epi64(first.cast_signed()));
        }
        let mut a = add(counters, key(0, 0));
        let mut b = add(all(place[0]), key(0, 1));
        let mut c = add(all(place[1]), key(0, 2));
        let mut d = add(all(place[2]), key(0, 3));
        rounds!(a b c d, add, roll, key);
        let mut out = [[_mm512_setzero_si512(); 4]; N];
        for (i, out) in out.iter_mut().enumerate() {
            *out = [a[i], b[i], c[i], d[i]];
        }
        out
    }

    #[inline]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn add<const N: usize>(mut x: [__m512i; N], y: [__m512i; N]) -> [__m512i; N] {
        for (x, y) in x.iter_mut().zip(y) {
            *x = _mm512_add_epi64(*x, y);
        }
        x
    }

    /// Random bytes for the draws of `N` batches; returns how many that are.
    #[inline(never)]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn bytes<const N: usize>(key: &Key, number: u64, place: [u64; 3], out: &mut [u8; ABREAST * BATCH]) -> usize {
        for (i, vectors) in batches::<N>(key, number, place).into_iter().enumerate() {
            for (j, vector) in vectors.into_iter().enumerate() {
                store(out, BATCH * i + GROUP * j, vector);
            }
        }
        N
    }

    /// The entries of a table at random bytes.
    #[inline]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn look_up(table: [__m512i; 4], random: __m512i) -> __m512i {
        let low = _mm512_permutex2var_epi8(table[0], random, table[1]);
        let high = _mm512_permutex2var_epi8(table[2], random, table[3]);
        _mm512_mask_blend_epi8(_mm512_movepi8_mask(random), low, high)
    }

    /// As `lockstep::step`, without counting those below (`LOW`) or closing up (`CLOSE`) where there is no need.
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn step<const LOW: bool, const CLOSE: bool>(
        reserve: &mut Reserve,
        site: u64,
        totals: &mut Totals,
        going: usize,
        shift: u8,
        last: u8,
    ) -> (usize, usize) {
        let table = [0, 1, 2, 3].map(|i| load(&reserve.steps.tables[0], GROUP * i));
        let (empty, shift, last) = (_mm512_set1_epi8(-1), all(shift), all(last));
        let (mut stay, mut below) = (0, 0);
        let mut random = [0; ABREAST * BATCH];
        let mut start = 0;
        while start < going {
            let place = [site, reserve.place[0], reserve.place[1]];
            let number = (start / BATCH) as u64;
            let batches = match (going - start).div_ceil(BATCH) {
                1 => bytes::<1>(&reserve.key, number, place, &mut random),
                2 | 3 => bytes::<2>(&reserve.key, number, place, &mut random),
                _ => bytes::<ABREAST>(&reserve.key, number, place, &mut random),
            };
            let end = going.min(start + batches * BATCH);
            let mut at = start;
            while at < end {
                if reserve.levels[0].to < reserve.levels[0].from + GROUP {
                    refill(reserve, 0);
                }
                let ready = &mut reserve.levels[0];
                let (mut from, enough) = (ready.from, ready.to - GROUP);
                let mut group = |wanted: u64, at: usize| {
                    let draws = look_up(table, load(&random, at - start));
                    let none = _mm512_cmpeq_epi8_mask(draws, empty) & wanted;
                    let draws = _mm512_mask_expand_epi8(draws, none, load(&ready.draws, from));
                    from += none.count_ones() as usize;
                    let total = _mm512_adds_epu8(draws, load(totals, at));
                    let lowered = _mm512_sub_epi8(total, shift);
                    if LOW {
                        below += (_mm512_cmplt_epu8_mask(total, shift) & wanted).count_ones() as usize;
                    }
                    if CLOSE {
                        let keep = _mm512_cmple_epu8_mask(lowered, last) & wanted;
                        store(totals, stay, _mm512_maskz_compress_epi8(keep, lowered));
                        stay += keep.count_ones() as usize;
                    } else {
                        store(totals, at, total);
                    }
                    from <= enough
                };
                let mut more = true;
                while more && at + GROUP <= end {
                    more = group(u64::MAX, at);
                    at += GROUP;
                }
                if more && at < end {
                    group((1 << (end - at)) - 1, at);
                    at = end;
                }
                ready.from = from;
            }
            start = end;
        }
        (if CLOSE { stay } else { going }, below)
    }

    #[inline]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn all(x: u8) -> __m512i {
        _mm512_set1_epi8(x.cast_signed())
    }

    /// As `Reserve::ready`.
    #[inline(never)]
    #[target_feature(enable = "avx512vbmi,avx512vbmi2,popcnt")]
    fn refill(reserve: &mut Reserve, level: usize) {
        let table = [0, 1, 2, 3].map(|i| load(&reserve.steps.tables[level + 1], GROUP * i));
        let place = [(1 + level as u64) << 32, reserve.place[0], reserve.place[1]];
        let ready = &mut reserve.levels[level];
        ready.draws.copy_within(ready.from..ready.to, 0);
        ready.to -= ready.from;
        ready.from = 0;
        let [random] = batches::<1>(&reserve.key, ready.batches, place);
        ready.batches += 1;
        for random in random {
            let mut draws = look_up(table, random);
            let none = _mm512_cmpeq_epi8_mask(draws, all(u8::MAX));
            draws = _mm512_mask_expand_epi8(draws, none, load(reserve.ready(level + 1, GROUP), 0));
            reserve.levels[level + 1].from += none.count_ones() as usize;
            let ready = &mut reserve.levels[level];
            store(&mut ready.draws, ready.to, draws);
            ready.to += GROUP;
        }
    }
}
