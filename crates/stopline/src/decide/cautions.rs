//! What a person who acts on a result must know beside it.

use super::{EndedBy, State};
use crate::lines::{Call, Verdict};
use crate::plan::{Aim, Method, Plan};
use serde::Serialize;

/// A caution with a stable code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Caution {
    /// Stable name.
    pub code: &'static str,
    /// What it says, in plain words.
    pub text: String,
}

fn caution(code: &'static str, text: impl Into<String>) -> Caution {
    Caution { code, text: text.into() }
}

/// The cautions that go with every plan and every decision.
#[must_use]
pub fn standing_cautions() -> Vec<Caution> {
    vec![
        caution(
            "informs_only",
            "A sampling plan informs; it does not replace local thresholds, the pesticide label, extension advice or a licensed adviser.",
        ),
        caution("as_given", "Its risks hold for the clumping and the thresholds it was given."),
        caution("this_visit", "The call is for this visit."),
    ]
}

impl Plan {
    /// What this plan in particular should be known for: an asked risk it exceeds, or none asked.
    #[must_use]
    pub fn cautions(&self) -> Vec<Caution> {
        let mut found = Vec::new();
        let aim = &self.asked().aim;
        let asked = aim.asked_risks();
        let stated: Vec<_> = self.attained().iter().zip(&asked).collect();
        let unit = if self.asked().dispersion.of_shares() { "of all units" } else { "per site" };
        for wrong in stated.chunk_by(|a, b| a.1.0 == b.1.0) {
            let p: f64 = wrong.iter().map(|(row, _)| row.p).sum();
            let Some((row, (_, asked))) = wrong.first().filter(|(_, (_, asked))| p > *asked) else { continue };
            let calls: Vec<&str> = wrong.iter().map(|(row, _)| row.call.as_str()).collect();
            found.push(caution(
                "risk_above_asked",
                format!(
                    "A field truly at {} {unit} is called {} {:.1} times in 100, more than the {:.1} asked.",
                    row.mean.get(),
                    calls.join(" or "),
                    100.0 * p,
                    100.0 * asked
                ),
            ));
        }
        match aim {
            Aim::Interval { confidence, .. } => found.push(caution(
                "nominal_confidence",
                format!(
                    "Its {} % confidence is that of an interval at a fixed number of sites: looked at again and again it is no error rate, neither at the critical mean nor at two thresholds.",
                    100.0 * confidence.get()
                ),
            )),
            Aim::Precision { se_over_mean } if self.method() == Method::Tuned => found.push(caution(
                "tuned_precision",
                format!(
                    "Standard error over mean {} is kept at the true means that the plan's notes name; elsewhere it may be larger. The plain mean is too high.",
                    se_over_mean.get()
                ),
            )),
            Aim::Precision { se_over_mean } => found.push(caution(
                "nominal_precision",
                format!(
                    "Standard error over mean {} is what the formula promises; stopping where the total looks large enough makes the true one differ and the mean too high.",
                    se_over_mean.get()
                ),
            )),
            _ if self.attained().is_empty() => {
                found.push(caution("no_risks", "No thresholds came with this table, so its risks are not known."));
            }
            _ => {}
        }
        found
    }
}

/// The cautions of a walk in this state: its own first, then the standing ones.
pub(super) fn cautions(plan: &Plan, state: &State) -> Vec<Caution> {
    let mut found = Vec::new();
    match (state.ended_by, state.verdict) {
        (Some(EndedBy::Scout), _) => found.push(caution(
            "ended_early",
            "The walk ended before a stop line was reached: that is no call. Another day starts from zero.",
        )),
        (_, Verdict::Stop(Call::Undecided)) => {
            let text = match plan.asked().aim {
                Aim::Precision { .. } => "The most sites were counted before the precision was reached.",
                _ => {
                    "The most sites were counted without a call: the mean is likely between the thresholds. Another day starts from zero: sites are not carried over."
                }
            };
            found.push(caution("undecided", text));
        }
        _ => {}
    }
    if state.after_stop > 0 {
        found.push(caution(
            "after_stop",
            match state.after_stop {
                1 => "1 site was counted after the stop; it does not change the call.".to_owned(),
                n => format!("{n} sites were counted after the stop; they do not change the call."),
            },
        ));
    }
    if state.ended_by == Some(EndedBy::Line) {
        found.push(caution(
            "mean_after_stopping",
            "The plain mean of a walk that stopped early is biased: too high after adequate, too low after inadequate. The estimate is corrected for that.",
        ));
    }
    found.extend(plan.cautions());
    found.extend(standing_cautions());
    found
}
