//! What one site adds to the total.
//!
//! Fitting, evaluating, replaying, deciding and walking all go through [`Score::step`], so that what
//! is scored in the field is what was calibrated.

use crate::error::{Code, Error};

/// A running total, or a line on it. Signed, so that a score may subtract.
pub type Total = i64;

/// One site as written down: enemies per group (a missing group is `None`, never 0).
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Site {
    /// Counts, one per group of enemies.
    pub groups: Vec<Option<u32>>,
}

impl Site {
    /// A site with one count.
    #[must_use]
    pub fn of(count: u32) -> Self {
        Self { groups: vec![Some(count)] }
    }

    /// A site with numbers as other languages hold them, one per group; 3.0 is 3.
    ///
    /// # Errors
    /// `entry` for 3.5, −1, NaN and what is above 2³² − 1.
    ///
    /// ```
    /// assert_eq!(stopline::Site::of_numbers(&[Some(3.0)])?, stopline::Site::of(3));
    /// assert!(stopline::Site::of_numbers(&[Some(3.5)]).is_err());
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn of_numbers(groups: &[Option<f64>]) -> Result<Self, Error> {
        Ok(Self { groups: groups.iter().map(|number| number.map(count).transpose()).collect::<Result<_, _>>()? })
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // whole and in range
fn count(number: f64) -> Result<u32, Error> {
    if (0.0..=f64::from(u32::MAX)).contains(&number) && libm::trunc(number) == number {
        Ok(number as u32)
    } else {
        Err(Error::new(Code::Entry, "count", number, "a whole number from 0 to 4294967295"))
    }
}

/// Largest most that a site may be counted to.
const MOST_COUNTED: u32 = 10_000;

/// How a site is scored.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Score {
    /// The enemies of all groups, added.
    Count,
    /// The enemies of all groups, added, but a site is counted no further than to a most: there may be more.
    /// Made by [`Score::capped`].
    #[non_exhaustive]
    Capped {
        /// The most that a site is counted to.
        counted_to: u32,
    },
    /// The number of units of the site (1 = the site as a whole) that hold more than `above` enemies.
    /// Made by [`Score::positive`].
    #[non_exhaustive]
    Positive {
        /// A unit is positive when it holds more than this.
        above: u32,
        /// Units looked at per site; a walk's entries give one count per unit.
        units: u16,
    },
}

impl Score {
    /// The score of positive units.
    ///
    /// # Errors
    /// `out_of_range` for 0 units.
    pub fn positive(above: u32, units: u16) -> Result<Self, Error> {
        if units > 0 {
            Ok(Self::Positive { above, units })
        } else {
            Err(Error::new(Code::OutOfRange, "units", units, "1 to 65535"))
        }
    }

    /// The score of sites that are counted no further than to a most.
    ///
    /// # Errors
    /// `out_of_range` unless that is 1 to 10 000.
    pub fn capped(counted_to: u32) -> Result<Self, Error> {
        if (1..=MOST_COUNTED).contains(&counted_to) {
            Ok(Self::Capped { counted_to })
        } else {
            Err(Error::new(Code::OutOfRange, "counted_to", counted_to, format!("1 to {MOST_COUNTED}")))
        }
    }

    /// The most enemies that a unit is counted to before its score is known; `None` where all are counted.
    #[must_use]
    pub const fn counted_to(&self) -> Option<u32> {
        match *self {
            Score::Count => None,
            Score::Capped { counted_to } => Some(counted_to),
            Score::Positive { above, .. } => Some(above.saturating_add(1)),
        }
    }

    /// The word used in every language and file.
    #[must_use]
    pub const fn as_str(&self) -> &'static str {
        match self {
            Score::Count => "count",
            Score::Capped { .. } => "capped",
            Score::Positive { .. } => "positive",
        }
    }

    /// Most that a site can add, where there is one.
    pub(crate) fn most(&self) -> Option<Total> {
        match self {
            Score::Count => None,
            Score::Capped { counted_to } => Some(Total::from(*counted_to)),
            Score::Positive { units, .. } => Some(Total::from(*units)),
        }
    }

    /// Units of a site, 1 where the site is counted as a whole.
    pub(crate) fn units(&self) -> f64 {
        match self {
            Score::Count | Score::Capped { .. } => 1.0,
            Score::Positive { units, .. } => f64::from(*units),
        }
    }

    /// What `site` adds to the total.
    ///
    /// # Errors
    /// `entry` where a group is missing, no group was counted, or the number of units is not the plan's.
    pub fn step(&self, site: &Site) -> Result<Total, Error> {
        let counts = site
            .groups
            .iter()
            .map(|g| {
                g.ok_or_else(|| {
                    Error::new(
                        Code::Entry,
                        "count",
                        "missing",
                        "a count for every group; skip the site if it was not counted",
                    )
                })
            })
            .collect::<Result<Vec<u32>, Error>>()?;
        if counts.is_empty() {
            return Err(Error::new(Code::Entry, "site", "without counts", "at least one count"));
        }
        match self {
            Score::Count => Ok(counts.iter().map(|&c| Total::from(c)).sum()),
            Score::Capped { counted_to } => {
                Ok(counts.iter().map(|&c| Total::from(c)).sum::<Total>().min((*counted_to).into()))
            }
            Score::Positive { above, units } => {
                if counts.len() == usize::from(*units) {
                    Ok(counts.iter().map(|&c| Total::from(c > *above)).sum())
                } else {
                    Err(Error::new(
                        Code::Entry,
                        "units counted at the site",
                        counts.len(),
                        format!("{units}, as the plan asks"),
                    ))
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_a_site_are_counts() {
        let site = Site::of_numbers(&[Some(-0.0), None, Some(4_294_967_295.0)]).unwrap();
        assert_eq!(site.groups, [Some(0), None, Some(u32::MAX)]);
        for bad in [3.5, -1.0, f64::NAN, f64::INFINITY, 4_294_967_296.0] {
            assert_eq!(Site::of_numbers(&[Some(bad)]).unwrap_err().code(), Code::Entry, "{bad}");
        }
    }

    #[test]
    fn counts_add_and_units_are_judged_one_by_one() {
        let site = Site { groups: vec![Some(2), Some(0), Some(1)] };
        assert_eq!(Score::Count.step(&site).unwrap(), 3);
        assert_eq!([2, 3, 4].map(|c| Score::Capped { counted_to: c }.step(&site).unwrap()), [2, 3, 3]);
        assert!(Score::capped(0).is_err() && Score::capped(10_001).is_err());
        assert_eq!(Score::Positive { above: 0, units: 3 }.step(&site).unwrap(), 2);
        assert_eq!(Score::Positive { above: 1, units: 3 }.step(&site).unwrap(), 1);
        assert!(Score::Positive { above: 0, units: 1 }.step(&site).is_err());
        assert!(Score::Count.step(&Site { groups: vec![Some(1), None] }).is_err());
        assert!(Score::Count.step(&Site::default()).is_err());
    }
}
