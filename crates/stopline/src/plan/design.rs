//! What is asked of a plan.

use super::aim::Aim;
use super::attained;
use super::checks::{Checks, Closing};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::law::{Law, Laws};
use crate::lines::{Call, Lines};
use crate::params::{Mean, Plants, Risks, Thresholds};
use crate::score::Score;
use crate::watch::{Watch, tell};
use std::borrow::Cow;
use std::cell::Cell;

/// How lines are derived.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Method {
    /// Wald's (1947) lines, whose risks are nominal.
    Wald,
    /// Parallel lines of Wald's slope, as narrow as the exact risks allow.
    Calibrated,
    /// Fewest expected sites at the exact risks, with a bound that no plan can beat.
    Optimal,
    /// Straight lines that converge, as narrow as the exact risks allow.
    Converging,
    /// One check: the fewest sites at which a cut keeps the risks.
    Fixed,
    /// A fixed walk that ends as soon as its call can no longer change.
    Curtailed,
    /// Two checks: the fewest sites at the worst mean among all plans with two.
    TwoStage,
    /// Two checks: the fewest sites at most, and among those at the worst mean.
    TwoStageMinimax,
    /// Lines by a published formula, whose promise is nominal.
    Nominal,
    /// Lines of that formula for a smaller precision, so that the true one is kept over a range of means.
    Tuned,
    /// A table given from outside.
    Given,
}

impl Method {
    /// Every method.
    pub const ALL: [Method; 11] = [
        Method::Wald,
        Method::Calibrated,
        Method::Optimal,
        Method::Converging,
        Method::Fixed,
        Method::Curtailed,
        Method::TwoStage,
        Method::TwoStageMinimax,
        Method::Nominal,
        Method::Tuned,
        Method::Given,
    ];

    /// The word used in every language and file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Wald => "wald",
            Self::Calibrated => "calibrated",
            Self::Optimal => "optimal",
            Self::Converging => "converging",
            Self::Fixed => "fixed",
            Self::Curtailed => "curtailed",
            Self::TwoStage => "two_stage",
            Self::TwoStageMinimax => "two_stage_minimax",
            Self::Nominal => "nominal",
            Self::Tuned => "tuned",
            Self::Given => "given",
        }
    }

    /// Reads the word.
    ///
    /// # Errors
    /// `usage` for anything else.
    pub fn parse(text: &str) -> Result<Self, Error> {
        Self::ALL
            .into_iter()
            .find(|m| m.as_str() == text.replace('-', "_"))
            .ok_or_else(|| Error::new(Code::Usage, "method", text, Self::ALL.map(Self::as_str).join(", ")))
    }
}

/// Everything a plan is derived from.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// What a site adds to the total.
    pub score: Score,
    /// Plants per site; k and thresholds belong to this size.
    pub plants: Plants,
    /// How counts vary.
    pub dispersion: Dispersion,
    /// What is asked.
    pub aim: Aim,
    /// When the total is looked at.
    pub checks: Checks,
    /// What happens at the cap.
    pub closing: Closing,
}

/// A design for two calls with everything that deriving lines needs.
#[derive(Clone)]
pub(crate) struct Asked<'a> {
    pub design: &'a Design,
    pub thresholds: Thresholds,
    pub risks: Risks,
    /// Laws at the inadequate and at the adequate mean.
    pub laws: [Laws; 2],
    /// Multiply-adds so far.
    spent: Cell<f64>,
}

/// Multiply-adds of one search, above which it is given up (about a minute).
const MOST_WORK: f64 = 3e11;

impl Design {
    /// The design's thresholds and risks with the laws there.
    pub(crate) fn asked(&self) -> Result<Asked<'_>, Error> {
        let (Some(thresholds), Some(risks)) = (self.thresholds(), self.risks()) else {
            return Err(Error::about(
                Code::Combination,
                "aim without thresholds or risks",
                "both, unless the lines are given",
            ));
        };
        let laws = [
            self.dispersion.laws(&self.score, thresholds.inadequate())?,
            self.dispersion.laws(&self.score, thresholds.adequate())?,
        ];
        Ok(Asked { design: self, thresholds, risks, laws, spent: Cell::new(0.0) })
    }

    /// Can the lines of this aim be derived by this method, and is everything there that it takes?
    pub(crate) fn derivable(&self, method: Method) -> Result<(), Error> {
        let methods: &[Method] = match self.aim {
            Aim::TwoCalls { .. } => &[
                Method::Wald,
                Method::Calibrated,
                Method::Optimal,
                Method::Converging,
                Method::Fixed,
                Method::Curtailed,
                Method::TwoStage,
                Method::TwoStageMinimax,
            ],
            Aim::ThreeCalls { .. } => &[Method::Wald, Method::Calibrated],
            Aim::Interval { .. } => &[Method::Nominal],
            Aim::Precision { .. } => &[Method::Nominal, Method::Tuned],
        };
        if !methods.contains(&method) {
            let allowed: Vec<&str> = methods.iter().map(|m| m.as_str()).collect();
            let what = format!("method of a plan for {}", self.aim.as_str());
            return Err(Error::new(Code::Combination, what, method.as_str(), allowed.join(", ")));
        }
        if method == Method::Optimal && matches!(self.score, Score::Capped { .. }) {
            let allowed = "count or positive: of capped counts the total alone does not tell all";
            return Err(Error::new(Code::Combination, "score of an optimal plan", self.score.as_str(), allowed));
        }
        if let Aim::TwoCalls { .. } = self.aim {
            self.asked()?;
        }
        Ok(())
    }

    /// The two thresholds, where there are any.
    #[must_use]
    pub fn thresholds(&self) -> Option<Thresholds> {
        match self.aim {
            Aim::TwoCalls { thresholds, .. } => thresholds,
            _ => None,
        }
    }

    /// The asked risks, where there are any.
    #[must_use]
    pub fn risks(&self) -> Option<Risks> {
        match self.aim {
            Aim::TwoCalls { risks, .. } => risks,
            _ => None,
        }
    }
}

impl Asked<'_> {
    /// Counts work about to be done, and asks whether to go on.
    ///
    /// # Errors
    /// `too_much_work` where it comes to too much, `interrupted`.
    pub fn spend(&self, work: f64, watch: &dyn Watch) -> Result<(), Error> {
        self.spent.set(self.spent.get() + work);
        if self.spent.get() > MOST_WORK {
            let allowed = format!(
                "at most {MOST_WORK:.0e}: fewer checks (a larger `every`), lower means or thresholds further apart"
            );
            return Err(Error::new(
                Code::TooMuchWork,
                "multiplications of the search for a plan",
                format!("above {MOST_WORK:.0e}"),
                allowed,
            ));
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // whole enough
        tell(watch, self.spent.get() as u64, MOST_WORK as u64)
    }

    /// What `derive` finds under laws enough for its lines to keep the risks at every k of an interval: those
    /// at some k, and each under which what was found before does not.
    ///
    /// # Errors
    /// What `derive` returns; `too_much_work`, `interrupted`.
    pub fn at_every_k<T>(
        &self,
        lines: impl for<'a> Fn(&'a T) -> Result<Cow<'a, Lines>, Error>,
        derive: impl Fn(&Self) -> Result<Option<T>, Error>,
        watch: &dyn Watch,
    ) -> Result<Option<T>, Error> {
        let mut asked = self.clone();
        loop {
            let Some(found) = derive(&asked)? else { return Ok(None) };
            let lines = lines(&found)?;
            let mut kept = true;
            asked.spend(attained::work(self.design, &lines)?, watch)?;
            let wrong = [
                (self.thresholds.inadequate(), Call::Adequate, self.risks.false_adequate()),
                (self.thresholds.adequate(), Call::Inadequate, self.risks.false_inadequate()),
            ];
            for ((mean, call, risk), laws) in wrong.into_iter().zip(&mut asked.laws) {
                if let Some((p, law)) = attained::worst_k(self.design, &lines, mean, call, watch)?
                    && p > risk.get()
                {
                    laws.nodes.push((1.0, law));
                    kept = false;
                }
            }
            self.spent.set(asked.spent.get());
            if kept {
                return Ok(Some(found));
            }
        }
    }

    /// One law at each threshold, of one family: the nominal one, with the k of the geometric middle of
    /// the thresholds where k moves with the mean.
    pub fn nominal(&self) -> Result<[Law; 2], Error> {
        self.nominal_at([self.thresholds.inadequate(), self.thresholds.adequate()])
    }

    /// The same at any means.
    pub fn nominal_at<const N: usize>(&self, means: [Mean; N]) -> Result<[Law; N], Error> {
        let (low, high) = (self.thresholds.inadequate().get(), self.thresholds.adequate().get());
        let one = match self.design.dispersion {
            Dispersion::PowerLaw { .. } => {
                let middle = Mean::new(libm::sqrt(low * high))?;
                self.design.dispersion.k(middle).map_or(Dispersion::Poisson, |k| Dispersion::ConstantK { k })
            }
            Dispersion::KSpread { median: k, .. } | Dispersion::KInterval { k, .. } => Dispersion::ConstantK { k },
            Dispersion::Proportion { a, b, .. } => Dispersion::proportion(a, b, 0.0)?,
            other => other,
        };
        let mut laws = Vec::with_capacity(N);
        for mean in means {
            laws.extend(one.laws(&self.design.score, mean)?.nodes.into_iter().map(|(_, law)| law));
        }
        laws.try_into().map_err(|_| Error::about(Code::Combination, "dispersion with several laws", "one at each mean"))
    }
}
