//! One instantiation of the kernels for each instruction set, chosen once a call.
//!
//! The only file with `unsafe`: calling a function compiled for an instruction set needs it, and is
//! sound because an [`InstructionSet`] other than the portable one is only ever made after the
//! processor was asked.
#![allow(unsafe_code)]

#[cfg(target_arch = "x86_64")]
use super::kernel::Fused;
use super::kernel::{Lanes, Plain, Stretch, Tilted, recur, tilt};

/// Work in plain arithmetic, whose results are the same bits under every instruction set.
pub(crate) trait PlainWork {
    /// What it gives.
    type Result;
    /// Does it; with everything it calls marked `#[inline(always)]`, so that it is compiled for the set it runs under.
    fn run(self) -> Self::Result;
}

/// Instructions that the kernels may use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct InstructionSet(Set);

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Set {
    Portable,
    #[cfg(target_arch = "x86_64")]
    Avx2,
    #[cfg(target_arch = "x86_64")]
    Avx512,
}

impl InstructionSet {
    /// Plain arithmetic, the same bits on every machine.
    pub const PORTABLE: Self = Self(Set::Portable);

    /// Every set that this processor has, the portable first and the best last.
    #[must_use]
    pub fn all() -> Vec<Self> {
        #[allow(unused_mut)]
        let mut sets = vec![Set::Portable];
        #[cfg(target_arch = "x86_64")]
        {
            let avx2 = is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma");
            if avx2 {
                sets.push(Set::Avx2);
            }
            if avx2
                && is_x86_feature_detected!("avx512f")
                && is_x86_feature_detected!("avx512vl")
                && is_x86_feature_detected!("avx512dq")
            {
                sets.push(Set::Avx512);
            }
        }
        sets.into_iter().map(Self).collect()
    }

    /// The best set of this processor.
    #[must_use]
    pub fn best() -> Self {
        #[cfg(target_arch = "x86_64")]
        {
            // Asking costs a few nanoseconds: the standard library remembers the answer.
            if is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma") {
                let wide = is_x86_feature_detected!("avx512f")
                    && is_x86_feature_detected!("avx512vl")
                    && is_x86_feature_detected!("avx512dq");
                return Self(if wide { Set::Avx512 } else { Set::Avx2 });
            }
        }
        Self::PORTABLE
    }

    /// `portable`, `avx2` or `avx512`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self.0 {
            Set::Portable => "portable",
            #[cfg(target_arch = "x86_64")]
            Set::Avx2 => "avx2",
            #[cfg(target_arch = "x86_64")]
            Set::Avx512 => "avx512",
        }
    }

    /// Runs plain work compiled for this set.
    pub(crate) fn plainly<W: PlainWork>(self, work: W) -> W::Result {
        match self.0 {
            Set::Portable => work.run(),
            // SAFETY: these sets are only made after the processor was asked for the very features.
            #[cfg(target_arch = "x86_64")]
            Set::Avx2 => unsafe { avx2::plainly(work) },
            #[cfg(target_arch = "x86_64")]
            Set::Avx512 => unsafe { avx512::plainly(work) },
        }
    }

    pub(super) fn recur(self, stretch: &Stretch<'_>, cells: &mut [f64], exponents: &mut Vec<i32>) -> bool {
        match self.0 {
            Set::Portable => recur::<Plain, 2>(stretch, cells, exponents),
            // SAFETY: these sets are only made after the processor was asked for the very features.
            #[cfg(target_arch = "x86_64")]
            Set::Avx2 => unsafe { avx2::recur(stretch, cells, exponents) },
            #[cfg(target_arch = "x86_64")]
            Set::Avx512 => unsafe { avx512::recur(stretch, cells, exponents) },
        }
    }

    pub(super) fn tilt(
        self,
        stretch: &Stretch<'_>,
        cells: &[f64],
        exponents: &[i32],
        block: &mut Tilted,
        open: Option<&mut Vec<Lanes>>,
    ) {
        match self.0 {
            Set::Portable => tilt::<Plain, 12, true>(stretch, cells, exponents, block, open),
            // SAFETY: as above.
            #[cfg(target_arch = "x86_64")]
            Set::Avx2 => unsafe { avx2::tilt(stretch, cells, exponents, block, open) },
            #[cfg(target_arch = "x86_64")]
            Set::Avx512 => unsafe { avx512::tilt(stretch, cells, exponents, block, open) },
        }
    }
}

#[cfg(target_arch = "x86_64")]
macro_rules! instantiate {
    ($name:ident, $features:literal, $tile:literal, $chains:literal) => {
        mod $name {
            use super::{Fused, Lanes, PlainWork, Stretch, Tilted};

            #[target_feature(enable = $features)]
            pub fn plainly<W: PlainWork>(work: W) -> W::Result {
                work.run()
            }

            #[target_feature(enable = $features)]
            pub fn recur(stretch: &Stretch<'_>, cells: &mut [f64], exponents: &mut Vec<i32>) -> bool {
                super::recur::<Fused, $tile>(stretch, cells, exponents)
            }

            #[target_feature(enable = $features)]
            pub fn tilt(
                stretch: &Stretch<'_>,
                cells: &[f64],
                exponents: &[i32],
                block: &mut Tilted,
                open: Option<&mut Vec<Lanes>>,
            ) {
                super::tilt::<Fused, $chains, true>(stretch, cells, exponents, block, open);
            }
        }
    };
}

#[cfg(target_arch = "x86_64")]
instantiate!(avx2, "avx2,fma,bmi1,bmi2", 3, 24);
#[cfg(target_arch = "x86_64")]
instantiate!(avx512, "avx512f,avx512vl,avx512dq,avx2,fma,bmi1,bmi2", 4, 48);
