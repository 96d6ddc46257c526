//! Eight numbers as one value, which the compiler puts in the registers of each instruction set.
//!
//! Only additions and multiplications, each rounded: the same bits in registers of every width.

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
