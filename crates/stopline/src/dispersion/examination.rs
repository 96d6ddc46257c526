//! Everything a single walk's counts tell beside k: its precision, and tests of the laws that are fitted.

use super::against_poisson::PoissonTest;
use super::drawn::Draws;
use super::estimate::Why;
use super::frequencies::Frequencies;
use super::goodness::{GoodnessOfFit, LEAST_EXPECTED};
use super::json::part;
use super::shape::Shape;
use crate::error::Error;
use crate::watch::{Quiet, Watch};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// Tests of the laws fitted to a walk.
#[derive(Debug, Clone, PartialEq)]
pub struct Examination {
    /// χ² of the negative binomial at the k by maximum likelihood.
    pub negative_binomial: Result<GoodnessOfFit, Why>,
    /// χ² of the Poisson law.
    pub poisson: Result<GoodnessOfFit, Why>,
    /// Whether the sites vary more than independent counts would.
    pub clumping: Result<PoissonTest, Why>,
    /// Variance, third moment and empty sites against the negative binomial.
    pub shape: Shape,
}

impl Frequencies {
    /// Tests of the laws fitted to these counts.
    ///
    /// # Errors
    /// `not_converged` if a bounded search does not end: not known to happen.
    ///
    /// ```
    /// use stopline::dispersion::{Draws, Frequencies, How};
    /// let walk = Frequencies::of(&[0, 3, 1, 0, 8, 2, 2, 0, 5, 1, 1, 4])?;
    /// let tests = walk.examine(Draws::new(199, 20)?)?;
    /// let clumping = tests.clumping.unwrap();
    /// assert!(clumping.p.how == How::Exact && clumping.p.p < 0.01); // clearly clumped
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn examine(&self, draws: Draws) -> Result<Examination, Error> {
        self.examine_watched(draws, &Quiet)
    }

    /// The same, watched.
    ///
    /// # Errors
    /// `interrupted`.
    pub(super) fn examine_watched(&self, draws: Draws, watch: &dyn Watch) -> Result<Examination, Error> {
        Ok(Examination {
            negative_binomial: self.k_ml()?.or_why().and_then(|k| self.goodness(k, LEAST_EXPECTED)),
            poisson: self.goodness_poisson(LEAST_EXPECTED),
            clumping: self.against_poisson_watched(draws, watch)?,
            shape: self.shape_watched(draws, watch)?,
        })
    }
}

impl Serialize for Examination {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        part(&mut map, "negative_binomial", &self.negative_binomial)?;
        part(&mut map, "poisson", &self.poisson)?;
        part(&mut map, "clumping", &self.clumping)?;
        map.serialize_entry("shape", &self.shape)?;
        map.end()
    }
}
