//! Where a plan stops on a walk: in the order walked, and in random orders.

use super::interval::Between;
use super::{Replaying, stop};
use crate::dispersion::Chance;
use crate::lines::Call;
use crate::plan::Plan;
use crate::score::Total;
use crate::simulate::Estimate;
use serde::{Serialize, Serializer};

/// Where the plan stopped; nothing where the walk is too short.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ended {
    /// Sites at the stop.
    pub stopped_at: Option<u32>,
    /// Total there.
    pub total: Option<Total>,
    /// The call.
    pub call: Option<Call>,
    /// Is it the call of the whole walk? None where either says nothing of adequacy.
    pub agrees: Option<bool>,
    /// Is it wrong for the whole interval of the field's mean?
    pub contradicted: Option<bool>,
}

/// Random orders of a walk, with the standard errors of the orders drawn.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Random {
    /// Share of orders in which the plan stops.
    #[serde(serialize_with = "estimate")]
    pub stopped: Estimate,
    /// Share of orders in which it stops with the call of the whole walk.
    #[serde(serialize_with = "estimate")]
    pub agree: Estimate,
    /// Mean number of sites; all of the walk where it does not stop.
    #[serde(serialize_with = "estimate")]
    pub sites: Estimate,
}

fn estimate<S: Serializer>(of: &Estimate, serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Shown {
        value: f64,
        se: f64,
    }
    Shown { value: of.value, se: of.se }.serialize(serializer)
}

/// Do two calls agree? None where one of them is no call of a level.
fn agree(call: Call, whole: Call) -> Option<bool> {
    let level = |call: Call| matches!(call, Call::Inadequate | Call::Marginal | Call::Adequate);
    (level(call) && level(whole)).then_some(call == whole)
}

pub(super) fn walked(plan: &Plan, steps: &[Total], whole: Call, interval: Option<Between>) -> Ended {
    match stop(plan, steps.iter().copied()) {
        Some((at, total, call)) => Ended {
            stopped_at: Some(at),
            total: Some(total),
            call: Some(call),
            agrees: agree(call, whole),
            contradicted: interval.and_then(|between| plan.asked().aim.contradicted(call, between.low, between.high)),
        },
        None => Ended { stopped_at: None, total: None, call: None, agrees: None, contradicted: None },
    }
}

/// Random orders of the walk of this number.
pub(super) fn random(plan: &Plan, steps: &[Total], whole: Call, walk: u64, how: &Replaying) -> Random {
    let mut chance = Chance::new(how.seed, walk);
    let mut order = steps.to_vec();
    let (mut stopped, mut agreeing, mut sites, mut squares) = (0_u32, 0_u32, 0.0, 0.0);
    for _ in 0..how.orders {
        chance.shuffle(&mut order);
        let end = stop(plan, order.iter().copied());
        stopped += u32::from(end.is_some());
        agreeing += u32::from(end.is_some_and(|(_, _, call)| agree(call, whole) == Some(true)));
        let n = end.map_or(order.len() as f64, |(at, ..)| f64::from(at));
        sites += n;
        squares += n * n;
    }
    let orders = f64::from(how.orders);
    let mean = sites / orders;
    let variance = ((squares - sites * mean) / (orders - 1.0)).max(0.0);
    Random {
        stopped: Estimate::share(stopped.into(), how.orders.into()),
        agree: Estimate::share(agreeing.into(), how.orders.into()),
        sites: Estimate { value: mean, se: libm::sqrt(variance / orders) },
    }
}

impl Random {
    /// The average over walks.
    pub(super) fn average(all: impl Iterator<Item = Random>) -> Option<Random> {
        let all: Vec<Random> = all.collect();
        let n = all.len() as f64;
        let of = |part: fn(&Random) -> Estimate| Estimate {
            value: all.iter().map(|one| part(one).value).sum::<f64>() / n,
            se: libm::sqrt(all.iter().map(|one| part(one).se * part(one).se).sum::<f64>()) / n,
        };
        (!all.is_empty()).then(|| Random { stopped: of(|r| r.stopped), agree: of(|r| r.agree), sites: of(|r| r.sites) })
    }
}
