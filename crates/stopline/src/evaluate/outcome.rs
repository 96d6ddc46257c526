//! From the recursion at one reference to what happens at each of many means.

use super::dispatch::InstructionSet;
use super::eight::{Eight, Settle};
use super::forward::{Wanted, Workspace};
use super::lean::Evaluator;
use super::nodes::Nodes;
use super::vector::{LANE, Octet};
use super::windows::{Reach, Windows};
use crate::error::Error;
use crate::law::{Law, Laws, Pool};
use crate::lines::{Call, Lines};
use crate::watch::Watch;

/// What a walk under one law ends in.
#[derive(Debug, Clone)]
pub(crate) struct Outcome {
    /// P(call), in the order of [`Call::ALL`].
    pub calls: [f64; Call::ALL.len()],
    /// P(still open after check i).
    pub open: Vec<f64>,
}

impl Outcome {
    /// Adds `weight` times `other`.
    pub fn add(&mut self, weight: f64, other: &Outcome) {
        self.calls.iter_mut().zip(&other.calls).for_each(|(a, b)| *a += weight * b);
        if self.open.is_empty() {
            self.open.resize(other.open.len(), 0.0);
        }
        self.open.iter_mut().zip(&other.open).for_each(|(a, b)| *a += weight * b);
    }

    /// Becomes that of one mean of eight, whose open masses are given check by check.
    fn fill(&mut self, eight: &Eight, open: &[Octet], lane: usize) {
        let of = |octet: &Octet| 0.0 + octet.0.get(lane).copied().unwrap_or(0.0); // 0 for −0
        self.calls = eight.calls.each_ref().map(of);
        self.open.clear();
        self.open.extend(open.iter().map(of));
    }

    pub fn zero() -> Self {
        Self { calls: [0.0; Call::ALL.len()], open: Vec::new() }
    }
}

/// Tells `each` what happens under each of `laws`, all for the same lines, with the place of the law, in any order.
///
/// # Errors
/// `too_much_work`, `interrupted`.
pub(crate) fn each_outcome(
    lines: &Lines,
    laws: &[Law],
    set: InstructionSet,
    watch: &dyn Watch,
    mut each: impl FnMut(usize, &Outcome),
) -> Result<(), Error> {
    let Some(first) = laws.first() else { return Ok(()) };
    let mut settled = vec![false; laws.len()];
    let mut one = Outcome::zero();
    let mut workspace = Workspace::default();
    let reach = Reach::of(first);
    let windows = Windows::of(lines.rows(), reach)?;
    // One recursion at a mean in the middle of the strip serves all laws of the first law's family.
    if laws.len() > 1
        && let Some(reference) = first.with_mean(middle(lines))
        && let Some((family, at)) = reference.family()
    {
        let parameters = laws.iter().map(|law| law.family().filter(|f| f.0 == family).map(|f| f.1));
        let (of, means): (Vec<usize>, Vec<f64>) =
            parameters.enumerate().filter_map(|(i, mean)| mean.map(|m| (i, m))).unzip();
        let mut eights = Vec::new();
        set.plainly(Settle { family, reference: at, means: &means, eights: &mut eights });
        // One piece of memory: of many small ones, allocators give much back to the system each time.
        let checks = windows.rows.len().max(1);
        let mut open = vec![Octet::ZERO; eights.len() * checks];
        let mut pieces: Vec<&mut [Octet]> = open.chunks_exact_mut(checks).collect();
        let faint =
            workspace.tilted(set, Wanted::Sites, &windows, &reference, watch, &mut eights, &mut pieces, |_| ())?;
        for ((eight, open), of) in eights.iter().zip(open.chunks_exact(checks)).zip(of.chunks(LANE)) {
            let sound = eight.sound(windows.largest_gap());
            for (lane, &i) in of.iter().enumerate() {
                if !faint
                    && sound.get(lane) == Some(&true)
                    && let Some(settled) = settled.get_mut(i)
                {
                    *settled = true;
                    one.fill(eight, open, lane);
                    each(i, &one);
                }
            }
        }
    }
    // The others are their own reference; then a probability too faint to hold is truly negligible.
    for (i, (law, settled)) in laws.iter().zip(settled).enumerate() {
        if !settled {
            let other;
            let windows = if Reach::of(law) == reach {
                &windows
            } else {
                other = Windows::of(lines.rows(), Reach::of(law))?;
                &other
            };
            let (mut own, mut open) = ([Eight::START], vec![Octet::ZERO; windows.rows.len()]);
            let pieces = &mut [open.as_mut_slice()];
            workspace.tilted(set, Wanted::Sites, windows, law, watch, &mut own, pieces, |_| ())?;
            let [own] = &own;
            one.fill(own, &open, 0);
            each(i, &one);
        }
    }
    Ok(())
}

/// The mean per site in the middle of where the last check divides the totals.
pub(crate) fn middle(lines: &Lines) -> f64 {
    let Some(row) = lines.rows().last() else { return 1.0 };
    let bounds = row.stops.iter().flat_map(|s| [s.from, s.to.map(|t| t + 1)]).flatten();
    let (sum, n) = bounds.fold((0.0, 0.0), |(s, n), b| (s + b as f64, n + 1.0));
    (if n > 0.0 { sum / n } else { 1.0 }).max(0.5) / f64::from(row.at)
}

/// P(call) for every call, in the order of [`Call::ALL`], under each set of laws: averaged, or for each
/// call the worst.
///
/// # Errors
/// `too_much_work`, `interrupted`.
pub(crate) fn pooled_calls<const M: usize>(
    lines: &Lines,
    laws: &[Laws; M],
    set: InstructionSet,
    watch: &dyn Watch,
) -> Result<[[f64; Call::ALL.len()]; M], Error> {
    let mut pooled = [[0.0_f64; Call::ALL.len()]; M];
    pool_calls(lines, laws, set, watch, &mut pooled)?;
    Ok(pooled)
}

/// P(call) for every call, in the order of [`Call::ALL`], under each set of laws: averaged with the weights, or
/// for each call the worst.
///
/// # Errors
/// `too_much_work`, `interrupted`.
///
/// ```
/// use stopline::{Call, Dispersion, K, Lines, Mean, Quiet, Row, Score, evaluate::calls_of_laws};
/// let lines = Lines::new(vec![Row::two_calls(15, Some(31), Some(32), None)])?;
/// let k = Dispersion::k_spread(K::new(2.0)?, 0.4)?;
/// let calls = calls_of_laws(&lines, &[k.laws(&Score::Count, Mean::new(1.5)?)?], &Quiet)?;
/// // More than the 0.0835 at k = 2: an uncertain k makes errors likelier.
/// assert!(calls[0][Call::Adequate as usize] > 0.0835);
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn calls_of_laws(lines: &Lines, laws: &[Laws], watch: &dyn Watch) -> Result<Vec<[f64; Call::ALL.len()]>, Error> {
    let mut pooled = vec![[0.0; Call::ALL.len()]; laws.len()];
    pool_calls(lines, laws, InstructionSet::best(), watch, &mut pooled)?;
    Ok(pooled)
}

/// [`pooled_calls`] of any number of laws.
pub(crate) fn pool_calls(
    lines: &Lines,
    laws: &[Laws],
    set: InstructionSet,
    watch: &dyn Watch,
    pooled: &mut [[f64; Call::ALL.len()]],
) -> Result<(), Error> {
    let nodes = laws.iter().map(|l| l.nodes.len()).max().unwrap_or(0);
    let mut evaluator: Option<Evaluator> = None;
    let mut node = 0;
    while node < nodes {
        let together = nodes.min(node + LANE);
        if together - node > 1 && pool_nodes(lines, laws, node..together, set, watch, pooled)? {
            node = together;
            continue;
        }
        let here: Vec<_> = laws
            .iter()
            .enumerate()
            .filter_map(|(i, l)| l.nodes.get(node).map(|(w, law)| (i, l.pool, *w, law)))
            .collect();
        for same in here.chunk_by(|a, b| Reach::of(a.3) == Reach::of(b.3)) {
            let reach = same.first().map(|s| Reach::of(s.3)).unwrap_or_default();
            let evaluator = match &mut evaluator {
                Some(evaluator) if evaluator.reach == reach => evaluator,
                other => other.insert(Evaluator::reaching(lines, reach, set)?),
            };
            let found = evaluator.calls(same.iter().map(|s| s.3), watch)?;
            for ((i, pool, weight, _), calls) in same.iter().zip(found) {
                if let Some(pooled) = pooled.get_mut(*i) {
                    add(*pool, pooled, *weight, calls);
                }
            }
        }
        node += 1;
    }
    Ok(())
}

fn add(pool: Pool, pooled: &mut [f64; Call::ALL.len()], weight: f64, calls: &[f64; Call::ALL.len()]) {
    for (sum, p) in pooled.iter_mut().zip(calls) {
        *sum = match pool {
            Pool::Average => *sum + weight * p,
            Pool::Worst => sum.max(*p),
        };
    }
}

/// Adds some nodes of every set of laws in one recursion, if that can be done; whether it was.
fn pool_nodes(
    lines: &Lines,
    laws: &[Laws],
    nodes: std::ops::Range<usize>,
    set: InstructionSet,
    watch: &dyn Watch,
    pooled: &mut [[f64; Call::ALL.len()]],
) -> Result<bool, Error> {
    let parts: Vec<&[(f64, Law)]> = laws.iter().map(|l| l.nodes.get(nodes.clone()).unwrap_or_default()).collect();
    let Some((_, first)) = parts.iter().find_map(|part| part.first()) else { return Ok(false) };
    let reach = Reach::of(first);
    // A node has one family, whatever the mean.
    let same = |part: &&[(f64, Law)]| {
        let families = part.iter().map(|(_, law)| (Reach::of(law), law.family().map(|f| f.0)));
        families.eq(parts.first().into_iter().copied().flatten().map(|(_, law)| (reach, law.family().map(|f| f.0))))
    };
    if !parts.iter().all(same) {
        return Ok(false);
    }
    let middle = middle(lines);
    let references: Option<Vec<Law>> =
        parts.iter().take(1).copied().flatten().map(|(_, law)| law.with_mean(middle)).collect();
    let windows = Windows::of(lines.rows(), reach)?;
    let Some(together) = references.and_then(|laws| Nodes::of(&windows, &laws)) else { return Ok(false) };
    let at =
        |part: &&[(f64, Law)]| -> Vec<f64> { part.iter().filter_map(|(_, law)| law.family().map(|f| f.1)).collect() };
    let mut eights: Vec<Eight> = parts.iter().map(|part| together.tilted(&at(part))).collect();
    if !together.calls(set, &windows, &mut eights, watch)? {
        return Ok(false);
    }
    for (((pooled, laws), part), eight) in pooled.iter_mut().zip(laws).zip(parts).zip(&eights) {
        for (lane, (weight, _)) in part.iter().enumerate() {
            add(laws.pool, pooled, *weight, &eight.calls.each_ref().map(|o| o.0.get(lane).copied().unwrap_or(0.0)));
        }
    }
    Ok(true)
}
