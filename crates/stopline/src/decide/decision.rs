//! The decision as every program prints it.

use super::cautions::cautions;
use super::{Caution, Entry, State, Walk};
use crate::error::Error;
use crate::lines::{Column, Row};
use crate::plan::Plan;
use crate::score::{Site, Total};
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::sync::Arc;

/// What a walk comes to. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Decision {
    /// `adequate`, `inadequate`, `marginal`, `enough`, `undecided` or `keep_sampling`.
    pub verdict: &'static str,
    /// Will no further count change it?
    #[serde(rename = "final")]
    pub is_final: bool,
    /// `line`, `max_sites`, `scout`, or none while it goes on.
    pub ended_by: Option<&'static str>,
    /// Sites counted, up to the stop.
    pub sites: u32,
    /// Total over them.
    pub total: Total,
    /// Sites at the stop.
    pub stopped_at: Option<u32>,
    /// Sites counted after the stop.
    pub after_stop: u32,
    /// The next check; none when the walk is over.
    pub next_check: Option<NextCheck>,
    /// The mean, as far as it can be told.
    pub estimate: Estimate,
    /// Digest of the plan.
    pub plan: String,
    /// What to know beside it.
    pub cautions: Vec<Caution>,
}

/// The lines at the next check: in JSON one object with the sites and each column by its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NextCheck {
    /// Sites at the check.
    pub sites: u32,
    /// The columns of the plan with their totals; none where a line cannot be reached.
    pub lines: Vec<(Column, Option<Total>)>,
}

impl NextCheck {
    fn of(row: &Row, plan: &Plan) -> Self {
        let columns = plan.asked().aim.columns();
        Self { sites: row.at, lines: columns.iter().map(|&column| (column, column.of(row))).collect() }
    }
}

impl Serialize for NextCheck {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(1 + self.lines.len()))?;
        map.serialize_entry("sites", &self.sites)?;
        for (column, total) in &self.lines {
            map.serialize_entry(column.as_str(), total)?;
        }
        map.end()
    }
}

/// An estimate of the mean per site.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Estimate {
    /// Total over sites; none before the first site.
    pub mean: Option<f64>,
    /// How it was got: `sample_mean`, biased where a line stopped the walk.
    pub how: &'static str,
}

impl Walk {
    /// The decision as things stand.
    #[must_use]
    pub fn decision(&self) -> Decision {
        let state: State = self.state();
        let plan = self.plan();
        let over = state.ended_by.is_some();
        let next = if over { None } else { plan.lines().next_check(state.sites).map(|row| NextCheck::of(row, plan)) };
        #[allow(clippy::cast_precision_loss)] // totals stay below 2⁵³
        let mean = (state.sites > 0).then(|| state.total as f64 / f64::from(state.sites));
        Decision {
            verdict: state.verdict.as_str(),
            is_final: over,
            ended_by: state.ended_by.map(super::EndedBy::as_str),
            sites: state.sites,
            total: state.total,
            stopped_at: state.stopped_at,
            after_stop: state.after_stop,
            next_check: next,
            estimate: Estimate { mean, how: "sample_mean" },
            plan: plan.digest().to_string(),
            cautions: cautions(plan, &state),
        }
    }
}

/// The decision on a walk's sites, in the order walked; a missing site (`None`) was skipped. `ended`:
/// the scout ended the walk.
///
/// # Errors
/// `entry` where a site cannot be scored.
pub fn decide(plan: &Arc<Plan>, sites: impl IntoIterator<Item = Option<Site>>, ended: bool) -> Result<Decision, Error> {
    let mut walk = Walk::new(Arc::clone(plan));
    for site in sites {
        walk.push(site.map_or(Entry::Skip, Entry::Site))?;
    }
    if ended {
        walk.push(Entry::Close)?;
    }
    Ok(walk.decision())
}
