//! The probabilities of the counts of one site under a fitted law, as far up as they matter.

use super::estimate::Why;
use crate::law::Law;
use crate::params::{K, Mean};

/// Most counts in a table.
const MOST_COUNTS: f64 = 2_097_152.0;

/// P(X = x) and P(X > x) for x = 0, 1, … up to where less than about 1e-17 is left.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Probabilities {
    pub at: Vec<f64>,
    pub above: Vec<f64>,
}

impl Probabilities {
    /// Of the negative binomial with mean m and exponent k; of the Poisson law where k is infinite.
    pub fn new(m: f64, k: f64) -> Result<Self, Why> {
        let mean = Mean::new(m).map_err(|_| Why::TooLarge)?;
        let law = if k > 1e12 {
            Law::Poisson { mean }
        } else {
            Law::NegBin { mean, k: K::new(k).map_err(|_| Why::TooLarge)? }
        };
        // Far above the mean the tail falls by 1/e every Q = 1 + m/k counts; near it like a normal one.
        let q = 1.0 + m / k;
        let length = m + 12.0 * libm::sqrt(m * q) + 45.0 * q + 20.0;
        if length > MOST_COUNTS {
            return Err(Why::TooLarge);
        }
        let mut at = Vec::new();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // from 1 to MOST_COUNTS
        law.batch(1, length as usize, &mut at);
        let mut above = vec![0.0; at.len()];
        let mut sum = 0.0;
        for (above, p) in above.iter_mut().zip(&at).rev() {
            *above = sum;
            sum += p;
        }
        Ok(Self { at, above })
    }
}
