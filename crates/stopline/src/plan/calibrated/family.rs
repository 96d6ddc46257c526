//! Strips of one design: their exact risks, and the narrowest that keep both.

use super::widths::{Side, Widths};
use super::{LN_NEVER, MOST_CHANGES};
use crate::error::{Code, Error};
use crate::evaluate::{Closing as AtCap, InstructionSet, Pair, Strips, pooled_calls};
use crate::law::{Laws, Pool};
use crate::lines::{Call, Lines, Row};
use crate::plan::checks::Closing;
use crate::plan::design::Asked;
use crate::plan::straight::{at_least, at_most};
use crate::score::Total;
use crate::watch::Watch;
use std::collections::HashMap;

/// Times in a row that a secant may hit the same side of what is sought.
const AGAIN: i32 = 3;
/// Ways to compute a probability agree much closer than this.
const CLOSE: f64 = 1e-10;
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

/// A strip by the position of its lines among the widths, with both its risks over the asked ones.
#[derive(Clone, Copy)]
pub(super) struct Strip {
    pub lower: usize,
    pub upper: usize,
    /// false_adequate and false_inadequate, each over what is asked; kept where ≤ 1.
    pub risks: [f64; 2],
    /// Some total is on both lines: no plan. Each risk is then the one of giving such totals to the other call.
    pub crossed: bool,
}

impl Strip {
    fn feasible(&self) -> bool {
        self.risks.iter().all(|&r| r <= 1.0)
    }
    /// The risk that widening `side` makes smaller.
    pub fn risk(&self, side: Side) -> f64 {
        let [false_adequate, false_inadequate] = self.risks;
        if side == Side::Lower { false_inadequate } else { false_adequate }
    }
    fn position(&self, side: Side) -> usize {
        if side == Side::Lower { self.lower } else { self.upper }
    }
    pub fn lines(&self) -> (usize, usize) {
        (self.lower, self.upper)
    }
    /// The lines, with one of them moved.
    fn moved(&self, side: Side, position: usize) -> (usize, usize) {
        if side == Side::Lower { (position, self.upper) } else { (self.lower, position) }
    }
    /// Neither line further out than the other strip's.
    fn within(&self, other: &Self) -> bool {
        self.lower <= other.lower && self.upper <= other.upper
    }
}

/// How walks between the lines of a strip come to the cap, under each law at the inadequate and then at the
/// adequate mean.
struct Walks {
    crossed: bool,
    /// Where a total on both lines gets the call inadequate and, if there are such totals, adequate.
    closings: Vec<Option<AtCap>>,
    adequate_first: Option<Vec<Option<AtCap>>>,
}

/// All strips of one design.
pub(super) struct Family<'a> {
    asked: &'a Asked<'a>,
    sites: &'a [u32],
    /// The checks that have lines, and the middle line there.
    lined: &'a [u32],
    middles: Vec<f64>,
    slope: f64,
    /// Change of the log likelihood ratio per unit of the total: a line moved by h changes its risk by about e^(−h·d).
    per_total: f64,
    lower: Widths,
    upper: Widths,
    strips: Strips,
    known: HashMap<(usize, usize), Walks>,
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
            per_total,
            lower: Widths::of(wald.slope, lined, lower, -wald.lower, Side::Lower),
            upper: Widths::of(wald.slope, lined, upper, wald.upper, Side::Upper),
            strips: Strips::new(laws, Some(wald.slope)),
            known: HashMap::new(),
            watch,
        })
    }

    pub fn cap(&self) -> u32 {
        self.sites.last().copied().unwrap_or(0)
    }

    /// The table of a strip.
    pub fn lines(&self, strip: &Strip, end: End) -> Result<Lines, Error> {
        self.table(strip.lines(), end, Call::Inadequate)
    }

    /// The table with lines at these positions; a total on both lines gets the call `first`.
    fn table(&self, lines: (usize, usize), end: End, first: Call) -> Result<Lines, Error> {
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
                    Row::two_calls(n, low, Some(high), undecided)
                }
            }
        };
        Lines::new(self.sites.iter().map(row).collect())
    }

    /// The totals on the lines at `n` sites.
    fn totals(&self, lines: (usize, usize), n: u32) -> Pair {
        self.on_lines(lines, self.slope * f64::from(n))
    }

    fn on_lines(&self, (lower, upper): (usize, usize), middle: f64) -> Pair {
        (at_most(middle - self.lower.at(lower)), at_least(middle + self.upper.at(upper)))
    }

    /// The lines at each check that has some.
    fn pairs(&self, lines: (usize, usize)) -> Vec<(u32, Pair)> {
        self.lined.iter().zip(&self.middles).map(|(&n, &middle)| (n, self.on_lines(lines, middle))).collect()
    }

    fn crossed(&self, lines: (usize, usize)) -> bool {
        self.middles.iter().any(|&middle| crossing(&self.on_lines(lines, middle)))
    }

    /// How walks between these lines come to the cap, with the totals there below `limit` looked at.
    fn walks(&mut self, lines: (usize, usize), limit: Total) -> Result<&Walks, Error> {
        let enough = |walks: &Walks| walks.closings.iter().flatten().all(|closing| closing.limit >= limit);
        if !self.known.get(&lines).is_some_and(enough) {
            let pairs = self.pairs(lines);
            let crossed = pairs.iter().any(|(_, pair)| crossing(pair));
            let cap = (self.lined.len() < self.sites.len()).then(|| {
                let (_, on_line) = self.totals(lines, self.cap());
                (self.cap(), limit.max(on_line) + MORE_CUTS)
            });
            let (asked, watch) = (self.asked, self.watch);
            let mut closings = |first: Call| {
                let apart = pairs.iter().map(|&(n, pair)| (n, apart(pair, first)));
                self.strips.closings(apart, cap, watch, |work| asked.spend(work, watch))
            };
            let walks = Walks {
                crossed,
                closings: closings(Call::Inadequate)?,
                adequate_first: crossed.then(|| closings(Call::Adequate)).transpose()?,
            };
            self.known.insert(lines, walks);
        }
        self.known.get(&lines).ok_or_else(|| Error::about(Code::Combination, "a strip", "one that is known"))
    }

    /// Both risks of the strip at these positions, and whether its lines cross; no risks where some law is too
    /// far from the middle line for a shared recursion.
    fn risks(&mut self, lines: (usize, usize), end: End) -> Result<(Option<[f64; 2]>, bool), Error> {
        // Totals at the cap up to which inadequate is called, and up to which adequate is not; all if none is given.
        let (inadequate_to, others_to) = match end {
            End::Cut(cut) => (Some(cut), Some(cut)),
            End::Lines => (None, None),
            End::Only { inadequate_at_most, adequate_at_least } => {
                (inadequate_at_most, adequate_at_least.map(|t| t - 1))
            }
        };
        let limit = inadequate_to.max(others_to).map_or(0, |total| total + 1);
        let [low, high] = &self.asked.laws;
        let walks = self.walks(lines, limit)?;
        let inadequate = |c: &AtCap| c.inadequate + inadequate_to.map_or(0.0, |total| c.at_most(total));
        let adequate = |c: &AtCap| (1.0 - c.inadequate - others_to.map_or(c.open, |total| c.at_most(total))).max(0.0);
        let at_high = walks.adequate_first.as_ref().unwrap_or(&walks.closings);
        let at_high = at_high.get(low.nodes.len()..).unwrap_or_default();
        let risks = pooled(low, &walks.closings, adequate).zip(pooled(high, at_high, inadequate));
        Ok((risks.map(|(a, b)| [a, b]), walks.crossed))
    }

    /// The strip at these positions with its exact risks.
    pub fn strip(&mut self, (lower, upper): (usize, usize), end: End) -> Result<Strip, Error> {
        let asked = [self.asked.risks.false_adequate().get(), self.asked.risks.false_inadequate().get()];
        let (found, crossed) = self.risks((lower, upper), end)?;
        let clear = |found: &[f64; 2]| found.iter().zip(asked).all(|(p, asked)| (p - asked).abs() >= CLOSE);
        let [a, b] = match found.filter(clear) {
            Some(found) => found,
            // What decides is computed as a plan's attained risks are.
            None => {
                let calls = |first| {
                    let lines = self.table((lower, upper), end, first)?;
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
        Ok(Strip { lower, upper, risks: [a / asked_a, b / asked_b], crossed })
    }

    /// Expected sites of a strip under each of these laws.
    pub fn sites(&self, strip: &Strip, under: &mut Strips) -> Result<Vec<f64>, Error> {
        let pairs = self.pairs(strip.lines());
        let apart = pairs.iter().map(|&(n, pair)| (n, apart(pair, Call::Inadequate)));
        under.sites(apart, self.cap(), self.watch, |work| self.asked.spend(work, self.watch))
    }

    fn widths(&mut self, side: Side) -> &mut Widths {
        if side == Side::Lower { &mut self.lower } else { &mut self.upper }
    }

    /// The same strip with one line widened just enough that its own risk is kept; `None` where even
    /// the widest does not do. The risk falls as the line widens, nearly like e^(−h·d): by that the search goes from
    /// the strip whose risk is nearest to what is asked, first outwards, through what was looked at before; then by the
    /// secant of the log risk between a strip too narrow and one wide enough, and halfway where the same side is hit
    /// again and again.
    pub fn widen(&mut self, from: Strip, side: Side, end: End) -> Result<Option<Strip>, Error> {
        let (mut narrow, mut wide) = (from, None::<Strip>);
        let mut before: Vec<usize> = self
            .known
            .keys()
            .copied()
            .filter_map(|(lower, upper)| {
                let (position, other) = if side == Side::Lower { (lower, upper) } else { (upper, lower) };
                let same = other == if side == Side::Lower { from.upper } else { from.lower };
                (same && position > from.position(side)).then_some(position)
            })
            .collect();
        before.sort_unstable();
        let mut before = before.into_iter();
        let (mut step, mut again) = (1, 0_i32);
        loop {
            let (low, excess) = (narrow.position(side), libm::log(narrow.risk(side)));
            let per_total = self.per_total;
            let widths = self.widths(side);
            let h = widths.at(low);
            let next = if let Some(wide) = &wide {
                let high = wide.position(side);
                if high - low <= 1 {
                    return Ok(Some(*wide));
                }
                let (h_wide, spare) = (widths.at(high), -libm::log(wide.risk(side).max(f64::MIN_POSITIVE)));
                let slope = (excess + spare) / (h_wide - h);
                let aim = if excess < spare { h + excess / slope } else { h_wide - spare / slope };
                let next = if again.abs() < AGAIN { widths.beyond(aim) } else { low.midpoint(high) };
                next.clamp(low + 1, high - 1)
            } else if let Some(known) = before.next() {
                known
            } else {
                let next = widths.beyond(h + excess / per_total).max(low + step);
                step *= 2;
                let next = widths.reach(next);
                if next == low {
                    return Ok(None);
                }
                next
            };
            let tried = self.strip(from.moved(side, next), end)?;
            if tried.risk(side) <= 1.0 {
                again = if again < 0 { again - 1 } else { -1 };
                wide = Some(tried);
            } else {
                again = if again > 0 { again + 1 } else { 1 };
                narrow = tried;
            }
        }
    }

    /// The least strip from `from` outwards whose risks are kept, though its lines may cross.
    pub fn least(&mut self, from: (usize, usize), end: End) -> Result<Option<Strip>, Error> {
        let mut strip = self.strip(from, end)?;
        while !strip.feasible() {
            let side = if strip.risks[0] > 1.0 { Side::Upper } else { Side::Lower };
            match self.widen(strip, side, end)? {
                Some(wider) => strip = wider,
                None => return Ok(None),
            }
        }
        Ok(Some(strip))
    }

    /// The strips from `from` outwards that keep both risks and of which neither line can be narrowed:
    /// one, unless the least one crosses. Then each way to draw its lines apart leads to one.
    pub fn narrowest(&mut self, from: (usize, usize), end: End) -> Result<Vec<Strip>, Error> {
        let Some(least) = self.least(from, end)? else { return Ok(Vec::new()) };
        if !least.crossed {
            return Ok(vec![least]);
        }
        let mut found: Vec<Strip> = Vec::new();
        let mut before = self.upper.last() + 1;
        for lower in least.lower..=self.lower.last() {
            // The narrowest upper line that does not cross this lower one.
            let (mut crossed, mut apart) = (least.upper, before);
            if !self.crossed((lower, least.upper)) {
                apart = least.upper;
            } else {
                while apart - crossed > 1 {
                    let middle = crossed + (apart - crossed) / 2;
                    *(if self.crossed((lower, middle)) { &mut crossed } else { &mut apart }) = middle;
                }
            }
            if apart < before {
                before = apart;
                let start = self.strip((lower, apart), end)?;
                if !found.iter().any(|s| s.within(&start)) {
                    found.extend(self.least(start.lines(), end)?);
                }
            }
            if apart == least.upper {
                break;
            }
        }
        let minimal = |s: &Strip| !found.iter().any(|other| other.within(s) && !s.within(other));
        Ok(found.iter().copied().filter(minimal).collect())
    }
}

fn crossing((low, high): &Pair) -> bool {
    low.is_some_and(|low| low >= *high)
}

/// Lines apart: a total on both gets the call `first`.
fn apart((low, high): Pair, first: Call) -> Pair {
    match low {
        Some(low) if low >= high && first == Call::Adequate => ((high > 0).then(|| high - 1), high),
        Some(low) => (Some(low), high.max(low + 1)),
        None => (None, high),
    }
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
mod tests {
    use super::*;
    use crate::dispersion::Dispersion;
    use crate::params::{K, Mean, Plants, Risk, Risks, Thresholds};
    use crate::plan::{Aim, Checks, Closing, Design};
    use crate::score::Score;
    use crate::watch::Quiet;

    fn design(dispersion: Dispersion, [low, high]: [f64; 2], checks: Checks, closing: Closing) -> Design {
        let mean = |m| Mean::new(m).unwrap();
        let risk = Risk::new(0.2).unwrap();
        let aim = Aim::TwoCalls {
            thresholds: Some(Thresholds::new(mean(low), mean(high)).unwrap()),
            risks: Some(Risks::new(risk, risk).unwrap()),
        };
        Design { score: Score::Count, plants: Plants::ONE, dispersion, aim, checks, closing }
    }

    /// Risks from how walks come to the cap, against those of the whole table, for strips that cross too.
    #[test]
    fn risks_are_those_of_the_table() {
        let k = K::new(1.2).unwrap();
        let models = [
            Dispersion::Poisson,
            Dispersion::ConstantK { k },
            Dispersion::k_spread(k, 0.4).unwrap(),
            Dispersion::power_law(1.5, 1.3).unwrap(),
        ];
        let (mut crossed, mut compared) = (0, 0);
        for model in models {
            for (thresholds, checks) in [
                ([0.18, 0.91], Checks::every(1, 5, 1).unwrap()),
                ([1.0, 2.0], Checks::every(1, 12, 1).unwrap()),
                ([4.0, 9.0], Checks::every(3, 14, 4).unwrap()),
            ] {
                for closing in [Closing::Call, Closing::Undecided] {
                    let design = design(model, thresholds, checks.clone(), closing);
                    let (asked, sites) = (design.asked().unwrap(), checks.sites());
                    let mut family = Family::new(&asked, &sites, &Quiet).unwrap();
                    let only = |low, high| End::Only { inadequate_at_most: low, adequate_at_least: high };
                    let ends = match closing {
                        Closing::Undecided => vec![End::Lines],
                        Closing::Call => {
                            vec![End::Cut(9), only(None, None), only(Some(40), None), only(None, Some(7)), End::Cut(3)]
                        }
                    };
                    for lower in (0..family.lower.last()).step_by(11) {
                        for upper in (0..family.upper.last()).step_by(29) {
                            for &end in &ends {
                                let (Some([a, b]), crosses) = family.risks((lower, upper), end).unwrap() else {
                                    continue;
                                };
                                crossed += usize::from(crosses);
                                compared += 1;
                                let slow = |first| {
                                    let lines = family.table((lower, upper), end, first).unwrap();
                                    pooled_calls(&lines, &asked.laws, InstructionSet::PORTABLE, &Quiet).unwrap()
                                };
                                let slow_a = slow(Call::Inadequate)[0][Call::Adequate.index()];
                                let slow_b = slow(Call::Adequate)[1][Call::Inadequate.index()];
                                assert!((a - slow_a).abs() < 1e-13, "{design:?} {lower} {upper} {a} {slow_a}");
                                assert!((b - slow_b).abs() < 1e-13, "{design:?} {lower} {upper} {b} {slow_b}");
                            }
                        }
                    }
                }
            }
        }
        assert!(crossed > 0 && compared > 1000, "{compared} compared, {crossed} crossed");
    }
}
