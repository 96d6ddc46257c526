//! Designs drawn at random, with a fixed seed, and what the tests ask of them.

use crate::direct::{Line, Model};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use stopline::plan::{Aim, Checks, Closing, Design, Plan};
use stopline::{Call, Dispersion, K, Mean, Plants, Risk, Risks, Score, Thresholds};

/// A design in plain numbers.
#[derive(Debug, Clone)]
pub struct Case {
    pub model: Model,
    pub thresholds: [f64; 2],
    /// false_adequate, false_inadequate
    pub risks: [f64; 2],
    pub checks: Vec<u32>,
    pub closing: Closing,
}

impl Case {
    pub fn design(&self) -> Design {
        let (score, dispersion) = match self.model {
            Model::NegBin { k } => (Score::Count, Dispersion::ConstantK { k: K::new(k).unwrap() }),
            Model::Poisson => (Score::Count, Dispersion::Poisson),
            Model::Binomial { units } => (Score::positive(0, units).unwrap(), Dispersion::Binomial),
        };
        let [low, high] = self.thresholds.map(|m| Mean::new(m).unwrap());
        let [a, b] = self.risks.map(|r| Risk::new(r).unwrap());
        Design {
            score,
            plants: Plants::new(3).unwrap(),
            dispersion,
            aim: Aim::TwoCalls {
                thresholds: Some(Thresholds::new(low, high).unwrap()),
                risks: Some(Risks::new(a, b).unwrap()),
            },
            checks: self.schedule(),
            closing: self.closing,
        }
    }

    /// Regular checks as such.
    fn schedule(&self) -> Checks {
        let (first, cap) = (self.checks[0], *self.checks.last().unwrap());
        let every = self.checks.get(1).map_or(1, |second| second - first);
        let regular = Checks::every(first, cap, every).unwrap();
        if regular.sites() == self.checks { regular } else { Checks::at(self.checks.clone()).unwrap() }
    }

    pub fn cap(&self) -> u32 {
        *self.checks.last().unwrap()
    }
}

/// The rows of a plan.
pub fn rows(plan: &Plan) -> Vec<Line> {
    let rows = plan.lines().rows().iter();
    rows.map(|r| (r.at, r.at_most(Call::Inadequate), r.at_least(Call::Adequate))).collect()
}

pub struct Draw(ChaCha8Rng);

impl Draw {
    pub fn seeded(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    /// Uniform in [0, 1).
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Uniform in the logarithm.
    pub fn scale(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// A whole number from `low` to `high`.
    pub fn whole(&mut self, low: u32, high: u32) -> u32 {
        low + u32::try_from(self.0.next_u64() % u64::from(high - low + 1)).unwrap()
    }

    pub fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    pub fn model(&mut self) -> Model {
        match self.whole(0, 9) {
            0 | 1 => Model::Poisson,
            2 => Model::Binomial { units: u16::try_from(self.whole(1, 5)).unwrap() },
            _ => Model::NegBin { k: self.scale(0.1, 1e6) },
        }
    }

    /// Two risks from .01 to .4, equal every other time.
    pub fn risks(&mut self) -> [f64; 2] {
        let a = self.scale(0.01, 0.4);
        [a, if self.chance(0.5) { a } else { self.scale(0.01, 0.4) }]
    }

    /// Two thresholds a factor of 1.3 to 5 apart; shares where the model has units.
    pub fn thresholds(&mut self, model: Model, lowest: f64, highest: f64) -> [f64; 2] {
        if let Model::Binomial { .. } = model {
            let low = self.between(0.02, 0.6);
            return [low, self.between(low + 0.08, 0.95)];
        }
        let low = self.scale(lowest, highest);
        [low, low * self.scale(1.3, 5.0)]
    }

    /// Checks up to `cap`: every site, every few, or a list.
    pub fn checks(&mut self, cap: u32) -> Vec<u32> {
        let first = self.whole(1, cap);
        match self.whole(0, 2) {
            0 => (first..=cap).collect(),
            1 => {
                let every = self.whole(1, 1 + cap / 3);
                (first..cap).step_by(every as usize).chain([cap]).collect()
            }
            _ => {
                let share = self.unit();
                (1..cap).filter(|_| self.chance(share)).chain([cap]).collect()
            }
        }
    }

    pub fn closing(&mut self) -> Closing {
        if self.chance(0.7) { Closing::Call } else { Closing::Undecided }
    }
}
