//! Strips of one design: their exact risks, and the narrowest that keep both.

use super::widths::{Side, Widths};
use crate::error::{Code, Error};
use crate::evaluate::{self, InstructionSet, pooled_calls};
use crate::lines::{Call, Lines, Row};
use crate::plan::checks::Closing;
use crate::plan::design::Asked;
use crate::plan::straight::{Straight, at_least, at_most};
use crate::score::Total;
use crate::watch::Watch;

/// Chance, as a share of the asked risk, that a line at the far end of its widths is ever met.
const LN_NEVER: f64 = 30.0;
/// Steps outwards aim a little too far, so that the next lies between.
const OVER: f64 = 1.2;
/// Instruction sets agree on a probability much closer than this.
const CLOSE: f64 = 1e-10;
/// Most changes of the tables of both lines that are listed.
const MOST_CHANGES: f64 = 2e7;

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
    /// Neither line further out than the other strip's.
    fn within(&self, other: &Self) -> bool {
        self.lower <= other.lower && self.upper <= other.upper
    }
}

/// All strips of one design.
pub(super) struct Family<'a> {
    asked: &'a Asked<'a>,
    sites: &'a [u32],
    /// The checks that have lines.
    lined: &'a [u32],
    slope: f64,
    /// Change of the log likelihood ratio per unit of the total: a line moved by h changes its risk by about e^(−h·d).
    per_total: f64,
    lower: Widths,
    upper: Widths,
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
        Ok(Self {
            asked,
            sites,
            lined,
            slope: wald.slope,
            per_total,
            lower: Widths::of(wald.slope, lined, lower, Side::Lower),
            upper: Widths::of(wald.slope, lined, upper, Side::Upper),
            watch,
        })
    }

    pub fn cap(&self) -> u32 {
        self.sites.last().copied().unwrap_or(0)
    }

    pub fn straight(&self, strip: &Strip) -> Straight {
        Straight { slope: self.slope, lower: -self.lower.at(strip.lower), upper: self.upper.at(strip.upper) }
    }

    /// The table of a strip.
    pub fn lines(&self, strip: &Strip, end: End) -> Result<Lines, Error> {
        self.table((strip.lower, strip.upper), end, Call::Inadequate)
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
                _ => match self.totals(lines, n) {
                    (Some(low), high) if low >= high && first == Call::Adequate => {
                        Row::two_calls(n, high.checked_sub(1).filter(|&t| t >= 0), Some(high), undecided)
                    }
                    (low, high) => Row::two_calls(n, low, Some(low.map_or(high, |low| high.max(low + 1))), undecided),
                },
            }
        };
        Lines::new(self.sites.iter().map(row).collect())
    }

    /// The totals on the lines at `n` sites.
    fn totals(&self, (lower, upper): (usize, usize), n: u32) -> (Option<Total>, Total) {
        let line = self.slope * f64::from(n);
        (at_most(line - self.lower.at(lower)), at_least(line + self.upper.at(upper)))
    }

    fn crossed(&self, lines: (usize, usize)) -> bool {
        self.lined.iter().map(|&n| self.totals(lines, n)).any(|(low, high)| low.is_some_and(|low| low >= high))
    }

    /// The strip at these positions with its exact risks.
    pub fn strip(&self, lower: usize, upper: usize, end: End) -> Result<Strip, Error> {
        let crossed = self.crossed((lower, upper));
        let asked = [self.asked.risks.false_adequate().get(), self.asked.risks.false_inadequate().get()];
        let risks = |set| -> Result<[f64; 2], Error> {
            let calls = |first| {
                let lines = self.table((lower, upper), end, first)?;
                for (_, law) in self.asked.laws.iter().flat_map(|laws| &laws.nodes) {
                    self.asked.spend(evaluate::work(&lines, law)?, self.watch)?;
                }
                pooled_calls(&lines, &self.asked.laws, set, self.watch)
            };
            let [low, mut high] = calls(Call::Inadequate)?;
            if crossed {
                [_, high] = calls(Call::Adequate)?;
            }
            let p = |calls: [f64; Call::ALL.len()], call: Call| calls.get(call.index()).copied().unwrap_or(0.0);
            Ok([p(low, Call::Adequate), p(high, Call::Inadequate)])
        };
        let mut found = risks(InstructionSet::best())?;
        // What decides must be the same on every machine.
        if found.iter().zip(asked).any(|(p, asked)| (p - asked).abs() < CLOSE) {
            found = risks(InstructionSet::PORTABLE)?;
        }
        let ([a, b], [asked_a, asked_b]) = (found, asked);
        Ok(Strip { lower, upper, risks: [a / asked_a, b / asked_b], crossed })
    }

    /// The same strip with one line widened just enough that its own risk is kept; `None` where even
    /// the widest does not do. The risk falls as the line widens, nearly like e^(−h·d): the search steps
    /// outwards by that, then between a strip too narrow and one wide enough by the secant of the log risk,
    /// further past it each time the same side is hit.
    pub fn widen(&self, from: Strip, side: Side, end: End) -> Result<Option<Strip>, Error> {
        let widths = if side == Side::Lower { &self.lower } else { &self.upper };
        let (mut narrow, mut wide) = (from, None::<Strip>);
        let (mut step, mut past) = (1, 0_isize);
        loop {
            let (low, high) = (narrow.position(side), wide.map_or(widths.last() + 1, |s| s.position(side)));
            if high - low <= 1 {
                return Ok(wide);
            }
            let (h, log_risk) = (widths.at(low), libm::log(narrow.risk(side)));
            let next = if let Some(wide) = wide {
                let slope = (log_risk - libm::log(wide.risk(side).max(f64::MIN_POSITIVE))) / (widths.at(high) - h);
                let aim = widths.beyond(h + log_risk / slope);
                aim.saturating_add_signed(past).clamp(low + 1, high - 1)
            } else {
                step *= 2;
                widths.beyond(h + OVER * log_risk / self.per_total).max(low + step / 2).min(widths.last())
            };
            let tried = match side {
                Side::Lower => self.strip(next, from.upper, end)?,
                Side::Upper => self.strip(from.lower, next, end)?,
            };
            if tried.risk(side) <= 1.0 {
                past = if wide.is_some() && past <= 0 { 2 * past - 1 } else { 0 };
                wide = Some(tried);
            } else {
                past = if wide.is_some() && past >= 0 { 2 * past + 1 } else { 0 };
                narrow = tried;
            }
        }
    }

    /// The least strip from `from` outwards whose risks are kept, though its lines may cross.
    pub fn least(&self, from: Strip, end: End) -> Result<Option<Strip>, Error> {
        let mut strip = from;
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
    pub fn narrowest(&self, from: Strip, end: End) -> Result<Vec<Strip>, Error> {
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
                let start = self.strip(lower, apart, end)?;
                if !found.iter().any(|s| s.within(&start)) {
                    found.extend(self.least(start, end)?);
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
