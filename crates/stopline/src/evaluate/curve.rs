//! Operating-characteristic curve and expected sites over means.

use super::dispatch::InstructionSet;
use super::outcome::{Outcome, each_outcome, middle};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::law::{Law, Laws, Pool};
use crate::lines::{Call, Lines};
use crate::params::Mean;
use crate::root::root;
use crate::score::Score;
use crate::watch::{Watch, Within};

/// What a plan does at one mean.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveRow {
    /// True mean per site.
    pub mean: f64,
    /// P(called adequate).
    pub adequate: f64,
    /// P(called inadequate).
    pub inadequate: f64,
    /// P(called marginal).
    pub marginal: f64,
    /// P(stopped because enough was counted).
    pub enough: f64,
    /// P(cap reached without a call).
    pub undecided: f64,
    /// Mean number of sites (ASN).
    pub expected_sites: f64,
    /// Standard deviation of the number of sites.
    pub sites_sd: f64,
    /// Smallest n with P(N ≤ n) ≥ 0.5.
    pub sites_p50: u32,
    /// Smallest n with P(N ≤ n) ≥ 0.9.
    pub sites_p90: u32,
    /// P(the walk takes all sites up to the cap).
    pub at_cap: f64,
}

impl CurveRow {
    /// P(this call).
    #[must_use]
    pub const fn p(&self, call: Call) -> f64 {
        match call {
            Call::Inadequate => self.inadequate,
            Call::Marginal => self.marginal,
            Call::Adequate => self.adequate,
            Call::Enough => self.enough,
            Call::Undecided => self.undecided,
        }
    }
}

/// Rows over means, and the mean at which both calls are equally likely.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// One row a mean, in the order asked.
    pub rows: Vec<CurveRow>,
    /// Mean with P(adequate) = P(inadequate); `None` where there is none.
    pub even_mean: Option<f64>,
}

/// Exact curve of `lines` under a dispersion, at each mean.
///
/// For an interval of k the curve is that of its best single value.
///
/// # Errors
/// `combination` where score and dispersion do not fit, `out_of_range` for a share of 1 or more,
/// `too_much_work`, `interrupted`.
///
/// ```
/// use stopline::{Dispersion, Lines, Mean, K, Quiet, Row, Score, evaluate};
/// // 15 sites, inadequate if the total is at most 31 (k = 2).
/// let lines = Lines::new(vec![Row::two_calls(15, Some(31), Some(32), None)])?;
/// let k = Dispersion::ConstantK { k: K::new(2.0)? };
/// let curve = evaluate::evaluate_lines(&lines, &Score::Count, &k, &[Mean::new(1.5)?], &Quiet)?;
/// assert!((curve.rows[0].adequate - 0.0835).abs() < 5e-5);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn evaluate_lines(
    lines: &Lines,
    score: &Score,
    under: &Dispersion,
    means: &[Mean],
    watch: &dyn Watch,
) -> Result<Curve, Error> {
    let laws = |mean: Mean| under.laws(score, mean);
    let at_means = means.iter().map(|&m| laws(m)).collect::<Result<Vec<_>, _>>()?;
    let means: Vec<f64> = means.iter().map(|m| m.get()).collect();
    let mut curve = curve_of_laws(lines, &means, &at_means, watch)?;
    curve.even_mean = even_mean(lines, score, under, &Within { watch, done: 1, of: 1 })?;
    Ok(curve)
}

/// Exact curve of `lines` under any laws, one set a mean; `means` only labels the rows, and
/// `even_mean` is not sought.
///
/// # Errors
/// `combination` where the sets differ in their number of nodes or from `means`; `too_much_work`,
/// `interrupted`.
pub fn curve_of_laws(lines: &Lines, means: &[f64], laws: &[Laws], watch: &dyn Watch) -> Result<Curve, Error> {
    curve_by(lines, means, laws, InstructionSet::best(), watch)
}

fn curve_by(
    lines: &Lines,
    means: &[f64],
    laws: &[Laws],
    set: InstructionSet,
    watch: &dyn Watch,
) -> Result<Curve, Error> {
    if laws.len() != means.len() {
        return Err(odd_laws());
    }
    let mut rows = vec![None; means.len()];
    each_pooled(lines, laws, set, watch, |i, outcome| {
        if let (Some(place), Some(&mean)) = (rows.get_mut(i), means.get(i)) {
            *place = Some(row(lines, mean, outcome));
        }
    })?;
    Ok(Curve { rows: rows.into_iter().flatten().collect(), even_mean: None })
}

fn odd_laws() -> Error {
    Error::about(Code::Combination, "laws", "one set of laws a mean, each with the same number of nodes")
}

/// Tells `each` what walks end in under each set of laws, with its place: averaged over its nodes, or at the first.
fn each_pooled(
    lines: &Lines,
    laws: &[Laws],
    set: InstructionSet,
    watch: &dyn Watch,
    mut each: impl FnMut(usize, &Outcome),
) -> Result<(), Error> {
    let nodes = laws.first().map_or(0, |l| l.nodes.len());
    if laws.iter().any(|l| l.nodes.len() != nodes || l.nodes.is_empty()) {
        return Err(odd_laws());
    }
    let averaged = laws.iter().all(|l| l.pool == Pool::Average);
    let of_node = |node: usize| {
        let at = |l: &Laws| l.nodes.get(node).map(|(w, law)| (if averaged { *w } else { 1.0 }, law.clone()));
        laws.iter().filter_map(at).unzip::<f64, Law, Vec<f64>, Vec<Law>>()
    };
    if nodes == 1 || !averaged {
        let (weights, node_laws) = of_node(0);
        if weights.iter().all(|&weight| weight == 1.0) {
            return each_outcome(lines, &node_laws, set, watch, each);
        }
    }
    let mut pooled: Vec<Outcome> = laws.iter().map(|_| Outcome::zero()).collect();
    for (weights, node_laws) in (0..nodes).map(of_node) {
        each_outcome(lines, &node_laws, set, watch, |i, outcome| {
            if let (Some(sum), Some(&weight)) = (pooled.get_mut(i), weights.get(i)) {
                sum.add(weight, outcome);
            }
        })?;
    }
    pooled.iter().enumerate().for_each(|(i, outcome)| each(i, outcome));
    Ok(())
}

/// P(N ≤ n), the chance that a walk has stopped by the sites n of each check: a list for each mean.
///
/// # Errors
/// As [`evaluate_lines`].
pub fn stopped_by(
    lines: &Lines,
    score: &Score,
    under: &Dispersion,
    means: &[Mean],
    watch: &dyn Watch,
) -> Result<Vec<Vec<f64>>, Error> {
    let laws = means.iter().map(|&m| under.laws(score, m)).collect::<Result<Vec<_>, _>>()?;
    let mut stopped = vec![Vec::new(); means.len()];
    each_pooled(lines, &laws, InstructionSet::best(), watch, |i, outcome| {
        if let Some(place) = stopped.get_mut(i) {
            *place = outcome.open.iter().map(|open| (1.0 - open).clamp(0.0, 1.0)).collect();
        }
    })?;
    Ok(stopped)
}

pub(super) fn row(lines: &Lines, mean: f64, outcome: &Outcome) -> CurveRow {
    // Rounding may take a sum of probabilities past 1.
    let p = |call: Call| outcome.calls.get(call.index()).copied().unwrap_or(0.0).min(1.0);
    let checks = lines.rows();
    // N > at(i) with probability open(i), so E N = at(0) + Σ (at(i+1) − at(i))·open(i).
    let before = |i: usize| if i == 0 { 1.0 } else { outcome.open.get(i - 1).copied().unwrap_or(0.0) };
    let mut expected = 0.0;
    let mut last = 0.0;
    for (i, at) in checks.iter().map(|row| f64::from(row.at)).enumerate() {
        expected += (at - last) * before(i);
        last = at;
    }
    let mut variance = 0.0;
    let (mut p50, mut p90) = (lines.cap(), lines.cap());
    for (i, row) in checks.iter().enumerate().rev() {
        let at = f64::from(row.at);
        let open = outcome.open.get(i).copied().unwrap_or(0.0);
        variance += (before(i) - open).max(0.0) * (at - expected) * (at - expected);
        if 1.0 - open >= 0.5 {
            p50 = row.at;
        }
        if 1.0 - open >= 0.9 {
            p90 = row.at;
        }
    }
    CurveRow {
        mean,
        adequate: p(Call::Adequate),
        inadequate: p(Call::Inadequate),
        marginal: p(Call::Marginal),
        enough: p(Call::Enough),
        undecided: p(Call::Undecided),
        expected_sites: expected,
        sites_sd: libm::sqrt(variance),
        sites_p50: p50,
        sites_p90: p90,
        at_cap: before(checks.len().saturating_sub(1)).min(1.0),
    }
}

/// Means on the whole real line: as ln mean, or as ln odds where the mean is a share.
pub(super) struct Axis<'a> {
    score: &'a Score,
    under: &'a Dispersion,
}

impl<'a> Axis<'a> {
    pub fn of(score: &'a Score, under: &'a Dispersion) -> Self {
        Self { score, under }
    }
    pub fn mean(&self, x: f64) -> f64 {
        if self.under.of_shares() { 1.0 / (1.0 + libm::exp(-x)) } else { libm::exp(x) }
    }
    pub fn of_mean(&self, mean: f64) -> f64 {
        if self.under.of_shares() { libm::log(mean / (1.0 - mean)) } else { libm::log(mean) }
    }
    /// Where about so much is added to the total per site.
    pub fn at(&self, m: f64) -> f64 {
        if *self.score == Score::Count {
            return libm::log(m);
        }
        let most = if let Score::Capped { counted_to } = self.score { f64::from(*counted_to) } else { 1.0 };
        let p = (m / self.score.units()).clamp(0.001 * most, 0.999 * most);
        if self.under.of_shares() {
            return libm::log(p / (1.0 - p));
        }
        // The mean at which that share of units is positive, or so much is counted at a site.
        let share = |x: f64| -> Result<f64, Error> {
            let laws = self.under.laws(self.score, Mean::new(libm::exp(x))?)?;
            Ok(laws.nodes.first().map_or(f64::NAN, |(_, law)| law.mean()) / self.score.units())
        };
        let (mut low, mut high) = (-20.0, 20.0);
        for _ in 0..60 {
            let x = 0.5 * (low + high);
            // Above the range of means every unit is positive.
            *(if share(x).is_ok_and(|share| share < p) { &mut low } else { &mut high }) = x;
        }
        0.5 * (low + high)
    }
}

/// Mean per site along the middle of the open totals before the last check, where they end upwards.
pub(super) fn strip(lines: &Lines) -> Option<f64> {
    let (_, rows) = lines.rows().split_last()?;
    let (mut totals, mut sites) = (0.0, 0.0);
    for row in rows {
        if let Some((high, _)) = row.highest() {
            let low = row.lowest().map_or(0, |(low, _)| low + 1);
            totals += 0.5 * (low as f64 + high as f64);
            sites += f64::from(row.at);
        }
    }
    (totals > 0.0).then_some(totals / sites)
}

/// The mean at which P(adequate) = P(inadequate).
fn even_mean(lines: &Lines, score: &Score, under: &Dispersion, watch: &dyn Watch) -> Result<Option<f64>, Error> {
    even_mean_by(lines, score, under, |mean| {
        let curve = curve_of_laws(lines, &[mean.get()], &[under.laws(score, mean)?], watch)?;
        Ok(curve.rows.iter().map(|r| r.adequate - r.inadequate).sum())
    })
}

/// The same, where P(adequate) − P(inadequate) at a mean is `excess`, to 1e-13 relative: sought outwards from the middle
/// of the strip, then bracketed.
pub(super) fn even_mean_by(
    lines: &Lines,
    score: &Score,
    under: &Dispersion,
    excess: impl Fn(Mean) -> Result<f64, Error>,
) -> Result<Option<f64>, Error> {
    let calls = |call| lines.rows().iter().any(|r| r.stops.iter().any(|s| s.call == call));
    if !calls(Call::Adequate) || !calls(Call::Inadequate) {
        return Ok(None);
    }
    let axis = Axis::of(score, under);
    let excess = |x: f64| excess(Mean::new(axis.mean(x))?);
    let start = axis.at(strip(lines).unwrap_or_else(|| middle(lines)));
    let first = excess(start)?;
    if first.is_nan() {
        return Ok(None);
    }
    let up = first < 0.0;
    let (mut near, mut step) = (start, 0.25);
    // Four steps of growing size: a factor of 40 from the middle of the strip.
    for _ in 0..4 {
        let far = if up { near + step } else { near - step };
        if (excess(far)? < 0.0) != up {
            let bracket = if up { (near, far) } else { (far, near) };
            return root("even_mean", bracket, 1e-13, excess).map(|x| Some(axis.mean(x)));
        }
        near = far;
        step *= 2.0;
    }
    Ok(None)
}
