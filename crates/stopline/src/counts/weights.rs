//! Weights of groups of enemies, as whole numbers on one scale.
//!
//! A weighted sum Σ w·x of counts is worked out in whole numbers: w = W/s with the smallest whole s for which every W is
//! whole, so that totals T = Σ W·x are exact and T/s is the sum. Where all W but those of 0 are equal the sum is W/s
//! times the plain sum of these groups, which is a count; else it is not: with weights 2 and 1 two spiders are as much
//! as one lady beetle, and the law of a count does not hold.

use crate::error::{Code, Error};

/// Largest scale s.
const MOST_SCALE: u64 = 10_000;
/// Largest whole weight W.
const MOST_WHOLE: u64 = 1_000_000;

/// Weights of groups: whole numbers over one scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Weights {
    whole: Vec<(String, u32)>,
    scale: u32,
}

/// Weighted sums of site counts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WeightedSum {
    /// The weights.
    pub weights: Weights,
    /// For each walk, each site, Σ W·x; `None` where one of the groups is missing.
    pub totals: Vec<Vec<Option<u64>>>,
}

impl Weights {
    /// Weights by name, each a number from 0 as it is written: `0.5`, `2`, or a fraction `1/3`.
    ///
    /// # Errors
    /// `usage` for what is no such number, a name given twice, no name, or no weight above 0; `out_of_range` where the
    /// scale would pass 10 000 or a whole weight 1 000 000.
    ///
    /// ```
    /// use stopline::counts::Weights;
    /// let weights = Weights::new(&[("lady_beetles", "1"), ("spiders", "0.5"), ("lacewings", "1/3")])?;
    /// assert_eq!(weights.scale(), 6);
    /// assert_eq!(weights.whole().iter().map(|(_, w)| *w).collect::<Vec<_>>(), [6, 3, 2]);
    /// assert!(!weights.is_count() && Weights::new(&[("spiders", "0.5"), ("mites", "0")])?.is_count());
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn new(weights: &[(&str, &str)]) -> Result<Self, Error> {
        let mut fractions: Vec<(String, u64, u64)> = Vec::new();
        for (name, text) in weights {
            if fractions.iter().any(|(known, ..)| known == name) {
                return Err(Error::new(Code::Usage, "weights", format!("{name} twice"), "every group once"));
            }
            let refused = || {
                let allowed = "a number from 0 with at most 4 decimals, or a fraction such as 1/3";
                Error::new(Code::Usage, format!("weight of {name}"), *text, allowed)
            };
            let (over, under) = fraction(text.trim()).ok_or_else(refused)?;
            fractions.push(((*name).to_owned(), over, under));
        }
        if fractions.iter().all(|(_, over, _)| *over == 0) {
            return Err(Error::new(Code::Usage, "weights", "none", "at least one above 0, as NAME=WEIGHT,..."));
        }
        let wide = |what, value: u64, most| Err(Error::new(Code::OutOfRange, what, value, format!("at most {most}")));
        let mut scale = 1;
        for (_, _, under) in &fractions {
            scale = scale / greatest(scale, *under) * under;
            if scale > MOST_SCALE {
                return wide("scale of the weights, the same for all", scale, MOST_SCALE);
            }
        }
        let mut whole = Vec::with_capacity(fractions.len());
        for (name, over, under) in fractions {
            let weight = over * (scale / under);
            match u32::try_from(weight) {
                Ok(small) if weight <= MOST_WHOLE => whole.push((name, small)),
                _ => return wide("weight as a whole number", weight, MOST_WHOLE),
            }
        }
        Ok(Self { whole, scale: u32::try_from(scale).unwrap_or(u32::MAX) })
    }

    /// Names of the groups with their whole weights W.
    #[must_use]
    pub fn whole(&self) -> &[(String, u32)] {
        &self.whole
    }
    /// The scale s: a weight is W/s.
    #[must_use]
    pub const fn scale(&self) -> u32 {
        self.scale
    }
    /// Whether the sum is a number times a count: all weights above 0 are the same.
    #[must_use]
    pub fn is_count(&self) -> bool {
        let mut above = self.whole.iter().map(|(_, weight)| *weight).filter(|weight| *weight > 0);
        let first = above.next();
        above.all(|weight| Some(weight) == first)
    }
    /// The weights W/s.
    pub fn values(&self) -> impl Iterator<Item = f64> + '_ {
        self.whole.iter().map(|(_, weight)| f64::from(*weight) / f64::from(self.scale))
    }
    /// What one individual adds to the sum where that is a count.
    pub(crate) fn of_one(&self) -> f64 {
        self.values().fold(0.0, f64::max)
    }
}

/// A number of at most 4 decimals, or a fraction, as over and under, reduced.
fn fraction(text: &str) -> Option<(u64, u64)> {
    let digits = |text: &str| -> Option<u64> {
        let plain = text.len() <= 12 && text.bytes().all(|b| b.is_ascii_digit());
        if plain { text.parse().ok() } else { None }
    };
    let (over, under) = match text.split_once('/') {
        Some((over, under)) => (digits(over)?, digits(under).filter(|under| (1..=MOST_SCALE).contains(under))?),
        None => {
            let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
            let decimals = decimals.trim_end_matches('0');
            if whole.is_empty() || decimals.len() > 4 {
                return None;
            }
            let under = decimals.bytes().fold(1, |under, _| 10 * under);
            (digits(whole)? * under + if decimals.is_empty() { 0 } else { digits(decimals)? }, under)
        }
    };
    let common = greatest(over, under);
    Some((over / common, under / common))
}

/// The greatest common divisor; of 0 and b, b.
fn greatest(a: u64, b: u64) -> u64 {
    if a == 0 { b } else { greatest(b % a, a) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_become_whole_numbers_on_the_smallest_scale() {
        let of = |texts: &[&str]| {
            let names = ["a", "b", "c"];
            Weights::new(&names.into_iter().zip(texts.iter().copied()).collect::<Vec<_>>()).map(|weights| {
                (weights.whole.iter().map(|(_, w)| *w).collect::<Vec<_>>(), weights.scale(), weights.is_count())
            })
        };
        assert_eq!(of(&["1", "0.5"]).unwrap(), (vec![2, 1], 2, false));
        assert_eq!(of(&["0.50", "2/4", "0"]).unwrap(), (vec![1, 1, 0], 2, true));
        assert_eq!(of(&["0.25", "0.1", "3"]).unwrap(), (vec![5, 2, 60], 20, false));
        assert_eq!(of(&["3", "3"]).unwrap(), (vec![3, 3], 1, true));
        for bad in ["", "-1", "nan", "inf", "1e3", "0.33333", "1/0", "1/99999", ".5", "1/3.5", "+1", "9999999999999"] {
            assert_eq!(of(&["1", bad]).unwrap_err().code(), Code::Usage, "{bad}");
        }
        assert_eq!(of(&["0", "0"]).unwrap_err().code(), Code::Usage);
        // 9973 and 9967 are primes.
        assert_eq!(of(&["1/9973", "1/9967", "1"]).unwrap_err().code(), Code::OutOfRange);
        assert_eq!(of(&["1000001", "1"]).unwrap_err().code(), Code::OutOfRange);
        assert_eq!(Weights::new(&[("a", "1"), ("a", "2")]).unwrap_err().code(), Code::Usage);
    }
}
