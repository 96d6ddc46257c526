//! How many plants to a site: variance between sites and between the plants of a site.
//!
//! Where plants were counted apart, the mean squares between the sites of a walk (B) and between the plants of a site (W),
//! over all walks, give the variance of plants W and of sites (B − W)/g, g plants a site (analysis of variance). A mean
//! over n sites of g plants has variance (σ²_sites + σ²_plants/g)/n and costs n·(c_site + g·(c_plant + c_enemy·m))
//! minutes, so for the same precision the minutes go with (σ²_sites + σ²_plants/g)·(c_site + g·c): the least over whole
//! g (Cochran 1977, Sampling Techniques, 3rd ed., § 10.6). Whether sites differ at all is asked by random order of the
//! plants of a walk. Site totals alone cannot tell: a site of 2 with 1 + 1 and one with 2 + 0 look the same.

use super::drawn::{Draws, P, reaches, share};
use super::estimate::Why;
use super::fit::Fit;
use super::json::part;
use crate::counts::Counts;
use crate::error::{Code, Error};
use crate::minutes::Minutes;
use crate::params::Plants;
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// Most plants of a site that are looked at.
const MOST_PLANTS: u16 = 100;
/// Most plants put into random order.
const MOST_SHUFFLED: f64 = 3e8;

/// What the plants of sites tell.
#[derive(Debug, Clone, PartialEq)]
pub struct PlantsOfSites {
    /// Plants of a site.
    pub plants: u16,
    /// Sites with every plant counted.
    pub sites: usize,
    /// Mean of a plant.
    pub mean: f64,
    /// Variance between the plants of a site.
    pub between_plants: f64,
    /// Variance between sites beyond that; below 0 by chance where sites do not differ.
    pub between_sites: f64,
    /// Chance of sites so different if a walk's plants were in random order.
    pub p: Result<P, Why>,
    /// The best number of plants of a site.
    pub best: Result<Best, Why>,
}

/// The number of plants of a site that costs least.
#[derive(Debug, Clone, PartialEq)]
pub struct Best {
    /// Plants of a site.
    pub plants: u16,
    /// Minutes for the same precision, over those of the best, for 1, 2, … plants.
    pub minutes: Vec<f64>,
}

/// Sites of a walk with every plant counted.
struct Walk(Vec<Vec<f64>>);

impl Walk {
    /// Σ of squares between sites and between plants of a site, with their degrees of freedom.
    fn squares(&self) -> [(f64, f64); 2] {
        let plants: f64 = self.0.iter().map(|site| site.len() as f64).sum();
        let mean = self.0.iter().flatten().sum::<f64>() / plants;
        let (mut between, mut within) = (0.0, 0.0);
        for site in &self.0 {
            let own = site.iter().sum::<f64>() / site.len() as f64;
            between += site.len() as f64 * (own - mean) * (own - mean);
            within += site.iter().map(|x| (x - own) * (x - own)).sum::<f64>();
        }
        let sites = self.0.len() as f64;
        [(between, sites - 1.0), (within, plants - sites)]
    }
}

/// Mean squares between sites and between plants.
fn mean_squares(walks: &[Walk]) -> [f64; 2] {
    let mut all = [(0.0, 0.0); 2];
    for walk in walks {
        for (all, own) in all.iter_mut().zip(walk.squares()) {
            *all = (all.0 + own.0, all.1 + own.1);
        }
    }
    all.map(|(squares, freedom)| squares / freedom)
}

/// What the plants of sites tell, and the best number of plants by the user's minutes.
///
/// # Errors
/// `out_of_range` where a plant takes no minutes; `interrupted` if the caller stops it.
///
/// ```
/// use stopline::{Quiet, counts::{Counts, Layout, Reading}, dispersion::{Draws, plants_of_sites}, Minutes};
/// let table = "field,site,count\nheron,1,0\nheron,1,1\nheron,2,4\nheron,2,3\nheron,3,1\nheron,3,0\n";
/// let how = Reading { layout: Layout::Plants, ..Reading::default() };
/// let counts = Counts::read(table.as_bytes(), &how)?;
/// let told = plants_of_sites(&counts, Some(Minutes::new(1.0)?.with_plant(0.5)?), Draws::new(99, 1)?, &Quiet)?.unwrap();
/// // Mean squares 6 between sites (means 0.5, 3.5, 0.5), 0.5 between plants: (6 − 0.5)/2.
/// assert!((told.between_sites - 2.75).abs() < 1e-12 && (told.between_plants - 0.5).abs() < 1e-12);
/// assert_eq!(told.best.unwrap().plants, 1);
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn plants_of_sites(
    counts: &Counts,
    minutes: Option<Minutes>,
    draws: Draws,
    watch: &dyn Watch,
) -> Result<Result<PlantsOfSites, Why>, Error> {
    if minutes.is_some_and(|minutes| minutes.per_plant() == 0.0) {
        return Err(Error::new(Code::OutOfRange, "minutes of a plant", 0, "more than 0"));
    }
    let Some(by_plant) = &counts.by_plant else { return Ok(Err(Why::TotalsOnly)) };
    if counts.plants.get() < 2 {
        return Ok(Err(Why::TotalsOnly));
    }
    let complete = |site: &Vec<Option<u32>>| site.iter().map(|x| x.map(f64::from)).collect::<Option<Vec<f64>>>();
    let walks = by_plant.iter().map(|walk| Walk(walk.iter().filter_map(complete).collect()));
    let mut walks: Vec<Walk> = walks.filter(|walk| walk.0.len() > 1).collect();
    let sites: usize = walks.iter().map(|walk| walk.0.len()).sum();
    if sites == 0 {
        return Ok(Err(Why::OneSite));
    }
    let g = f64::from(counts.plants.get());
    let mean = walks.iter().flat_map(|walk| walk.0.iter().flatten()).sum::<f64>() / (sites as f64 * g);
    let [sites_square, plants_square] = mean_squares(&walks);
    let between_sites = (sites_square - plants_square) / g;
    let p = if mean == 0.0 {
        Err(Why::AllZero)
    } else if sites as f64 * g * f64::from(draws.number()) > MOST_SHUFFLED {
        Err(Why::TooLarge)
    } else {
        Ok(at_random(&mut walks, sites_square / plants_square.max(1e-12), draws, watch)?)
    };
    let best = match minutes {
        _ if mean == 0.0 => Err(Why::AllZero),
        None => Err(Why::NoMinutes),
        Some(_) if between_sites <= 0.0 => Err(Why::SitesAlike),
        Some(of) => Ok(best(between_sites, plants_square, of, mean)),
    };
    let plants = counts.plants.get();
    Ok(Ok(PlantsOfSites { plants, sites, mean, between_plants: plants_square, between_sites, p, best }))
}

fn at_random(walks: &mut [Walk], ratio: f64, draws: Draws, watch: &dyn Watch) -> Result<P, Error> {
    let mut chance = draws.stream(5);
    let mut as_extreme = 0;
    for done in 0..draws.number() {
        tell(watch, done.into(), draws.number().into())?;
        for walk in walks.iter_mut() {
            let mut all: Vec<f64> = walk.0.iter().flatten().copied().collect();
            chance.shuffle(&mut all);
            walk.0.iter_mut().flatten().zip(all).for_each(|(place, x)| *place = x);
        }
        let [sites, plants] = mean_squares(walks);
        as_extreme += u32::from(reaches(sites / plants.max(1e-12), ratio));
    }
    Ok(share(as_extreme, draws.number()))
}

fn best(sites: f64, plants: f64, minutes: Minutes, mean: f64) -> Best {
    let cost = |g: u16| {
        let site = minutes.of_walk(1.0, Plants::new(g).unwrap_or(Plants::ONE), f64::from(g) * mean);
        (sites + plants / f64::from(g)) * site
    };
    let least = (1..=MOST_PLANTS).fold((1, cost(1)), |best, g| if cost(g) < best.1 { (g, cost(g)) } else { best });
    let shown = least.0.saturating_mul(2).clamp(6, MOST_PLANTS);
    Best { plants: least.0, minutes: (1..=shown).map(|g| cost(g) / least.1).collect() }
}

impl Fit {
    /// With what single plants tell ([`plants_of_sites`]).
    ///
    /// # Errors
    /// As [`plants_of_sites`].
    pub fn with_plants(
        self,
        counts: &Counts,
        minutes: Option<Minutes>,
        draws: Draws,
        watch: &dyn Watch,
    ) -> Result<Self, Error> {
        Ok(Self { plants_of_sites: Some(plants_of_sites(counts, minutes, draws, watch)?), ..self })
    }
}

impl Serialize for PlantsOfSites {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("plants", &self.plants)?;
        map.serialize_entry("sites", &self.sites)?;
        map.serialize_entry("mean", &self.mean)?;
        map.serialize_entry("variance_between_plants", &self.between_plants)?;
        map.serialize_entry("variance_between_sites", &self.between_sites)?;
        part(&mut map, "sites_differ", &self.p)?;
        part(&mut map, "best_plants", &self.best.as_ref().map(|best| best.plants).map_err(|why| *why))?;
        let minutes = self.best.as_ref().map(|best| &best.minutes).map_err(|why| *why);
        part(&mut map, "relative_minutes", &minutes)?;
        map.end()
    }
}
