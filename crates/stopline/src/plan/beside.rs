//! Other plans to read beside a plan: what a table typed in could have been, and what not knowing k costs.

use super::{Aim, AttainedRow, Design, Method, Plan};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::evaluate::{InstructionSet, pooled_calls};
use crate::params::{K, Risk, Risks};
use crate::special::normal_within;
use crate::watch::Watch;

/// Values of an uncertain k at which risks are looked at: the middles of as many equal shares of its spread.
const SHARES: u32 = 200;
/// The share of fields of which the risk is told.
const NINE_OF_TEN: f64 = 0.9;

impl Plan {
    /// Plans beside this one, each with its own risks and sites: for a table of two calls the calibrated and the
    /// optimal plan at the same checks and exact risks; for an uncertain k the plan by the same method if its middle
    /// value were known. Those that there are not are left out.
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
        let mut wanted: Vec<(Design, Method)> = Vec::new();
        let design = &self.design;
        if let (Method::Given, Aim::TwoCalls { thresholds: Some(_), .. }, [a, b]) =
            (self.method, &design.aim, self.attained.as_slice())
        {
            if let Ok(risks) = Risk::new(a.p).and_then(|a| Risks::new(a, Risk::new(b.p)?)) {
                let aim = Aim::TwoCalls { thresholds: design.thresholds(), risks: Some(risks) };
                let asked = Design { aim, ..design.clone() };
                wanted.extend([Method::Calibrated, Method::Optimal].map(|method| (asked.clone(), method)));
            }
        } else if let Dispersion::KInterval { k, .. } | Dispersion::KSpread { median: k, .. } = design.dispersion {
            wanted.push((Design { dispersion: Dispersion::ConstantK { k }, ..design.clone() }, self.method));
        }
        let mut found = Vec::new();
        for (design, method) in wanted {
            match Self::design(design, method, watch) {
                Ok(plan) => found.push(plan),
                Err(e) if e.code() == Code::Interrupted => return Err(e),
                Err(_) => {} // nothing to read beside it takes nothing from the plan
            }
        }
        Ok(found)
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
