//! From the recursion at one reference to what happens at each of many means.

use super::dispatch::InstructionSet;
use super::forward::Workspace;
use super::kernel::{BLOCK, Lanes, Tilted};
use super::windows::{Reach, Windows};
use crate::error::Error;
use crate::law::{Law, Laws, Pool, Tilt};
use crate::lines::{Call, Lines};
use crate::watch::Watch;

/// Factors outside this range may have lost digits or overflowed.
const IN_RANGE: (f64, f64) = (1e-280, 1e280);

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

    pub fn zero() -> Self {
        Self { calls: [0.0; Call::ALL.len()], open: Vec::new() }
    }
}

/// What happens under each of `laws`, all for the same lines.
///
/// # Errors
/// `too_much_work`, `interrupted`.
pub(crate) fn outcomes(
    lines: &Lines,
    laws: &[Law],
    set: InstructionSet,
    watch: &dyn Watch,
) -> Result<Vec<Outcome>, Error> {
    let Some(first) = laws.first() else { return Ok(Vec::new()) };
    let mut found: Vec<Option<Outcome>> = laws.iter().map(|_| None).collect();
    let mut workspace = Workspace::default();
    let reach = Reach::of(first);
    let windows = Windows::of(lines.rows(), reach)?;
    // One recursion at a mean in the middle of the strip serves all laws of the first law's family.
    if laws.len() > 1
        && let Some(reference) = first.with_mean(middle(lines))
    {
        let tilts: Vec<(usize, Tilt)> =
            laws.iter().enumerate().filter_map(|(i, law)| reference.tilt_to(law).map(|t| (i, t))).collect();
        let mut blocks = blocks(&windows, tilts.iter().map(|(_, t)| *t));
        let mut open = vec![Vec::with_capacity(windows.rows.len()); blocks.len()];
        let faint = workspace.tilted(set, &windows, &reference, watch, &mut blocks, Some(&mut open))?;
        if !faint {
            for (place, &(i, _)) in tilts.iter().enumerate() {
                if let (Some(slot), Some(block), Some(open)) =
                    (found.get_mut(i), blocks.get(place / BLOCK), open.get(place / BLOCK))
                {
                    *slot = outcome(block, open, place % BLOCK);
                }
            }
        }
    }
    // The others are their own reference; then a probability too faint to hold is truly negligible.
    let own = Tilt { ln_ratio: 0.0, ln_site: 0.0 };
    let mut all = Vec::with_capacity(laws.len());
    for (slot, law) in found.into_iter().zip(laws) {
        all.push(match slot {
            Some(outcome) => outcome,
            None => {
                let other;
                let windows = if Reach::of(law) == reach {
                    &windows
                } else {
                    other = Windows::of(lines.rows(), Reach::of(law))?;
                    &other
                };
                let mut block = blocks(windows, [own]);
                let mut open = vec![Vec::with_capacity(windows.rows.len())];
                workspace.tilted(set, windows, law, watch, &mut block, Some(&mut open))?;
                let (block, open) = (block.first(), open.first());
                block.zip(open).map_or_else(Outcome::zero, |(block, open)| lane(block, open, 0))
            }
        });
    }
    Ok(all)
}

/// Blocks of means at the start of the walk; a block that is not full repeats the reference.
fn blocks(windows: &Windows, tilts: impl IntoIterator<Item = Tilt>) -> Vec<Tilted> {
    let mut blocks = Vec::new();
    restart(&mut blocks, windows, tilts);
    blocks
}

/// The same, in memory that was used before.
pub(crate) fn restart(blocks: &mut Vec<Tilted>, windows: &Windows, tilts: impl IntoIterator<Item = Tilt>) {
    let mut used = 0;
    for (place, tilt) in tilts.into_iter().enumerate() {
        let lane = place % BLOCK;
        if lane == 0 {
            match blocks.get_mut(used) {
                Some(block) => block.restart(windows.gaps.len()),
                None => blocks.push(Tilted::start(windows.gaps.len())),
            }
            used += 1;
        }
        if let Some(block) = blocks.get_mut(used - 1) {
            block.set(lane, tilt, &windows.gaps);
        }
    }
    blocks.truncate(used);
}

/// The outcome of one mean of a block; `None` where its factors left the range of numbers.
fn outcome(block: &Tilted, open: &[Lanes], place: usize) -> Option<Outcome> {
    block.in_range(place).then(|| lane(block, open, place))
}

fn lane(block: &Tilted, open: &[Lanes], place: usize) -> Outcome {
    let of = |lanes: &Lanes| lanes.get(place).copied().unwrap_or(0.0);
    Outcome { calls: block.calls.each_ref().map(of), open: open.iter().map(of).collect() }
}

impl Tilted {
    fn start(gaps: usize) -> Self {
        let one = [1.0; BLOCK];
        let zero = [0.0; BLOCK];
        Self {
            ratio: one,
            ln_ratio: zero,
            ln_site: zero,
            batch: vec![one; gaps],
            factor: one,
            least: one,
            most: one,
            left: one,
            calls: [zero; Call::ALL.len()],
            sites: zero,
            since: 0,
            place: (0, 0),
        }
    }

    fn restart(&mut self, gaps: usize) {
        let batch = std::mem::take(&mut self.batch);
        *self = Self::start(0);
        self.batch = batch;
        self.batch.clear();
        self.batch.resize(gaps, [1.0; BLOCK]);
    }

    fn set(&mut self, lane: usize, tilt: Tilt, gaps: &[(u32, usize)]) {
        let put = |lanes: &mut Lanes, x: f64| lanes.iter_mut().skip(lane).take(1).for_each(|slot| *slot = x);
        put(&mut self.ratio, libm::exp(tilt.ln_ratio));
        put(&mut self.ln_ratio, tilt.ln_ratio);
        put(&mut self.ln_site, tilt.ln_site);
        for (batch, &(sites, _)) in self.batch.iter_mut().zip(gaps) {
            put(batch, libm::exp(f64::from(sites) * tilt.ln_site));
        }
    }

    /// Did everything of this mean stay in the range of numbers?
    pub fn in_range(&self, lane: usize) -> bool {
        let of = |lanes: &Lanes| lanes.get(lane).copied().unwrap_or(f64::NAN);
        let sane = |p: f64| (0.0..=1.5).contains(&p);
        of(&self.least) > IN_RANGE.0
            && of(&self.most) < IN_RANGE.1
            && self.calls.iter().all(|c| sane(of(c)))
            && sane(of(&self.left))
    }
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
/// As [`outcomes`].
pub(crate) fn pooled_calls<const M: usize>(
    lines: &Lines,
    laws: &[Laws; M],
    set: InstructionSet,
    watch: &dyn Watch,
) -> Result<[[f64; Call::ALL.len()]; M], Error> {
    let mut pooled = [[0.0_f64; Call::ALL.len()]; M];
    let nodes = laws.iter().map(|l| l.nodes.len()).max().unwrap_or(0);
    for node in 0..nodes {
        let here: Vec<_> =
            laws.iter().enumerate().filter_map(|(i, l)| l.nodes.get(node).map(|n| (i, l.pool, n))).collect();
        let node_laws: Vec<Law> = here.iter().map(|(_, _, (_, law))| law.clone()).collect();
        for ((i, pool, (weight, _)), outcome) in here.into_iter().zip(outcomes(lines, &node_laws, set, watch)?) {
            let sums = pooled.get_mut(i).into_iter().flatten();
            for (sum, p) in sums.zip(outcome.calls) {
                *sum = match pool {
                    Pool::Average => *sum + weight * p,
                    Pool::Worst => sum.max(p),
                };
            }
        }
    }
    Ok(pooled)
}
