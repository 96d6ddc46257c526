//! Calls and expected sites over many means, and nothing else: for searches, tables and embedding.

use super::dispatch::InstructionSet;
use super::forward::Workspace;
use super::kernel::{BLOCK, Tilted};
use super::outcome::{middle, restart};
use super::windows::{Reach, Windows};
use crate::error::{Code, Error};
use crate::law::{Law, Tilt};
use crate::lines::{Call, Lines};
use crate::watch::Quiet;

/// P(call) and expected sites at one mean.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Point {
    /// P(called adequate).
    pub adequate: f64,
    /// P(called inadequate).
    pub inadequate: f64,
    /// P(cap reached without a call).
    pub undecided: f64,
    /// Mean number of sites.
    pub expected_sites: f64,
}

/// Lines made ready for evaluation under laws of one family, with memory that is used again.
///
/// ```
/// use stopline::{K, Lines, Mean, Row, evaluate::{Evaluator, InstructionSet}, law::Law};
/// let lines = Lines::new(vec![Row::two_calls(15, Some(31), Some(32), None)])?;
/// let law = |m| Ok::<_, stopline::Error>(Law::NegBin { mean: Mean::new(m)?, k: K::new(2.0)? });
/// let mut evaluator = Evaluator::new(&lines, &law(1.0)?, InstructionSet::best())?;
/// let points = evaluator.points(&[law(1.5)?, law(3.0)?])?;
/// assert!((points[0].adequate - 0.0835).abs() < 5e-5);
/// assert!((points[1].inadequate - 0.0921).abs() < 5e-5);
/// # Ok::<(), stopline::Error>(())
/// ```
#[derive(Debug)]
pub struct Evaluator {
    set: InstructionSet,
    pub(crate) windows: Windows,
    reach: Reach,
    middle: f64,
    workspace: Workspace,
    blocks: Vec<Tilted>,
    tilts: Vec<Tilt>,
    points: Vec<Point>,
}

impl Evaluator {
    /// For `lines` under laws with the same smallest and largest step as `law`.
    ///
    /// # Errors
    /// `too_much_work`.
    pub fn new(lines: &Lines, law: &Law, set: InstructionSet) -> Result<Self, Error> {
        let reach = Reach::of(law);
        Ok(Self::over(Windows::of(lines.rows(), reach)?, reach, middle(lines), set))
    }

    /// Over windows that the caller may change from one evaluation to the next; `middle` is the mean per
    /// site of the reference.
    pub(crate) fn over(windows: Windows, reach: Reach, middle: f64, set: InstructionSet) -> Self {
        Self {
            set,
            windows,
            reach,
            middle,
            workspace: Workspace::default(),
            blocks: Vec::new(),
            tilts: Vec::new(),
            points: Vec::new(),
        }
    }

    /// One point a law, all of one family.
    ///
    /// # Errors
    /// `combination` where the laws are not of one family, a table, or of other steps than the law that
    /// the evaluator was made for.
    pub fn points(&mut self, laws: &[Law]) -> Result<&[Point], Error> {
        let family = || Error::about(Code::Combination, "laws", "of one family: they may differ in their mean only");
        let first = laws.first().filter(|law| Reach::of(law) == self.reach);
        let reference = first.and_then(|law| law.with_mean(self.middle)).ok_or_else(family)?;
        self.tilts.clear();
        for law in laws {
            self.tilts.push(reference.tilt_to(law).ok_or_else(family)?);
        }
        restart(&mut self.blocks, &self.windows, self.tilts.iter().copied());
        let faint = self.workspace.tilted(self.set, &self.windows, &reference, &Quiet, &mut self.blocks, None)?;
        self.points.clear();
        for (i, law) in laws.iter().enumerate() {
            let point = match self.blocks.get(i / BLOCK) {
                Some(block) if !faint && block.in_range(i % BLOCK) => point(block, i % BLOCK),
                _ => self.alone(law)?,
            };
            self.points.push(point);
        }
        Ok(&self.points)
    }

    /// A law as its own reference: what is too faint to hold there is truly negligible.
    fn alone(&mut self, law: &Law) -> Result<Point, Error> {
        let mut block = Vec::new();
        restart(&mut block, &self.windows, [Tilt { ln_ratio: 0.0, ln_site: 0.0 }]);
        let mut workspace = Workspace::default();
        workspace.tilted(self.set, &self.windows, law, &Quiet, &mut block, None)?;
        Ok(block.first().map_or_else(Point::default, |b| point(b, 0)))
    }
}

fn point(block: &Tilted, lane: usize) -> Point {
    let call = |c: Call| block.calls.get(c.index()).and_then(|l| l.get(lane)).copied().unwrap_or(0.0);
    Point {
        adequate: call(Call::Adequate).min(1.0),
        inadequate: call(Call::Inadequate).min(1.0),
        undecided: call(Call::Undecided).min(1.0),
        expected_sites: block.sites.get(lane).copied().unwrap_or(0.0),
    }
}
