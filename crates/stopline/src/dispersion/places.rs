//! What the places of sites tell, where each has two coordinates, or a row and a step along it.
//!
//! - *Blocks*: Morisita's index over blocks of neighbouring sites: the chance that two individuals of a walk are in one
//!   block, over that if they fell on sites at random, Σ x(x−1) / (X(X−1)·Σ (n/N)²) for block totals x of n of the N
//!   sites; with blocks of as many sites each Q·Σ x(x−1)/(X(X−1)) (Morisita 1959, Mem. Fac. Sci. Kyushu Univ. E
//!   2:215–235). Over walks numerators and denominators are added. Clumping within sites raises it too; so beside it
//!   stands what it would be, on average, if the counts of each walk lay at its sites in random order.
//! - *Distance*: correlation of counts at two sites so far apart, each walk about its own mean, over the variance with
//!   divisor n, + 1/(n − 1) so that random order gives 0 (Moran 1950, Biometrika 37:17–23, doi:10.2307/2332142); and the
//!   correlation, over pairs of sites, of the product of their deviations with their distance (Mantel 1967, Cancer Res.
//!   27:209–220): below 0 where near sites are alike.
//!
//! p are those of random order of the counts over the sites of each walk, which needs no law. Distances are in the
//! units of the columns, or times the lengths given for these (rows and steps have different ones).
#![allow(clippy::indexing_slicing)] // a kernel: numbers of walks, sites, classes and blocks made here

use super::drawn::{Draws, P, reaches, share};
use super::estimate::Why;
use super::fit::Fit;
use super::json::part;
use crate::counts::Counts;
use crate::error::{Code, Error};
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// Parts of the length and breadth of a walk's sites that make blocks, where no sides are given.
const PARTS: [u32; 3] = [2, 3, 4];
/// Distances up to half the largest, in so many classes, where none are given.
const CLASSES: u32 = 5;
/// Most sides and distances.
const MOST_GIVEN: usize = 20;
/// Most pairs of sites, and most times draws.
const MOST_PAIRS: f64 = 2e7;
const MOST_DRAWN: f64 = 1e9;

/// How places are looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct Placing {
    unit: [f64; 2],
    sides: Vec<f64>,
    distances: Vec<f64>,
}

impl Placing {
    /// The length of one of either coordinate; the sides of square blocks (none: the rectangle of a walk's sites in 2, 3
    /// and 4 parts each way); the distances up to which classes go, rising (none: five up to half the largest).
    ///
    /// # Errors
    /// `out_of_range` for a length, side or distance that is not above 0 and at most 10⁹, more than 20 of these, or
    /// distances that do not rise.
    pub fn new(unit: [f64; 2], sides: &[f64], distances: &[f64]) -> Result<Self, Error> {
        let lengths = [("length of a coordinate", &unit[..]), ("side of blocks", sides), ("distance", distances)];
        for (what, all) in lengths {
            if all.len() > MOST_GIVEN {
                return Err(Error::new(Code::OutOfRange, what, format!("{} of them", all.len()), "at most 20"));
            }
            if let Some(bad) = all.iter().find(|x| !(**x > 0.0 && **x <= 1e9)) {
                return Err(Error::new(Code::OutOfRange, what, bad, "above 0, at most 1e9"));
            }
        }
        if let Some((_, bad)) = distances.iter().zip(distances.iter().skip(1)).find(|(a, b)| a >= b) {
            return Err(Error::new(Code::OutOfRange, "distance", bad, "distances that rise"));
        }
        Ok(Self { unit, sides: sides.to_vec(), distances: distances.to_vec() })
    }
}

/// What places tell.
#[derive(Debug, Clone, PartialEq)]
pub struct Places {
    /// Walks with three sites of known place and counts that differ.
    pub walks: usize,
    /// Sites of these with a count and a place.
    pub sites: usize,
    /// Sites with a count but without a place, of all walks.
    pub without_place: usize,
    /// Morisita's index for each size of blocks.
    pub blocks: Vec<Blocks>,
    /// Correlation for each class of distances that has pairs.
    pub at_distances: Vec<AtDistance>,
    /// Correlation of likeness with distance.
    pub with_distance: Option<f64>,
    /// Chance of so low a one in random order.
    pub with_distance_p: Result<P, Why>,
    /// What was drawn.
    pub draws: Draws,
}

/// Morisita's index over blocks.
#[derive(Debug, Clone, PartialEq)]
pub struct Blocks {
    /// Parts of each walk's length and breadth, or the side of a block.
    pub parts: Option<u32>,
    /// Side of a block.
    pub side: Option<f64>,
    /// Blocks with sites, over the walks that have several, and several sites in one.
    pub blocks: usize,
    /// The index.
    pub index: Result<f64, Why>,
    /// Its average in random order.
    pub at_random: Option<f64>,
    /// Chance of so large a one in random order.
    pub p: Result<P, Why>,
}

/// Correlation of sites at a distance.
#[derive(Debug, Clone, PartialEq)]
pub struct AtDistance {
    /// Farther apart than this (the first class has those at one place too).
    pub above: f64,
    /// At most this far apart.
    pub to: f64,
    /// Pairs of sites.
    pub pairs: usize,
    /// Their correlation.
    pub correlation: f64,
    /// Chance of so large a one in random order.
    pub p: Result<P, Why>,
}

/// Sites of a walk.
struct Walk {
    counts: Vec<f64>,
    at: Vec<[f64; 2]>,
}

/// A pair of sites of a walk: their numbers, class and distance.
struct Pair {
    sites: [usize; 2],
    class: Option<usize>,
    distance: f64,
}

impl Walk {
    fn mean(&self) -> f64 {
        self.counts.iter().sum::<f64>() / self.counts.len() as f64
    }

    fn distances(&self) -> impl Iterator<Item = ([usize; 2], f64)> + '_ {
        self.at.iter().enumerate().flat_map(|(i, a)| {
            let others = self.at.iter().enumerate().skip(i + 1);
            others.map(move |(j, b)| ([i, j], libm::hypot(a[0] - b[0], a[1] - b[1])))
        })
    }

    /// The block of each site, and the number of sites of each block.
    fn blocks(&self, size: Size) -> (Vec<usize>, Vec<f64>) {
        let low = |c: usize| self.at.iter().map(|at| at[c]).fold(f64::INFINITY, f64::min);
        let high = |c: usize| self.at.iter().map(|at| at[c]).fold(f64::NEG_INFINITY, f64::max);
        let cell = |x: f64, c: usize| match size {
            Size::Side(side) => libm::floor((x - low(c)) / side),
            Size::Parts(parts) => {
                let (low, high) = (low(c), high(c));
                let parts = f64::from(parts);
                if high > low { libm::floor((x - low) / (high - low) * parts).min(parts - 1.0) } else { 0.0 }
            }
        };
        let cells: Vec<[f64; 2]> = self.at.iter().map(|at| [cell(at[0], 0), cell(at[1], 1)]).collect();
        let mut order: Vec<usize> = (0..cells.len()).collect();
        order.sort_by(|&i, &j| cells[i][0].total_cmp(&cells[j][0]).then(cells[i][1].total_cmp(&cells[j][1])));
        let mut of = vec![0; cells.len()];
        let mut sizes: Vec<f64> = Vec::new();
        for same in order.chunk_by(|&i, &j| cells[i] == cells[j]) {
            same.iter().for_each(|&site| of[site] = sizes.len());
            sizes.push(same.len() as f64);
        }
        (of, sizes)
    }
}

#[derive(Clone, Copy)]
enum Size {
    Parts(u32),
    Side(f64),
}

/// Blocks of one size, over walks.
struct Grid {
    size: Size,
    /// For each walk that has several blocks, and one of several sites, its number and the block of each of its sites.
    walks: Vec<(usize, Vec<usize>)>,
    blocks: usize,
    /// Σ X(X−1)·Σ (n/N)².
    below: f64,
    at_random: f64,
}

impl Grid {
    fn new(walks: &[Walk], size: Size) -> Self {
        let mut grid = Self { size, walks: Vec::new(), blocks: 0, below: 0.0, at_random: 0.0 };
        for (i, walk) in walks.iter().enumerate() {
            let (of, sizes) = walk.blocks(size);
            let n = of.len() as f64;
            if sizes.len() < 2 || sizes.len() == of.len() {
                continue;
            }
            let total: f64 = walk.counts.iter().sum();
            let squares: f64 = walk.counts.iter().map(|x| x * x).sum();
            let together: f64 = sizes.iter().map(|of| of * (of - 1.0)).sum();
            grid.below += total * (total - 1.0) * sizes.iter().map(|of| of * of).sum::<f64>() / (n * n);
            grid.at_random += squares + together * (total * total - squares) / (n * (n - 1.0)) - total;
            grid.blocks += sizes.len();
            grid.walks.push((i, of));
        }
        grid
    }

    /// Σ x(x−1) over blocks.
    fn above(&self, walks: &[Walk]) -> f64 {
        let mut sum = 0.0;
        let mut totals = Vec::new();
        for (i, of) in &self.walks {
            totals.clear();
            totals.resize(of.len(), 0.0);
            of.iter().zip(&walks[*i].counts).for_each(|(block, x)| totals[*block] += x);
            sum += totals.iter().map(|x| x * (x - 1.0)).sum::<f64>();
        }
        sum
    }
}

/// What the places of sites tell.
///
/// # Errors
/// `interrupted` if the caller stops it.
///
/// ```
/// use stopline::{Quiet, counts::{Counts, Reading}, dispersion::{Draws, Placing, places}};
/// let mut table = "field,site,x,y,count\n".to_owned();
/// for site in 0..25 {
///     let (x, y) = (site % 5, site / 5);
///     table += &format!("heron,{},{x},{y},{}\n", site + 1, if x < 2 { 4 + y % 2 } else { y % 2 });
/// }
/// let how = Reading { place: Some(["x".into(), "y".into()]), ..Reading::default() };
/// let counts = Counts::read(table.as_bytes(), &how)?;
/// let told = places(&counts, &Placing::new([1.0, 1.0], &[], &[1.0])?, Draws::new(199, 1)?, &Quiet)?.unwrap();
/// assert!(told.at_distances[0].correlation > 0.5 && told.at_distances[0].p.unwrap().p <= 0.005);
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn places(counts: &Counts, how: &Placing, draws: Draws, watch: &dyn Watch) -> Result<Result<Places, Why>, Error> {
    let Some(all) = &counts.places else { return Ok(Err(Why::NoPlaces)) };
    let (mut walks, mut without_place) = (Vec::new(), 0);
    for (walk, places) in counts.walks.iter().zip(all) {
        let mut of = Walk { counts: Vec::new(), at: Vec::new() };
        for (count, place) in walk.counts.iter().zip(places).filter_map(|(count, place)| Some(((*count)?, place))) {
            match place {
                Some([x, y]) => {
                    of.counts.push(f64::from(count));
                    of.at.push([x * how.unit[0], y * how.unit[1]]);
                }
                None => without_place += 1,
            }
        }
        if of.counts.len() > 2 && of.counts.iter().any(|x| *x != of.counts[0]) {
            walks.push(of);
        }
    }
    if walks.is_empty() {
        return Ok(Err(Why::NoPlaces));
    }
    let number: f64 = walks.iter().map(|walk| walk.counts.len() as f64).sum();
    let number_of_pairs: f64 = walks.iter().map(|walk| 0.5 * walk.counts.len() as f64 * walk.counts.len() as f64).sum();
    if number_of_pairs > MOST_PAIRS {
        return Ok(Err(Why::TooLarge));
    }
    let sizes: Vec<Size> = if how.sides.is_empty() {
        PARTS.map(Size::Parts).to_vec()
    } else {
        how.sides.iter().copied().map(Size::Side).collect()
    };
    let grids: Vec<Grid> = sizes.into_iter().map(|size| Grid::new(&walks, size)).collect();
    let found: Vec<f64> = grids.iter().map(|grid| grid.above(&walks)).collect();
    let pairs = Pairs::new(&walks, &how.distances);
    let values = pairs.sums(&walks);

    let drawn = (number_of_pairs + number * grids.len() as f64) * f64::from(draws.number()) <= MOST_DRAWN;
    let mut of_grids = vec![0_u32; grids.len()];
    let mut of_classes = vec![0_u32; values.classes.len()];
    let mut of_distance = 0_u32;
    let mut chance = draws.stream(7);
    for done in 0..if drawn { draws.number() } else { 0 } {
        tell(watch, done.into(), draws.number().into())?;
        walks.iter_mut().for_each(|walk| chance.shuffle(&mut walk.counts));
        let now = pairs.sums(&walks);
        for ((extreme, grid), found) in of_grids.iter_mut().zip(&grids).zip(&found) {
            *extreme += u32::from(reaches(grid.above(&walks), *found));
        }
        for ((extreme, now), value) in of_classes.iter_mut().zip(&now.classes).zip(&values.classes) {
            *extreme += u32::from(reaches(*now, *value));
        }
        of_distance += u32::from(reaches(-now.with_distance, -values.with_distance));
    }
    let p = |extreme: u32| if drawn { Ok(share(extreme, draws.number())) } else { Err(Why::TooLarge) };
    let blocks = grids.iter().zip(&found).zip(of_grids).map(|((grid, found), extreme)| grid.told(*found, p(extreme)));
    let classes = values.classes.iter().zip(of_classes).enumerate().filter(|(i, _)| pairs.number[*i] > 0);
    let at_distances = classes.map(|(i, (value, extreme))| AtDistance {
        above: if i == 0 { 0.0 } else { pairs.ends[i - 1] },
        to: pairs.ends[i],
        pairs: pairs.number[i],
        correlation: value / pairs.number[i] as f64,
        p: p(extreme),
    });
    let apart = pairs.spread > 0.0;
    Ok(Ok(Places {
        walks: walks.len(),
        sites: walks.iter().map(|walk| walk.counts.len()).sum(),
        without_place,
        blocks: blocks.collect(),
        at_distances: at_distances.collect(),
        with_distance: apart.then_some(values.with_distance),
        with_distance_p: if apart { p(of_distance) } else { Err(Why::NoPlaces) },
        draws,
    }))
}

impl Grid {
    fn told(&self, found: f64, p: Result<P, Why>) -> Blocks {
        let (parts, side) = match self.size {
            Size::Parts(parts) => (Some(parts), None),
            Size::Side(side) => (None, Some(side)),
        };
        let none = if self.walks.is_empty() { Some(Why::NoBlocks) } else { None };
        // No walk with two individuals: no pair of them.
        let none = none.or((self.below <= 0.0).then_some(Why::AtMostOne));
        Blocks {
            parts,
            side,
            blocks: self.blocks,
            index: none.map_or(Ok(found / self.below), Err),
            at_random: none.is_none().then_some(self.at_random / self.below),
            p: none.map_or(p, Err),
        }
    }
}

/// All pairs of sites within walks.
struct Pairs {
    of_walks: Vec<Vec<Pair>>,
    /// Upper ends of the classes, and their numbers of pairs.
    ends: Vec<f64>,
    number: Vec<usize>,
    /// Mean distance of each walk.
    centre: Vec<f64>,
    /// Σ (d − mean)².
    spread: f64,
}

/// Sums over pairs: of each class the correlation times its pairs; the correlation with distance.
struct Sums {
    classes: Vec<f64>,
    with_distance: f64,
}

impl Pairs {
    fn new(walks: &[Walk], distances: &[f64]) -> Self {
        let largest = walks.iter().flat_map(Walk::distances).fold(0.0, |most: f64, (_, d)| most.max(d));
        let step = 0.5 * largest / f64::from(CLASSES);
        let ends: Vec<f64> = match distances {
            [] if largest == 0.0 => Vec::new(),
            [] => (1..=CLASSES).map(|i| step * f64::from(i)).collect(),
            given => given.to_vec(),
        };
        let mut number = vec![0; ends.len()];
        let (mut of_walks, mut centre, mut spread) = (Vec::new(), Vec::new(), 0.0);
        for walk in walks {
            let pairs: Vec<Pair> = walk
                .distances()
                .map(|(sites, distance)| {
                    let class = ends.iter().position(|end| distance <= *end * (1.0 + 1e-12));
                    class.into_iter().for_each(|class| number[class] += 1);
                    Pair { sites, class, distance }
                })
                .collect();
            let mean = pairs.iter().map(|pair| pair.distance).sum::<f64>() / pairs.len() as f64;
            spread += pairs.iter().map(|pair| (pair.distance - mean) * (pair.distance - mean)).sum::<f64>();
            centre.push(mean);
            of_walks.push(pairs);
        }
        Self { of_walks, ends, number, centre, spread }
    }

    fn sums(&self, walks: &[Walk]) -> Sums {
        let mut classes = vec![0.0; self.ends.len()];
        let (mut with, mut squares) = (0.0, 0.0);
        for ((walk, pairs), centre) in walks.iter().zip(&self.of_walks).zip(&self.centre) {
            let (n, mean) = (walk.counts.len() as f64, walk.mean());
            let all: f64 = walk.counts.iter().map(|x| (x - mean) * (x - mean)).sum();
            let scaled: Vec<f64> = walk.counts.iter().map(|x| (x - mean) * libm::sqrt(n / all)).collect();
            for Pair { sites: [i, j], class, distance } in pairs {
                // Products are −1/(n − 1) on average over all pairs.
                let product = scaled[*i] * scaled[*j] + 1.0 / (n - 1.0);
                if let Some(class) = class {
                    classes[*class] += product;
                }
                with += product * (distance - centre);
                squares += product * product;
            }
        }
        Sums { classes, with_distance: with / libm::sqrt((self.spread * squares).max(1e-300)) }
    }
}

impl Places {
    /// Whether near sites are alike: a plan that takes sites as independent has larger risks. Several classes are looked
    /// at, so that the least p is taken times their number.
    #[must_use]
    pub fn alike(&self) -> bool {
        let first = self.at_distances.iter().map(|at| at.p).chain(self.blocks.iter().map(|of| of.p));
        let least = first.flatten().map(|p| p.p).fold(1.0, f64::min);
        let looks = self.at_distances.len() + self.blocks.len();
        least * looks as f64 <= 0.05 || self.with_distance_p.is_ok_and(|p| p.p <= 0.05)
    }
}

impl Fit {
    /// With what the places of sites tell ([`places`]).
    ///
    /// # Errors
    /// `interrupted` if the caller stops it.
    pub fn with_places(self, counts: &Counts, how: &Placing, draws: Draws, watch: &dyn Watch) -> Result<Self, Error> {
        Ok(Self { places: Some(places(counts, how, draws, watch)?), ..self })
    }
}

impl Serialize for Places {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("walks", &self.walks)?;
        map.serialize_entry("sites", &self.sites)?;
        map.serialize_entry("without_place", &self.without_place)?;
        map.serialize_entry("blocks", &self.blocks)?;
        map.serialize_entry("at_distances", &self.at_distances)?;
        map.serialize_entry("with_distance", &self.with_distance)?;
        part(&mut map, "with_distance_p", &self.with_distance_p)?;
        map.serialize_entry("alike", &self.alike())?;
        map.serialize_entry("draws", &self.draws)?;
        map.end()
    }
}

impl Serialize for Blocks {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("parts", &self.parts)?;
        map.serialize_entry("side", &self.side)?;
        map.serialize_entry("blocks", &self.blocks)?;
        part(&mut map, "morisita_index", &self.index)?;
        map.serialize_entry("at_random", &self.at_random)?;
        part(&mut map, "p", &self.p)?;
        map.end()
    }
}

impl Serialize for AtDistance {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("above", &self.above)?;
        map.serialize_entry("to", &self.to)?;
        map.serialize_entry("pairs", &self.pairs)?;
        map.serialize_entry("correlation", &self.correlation)?;
        part(&mut map, "p", &self.p)?;
        map.end()
    }
}
