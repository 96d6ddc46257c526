//! Plans of every kind against published values and slow searches.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]
#![allow(clippy::cast_possible_truncation)]

mod beside;
mod converging;
mod nominal;
mod scores;
mod stages;
mod three_calls;

use stopline::plan::{Aim, Checks, Closing, Design, Pair};
use stopline::{Dispersion, K, Level, Mean, Plants, Risk, Risks, Score, Thresholds};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn constant(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

fn design(dispersion: Dispersion, aim: Aim, checks: Checks, closing: Closing) -> Design {
    Design { score: Score::Count, plants: Plants::new(3).unwrap(), dispersion, aim, checks, closing }
}

fn pair(low: f64, high: f64, risk: f64) -> Pair {
    let risk = Risk::new(risk).unwrap();
    Pair { thresholds: Thresholds::new(mean(low), mean(high)).unwrap(), risks: Risks::new(risk, risk).unwrap() }
}

fn two_calls(low: f64, high: f64, risk: f64) -> Aim {
    let Pair { thresholds, risks } = pair(low, high, risk);
    Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) }
}

fn precision(part: f64) -> Aim {
    Aim::Precision { se_over_mean: Level::new(part).unwrap() }
}
