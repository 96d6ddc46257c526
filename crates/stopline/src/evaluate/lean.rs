//! Calls and expected sites over many means, and nothing else: for searches, tables and embedding.

use super::chebyshev::{Axis, NODES, Sums, Terms};
use super::dispatch::InstructionSet;
use super::eight::{Eight, Settle};
use super::forward::{Wanted, Workspace};
use super::outcome::middle;
use super::vector::{LANE, Octet};
use super::windows::{Reach, Windows};
use crate::error::{Code, Error};
use crate::law::Law;
use crate::lines::{Call, Lines};
use crate::watch::{Quiet, Watch};

/// P(call), in the order of [`Call::ALL`].
pub(super) type Calls = [f64; Call::ALL.len()];

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

impl Point {
    fn set(&mut self, call: Call, p: f64) {
        match call {
            Call::Adequate => self.adequate = p,
            Call::Inadequate => self.inadequate = p,
            Call::Undecided => self.undecided = p,
            Call::Marginal | Call::Enough => {}
        }
    }
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
    windows: Windows,
    pub(super) reach: Reach,
    middle: f64,
    workspace: Workspace,
    /// How its recursion was run last, for a search that comes again with other means.
    ran: Option<(InstructionSet, Law)>,
    eights: Vec<Eight>,
    means: Vec<f64>,
    points: Vec<Point>,
    calls: Vec<Calls>,
    series: Vec<Vec<f64>>,
    sums: Vec<Vec<Octet>>,
}

impl Evaluator {
    /// For `lines` under laws with the same smallest and largest step as `law`.
    ///
    /// # Errors
    /// `too_much_work`.
    pub fn new(lines: &Lines, law: &Law, set: InstructionSet) -> Result<Self, Error> {
        Self::reaching(lines, Reach::of(law), set)
    }

    pub(super) fn reaching(lines: &Lines, reach: Reach, set: InstructionSet) -> Result<Self, Error> {
        Ok(Self::over(Windows::of(lines.rows(), reach)?, reach, middle(lines), set))
    }

    /// Over windows laid for laws of this reach, with so much per site in the middle of the open totals.
    pub(super) fn over(windows: Windows, reach: Reach, middle: f64, set: InstructionSet) -> Self {
        Self {
            set,
            windows,
            reach,
            middle,
            workspace: Workspace::default(),
            ran: None,
            eights: Vec::new(),
            means: Vec::new(),
            points: Vec::new(),
            calls: Vec::new(),
            series: Vec::new(),
            sums: Vec::new(),
        }
    }

    /// Over windows laid anew for laws of this reach, in the memory of an evaluator before.
    ///
    /// # Errors
    /// What `lay` returns.
    pub(super) fn laid(
        before: Option<Self>,
        (reach, middle, set): (Reach, f64, InstructionSet),
        lay: impl FnOnce(&mut Windows) -> Result<(), Error>,
    ) -> Result<Self, Error> {
        let new = || Self::over(Windows::default(), reach, middle, set);
        let mut laid = before.map_or_else(new, |before| Self { set, reach, middle, ran: None, ..before });
        lay(&mut laid.windows)?;
        Ok(laid)
    }

    /// One point a law, all of one family. Many laws (from 192 on) are read off a series through 96 of their range
    /// where that is as exact: to 1e-13 absolute.
    ///
    /// # Errors
    /// `combination` where the laws are not of one family, a table, or of other steps than the law that
    /// the evaluator was made for.
    pub fn points(&mut self, laws: &[Law]) -> Result<&[Point], Error> {
        // Laws of one family have one reach.
        let family = laws.first().filter(|law| Reach::of(law) == self.reach).and_then(Law::family).map(|f| f.0);
        self.means.clear();
        self.means.extend(laws.iter().map_while(|law| law.family().filter(|f| Some(f.0) == family)).map(|f| f.1));
        if self.means.len() < laws.len() {
            return Err(Error::about(Code::Combination, "laws", "of one family: they may differ in their mean only"));
        }
        // Points decide no line.
        let set = self.set.fused();
        // Not what a search looked at last.
        self.ran = None;
        let reference = laws.first().and_then(|law| law.with_mean(self.middle));
        if let Some(reference) = &reference
            && !self.by_series(set, reference)?
        {
            let far = self.tilt(set, Wanted::Sites, reference, &Quiet)?;
            self.points.clear();
            for (laws, eight) in laws.chunks(LANE).zip(&self.eights) {
                let sound = if far { [false; LANE] } else { eight.sound(self.windows.largest_gap()) };
                for ((law, sound), point) in laws.iter().zip(sound).zip(points(eight)) {
                    self.points.push(if sound {
                        point
                    } else {
                        let [own, ..] = points(&alone(set, Wanted::Sites, &self.windows, law, &Quiet)?);
                        own
                    });
                }
            }
        }
        Ok(&self.points)
    }

    /// Finds the points of many laws by series through few, where series do; whether they did.
    fn by_series(&mut self, set: InstructionSet, reference: &Law) -> Result<bool, Error> {
        let Some((family, at)) = reference.family() else { return Ok(false) };
        let Self { windows, workspace, eights, means, points, series, sums, .. } = self;
        let Some(axis) = Axis::over(family, at, means) else { return Ok(false) };
        for count in NODES.into_iter().take_while(|nodes| 2 * nodes <= means.len()) {
            let nodes: Vec<f64> = axis.nodes(count).collect();
            set.plainly(Settle { family, reference: at, means: &nodes, eights });
            let far = workspace.tilted(set, Wanted::Sites, windows, reference, &Quiet, eights, &mut [], |_| ())?;
            let largest = windows.largest_gap();
            if far || !eights.iter().all(|eight| eight.sound(largest) == [true; LANE]) {
                return Ok(false);
            }
            // Sites, and every call but that of the uppermost stops, if they have one.
            let values =
                |of: &dyn Fn(&Eight) -> Octet| eights.iter().flat_map(|eight| of(eight).0).collect::<Vec<f64>>();
            let others = Call::ALL.into_iter().filter(|call| Some(*call) != windows.top());
            let calls: Vec<(Call, Vec<f64>)> = others
                .map(|call| (call, values(&|eight| eight.calls.get(call.index()).copied().unwrap_or(Octet::ZERO))))
                .filter(|(_, p)| p.iter().any(|&p| p > 0.0))
                .collect();
            let found = std::iter::once(values(&|eight| eight.sites)).chain(calls.iter().map(|(_, p)| p.clone()));
            let terms: Option<Vec<_>> = found.map(|values| set.plainly(Terms { values: &values })).collect();
            let Some(terms) = terms else { continue };
            *series = terms;
            sums.resize_with(series.len(), Vec::new);
            set.over_vectors(Sums { axis, means, series, sums });
            points.clear();
            points.extend((0..means.len()).map(|i| {
                let sum =
                    |f: usize| sums.get(f).and_then(|sums| sums.get(i / LANE)).map_or(0.0, |o| of_lane(o, i % LANE));
                let mut point = Point { expected_sites: sum(0), ..Point::default() };
                let mut rest = 1.0;
                for (f, (call, _)) in calls.iter().enumerate() {
                    let p = sum(f + 1).clamp(0.0, 1.0);
                    rest -= p;
                    point.set(*call, p);
                }
                if let Some(top) = windows.top() {
                    point.set(top, rest.clamp(0.0, 1.0));
                }
                point
            }));
            return Ok(true);
        }
        Ok(false)
    }

    /// One point for each of any laws with the steps that the evaluator was made for; those of the first one's
    /// family take one recursion together.
    pub(super) fn under<'a>(
        &mut self,
        laws: impl Iterator<Item = &'a Law> + Clone,
        watch: &dyn Watch,
    ) -> Result<&[Point], Error> {
        self.follow(Wanted::Sites, laws, watch)?;
        Ok(&self.points)
    }

    /// P(call) under any laws whose smallest and largest steps are those that the evaluator was made for;
    /// those of the first one's family take one recursion together.
    pub(super) fn calls<'a>(
        &mut self,
        laws: impl Iterator<Item = &'a Law> + Clone,
        watch: &dyn Watch,
    ) -> Result<&[Calls], Error> {
        self.follow(Wanted::Calls, laws, watch)?;
        Ok(&self.calls)
    }

    /// Takes the means that stand in memory into account; whether some probability became too faint for that.
    fn tilt(&mut self, set: InstructionSet, wanted: Wanted, reference: &Law, watch: &dyn Watch) -> Result<bool, Error> {
        let Self { windows, workspace, eights, means, ran, .. } = self;
        let Some((family, at)) = reference.family() else { return Ok(true) };
        set.plainly(Settle { family, reference: at, means, eights });
        if ran.as_ref().is_some_and(|(by, law)| *by == set && law == reference)
            && let Some(far) = workspace.again(set, wanted, windows, eights)
        {
            return Ok(far);
        }
        *ran = Some((set, reference.clone()));
        workspace.tilted(set, wanted, windows, reference, watch, eights, &mut [], |_| ())
    }

    fn follow<'a>(
        &mut self,
        wanted: Wanted,
        laws: impl Iterator<Item = &'a Law> + Clone,
        watch: &dyn Watch,
    ) -> Result<(), Error> {
        let reference = laws.clone().next().and_then(|law| law.with_mean(self.middle));
        let home = reference.as_ref().and_then(Law::family).map(|f| f.0);
        let related = |law: &Law| law.family().filter(|f| Some(f.0) == home).map(|f| f.1);
        self.means.clear();
        self.means.extend(laws.clone().filter_map(related));
        let far = match &reference {
            Some(reference) => self.tilt(self.set, wanted, reference, watch)?,
            None => true,
        };
        let Self { set, windows, eights, points: found, calls, .. } = self;
        found.clear();
        calls.clear();
        let largest = windows.largest_gap();
        let (mut place, mut sound) = (0, [false; LANE]);
        for law in laws {
            let own;
            let together = related(law).is_some();
            let (eight, lane) = (eights.get(place / LANE), place % LANE);
            if lane == 0 {
                sound = eight.map_or([false; LANE], |eight| eight.sound(largest));
            }
            place += usize::from(together);
            let (eight, lane) = match eight {
                Some(eight) if together && !far && sound.get(lane) == Some(&true) => (eight, lane),
                _ => {
                    own = alone(*set, wanted, windows, law, watch)?;
                    (&own, 0)
                }
            };
            match wanted {
                Wanted::Sites => found.extend(points(eight).get(lane)),
                Wanted::Calls => calls.push(eight.calls.each_ref().map(|c| of_lane(c, lane))),
            }
        }
        Ok(())
    }
}

/// A law as its own reference: what is too faint to hold there is truly negligible.
fn alone(set: InstructionSet, wanted: Wanted, windows: &Windows, law: &Law, watch: &dyn Watch) -> Result<Eight, Error> {
    let mut own = [Eight::START];
    Workspace::default().tilted(set, wanted, windows, law, watch, &mut own, &mut [], |_| ())?;
    let [own] = own;
    Ok(own)
}

fn of_lane(octet: &Octet, lane: usize) -> f64 {
    octet.0.get(lane).copied().unwrap_or(0.0)
}

/// The points of eight means.
#[allow(clippy::indexing_slicing)] // eight lanes
fn points(eight: &Eight) -> [Point; LANE] {
    let [inadequate, adequate, undecided] =
        [Call::Inadequate, Call::Adequate, Call::Undecided].map(|call| &eight.calls[call as usize].0);
    std::array::from_fn(|l| Point {
        adequate: adequate[l].min(1.0),
        inadequate: inadequate[l].min(1.0),
        undecided: undecided[l].min(1.0),
        expected_sites: eight.sites.0[l],
    })
}
