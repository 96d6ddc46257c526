//! Aims, and lines in the columns of their aim, between a plan and its file.

use super::file::bad;
use super::wire::*;
use super::{Aim, Closing, Design, Pair, Sides};
use crate::error::Error;
use crate::lines::{Call, Column, Row};
use crate::params::{Level, Mean, Risk, Risks, Thresholds};

/// A row in the columns of its aim.
pub(super) fn line(aim: &Aim, row: &Row) -> LineWire {
    let (sites, inadequate_at_most) = (row.at, Column::InadequateAtMost.of(row));
    let adequate_at_least = Column::AdequateAtLeast.of(row);
    match aim {
        Aim::TwoCalls { .. } | Aim::Interval { .. } => {
            LineWire::TwoCalls(TwoCallsLine { sites, inadequate_at_most, adequate_at_least })
        }
        Aim::ThreeCalls { .. } => LineWire::ThreeCalls(ThreeCallsLine {
            sites,
            inadequate_at_most,
            marginal_from: Column::MarginalFrom.of(row),
            marginal_to: Column::MarginalTo.of(row),
            adequate_at_least,
        }),
        Aim::Precision { .. } => {
            LineWire::Precision(PrecisionLine { sites, enough_at_least: Column::EnoughAtLeast.of(row) })
        }
    }
}

/// The row of a line, which must have the columns of the design's aim.
pub(super) fn row(line: &LineWire, design: &Design) -> Result<Row, Error> {
    let undecided = design.closing == Closing::Undecided;
    let closing = |sites| (sites == design.checks.cap() && undecided).then_some(Call::Undecided);
    match (&design.aim, line) {
        (Aim::TwoCalls { .. } | Aim::Interval { .. }, LineWire::TwoCalls(l)) => {
            Ok(Row::two_calls(l.sites, l.inadequate_at_most, l.adequate_at_least, closing(l.sites)))
        }
        (Aim::ThreeCalls { .. }, LineWire::ThreeCalls(l)) => {
            let marginal = match (l.marginal_from, l.marginal_to) {
                (None, None) => None,
                (Some(from), Some(to)) => Some((from, to)),
                _ => return Err(bad("marginal_from and marginal_to", "both, or both null")),
            };
            Ok(Row::three_calls(l.sites, l.inadequate_at_most, marginal, l.adequate_at_least, closing(l.sites)))
        }
        (Aim::Precision { .. }, LineWire::Precision(l)) => {
            Ok(Row::enough(l.sites, l.enough_at_least, closing(l.sites)))
        }
        (aim, _) => {
            let names: Vec<&str> = aim.columns().iter().map(|c| c.as_str()).collect();
            Err(bad("line", format!("sites and {}, as its aim has", names.join(", "))))
        }
    }
}

impl From<&Aim> for AimWire {
    fn from(aim: &Aim) -> Self {
        let thresholds =
            |t: Thresholds| ThresholdsWire { inadequate: t.inadequate().get(), adequate: t.adequate().get() };
        let risks = |r: Risks| RisksWire {
            false_adequate: r.false_adequate().get(),
            false_inadequate: r.false_inadequate().get(),
        };
        let pair = |pair: Pair| PairWire { thresholds: thresholds(pair.thresholds), risks: risks(pair.risks) };
        match *aim {
            Aim::TwoCalls { thresholds: t, risks: r } => {
                Self::TwoCalls { thresholds: t.map(thresholds), risks: r.map(risks) }
            }
            Aim::ThreeCalls { lower, upper } => Self::ThreeCalls { lower: pair(lower), upper: pair(upper) },
            Aim::Interval { critical, confidence, sides } => Self::Interval {
                critical: critical.get(),
                confidence: confidence.get(),
                sides: if sides == Sides::One { SidesWire::One } else { SidesWire::Two },
            },
            Aim::Precision { se_over_mean } => Self::Precision { se_over_mean: se_over_mean.get() },
        }
    }
}

impl AimWire {
    pub(super) fn aim(self) -> Result<Aim, Error> {
        let mean = |m, name: String| Mean::new(m).map_err(|e| e.named(name));
        let risk = |r, name: String| Risk::new(r).map_err(|e| e.named(name));
        let thresholds = |t: ThresholdsWire, of: &str| {
            Thresholds::new(
                mean(t.inadequate, format!("aim.{of}thresholds.inadequate"))?,
                mean(t.adequate, format!("aim.{of}thresholds.adequate"))?,
            )
        };
        let risks = |r: RisksWire, of: &str| {
            Risks::new(
                risk(r.false_adequate, format!("aim.{of}risks.false_adequate"))?,
                risk(r.false_inadequate, format!("aim.{of}risks.false_inadequate"))?,
            )
        };
        let pair = |pair: PairWire, of: &str| -> Result<Pair, Error> {
            Ok(Pair { thresholds: thresholds(pair.thresholds, of)?, risks: risks(pair.risks, of)? })
        };
        match self {
            Self::TwoCalls { thresholds: t, risks: r } => Ok(Aim::TwoCalls {
                thresholds: t.map(|t| thresholds(t, "")).transpose()?,
                risks: r.map(|r| risks(r, "")).transpose()?,
            }),
            Self::ThreeCalls { lower, upper } => Aim::three_calls(pair(lower, "lower.")?, pair(upper, "upper.")?),
            Self::Interval { critical, confidence, sides } => Ok(Aim::Interval {
                critical: mean(critical, "aim.critical".into())?,
                confidence: Level::new(confidence).map_err(|e| e.named("aim.confidence"))?,
                sides: if matches!(sides, SidesWire::One) { Sides::One } else { Sides::Two },
            }),
            Self::Precision { se_over_mean } => {
                Ok(Aim::Precision { se_over_mean: Level::new(se_over_mean).map_err(|e| e.named("aim.se_over_mean"))? })
            }
        }
    }
}
