//! The least strip that keeps both risks, from inside outwards, and the narrowest ones where that crosses.

use super::family::{End, Family, Places, Strip};
use super::widths::Side;
use crate::error::Error;

/// Looks at one line, the other where it was, after which the search goes by halves and doubled steps.
const TRIES: u32 = 3;
/// A line that moved by less than one in so many of the other's changes counts as one that stayed.
const LITTLE: usize = 32;
/// ln of what a risk may be over the asked one, or below it, for its line to be near where it will end.
const NEAR: f64 = 0.5;

/// What is known of one line.
#[derive(Clone, Copy)]
struct Line {
    side: Side,
    /// In every strip sought it is at least as far out as this.
    inside: usize,
    /// This far out its risk is kept while the other line stays where it is.
    enough: usize,
    /// Looks while the other line stayed where it is.
    tries: u32,
}

impl Line {
    fn at(side: Side, from: Places) -> Self {
        Self { side, inside: from.of(side), enough: usize::MAX, tries: 0 }
    }
    /// The other line has moved.
    fn forget(&mut self) {
        (self.enough, self.tries) = (usize::MAX, 0);
    }
}

/// Nothing is enough.
pub(super) fn never(_: &mut Family<'_>, _: Places) -> Result<bool, Error> {
    Ok(false)
}

/// Is it enough to know that a strip lies within the one sought?
pub(super) type Enough<'a> = &'a mut dyn FnMut(&mut Family<'_>, Places) -> Result<bool, Error>;

impl Family<'_> {
    /// The least strip from `from` outwards whose risks are kept, though its lines may cross; `None` where there
    /// is none, or where `enough` is true of a strip inside it.
    pub fn least(&mut self, from: Places, end: End, enough: Enough<'_>) -> Result<Option<Strip>, Error> {
        Ok(self.outwards(from, end, 0.0, enough)?.map(|(_, strip)| strip))
    }

    /// The same, but that it ends already with a strip inside the least one where the risks are as `close`, in their
    /// logarithms, to the asked ones; and the strip looked at last.
    ///
    /// A line moves outwards only past places that were found too narrow for its risk, the other line no further
    /// out than in any strip sought. Where that ends is forecast from the strip looked at last, so that mostly a
    /// single place is looked at that is too narrow, the one before the place to take.
    pub fn outwards(
        &mut self,
        from: Places,
        end: End,
        close: f64,
        enough: Enough<'_>,
    ) -> Result<Option<(Places, Strip)>, Error> {
        let [mut lower, mut upper] = Side::BOTH.map(|side| Line::at(side, from));
        // Between the lines looked at last it is known how walks come to the cap.
        let mut seen = self.strip(self.last, end)?;
        loop {
            let inside = Places { lower: lower.inside, upper: upper.inside };
            if is_near(&seen) {
                self.weigh(seen.places)?;
            }
            let (line, other, ahead) =
                match [(lower, upper), (upper, lower)].map(|(line, other)| self.ahead(&line, &other, &seen, end)) {
                    [0, 0] if seen.places == inside => return Ok(seen.feasible().then_some((inside, seen))),
                    [0, 0] if enough(self, inside)? => return Ok(None),
                    [0, 0] => {
                        seen = self.strip(inside, end)?;
                        continue;
                    }
                    [low, up] if low > up => (&mut lower, &mut upper, low),
                    [_, up] => (&mut upper, &mut lower, up),
                };
            let mut steps = ahead - 1;
            line.tries += 1;
            if line.tries > TRIES {
                steps = match line.enough {
                    usize::MAX => steps + (1 << (line.tries - TRIES).min(20)),
                    enough => (enough - line.inside) / 2,
                };
            } else if line.enough < usize::MAX {
                // Ever further in from what was enough.
                steps = steps.min((line.enough - line.inside).saturating_sub((1 << (line.tries - 1)) - 1));
            } else if seen.excess(other.side) > NEAR {
                // What this line needs will grow as the other one moves.
                steps -= steps / 8;
            }
            let next = self.widths(line.side).reach(line.inside + steps);
            let before = seen;
            seen = self.strip(inside.with(line.side, next), end)?;
            let moved = |side: Side| before.places.of(side).abs_diff(seen.places.of(side));
            if is_near(&before) && LITTLE * moved(other.side) <= moved(line.side) {
                self.learn(line.side, end, [&before, &seen]);
            }
            if seen.risk(line.side) <= 1.0 {
                line.enough = next;
                continue;
            }
            line.inside = next + 1;
            other.forget();
            // As the line is no further out here than in any strip sought, this tells of the other one too.
            if seen.risk(other.side) > 1.0 {
                other.inside += 1;
                line.enough = usize::MAX;
            }
            for Line { side, inside, .. } in [lower, upper] {
                if self.widths(side).reach(inside) < inside {
                    return Ok(None);
                }
            }
            if Side::BOTH.iter().all(|&side| seen.excess(side).abs() <= close) {
                return Ok(Some((Places { lower: lower.inside, upper: upper.inside }, seen)));
            }
        }
    }

    /// The strips from `from` outwards that keep both risks and of which neither line can be narrowed:
    /// one, unless the least one crosses. Then each way to draw its lines apart leads to one. None of those within
    /// which is a strip of which `enough` is true.
    pub fn narrowest(&mut self, from: Places, end: End, enough: Enough<'_>) -> Result<Vec<Strip>, Error> {
        let Some(least) = self.least(from, end, enough)? else { return Ok(Vec::new()) };
        if !least.crossed {
            return Ok(vec![least]);
        }
        let mut found: Vec<Strip> = Vec::new();
        let mut before = self.widths(Side::Upper).last() + 1;
        let upper = least.places.upper;
        for lower in least.places.lower..=self.widths(Side::Lower).last() {
            // The narrowest upper line that does not cross this lower one.
            let (mut crossed, mut apart) = (upper, before);
            if !self.crossed(Places { lower, upper }) {
                apart = upper;
            } else {
                while apart - crossed > 1 {
                    let middle = crossed + (apart - crossed) / 2;
                    *(if self.crossed(Places { lower, upper: middle }) { &mut crossed } else { &mut apart }) = middle;
                }
            }
            if apart < before {
                before = apart;
                let start = Places { lower, upper: apart };
                if !found.iter().any(|s| s.places.within(start)) {
                    found.extend(self.least(start, end, enough)?);
                }
            }
            if apart == upper {
                break;
            }
        }
        let minimal =
            |s: &Strip| !found.iter().any(|other| other.places.within(s.places) && !s.places.within(other.places));
        Ok(found.iter().copied().filter(minimal).collect())
    }

    /// How much further out than in any strip sought this line is forecast to end.
    fn ahead(&mut self, line: &Line, other: &Line, seen: &Strip, end: End) -> usize {
        self.ends(seen, line.side, end, other.inside).min(line.enough).saturating_sub(line.inside)
    }
}

fn is_near(strip: &Strip) -> bool {
    Side::BOTH.iter().all(|&side| strip.excess(side).abs() < NEAR)
}
