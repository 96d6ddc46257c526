//! The same question asked with sites scored in other ways: what counting less costs in sites, and how well each way
//! bears a k that is not the plan's.

use super::{Closing, Design};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::evaluate::{LargestSites, evaluate_lines, largest_expected_sites};
use crate::params::{K, MOST_SITES};
use crate::score::Score;
use crate::watch::Watch;
use serde::ser::{Serialize, SerializeMap, Serializer};

/// Tallies looked at for positive sites: until fewer than one site in so many is positive at the adequate mean.
const FEWEST_POSITIVE: f64 = 0.05;
const MOST_TALLIES: u32 = 12;
/// Of ways with at most so many times the fewest fixed sites, the steadiest is suggested.
const NOT_TOO_MANY: u32 = 2;

/// A way to score sites, with its calibrated plan for what a design asks.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    /// The way.
    pub score: Score,
    /// The fewest fixed sites at the asked risks; `None` where more than [`MOST_SITES`] would be needed.
    pub fixed: Option<u32>,
    /// What the calibrated plan up to the design's cap, or one and a half times those sites, comes to; `None` where
    /// there is none, or finding it would take too much work.
    pub plan: Option<ScoredPlan>,
}

/// What a calibrated plan comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct ScoredPlan {
    /// Its largest expected sites.
    pub most: LargestSites,
    /// Expected sites at the inadequate and at the adequate mean.
    pub sites: [f64; 2],
    /// Risks of a false adequate and a false inadequate where the true k is half, all, and twice that of the design;
    /// `None` where it has no one k.
    pub risks: Option<[[f64; 2]; 3]>,
}

impl ScoredPlan {
    /// The largest risk over the asked one, with k half or twice what was thought.
    #[must_use]
    pub fn worst(&self, asked: [f64; 2]) -> Option<f64> {
        let over = |risks: [f64; 2]| risks.into_iter().zip(asked).map(|(p, asked)| p / asked).fold(0.0, f64::max);
        self.risks.map(|[half, _, twice]| over(half).max(over(twice)))
    }
}

impl Design {
    /// Positive sites by tallies T = 0, 1, 2, …, as long as sites are positive often enough to tell; none where no k
    /// tells how often.
    ///
    /// # Errors
    /// `combination` where there are no thresholds.
    pub fn tallies(&self) -> Result<Vec<Score>, Error> {
        let high = self.asked()?.thresholds.adequate();
        let mut found = Vec::new();
        if matches!(self.dispersion, Dispersion::Binomial | Dispersion::Proportion { .. }) {
            return Ok(found);
        }
        for above in 0..MOST_TALLIES {
            let score = Score::positive(above, 1)?;
            let often = self
                .dispersion
                .laws(&score, high)
                .is_ok_and(|laws| laws.nodes.first().is_some_and(|(_, law)| law.mean() >= FEWEST_POSITIVE));
            if !often {
                break;
            }
            found.push(score);
        }
        Ok(found)
    }

    /// What each of `scores` costs for two calls at these thresholds and risks.
    ///
    /// # Errors
    /// `combination` where the design lacks thresholds or risks; `interrupted`.
    pub fn scored(&self, scores: &[Score], watch: &dyn Watch) -> Result<Vec<Scored>, Error> {
        scores.iter().map(|score| self.scored_as(score, watch)).collect()
    }

    fn scored_as(&self, score: &Score, watch: &dyn Watch) -> Result<Scored, Error> {
        let mut design = Self { score: score.clone(), closing: Closing::Call, ..self.clone() };
        let fixed = super::fewest_fixed_sites(&design).or_else(unless_too_much)?.map(|fixed| fixed.sites);
        let mut plan = None;
        if let Some(fixed) = fixed {
            let cap = self.checks.cap().max(fixed + fixed.div_ceil(2)).min(MOST_SITES);
            design.checks = design.checks.with_cap(cap);
            plan = design.calibrated_as(watch).or_else(unless_too_much)?;
        }
        Ok(Scored { score: score.clone(), fixed, plan })
    }

    fn calibrated_as(&self, watch: &dyn Watch) -> Result<Option<ScoredPlan>, Error> {
        let asked = self.asked()?;
        let Some(lines) = asked.calibrated(&self.checks.sites(), watch)? else { return Ok(None) };
        let means = [asked.thresholds.inadequate(), asked.thresholds.adequate()];
        let rows = |under: &Dispersion| -> Result<([f64; 2], [f64; 2]), Error> {
            let curve = evaluate_lines(&lines, &self.score, under, &means, watch)?;
            let mut found = ([0.0; 2], [0.0; 2]);
            if let [low, high] = curve.rows.as_slice() {
                found = ([low.adequate, high.inadequate], [low.expected_sites, high.expected_sites]);
            }
            Ok(found)
        };
        let mut risks = None;
        if let Some(k) = self.dispersion.constant_k() {
            let at = |by: f64| rows(&Dispersion::ConstantK { k: K::new(k.get() * by)? });
            risks = Some([at(0.5)?.0, at(1.0)?.0, at(2.0)?.0]);
        }
        let most = largest_expected_sites(&lines, &self.score, &self.dispersion)?;
        Ok(Some(ScoredPlan { most, sites: rows(&self.dispersion)?.1, risks }))
    }

    /// Which of `scored` has the smallest risks, over the asked ones, with k half or twice what was thought, among
    /// those with at most twice the fewest fixed sites.
    #[must_use]
    pub fn steadiest<'a>(&self, scored: &'a [Scored]) -> Option<&'a Scored> {
        let risks = self.risks()?;
        let asked = [risks.false_adequate().get(), risks.false_inadequate().get()];
        let fewest = scored.iter().filter_map(|scored| scored.fixed).min()?;
        let near = scored.iter().filter(|scored| scored.fixed.is_some_and(|n| n <= NOT_TOO_MANY * fewest));
        let worst = near.filter_map(|scored| Some((scored.plan.as_ref()?.worst(asked)?, scored)));
        worst.min_by(|(a, _), (b, _)| a.total_cmp(b)).map(|(_, scored)| scored)
    }
}

/// Nothing where finding it would take too much work.
fn unless_too_much<T>(e: Error) -> Result<Option<T>, Error> {
    if e.code() == Code::TooMuchWork { Ok(None) } else { Err(e) }
}

impl Serialize for Scored {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("score", self.score.as_str())?;
        match &self.score {
            Score::Capped { counted_to } => map.serialize_entry("counted_to", counted_to)?,
            Score::Positive { above, .. } => map.serialize_entry("above", above)?,
            Score::Count => {}
        }
        let plan = self.plan.as_ref();
        map.serialize_entry("fixed_sites", &self.fixed)?;
        map.serialize_entry("largest_expected_sites", &plan.map(|plan| plan.most.expected_sites))?;
        map.serialize_entry("expected_sites", &plan.map(|plan| plan.sites))?;
        map.serialize_entry("risks", &plan.and_then(|plan| plan.risks))?;
        map.end()
    }
}
