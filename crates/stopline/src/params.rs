//! Checked parameters: a value of one of these types is in range, so code below cannot fail on it.
//!
//! The negative binomial is always written with mean m per site and exponent k ("clumping": the
//! smaller k, the more clumped); its variance is m + m²/k.

use crate::error::{Code, Error};
use serde::{Serialize, Serializer};

/// Largest mean, count or total that is accepted: keeps every sum of totals far below 2⁵³.
pub(crate) const LARGEST_MEAN: f64 = 1e9;
/// Most sites a plan may have.
pub const MOST_SITES: u32 = 100_000;

fn number(what: &str, value: f64, allowed: &str) -> Result<(), Error> {
    if value.is_finite() { Ok(()) } else { Err(Error::new(Code::NotANumber, what, value, allowed)) }
}

macro_rules! parameter {
    ($(#[$doc:meta])* $name:ident, $what:literal, $allowed:literal, $test:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// What [`Self::new`] accepts, in words.
            pub const ALLOWED: &'static str = $allowed;

            /// The checked value.
            ///
            /// # Errors
            /// `not_a_number` if not finite, `out_of_range` outside the range of the type.
            pub fn new(value: f64) -> Result<Self, Error> {
                number($what, value, $allowed)?;
                let inside: fn(f64) -> bool = $test;
                if inside(value) {
                    Ok(Self(value))
                } else {
                    Err(Error::new(Code::OutOfRange, $what, value, $allowed))
                }
            }

            /// The plain number.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.serialize_f64(self.0)
            }
        }
    };
}

parameter! {
    /// Mean number of enemies per site (for a share of positive units: that share).
    ///
    /// ```
    /// assert_eq!(stopline::Mean::new(1.5)?.get(), 1.5);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    Mean, "mean", "more than 0, at most 1000000000", |x| x > 0.0 && x <= LARGEST_MEAN
}
parameter! {
    /// Exponent k of the negative binomial: variance m + m²/k. Small k is strong clumping.
    K, "k", "more than 0 (from 1e-9 to 1e12); for counts without clumping use the Poisson model",
    |x| (1e-9..=1e12).contains(&x)
}
parameter! {
    /// Probability of a wrong call, strictly between 0 and 1.
    Risk, "risk", "more than 0 and less than 1", |x| x > 0.0 && x < 1.0
}
parameter! {
    /// A share or probability from 0 to 1.
    Share, "share", "from 0 to 1", |x| (0.0..=1.0).contains(&x)
}
parameter! {
    /// Level of an interval: in repeated sampling it covers the true value at least about this often.
    Level, "level", "more than 0 and less than 1, as 0.95", |x| x > 0.0 && x < 1.0
}

impl Level {
    /// The usual level after stopping.
    pub const NINE_TENTHS: Level = Level(0.9);
}

/// The two means that a plan tells apart: at or below `inadequate` enemies are too few, at or above
/// `adequate` there are enough; between them either call is tolerable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    inadequate: Mean,
    adequate: Mean,
}

impl Thresholds {
    /// A pair with `inadequate < adequate`, both per site.
    ///
    /// # Errors
    /// `thresholds_order` where they are equal or reversed.
    pub fn new(inadequate: Mean, adequate: Mean) -> Result<Self, Error> {
        if inadequate.get() < adequate.get() {
            Ok(Self { inadequate, adequate })
        } else {
            Err(Error::new(
                Code::ThresholdsOrder,
                "inadequate threshold",
                inadequate.get(),
                format!("less than the adequate threshold {}", adequate.get()),
            ))
        }
    }
    /// At or below this mean the field's enemies are inadequate.
    #[must_use]
    pub const fn inadequate(self) -> Mean {
        self.inadequate
    }
    /// At or above this mean they are adequate.
    #[must_use]
    pub const fn adequate(self) -> Mean {
        self.adequate
    }
}

/// The two risks a plan must keep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Risks {
    false_adequate: Risk,
    false_inadequate: Risk,
}

impl Risks {
    /// `false_adequate`: P(called adequate) at the inadequate mean, the dangerous error.
    /// `false_inadequate`: P(called inadequate) at the adequate mean, a needless spray.
    ///
    /// # Errors
    /// `risks_sum` where they add to 1 or more: then no counting is needed to keep them.
    pub fn new(false_adequate: Risk, false_inadequate: Risk) -> Result<Self, Error> {
        let sum = false_adequate.get() + false_inadequate.get();
        if sum < 1.0 {
            Ok(Self { false_adequate, false_inadequate })
        } else {
            Err(Error::new(Code::RisksSum, "false_adequate + false_inadequate", sum, "less than 1"))
        }
    }
    /// P(called adequate) at the inadequate mean.
    #[must_use]
    pub const fn false_adequate(self) -> Risk {
        self.false_adequate
    }
    /// P(called inadequate) at the adequate mean.
    #[must_use]
    pub const fn false_inadequate(self) -> Risk {
        self.false_inadequate
    }
}

/// Number of plants beaten at one site; counts add over them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Plants(u16);

impl Plants {
    /// A single plant.
    pub const ONE: Plants = Plants(1);
    /// What a site is where nobody says it: three plants in a row (common practice, no source).
    pub const USUAL: Plants = Plants(3);

    /// At least one plant.
    ///
    /// # Errors
    /// `out_of_range` at 0.
    pub fn new(plants: u16) -> Result<Self, Error> {
        if plants > 0 { Ok(Self(plants)) } else { Err(Error::new(Code::OutOfRange, "plants", plants, "1 to 65535")) }
    }
    /// The number.
    #[must_use]
    pub const fn get(self) -> u16 {
        self.0
    }
}

/// What a threshold is counted per.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unit {
    /// One site with all its plants.
    Site,
    /// One plant.
    Plant,
    /// A hundred plants.
    HundredPlants,
}

impl Unit {
    /// Every unit, in the order shown to people.
    pub const ALL: [Unit; 3] = [Unit::Site, Unit::Plant, Unit::HundredPlants];

    /// `site`, `plant` or `100-plants`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Unit::Site => "site",
            Unit::Plant => "plant",
            Unit::HundredPlants => "100-plants",
        }
    }

    /// Reads `site`, `plant` or `100-plants`.
    ///
    /// # Errors
    /// `usage` for anything else.
    pub fn parse(text: &str) -> Result<Self, Error> {
        Self::ALL
            .into_iter()
            .find(|u| u.as_str() == text)
            .ok_or_else(|| Error::new(Code::Usage, "unit", text, "site, plant or 100-plants"))
    }

    /// How many of this unit make one site: a number per unit times this is the number per site.
    ///
    /// ```
    /// use stopline::{Plants, Unit};
    /// let per_site = 50.0 * Unit::HundredPlants.in_a_site(Plants::new(3)?);
    /// assert_eq!(per_site, 1.5);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    #[must_use]
    pub fn in_a_site(self, plants: Plants) -> f64 {
        match self {
            Unit::Site => 1.0,
            Unit::Plant => f64::from(plants.get()),
            Unit::HundredPlants => f64::from(plants.get()) / 100.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_what_is_out_of_range() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(Mean::new(bad).unwrap_err().code(), Code::NotANumber);
            assert_eq!(K::new(bad).unwrap_err().code(), Code::NotANumber);
        }
        for bad in [0.0, -0.0, -1.0, 1.0, 1.5] {
            assert_eq!(Risk::new(bad).unwrap_err().code(), Code::OutOfRange);
        }
        assert_eq!(K::new(0.0).unwrap_err().code(), Code::OutOfRange);
        let half = Risk::new(0.5).unwrap();
        assert_eq!(Risks::new(half, half).unwrap_err().code(), Code::RisksSum);
        let (one, two) = (Mean::new(1.0).unwrap(), Mean::new(2.0).unwrap());
        assert_eq!(Thresholds::new(two, one).unwrap_err().code(), Code::ThresholdsOrder);
        assert_eq!(Thresholds::new(one, one).unwrap_err().code(), Code::ThresholdsOrder);
        assert!(Plants::new(0).is_err());
    }
}
