//! Eight numbers as one value, in the registers of each instruction set.
//!
//! Written out because the compiler's own vectors of the recursion's loops come and go with the shape of
//! the code around them: the recursion takes 1.5 to 1.9 times as long with them (AVX-512, 20 open totals). Only
//! additions, multiplications and the smaller of two, each rounded: every type gives the bits of [`Octet`], which is
//! plain Rust; but where `FUSED`, a product that is added to is not rounded before. Bytes are compared likewise, to
//! tally counts in a third of the time.
//!
//! Values of the other types are only made inside functions compiled for their instruction set (see `dispatch`), which
//! is what makes the `unsafe` blocks sound.
#![allow(unsafe_code)]
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)] // eight lanes of arrays of eight

/// Numbers in a vector of the widest instruction set.
pub(crate) const LANE: usize = 8;

/// Eight numbers that a processor reads at once.
#[derive(Debug, Clone, Copy, PartialEq)]
#[repr(C, align(64))]
pub(crate) struct Octet(pub [f64; LANE]);

impl Octet {
    pub const ZERO: Self = Self([0.0; LANE]);
    pub const ONE: Self = Self([1.0; LANE]);
}

/// Bytes in one of [`Bytes`].
pub(crate) const BYTES: usize = 32;

/// Bytes in registers.
pub(crate) trait Bytes: Copy {
    /// x, throughout.
    fn all(x: u8) -> Self;
    fn read(from: &[u8; BYTES]) -> Self;
    /// Each plus 1 where these are equal, modulo 2⁸.
    fn plus_equal(self, these: (Self, Self)) -> Self;
    fn sum(self) -> u32;
}

impl Bytes for [u8; BYTES] {
    #[inline(always)]
    fn all(x: u8) -> Self {
        [x; BYTES]
    }

    #[inline(always)]
    fn read(from: &[u8; BYTES]) -> Self {
        *from
    }

    #[inline(always)]
    fn plus_equal(mut self, (a, b): (Self, Self)) -> Self {
        for l in 0..BYTES {
            self[l] = self[l].wrapping_add(u8::from(a[l] == b[l]));
        }
        self
    }

    #[inline(always)]
    fn sum(self) -> u32 {
        let mut sum = 0;
        for byte in self {
            sum += u32::from(byte);
        }
        sum
    }
}

/// Eight numbers in registers.
pub(crate) trait Vector: Copy {
    type Bytes: Bytes;

    /// How many of them the registers hold in each of three roles: 1, 2 or 4.
    const BESIDE: usize;
    /// Is [`Vector::times_plus`] rounded once?
    const FUSED: bool;
    /// x, eight times.
    fn all(x: f64) -> Self;
    fn load(from: &Octet) -> Self;
    /// From anywhere.
    fn read(from: &[f64; LANE]) -> Self;
    fn store(self, to: &mut [f64; LANE]);
    /// The smaller, lane by lane.
    fn least(self, other: Self) -> Self;
    fn plus(self, other: Self) -> Self;
    fn times(self, other: Self) -> Self;
    /// self·by + more.
    #[inline(always)]
    fn times_plus(self, by: Self, more: Self) -> Self {
        self.times(by).plus(more)
    }
}

impl Vector for Octet {
    type Bytes = [u8; BYTES];
    const BESIDE: usize = 1;
    const FUSED: bool = false;

    #[inline(always)]
    fn all(x: f64) -> Self {
        Self([x; LANE])
    }

    #[inline(always)]
    fn load(from: &Octet) -> Self {
        *from
    }

    #[inline(always)]
    fn read(from: &[f64; LANE]) -> Self {
        Self(*from)
    }

    #[inline(always)]
    fn store(self, to: &mut [f64; LANE]) {
        *to = self.0;
    }

    #[inline(always)]
    fn least(mut self, other: Self) -> Self {
        for l in 0..LANE {
            self.0[l] = if self.0[l] < other.0[l] { self.0[l] } else { other.0[l] };
        }
        self
    }

    #[inline(always)]
    fn plus(mut self, other: Self) -> Self {
        for l in 0..LANE {
            self.0[l] += other.0[l];
        }
        self
    }

    #[inline(always)]
    fn times(mut self, other: Self) -> Self {
        for l in 0..LANE {
            self.0[l] *= other.0[l];
        }
        self
    }
}

#[cfg(target_arch = "x86_64")]
pub(crate) mod x86 {
    use super::{BYTES, Bytes, LANE, Octet, Vector};
    use core::arch::x86_64::*;

    /// A register of AVX2.
    #[derive(Clone, Copy)]
    pub(crate) struct Bytes32(__m256i);

    impl Bytes for Bytes32 {
        #[inline(always)]
        fn all(x: u8) -> Self {
            // SAFETY: as said above, here and below; loads and stores stay in the bytes or numbers.
            Self(unsafe { _mm256_set1_epi8(x.cast_signed()) })
        }

        #[inline(always)]
        fn read(from: &[u8; BYTES]) -> Self {
            Self(unsafe { _mm256_loadu_si256(from.as_ptr().cast()) })
        }

        #[inline(always)]
        fn plus_equal(self, (a, b): (Self, Self)) -> Self {
            // Equal bytes give −1.
            Self(unsafe { _mm256_sub_epi8(self.0, _mm256_cmpeq_epi8(a.0, b.0)) })
        }

        #[inline(always)]
        fn sum(self) -> u32 {
            unsafe {
                let eights = _mm256_sad_epu8(self.0, _mm256_setzero_si256());
                let halves = _mm_add_epi64(_mm256_castsi256_si128(eights), _mm256_extracti128_si256::<1>(eights));
                let sum = _mm_add_epi64(halves, _mm_unpackhi_epi64(halves, halves));
                _mm_cvtsi128_si32(sum).cast_unsigned()
            }
        }
    }

    /// Two registers of AVX.
    #[derive(Clone, Copy)]
    pub(crate) struct Avx2<const FUSED: bool>(__m256d, __m256d);

    impl<const FUSED: bool> Vector for Avx2<FUSED> {
        type Bytes = Bytes32;
        const BESIDE: usize = 2;
        const FUSED: bool = FUSED;

        #[inline(always)]
        fn all(x: f64) -> Self {
            let x = unsafe { _mm256_set1_pd(x) };
            Self(x, x)
        }

        #[inline(always)]
        fn load(from: &Octet) -> Self {
            let from = from.0.as_ptr();
            unsafe { Self(_mm256_load_pd(from), _mm256_load_pd(from.add(4))) }
        }

        #[inline(always)]
        fn read(from: &[f64; LANE]) -> Self {
            let from = from.as_ptr();
            unsafe { Self(_mm256_loadu_pd(from), _mm256_loadu_pd(from.add(4))) }
        }

        #[inline(always)]
        fn least(self, other: Self) -> Self {
            unsafe { Self(_mm256_min_pd(self.0, other.0), _mm256_min_pd(self.1, other.1)) }
        }

        #[inline(always)]
        fn store(self, to: &mut [f64; LANE]) {
            let to = to.as_mut_ptr();
            unsafe {
                _mm256_storeu_pd(to, self.0);
                _mm256_storeu_pd(to.add(4), self.1);
            }
        }

        #[inline(always)]
        fn plus(self, other: Self) -> Self {
            unsafe { Self(_mm256_add_pd(self.0, other.0), _mm256_add_pd(self.1, other.1)) }
        }

        #[inline(always)]
        fn times(self, other: Self) -> Self {
            unsafe { Self(_mm256_mul_pd(self.0, other.0), _mm256_mul_pd(self.1, other.1)) }
        }

        #[inline(always)]
        fn times_plus(self, by: Self, more: Self) -> Self {
            if !FUSED {
                return self.times(by).plus(more);
            }
            unsafe { Self(_mm256_fmadd_pd(self.0, by.0, more.0), _mm256_fmadd_pd(self.1, by.1, more.1)) }
        }
    }

    /// One register of AVX-512.
    #[derive(Clone, Copy)]
    pub(crate) struct Avx512<const FUSED: bool>(__m512d);

    impl<const FUSED: bool> Vector for Avx512<FUSED> {
        type Bytes = Bytes32;
        const BESIDE: usize = 4;
        const FUSED: bool = FUSED;

        #[inline(always)]
        fn all(x: f64) -> Self {
            Self(unsafe { _mm512_set1_pd(x) })
        }

        #[inline(always)]
        fn load(from: &Octet) -> Self {
            Self(unsafe { _mm512_load_pd(from.0.as_ptr()) })
        }

        #[inline(always)]
        fn read(from: &[f64; LANE]) -> Self {
            Self(unsafe { _mm512_loadu_pd(from.as_ptr()) })
        }

        #[inline(always)]
        fn least(self, other: Self) -> Self {
            Self(unsafe { _mm512_min_pd(self.0, other.0) })
        }

        #[inline(always)]
        fn store(self, to: &mut [f64; LANE]) {
            unsafe { _mm512_storeu_pd(to.as_mut_ptr(), self.0) }
        }

        #[inline(always)]
        fn plus(self, other: Self) -> Self {
            Self(unsafe { _mm512_add_pd(self.0, other.0) })
        }

        #[inline(always)]
        fn times(self, other: Self) -> Self {
            Self(unsafe { _mm512_mul_pd(self.0, other.0) })
        }

        #[inline(always)]
        fn times_plus(self, by: Self, more: Self) -> Self {
            if FUSED { Self(unsafe { _mm512_fmadd_pd(self.0, by.0, more.0) }) } else { self.times(by).plus(more) }
        }
    }
}
