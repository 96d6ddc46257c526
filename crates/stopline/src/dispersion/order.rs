//! Whether neighbouring sites along a walk are alike.
//!
//! Plans take sites as independent. Where clumps are wider than a site, neighbours share them, and the risks of a plan
//! are larger than it says. Three looks at it, over all walks, each walk about its own mean; random order of the
//! sites within walks gives p, which needs no law:
//!
//! - correlation of neighbours (numbers of sites differing by 1), + 1/(n − 1) so that random order gives 0;
//! - mean square between runs of sites over that within runs, counts divided by the walk's standard deviation; runs
//!   are sites 1–g, g+1–2g, … by their numbers;
//! - ρ, the share of the extra-Poisson variance m²/k that sites of a run share (`shared`).

use super::drawn::{Chance, Draws, P, reaches, share};
use super::estimate::{Why, common_k};
use super::frequencies::Frequencies;
use super::json::part;
use super::shared::{MOST_WORK, SharedClumping, checked, shared};
use crate::counts::FieldWalk;
use crate::error::Error;
use crate::params::Level;
use crate::watch::{Watch, tell};
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

/// Most sites put into random order.
const MOST_SHUFFLED: f64 = 3e8;

/// A statistic with its chance in random order.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Along {
    /// Its value.
    pub value: f64,
    /// Chance of so large a value or a larger one if the sites were in random order.
    #[serde(flatten)]
    pub p: P,
}

/// What the order of the sites tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Order {
    /// Correlation of neighbours.
    pub neighbours: Result<Along, Why>,
    /// Mean square between runs over that within them.
    pub runs: Result<Along, Why>,
    /// ρ over runs.
    pub shared: Result<SharedClumping, Why>,
    /// Sites of a run.
    pub run_length: u32,
    /// Walks with two different counts and two runs.
    pub walks: usize,
    /// Level of the limits of ρ.
    pub level: Level,
}

/// A walk whose counts differ, with what does not change when its sites are put into another order.
struct Walk {
    /// Counts in order.
    counts: Vec<f64>,
    /// Number of the run of each site.
    runs: Vec<u32>,
    /// Whether each site but the first is the neighbour of the one before.
    after: Vec<bool>,
    mean: f64,
    /// Σ(x − mean)².
    squares: f64,
    number_of_runs: f64,
}

impl Walk {
    fn new(walk: &FieldWalk, run_length: u32) -> Option<Self> {
        let present = walk.sites.iter().zip(&walk.counts).filter_map(|(&site, &count)| Some((site, count?)));
        let (sites, counts): (Vec<u32>, Vec<f64>) = present.map(|(site, count)| (site, f64::from(count))).unzip();
        let n = counts.len() as f64;
        let mean = counts.iter().sum::<f64>() / n;
        let squares: f64 = counts.iter().map(|x| (x - mean) * (x - mean)).sum();
        let runs: Vec<u32> = sites.iter().map(|site| site.saturating_sub(1) / run_length).collect();
        let number_of_runs = runs.chunk_by(|a, b| a == b).count() as f64;
        let after = sites.iter().zip(sites.iter().skip(1)).map(|(a, b)| a.checked_add(1) == Some(*b)).collect();
        let walk = Self { counts, runs, after, mean, squares, number_of_runs };
        (squares > 0.0 && number_of_runs > 1.0 && number_of_runs < n).then_some(walk)
    }

    fn sites(&self) -> f64 {
        self.counts.len() as f64
    }
    fn neighbours(&self) -> f64 {
        self.after.iter().filter(|after| **after).count() as f64
    }

    /// Σ of products of deviations over neighbours, over their variance with divisor n.
    fn product_of_neighbours(&self) -> f64 {
        let pairs = self.counts.iter().zip(self.counts.iter().skip(1)).zip(&self.after);
        let sum: f64 = pairs.filter(|(_, after)| **after).map(|((a, b), _)| (a - self.mean) * (b - self.mean)).sum();
        sum * self.sites() / self.squares
    }

    /// The sum of each run, with its number of sites.
    fn run_sums(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let mut counts = self.counts.iter();
        self.runs.chunk_by(|a, b| a == b).map(move |run| (counts.by_ref().take(run.len()).sum(), run.len() as f64))
    }

    /// Σ of squares between runs, over the variance with divisor n − 1.
    fn between_runs(&self) -> f64 {
        let sum: f64 =
            self.run_sums().map(|(sum, sites)| (sum - sites * self.mean) * (sum - sites * self.mean) / sites).sum();
        sum * (self.sites() - 1.0) / self.squares
    }
}

/// What the order of the sites along these walks tells, in runs of `run_length` sites.
///
/// # Errors
/// `out_of_range` unless 2 ≤ `run_length` ≤ 1000; `interrupted` if the caller stops it.
///
/// ```
/// use stopline::{Level, Quiet, counts::{Counts, Reading}, dispersion::{Draws, Why, order}};
/// let mut table = "field,site,count\n".to_owned();
/// for site in 1..=40 {
///     let count = if (site - 1) / 5 % 2 == 0 { 6 + site % 3 } else { site % 2 };
///     table += &format!("heron,{site},{count}\n");
/// }
/// let walks = Counts::read(table.as_bytes(), &Reading::default())?.walks;
/// let order = order(&walks, 5, Level::new(0.95)?, Draws::new(999, 1)?, &Quiet)?;
/// assert!(order.neighbours.unwrap().value > 0.4 && order.runs.unwrap().p.p <= 0.001);
/// assert_eq!(order.shared, Err(Why::FewWalks)); // a single walk cannot tell ρ
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn order(
    walks: &[FieldWalk],
    run_length: u32,
    level: Level,
    draws: Draws,
    watch: &dyn Watch,
) -> Result<Order, Error> {
    checked(run_length)?;
    let tables = walks.iter().map(|walk| Frequencies::of(&walk.present().collect::<Vec<_>>()));
    let k = common_k(&tables.collect::<Result<Vec<_>, _>>()?, level)?.conditional.k.or_why();
    let shared = shared(walks, run_length, k, level, MOST_WORK, watch)?;
    let mut walks: Vec<Walk> = walks.iter().filter_map(|walk| Walk::new(walk, run_length)).collect();
    let number = walks.len();
    if number == 0 {
        let none = Err(Why::NoRuns);
        return Ok(Order { neighbours: none, runs: none, shared, run_length, walks: 0, level });
    }
    let (neighbours, runs) = (correlation(&walks), ratio(&walks));
    let sites: f64 = walks.iter().map(Walk::sites).sum();
    if sites * f64::from(draws.number()) > MOST_SHUFFLED {
        let none = Err(Why::TooLarge);
        return Ok(Order { neighbours: none, runs: none, shared, run_length, walks: number, level });
    }
    let mut chance: Chance = draws.stream(4);
    let mut as_extreme = [0_u32; 2];
    for done in 0..draws.number() {
        tell(watch, done.into(), draws.number().into())?;
        walks.iter_mut().for_each(|walk| chance.shuffle(&mut walk.counts));
        as_extreme[0] += neighbours.map_or(0, |found| u32::from(reaches(correlation(&walks).unwrap_or(found), found)));
        as_extreme[1] += u32::from(reaches(ratio(&walks), runs));
    }
    let along = |value, extreme| Along { value, p: share(extreme, draws.number()) };
    let [of_neighbours, of_runs] = as_extreme;
    Ok(Order {
        neighbours: neighbours.map(|value| along(value, of_neighbours)),
        runs: Ok(along(runs, of_runs)),
        shared,
        run_length,
        walks: number,
        level,
    })
}

/// The correlation of neighbours over all walks.
fn correlation(walks: &[Walk]) -> Result<f64, Why> {
    let (mut sum, mut pairs) = (0.0, 0.0);
    for walk in walks {
        let own = walk.neighbours();
        sum += walk.product_of_neighbours() + own / (walk.sites() - 1.0);
        pairs += own;
    }
    if pairs > 0.0 { Ok(sum / pairs) } else { Err(Why::NoNeighbours) }
}

/// Mean square between runs over that within.
fn ratio(walks: &[Walk]) -> f64 {
    let (mut between, mut within, mut runs, mut rest) = (0.0, 0.0, 0.0, 0.0);
    for walk in walks {
        let own = walk.between_runs();
        between += own;
        within += walk.sites() - 1.0 - own;
        runs += walk.number_of_runs - 1.0;
        rest += walk.sites() - walk.number_of_runs;
    }
    // Counts may be equal within every run: as far apart as can be.
    (between / runs) / (within.max(1e-12) / rest)
}

impl Order {
    /// Of walks whose order is not known.
    pub(super) const fn unknown(run_length: u32, level: Level) -> Self {
        let (neighbours, runs) = (Err(Why::NoOrder), Err(Why::NoOrder));
        Self { neighbours, runs, shared: Err(Why::NoOrder), run_length, walks: 0, level }
    }

    /// Whether the walks show that neighbours are alike: a plan that takes sites as independent has larger risks.
    #[must_use]
    pub fn alike(&self) -> bool {
        let small = |along: Result<Along, Why>| along.is_ok_and(|along| along.p.p <= 0.05);
        small(self.neighbours) || small(self.runs) || self.shared.is_ok_and(|shared| shared.low > 0.0)
    }
}

impl Serialize for Order {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        part(&mut map, "neighbours", &self.neighbours)?;
        part(&mut map, "runs", &self.runs)?;
        part(&mut map, "shared", &self.shared)?;
        map.serialize_entry("run_length", &self.run_length)?;
        map.serialize_entry("walks", &self.walks)?;
        map.serialize_entry("level", &self.level)?;
        map.serialize_entry("alike", &self.alike())?;
        map.end()
    }
}
