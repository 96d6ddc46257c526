//! Would fewer sites do? Fixed numbers of sites and plans side by side, all exactly.
//!
//! Under one dispersion and one pair of thresholds: chances of wrong calls, sites, standard errors and minutes of each
//! [`Way`] to walk a field. *Minutes* follow from the mean number of sites, since the enemies counted are those of
//! a site times E N (Wald's identity). *Visits* are independent given the field: some call is wrong with 1 − (1 − p)^visits. *A
//! season* averages over field means. *Sites for a precision* are n = (1/m + 1/k)/D², D being standard error over mean
//! (Karandinos 1976, Bull. Entomol. Soc. Am. 22:417–421): a number of sites decided on beforehand, whatever the lines.
//!
//! Everything holds for sites that are independent; where neighbours are alike, risks are larger.

mod common;
mod conclusion;
mod season;
mod way;

pub use common::{in_common, most_clumped_third};
pub use season::Season;
pub use way::{At, Risked, Way, WayCompared};

use crate::decide::{Caution, standing_cautions};
use crate::dispersion::{Dispersion, FieldMeans};
use crate::error::{Code, Error};
use crate::minutes::Minutes;
use crate::params::{K, Mean, Plants, Thresholds};
use crate::score::Score;
use crate::watch::{Watch, tell};
use serde::Serialize;
use serde::ser::{SerializeStruct, Serializer};

/// Numbers of sites that people walk, and fewer (25 to 30: common practice, no source).
pub const USUAL_SITES: [u32; 5] = [10, 15, 20, 25, 30];
/// Standard errors over mean, usual for pest management and for research (convention credited to Southwood, from
/// memory).
pub const PRECISIONS: [f64; 2] = [0.25, 0.10];

/// What everything is compared under.
#[derive(Debug, Clone, PartialEq)]
pub struct Ground {
    /// What a site adds to the total.
    pub score: Score,
    /// Plants of a site.
    pub plants: Plants,
    /// How counts vary; of an interval of k its best single value.
    pub under: Dispersion,
    /// The two means that are told apart.
    pub thresholds: Thresholds,
    /// True means at which sites are shown.
    pub means: Vec<Mean>,
    /// Another dispersion at which wrong calls are shown too, with its name: fields that are more clumped.
    pub clumped: Option<(String, Dispersion)>,
    /// Means of past fields, with weights.
    pub past: Option<FieldMeans>,
    /// The user's own times.
    pub timings: Option<Minutes>,
    /// Visits to a field in a season.
    pub visits: u32,
}

/// Means of half the lower threshold, it, the geometric middle, the upper threshold and twice it; of shares the same of
/// their odds.
///
/// # Errors
/// `out_of_range` where twice the upper threshold is no mean.
pub fn means_around(thresholds: Thresholds, shares: bool) -> Result<[Mean; 5], Error> {
    let (low, high) = (thresholds.inadequate(), thresholds.adequate());
    let (a, b) = (to_odds(low, shares), to_odds(high, shares));
    let mean = |x: f64| from_odds(x, shares);
    Ok([mean(0.5 * a)?, low, mean(libm::sqrt(a * b))?, high, mean(2.0 * b)?])
}

fn to_odds(mean: Mean, shares: bool) -> f64 {
    let m = mean.get();
    if shares { m / (1.0 - m) } else { m }
}

fn from_odds(x: f64, shares: bool) -> Result<Mean, Error> {
    Mean::new(if shares { x / (1.0 + x) } else { x })
}

/// Sites at which the standard error over the mean is as small as asked.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ForPrecision {
    /// True mean per site.
    pub mean: f64,
    /// Standard error over mean.
    pub se_over_mean: f64,
    /// n = variance/(m·D)², not rounded.
    pub sites: f64,
}

/// Ways to walk a field side by side. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// What was compared under.
    pub ground: Ground,
    /// One a way, in the order given.
    pub ways: Vec<WayCompared>,
    /// Sites that a precision takes, by mean; empty where the total is no sum of counts.
    pub for_precision: Vec<ForPrecision>,
    /// What it comes to, in sentences with their conditions.
    pub conclusion: Vec<String>,
    /// What always is to be known.
    pub cautions: Vec<Caution>,
}

/// Compares ways to walk a field.
///
/// # Errors
/// `combination` where there is nothing to compare or the score and a dispersion do not fit; `out_of_range` for 0
/// visits; `too_much_work`, `interrupted`.
///
/// ```
/// use stopline::compare::{Ground, USUAL_SITES, Way, compare, means_around};
/// use stopline::{Dispersion, K, Mean, Plants, Quiet, Score, Thresholds};
/// let thresholds = Thresholds::new(Mean::new(1.5)?, Mean::new(3.0)?)?;
/// let ground = Ground { score: Score::Count, plants: Plants::new(3)?, under: Dispersion::ConstantK { k: K::new(2.0)? },
///     thresholds, means: means_around(thresholds, false)?.to_vec(), clumped: None, past: None, timings: None, visits: 1 };
/// let ways = USUAL_SITES.map(|n| Way::always(n, &ground)).into_iter().collect::<Result<Vec<_>, _>>()?;
/// let fifteen = &compare(&ground, &ways, &Quiet)?.ways[1];
/// assert!((fifteen.risks.false_adequate.unwrap() - 0.0835).abs() < 5e-5);
/// assert!((fifteen.risks.false_inadequate.unwrap() - 0.0921).abs() < 5e-5);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn compare(ground: &Ground, ways: &[Way], watch: &dyn Watch) -> Result<Comparison, Error> {
    if ways.is_empty() {
        return Err(Error::about(Code::Combination, "comparison of nothing", "a plan or a number of sites"));
    }
    if ground.visits == 0 {
        return Err(Error::new(Code::OutOfRange, "visits", 0, "1 or more"));
    }
    let of = ways.len() as u64;
    let one = |(done, way): (u64, &Way)| {
        tell(watch, done, of)?;
        WayCompared::of(way, ground, watch)
    };
    let compared = (0..).zip(ways).map(one).collect::<Result<Vec<_>, _>>()?;
    let conclusion = conclusion::conclusion(ground, &compared, watch)?;
    let (for_precision, cautions) = (for_precision(ground)?, standing_cautions());
    Ok(Comparison { ground: ground.clone(), ways: compared, for_precision, conclusion, cautions })
}

/// Whether a standard error of the plain mean is one of the mean in question.
fn estimates_mean(ground: &Ground) -> bool {
    ground.score == Score::Count || ground.under.of_shares()
}

fn for_precision(ground: &Ground) -> Result<Vec<ForPrecision>, Error> {
    let mut found = Vec::new();
    for &mean in ground.means.iter().filter(|_| estimates_mean(ground)) {
        for se_over_mean in PRECISIONS {
            let reach = mean.get() * se_over_mean;
            let sites = way::variance(ground, mean)? / (reach * reach);
            found.push(ForPrecision { mean: mean.get(), se_over_mean, sites });
        }
    }
    Ok(found)
}

impl Serialize for Comparison {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let ground = &self.ground;
        let mut object = serializer.serialize_struct("Comparison", 14)?;
        object.serialize_field("format", "stopline/comparison")?;
        object.serialize_field("version", &1)?;
        object.serialize_field("dispersion", ground.under.name())?;
        object.serialize_field("k", &ground.under.constant_k().map(K::get))?;
        object.serialize_field("plants", &ground.plants.get())?;
        object.serialize_field("inadequate", &ground.thresholds.inadequate())?;
        object.serialize_field("adequate", &ground.thresholds.adequate())?;
        object.serialize_field("visits", &ground.visits)?;
        object.serialize_field("timings", &ground.timings)?;
        object.serialize_field("field_means", &ground.past.as_ref().map(|past| &past.at))?;
        object.serialize_field("ways", &self.ways)?;
        object.serialize_field("sites_for_precision", &self.for_precision)?;
        object.serialize_field("conclusion", &self.conclusion)?;
        object.serialize_field("cautions", &self.cautions)?;
        object.end()
    }
}
