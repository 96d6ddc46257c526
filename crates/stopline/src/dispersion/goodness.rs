//! How well a fitted law describes the frequencies of a walk's counts: χ² and G over pooled classes.
//!
//! Counts 0, 1, 2, … are put into classes from the left: a class is closed as soon as its own expected
//! number of sites and that of all counts above it both reach `least`; the last class is open. Degrees of
//! freedom are the classes less 1 less the parameters fitted to the sites (2 for the negative binomial, 1
//! for Poisson); the parameters being fitted to the counts themselves and not to the classes, p is a
//! little too small (Chernoff & Lehmann 1954, Ann. Math. Stat. 25:579–586, doi:10.1214/aoms/1177728726).

use super::estimate::Why;
use super::frequencies::Frequencies;
use super::json::number;
use super::probabilities::Probabilities;
use crate::special::chi_square_above;
use serde::ser::{Serialize, SerializeMap, Serializer};

/// Expected number of sites that every class has at least, as usual for χ².
pub const LEAST_EXPECTED: f64 = 5.0;

/// A class of counts.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Class {
    /// Smallest count.
    pub low: u64,
    /// Largest count; `None` in the last class, which has no end.
    pub high: Option<u64>,
    /// Sites in the class.
    pub observed: u64,
    /// Sites expected in it.
    pub expected: f64,
}

/// Agreement of the frequencies of counts with a fitted law.
#[derive(Debug, Clone, PartialEq)]
pub struct GoodnessOfFit {
    /// The classes.
    pub classes: Vec<Class>,
    /// Least expected number of sites of a class.
    pub least_expected: f64,
    /// Σ(observed − expected)²/expected.
    pub chi_square: f64,
    /// 2·Σ observed·ln(observed/expected).
    pub g: f64,
    /// Degrees of freedom; below 1 nothing can be tested.
    pub freedom: i64,
    /// P(χ² so large or larger) if the law were true.
    pub p: Result<f64, Why>,
}

impl Frequencies {
    /// Agreement with the negative binomial at the sample mean and `k`, in classes of at least
    /// `least` expected sites.
    ///
    /// # Errors
    /// Why there is nothing to compare.
    ///
    /// ```
    /// use stopline::dispersion::Frequencies;
    /// // Bliss & Fisher 1953: χ² = 2.49 on 3 degrees of freedom.
    /// let leaves = Frequencies::from_table([(0, 70), (1, 38), (2, 17), (3, 10), (4, 9), (5, 3), (6, 2), (7, 1)])?;
    /// let fit = leaves.goodness(1.0245924, 5.0).unwrap();
    /// assert_eq!(fit.freedom, 3);
    /// assert!((fit.chi_square - 2.490).abs() < 5e-4);
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn goodness(&self, k: f64, least: f64) -> Result<GoodnessOfFit, Why> {
        self.in_classes(k, least, 2)
    }

    /// Agreement with the Poisson law at the sample mean.
    ///
    /// # Errors
    /// Why there is nothing to compare.
    pub fn goodness_poisson(&self, least: f64) -> Result<GoodnessOfFit, Why> {
        self.in_classes(f64::INFINITY, least, 1)
    }

    fn in_classes(&self, k: f64, least: f64, fitted: i64) -> Result<GoodnessOfFit, Why> {
        let m = self.mean().ok_or(Why::NoSites)?;
        if m == 0.0 {
            return Err(Why::AllZero);
        }
        let law = Probabilities::new(m, k)?;
        let sites = self.sites() as f64;
        let mut classes: Vec<Class> = Vec::new();
        let (mut low, mut expected, mut rest) = (0, 0.0, sites);
        for (x, (p, above)) in (0_u64..).zip(law.at.iter().zip(&law.above)) {
            expected += sites * p;
            if expected >= least && sites * above >= least {
                classes.push(Class { low, high: Some(x), observed: 0, expected });
                (low, expected, rest) = (x + 1, 0.0, sites * above);
            }
        }
        classes.push(Class { low, high: None, observed: 0, expected: rest });
        for &(value, number) in self.table() {
            let at = classes.partition_point(|class| class.high.is_some_and(|high| high < value));
            if let Some(class) = classes.get_mut(at) {
                class.observed += number;
            }
        }
        let freedom = i64::try_from(classes.len()).unwrap_or(i64::MAX) - 1 - fitted;
        let (mut chi_square, mut g) = (0.0, 0.0);
        for class in &classes {
            let (observed, expected) = (class.observed as f64, class.expected);
            chi_square += (observed - expected) * (observed - expected) / expected;
            if class.observed > 0 {
                g += 2.0 * observed * libm::log(observed / expected);
            }
        }
        let p = if freedom < 1 { Err(Why::FewClasses) } else { Ok(chi_square_above(chi_square, freedom as f64)) };
        Ok(GoodnessOfFit { classes, least_expected: least, chi_square, g, freedom, p })
    }
}

impl Serialize for GoodnessOfFit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("least_expected", &self.least_expected)?;
        map.serialize_entry("classes", &self.classes)?;
        map.serialize_entry("chi_square", &self.chi_square)?;
        map.serialize_entry("g", &self.g)?;
        map.serialize_entry("freedom", &self.freedom)?;
        number(&mut map, "p", self.p)?;
        map.end()
    }
}
