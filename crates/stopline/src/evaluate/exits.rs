//! Every single way to stop: (sites, total), its call, probability and number of weighted paths.

use super::forward::Workspace;
use super::windows::{Reach, Windows};
use crate::error::{Code, Error};
use crate::law::Law;
use crate::lines::{Call, Lines, Stop};
use crate::score::Total;
use crate::watch::{Quiet, Watch};

/// Most exits that are listed.
const MOST_EXITS: usize = 10_000_000;

/// One way to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exit {
    /// Sites at the stop.
    pub at: u32,
    /// Total at the stop.
    pub total: Total,
    /// The call made.
    pub call: Call,
    /// Probability under the law.
    pub p: f64,
    /// ln K, the weighted number of paths: for NB, P = K·qᵏⁿ·θᵀ with q = k/(k+m), θ = m/(k+m) and
    /// weight Γ(x+k)/(Γ(k)x!) a site; for Poisson weight 1/x!, for binomial C(units, x). It does not
    /// depend on the mean. For a table it is ln p.
    pub ln_paths: f64,
}

/// All exits in order of check and total, and the probability that is not listed.
#[derive(Debug, Clone, PartialEq)]
pub struct Exits {
    /// The exits.
    pub list: Vec<Exit>,
    /// Probability of exits left off, far above the uppermost lines.
    pub left_off: f64,
}

/// Lists the exits of `lines` under `law`, leaving off at most about `leave_off` of probability.
///
/// # Errors
/// `out_of_range` unless 1e-15 ≤ `leave_off` < 1; `too_much_work` where more than ten million exits
/// would be listed.
///
/// ```
/// use stopline::{Lines, Mean, Row, evaluate, law::Law};
/// let lines = Lines::new(vec![Row::two_calls(1, Some(0), Some(1), None)])?;
/// let exits = evaluate::exits(&lines, &Law::Poisson { mean: Mean::new(2.0)? }, 1e-9)?;
/// assert!((exits.list[0].p - (-2.0_f64).exp()).abs() < 1e-15); // nothing found
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn exits(lines: &Lines, law: &Law, leave_off: f64) -> Result<Exits, Error> {
    exits_watched(lines, law, leave_off, &Quiet)
}

fn exits_watched(lines: &Lines, law: &Law, leave_off: f64, watch: &dyn Watch) -> Result<Exits, Error> {
    if !(1e-15..1.0).contains(&leave_off) {
        return Err(Error::new(Code::OutOfRange, "leave_off", leave_off, "from 1e-15 to less than 1"));
    }
    let share = leave_off / lines.rows().len() as f64;
    let mut list = Vec::new();
    let mut listed = 0.0;
    let mut more = Vec::new();
    let mut batch = Vec::new();
    let mut before_at = 0;
    let mut came_in = 1.0; // unscaled mass that came into the check
    let windows = Windows::of(with_reach(lines, law, share)?.rows(), Reach::of(law))?;
    Workspace::default().checks(&windows, law, watch, |check| {
        let at = check.window.at;
        let scale = libm::exp2(f64::from(check.exponent));
        let ln_scale = f64::from(check.exponent) * core::f64::consts::LN_2;
        let mut push = |total: Total, call: Call, q: f64| {
            if q > 0.0 {
                let p = q * scale;
                listed += p;
                list.push(Exit { at, total, call, p, ln_paths: libm::log(q) + ln_scale - ln_weight(law, at, total) });
            }
        };
        let (mut stayed, mut left) = (0.0, 0.0);
        for part in check.parts {
            let q = check.q.get(part.start..part.end).unwrap_or_default();
            let from = check.window.base + Total::try_from(part.start).unwrap_or(Total::MAX);
            let sum: f64 = q.iter().sum::<f64>() * scale;
            match part.call {
                None => stayed += sum,
                Some(call) => {
                    left += sum;
                    (from..).zip(q).for_each(|(total, &q)| push(total, call, q));
                }
            }
        }
        let gap = at - before_at;
        before_at = at;
        let Some(top) = check.window.top else {
            came_in -= left;
            return Ok(());
        };
        let mut above = came_in - left - stayed;
        came_in = stayed;
        // Longer and longer parts of the convolution, until what is left is small or vanishes.
        let mut lead = check.q.len();
        while above > share {
            let len = lead.max(64);
            law.batch(gap, lead + len, &mut batch);
            more.clear();
            more.resize(len, 0.0);
            convolve(check.before, &batch, lead, &mut more);
            let part: f64 = more.iter().sum::<f64>() * libm::exp2(f64::from(check.before_exponent));
            let from = check.window.base + Total::try_from(lead).unwrap_or(Total::MAX);
            let lift = libm::exp2(f64::from(check.before_exponent - check.exponent));
            (from..).zip(&more).for_each(|(total, &q)| push(total, top, q * lift));
            above -= part;
            lead += len;
            if part < 1e-3 * share {
                break; // what seems left is rounding of the difference
            }
            if lead > MOST_EXITS {
                return Err(too_many());
            }
        }
        Ok(())
    })?;
    Ok(Exits { list, left_off: (1.0 - listed).max(0.0) })
}

/// `out[i] = Σⱼ a[j]·p[i + lead − j]`, the part of a convolution from `lead` on.
fn convolve(a: &[f64], p: &[f64], lead: usize, out: &mut [f64]) {
    for (j, &w) in a.iter().enumerate() {
        let (skip, from) = (j.saturating_sub(lead), lead.saturating_sub(j));
        for (o, &p) in out.iter_mut().skip(skip).zip(p.iter().skip(from)) {
            *o += w * p;
        }
    }
}

fn too_many() -> Error {
    Error::new(
        Code::TooMuchWork,
        "list of exits",
        format!("more than {MOST_EXITS} totals"),
        "smaller means or lines, or a larger `leave_off`",
    )
}

/// The same lines, told so that the recursion tracks every total that matters.
///
/// A check without an uppermost stop is tracked only up to where the next one begins: above it a walk
/// will surely leave, but with which total? So that stop is cut in two where less than `share` is left.
fn with_reach(lines: &Lines, law: &Law, share: f64) -> Result<Lines, Error> {
    let mut rows = lines.rows().to_vec();
    let mut above_open = false; // has the check before no uppermost stop?
    for row in &mut rows {
        let top = row.highest();
        if let (true, Some((from, call)), Some(stop)) = (above_open, top, row.stops.last_mut()) {
            let reach = reach(law, row.at, share)?;
            if reach > from {
                stop.to = Some(reach - 1);
                row.stops.push(Stop { from: Some(reach), to: None, call });
            }
        }
        above_open = top.is_none();
    }
    Lines::new(rows)
}

/// A total of `sites` sites that is reached with less than `share` of probability.
fn reach(law: &Law, sites: u32, share: f64) -> Result<Total, Error> {
    let first = law.first() * Total::from(sites);
    let mut p = Vec::new();
    let mut len = 64;
    loop {
        law.batch(sites, len, &mut p);
        let (low, high) = p.split_at(p.len() / 2);
        let ended = p.len() < len; // the law has no larger totals
        if ended || low.iter().sum::<f64>() > 0.5 && high.iter().sum::<f64>() < 1e-3 * share {
            break;
        }
        len *= 2;
        if len > MOST_EXITS {
            return Err(too_many());
        }
    }
    let mut above = 0.0;
    let within = p.iter().rposition(|p| {
        above += p;
        above >= share
    });
    Ok(first + within.and_then(|i| Total::try_from(i + 1).ok()).unwrap_or(0))
}

/// ln of what a path of `at` sites and `total` has in common with every other such path.
fn ln_weight(law: &Law, at: u32, total: Total) -> f64 {
    let (n, t) = (f64::from(at), total as f64);
    match law {
        Law::Poisson { mean } => t * libm::log(mean.get()) - n * mean.get(),
        Law::NegBin { mean, k } => {
            let (m, k) = (mean.get(), k.get());
            t * libm::log(m / (k + m)) - n * k * libm::log1p(m / k)
        }
        Law::Binomial { p, units } => {
            let p = p.get();
            let zeros = n * f64::from(*units) - t;
            (if t > 0.0 { t * libm::log(p) } else { 0.0 }) + (if zeros > 0.0 { zeros * libm::log1p(-p) } else { 0.0 })
        }
        Law::Table { .. } => 0.0,
    }
}
