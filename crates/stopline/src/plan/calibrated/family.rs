//! Strips of one design: their exact risks, and the narrowest that keep both.

use super::forecast::Forecast;
use super::widths::{Side, Widths};
use super::{LN_NEVER, MOST_CHANGES};
use crate::error::{Code, Error};
use crate::evaluate::{Closing as AtCap, Closings, Evaluator, InstructionSet, LargestSites, Pair, PlainWork, Strips};
use crate::evaluate::{largest_sites_between, pooled_calls};
use crate::law::{Laws, Pool};
use crate::lines::{Call, Lines, Row};
use crate::plan::checks::Closing;
use crate::plan::design::{Asked, Design};
use crate::plan::straight::{at_least, whole_below};
use crate::score::Total;
use crate::watch::Watch;
use std::collections::HashMap;
use std::ops::Range;

/// Ways to compute a probability agree much closer than this.
const CLOSE: f64 = 1e-10;
/// Looks at strips that a search mostly does with.
const LOOKS: usize = 56;
/// Totals at the cap looked at beyond those asked for, so that cuts near by need no other pass.
const MORE_CUTS: Total = 16;

/// What happens at the cap.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum End {
    /// Inadequate up to a total, adequate above.
    Cut(Total),
    /// Undecided between the lines.
    Lines,
    /// Only the calls of totals up to, or only those above; with neither, none. A lower bound of both risks
    /// under any cut, under those at or above the first, and under those at or below the second.
    Only { inadequate_at_most: Option<Total>, adequate_at_least: Option<Total> },
}

impl End {
    /// Totals at the cap up to which inadequate is called, and up to which adequate is not; all if none is given.
    fn at_cap(self) -> (Option<Total>, Option<Total>) {
        match self {
            End::Cut(cut) => (Some(cut), Some(cut)),
            End::Lines => (None, None),
            End::Only { inadequate_at_most, adequate_at_least } => {
                (inadequate_at_most, adequate_at_least.map(|total| total - 1))
            }
        }
    }

    /// Is the call of the line on this side given at the cap too?
    fn calls(self, side: Side) -> bool {
        let (inadequate_to, others_to) = self.at_cap();
        if side == Side::Lower { inadequate_to.is_some() } else { others_to.is_some() }
    }
}

/// Where two lines run: their positions among the widths.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub(super) struct Places {
    pub lower: usize,
    pub upper: usize,
}

impl Places {
    /// The narrowest lines of all.
    pub const INNERMOST: Self = Self { lower: 0, upper: 0 };

    pub fn of(self, side: Side) -> usize {
        if side == Side::Lower { self.lower } else { self.upper }
    }
    /// The lines, with one of them moved.
    pub fn with(self, side: Side, place: usize) -> Self {
        if side == Side::Lower { Self { lower: place, ..self } } else { Self { upper: place, ..self } }
    }
    /// Neither line further out than the other strip's.
    pub fn within(self, other: Self) -> bool {
        self.lower <= other.lower && self.upper <= other.upper
    }
}

/// A strip with both its risks over the asked ones.
#[derive(Clone, Copy)]
pub(super) struct Strip {
    pub places: Places,
    /// false_adequate and false_inadequate, each over what is asked; kept where ≤ 1.
    pub risks: [f64; 2],
    /// Some total is on both lines: no plan. Each risk is then the one of giving such totals to the other call.
    pub crossed: bool,
}

impl Strip {
    pub fn feasible(&self) -> bool {
        self.risks.iter().all(|&r| r <= 1.0)
    }
    /// The risk that widening `side` makes smaller.
    pub fn risk(&self, side: Side) -> f64 {
        let [false_adequate, false_inadequate] = self.risks;
        if side == Side::Lower { false_inadequate } else { false_adequate }
    }
    /// Its logarithm.
    pub fn excess(&self, side: Side) -> f64 {
        libm::log(self.risk(side).max(f64::MIN_POSITIVE))
    }
}

/// Where it is written down how walks between the lines of a strip come to the cap, under each law at the inadequate and
/// then at the adequate mean.
#[derive(Clone)]
struct Walks {
    /// Where a total on both lines gets the call inadequate and, if there are such totals, adequate.
    closings: Range<usize>,
    adequate_first: Option<Range<usize>>,
}

/// All strips of one design.
pub(super) struct Family<'a> {
    pub asked: &'a Asked<'a>,
    sites: &'a [u32],
    /// The checks that have lines, and the middle line there.
    lined: &'a [u32],
    middles: Vec<f64>,
    slope: f64,
    lower: Widths,
    upper: Widths,
    strips: Strips,
    /// For curves of expected sites.
    evaluators: Vec<Evaluator>,
    known: HashMap<Places, Walks>,
    closings: Closings,
    /// The strip looked at last.
    pub last: Places,
    pub forecast: Forecast,
    pub watch: &'a dyn Watch,
}

impl<'a> Family<'a> {
    pub fn new(asked: &'a Asked<'a>, sites: &'a [u32], watch: &'a dyn Watch) -> Result<Self, Error> {
        let wald = asked.wald()?;
        let [a, b] = [asked.risks.false_adequate().get(), asked.risks.false_inadequate().get()];
        let per_total = (libm::log1p(-b) - libm::log(a)) / wald.upper;
        let lined = match asked.design.closing {
            Closing::Call => sites.split_last().map_or(sites, |(_, before)| before),
            Closing::Undecided => sites,
        };
        // Ville's inequality: a line at distance h is ever met with chance at most e^(−h·d).
        let widest = |risk: f64| (LN_NEVER - libm::log(risk)) / per_total;
        let listed = |range: [(f64, f64); 2]| {
            let changes = range.iter().map(|(after, last)| last - after).sum::<f64>() * lined.len() as f64;
            if changes <= MOST_CHANGES {
                return Ok(());
            }
            let allowed = format!("at most {MOST_CHANGES:.0e}: fewer checks, lower means, or thresholds further apart");
            Err(Error::new(Code::TooMuchWork, "different calibrated lines", format!("about {changes:.0e}"), allowed))
        };
        listed([(0.0, widest(b)), (0.0, widest(a))])?;
        // What is called at the first check already must keep the risks.
        let first = lined.first().copied().unwrap_or(1);
        let middle = wald.slope * f64::from(first);
        let [lowest_upper, highest_lower] = asked.bounds_of_lines(first, watch)?;
        let range = |after: f64, risk| (after, widest(risk).max(after + 1.0));
        let lower = range(middle - (highest_lower + 1) as f64, b);
        let upper = range((lowest_upper - 1) as f64 - middle, a);
        listed([lower, upper])?;
        let laws = asked.laws.iter().flat_map(|laws| &laws.nodes).map(|(_, law)| law);
        Ok(Self {
            asked,
            sites,
            lined,
            middles: lined.iter().map(|&n| wald.slope * f64::from(n)).collect(),
            slope: wald.slope,
            lower: Widths::of(wald.slope, lined, lower, -wald.lower, Side::Lower),
            upper: Widths::of(wald.slope, lined, upper, wald.upper, Side::Upper),
            strips: Strips::new(laws, Some(wald.slope)),
            evaluators: Vec::new(),
            known: HashMap::with_capacity(LOOKS),
            closings: Closings::with_room_for(LOOKS, asked.laws.iter().map(|laws| laws.nodes.len()).sum()),
            last: Places::INNERMOST,
            forecast: Forecast::new(per_total, lined.len()),
            watch,
        })
    }

    pub fn cap(&self) -> u32 {
        self.sites.last().copied().unwrap_or(0)
    }

    /// The table of a strip.
    pub fn lines(&self, strip: &Strip, end: End) -> Result<Lines, Error> {
        self.table(strip.places, end, Call::Inadequate)
    }

    /// The table with lines at these positions; a total on both lines gets the call `first`.
    fn table(&self, lines: Places, end: End, first: Call) -> Result<Lines, Error> {
        let cap = self.cap();
        let row = |&n: &u32| {
            let undecided = (n == cap).then_some(Call::Undecided);
            match end {
                End::Cut(cut) if n == cap => Row::two_calls(n, Some(cut), Some(cut + 1), None),
                End::Only { inadequate_at_most, adequate_at_least } if n == cap => {
                    Row::two_calls(n, inadequate_at_most, adequate_at_least, undecided)
                }
                _ => {
                    let (low, high) = apart(self.totals(lines, n), first);
                    Row::two_calls(n, (low >= 0).then_some(low), Some(high), undecided)
                }
            }
        };
        Lines::new(self.sites.iter().map(row).collect())
    }

    /// The totals on the lines at `n` sites.
    fn totals(&self, lines: Places, n: u32) -> Pair {
        let mut pair = (0, 0);
        self.on_lines(lines, &[self.slope * f64::from(n)], core::slice::from_mut(&mut pair));
        pair
    }

    fn on_lines(&self, lines: Places, middles: &[f64], pairs: &mut [Pair]) {
        let (below, above) = (self.lower.at(lines.lower), self.upper.at(lines.upper));
        InstructionSet::best().plainly(OnLines { middles, below, above, pairs });
    }

    /// The lines at each check that has some.
    fn pairs(&self, lines: Places) -> Vec<Pair> {
        let mut pairs = vec![(0, 0); self.middles.len()];
        self.on_lines(lines, &self.middles, &mut pairs);
        pairs
    }

    pub fn crossed(&self, lines: Places) -> bool {
        self.pairs(lines).iter().any(crossing)
    }

    /// How walks between these lines come to the cap, with the totals there below `limit` looked at.
    fn walks(&mut self, lines: Places, limit: Total) -> Result<Walks, Error> {
        let looked_at = |closing: &AtCap| closing.limit >= limit;
        let known = self.known.get(&lines).filter(|w| self.closings.of(&w.closings).iter().flatten().all(looked_at));
        if let Some(walks) = known {
            return Ok(walks.clone());
        }
        let pairs = self.pairs(lines);
        let cap = (self.lined.len() < self.sites.len()).then(|| {
            let (_, on_line) = self.totals(lines, self.cap());
            (self.cap(), limit.max(on_line) + MORE_CUTS)
        });
        let Self { asked, lined, watch, strips, closings, .. } = self;
        let mut look = |first: Call| {
            let spend = |work| asked.spend(work, *watch);
            strips.closings(checks(lined, &pairs, first), cap, *watch, spend, closings)
        };
        let (inadequate_first, crossed) = (look(Call::Inadequate)?, pairs.iter().any(crossing));
        let adequate_first = if crossed { Some(look(Call::Adequate)?) } else { None };
        let walks = Walks { closings: inadequate_first, adequate_first };
        self.known.insert(lines, walks.clone());
        Ok(walks)
    }

    /// Both risks of the strip at these positions, and whether its lines cross; no risks where some law is too
    /// far from the middle line for a shared recursion.
    fn risks(&mut self, lines: Places, end: End) -> Result<(Option<[f64; 2]>, bool), Error> {
        let (inadequate_to, others_to) = end.at_cap();
        let limit = inadequate_to.max(others_to).map_or(0, |total| total + 1);
        let walks = self.walks(lines, limit)?;
        let ([low, high], all) = (&self.asked.laws, &self.closings);
        let inadequate = |c: &AtCap| c.inadequate + inadequate_to.map_or(0.0, |total| all.at_most(c, total));
        let adequate =
            |c: &AtCap| (1.0 - c.inadequate - others_to.map_or(c.open, |total| all.at_most(c, total))).max(0.0);
        let at_high = all.of(walks.adequate_first.as_ref().unwrap_or(&walks.closings));
        let at_high = at_high.get(low.nodes.len()..).unwrap_or_default();
        let risks = pooled(low, all.of(&walks.closings), adequate).zip(pooled(high, at_high, inadequate));
        Ok((risks.map(|(a, b)| [a, b]), walks.adequate_first.is_some()))
    }

    /// The strip at these positions with its exact risks.
    pub fn strip(&mut self, places: Places, end: End) -> Result<Strip, Error> {
        let asked = [self.asked.risks.false_adequate().get(), self.asked.risks.false_inadequate().get()];
        self.last = places;
        let (found, crossed) = self.risks(places, end)?;
        let clear = |found: &[f64; 2]| found.iter().zip(asked).all(|(p, asked)| (p - asked).abs() >= CLOSE);
        let [a, b] = match found.filter(clear) {
            Some(found) => found,
            // What decides is computed as a plan's attained risks are.
            None => {
                let calls = |first| {
                    let lines = self.table(places, end, first)?;
                    pooled_calls(&lines, &self.asked.laws, InstructionSet::best(), self.watch)
                };
                let p = |calls: [f64; Call::ALL.len()], call: Call| calls.get(call.index()).copied().unwrap_or(0.0);
                let [low, mut high] = calls(Call::Inadequate)?;
                if crossed {
                    [_, high] = calls(Call::Adequate)?;
                }
                [p(low, Call::Adequate), p(high, Call::Inadequate)]
            }
        };
        let [asked_a, asked_b] = asked;
        Ok(Strip { places, risks: [a / asked_a, b / asked_b], crossed })
    }

    /// Expected sites of a strip under each of these laws.
    pub fn sites(&self, lines: Places, under: &mut Strips) -> Result<Vec<f64>, Error> {
        let pairs = self.pairs(lines);
        let apart = checks(self.lined, &pairs, Call::Inadequate);
        under.sites(apart, self.cap(), self.watch, |work| self.asked.spend(work, self.watch))
    }

    /// The mean that takes a strip most sites, and how many, which is near one known of another strip.
    pub fn largest_sites(&mut self, lines: Places, near: Option<f64>) -> Result<LargestSites, Error> {
        let (cap, pairs) = (self.cap(), self.pairs(lines));
        // With lines at the cap too there is nothing to come after them.
        let lined = checks(self.lined, &pairs, Call::Inadequate).filter(|&(at, _)| at < cap);
        let Design { score, dispersion, .. } = self.asked.design;
        largest_sites_between(lined, cap, self.slope, near, (score, dispersion), &mut self.evaluators)
    }

    pub fn widths(&mut self, side: Side) -> &mut Widths {
        if side == Side::Lower { &mut self.lower } else { &mut self.upper }
    }

    /// Makes the forecast fit lines near these.
    pub fn weigh(&mut self, lines: Places) -> Result<(), Error> {
        let width = |places: Places, side| {
            if side == Side::Lower { self.lower.at(places.lower) } else { self.upper.at(places.upper) }
        };
        let widths = Side::BOTH.map(|side| width(lines, side));
        if self.forecast.fits(widths) {
            return Ok(());
        }
        let pairs = self.pairs(lines);
        let apart = checks(self.lined, &pairs, Call::Inadequate);
        let (asked, watch) = (self.asked, self.watch);
        let [low, _] = &asked.laws;
        let edges = self.strips.edges(apart, [low.nodes.len(), 0], watch, |work| asked.spend(work, watch))?;
        self.forecast.fit(widths, edges);
        Ok(())
    }

    /// Where the line on this side about keeps its risk with the other one at a place, going by a strip looked at.
    pub fn ends(&mut self, seen: &Strip, side: Side, end: End, other_at: usize) -> usize {
        let other = side.other();
        let moved = self.fall(other, end, seen.places.of(other), other_at);
        let Self { lower, upper, forecast, .. } = self;
        let excess = seen.excess(side) + forecast.other * moved;
        let widths = if side == Side::Lower { lower } else { upper };
        let (weights, rate) = forecast.of(side, end.calls(side));
        widths.where_changes_come_to(seen.places.of(side), excess / *rate, weights)
    }

    /// By how much the log risk of the line on this side is forecast to fall from one place to another; to rise, where
    /// that is further in.
    fn fall(&mut self, side: Side, end: End, from: usize, to: usize) -> f64 {
        let widths = if side == Side::Lower { &self.lower } else { &self.upper };
        let (weights, rate) = self.forecast.of(side, end.calls(side));
        let between = *rate * widths.weight_between(from.min(to), from.max(to), weights);
        if from < to { between } else { -between }
    }

    /// Learns from two strips, the line on this side moved.
    pub fn learn(&mut self, side: Side, end: End, [a, b]: [&Strip; 2]) {
        let (inner, outer) = if a.places.of(side) < b.places.of(side) { (a, b) } else { (b, a) };
        let widths = if side == Side::Lower { &self.lower } else { &self.upper };
        let (weights, _) = self.forecast.of(side, end.calls(side));
        let expected = widths.weight_between(inner.places.of(side), outer.places.of(side), weights);
        let [fall, rise] = [side, side.other()].map(|side| inner.excess(side) - outer.excess(side));
        self.forecast.learn(side, end.calls(side), expected, [fall, -rise]);
    }
}

/// Rounds lines at these distances from their middle to whole totals.
struct OnLines<'a> {
    middles: &'a [f64],
    below: f64,
    above: f64,
    pairs: &'a mut [Pair],
}

impl PlainWork for OnLines<'_> {
    type Result = ();

    #[inline(always)]
    fn run(self) {
        for (pair, &middle) in self.pairs.iter_mut().zip(self.middles) {
            *pair = (whole_below(middle - self.below), at_least(middle + self.above));
        }
    }
}

/// Each check with its lines apart.
fn checks<'a>(lined: &'a [u32], pairs: &'a [Pair], first: Call) -> impl Iterator<Item = (u32, Pair)> + Clone + use<'a> {
    lined.iter().copied().zip(pairs.iter().map(move |&pair| apart(pair, first)))
}

fn crossing((low, high): &Pair) -> bool {
    low >= high
}

/// Lines apart: a total on both gets the call `first`.
fn apart((low, high): Pair, first: Call) -> Pair {
    if first == Call::Adequate { (low.min(high - 1), high) } else { (low, high.max(low + 1)) }
}

/// A probability pooled over laws, if it is known under all.
fn pooled(laws: &Laws, closings: &[Option<AtCap>], p: impl Fn(&AtCap) -> f64) -> Option<f64> {
    laws.nodes.iter().zip(closings).try_fold(0.0_f64, |sum, ((weight, _), closing)| {
        let p = p(closing.as_ref()?);
        Some(match laws.pool {
            Pool::Average => sum + weight * p,
            Pool::Worst => sum.max(p),
        })
    })
}

#[cfg(test)]
mod tests;
