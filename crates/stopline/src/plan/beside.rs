//! Other plans to read beside a plan: what a table typed in could have been, and what not knowing k costs.
//!
//! A table is set beside plans that do no worse than it truly does: for two and three calls those of its own exact risks;
//! for an interval those that tell the two means apart at which it truly errs as often as its nominal confidence allows;
//! for a precision one whose true precision is the table's own, over the means at which its lines lie.

use super::aim::Aim;
use super::{AttainedRow, Design, Method, Pair, Plan, Sides};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::evaluate::{InstructionSet, plain_mean, pooled_calls};
use crate::lines::{Call, Column};
use crate::params::{K, Level, Mean, Risk, Risks, Thresholds};
use crate::special::normal_within;
use crate::watch::{Watch, tell};

/// Values of an uncertain k at which risks are looked at: the middles of as many equal shares of its spread.
const SHARES: u32 = 200;
/// The share of fields of which the risk is told.
const NINE_OF_TEN: f64 = 0.9;
/// Doublings of the odds within which a table errs as seldom as asked, and halvings of the last of them.
const DOUBLINGS: u32 = 40;
const HALVINGS: u32 = 40;

/// How a plan beside a plan is derived.
enum How {
    Method(Method),
    /// A precision truly kept over a range of means.
    Tuned([Mean; 2]),
}

impl Plan {
    /// Plans beside this one, each with its own risks and sites. For a table typed in, at the same checks: of two calls
    /// the calibrated and the optimal plan of its exact risks; of three calls the calibrated one; of an interval the lines
    /// of the formula, and the calibrated and the optimal plan that tell apart the two means at which the table errs as
    /// often as its confidence allows; of a precision the lines of the formula, and the tuned plan whose true precision
    /// over [these means](Self::means_of_lines) is the table's own. For an uncertain k the plan by the same method if its
    /// middle value were known. Those that there are not are left out.
    ///
    /// # Errors
    /// `interrupted`.
    ///
    /// ```
    /// # use stopline::{Dispersion, K, Mean, Plants, Quiet, Score, Thresholds, plan::{Aim, Design, Plan, Table}};
    /// let table = Table::of(&[(5, None, Some(14)), (10, Some(14), Some(26)), (15, Some(31), Some(32))])?;
    /// let thresholds = Some(Thresholds::new(Mean::new(1.5)?, Mean::new(3.0)?)?);
    /// let design = Design { score: Score::Count, plants: Plants::ONE, checks: table.checks, closing: table.closing,
    ///     dispersion: Dispersion::ConstantK { k: K::new(2.0)? }, aim: Aim::TwoCalls { thresholds, risks: None } };
    /// let plan = Plan::given(design, table.lines, &Quiet)?;
    /// for other in plan.beside(&Quiet)? {
    ///     assert!(other.attained().iter().zip(plan.attained()).all(|(a, b)| a.p <= b.p));
    /// }
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn beside(&self, watch: &dyn Watch) -> Result<Vec<Self>, Error> {
        let mut found = Vec::new();
        for (design, how) in self.wanted(watch).map(Some).or_else(unless_interrupted)?.unwrap_or_default() {
            let plan = match how {
                How::Method(method) => Self::design(design, method, watch),
                How::Tuned(over) => Self::tuned(design, over, watch),
            };
            // Nothing to read beside it takes nothing from the plan.
            found.extend(plan.map(Some).or_else(unless_interrupted)?);
        }
        Ok(found)
    }

    /// What stands beside this plan.
    fn wanted(&self, watch: &dyn Watch) -> Result<Vec<(Design, How)>, Error> {
        let design = &self.design;
        let with = |aim: Aim, how: How| (Design { aim, ..design.clone() }, how);
        let two = |thresholds: Thresholds, risks: Risks| {
            let aim = Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) };
            [Method::Calibrated, Method::Optimal].map(|method| with(aim, How::Method(method)))
        };
        if self.method != Method::Given {
            return Ok(match design.dispersion {
                Dispersion::KInterval { k, .. } | Dispersion::KSpread { median: k, .. } => {
                    let known = Design { dispersion: Dispersion::ConstantK { k }, ..design.clone() };
                    vec![(known, How::Method(self.method))]
                }
                _ => Vec::new(),
            });
        }
        Ok(match design.aim {
            Aim::TwoCalls { thresholds: None, .. } => Vec::new(),
            Aim::TwoCalls { thresholds: Some(thresholds), .. } => {
                let [a, b] = self.attained.as_slice() else { return Ok(Vec::new()) };
                two(thresholds, Risks::new(Risk::new(a.p)?, Risk::new(b.p)?)?).into()
            }
            Aim::ThreeCalls { lower, upper } => {
                // Either wrong call at a mean counts towards one risk.
                let mut sums = [0.0; 4];
                for (row, (risk, _)) in self.attained.iter().zip(design.aim.asked_risks()) {
                    sums.iter_mut().skip(risk).take(1).for_each(|sum| *sum += row.p);
                }
                let [a, b, c, d] = sums;
                let of = |pair: Pair, a: f64, b: f64| {
                    Ok::<_, Error>(Pair { risks: Risks::new(Risk::new(a)?, Risk::new(b)?)?, ..pair })
                };
                let aim = Aim::three_calls(of(lower, a, b)?, of(upper, c, d)?)?;
                vec![with(aim, How::Method(Method::Calibrated))]
            }
            Aim::Interval { critical, confidence, sides } => {
                let wrong = 1.0 - confidence.get();
                let risk = Risk::new(if sides == Sides::One { wrong } else { 0.5 * wrong })?;
                let mut all = vec![with(design.aim, How::Method(Method::Nominal))];
                if let Some(thresholds) = self.told_apart(critical, risk, watch)? {
                    all.extend(two(thresholds, Risks::new(risk, risk)?));
                }
                all
            }
            Aim::Precision { .. } => {
                let mut all = vec![with(design.aim, How::Method(Method::Nominal))];
                if let Some(over) = self.means_of_lines() {
                    let truly = Level::new(self.largest_se_over_mean(over, watch)?)?;
                    all.push(with(Aim::Precision { se_over_mean: truly }, How::Tuned(over)));
                }
                all
            }
        })
    }

    /// The largest mean below `critical` at which adequate, and the smallest above at which inadequate, is called with no
    /// more than `risk`; `None` where there are none.
    fn told_apart(&self, critical: Mean, risk: Risk, watch: &dyn Watch) -> Result<Option<Thresholds>, Error> {
        let Design { score, dispersion, .. } = &self.design;
        let (m, shares) = (critical.get(), dispersion.of_shares());
        let away = |by: f64| Mean::new(if shares { m * by / (1.0 - m + m * by) } else { m * by });
        let kept = |mean: Mean, call: Call| -> Result<bool, Error> {
            let [calls] = pooled_calls(&self.lines, &[dispersion.laws(score, mean)?], InstructionSet::best(), watch)?;
            Ok(calls.get(call.index()).is_some_and(|p| *p <= risk.get()))
        };
        let side = |call: Call, sign: f64| -> Result<Option<Mean>, Error> {
            let at = |doublings: f64| away(libm::exp2(sign * doublings));
            if kept(critical, call)? {
                return Ok(None);
            }
            let mut far = None;
            for doublings in 1..=DOUBLINGS {
                if kept(at(f64::from(doublings))?, call)? {
                    far = Some(f64::from(doublings));
                    break;
                }
            }
            let Some(mut far) = far else { return Ok(None) };
            let mut near = far - 1.0;
            for _ in 0..HALVINGS {
                let middle = 0.5 * (near + far);
                *(if kept(at(middle)?, call)? { &mut far } else { &mut near }) = middle;
            }
            at(far).map(Some)
        };
        let (low, high) = (side(Call::Adequate, -1.0)?, side(Call::Inadequate, 1.0)?);
        low.zip(high).map(|(low, high)| Thresholds::new(low, high)).transpose()
    }

    /// The smallest and the largest mean at which a line of a plan for a precision lies: its total over sites, or over
    /// units. `None` for other plans, and where there is only one.
    #[must_use]
    pub fn means_of_lines(&self) -> Option<[Mean; 2]> {
        let units = self.design.score.units();
        let totals = self.lines.rows().iter().filter_map(|row| Some((row.at, Column::EnoughAtLeast.of(row)?)));
        let means = totals.filter(|(_, total)| *total > 0).map(|(at, total)| total as f64 / (f64::from(at) * units));
        let ends = means.fold((f64::INFINITY, 0.0_f64), |(low, high), mean| (low.min(mean), high.max(mean)));
        let [low, high] = [Mean::new(ends.0).ok()?, Mean::new(ends.1).ok()?];
        (low < high).then_some([low, high])
    }

    /// The largest true standard error of the plain mean over the mean, stopping included, at means from the first to the
    /// second.
    ///
    /// # Errors
    /// As [`plain_mean`]; `combination` where the first mean is not below the second.
    pub fn largest_se_over_mean(&self, over: [Mean; 2], watch: &dyn Watch) -> Result<f64, Error> {
        let Design { score, dispersion, .. } = &self.design;
        let mut worst = 0.0_f64;
        for mean in super::nominal::means_over(over)? {
            tell(watch, 0, 1)?;
            worst = worst.max(plain_mean(&self.lines, score, dispersion, mean)?.se_over_mean);
        }
        Ok(worst)
    }

    /// Where k differs from field to field, the chances that the plan states as nine of ten fields keep them: a plan
    /// for such a spread keeps its risks on average only. Empty for other dispersions.
    ///
    /// # Errors
    /// `interrupted`.
    pub fn in_nine_of_ten(&self, watch: &dyn Watch) -> Result<Vec<AttainedRow>, Error> {
        let Dispersion::KSpread { median, sd_log } = self.design.dispersion else { return Ok(Vec::new()) };
        let mut rows = Vec::new();
        for row in &self.attained {
            let mut risks = Vec::new();
            for i in 0..SHARES {
                let share = (f64::from(i) + 0.5) / f64::from(SHARES);
                // The normal quantile, from the symmetric interval around 0.
                let z = normal_within((2.0 * share - 1.0).abs()).copysign(share - 0.5);
                let k = K::new(median.get() * libm::exp(sd_log * z))?;
                let laws = [Dispersion::ConstantK { k }.laws(&self.design.score, row.mean)?];
                let [calls] = pooled_calls(&self.lines, &laws, InstructionSet::best(), watch)?;
                risks.push(calls.get(row.call.index()).copied().unwrap_or(0.0));
            }
            risks.sort_by(f64::total_cmp);
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // below SHARES
            let p = risks.get((NINE_OF_TEN * f64::from(SHARES)) as usize).copied().unwrap_or(row.p);
            rows.push(AttainedRow { p, ..*row });
        }
        Ok(rows)
    }
}

/// Nothing where something else went wrong than being stopped.
fn unless_interrupted<T>(e: Error) -> Result<Option<T>, Error> {
    if e.code() == Code::Interrupted { Err(e) } else { Ok(None) }
}
