//! All stops of a table, in their order from the fewest enemies to the most, and the probability of those
//! before each.

use super::Order;
use super::places::Side;
use crate::lines::Call;
use crate::score::Total;
use std::cmp::Ordering;

/// A total at a check.
pub(super) struct Stop {
    pub at: u32,
    pub total: Total,
    /// `None` where the walk goes on.
    pub call: Option<Call>,
    pub side: Option<Side>,
    /// Its number in the order; equal stops share one.
    pub group: usize,
}

impl Stop {
    /// Does a stop of this kind come after everything that goes on?
    fn is_high(&self, order: Order) -> bool {
        order == Order::Stage && self.side == Some(Side::High)
    }

    fn compare(&self, other: &Self, order: Order) -> Ordering {
        let by_mean = || (self.total * Total::from(other.at)).cmp(&(other.total * Total::from(self.at)));
        if order == Order::PlainMean {
            return by_mean();
        }
        self.side.cmp(&other.side).then_with(|| match self.side {
            Some(Side::Low) => (self.at, self.total).cmp(&(other.at, other.total)),
            Some(Side::High) => other.at.cmp(&self.at).then(self.total.cmp(&other.total)),
            _ => by_mean(),
        })
    }
}

/// All stops, in order of sites and total; by stage the totals that are still open, too.
pub(super) struct Stops {
    pub list: Vec<Stop>,
    pub groups: usize,
    by: Order,
    /// Numbers of the stops in their order.
    order: Vec<usize>,
}

/// P(stops up to those of a group), and P(those before them), for each group.
pub(super) struct Sums {
    pub below: Vec<f64>,
    pub less: Vec<f64>,
}

impl Stops {
    pub fn of(mut list: Vec<Stop>, by: Order) -> Self {
        list.sort_by_key(|stop| (stop.at, stop.total));
        list.dedup_by_key(|stop| (stop.at, stop.total));
        let compare = |list: &[Stop], a: usize, b: usize| {
            list.get(a).zip(list.get(b)).map_or(Ordering::Equal, |(a, b)| a.compare(b, by))
        };
        let mut order: Vec<usize> =
            list.iter().enumerate().filter(|(_, stop)| stop.call.is_some()).map(|(i, _)| i).collect();
        order.sort_by(|&a, &b| compare(&list, a, b));
        let mut groups = 0;
        let mut before = None;
        for &i in &order {
            groups += usize::from(before.is_none_or(|b| compare(&list, b, i).is_ne()));
            if let Some(stop) = list.get_mut(i) {
                stop.group = groups - 1;
            }
            before = Some(i);
        }
        Self { list, groups, by, order }
    }

    /// The number of a stop.
    pub fn number(&self, at: u32, total: Total) -> Option<usize> {
        self.list.binary_search_by_key(&(at, total), |stop| (stop.at, stop.total)).ok()
    }

    /// The sums, where each total of the list has the probability told.
    pub fn sums(&self, p: impl Fn(usize) -> f64) -> Sums {
        let mut sums = Sums { below: vec![0.0; self.groups], less: vec![0.0; self.groups] };
        let stop = |i: usize| Some((self.list.get(i)?, p(i)));
        let (mut sum, mut group) = (0.0, usize::MAX);
        for (stop, p) in self.order.iter().filter_map(|&i| stop(i)).filter(|(stop, _)| !stop.is_high(self.by)) {
            if stop.group != group {
                group = stop.group;
                sums.put(group, sum, sum);
            }
            sum += p;
            sums.put_below(group, sum);
        }
        if self.by == Order::Stage {
            // Whatever comes to a check, and does not reach a total at an upper line there, comes before it.
            let (mut at, mut ended, mut here) = (0, 0.0, 0.0);
            let mut stopped = 0.0;
            for (stop, p) in (0..self.list.len()).filter_map(stop) {
                if stop.at != at {
                    (at, ended, here) = (stop.at, ended + stopped, 0.0);
                    stopped = 0.0;
                }
                if stop.is_high(self.by) {
                    sums.put(stop.group, ended + here, ended + here + p);
                } else if stop.side.is_some() {
                    stopped += p;
                }
                here += p;
            }
        }
        sums
    }
}

impl Sums {
    fn put(&mut self, group: usize, less: f64, below: f64) {
        if let Some(to) = self.less.get_mut(group) {
            *to = less;
        }
        self.put_below(group, below);
    }

    fn put_below(&mut self, group: usize, below: f64) {
        if let Some(to) = self.below.get_mut(group) {
            *to = below;
        }
    }
}
