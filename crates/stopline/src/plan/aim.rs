//! What a plan is to find out.

use crate::error::{Code, Error};
use crate::lines::{Call, Column};
use crate::params::{Level, Mean, Risks, Thresholds};

/// What the plan is to find out.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Aim {
    /// Adequate or inadequate, with stated risks at two means. A table typed in from a paper may come
    /// without thresholds or risks.
    TwoCalls {
        /// The two means.
        thresholds: Option<Thresholds>,
        /// The risks to keep.
        risks: Option<Risks>,
    },
    /// Inadequate, marginal or adequate, by two pairs of thresholds.
    ThreeCalls {
        /// Between inadequate and marginal.
        lower: Pair,
        /// Between marginal and adequate.
        upper: Pair,
    },
    /// On which side of one critical mean? The confidence is that of an interval around the mean at a
    /// fixed number of sites (Iwao 1975), no error rate of the plan.
    Interval {
        /// The critical mean.
        critical: Mean,
        /// Nominal confidence of the interval.
        confidence: Level,
        /// Whether the confidence is of one side or of both.
        sides: Sides,
    },
    /// Count until the standard error is at most this part of the mean.
    Precision {
        /// Standard error over mean.
        se_over_mean: Level,
    },
}

/// A pair of thresholds with its risks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// The two means.
    pub thresholds: Thresholds,
    /// The risks at them.
    pub risks: Risks,
}

/// What a nominal confidence is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sides {
    /// Each side by itself.
    One,
    /// Both together.
    Two,
}

impl Sides {
    /// The word used in every language and file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::One => "one",
            Self::Two => "two",
        }
    }

    /// Reads the word.
    ///
    /// # Errors
    /// `usage` for anything else.
    pub fn parse(text: &str) -> Result<Self, Error> {
        [Self::One, Self::Two]
            .into_iter()
            .find(|s| s.as_str() == text)
            .ok_or_else(|| Error::new(Code::Usage, "sides", text, "one, two"))
    }
}

impl Aim {
    /// Two pairs of thresholds.
    ///
    /// # Errors
    /// `combination` unless the lower pair lies below the upper one.
    pub fn three_calls(lower: Pair, upper: Pair) -> Result<Self, Error> {
        let (end, start) = (lower.thresholds.adequate(), upper.thresholds.inadequate());
        if end <= start {
            return Ok(Self::ThreeCalls { lower, upper });
        }
        let allowed = format!("at most {}, the inadequate mean of the upper pair", start.get());
        Err(Error::new(Code::Combination, "adequate mean of the lower pair", end.get(), allowed))
    }

    /// The word used in every language and file.
    #[must_use]
    pub const fn as_str(&self) -> &'static str {
        match self {
            Self::TwoCalls { .. } => "two_calls",
            Self::ThreeCalls { .. } => "three_calls",
            Self::Interval { .. } => "interval",
            Self::Precision { .. } => "precision",
        }
    }

    /// The columns of the table of lines.
    #[must_use]
    pub const fn columns(&self) -> &'static [Column] {
        match self {
            Self::TwoCalls { .. } | Self::Interval { .. } => Column::TWO_CALLS,
            Self::ThreeCalls { .. } => Column::THREE_CALLS,
            Self::Precision { .. } => Column::PRECISION,
        }
    }

    /// The calls that a plan can make, `undecided` at the cap among them.
    #[must_use]
    pub const fn calls(&self) -> &'static [Call] {
        match self {
            Self::TwoCalls { .. } | Self::Interval { .. } => &[Call::Inadequate, Call::Adequate, Call::Undecided],
            Self::ThreeCalls { .. } => &[Call::Inadequate, Call::Marginal, Call::Adequate, Call::Undecided],
            Self::Precision { .. } => &[Call::Enough, Call::Undecided],
        }
    }

    /// The calls whose exact chance a plan states, each with its mean: the wrong ones at thresholds, both
    /// at a critical mean.
    #[must_use]
    pub fn stated(&self) -> Vec<(Mean, Call)> {
        match self {
            Self::TwoCalls { thresholds: Some(t), .. } => {
                vec![(t.inadequate(), Call::Adequate), (t.adequate(), Call::Inadequate)]
            }
            Self::ThreeCalls { lower, upper } => vec![
                (lower.thresholds.inadequate(), Call::Marginal),
                (lower.thresholds.inadequate(), Call::Adequate),
                (lower.thresholds.adequate(), Call::Inadequate),
                (upper.thresholds.inadequate(), Call::Adequate),
                (upper.thresholds.adequate(), Call::Marginal),
                (upper.thresholds.adequate(), Call::Inadequate),
            ],
            Self::Interval { critical, .. } => vec![(*critical, Call::Inadequate), (*critical, Call::Adequate)],
            Self::TwoCalls { thresholds: None, .. } | Self::Precision { .. } => Vec::new(),
        }
    }

    /// For each call that is [stated](Self::stated), the number of the asked risk it counts towards and that
    /// risk; none where no risks are asked.
    #[must_use]
    pub(crate) fn asked_risks(&self) -> Vec<(usize, f64)> {
        let both = |r: &Risks| [r.false_adequate().get(), r.false_inadequate().get()];
        match self {
            Self::TwoCalls { risks: Some(r), .. } => both(r).into_iter().enumerate().collect(),
            Self::ThreeCalls { lower, upper } => {
                let ([a, b], [c, d]) = (both(&lower.risks), both(&upper.risks));
                vec![(0, a), (0, a), (1, b), (2, c), (3, d), (3, d)]
            }
            _ => Vec::new(),
        }
    }

    /// Is a call wrong for every mean from `low` to `high`? `None` where no mean makes it wrong.
    pub(crate) fn contradicted(&self, call: Call, low: f64, high: f64) -> Option<bool> {
        let (below, above) = match (*self, call) {
            // A call is wrong up to the first mean, and from the second one on.
            (Self::TwoCalls { thresholds: Some(t), .. }, Call::Adequate) => (Some(t.inadequate()), None),
            (Self::TwoCalls { thresholds: Some(t), .. }, Call::Inadequate) => (None, Some(t.adequate())),
            (Self::ThreeCalls { upper, .. }, Call::Adequate) => (Some(upper.thresholds.inadequate()), None),
            (Self::ThreeCalls { lower, .. }, Call::Inadequate) => (None, Some(lower.thresholds.adequate())),
            (Self::ThreeCalls { lower, upper }, Call::Marginal) => {
                (Some(lower.thresholds.inadequate()), Some(upper.thresholds.adequate()))
            }
            (Self::Interval { critical, .. }, Call::Adequate) => (Some(critical), None),
            (Self::Interval { critical, .. }, Call::Inadequate) => (None, Some(critical)),
            _ => return None,
        };
        Some(below.is_some_and(|m| high <= m.get()) || above.is_some_and(|m| low >= m.get()))
    }
}
