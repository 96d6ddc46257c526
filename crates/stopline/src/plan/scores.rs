//! The same question asked with sites scored in other ways: what counting less costs in sites, and how well each way
//! bears a k that is not the plan's; and by the user's own times the minutes it saves.

use super::{Closing, Design};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::evaluate::{LargestSites, evaluate_lines, largest_expected_sites};
use crate::minutes::Minutes;
use crate::params::{K, MOST_SITES, Mean};
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
    /// Minutes that its walks take less than those of the first way, as [`ScoredPlan::minutes`].
    pub minutes_saved: Option<[f64; 3]>,
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
    /// Minutes between the first site and the last on average, at the inadequate mean, at the adequate mean and at the
    /// mean that takes it most sites; a unit's enemies are counted until its score is known. `None` without the user's
    /// times.
    pub minutes: Option<[f64; 3]>,
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

    /// What each of `scores` costs for two calls at these thresholds and risks, by the user's own times also in minutes.
    ///
    /// # Errors
    /// `combination` where the design lacks thresholds or risks; `interrupted`.
    pub fn scored(&self, scores: &[Score], minutes: Option<Minutes>, watch: &dyn Watch) -> Result<Vec<Scored>, Error> {
        let found = scores.iter().map(|score| self.scored_as(score, minutes, watch));
        let mut found = found.collect::<Result<Vec<_>, _>>()?;
        let spent = |scored: &Scored| scored.plan.as_ref().and_then(|plan| plan.minutes);
        if let Some([low, high, worst]) = found.first().and_then(spent) {
            for scored in &mut found {
                scored.minutes_saved = spent(scored).map(|[a, b, c]| [low - a, high - b, worst - c]);
            }
        }
        Ok(found)
    }

    fn scored_as(&self, score: &Score, minutes: Option<Minutes>, watch: &dyn Watch) -> Result<Scored, Error> {
        let mut design = Self { score: score.clone(), closing: Closing::Call, ..self.clone() };
        let fixed = super::fewest_fixed_sites(&design).or_else(unless_too_much)?.map(|fixed| fixed.sites);
        let mut plan = None;
        if let Some(fixed) = fixed {
            let cap = self.checks.cap().max(fixed + fixed.div_ceil(2)).min(MOST_SITES);
            design.checks = design.checks.with_cap(cap);
            plan = design.calibrated_as(minutes, watch).or_else(unless_too_much)?;
        }
        Ok(Scored { score: score.clone(), fixed, plan, minutes_saved: None })
    }

    fn calibrated_as(&self, times: Option<Minutes>, watch: &dyn Watch) -> Result<Option<ScoredPlan>, Error> {
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
        let sites = rows(&self.dispersion)?.1;
        let spent = |(mean, sites): (Mean, f64), times: Minutes| -> Result<f64, Error> {
            let enemies = self.dispersion.enemies_counted(&self.score, mean)?;
            Ok(times.of_walk(sites, self.plants, enemies * sites))
        };
        let mut minutes = None;
        if let Some(times) = times {
            let worst = (Mean::new(most.mean)?, most.expected_sites);
            let [low, high] = [(means[0], sites[0]), (means[1], sites[1])];
            minutes = Some([spent(low, times)?, spent(high, times)?, spent(worst, times)?]);
        }
        Ok(Some(ScoredPlan { most, sites, risks, minutes }))
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

    /// Which of `scored` takes the fewest minutes at the mean that takes it most sites, if times are known.
    #[must_use]
    pub fn quickest(scored: &[Scored]) -> Option<&Scored> {
        let spent = |scored: &Scored| scored.plan.as_ref()?.minutes.map(|[.., worst]| worst);
        let spent = scored.iter().filter_map(|scored| Some((spent(scored)?, scored)));
        spent.min_by(|(a, _), (b, _)| a.total_cmp(b)).map(|(_, scored)| scored)
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
        map.serialize_entry("minutes", &plan.and_then(|plan| plan.minutes))?;
        map.serialize_entry("minutes_saved", &self.minutes_saved)?;
        map.end()
    }
}
