//! The library against the golden vectors of `tests/vectors`, which a 50-digit script makes from
//! independent formulas. A suite that compared nothing fails.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]

mod derived;
mod evaluate;
mod exits;
mod pmf;
mod published;
mod reader;
mod tolerance;
mod wald_lines;
