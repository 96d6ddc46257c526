#![doc = include_str!("../README.md")]
#![cfg_attr(docsrs, feature(doc_cfg))]

mod card;
pub mod compare;
pub mod counts;
pub mod decide;
pub mod dispersion;
mod elementary;
mod error;
pub mod estimate;
pub mod evaluate;
pub mod law;
mod lines;
mod minutes;
mod params;
pub mod plan;
pub mod replay;
pub mod resample;
mod root;
mod score;
pub mod simulate;
mod special;
pub mod study;
mod watch;

pub use card::{card, lines_in_words, stated, times};
pub use dispersion::Dispersion;
pub use error::{Code, Error, Errors, Place};
pub use lines::{Call, Column, Lines, Row, Stop, Verdict};
pub use minutes::Minutes;
pub use params::{K, Level, MOST_SITES, Mean, Plants, Risk, Risks, Share, Thresholds, Unit};
pub use score::{Score, Site, Total};
pub use watch::{Quiet, Watch};
