//! What a person who acts on a result must know beside it.

use super::{EndedBy, State};
use crate::lines::{Call, Verdict};
use crate::plan::Plan;
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
        let asked = self.asked().risks().map(|r| [r.false_adequate().get(), r.false_inadequate().get()]);
        for (i, row) in self.attained().iter().enumerate() {
            let asked = asked.and_then(|a| a.get(i).copied());
            if let Some(asked) = asked.filter(|&asked| row.p > asked) {
                found.push(caution(
                    "risk_above_asked",
                    format!(
                        "A field truly at {} per site is called {} {:.1} times in 100, more than the {:.1} asked.",
                        row.mean.get(),
                        row.call.as_str(),
                        100.0 * row.p,
                        100.0 * asked
                    ),
                ));
            }
        }
        if self.attained().is_empty() {
            found.push(caution("no_risks", "No thresholds came with this table, so its risks are not known."));
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
            found.push(caution(
                "undecided",
                "The most sites were counted without a call: the mean is likely between the thresholds.",
            ));
        }
        _ => {}
    }
    if state.after_stop > 0 {
        found.push(caution(
            "after_stop",
            format!("{} later sites were counted after the stop; they do not change the call.", state.after_stop),
        ));
    }
    if state.ended_by == Some(EndedBy::Line) {
        found.push(caution(
            "mean_after_stopping",
            "The plain mean of a walk that stopped early is biased: too high after adequate, too low after inadequate.",
        ));
    }
    found.extend(plan.cautions());
    found.extend(standing_cautions());
    found
}
