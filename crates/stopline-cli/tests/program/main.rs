//! The program, run as people and other programs run it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing, clippy::panic)] // tests

mod apart;
mod bad_input;
mod commands;
mod counts_files;
mod fewer;
mod outside_kinds;
mod outside_values;
mod readme;
mod run;
mod studies;
mod tables;
mod walking;
mod workbooks;
mod writing;
