//! A practice field: sites drawn at random around a hidden mean, for learning a plan without a field.

use crate::error::{Code, Error};
use crate::law::{Law, Pool};
use crate::params::Mean;
use crate::plan::{Aim, Plan};
use crate::score::{Score, Site};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A field whose counts are made up under a plan's dispersion. Its counts belong in no fit.
#[derive(Debug, Clone)]
pub struct Practice {
    mean: Mean,
    /// P(step ≤ 0, 1, …).
    below: Vec<f64>,
    score: Score,
    random: ChaCha8Rng,
}

impl Practice {
    /// A field whose mean is drawn between a half of the plan's lowest threshold and twice its highest.
    ///
    /// # Errors
    /// `combination` where the plan's laws cannot be drawn from.
    pub fn new(plan: &Plan, seed: u64) -> Result<Self, Error> {
        let design = plan.asked();
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let (low, high) = match design.aim {
            Aim::TwoCalls { thresholds: Some(t), .. } => (t.inadequate().get(), t.adequate().get()),
            Aim::ThreeCalls { lower, upper } => {
                (lower.thresholds.inadequate().get(), upper.thresholds.adequate().get())
            }
            Aim::Interval { critical, .. } => (critical.get(), critical.get()),
            _ if design.dispersion.of_shares() => (0.2, 0.4),
            _ => (1.0, 2.0),
        };
        let odds = |m: f64| if design.dispersion.of_shares() { m / (1.0 - m) } else { m };
        let (from, to) = (libm::log(0.5 * odds(low)), libm::log(2.0 * odds(high)));
        let drawn = libm::exp(from + (to - from) * unit(&mut random));
        let mean = Mean::new(if design.dispersion.of_shares() { drawn / (1.0 + drawn) } else { drawn })?;
        let laws = design.dispersion.laws(&design.score, mean)?;
        let mut u = unit(&mut random);
        // Of a spread of k, one field has one of its values.
        let pick = laws.nodes.iter().find(|(weight, _)| {
            u -= weight;
            laws.pool == Pool::Worst || u < 0.0
        });
        let law = pick.or(laws.nodes.last()).map(|(_, law)| law);
        let law = law.ok_or_else(|| Error::about(Code::Combination, "no law", "a dispersion with laws"))?;
        Ok(Self { mean, below: below(law), score: design.score.clone(), random })
    }

    /// The hidden mean.
    #[must_use]
    pub fn mean(&self) -> Mean {
        self.mean
    }

    /// The next site.
    pub fn site(&mut self) -> Site {
        let u = unit(&mut self.random);
        let step = self.below.partition_point(|&p| p <= u);
        match self.score {
            Score::Count | Score::Capped { .. } => Site::of(u32::try_from(step).unwrap_or(u32::MAX)),
            Score::Positive { above, units } => {
                let units = usize::from(units);
                // Which units are positive does not matter to the score.
                let count = |i: usize| Some(if i < step { above.saturating_add(1) } else { 0 });
                Site { groups: (0..units).map(count).collect() }
            }
        }
    }
}

fn unit(random: &mut ChaCha8Rng) -> f64 {
    const UNIT: f64 = 1.0 / 9_007_199_254_740_992.0;
    (random.next_u64() >> 11) as f64 * UNIT
}

fn below(law: &Law) -> Vec<f64> {
    let mut p = Vec::new();
    let mut len = 256;
    loop {
        law.batch(1, len, &mut p);
        let mut sum = 0.0;
        let below: Vec<f64> = p
            .iter()
            .map(|p| {
                sum += p;
                sum
            })
            .collect();
        if p.len() < len || sum > 1.0 - 1e-12 || len > 1 << 20 {
            return below;
        }
        len *= 4;
    }
}
