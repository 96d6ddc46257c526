//! One instantiation of the kernels for each instruction set, chosen once a call.
//!
//! With `vector`, the only file with `unsafe`: calling a function compiled for an instruction set needs it, and is
//! sound because an [`InstructionSet`] other than the portable one is only ever made after the
//! processor was asked.
//!
//! The work is plain arithmetic in a fixed order: wider registers change its speed, no bit of its results. Fused
//! multiply-adds, where the set has them, are used for points of a curve, which decide no line, and for a first look at
//! the risks of strips: one that comes near the asked risk is computed again without.
#![allow(unsafe_code)]

#[cfg(target_arch = "x86_64")]
use super::vector::x86;
use super::vector::{Octet, Vector};

/// Work in plain arithmetic, whose results are the same bits under every instruction set.
pub(crate) trait PlainWork {
    /// What it gives.
    type Result;
    /// Does it; with everything it calls marked `#[inline(always)]`, so that it is compiled for the set it runs under.
    fn run(self) -> Self::Result;
}

/// Plain work over vectors that are written out: the recursion and what follows from it.
pub(crate) trait VectorWork {
    /// What it gives.
    type Result;
    /// As [`PlainWork::run`].
    fn run<V: Vector>(self) -> Self::Result;
}

/// Instructions that the kernels may use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct InstructionSet {
    set: Set,
    fused: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Set {
    Portable,
    #[cfg(target_arch = "x86_64")]
    Avx2,
    #[cfg(target_arch = "x86_64")]
    Avx512,
}

impl InstructionSet {
    /// What every machine has.
    pub const PORTABLE: Self = Self::plain(Set::Portable);

    const fn plain(set: Set) -> Self {
        Self { set, fused: false }
    }

    /// The same, with fused multiply-adds over vectors where it has them.
    pub(crate) const fn fused(self) -> Self {
        Self { set: self.set, fused: true }
    }

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
        sets.into_iter().map(Self::plain).collect()
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
                return Self::plain(if wide { Set::Avx512 } else { Set::Avx2 });
            }
        }
        Self::PORTABLE
    }

    /// `portable`, `avx2` or `avx512`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self.set {
            Set::Portable => "portable",
            #[cfg(target_arch = "x86_64")]
            Set::Avx2 => "avx2",
            #[cfg(target_arch = "x86_64")]
            Set::Avx512 => "avx512",
        }
    }

    /// Runs work over the vectors of this set.
    pub(crate) fn over_vectors<W: VectorWork>(self, work: W) -> W::Result {
        match self.set {
            Set::Portable => work.run::<Octet>(),
            // SAFETY: as below.
            #[cfg(target_arch = "x86_64")]
            Set::Avx2 => unsafe {
                if self.fused { avx2_vectors::<true, W>(work) } else { avx2_vectors::<false, W>(work) }
            },
            #[cfg(target_arch = "x86_64")]
            Set::Avx512 => unsafe {
                if self.fused { avx512_vectors::<true, W>(work) } else { avx512_vectors::<false, W>(work) }
            },
        }
    }

    /// Runs plain work compiled for this set.
    pub(crate) fn plainly<W: PlainWork>(self, work: W) -> W::Result {
        match self.set {
            Set::Portable => work.run(),
            // SAFETY: these sets are only made after the processor was asked for the very features.
            #[cfg(target_arch = "x86_64")]
            Set::Avx2 => unsafe { avx2(work) },
            #[cfg(target_arch = "x86_64")]
            Set::Avx512 => unsafe { avx512(work) },
        }
    }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,bmi1,bmi2")]
fn avx2<W: PlainWork>(work: W) -> W::Result {
    work.run()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512vl,avx512dq,avx2,fma,bmi1,bmi2")]
fn avx512<W: PlainWork>(work: W) -> W::Result {
    work.run()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,bmi1,bmi2")]
fn avx2_vectors<const FUSED: bool, W: VectorWork>(work: W) -> W::Result {
    work.run::<x86::Avx2<FUSED>>()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512vl,avx512dq,avx2,fma,bmi1,bmi2")]
fn avx512_vectors<const FUSED: bool, W: VectorWork>(work: W) -> W::Result {
    work.run::<x86::Avx512<FUSED>>()
}
