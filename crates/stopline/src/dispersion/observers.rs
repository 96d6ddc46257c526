//! Do observers differ in what they count?
//!
//! *Within walks* that several observers counted, the field is the same: the score test of the negative binomial with a
//! mean for each walk and the k common to all walks. With deviations (x − m)/(1 + m/k) of the sites of a walk about its
//! mean, U of an observer is the sum over their sites; with V the covariance of these sums in random order of each
//! walk's deviations, U′V⁻U goes about like χ² (Rao 1948, Proc. Camb. Philos. Soc. 44:50–57; Hajek & Sidak 1967). p is
//! that of random order within walks, which needs no law; χ² where so many draws would take long. How much an observer
//! counts over the others in the same walks is the ratio Σ X_o·n_r/n ÷ Σ X_r·n_o/n over walks (Mantel & Haenszel 1959;
//! Greenland & Robins 1985, Biometrics 41:55–68, doi:10.2307/2530643), o the observer's sites and r the rest, limits
//! from the variance m + m²/k of counts.
//!
//! *Between walks* that one observer counted alone: Kruskal & Wallis's H of the walk means (1952, J. Am. Stat. Assoc.
//! 47:583–621), p by random order of the observers over walks. An observer cannot be told from their fields there:
//! unless fields were given out by lot, a difference may be one of the fields.

use super::drawn::{Draws, How, P, reaches, share};
use super::estimate::Why;
use super::fit::Fit;
use super::json::part;
use crate::counts::Counts;
use crate::error::Error;
use crate::params::Level;
use crate::special::{chi_square_above, normal_within};
use crate::watch::{Watch, tell};
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

/// Most observers compared.
const MOST: usize = 50;
/// Most sites put into random order.
const MOST_SHUFFLED: f64 = 3e8;

/// Whether observers differ.
#[derive(Debug, Clone, PartialEq)]
pub struct ObserversFit {
    /// Each observer.
    pub observers: Vec<ObserverFit>,
    /// Sites with a count where nobody is named.
    pub unnamed: usize,
    /// The test within walks.
    pub within: Result<Within, Why>,
    /// The test between walks, where observers cannot be told from fields.
    pub between: Result<Within, Why>,
    /// Level of the limits.
    pub level: Level,
    /// What was drawn.
    pub draws: Draws,
}

/// What one observer counted.
#[derive(Debug, Clone, PartialEq)]
pub struct ObserverFit {
    /// Name.
    pub name: String,
    /// Sites with a count.
    pub sites: usize,
    /// Walks with these.
    pub walks: usize,
    /// Walks of these that others counted too.
    pub shared_walks: usize,
    /// Mean of all their sites.
    pub mean: Option<f64>,
    /// What they count over what others count in the same walks, and its limits.
    pub ratio: Result<[f64; 3], Why>,
}

/// A test of no difference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Within {
    /// The statistic: U′V⁻U, or H.
    pub statistic: f64,
    /// Its degrees of freedom.
    pub freedom: usize,
    /// Walks it rests on.
    pub walks: usize,
    /// Chance of so large a one without a difference.
    #[serde(flatten)]
    pub p: P,
    /// The same by χ².
    pub p_chi_square: f64,
}

/// The named sites of a walk: counts and observers.
struct Walk {
    counts: Vec<f64>,
    by: Vec<usize>,
    /// Sites of each observer.
    sites: Vec<f64>,
}

impl Walk {
    fn total(&self) -> f64 {
        self.counts.iter().sum()
    }
    fn number(&self) -> f64 {
        self.counts.len() as f64
    }
    fn mean(&self) -> f64 {
        self.total() / self.number()
    }
    fn of(&self, observer: usize) -> (f64, f64) {
        let own = self.counts.iter().zip(&self.by).filter(|(_, by)| **by == observer);
        (own.map(|(x, _)| x).sum(), self.sites.get(observer).copied().unwrap_or(0.0))
    }
    fn is_shared(&self) -> bool {
        self.sites.iter().filter(|n| **n > 0.0).count() > 1
    }
}

/// Whether observers differ; `k` is the one common to the walks.
///
/// # Errors
/// `interrupted` if the caller stops it.
///
/// ```
/// use stopline::{Level, Quiet, counts::{Counts, Reading}, dispersion::{Draws, Why, observers}};
/// let mut table = "field,site,by,count\n".to_owned();
/// for site in 1..=20 {
///     let (by, count) = if site % 2 == 0 { ("first", 2 + site % 3) } else { ("second", site % 3) };
///     table += &format!("heron,{site},{by},{count}\n");
/// }
/// let how = Reading { observer: Some("by".into()), ..Reading::default() };
/// let counts = Counts::read(table.as_bytes(), &how)?;
/// let told = observers(&counts, Ok(2.0), Level::new(0.95)?, Draws::new(999, 1)?, &Quiet)?.unwrap();
/// assert!(told.within.unwrap().p.p <= 0.002 && told.observers[1].ratio.unwrap()[0] > 2.0); // `first` comes second
/// assert_eq!(told.between, Err(Why::FewOwnWalks));
/// # Ok::<(), stopline::Errors>(())
/// ```
pub fn observers(
    counts: &Counts,
    k: Result<f64, Why>,
    level: Level,
    draws: Draws,
    watch: &dyn Watch,
) -> Result<Option<ObserversFit>, Error> {
    let Some(named) = &counts.observers else { return Ok(None) };
    let number = named.names.len();
    let (mut walks, mut unnamed) = (Vec::new(), 0);
    for (walk, of_sites) in counts.walks.iter().zip(&named.of_sites) {
        let mut of = Walk { counts: Vec::new(), by: Vec::new(), sites: vec![0.0; number.min(MOST)] };
        for (count, by) in walk.counts.iter().zip(of_sites).filter_map(|(count, by)| Some(((*count)?, by))) {
            let Some(by) = *by else {
                unnamed += 1;
                continue;
            };
            of.counts.push(f64::from(count));
            of.by.push(by);
            of.sites.iter_mut().skip(by).take(1).for_each(|n| *n += 1.0);
        }
        walks.push(of);
    }
    walks.retain(|walk| !walk.counts.is_empty());
    // Not clumped, or unknown: as independent counts.
    let k = k.unwrap_or(f64::INFINITY);
    let few = match number {
        0 | 1 => Some(Why::OneObserver),
        2..=MOST => None,
        _ => Some(Why::ManyObservers),
    };
    let (within, between) = match few {
        Some(why) => (Err(why), Err(why)),
        None => (within(&walks, number, k, draws, watch)?, between(&walks, draws, watch)?),
    };
    let observer = |(i, name): (usize, &String)| {
        let own = walks.iter().map(|walk| (walk, walk.of(i))).filter(|(_, (_, n))| *n > 0.0);
        let (total, sites) = own.clone().fold((0.0, 0.0), |all, (_, own)| (all.0 + own.0, all.1 + own.1));
        let shared_walks = own.clone().filter(|(walk, _)| walk.is_shared()).count();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a number of sites
        let number = sites as usize;
        ObserverFit {
            name: name.clone(),
            sites: number,
            walks: own.count(),
            shared_walks,
            mean: (sites > 0.0).then(|| total / sites),
            ratio: few.map_or_else(|| ratio(&walks, i, k, level), Err),
        }
    };
    let observers = named.names.iter().take(MOST).enumerate().map(observer).collect();
    Ok(Some(ObserversFit { observers, unnamed, within, between, level, draws }))
}

/// What an observer counts over the others in the same walks, with its limits.
fn ratio(walks: &[Walk], observer: usize, k: f64, level: Level) -> Result<[f64; 3], Why> {
    let shared = walks.iter().filter(|walk| walk.is_shared()).map(|walk| {
        let (total, sites) = walk.of(observer);
        (total, sites, walk.total() - total, walk.number() - sites)
    });
    let shared: Vec<_> = shared.filter(|(_, own, _, rest)| *own > 0.0 && *rest > 0.0).collect();
    if shared.is_empty() {
        return Err(Why::ObserversApart);
    }
    let (mut above, mut below) = (0.0, 0.0);
    for (own, n_own, rest, n_rest) in &shared {
        above += own * n_rest / (n_own + n_rest);
        below += rest * n_own / (n_own + n_rest);
    }
    if above == 0.0 || below == 0.0 {
        return Err(Why::AllZero);
    }
    let ratio = above / below;
    let variance = |m: f64| m + m * m / k;
    let mut error = 0.0;
    for (own, n_own, rest, n_rest) in &shared {
        let n = n_own + n_rest;
        let m = (own + rest) / (n_rest + ratio * n_own);
        error += (n_rest / n) * (n_rest / n) * n_own * variance(ratio * m)
            + ratio * ratio * (n_own / n) * (n_own / n) * n_rest * variance(m);
    }
    let width = libm::exp(normal_within(level.get()) * libm::sqrt(error) / above);
    Ok([ratio, ratio / width, ratio * width])
}

/// The score test within walks.
fn within(
    walks: &[Walk],
    number: usize,
    k: f64,
    draws: Draws,
    watch: &dyn Watch,
) -> Result<Result<Within, Why>, Error> {
    // Deviations of each walk that tells something.
    let mut all: Vec<(Vec<f64>, &Walk)> = Vec::new();
    let mut covariance = vec![vec![0.0; number]; number];
    for walk in walks.iter().filter(|walk| walk.is_shared() && walk.total() > 0.0) {
        let (n, mean) = (walk.number(), walk.mean());
        let deviations: Vec<f64> = walk.counts.iter().map(|x| (x - mean) / (1.0 + mean / k)).collect();
        let variance = deviations.iter().map(|x| x * x).sum::<f64>() / (n - 1.0);
        if variance == 0.0 {
            continue;
        }
        for (i, (row, own)) in covariance.iter_mut().zip(&walk.sites).enumerate() {
            for (j, (cell, other)) in row.iter_mut().zip(&walk.sites).enumerate() {
                *cell += variance * (if i == j { *own } else { 0.0 } - own * other / n);
            }
        }
        all.push((deviations, walk));
    }
    if all.is_empty() {
        return Ok(Err(Why::ObserversApart));
    }
    let sums = |all: &[(Vec<f64>, &Walk)]| {
        let mut sums = vec![0.0; number];
        for (deviations, walk) in all {
            for (x, by) in deviations.iter().zip(&walk.by) {
                sums.iter_mut().skip(*by).take(1).for_each(|sum| *sum += x);
            }
        }
        sums
    };
    let (statistic, freedom) = quadratic(&covariance, sums(&all));
    let p_chi_square = chi_square_above(statistic, freedom as f64);
    let sites: f64 = all.iter().map(|(_, walk)| walk.number()).sum();
    let p = if sites * f64::from(draws.number()) > MOST_SHUFFLED {
        P { p: p_chi_square, how: How::Approximate }
    } else {
        let mut chance = draws.stream(8);
        let mut as_extreme = 0;
        for done in 0..draws.number() {
            tell(watch, done.into(), draws.number().into())?;
            all.iter_mut().for_each(|(deviations, _)| chance.shuffle(deviations));
            as_extreme += u32::from(reaches(quadratic(&covariance, sums(&all)).0, statistic));
        }
        share(as_extreme, draws.number())
    };
    Ok(Ok(Within { statistic, freedom, walks: all.len(), p, p_chi_square }))
}

/// A row with a smaller share of its variance left is fixed by those before it.
const FIXED_BY_OTHERS: f64 = 1e-9;

/// U′V⁻U and the rank of V, by elimination: rows that others fix are passed over.
#[allow(clippy::indexing_slicing, clippy::needless_range_loop)] // a kernel: a square of numbers
fn quadratic(covariance: &[Vec<f64>], mut u: Vec<f64>) -> (f64, usize) {
    let mut v: Vec<Vec<f64>> = covariance.to_vec();
    let (mut sum, mut rank) = (0.0, 0);
    for i in 0..u.len() {
        let pivot = v[i][i];
        if pivot <= FIXED_BY_OTHERS * covariance[i][i] {
            continue;
        }
        sum += u[i] * u[i] / pivot;
        rank += 1;
        for j in i + 1..u.len() {
            let factor = v[j][i] / pivot;
            for l in i + 1..u.len() {
                v[j][l] -= factor * v[i][l];
            }
            u[j] -= factor * u[i];
        }
    }
    (sum, rank)
}

/// H of the means of walks that one observer counted alone.
fn between(walks: &[Walk], draws: Draws, watch: &dyn Watch) -> Result<Result<Within, Why>, Error> {
    let own = walks.iter().filter(|walk| !walk.is_shared());
    let mut own: Vec<(f64, usize)> = own.filter_map(|walk| Some((walk.mean(), *walk.by.first()?))).collect();
    own.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut by: Vec<usize> = own.iter().map(|(_, by)| *by).collect();
    let mut groups = by.clone();
    groups.sort_unstable();
    groups.dedup();
    if groups.len() < 2 || groups.len() == by.len() {
        return Ok(Err(Why::FewOwnWalks));
    }
    let n = own.len() as f64;
    // Ties have the middle of their ranks.
    let (mut ranks, mut tied) = (Vec::new(), 0.0);
    for same in own.chunk_by(|a, b| a.0 == b.0) {
        let (before, t) = (ranks.len() as f64, same.len() as f64);
        ranks.extend(std::iter::repeat_n(before + 0.5 * (t + 1.0), same.len()));
        tied += t * t * t - t;
    }
    let untied = 1.0 - tied / (n * n * n - n);
    if untied <= 0.0 {
        return Ok(Err(Why::OneMean));
    }
    let h = |by: &[usize]| {
        let of = |group: &usize| {
            let own = ranks.iter().zip(by).filter(|(_, by)| *by == group);
            let (sum, number) = own.fold((0.0, 0.0), |(sum, number), (rank, _)| (sum + rank, number + 1.0));
            sum * sum / number
        };
        (12.0 / (n * (n + 1.0)) * groups.iter().map(of).sum::<f64>() - 3.0 * (n + 1.0)) / untied
    };
    let statistic = h(&by);
    let freedom = groups.len() - 1;
    let p_chi_square = chi_square_above(statistic.max(0.0), freedom as f64);
    let work = n * groups.len() as f64 * f64::from(draws.number());
    let p = if work > MOST_SHUFFLED {
        P { p: p_chi_square, how: How::Approximate }
    } else {
        let mut chance = draws.stream(9);
        let mut as_extreme = 0;
        for done in 0..draws.number() {
            tell(watch, done.into(), draws.number().into())?;
            chance.shuffle(&mut by);
            as_extreme += u32::from(reaches(h(&by), statistic));
        }
        share(as_extreme, draws.number())
    };
    Ok(Ok(Within { statistic, freedom, walks: own.len(), p, p_chi_square }))
}

impl ObserversFit {
    /// Whether there is a difference, in words.
    #[must_use]
    pub fn words(&self) -> String {
        let within = match &self.within {
            Ok(test) if test.p.p <= 0.05 => {
                let known = self.observers.iter().filter_map(|of| Some((of, of.ratio.ok()?)));
                let far = |ratio: &[f64; 3]| libm::fabs(libm::log(ratio[0]));
                let most = known.max_by(|(_, a), (_, b)| far(a).total_cmp(&far(b)));
                let most = most.map_or_else(String::new, |(of, [ratio, low, high])| {
                    format!(": {} counts {ratio:.2} times ({low:.2} to {high:.2}) what others count", of.name)
                });
                format!("Observers differ within the same walks{most}.")
            }
            Ok(_) => "No difference between observers shows within the same walks.".to_owned(),
            Err(why) => format!("Whether observers differ in the same fields is not known: {why}."),
        };
        let between = match &self.between {
            Ok(test) => format!(
                " {} between walks that each counted alone; there an observer and their fields cannot be told apart, unless \
                 fields were given out by lot.",
                if test.p.p <= 0.05 { "There is a difference" } else { "No difference shows" }
            ),
            Err(_) => String::new(),
        };
        within + &between
    }
}

impl Fit {
    /// With whether observers differ, where a column of observers was read ([`observers`]).
    ///
    /// # Errors
    /// `interrupted` if the caller stops it.
    pub fn with_observers(self, counts: &Counts, draws: Draws, watch: &dyn Watch) -> Result<Self, Error> {
        let observers = observers(counts, self.common.conditional.k.or_why(), self.level, draws, watch)?;
        Ok(Self { observers, ..self })
    }
}

impl Serialize for ObserverFit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("observer", &self.name)?;
        map.serialize_entry("sites", &self.sites)?;
        map.serialize_entry("walks", &self.walks)?;
        map.serialize_entry("shared_walks", &self.shared_walks)?;
        map.serialize_entry("mean", &self.mean)?;
        for (i, name) in ["ratio", "ratio_low", "ratio_high"].into_iter().enumerate() {
            part(&mut map, name, &self.ratio.map(|of| of.get(i).copied()))?;
        }
        map.end()
    }
}

impl Serialize for ObserversFit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("observers", &self.observers)?;
        map.serialize_entry("unnamed", &self.unnamed)?;
        part(&mut map, "within_walks", &self.within)?;
        part(&mut map, "between_walks", &self.between)?;
        map.serialize_entry("words", &self.words())?;
        map.serialize_entry("level", &self.level)?;
        map.serialize_entry("draws", &self.draws)?;
        map.end()
    }
}
