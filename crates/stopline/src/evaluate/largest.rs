//! The mean that takes a plan most sites.

use super::curve::{Axis, strip};
use super::dispatch::InstructionSet;
use super::lean::Evaluator;
use super::outcome::middle;
use super::strips::Pair;
use super::windows::{Reach, Windows};
use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::law::{Law, Pool};
use crate::lines::Lines;
use crate::params::Mean;
use crate::score::Score;
use crate::watch::Quiet;

/// How far around the mean that takes most sites between lines alike it is looked for, as a logarithm.
const NEAR: f64 = 0.07;
/// Points that a polynomial goes through, …
const POINTS: usize = 8;
/// … and how near it has to come to the curve, relatively, to stand for it.
const SMOOTH: f64 = 1e-9;
/// How far apart, as a logarithm, the last points are where it does not.
const SHARP: f64 = 1e-12;

/// The mean at which a plan takes most sites on average, and how many.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LargestSites {
    /// Mean per site.
    pub mean: f64,
    /// Expected sites there.
    pub expected_sites: f64,
}

/// Largest expected sites over all means: a grid over a factor of 16 around the middle of the strip, and one around its
/// best point, then the top of the polynomial of degree 7 there; or, where the curve is none, ever closer grids.
///
/// # Errors
/// As [`super::evaluate_lines`].
pub fn largest_expected_sites(lines: &Lines, score: &Score, under: &Dispersion) -> Result<LargestSites, Error> {
    let per_site = strip(lines).unwrap_or_else(|| middle(lines));
    let make: Make<'_> = &|law, _| Evaluator::new(lines, law, InstructionSet::best());
    largest((score, under), per_site, None, ManySites::of(make, &mut Vec::new()))
}

/// The same for two lines at checks, as [`Windows::lay`] takes them, with so much per site on the middle line; `near`
/// is the mean that takes most sites between lines that are much the same. The memory of `evaluators` is used again.
///
/// # Errors
/// As [`super::evaluate_lines`].
pub(crate) fn largest_sites_between(
    lined: impl Iterator<Item = (u32, Pair)> + Clone,
    cap: u32,
    per_site: f64,
    near: Option<f64>,
    under: (&Score, &Dispersion),
    evaluators: &mut Vec<Evaluator>,
) -> Result<LargestSites, Error> {
    let make: Make<'_> = &|law, before| {
        let reach = Reach::of(law);
        let lay = |windows: &mut Windows| windows.lay(lined.clone(), Some((cap, 0)), reach);
        Evaluator::laid(before, (reach, per_site, InstructionSet::best()), lay)
    };
    largest(under, per_site, near, ManySites::of(make, evaluators))
}

fn largest(
    (score, under): (&Score, &Dispersion),
    per_site: f64,
    near: Option<f64>,
    mut curve: ManySites<'_>,
) -> Result<LargestSites, Error> {
    let axis = Axis::of(score, under);
    let mut sites = |xs: &[f64]| {
        let means = xs.iter().map(|&x| Mean::new(axis.mean(x))).collect::<Result<Vec<_>, _>>()?;
        curve.expected(score, under, &means)
    };
    let mut around = |centre: f64, reach: f64, steps: u32| -> Result<Top, Error> {
        let step = 2.0 * reach / f64::from(steps);
        let xs: Vec<f64> = (0..=steps).map(|i| centre - reach + f64::from(i) * step).collect();
        Ok(Top::of(&xs, &sites(&xs)?, step))
    };
    // Whole vectors of means.
    let close = near.map(|near| around(axis.of_mean(near), NEAR, 7)).transpose()?;
    let mut top = match close.filter(|top| !top.at_an_end) {
        Some(top) => top,
        None => {
            let coarse = around(axis.at(per_site), libm::log(4.0), 23)?;
            let fine = around(coarse.x, coarse.step, 15)?;
            if fine.value >= coarse.value { fine } else { coarse }
        }
    };
    let x = top.peak();
    // A grid of no size.
    let there = around(x, 0.0, 1)?.value;
    if there >= top.value && (there - top.between(x)).abs() <= SMOOTH * there {
        return Ok(LargestSites { mean: axis.mean(x), expected_sites: there });
    }
    // With a kink, or rising throughout.
    while top.step > SHARP {
        let step = 2.0 / 7.0 * top.step;
        let closer = around(top.x, top.step, 7)?;
        top = if closer.value >= top.value { closer } else { Top { step, ..top } };
    }
    Ok(LargestSites { mean: axis.mean(top.x), expected_sites: top.value })
}

/// The largest value of a grid, and the curve around it.
struct Top {
    x: f64,
    value: f64,
    at_an_end: bool,
    step: f64,
    /// The first of the points through which a polynomial goes, and the differences of each order from there on.
    first: f64,
    differences: [f64; POINTS],
}

impl Top {
    /// Of values at points a step apart.
    fn of(xs: &[f64], values: &[f64], step: f64) -> Self {
        let mut top = (0, 0.0);
        for (place, &value) in values.iter().enumerate() {
            if value > top.1 {
                top = (place, value);
            }
        }
        let from = top.0.saturating_sub(POINTS / 2).min(xs.len().saturating_sub(POINTS));
        let mut differences = [0.0; POINTS];
        differences.iter_mut().zip(values.iter().skip(from)).for_each(|(d, value)| *d = *value);
        let mut rest = &mut differences[..];
        while let Some((first, others)) = rest.split_first_mut() {
            let mut before = *first;
            others.iter_mut().for_each(|d| (before, *d) = (*d, *d - before));
            rest = others;
        }
        let x = |place: usize| xs.get(place).copied().unwrap_or(f64::NAN);
        let at_an_end = top.0 == 0 || top.0 + 1 == xs.len();
        Self { x: x(top.0), value: top.1, at_an_end, step, first: x(from), differences }
    }

    /// The polynomial (Newton's forward differences).
    fn between(&self, x: f64) -> f64 {
        let t = (x - self.first) / self.step;
        let (mut sum, mut order) = (0.0, POINTS as f64);
        for difference in self.differences.iter().rev() {
            order -= 1.0;
            sum = difference + sum * (t - order) / (order + 1.0);
        }
        sum
    }

    /// Where the polynomial is largest near the top: thrice that of a parabola, through points ever closer.
    fn peak(&self) -> f64 {
        let mut x = self.x;
        for step in [1.0, 1.0 / 16.0, 1.0 / 256.0].map(|part| part * self.step) {
            let [before, here, after] = [x - step, x, x + step].map(|x| self.between(x));
            let bend = before - 2.0 * here + after;
            if bend < 0.0 {
                x += (0.5 * step * (before - after) / bend).clamp(-step, step);
            }
        }
        x
    }
}

/// Expected sites at one mean.
pub(crate) fn expected_sites(lines: &Lines, score: &Score, under: &Dispersion, mean: f64) -> Result<f64, Error> {
    let make: Make<'_> = &|law, _| Evaluator::new(lines, law, InstructionSet::best());
    let sites = ManySites::of(make, &mut Vec::new()).expected(score, under, &[Mean::new(mean)?])?;
    Ok(sites.first().copied().unwrap_or(0.0))
}

/// Makes the evaluator of some lines for laws like one, perhaps in the memory of one before.
type Make<'a> = &'a dyn Fn(&Law, Option<Evaluator>) -> Result<Evaluator, Error>;

/// Lines whose expected sites are asked for again and again, at other means of one model.
struct ManySites<'a> {
    make: Make<'a>,
    /// One for each node of the laws, the first so many made for these lines, which is at the first call.
    evaluators: &'a mut Vec<Evaluator>,
    made: usize,
}

impl<'a> ManySites<'a> {
    fn of(make: Make<'a>, evaluators: &'a mut Vec<Evaluator>) -> Self {
        Self { make, evaluators, made: 0 }
    }

    /// Expected sites at each mean.
    ///
    /// # Errors
    /// `too_much_work`; those of a mean out of the model's range.
    fn expected(&mut self, score: &Score, under: &Dispersion, means: &[Mean]) -> Result<Vec<f64>, Error> {
        let Self { make, evaluators, made } = self;
        let at_means = means.iter().map(|&mean| under.laws(score, mean)).collect::<Result<Vec<_>, _>>()?;
        let mut pooled = vec![0.0; means.len()];
        let Some(first) = at_means.first() else { return Ok(pooled) };
        // The worst of several laws is shown at the first.
        let nodes = if first.pool == Pool::Average { first.nodes.len() } else { 1 };
        for node in 0..nodes {
            let laws: Vec<&(f64, Law)> = at_means.iter().filter_map(|laws| laws.nodes.get(node)).collect();
            if let (true, Some((_, law))) = (*made == node, laws.first()) {
                let before = (node < evaluators.len()).then(|| evaluators.swap_remove(node));
                evaluators.push(make(law, before)?);
                let last = evaluators.len() - 1;
                evaluators.swap(node, last);
                *made += 1;
            }
            if let Some(evaluator) = evaluators.get_mut(node) {
                let weight = |laws: &(f64, Law)| if nodes > 1 { laws.0 } else { 1.0 };
                let points = evaluator.under(laws.iter().map(|(_, law)| law), &Quiet)?;
                for ((sum, point), laws) in pooled.iter_mut().zip(points).zip(&laws) {
                    *sum += weight(laws) * point.expected_sites;
                }
            }
        }
        Ok(pooled)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lines::Row;
    use crate::params::K;

    /// Points are as close as `SHARP`, and sites change by at most ten times what the mean does, relatively.
    const EXCEEDED: f64 = 10.0 * SHARP;

    /// Nowhere near and at none of many means are there more sites than at the top found, smooth or with a kink.
    #[test]
    fn the_most_sites_are_nowhere_exceeded() {
        let strip = |slope: f64, width: f64, cap: u32| {
            let row = |n: u32| {
                let middle = slope * f64::from(n);
                #[allow(clippy::cast_possible_truncation)] // small totals
                let (low, high) = ((middle - width).floor() as i64, (middle + width).ceil() as i64);
                Row::two_calls(n, (low >= 0).then_some(low), Some(high), None)
            };
            let cut = row(cap).highest().map_or(0, |(high, _)| high);
            let last = Row::two_calls(cap, Some(cut), Some(cut + 1), None);
            Lines::new((1..cap).map(row).chain([last]).collect()).unwrap()
        };
        let k = K::new(1.2).unwrap();
        let smooth = [
            Dispersion::Poisson,
            Dispersion::ConstantK { k },
            Dispersion::k_spread(k, 0.4).unwrap(),
            Dispersion::power_law(1.5, 1.3).unwrap(),
        ];
        // Counts are Poisson below a mean of 0.38.
        let kink = Dispersion::power_law(1.766, 1.589).unwrap();
        for model in smooth.into_iter().chain([kink]) {
            for lines in [strip(1.4, 9.0, 60), strip(0.38, 4.0, 52), strip(6.0, 30.0, 40)] {
                let most = largest_expected_sites(&lines, &Score::Count, &model).unwrap();
                let near = (-20..=20).map(|i| most.mean * libm::exp(f64::from(i * i * i) * 1e-5));
                let many = (-60..=60).map(|i| most.mean * libm::exp(f64::from(i) / 40.0));
                for mean in near.chain(many) {
                    let there = expected_sites(&lines, &Score::Count, &model, mean).unwrap();
                    assert!(there <= most.expected_sites * (1.0 + EXCEEDED), "{model:?} {most:?} {mean} {there}");
                }
            }
        }
    }
}
