//! One block of walks of a source at a mean: in lockstep where sites are independent and totals fit bytes, else one
//! walk after the other.
//!
//! A walk's random bits are those of its place: the seed, the mean, the block, and in lockstep the site and the position
//! among the walks still going on, else the number of the walk. Nothing depends on who walks a block, or when.
#![allow(clippy::indexing_slicing)] // kinds of walks and checks by their own numbers

use super::course::{self, Course};
use super::lockstep::{self, CALLS, Totals};
use super::source::Redraw;
use super::source::drawn::{Common, Sites};
use super::steps::{GROUP, Reserve, Steps};
use super::threefry::{Key, Stream};
use super::variates::{Draws, gamma, poisson};
use crate::evaluate::InstructionSet;
use crate::law::Law;
use crate::lines::Lines;
use crate::score::Total;

/// Walks of a block that goes one by one: it is soon done, so that progress is told often.
const ONE_BY_ONE: usize = 1024;
/// What the first word of a place is where it is not a site.
const WALK: u64 = 1 << 40;
const KIND: u64 = 1 << 41;

/// What all walks of a simulation have in common.
#[derive(Debug)]
pub(super) struct Ground<'a> {
    lines: &'a Lines,
    course: Option<Course>,
    edge: Total,
    key: Key,
    set: InstructionSet,
}

impl<'a> Ground<'a> {
    /// Walks over `lines` of these kinds, all with the same smallest step.
    pub fn new(lines: &'a Lines, kinds: &[(f64, Sites)], seed: u64, set: InstructionSet) -> Self {
        let first = kinds.iter().find_map(|(_, sites)| sites.own.as_ref()).map_or(0, Law::first);
        let alone = kinds.iter().all(|(_, sites)| sites.common.is_none() && sites.redrawn.is_none());
        Self {
            lines,
            course: if alone { Course::of(lines, first) } else { None },
            edge: course::edge(lines, first),
            key: Key::of([seed, 0, 0, 0]),
            set,
        }
    }

    /// Walks of a block.
    pub fn block(&self) -> usize {
        if self.course.is_some() { lockstep::BLOCK } else { ONE_BY_ONE }
    }
}

/// Walks the walks of one mean.
#[derive(Debug)]
pub(super) struct Walker<'a> {
    ground: &'a Ground<'a>,
    place: u64,
    /// Sums of the weights of the kinds of walks.
    weights: Vec<f64>,
    way: Way,
}

#[derive(Debug)]
enum Way {
    Lockstep { steps: Vec<Steps>, totals: Box<Totals> },
    OneByOne { sites: Vec<Alone> },
}

/// How the sites of a walk are drawn one by one.
#[derive(Debug)]
struct Alone {
    own: Option<Draws>,
    common: Option<Common>,
    later: Option<Draws>,
    redrawn: Option<Redrawn>,
}

/// Steps of a real walk, drawn again.
#[derive(Debug)]
struct Redrawn {
    how: Redraw,
    steps: Vec<Total>,
    /// The steps in the order of this walk.
    order: Vec<Total>,
    /// Where the next step of a block is.
    next: usize,
}

impl Redrawn {
    fn new(steps: &[Total], how: Redraw) -> Self {
        Self { how, steps: steps.to_vec(), order: steps.to_vec(), next: 0 }
    }

    /// The step of a site; sites are asked for from 0 on. Nothing is left of the walk before.
    fn step(&mut self, site: u32, stream: &mut Stream) -> Total {
        let many = self.steps.len();
        let site = site as usize;
        match self.how {
            Redraw::WithReplacement => self.steps[stream.below(many)],
            Redraw::WithoutReplacement => {
                if site == 0 {
                    self.order.copy_from_slice(&self.steps);
                }
                // One step of Durstenfeld's shuffle a site.
                let place = site % many;
                self.order.swap(place, place + stream.below(many - place));
                self.order[place]
            }
            Redraw::Blocks(block) => {
                if site.is_multiple_of(block as usize) {
                    self.next = stream.below(many);
                }
                let step = self.steps[self.next];
                self.next = (self.next + 1) % many;
                step
            }
        }
    }
}

impl<'a> Walker<'a> {
    pub fn new(ground: &'a Ground<'a>) -> Self {
        let way = if ground.course.is_some() {
            Way::Lockstep { steps: Vec::new(), totals: Box::new([0; lockstep::BLOCK + GROUP]) }
        } else {
            Way::OneByOne { sites: Vec::new() }
        };
        Self { ground, place: 0, weights: Vec::new(), way }
    }

    /// Goes to a place, such as the bits of a mean, with the kinds of walks there.
    pub fn go_to(&mut self, place: u64, kinds: &[(f64, Sites)]) {
        self.place = place;
        let mut sum = 0.0;
        self.weights.clear();
        self.weights.extend(kinds.iter().map(|(weight, _)| {
            sum += weight;
            sum
        }));
        let laws = kinds.iter().filter_map(|(_, sites)| sites.own.as_ref());
        match (&mut self.way, &self.ground.course) {
            (Way::Lockstep { steps, .. }, Some(course)) => {
                steps.clear();
                steps.extend(laws.map(|law| Steps::of(law, course.edge)));
            }
            (Way::OneByOne { sites: alone }, _) => {
                let draws = |law: &Option<Law>| law.as_ref().map(|law| Draws::of(law, self.ground.edge));
                alone.clear();
                alone.extend(kinds.iter().map(|(_, sites)| Alone {
                    own: draws(&sites.own),
                    common: sites.common,
                    later: draws(&sites.later),
                    redrawn: sites.redrawn.as_ref().map(|(steps, how)| Redrawn::new(steps, *how)),
                }));
            }
            (Way::Lockstep { .. }, None) => {}
        }
    }

    /// Walks the first `many` walks of a block and adds what is called at each check to `counts`.
    pub fn walk(&mut self, block: u64, many: usize, counts: &mut [u64]) {
        let Ground { lines, course, key, set, .. } = self.ground;
        let (weights, mean) = (&self.weights, self.place);
        match (&mut self.way, course) {
            (Way::Lockstep { steps, totals }, Some(course)) => {
                // Walks of a kind go together: which walk of the block is of which kind does not matter.
                let mut of_kind = vec![0; steps.len()];
                let mut stream = Stream::new(*key, [KIND, mean, block]);
                match of_kind.as_mut_slice() {
                    [one] => *one = many,
                    several => (0..many).for_each(|_| several[kind(weights, &mut stream)] += 1),
                }
                for (kind, (steps, many)) in (0..).zip(steps.iter().zip(of_kind)) {
                    let mut reserve = Reserve::new(steps, *key, [mean, kind << 56 | block]);
                    lockstep::walk(*set, course, &mut reserve, totals, many, counts);
                }
            }
            (Way::OneByOne { sites }, _) => {
                for walk in 0..many as u64 {
                    let mut stream = Stream::new(*key, [WALK + walk, mean, block]);
                    let kind = if sites.len() > 1 { kind(weights, &mut stream) } else { 0 };
                    if let Some(stopped) = sites[kind].stop(lines, &mut stream) {
                        counts[stopped] += 1;
                    }
                }
            }
            (Way::Lockstep { .. }, None) => {}
        }
    }
}

/// The kind of a walk.
fn kind(weights: &[f64], stream: &mut Stream) -> usize {
    let at = stream.unit() * weights.last().copied().unwrap_or(0.0);
    weights.partition_point(|&sum| sum <= at).min(weights.len() - 1)
}

impl Alone {
    /// Where a walk stops: the check and the call, as `counts` are numbered.
    fn stop(&mut self, lines: &Lines, stream: &mut Stream) -> Option<usize> {
        let (mut site, mut total, mut common) = (0, 0_i64, 0.0);
        for (check, row) in lines.rows().iter().enumerate() {
            while site < row.at {
                let clustered = self.common.filter(|part| site < part.sites);
                if let Some(part) = clustered {
                    if site % part.run == 0 {
                        common = gamma(part.shape, stream) * part.scale;
                    }
                    total = poisson(common, stream).saturating_add(total);
                }
                let own = if clustered.is_some() || self.later.is_none() { &self.own } else { &self.later };
                if let Some(own) = own {
                    total = own.draw(stream).saturating_add(total);
                }
                if let Some(redrawn) = &mut self.redrawn {
                    total = redrawn.step(site, stream).saturating_add(total);
                }
                site += 1;
            }
            if let Some(stop) = row.stops.iter().find(|stop| stop.holds(total)) {
                return Some(check * CALLS + stop.call.index());
            }
        }
        None
    }
}
