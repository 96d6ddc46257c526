//! How probable what was seen, or less, is at each mean; and the means at which that reaches a level.

use super::Order;
use super::places::{Kin, Place, Places, Side, Wanted, no_family};
use super::scale::{ENDS, Scale};
use crate::error::Error;
use crate::law::{Law, Pool};
use crate::lines::Lines;
use crate::root::root;
use crate::score::Total;
use std::cmp::Ordering;

/// Families whose places are kept: as many as an interval of k has nodes.
const KEPT: usize = 16;

/// A node of the laws, or all of them averaged.
pub(super) type Node = Option<usize>;

/// One stop, before the others.
pub(super) struct Tails<'a> {
    lines: &'a Lines,
    scale: Scale<'a>,
    at: u32,
    total: Total,
    side: Side,
    order: Order,
    start: f64,
    cache: Vec<(Kin, Places)>,
}

impl<'a> Tails<'a> {
    pub fn of(lines: &'a Lines, scale: Scale<'a>, (at, total): (u32, Total), order: Order) -> Self {
        let row = lines.rows().iter().find(|row| row.at == at);
        let side = row.and_then(|row| Side::of(row, total, at == lines.cap())).unwrap_or(Side::Middle);
        let plain = (total as f64).max(0.5) / f64::from(at);
        let start = scale.point_of_step(plain).unwrap_or(0.0);
        Self { lines, scale, at, total, side, order, start, cache: Vec::new() }
    }

    /// The nodes that are looked at one by one.
    pub fn apart(&self) -> Vec<Node> {
        match self.scale.laws(self.start) {
            Some(laws) if laws.pool == Pool::Worst => (0..laws.nodes.len()).map(Some).collect(),
            _ => vec![None],
        }
    }

    fn places(&mut self, law: &Law) -> Result<&Places, Error> {
        let kin = Kin::of(law);
        if let Some(i) = self.cache.iter().position(|(kept, _)| *kept == kin) {
            return self.cache.get(i).map_or_else(no_family, |(_, places)| Ok(places));
        }
        let wanted = match (self.order, self.side) {
            // Later checks count only among stops by their plain mean.
            (Order::Stage, Side::Low | Side::High) => Wanted { most: self.total, ratio: None, last: self.at },
            (order, _) => {
                let most = i128::from(self.total) * i128::from(self.lines.cap()) / i128::from(self.at);
                let most = Total::try_from(most).unwrap_or(Total::MAX);
                if order == Order::Stage {
                    let low = self.lines.rows().iter().filter_map(|row| row.lowest().map(|(total, _)| total)).max();
                    Wanted { most: most.max(low.unwrap_or(0)), ratio: None, last: u32::MAX }
                } else {
                    Wanted { most, ratio: Some((self.total, self.at)), last: u32::MAX }
                }
            }
        };
        let places = Places::of(self.lines, law, wanted)?;
        if self.cache.len() >= KEPT {
            self.cache.remove(0);
        }
        self.cache.push((kin, places));
        self.cache.last().map_or_else(no_family, |(_, places)| Ok(places))
    }

    /// Mean of a step of the first batch, given the stop, at its plain mean.
    pub fn first_batch(&mut self) -> Result<Option<f64>, Error> {
        if self.total == 0 {
            return Ok(Some(0.0));
        }
        let Some(laws) = self.scale.laws(self.start) else { return Ok(None) };
        let (mut all, mut first) = (0.0, 0.0);
        for (weight, law) in laws.nodes.iter().take(if laws.pool == Pool::Worst { 1 } else { usize::MAX }) {
            let (at, total) = (self.at, self.total);
            let places = self.places(law)?;
            let ln_p = places.under(law);
            if let Some(here) = places.list.iter().find(|p| p.at == at && p.total == total) {
                let p = weight * libm::exp(ln_p(here));
                all += p;
                first += p * here.first;
            }
        }
        Ok((all > 0.0).then_some(first / all))
    }

    /// P(a stop before this one in the order), this one counted or not.
    fn below(&mut self, node: Node, x: f64, counted: bool) -> Result<f64, Error> {
        let Some(laws) = self.scale.laws(x) else { return Ok(if x < self.start { 1.0 } else { 0.0 }) };
        let here = Here { at: self.at, total: self.total, side: self.side, order: self.order, counted };
        let mut sum = 0.0;
        for (i, (weight, law)) in laws.nodes.iter().enumerate() {
            if node.is_some_and(|node| node != i) {
                continue;
            }
            let places = self.places(law)?;
            let ln_p = places.under(law);
            let below: f64 = places.list.iter().filter(|p| here.is_below(p)).map(|p| libm::exp(ln_p(p))).sum();
            sum += below * if node.is_some() { 1.0 } else { *weight };
        }
        Ok(sum.min(1.0))
    }

    /// The mean at which that probability is `target`; `None` where it is larger (counted) or smaller at every
    /// mean.
    pub fn limit(&mut self, node: Node, counted: bool, target: f64) -> Result<Option<f64>, Error> {
        let odds = |p: f64| libm::log(p / (1.0 - p));
        let (mut x, mut step) = (self.start, 0.3);
        let mut far = |x: f64| Ok::<f64, Error>(odds(self.below(node, x, counted)?) - odds(target));
        let first = far(x)?;
        let up = first > 0.0;
        let (mut low, mut high) = (x, x);
        loop {
            x = (x + if up { step } else { -step }).clamp(ENDS.0, ENDS.1);
            step *= 1.5;
            if up {
                high = x;
            } else {
                low = x;
            }
            if (far(x)? > 0.0) != up {
                break;
            }
            if x <= ENDS.0 || x >= ENDS.1 {
                return Ok(None);
            }
            if up {
                low = x;
            } else {
                high = x;
            }
        }
        let x = root("limit of the mean", (low, high), 1e-12, far)?;
        Ok(Some(self.scale.mean(x)))
    }
}

/// A stop that others are compared with.
struct Here {
    at: u32,
    total: Total,
    side: Side,
    order: Order,
    counted: bool,
}

impl Here {
    fn is_below(&self, place: &Place) -> bool {
        let fits = |order: Ordering| order == Ordering::Less || self.counted && order == Ordering::Equal;
        let by_mean = || {
            let (this, other) = (i128::from(self.total), i128::from(place.total));
            fits((other * i128::from(self.at)).cmp(&(this * i128::from(place.at))))
        };
        match (self.order, self.side) {
            (Order::PlainMean, _) => place.side.is_some() && by_mean(),
            (Order::Stage, Side::Middle) => {
                place.side == Some(Side::Low) || place.side == Some(Side::Middle) && by_mean()
            }
            // What is still open at this check, and does not reach this total, comes after a stop at a lower
            // line and before one at an upper line.
            (Order::Stage, side) => {
                place.at == self.at && fits(place.total.cmp(&self.total))
                    || place.at < self.at
                        && place.side.is_some_and(|s| s < Side::High && (side == Side::High || s == Side::Low))
            }
        }
    }
}
