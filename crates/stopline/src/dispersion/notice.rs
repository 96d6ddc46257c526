//! Walks that a person should look at before trusting what is fitted to them: nothing found, a single site, equal counts,
//! and a count far above the others.
//!
//! A count is far above the others if, by the law fitted to them (m, and k at its lower limit), less than one walk in a
//! thousand would have one so large. It is asked only where the others are five sites and five individuals or more. It
//! may be a clump, or a slip of the pen; it stays in the fit.

use super::frequencies::Frequencies;
use crate::error::Error;
use crate::law::Law;
use crate::params::{K, Level, Mean};
use serde::Serialize;
use std::fmt;

/// Least number of other sites and of individuals there.
const ENOUGH: u64 = 5;
/// The chance below which a count is far above the others.
const RARE: f64 = 1e-3;

/// What a person should look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(tag = "what", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Notice {
    /// No site has a count.
    NoSites,
    /// Every count is 0.
    AllZero,
    /// There is one site.
    OneSite,
    /// The same count at every site, more than 0.
    EqualCounts,
    /// One count is far above the others.
    FarAbove {
        /// The count.
        count: u64,
    },
}

impl fmt::Display for Notice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSites => f.write_str("no site has a count"),
            Self::AllZero => f.write_str("every count is 0"),
            Self::OneSite => f.write_str("a single site"),
            Self::EqualCounts => f.write_str("the same count at every site"),
            Self::FarAbove { count } => write!(f, "one count, {count}, is far above the others: a clump, or a slip?"),
        }
    }
}

impl Notice {
    pub(super) fn of(walk: &Frequencies, level: Level) -> Result<Option<Self>, Error> {
        let table = walk.table();
        Ok(match (walk.sites(), walk.sum(), table) {
            (0, ..) => Some(Self::NoSites),
            (_, 0, _) => Some(Self::AllZero),
            (1, ..) => Some(Self::OneSite),
            (.., [_]) => Some(Self::EqualCounts),
            (.., [others @ .., (count, 1)]) => {
                let others = Frequencies::from_table(others.iter().copied())?;
                let enough = others.sites() >= ENOUGH && others.sum() >= u128::from(ENOUGH);
                let far = enough && beyond(&others, *count, level)? * (walk.sites() as f64) < RARE;
                far.then_some(Self::FarAbove { count: *count })
            }
            _ => None,
        })
    }
}

/// The chance of a count from `count` on, by the law fitted to the others.
fn beyond(others: &Frequencies, count: u64, level: Level) -> Result<f64, Error> {
    let (Some(mean), Some(limits)) = (others.mean().and_then(|m| Mean::new(m).ok()), others.cox_reid(level)?.interval)
    else {
        return Ok(1.0);
    };
    let law = K::new(limits.low).map_or(Law::Poisson { mean }, |k| Law::NegBin { mean, k });
    Ok(law.more_than(u32::try_from(count.saturating_sub(1)).unwrap_or(u32::MAX)))
}
