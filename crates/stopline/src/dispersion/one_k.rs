//! One k for all walks: the regression estimate of Bliss & Owen, and whether one k is enough.
//!
//! *Bliss & Owen* (1958, Biometrika 45:37–58, doi:10.1093/biomet/45.1-2.37; formula from memory): over walks with mean
//! x̄ and variance s², x′ = x̄² − s²/n estimates m² and y′ = s² − x̄ estimates m²/k, so that 1/k = Σ w·x′y′ / Σ w·x′²,
//! unweighted, and with w = ½(n−1)k⁴ / [x̄²(x̄+k)²(k(k+1) − (2k−1)/n − 3/n²)] repeated until k stays.
//!
//! *One k*: 2[Σ ln L(k of the walk) − ln L(common k)] by plain maximum likelihood. χ² with walks − 1 degrees of freedom
//! holds for long walks only; p is drawn from negative binomial counts with the walks' means and the k common to them
//! by conditional likelihood, and everything fitted anew.

use super::drawn::{Counter, Draws, How, P, share};
use super::estimate::Why;
use super::frequencies::Frequencies;
use super::json::number;
use super::likelihood::{Likelihood, Means};
use crate::error::Error;
use crate::special::chi_square_above;
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, Serializer};

/// The common k of Bliss & Owen (1958).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlissOwen {
    /// All walks alike.
    pub unweighted: Result<f64, Why>,
    /// Each by its weight.
    pub weighted: Result<f64, Why>,
}

/// Most rounds of weights.
const MOST_ROUNDS: u32 = 1000;

/// The common k by Bliss & Owen's regression, from walks with two sites or more and any found.
///
/// ```
/// use stopline::dispersion::{Frequencies, bliss_owen};
/// // Mean 3, variance 8, n 2: x′ = 9 − 4, y′ = 5.
/// let k = bliss_owen(&[Frequencies::of(&[1, 5])?]);
/// assert!((k.unweighted.unwrap() - 1.0).abs() < 1e-14);
/// # Ok::<(), stopline::Error>(())
/// ```
#[must_use]
pub fn bliss_owen(walks: &[Frequencies]) -> BlissOwen {
    let points: Vec<[f64; 4]> = walks
        .iter()
        .filter_map(|walk| {
            let (n, m, s2) = (walk.sites() as f64, walk.mean()?, walk.variance()?);
            (m > 0.0).then_some([n, m, m * m - s2 / n, s2 - m])
        })
        .collect();
    if points.is_empty() {
        return BlissOwen { unweighted: Err(Why::OneSite), weighted: Err(Why::OneSite) };
    }
    let with = |weight: &dyn Fn(f64, f64) -> f64| {
        let (mut xy, mut xx) = (0.0, 0.0);
        for &[n, m, x, y] in &points {
            let w = weight(n, m);
            xy += w * x * y;
            xx += w * x * x;
        }
        if xy > 0.0 { Ok(xx / xy) } else { Err(Why::NotClumped) }
    };
    let unweighted = with(&|_, _| 1.0);
    let weighted = unweighted.and_then(|mut k| {
        for _ in 0..MOST_ROUNDS {
            let next = with(&|n, m| {
                let spread = k * (k + 1.0) - (2.0 * k - 1.0) / n - 3.0 / (n * n);
                // Negative for walks of very few sites at very small k: such a walk gets no weight.
                if spread > 0.0 { 0.5 * (n - 1.0) * k.powi(4) / (m * m * (m + k) * (m + k) * spread) } else { 0.0 }
            })?;
            if (next / k - 1.0).abs() < 1e-14 {
                return Ok(next);
            }
            k = next;
        }
        Err(Why::DoesNotSettle)
    });
    BlissOwen { unweighted, weighted }
}

/// Whether walks share one k.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneK {
    /// 2[Σ ln L(k of the walk) − ln L(common k)].
    pub deviance: f64,
    /// Walks that tell of k, less 1.
    pub freedom: u64,
    /// P(χ² so large or larger): good for long walks only.
    pub p_chi_square: f64,
    /// Chance of so large a deviance if all walks had the common k.
    pub p: P,
}

/// Most sites drawn.
const MOST_DRAWN: f64 = 2e8;

/// The test of one k for all walks, drawn at `k`, the k common to them.
///
/// # Errors
/// `interrupted` if the caller stops it; `not_converged` if a bounded search does not end: not known to happen.
pub fn one_k(
    walks: &[Frequencies],
    k: Result<f64, Why>,
    draws: Draws,
    watch: &dyn Watch,
) -> Result<Result<OneK, Why>, Error> {
    let used: Vec<&Frequencies> = walks.iter().filter(|walk| walk.sum() > 0).collect();
    if used.len() < 2 {
        return Ok(Err(Why::OneWalk));
    }
    let k = match k {
        Ok(k) => k,
        Err(Why::NotClumped) => f64::INFINITY,
        Err(why) => return Ok(Err(why)),
    };
    let deviance = deviance(&used)?;
    let freedom = used.len() as u64 - 1;
    let p_chi_square = chi_square_above(deviance, freedom as f64);
    let near = P { p: p_chi_square, how: How::Approximate };
    let sites: f64 = used.iter().map(|walk| walk.sites() as f64).sum();
    let counters: Result<Vec<_>, _> = used.iter().map(|walk| Counter::new(walk.mean().unwrap_or(0.0), k)).collect();
    let (Ok(counters), true) = (counters, sites * f64::from(draws.number()) <= MOST_DRAWN) else {
        return Ok(Ok(OneK { deviance, freedom, p_chi_square, p: near }));
    };
    let mut chance = draws.stream(2);
    let (mut counts, mut as_extreme) = (Vec::new(), 0);
    for done in 0..draws.number() {
        tell(watch, done.into(), draws.number().into())?;
        let mut drawn = Vec::with_capacity(used.len());
        for (walk, counter) in used.iter().zip(&counters) {
            counts.clear();
            counts.extend((0..walk.sites()).map(|_| counter.draw(&mut chance)));
            drawn.push(Frequencies::of(&counts)?);
        }
        let found: Vec<&Frequencies> = drawn.iter().filter(|walk| walk.sum() > 0).collect();
        as_extreme += u32::from(self::deviance(&found)? >= deviance);
    }
    Ok(Ok(OneK { deviance, freedom, p_chi_square, p: share(as_extreme, draws.number()) }))
}

fn deviance(walks: &[&Frequencies]) -> Result<f64, Error> {
    let all = Likelihood::new(walks.iter().copied(), Means::Plain);
    if all.is_empty() {
        return Ok(0.0);
    }
    let mut apart = 0.0;
    for walk in walks {
        if let Some(k) = walk.k_ml()?.k() {
            apart += Likelihood::new([*walk], Means::Plain).rise(0.0, 1.0 / k);
        }
    }
    // All at one site in every walk: no k is too small, and the walks cannot differ.
    if all.rises_to_zero() {
        return Ok(0.0);
    }
    Ok((2.0 * (apart - all.rise(0.0, all.highest_peak()?))).max(0.0))
}

impl Serialize for BlissOwen {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        number(&mut map, "unweighted", self.unweighted)?;
        number(&mut map, "weighted", self.weighted)?;
        map.end()
    }
}

impl Serialize for OneK {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("deviance", &self.deviance)?;
        map.serialize_entry("freedom", &self.freedom)?;
        map.serialize_entry("p_chi_square", &self.p_chi_square)?;
        map.serialize_entry("p", &self.p.p)?;
        self.p.how.entries(&mut map)?;
        map.end()
    }
}
