//! Between a plan and its file.

use super::aim_file::{line, row};
use super::attained::{self, AttainedRow, attained};
use super::digest::Digest;
use super::wire::*;
use super::{Alike, Checks, Closing, Design, Method, Plan, Proof};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::lines::{Call, Lines};
use crate::params::{K, Mean, Plants};
use crate::score::Score;
use crate::watch::{Quiet, Watch};
use serde_json::value::RawValue;
use std::sync::{Arc, OnceLock};

/// Stated and recomputed risks may differ by this much: other versions may sum in another order.
const SAME_RISK: f64 = 1e-9;
/// The same for expected sites, relatively.
const SAME_SITES: f64 = 1e-9;
/// Multiply-adds up to which loading recomputes the risks; above, only `verify` does.
const WORK_ON_LOAD: f64 = 1e9;

pub(super) fn bad(what: impl Into<String>, allowed: impl Into<String>) -> Error {
    Error::about(Code::PlanFormat, what, allowed)
}

fn edited(what: &str, value: impl std::fmt::Display, allowed: impl Into<String>) -> Error {
    Error::new(Code::PlanEdited, what, value, allowed)
}

impl Plan {
    /// The plan file.
    ///
    /// # Errors
    /// `plan_format` where it has no JSON form; cannot happen for a plan made here.
    pub fn to_json(&self) -> Result<String, Error> {
        let file = PlanFile { digest: Some(self.digest().as_str().to_owned()), ..self.wire() };
        let mut text = serde_json::to_string_pretty(&file).map_err(|e| bad(format!("plan ({e})"), "finite numbers"))?;
        text.push('\n');
        Ok(text)
    }

    /// Reads a plan file, checks its digest and recomputes its risks (the latter up to a stated amount
    /// of work; above it [`Plan::verify`] does).
    ///
    /// # Errors
    /// `plan_format` for what is not JSON of the contract's shape, `plan_version` for another version,
    /// `plan_edited` where digest or risks do not match the content, or only one of them is there; the
    /// errors of each parameter out of its range.
    pub fn from_json(text: &str) -> Result<Self, Error> {
        let allowed = "a stopline/plan file of version 1";
        let syntax = |e: serde_json::Error| bad(format!("plan file: {e}"), allowed);
        let head: Head = serde_json::from_str(text).map_err(syntax)?;
        if head.format.as_deref() != Some(FORMAT) {
            return Err(Error::new(
                Code::PlanFormat,
                "format",
                head.format.unwrap_or_else(|| "missing".into()),
                allowed,
            ));
        }
        if head.version != Some(VERSION) {
            let version = head.version.map_or_else(|| "missing".into(), |v| v.to_string());
            return Err(Error::new(Code::PlanVersion, "version", version, "1; a later version needs a later stopline"));
        }
        let file: PlanFile = serde_json::from_str(text).map_err(syntax)?;
        let stated_digest = file.digest.clone();
        let stated = file.attained.clone();
        let mut plan = Self::from_wire(file)?;
        match (stated_digest, stated) {
            (None, None) if plan.method == Method::Given => {
                plan.attained = attained(&plan.design, &plan.lines, &Quiet)?;
                Ok(plan)
            }
            (Some(digest), Some(AttainedWire::Exact { rows, alike })) => {
                plan.attained = from_rows(&rows)?;
                let alike = alike.map(|a| Alike::stated(a.shared, a.run, from_rows(&a.rows)?));
                plan.alike = alike.transpose()?;
                if digest != plan.digest().as_str() {
                    return Err(edited("digest", digest, format!("{}, which the content gives", plan.digest())));
                }
                let alike = plan.alike.as_ref().map_or(Ok(0.0), |alike| alike.work(&plan.design, &plan.lines))?;
                if attained::work(&plan.design, &plan.lines)? + alike <= WORK_ON_LOAD {
                    plan.check_attained(&Quiet)?;
                    plan.check_proof(&Quiet)?;
                }
                Ok(plan)
            }
            (digest, _) => {
                let what = if digest.is_none() { "digest" } else { "attained" };
                Err(edited(what, "missing", "both digest and attained; neither only for a given table"))
            }
        }
    }

    /// Recomputes everything the file states but its digest, which reading it did: exact risks, the bound of an optimal
    /// plan, whatever the work.
    ///
    /// # Errors
    /// `plan_edited` where something does not match; `interrupted`, `too_much_work`.
    pub fn verify(&self, watch: &dyn Watch) -> Result<(), Error> {
        self.check_attained(watch)?;
        self.check_proof(watch)
    }

    fn check_proof(&self, watch: &dyn Watch) -> Result<(), Error> {
        let Some(proof) = &self.proof else { return Ok(()) };
        let now = proof.recomputed(&self.design, &self.lines, watch)?;
        for (what, stated, now) in [("bound", proof.bound, now.bound), ("value", proof.value, now.value)] {
            if (stated - now).abs() > SAME_SITES * now.abs() {
                return Err(edited(
                    &format!("proof.{what}"),
                    stated,
                    format!("{now}, which lines and multipliers give"),
                ));
            }
        }
        Ok(())
    }

    fn check_attained(&self, watch: &dyn Watch) -> Result<(), Error> {
        same_rows("attained", &self.attained, &attained(&self.design, &self.lines, watch)?)?;
        match &self.alike {
            Some(alike) => {
                let now = alike.again(&self.design, &self.lines, watch)?;
                same_rows("attained.alike", alike.attained(), now.attained())
            }
            None => Ok(()),
        }
    }

    pub(super) fn compute_digest(&self) -> Digest {
        // What an embedder put there is outside the digest.
        let file = PlanFile { host: RawValue::NULL.to_owned(), ..self.wire() };
        Digest::of(serde_json::to_value(file).unwrap_or_default())
    }

    /// The file without its digest.
    fn wire(&self) -> PlanFile {
        let Design { score, plants, dispersion, aim, checks, closing } = &self.design;
        PlanFile {
            format: FORMAT.to_owned(),
            version: VERSION,
            score: match *score {
                Score::Count => ScoreWire::Count {},
                Score::Capped { counted_to } => ScoreWire::Capped { counted_to },
                Score::Positive { above, units } => ScoreWire::Positive { above, units },
            },
            site: SiteWire { plants: plants.get() },
            dispersion: match *dispersion {
                Dispersion::Poisson => DispersionWire::Poisson {},
                Dispersion::ConstantK { k } => DispersionWire::ConstantK { k: k.get() },
                Dispersion::KInterval { k, low, high } => {
                    DispersionWire::KInterval { k: k.get(), low: low.get(), high: high.get() }
                }
                Dispersion::KSpread { median, sd_log } => DispersionWire::KSpread { median: median.get(), sd_log },
                Dispersion::PowerLaw { a, b } => DispersionWire::PowerLaw { a, b },
                Dispersion::Binomial => DispersionWire::Binomial {},
                Dispersion::Proportion { a, b, scatter } => DispersionWire::Proportion { a, b, scatter },
            },
            aim: AimWire::from(aim),
            checks: match checks {
                &Checks::Every { min_sites, max_sites, every } => {
                    ChecksWire::Every(EveryWire { min_sites, max_sites, every })
                }
                Checks::At(sites) => ChecksWire::At(AtWire { at: sites.clone() }),
            },
            closing: match closing {
                Closing::Call => ClosingWire::Call,
                Closing::Undecided => ClosingWire::Undecided,
            },
            method: match self.method {
                Method::Wald => MethodWire::Wald,
                Method::Calibrated => MethodWire::Calibrated,
                Method::Optimal => MethodWire::Optimal,
                Method::Converging => MethodWire::Converging,
                Method::Fixed => MethodWire::Fixed,
                Method::Curtailed => MethodWire::Curtailed,
                Method::TwoStage => MethodWire::TwoStage,
                Method::TwoStageMinimax => MethodWire::TwoStageMinimax,
                Method::Nominal => MethodWire::Nominal,
                Method::Tuned => MethodWire::Tuned,
                Method::Given => MethodWire::Given,
            },
            lines: self.lines.rows().iter().map(|row| line(aim, row)).collect(),
            attained: Some(AttainedWire::Exact {
                rows: self.attained.iter().map(AttainedRowWire::from).collect(),
                alike: self.alike.as_ref().map(|alike| AlikeWire {
                    shared: alike.shared().get(),
                    run: alike.run(),
                    rows: alike.attained().iter().map(AttainedRowWire::from).collect(),
                }),
            }),
            proof: self.proof.as_ref().map(ProofWire::from),
            about: self.about.clone(),
            host: self.host.clone(),
            made_by: self.made_by.clone(),
            digest: None,
        }
    }

    fn from_wire(file: PlanFile) -> Result<Self, Error> {
        let k = |k, name: &str| K::new(k).map_err(|e| e.named(format!("dispersion.{name}")));
        let design = Design {
            score: match file.score {
                ScoreWire::Count {} => Score::Count,
                ScoreWire::Capped { counted_to } => Score::capped(counted_to)?,
                ScoreWire::Positive { above, units } => Score::positive(above, units)?,
            },
            plants: Plants::new(file.site.plants).map_err(|e| e.named("site.plants"))?,
            dispersion: match file.dispersion {
                DispersionWire::Poisson {} => Dispersion::Poisson,
                DispersionWire::ConstantK { k: v } => Dispersion::ConstantK { k: k(v, "k")? },
                DispersionWire::KInterval { k: v, low, high } => {
                    Dispersion::k_interval(k(v, "k")?, k(low, "low")?, k(high, "high")?)?
                }
                DispersionWire::KSpread { median, sd_log } => Dispersion::k_spread(k(median, "median")?, sd_log)?,
                DispersionWire::PowerLaw { a, b } => Dispersion::power_law(a, b)?,
                DispersionWire::Binomial {} => Dispersion::Binomial,
                DispersionWire::Proportion { a, b, scatter } => Dispersion::proportion(a, b, scatter)?,
            },
            aim: file.aim.aim()?,
            checks: match file.checks {
                ChecksWire::Every(c) => Checks::every(c.min_sites, c.max_sites, c.every)?,
                ChecksWire::At(c) => Checks::at(c.at)?,
            },
            closing: match file.closing {
                ClosingWire::Call => Closing::Call,
                ClosingWire::Undecided => Closing::Undecided,
            },
        };
        let method = match file.method {
            MethodWire::Wald => Method::Wald,
            MethodWire::Calibrated => Method::Calibrated,
            MethodWire::Optimal => Method::Optimal,
            MethodWire::Converging => Method::Converging,
            MethodWire::Fixed => Method::Fixed,
            MethodWire::Curtailed => Method::Curtailed,
            MethodWire::TwoStage => Method::TwoStage,
            MethodWire::TwoStageMinimax => Method::TwoStageMinimax,
            MethodWire::Nominal => Method::Nominal,
            MethodWire::Tuned => Method::Tuned,
            MethodWire::Given => Method::Given,
        };
        let proof = file.proof.map(Proof::from_wire).transpose()?;
        if proof.is_some() != (method == Method::Optimal) {
            let allowed = if method == Method::Optimal {
                "an object for method optimal"
            } else {
                "null unless the method is optimal"
            };
            return Err(bad("proof", allowed));
        }
        if !file.host.get().starts_with('{') {
            return Err(bad("host", "an object"));
        }
        let rows = file.lines.iter().map(|line| row(line, &design)).collect::<Result<_, _>>()?;
        let lines = Lines::new(rows)?;
        let (about, host, made_by) = (file.about, file.host, file.made_by);
        let (attained, digest, check_of_k) = (Vec::new(), OnceLock::new(), Arc::default());
        Self { design, method, lines, attained, alike: None, proof, about, host, made_by, digest, check_of_k }
            .assembled()
    }

    /// The plan, after checking that its parts belong together.
    pub(super) fn assembled(mut self) -> Result<Self, Error> {
        let Self { design, method, lines, .. } = &self;
        let sites = design.checks.sites();
        if !lines.rows().iter().map(|r| r.at).eq(sites.iter().copied()) {
            return Err(Error::about(
                Code::Lines,
                "lines at other sites than the checks",
                format!("one row for each of {sites:?}"),
            ));
        }
        if *method != Method::Given {
            design.derivable(*method)?;
        } else if design.risks().is_some() && design.thresholds().is_none() {
            return Err(Error::about(Code::Combination, "risks without thresholds", "thresholds, or neither"));
        }
        for (mean, _) in design.aim.stated() {
            design.dispersion.laws(&design.score, mean)?;
        }
        self.digest = OnceLock::new(); // that of these parts
        Ok(self)
    }
}

/// That stated risks are those computed now.
fn same_rows(name: &str, stated: &[AttainedRow], now: &[AttainedRow]) -> Result<(), Error> {
    if now.len() != stated.len() {
        return Err(edited(name, format!("{} rows", stated.len()), format!("{} rows", now.len())));
    }
    for (stated, now) in stated.iter().zip(now) {
        let same = stated.mean == now.mean && stated.call == now.call && (stated.p - now.p).abs() <= SAME_RISK;
        if !same {
            let what = format!("{name} P(called {}) at mean {}", stated.call.as_str(), stated.mean.get());
            let now = format!("{} for {} at mean {}", now.p, now.call.as_str(), now.mean.get());
            return Err(edited(&what, stated.p, now));
        }
    }
    Ok(())
}

fn from_rows(rows: &[AttainedRowWire]) -> Result<Vec<AttainedRow>, Error> {
    rows.iter().map(AttainedRow::from_wire).collect()
}

impl From<&AttainedRow> for AttainedRowWire {
    fn from(row: &AttainedRow) -> Self {
        let call = match row.call {
            Call::Adequate => CallWire::Adequate,
            Call::Marginal => CallWire::Marginal,
            _ => CallWire::Inadequate,
        };
        Self { mean: row.mean.get(), call, p: row.p }
    }
}

impl AttainedRow {
    fn from_wire(row: &AttainedRowWire) -> Result<Self, Error> {
        if !(0.0..=1.0).contains(&row.p) || row.p.is_sign_negative() {
            return Err(Error::new(Code::OutOfRange, "attained p", row.p, "from 0 to 1"));
        }
        let call = match row.call {
            CallWire::Adequate => Call::Adequate,
            CallWire::Marginal => Call::Marginal,
            CallWire::Inadequate => Call::Inadequate,
        };
        Ok(Self { mean: Mean::new(row.mean).map_err(|e| e.named("attained mean"))?, call, p: row.p })
    }
}
