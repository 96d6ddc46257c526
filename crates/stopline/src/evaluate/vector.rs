//! Eight numbers as one value, in the registers of each instruction set.
//!
//! Written out because the compiler's own vectors of the recursion's loops come and go with the shape of
//! the code around them: the recursion takes 1.5 to 1.9 times as long with them (AVX-512, 20 open totals). Only
//! additions and multiplications, each rounded: every type gives the bits of [`Octet`], which is plain
//! Rust; but where `FUSED`, a product that is added to is not rounded before. Values of the other types are only made inside functions compiled for their instruction set
//! (see `dispatch`), which is what makes the `unsafe` blocks sound.
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

/// Eight numbers in registers.
pub(crate) trait Vector: Copy {
    /// How many of them the registers hold in each of three roles: 1, 2 or 4.
    const BESIDE: usize;
    /// Is [`Vector::times_plus`] rounded once?
    const FUSED: bool;
    /// x, eight times.
    fn all(x: f64) -> Self;
    fn load(from: &Octet) -> Self;
    fn store(self, to: &mut [f64; LANE]);
    fn plus(self, other: Self) -> Self;
    fn times(self, other: Self) -> Self;
    /// self·by + more.
    #[inline(always)]
    fn times_plus(self, by: Self, more: Self) -> Self {
        self.times(by).plus(more)
    }
}

impl Vector for Octet {
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
    fn store(self, to: &mut [f64; LANE]) {
        *to = self.0;
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
    use super::{LANE, Octet, Vector};
    use core::arch::x86_64::*;

    /// Two registers of AVX.
    #[derive(Clone, Copy)]
    pub(crate) struct Avx2<const FUSED: bool>(__m256d, __m256d);

    impl<const FUSED: bool> Vector for Avx2<FUSED> {
        const BESIDE: usize = 2;
        const FUSED: bool = FUSED;

        #[inline(always)]
        fn all(x: f64) -> Self {
            // SAFETY: as said above, here and below; loads and stores stay in the eight numbers.
            let x = unsafe { _mm256_set1_pd(x) };
            Self(x, x)
        }

        #[inline(always)]
        fn load(from: &Octet) -> Self {
            let from = from.0.as_ptr();
            unsafe { Self(_mm256_load_pd(from), _mm256_load_pd(from.add(4))) }
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
