//! The sites at which the total is compared with the lines, and how a plan closes.

use crate::error::{Code, Error};
use crate::params::MOST_SITES;

/// The checks of a plan.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Checks {
    /// `min_sites`, then every `every` sites, and always `max_sites` (so the last batch may be short).
    /// Made by [`Checks::every`].
    #[non_exhaustive]
    Every {
        /// First check.
        min_sites: u32,
        /// The cap.
        max_sites: u32,
        /// Sites from one check to the next.
        every: u32,
    },
    /// A rising list; the last is the cap. Made by [`Checks::at`].
    #[non_exhaustive]
    At(Vec<u32>),
}

impl Checks {
    /// Checks from `min_sites` to `max_sites`, `every` so many sites.
    ///
    /// # Errors
    /// `out_of_range` unless all are at least 1 and the cap at most [`MOST_SITES`]; `checks` where the
    /// first check exceeds the cap.
    ///
    /// ```
    /// use stopline::plan::Checks;
    /// assert_eq!(Checks::every(5, 12, 3)?.sites(), [5, 8, 11, 12]);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn every(min_sites: u32, max_sites: u32, every: u32) -> Result<Self, Error> {
        for (what, value) in [("min_sites", min_sites), ("max_sites", max_sites), ("every", every)] {
            if value == 0 || value > MOST_SITES {
                return Err(Error::new(Code::OutOfRange, what, value, format!("1 to {MOST_SITES}")));
            }
        }
        if min_sites > max_sites {
            return Err(Error::new(Code::Checks, "min_sites", min_sites, format!("at most max_sites, {max_sites}")));
        }
        Ok(Self::Every { min_sites, max_sites, every })
    }

    /// Checks at these sites.
    ///
    /// # Errors
    /// `checks` unless they rise from at least 1 to at most [`MOST_SITES`].
    pub fn at(sites: Vec<u32>) -> Result<Self, Error> {
        let rising = sites.windows(2).all(|w| matches!(w, &[a, b] if a < b));
        let (first, last) = (sites.first().copied().unwrap_or(0), sites.last().copied().unwrap_or(0));
        if first == 0 || last > MOST_SITES || !rising {
            return Err(Error::new(
                Code::Checks,
                "list of checks",
                format!("{sites:?}"),
                format!("rising numbers of sites from 1 to {MOST_SITES}"),
            ));
        }
        Ok(Self::At(sites))
    }

    /// Every check in order.
    #[must_use]
    pub fn sites(&self) -> Vec<u32> {
        match self {
            Self::Every { min_sites, max_sites, every } => {
                let step = usize::try_from(*every).unwrap_or(1);
                (*min_sites..*max_sites).step_by(step).chain([*max_sites]).collect()
            }
            Self::At(sites) => sites.clone(),
        }
    }

    /// The first check.
    #[must_use]
    pub fn first(&self) -> u32 {
        match self {
            Self::Every { min_sites, .. } => *min_sites,
            Self::At(sites) => sites.first().copied().unwrap_or(0),
        }
    }

    /// The most sites of a walk.
    #[must_use]
    pub fn cap(&self) -> u32 {
        match self {
            Self::Every { max_sites, .. } => *max_sites,
            Self::At(sites) => sites.last().copied().unwrap_or(0),
        }
    }

    /// The same rhythm up to another cap: a list keeps what lies below it, and goes on with its last step.
    #[must_use]
    pub(crate) fn with_cap(&self, cap: u32) -> Self {
        match self {
            Self::Every { min_sites, every, .. } => {
                Self::Every { min_sites: (*min_sites).min(cap), max_sites: cap, every: *every }
            }
            Self::At(sites) => {
                let mut kept: Vec<u32> = sites.iter().copied().filter(|&n| n < cap).collect();
                let last = kept.last().copied().unwrap_or(0);
                let step = match kept.as_slice() {
                    [.., a, b] => b - a,
                    _ => last.max(1),
                };
                let mut next = last.saturating_add(step);
                while next < cap {
                    kept.push(next);
                    next = next.saturating_add(step);
                }
                kept.push(cap);
                Self::At(kept)
            }
        }
    }
}

/// How a plan ends at its cap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Closing {
    /// By one of the calls.
    Call,
    /// Undecided between the lines.
    Undecided,
}

impl Closing {
    /// `call` or `undecided`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Call => "call",
            Self::Undecided => "undecided",
        }
    }
    /// Reads `call` or `undecided`.
    ///
    /// # Errors
    /// `usage` for anything else.
    pub fn parse(text: &str) -> Result<Self, Error> {
        [Self::Call, Self::Undecided]
            .into_iter()
            .find(|c| c.as_str() == text)
            .ok_or_else(|| Error::new(Code::Usage, "closing", text, "call or undecided"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn checks_always_hold_the_cap() {
        assert_eq!(Checks::every(5, 5, 3).unwrap().sites(), [5]);
        assert_eq!(Checks::every(1, 7, 3).unwrap().sites(), [1, 4, 7]);
        assert_eq!(Checks::every(6, 5, 1).unwrap_err().code(), Code::Checks);
        assert_eq!(Checks::every(0, 5, 1).unwrap_err().code(), Code::OutOfRange);
        for bad in [vec![], vec![0, 2], vec![3, 3], vec![4, 2], vec![MOST_SITES + 1]] {
            assert_eq!(Checks::at(bad).unwrap_err().code(), Code::Checks);
        }
        assert_eq!(Checks::at(vec![10, 29]).unwrap().with_cap(60).sites(), [10, 29, 48, 60]);
        assert_eq!(Checks::at(vec![5, 10, 30]).unwrap().with_cap(12).sites(), [5, 10, 12]);
    }
}
