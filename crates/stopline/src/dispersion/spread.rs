//! How k differs from field to field: ln k normal over the walks, and a lower bound for the next field.
//!
//! With median κ and standard deviation σ of ln k the likelihood is Π ∫ L(k)·φ((ln k − ln κ)/σ) d ln k, L the
//! conditional likelihood of a walk given its total, so that the means need no law. The integral is a sum over the
//! table of each walk, in steps of 1/16: exact to 1e-8 for σ ≥ 1/16; a smaller spread reads as 0.
//!
//! The *prediction bound* is the k that the next field is above with the chance `level`, from the distribution of
//! κ*·exp(σ*·z), where κ*, σ* are fitted to counts drawn from the fit (a parametric bootstrap) and z is standard
//! normal. With few walks σ is often found to be 0 although k does differ (of 10 walks in a quarter of
//! cases): below 15 the bound is too high more often than it says.

use super::drawn::{Chance, Counter, Draws};
use super::estimate::{Clumping, Why, conditional_k};
use super::frequencies::Frequencies;
use super::json::number;
use super::profiles::{POINTS, Profile, STEPS, ln_k, profiles};
use super::search::{largest, largest_of};
use crate::counts::Counts;
use crate::error::Error;
use crate::params::Level;
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// Fewest walks from which the spread of k can be told with some confidence.
pub const ENOUGH_WALKS: usize = 15;
/// The least spread that is told from none, and the largest that is looked for.
const SPREADS: (f64, f64) = (1.0 / STEPS, 3.0);

/// The spread of k over walks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Median of k over fields.
    pub median: f64,
    /// Standard deviation of ln k over fields.
    pub sd_log: f64,
    /// ln-likelihood above that of one k for all.
    pub gain: f64,
    /// Walks that tell of k.
    pub walks: usize,
    /// The k that the next field is above with chance `level`.
    pub prediction_low: Result<f64, Why>,
    /// The chance.
    pub level: Level,
}

impl Spread {
    /// Whether there are too few walks for the spread to be trusted.
    #[must_use]
    pub const fn few_walks(&self) -> bool {
        self.walks < ENOUGH_WALKS
    }
}

/// Each walk's likelihood over ln k.
struct Tables(Vec<Vec<f64>>);

impl Tables {
    fn new(profiles: &[Profile]) -> Self {
        Self(profiles.iter().map(|profile| profile.at.iter().map(|&ln| libm::exp(ln)).collect()).collect())
    }

    /// ln-likelihood at ln κ and σ.
    fn ln_likelihood(&self, centre: f64, sd: f64) -> f64 {
        let place = |x: f64| libm::floor((x - ln_k(0)) * STEPS);
        let density = |i: f64| {
            let z = ((i / STEPS + ln_k(0)) - centre) / sd;
            libm::exp(-0.5 * z * z)
        };
        // What lies beyond an end of the table counts as there.
        let last = (POINTS - 1) as f64;
        let (first, end) = (place(centre - 7.0 * sd), place(centre + 7.0 * sd) + 1.0);
        let start = first.clamp(0.0, last);
        let (mut weights, mut i) = (vec![0.0], first);
        while i <= end {
            match weights.last_mut() {
                Some(weight) if i <= start || i > last => *weight += density(i),
                _ => weights.push(density(i)),
            }
            i += 1.0;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // clamped to the table
        let first = start as usize;
        let all: f64 = weights.iter().sum();
        let of = |table: &Vec<f64>| {
            let own = table.get(first..).unwrap_or_default();
            libm::log(weights.iter().zip(own).map(|(w, l)| w * l).sum::<f64>() / all)
        };
        self.0.iter().map(of).sum()
    }
}

/// Median, spread, and what the spread gains, to `width`.
fn fitted(profiles: &[Profile], width: f64) -> (f64, f64, f64) {
    let ends = (ln_k(16), ln_k(POINTS - 17));
    let without = |x: f64| profiles.iter().map(|profile| profile.ln_likelihood(libm::exp(x))).sum::<f64>();
    let (centre, one) = largest_of(ends.0, ends.1, 60, width, without);
    let tables = Tables::new(profiles);
    let best_centre = |sd: f64| {
        let around = (centre - 2.0 - sd).max(ends.0)..(centre + 2.0 + sd).min(ends.1);
        largest(around.start, around.end, width, |x| tables.ln_likelihood(x, sd))
    };
    let (sd, best) = largest_of(SPREADS.0, SPREADS.1, 12, width, |sd| best_centre(sd).1);
    // At the least spread the likelihood is that of none.
    if sd <= SPREADS.0 + 2.0 * width || best <= one {
        return (libm::exp(centre), 0.0, 0.0);
    }
    (libm::exp(best_centre(sd).0), sd, best - one)
}

/// The spread of k over walks of different fields, with the lower prediction bound at `level`.
///
/// # Errors
/// `interrupted` if the caller stops it.
///
/// ```
/// use stopline::{Level, Quiet, dispersion::{Draws, Frequencies, spread}};
/// let walks = [[0, 1, 0, 6, 0, 2], [3, 4, 2, 5, 3, 4], [0, 0, 9, 0, 0, 1], [1, 2, 0, 3, 1, 1]];
/// let walks = walks.iter().map(|walk| Frequencies::of(walk)).collect::<Result<Vec<_>, _>>()?;
/// let spread = spread(&walks, Level::new(0.95)?, Draws::new(99, 1)?, &Quiet)?.unwrap();
/// assert!(spread.sd_log > 0.5 && spread.prediction_low.unwrap() < spread.median && spread.few_walks());
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn spread(
    walks: &[Frequencies],
    level: Level,
    draws: Draws,
    watch: &dyn Watch,
) -> Result<Result<Spread, Why>, Error> {
    let profiles = profiles(walks);
    if profiles.len() < 2 {
        return Ok(Err(Why::OneWalk));
    }
    let (median, sd_log, gain) = fitted(&profiles, 1e-6);
    let used: Vec<&Frequencies> = profiles.iter().filter_map(|profile| walks.get(profile.walk)).collect();
    let prediction_low = bound(&used, (median, sd_log), level, draws, watch)?;
    Ok(Ok(Spread { median, sd_log, gain, walks: profiles.len(), prediction_low, level }))
}

/// Most sites drawn.
const MOST_DRAWN: f64 = 2e7;

fn bound(
    walks: &[&Frequencies],
    (median, sd): (f64, f64),
    level: Level,
    draws: Draws,
    watch: &dyn Watch,
) -> Result<Result<f64, Why>, Error> {
    let sites: f64 = walks.iter().map(|walk| walk.sites() as f64).sum();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // from 0 to the number of draws
    let number = (MOST_DRAWN / sites).min(draws.number().into()) as u32;
    if number < 99 {
        return Ok(Err(Why::TooLarge));
    }
    let mut chance = draws.stream(3);
    let mut next = Vec::new();
    for done in 0..number {
        tell(watch, done.into(), number.into())?;
        let drawn = match like(walks, (median, sd), &mut chance)? {
            Ok(drawn) => drawn,
            Err(why) => return Ok(Err(why)),
        };
        let (median, sd, _) = fitted(&profiles(&drawn), 1e-2);
        next.push(median * libm::exp(sd * normal(&mut chance)));
    }
    next.sort_unstable_by(f64::total_cmp);
    // The j-th least of N draws is exceeded with chance 1 − j/(N + 1).
    let place = (1.0 - level.get()) * f64::from(number + 1);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // from 0 to the number of draws
    let place = (place as usize).checked_sub(1);
    Ok(place.and_then(|place| next.get(place).copied()).ok_or(Why::FewDraws))
}

/// Walks of the same sites and means, drawn with k log-normal over them.
fn like(
    walks: &[&Frequencies],
    (median, sd): (f64, f64),
    chance: &mut Chance,
) -> Result<Result<Vec<Frequencies>, Why>, Error> {
    let (mut drawn, mut counts) = (Vec::with_capacity(walks.len()), Vec::new());
    for walk in walks {
        let k = median * libm::exp(sd * normal(chance));
        let Ok(counter) = Counter::new(walk.mean().unwrap_or(0.0), k.max(1e-3)) else {
            return Ok(Err(Why::TooLarge));
        };
        counts.clear();
        counts.extend((0..walk.sites()).map(|_| counter.draw(chance)));
        drawn.push(Frequencies::of(&counts)?);
    }
    Ok(Ok(drawn))
}

/// The k that other counts of the same fields would have been fitted with.
pub(crate) struct Refits {
    /// Median of k over walks; infinite where they are not clumped.
    pub median: f64,
    /// Standard deviation of ln k over walks.
    pub sd_log: f64,
    /// k of each set by conditional likelihood; infinite where it is not clumped.
    pub k: Vec<f64>,
    /// Share of sets that tell no k.
    pub no_k: f64,
}

/// Draws counts of the same sites and means, and fits each set as a plan's k is fitted.
pub(crate) fn refits(counts: &Counts, draws: Draws, watch: &dyn Watch) -> Result<Result<Refits, Why>, Error> {
    let walks = counts.walks.iter().map(|walk| Frequencies::of(&walk.present().collect::<Vec<_>>()));
    let walks = walks.collect::<Result<Vec<_>, _>>()?;
    let used: Vec<&Frequencies> = walks.iter().filter(|walk| walk.sum() > 0 && walk.sites() > 1).collect();
    let sites: f64 = used.iter().map(|walk| walk.sites() as f64).sum();
    if sites * f64::from(draws.number()) > 10.0 * MOST_DRAWN {
        return Ok(Err(Why::TooLarge));
    }
    let (median, sd_log) = match conditional_k(&used)? {
        Clumping::Undefined(why) => return Ok(Err(why)),
        Clumping::Poisson => (f64::INFINITY, 0.0),
        Clumping::Estimated(k) if used.len() < 2 => (k, 0.0),
        Clumping::Estimated(k) => match fitted(&profiles(used.iter().copied()), 1e-4) {
            // Without a spread the median is the k of a plan, to every digit.
            (_, 0.0, _) => (k, 0.0),
            (median, sd, _) => (median, sd),
        },
    };
    let mut chance = draws.stream(6);
    let (mut k, mut without) = (Vec::new(), 0.0);
    for done in 0..draws.number() {
        tell(watch, done.into(), draws.number().into())?;
        let drawn = match like(&used, (median, sd_log), &mut chance)? {
            Ok(drawn) => drawn,
            Err(why) => return Ok(Err(why)),
        };
        match conditional_k(&drawn.iter().collect::<Vec<_>>())? {
            Clumping::Estimated(found) => k.push(found),
            Clumping::Poisson => k.push(f64::INFINITY),
            Clumping::Undefined(_) => without += 1.0,
        }
    }
    if k.is_empty() {
        return Ok(Err(Why::AtMostOne));
    }
    Ok(Ok(Refits { median, sd_log, k, no_k: without / f64::from(draws.number()) }))
}

/// A standard normal number (Box & Muller 1958).
fn normal(chance: &mut Chance) -> f64 {
    let radius = libm::sqrt(-2.0 * libm::log(1.0 - chance.unit()));
    radius * libm::cos(core::f64::consts::TAU * chance.unit())
}

impl Serialize for Spread {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("median", &self.median)?;
        map.serialize_entry("sd_log", &self.sd_log)?;
        map.serialize_entry("gain", &self.gain)?;
        map.serialize_entry("walks", &self.walks)?;
        number(&mut map, "prediction_low", self.prediction_low)?;
        map.serialize_entry("level", &self.level)?;
        map.serialize_entry("few_walks", &self.few_walks())?;
        map.end()
    }
}
