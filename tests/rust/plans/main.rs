//! Plans against an evaluation and a search that share nothing with the library.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    missing_docs
)]

mod calibrated;
mod case;
mod direct;
mod exhaustive;
