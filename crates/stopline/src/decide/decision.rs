//! The decision as every program prints it.

use super::cautions::cautions;
use super::what_next::{WhatNext, what_next};
use super::{Caution, Look, State, Walk};
use crate::error::Error;
use crate::estimate::{AnyTime, Order, after_stop, any_time, plain_mean};
use crate::lines::{Column, Row};
use crate::params::Level;
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
    /// What the counts tell at any time, those after a stop too; none before the first site.
    pub any_time: Option<AnyTime>,
    /// What is still to come; none before the first site and when the walk is over.
    pub what_next: Option<WhatNext>,
    /// Whether the counts are more clumped than the plan takes them to be; none before the third site, or where that
    /// cannot be told (a caution says why).
    pub check_of_k: Option<Look>,
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

/// What the walk tells of the mean, on the plan's scale: per site, or as a share of positive units.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Estimate {
    /// The estimate; none before the first site.
    pub mean: Option<f64>,
    /// How it was got: `path_counts`, unbiased after a stop, or `sample_mean` while there is none.
    pub how: &'static str,
    /// Lower limit; none without a stop.
    pub low: Option<f64>,
    /// Upper limit; none without a stop, or where there is none.
    pub high: Option<f64>,
    /// Level of the interval: it holds the true mean at least so often.
    pub level: Option<f64>,
    /// How stops were put in order for the interval: `plain_mean` or `stage`.
    pub order: Option<&'static str>,
    /// Total over sites; biased where a line stopped the walk.
    pub plain_mean: Option<f64>,
}

impl Walk {
    /// The decision as things stand, with an interval of level 0.9 by plain mean.
    #[must_use]
    pub fn decision(&self) -> Decision {
        self.decision_at(Level::NINE_TENTHS, Order::PlainMean)
    }

    /// The decision as things stand, with the interval asked for.
    #[must_use]
    pub fn decision_at(&self, level: Level, order: Order) -> Decision {
        let state: State = self.state();
        let plan = self.plan();
        let over = state.ended_by.is_some();
        let next = if over { None } else { plan.lines().next_check(state.sites).map(|row| NextCheck::of(row, plan)) };
        let mut cautions = cautions(plan, &state);
        let estimate = estimate(plan, &state, level, order).unwrap_or_else(|caution| {
            cautions.insert(0, caution);
            plain(plan, &state)
        });
        let check_of_k = check_of_k(plan, &self.counted(), &state, &mut cautions);
        Decision {
            verdict: state.verdict.as_str(),
            is_final: over,
            ended_by: state.ended_by.map(super::EndedBy::as_str),
            sites: state.sites,
            total: state.total,
            stopped_at: state.stopped_at,
            after_stop: state.after_stop,
            next_check: next,
            estimate,
            any_time: any_time(plan, &self.counted(), level).unwrap_or_default(),
            what_next: what_next(plan, &state, &self.counted()).unwrap_or_default(),
            check_of_k,
            plan: plan.digest().to_string(),
            cautions,
        }
    }
}

impl Walk {
    /// The estimate alone, with the interval asked for; the plain mean where no better one can be had.
    #[must_use]
    pub fn estimate_at(&self, level: Level, order: Order) -> Estimate {
        let state = self.state();
        estimate(self.plan(), &state, level, order).unwrap_or_else(|_| plain(self.plan(), &state))
    }
}

/// The check of k; an alarm, and why there is no check, are told among the cautions.
fn check_of_k(plan: &Plan, steps: &[Total], state: &State, cautions: &mut Vec<Caution>) -> Option<Look> {
    if state.sites < super::FIRST_LOOK {
        return None;
    }
    match plan.check_of_k() {
        Ok(check) => {
            let look = check.look(steps)?;
            if look.alarmed_at.is_some() {
                cautions.insert(0, Caution { code: "more_clumped", text: look.reading.clone() });
            }
            Some(look)
        }
        Err(e) => {
            let text = format!(
                "Whether this field's counts are more clumped than the plan takes them to be was not checked: {e}."
            );
            cautions.push(Caution { code: "k_not_checked", text });
            None
        }
    }
}

/// The plain mean, as long as nothing better can be had.
fn plain(plan: &Plan, state: &State) -> Estimate {
    let design = plan.asked();
    let mean = plain_mean(&design.score, &design.dispersion, state.sites, state.total);
    Estimate { mean, how: "sample_mean", low: None, high: None, level: None, order: None, plain_mean: mean }
}

/// The estimate, or why a stop has none.
fn estimate(plan: &Plan, state: &State, level: Level, order: Order) -> Result<Estimate, Caution> {
    let Some(at) = state.stopped_at else { return Ok(plain(plan, state)) };
    let design = plan.asked();
    let told = after_stop(plan.lines(), &design.score, &design.dispersion, (at, state.total), level, order);
    let told =
        told.map_err(|e| Caution { code: "no_estimate", text: format!("No estimate beside the plain mean: {e}.") })?;
    Ok(Estimate {
        mean: told.mean,
        how: "path_counts",
        low: Some(told.low),
        high: told.high,
        level: Some(level.get()),
        order: Some(order.as_str()),
        plain_mean: told.plain,
    })
}

/// The decision on a walk's sites, in the order walked; a missing site (`None`) was skipped. `ended`:
/// the scout ended the walk.
///
/// # Errors
/// `entry` where a site cannot be scored.
pub fn decide(plan: &Arc<Plan>, sites: impl IntoIterator<Item = Option<Site>>, ended: bool) -> Result<Decision, Error> {
    Ok(Walk::of_sites(plan, sites, ended)?.decision())
}
