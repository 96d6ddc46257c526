//! Which law of variance walks of different means support: by likelihood, with Akaike's weights.
//!
//! Each law gives every walk its k from its mean: infinite (variance m), constant (variance m + m²/k), m/(φ − 1)
//! (variance φ·m), m²/(a·mᵇ − m) (variance a·mᵇ; Poisson where that is at most m). The likelihood of a walk's counts
//! given its total at that k (Dirichlet–multinomial; Robinson & Smyth 2008) is free of its unknown mean but for the
//! k, for which the sample mean is taken: good where walks have ten sites or more. AIC = 2·parameters − 2·ln L; weights
//! exp(−½ΔAIC), scaled to sum 1 (Burnham & Anderson 2002, Model Selection and Multimodel Inference, § 2.9).

use super::estimate::Why;
use super::frequencies::Frequencies;
use super::profiles::{Profile, profiles};
use super::search::{largest, largest_of};
use crate::error::Error;
use crate::watch::{Watch, tell};
use serde::Serialize;

/// A law of variance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum VarianceLaw {
    /// Variance m.
    Poisson,
    /// Variance m + m²/k.
    ConstantK,
    /// Variance φ·m.
    Proportional,
    /// Variance a·mᵇ.
    PowerLaw,
}

impl VarianceLaw {
    /// In words, with the formula.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Poisson => "independent counts (variance m)",
            Self::ConstantK => "the same k at every mean (variance m + m²/k)",
            Self::Proportional => "variance proportional to the mean (φ·m)",
            Self::PowerLaw => "the power law (variance a·m^b)",
        }
    }
}

/// A law fitted to walks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Supported {
    /// The law.
    pub law: VarianceLaw,
    /// Parameters: none; k; φ; a and b.
    pub parameters: [Option<f64>; 2],
    /// ln-likelihood above that of Poisson.
    pub ln_likelihood: f64,
    /// 2·parameters − 2·ln L.
    pub aic: f64,
    /// Share of the support among the laws compared.
    pub weight: f64,
}

/// The laws, the best supported first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Laws {
    /// Best first.
    pub laws: Vec<Supported>,
    /// Walks that tell.
    pub walks: usize,
    /// What they come to, in plain words.
    pub words: String,
    /// Of the power law: counts are Poisson up to this mean (b > 1) or from it on (b < 1).
    pub power_law_poisson_to: Option<f64>,
    /// The same for b < 1.
    pub power_law_poisson_from: Option<f64>,
}

/// From this difference in AIC on, a law has clearly less support (Burnham & Anderson 2002).
const CLEARLY_LESS: f64 = 4.0;

/// ln k at the ends of the search for it.
const LN_K: (f64, f64) = (-6.0, 11.0);

/// Which law of variance the walks support.
///
/// # Errors
/// `interrupted` if the caller stops it.
///
/// ```
/// use stopline::{Quiet, dispersion::{Frequencies, supported_laws}};
/// let walks = [[0, 2, 1, 5, 0, 0], [1, 0, 0, 1, 0, 4], [9, 3, 2, 12, 0, 7]].map(|walk| Frequencies::of(&walk).unwrap());
/// let laws = supported_laws(&walks, &Quiet)?.unwrap();
/// assert_eq!(laws.laws.len(), 4);
/// assert!((laws.laws.iter().map(|law| law.weight).sum::<f64>() - 1.0).abs() < 1e-12);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn supported_laws(walks: &[Frequencies], watch: &dyn Watch) -> Result<Result<Laws, Why>, Error> {
    let profiles = profiles(walks);
    let (least, most) = profiles.iter().fold((f64::MAX, 0.0_f64), |(a, b), p| (a.min(p.mean), b.max(p.mean)));
    if profiles.len() < 3 || most <= least * 1.01 {
        return Ok(Err(if profiles.len() < 3 { Why::FewPoints } else { Why::OneMean }));
    }
    tell(watch, 1, 3)?;
    let (x, constant) = largest_of(LN_K.0, LN_K.1, 60, 1e-8, |x| total(&profiles, |_| libm::exp(x)));
    let k = libm::exp(x);
    let (y, proportional) = largest_of(-11.0, 7.0, 60, 1e-8, |y| total(&profiles, |m| m / libm::exp(y)));
    tell(watch, 2, 3)?;
    let (a, b, power) = power_law(&profiles);
    let law = |law, parameters: [Option<f64>; 2], ln_likelihood: f64| {
        let number = parameters.iter().flatten().count() as f64;
        Supported { law, parameters, ln_likelihood, aic: 2.0 * (number - ln_likelihood), weight: 0.0 }
    };
    let mut laws = vec![
        law(VarianceLaw::Poisson, [None; 2], 0.0),
        law(VarianceLaw::ConstantK, [Some(k), None], constant),
        law(VarianceLaw::Proportional, [Some(1.0 + libm::exp(y)), None], proportional),
        law(VarianceLaw::PowerLaw, [Some(a), Some(b)], power),
    ];
    laws.sort_by(|a, b| a.aic.total_cmp(&b.aic));
    let best = laws.first().map_or(0.0, |law| law.aic);
    let sum: f64 = laws.iter().map(|law| libm::exp(0.5 * (best - law.aic))).sum();
    laws.iter_mut().for_each(|law| law.weight = libm::exp(0.5 * (best - law.aic)) / sum);
    let crossing = libm::pow(a, 1.0 / (1.0 - b));
    Ok(Ok(Laws {
        words: words(&laws),
        laws,
        walks: profiles.len(),
        power_law_poisson_to: (b > 1.0).then_some(crossing),
        power_law_poisson_from: (b < 1.0).then_some(crossing),
    }))
}

fn total(profiles: &[Profile], k: impl Fn(f64) -> f64) -> f64 {
    profiles.iter().map(|profile| profile.ln_likelihood(k(profile.mean))).sum()
}

/// k of the power law at a mean; infinite where the variance is at most the mean.
fn k_of_power_law(m: f64, a: f64, b: f64) -> f64 {
    let excess = a * libm::pow(m, b) - m;
    if excess > 0.0 { m * m / excess } else { f64::INFINITY }
}

/// a, b and ln L of the best power law.
fn power_law(profiles: &[Profile]) -> (f64, f64, f64) {
    // At the middle of the means, a and b tell different things.
    let middle = profiles.iter().map(|p| libm::log(p.mean)).sum::<f64>() / profiles.len() as f64;
    let ln_a = |at_middle: f64, b: f64| at_middle - b * middle;
    let best_at = |b: f64, width: f64| {
        let of = |v: f64| total(profiles, |m| k_of_power_law(m, libm::exp(ln_a(v, b)), b));
        largest_of(middle - 1.0, middle + 5.0, 24, width, of)
    };
    let (near, _) = largest_of(0.0, 4.0, 20, 1e-2, |b| best_at(b, 1e-3).1);
    let (b, ln_likelihood) = largest((near - 0.1).max(0.0), (near + 0.1).min(4.0), 1e-6, |b| best_at(b, 1e-8).1);
    (libm::exp(ln_a(best_at(b, 1e-8).0, b)), b, ln_likelihood)
}

fn words(laws: &[Supported]) -> String {
    let [best, rest @ ..] = laws else { return String::new() };
    let near: Vec<&str> =
        rest.iter().filter(|law| law.aic - best.aic < CLEARLY_LESS).map(|law| law.law.words()).collect();
    let best = best.law.words();
    match &near[..] {
        [] => format!("These walks support {best} clearly more than the other laws."),
        near => format!(
            "These walks support {best} best, but hardly more than {}: more walks, or walks over a wider range of means, \
             would tell.",
            near.join(" and ")
        ),
    }
}
