//! Estimates and intervals of every stop of a plan at once.
//!
//! One pass over a grid of means, fine against how sharply any probability can change (an eighth of a standard
//! error of ln mean at the cap), gives P(this stop or one before it in the order) for all of them; where it
//! crosses a level, a polynomial through eight neighbouring means is solved. Error of a limit: below 1e-7 of itself.

use super::places::{Kin, Places, Side, Wanted, no_family};
use super::scale::{ENDS, Scale};
use super::stops::{Stop, Stops, Sums};
use super::{AfterStop, Order};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::law::{Law, Pool};
use crate::lines::{Call, Lines, Row, Verdict};
use crate::params::{Level, Mean};
use crate::root::root;
use crate::score::{Score, Total};
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeStruct, Serializer};
use std::collections::VecDeque;

/// Stops that are less probable than this at every mean are left off the table.
const LISTED: f64 = 1e-6;
/// Probabilities below this change no sum.
const NOTHING: f64 = 1e-22;
/// Means through which a polynomial is laid.
const NODES: usize = 8;
/// Totals at all checks that are looked at at most.
const MOST_TOTALS: f64 = 4e6;
/// Families of laws that are kept: as many as an interval of k has nodes.
const KEPT: usize = 16;

/// One stop, with what it tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EstimatedStop {
    /// Sites at the stop.
    pub at: u32,
    /// Total at the stop.
    pub total: Total,
    /// The call made.
    pub call: Call,
    /// What the stop tells of the mean.
    pub told: AfterStop,
}

/// What every stop with a plain mean of at most `up_to` tells, in order of sites and total; stops
/// that happen less than once in a million walks at every mean are left off.
///
/// # Errors
/// `combination` where score and dispersion do not fit; `too_much_work`, `interrupted`.
pub fn estimates(
    lines: &Lines,
    score: &Score,
    under: &Dispersion,
    up_to: Mean,
    (level, order): (Level, Order),
    watch: &dyn Watch,
) -> Result<Vec<EstimatedStop>, Error> {
    let laws = under.laws(score, up_to)?;
    let top = laws.nodes.iter().map(|(_, law)| law.mean()).fold(0.0, f64::max);
    table(lines, score, under, top, (level, order), LISTED, watch)
}

/// The same for every plain mean of a step up to `top`, and every stop that somewhere is at least as probable as
/// `least`.
pub(super) fn table(
    lines: &Lines,
    score: &Score,
    under: &Dispersion,
    top: f64,
    (level, order): (Level, Order),
    least: f64,
    watch: &dyn Watch,
) -> Result<Vec<EstimatedStop>, Error> {
    let scale = Scale::of(score, under);
    let laws = scale.laws(scale.point_of_step(0.5 * top)?);
    let laws = laws.ok_or_else(|| Error::new(Code::OutOfRange, "plain mean", top, "one that the model can tell"))?;
    let mut families = Families::of(lines, top, order)?;
    let stops = families.stops(scale)?;
    let tail = 0.5 * (1.0 - level.get());
    let apart: Vec<Option<usize>> =
        if laws.pool == Pool::Worst { (0..laws.nodes.len()).map(Some).collect() } else { vec![None] };
    let (mut low, mut high) = (vec![f64::INFINITY; stops.groups], vec![Some(0.0_f64); stops.groups]);
    let mut largest = vec![0.0_f64; stops.list.len()];
    let mut first = Vec::new();
    for (i, &node) in apart.iter().enumerate() {
        let mut pass = Pass::new(&stops, scale, node, tail, &mut families);
        pass.run(&mut largest, &mut || tell(watch, i as u64, apart.len() as u64))?;
        for (all, own) in low.iter_mut().zip(&pass.low) {
            *all = all.min(own.unwrap_or(0.0));
        }
        for (all, own) in high.iter_mut().zip(&pass.high) {
            *all = all.zip(*own).map(|(a, b)| a.max(b));
        }
        if i == 0 {
            first = pass.first;
        }
    }
    let at_most = under.of_shares().then_some(1.0);
    let mut told = Vec::new();
    for (i, stop) in stops.list.iter().enumerate() {
        let Some(call) = stop.call.filter(|_| stop.total as f64 <= top * f64::from(stop.at)) else { continue };
        if largest.get(i).is_none_or(|&p| p < least) {
            continue;
        }
        let mean = first.get(i).copied().flatten().map(|step| scale.mean_of_step(step)).transpose()?.flatten();
        let plain = scale.mean_of_step(stop.total as f64 / f64::from(stop.at))?;
        let low = low.get(stop.group).copied().unwrap_or(0.0);
        let high = high.get(stop.group).copied().flatten().or(at_most);
        told.push(EstimatedStop { at: stop.at, total: stop.total, call, told: AfterStop { plain, mean, low, high } });
    }
    Ok(told)
}

impl Serialize for EstimatedStop {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("EstimatedStop", 7)?;
        object.serialize_field("sites", &self.at)?;
        object.serialize_field("total", &self.total)?;
        object.serialize_field("call", self.call.as_str())?;
        object.serialize_field("mean", &self.told.mean)?;
        object.serialize_field("low", &self.told.low)?;
        object.serialize_field("high", &self.told.high)?;
        object.serialize_field("plain_mean", &self.told.plain)?;
        object.end()
    }
}

/// A family of laws, its totals without those that are nothing at every mean, and their numbers.
type Kept = (Kin, Places, Vec<usize>);

/// The stops under each family of laws that was met lately.
struct Families<'a> {
    lines: &'a Lines,
    order: Order,
    /// Largest total at the cap; at other checks in proportion.
    most: Total,
    kept: Vec<Kept>,
}

impl<'a> Families<'a> {
    #[allow(clippy::cast_possible_truncation)] // checked against MOST_TOTALS
    fn of(lines: &'a Lines, top: f64, order: Order) -> Result<Self, Error> {
        let totals: f64 = lines.rows().iter().map(|row| f64::from(row.at) * top + 1.0).sum();
        if totals > MOST_TOTALS {
            let value = format!("{totals:.0} totals");
            return Err(Error::new(Code::TooMuchWork, "table of estimates", value, "smaller means or fewer checks"));
        }
        let cap = Total::from(lines.cap());
        let top = (top * f64::from(lines.cap())) as Total;
        // By stage every stop at a lower line comes before others, however large its plain mean.
        let low = |row: &Row| row.lowest().map(|(total, _)| (total * cap).div_euclid(row.at.into()) + 1);
        let low = lines.rows().iter().filter(|_| order == Order::Stage).filter_map(low).max();
        Ok(Self { lines, order, most: low.map_or(top, |low| top.max(low)), kept: Vec::new() })
    }

    /// All totals that are something: where k moves with the mean, all that there are.
    fn stops(&mut self, scale: Scale<'_>) -> Result<Stops, Error> {
        let families = |x: f64| -> Vec<_> {
            scale.laws(x).into_iter().flat_map(|laws| laws.nodes).map(|(_, law)| (Kin::of(&law), law)).collect()
        };
        let (here, there) = (families(-1.0), families(-0.5));
        let moves = here.iter().zip(&there).any(|(a, b)| a.0 != b.0);
        let mut totals = Vec::new();
        if moves || here.is_empty() {
            let cap = Total::from(self.lines.cap());
            for row in self.lines.rows() {
                totals.extend((0..=self.most * Total::from(row.at) / cap).map(|total| (row.at, total)));
            }
        } else {
            let mut kept: Vec<Kept> = Vec::new();
            for (kin, law) in here {
                if kept.iter().all(|k| k.0 != kin) {
                    kept.push((kin, self.places(&law)?, Vec::new()));
                }
            }
            totals.extend(kept.iter().flat_map(|k| &k.1.list).map(|p| (p.at, p.total)));
            self.kept = kept;
        }
        let stop = |(at, total)| {
            let call = match self.lines.verdict(at, total) {
                Verdict::Stop(call) => Some(call),
                Verdict::KeepSampling => None,
            };
            let row = self.lines.rows().iter().find(|row| row.at == at)?;
            let side = Side::of(row, total, at == self.lines.cap());
            (call.is_some() || self.order == Order::Stage).then_some(Stop { at, total, call, side, group: usize::MAX })
        };
        let list = totals.into_iter().filter_map(stop).collect();
        let stops = Stops::of(list, self.order);
        for (_, places, numbers) in &mut self.kept {
            *numbers = Self::numbers(places, &stops);
        }
        Ok(stops)
    }

    fn numbers(places: &Places, stops: &Stops) -> Vec<usize> {
        places.list.iter().map(|p| stops.number(p.at, p.total).unwrap_or(usize::MAX)).collect()
    }

    fn places(&self, law: &Law) -> Result<Places, Error> {
        let wanted = Wanted { most: self.most, ratio: Some((self.most, self.lines.cap())), last: u32::MAX };
        let mut places = Places::of(self.lines, law, wanted)?;
        places.list.retain(|p| p.side.is_some() || self.order == Order::Stage);
        let own = places.at_own_mean();
        let mut p = own.iter();
        places.list.retain(|_| p.next().is_none_or(|&p| p >= NOTHING));
        Ok(places)
    }

    /// The totals under the family of `law`.
    fn under(&mut self, law: &Law, stops: &Stops) -> Result<&Kept, Error> {
        let kin = Kin::of(law);
        let i = match self.kept.iter().position(|kept| kept.0 == kin) {
            Some(i) => i,
            None => {
                let places = self.places(law)?;
                let numbers = Self::numbers(&places, stops);
                if self.kept.len() >= KEPT {
                    self.kept.remove(0);
                }
                self.kept.push((kin, places, numbers));
                self.kept.len() - 1
            }
        };
        self.kept.get(i).map_or_else(no_family, Ok)
    }
}

/// What is kept of one mean of the grid.
struct Node {
    x: f64,
    sums: Sums,
    /// Mean of a step of the first batch, given the stop.
    first: Vec<f64>,
}

/// One pass over the grid, for one node of the laws or their average.
struct Pass<'a, 'b> {
    stops: &'a Stops,
    scale: Scale<'a>,
    node: Option<usize>,
    tail: f64,
    families: &'a mut Families<'b>,
    ring: VecDeque<Node>,
    low: Vec<Option<f64>>,
    high: Vec<Option<f64>>,
    first: Vec<Option<f64>>,
    /// Points of the plain means, in order, with the stops; those not yet met last.
    plain: Vec<(f64, usize)>,
}

impl<'a, 'b> Pass<'a, 'b> {
    fn new(stops: &'a Stops, scale: Scale<'a>, node: Option<usize>, tail: f64, families: &'a mut Families<'b>) -> Self {
        let groups = stops.groups;
        let (low, high, first) = (vec![None; groups], vec![None; groups], vec![None; stops.list.len()]);
        Self { stops, scale, node, tail, families, ring: VecDeque::new(), low, high, first, plain: Vec::new() }
    }

    fn run(&mut self, largest: &mut [f64], told: &mut dyn FnMut() -> Result<(), Error>) -> Result<(), Error> {
        let units = self.scale.score.units();
        let all = |stop: &Stop| self.scale.under.of_shares() && stop.total as f64 >= units * f64::from(stop.at);
        for (i, stop) in self.stops.list.iter().enumerate().filter(|(_, stop)| stop.call.is_some()) {
            if stop.total == 0 || all(stop) {
                if let Some(first) = self.first.get_mut(i) {
                    *first = Some(stop.total as f64 / f64::from(stop.at));
                }
            } else {
                self.plain.push((self.scale.point_of_step(stop.total as f64 / f64::from(stop.at))?, i));
            }
        }
        self.plain.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut x = libm::log(0.002 * self.tail / (f64::from(self.families.lines.cap()) * units)).max(ENDS.0);
        let mut left = NODES; // means beyond the last crossing
        while x < ENDS.1 && left > 0 {
            told()?;
            let Some(node) = self.at(x, largest)? else { break };
            if node.sums.below.iter().all(|&p| p < self.tail) {
                left -= 1;
            }
            self.ring.push_back(node);
            if self.ring.len() > NODES {
                self.ring.pop_front();
            }
            if self.ring.len() == NODES {
                self.cross()?;
            }
            x += self.step(x);
        }
        Ok(())
    }

    /// An eighth of the standard error of the point at the cap.
    fn step(&self, x: f64) -> f64 {
        const WIDEST: f64 = 0.15;
        let (Some(here), Some(there)) = (self.scale.laws(x), self.scale.laws(x + 1e-3)) else { return WIDEST };
        let cap = f64::from(self.families.lines.cap());
        let steps = here.nodes.iter().zip(&there.nodes).map(|((_, a), (_, b))| {
            let slope = ((b.mean() - a.mean()) / 1e-3).abs();
            0.125 * libm::sqrt(a.variance() / cap) / slope
        });
        steps.filter(|step| step.is_finite()).fold(WIDEST, f64::min)
    }

    /// The sums at one mean; `None` beyond what the model can tell apart.
    fn at(&mut self, x: f64, largest: &mut [f64]) -> Result<Option<Node>, Error> {
        let Some(laws) = self.scale.laws(x) else { return Ok(None) };
        let mut p = vec![[0.0; 2]; self.stops.list.len()];
        for (i, (weight, law)) in laws.nodes.iter().enumerate() {
            if self.node.is_some_and(|node| node != i) {
                continue;
            }
            let weight = if self.node.is_some() { 1.0 } else { *weight };
            let (_, places, numbers) = self.families.under(law, self.stops)?;
            let ln_p = places.under(law);
            for (place, &number) in places.list.iter().zip(numbers) {
                if let Some(to) = p.get_mut(number) {
                    let here = weight * libm::exp(ln_p(place));
                    to[0] += here;
                    to[1] += here * place.first;
                }
            }
        }
        for (largest, p) in largest.iter_mut().zip(&p) {
            *largest = largest.max(p[0]);
        }
        let sums = self.stops.sums(|i| p.get(i).map_or(0.0, |p| p[0]));
        let first = p.iter().map(|[all, first]| first / all).collect();
        Ok(Some(Node { x, sums, first }))
    }

    /// Solves what crosses between the two middle means of the ring.
    fn cross(&mut self) -> Result<(), Error> {
        let xs: Vec<f64> = self.ring.iter().map(|node| node.x).collect();
        let middle = NODES / 2;
        let Some(&[from, to]) = xs.get(middle - 1..=middle) else { return Ok(()) };
        let through = |of: &dyn Fn(&Node) -> f64| Polynomial::through(&xs, self.ring.iter().map(of).collect());
        let mut found = Vec::new();
        for (upper, target) in [(true, self.tail), (false, 1.0 - self.tail)] {
            let value = |node: &Node, group: usize| {
                let sums = if upper { &node.sums.below } else { &node.sums.less };
                sums.get(group).copied().unwrap_or(0.0)
            };
            let Some((a, b)) = self.ring.get(middle - 1).zip(self.ring.get(middle)) else { return Ok(()) };
            for group in (0..self.stops.groups).filter(|&g| value(a, g) >= target && value(b, g) < target) {
                let p = through(&|node| value(node, group));
                let x = root("limit of the mean", (from, to), 1e-12, |x| Ok(p.at(x) - target))?;
                found.push((group, upper, self.scale.mean(x)));
            }
        }
        while let Some(&(x, i)) = self.plain.last().filter(|(x, _)| *x < to) {
            self.plain.pop();
            let p = through(&|node| node.first.get(i).copied().unwrap_or(0.0));
            let value = p.at(x.max(from));
            if let Some(first) = self.first.get_mut(i) {
                *first = value.is_finite().then_some(value);
            }
        }
        for (group, upper, mean) in found {
            let limit = if upper { self.high.get_mut(group) } else { self.low.get_mut(group) };
            if let Some(limit) = limit.filter(|limit| upper || limit.is_none()) {
                *limit = Some(mean);
            }
        }
        Ok(())
    }
}

/// A polynomial in Newton's form.
struct Polynomial<'a> {
    xs: &'a [f64],
    differences: Vec<f64>,
}

impl<'a> Polynomial<'a> {
    fn through(xs: &'a [f64], mut ys: Vec<f64>) -> Self {
        for order in 1..xs.len() {
            for i in (order..xs.len()).rev() {
                if let (Some(&a), Some(&b), Some(&y)) = (xs.get(i), xs.get(i - order), ys.get(i - 1))
                    && let Some(to) = ys.get_mut(i)
                {
                    *to = (*to - y) / (a - b);
                }
            }
        }
        Self { xs, differences: ys }
    }

    fn at(&self, x: f64) -> f64 {
        self.differences.iter().zip(self.xs).rev().fold(0.0, |sum, (c, at)| sum * (x - at) + c)
    }
}
