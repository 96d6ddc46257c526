//! The scale on which a plan states means, as a line without ends: ln mean, or ln odds of a share.

use crate::dispersion::Dispersion;
use crate::error::Error;
use crate::law::Laws;
use crate::params::Mean;
use crate::root::root;
use crate::score::Score;

/// Where limits and estimates are looked for, as ln mean or ln odds.
pub(super) const ENDS: (f64, f64) = (-27.0, 20.7);

#[derive(Debug, Clone, Copy)]
pub(super) struct Scale<'a> {
    pub score: &'a Score,
    pub under: &'a Dispersion,
}

impl<'a> Scale<'a> {
    pub fn of(score: &'a Score, under: &'a Dispersion) -> Self {
        Self { score, under }
    }

    /// The mean at a point of the line.
    pub fn mean(self, x: f64) -> f64 {
        if self.under.of_shares() { 1.0 / (1.0 + libm::exp(-x)) } else { libm::exp(x) }
    }

    /// The laws at a point; `None` where it lies beyond what the model can tell apart.
    pub fn laws(self, x: f64) -> Option<Laws> {
        self.under.laws(self.score, Mean::new(self.mean(x)).ok()?).ok()
    }

    /// The point at which a step has this mean; ends of the line where none has.
    pub fn point_of_step(self, step: f64) -> Result<f64, Error> {
        if *self.score == Score::Count {
            return Ok(libm::log(step).clamp(ENDS.0, ENDS.1));
        }
        let share = step / self.score.units();
        if self.under.of_shares() {
            return Ok(libm::log(share / (1.0 - share)).clamp(ENDS.0, ENDS.1));
        }
        let above = |x: f64| {
            let laws = self.laws(x);
            // Beyond the model every unit is positive, or none.
            let end = if x < 0.0 { 0.0 } else { 1.0 };
            let mean = |l: &Laws| l.nodes.first().map_or(end, |(_, law)| law.mean() / self.score.units());
            Ok(laws.as_ref().map_or(end, mean) - share)
        };
        if above(ENDS.0)? >= 0.0 {
            return Ok(ENDS.0);
        }
        if above(ENDS.1)? <= 0.0 {
            return Ok(ENDS.1);
        }
        root("mean of a share of units", ENDS, 1e-13, above)
    }

    /// The mean at which a step has this mean; `None` where every unit is positive but means are of counts.
    pub fn mean_of_step(self, step: f64) -> Result<Option<f64>, Error> {
        if *self.score == Score::Count || self.under.of_shares() {
            return Ok(Some(step / self.score.units()));
        }
        if step <= 0.0 {
            return Ok(Some(0.0));
        }
        let x = self.point_of_step(step)?;
        Ok((x < ENDS.1).then(|| self.mean(x)))
    }
}
