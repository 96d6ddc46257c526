//! Optimal plans: a list of varied designs, plans that are kept as files, and tiny designs where every plan can be tried.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)]

mod case;
mod designs;
mod every_plan;
mod files;
