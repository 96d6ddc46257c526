//! The walk: entries one at a time, the state after each, and the decision.
//!
//! The state of a walk is its entries; totals are always replayed from them, so that undoing, saving
//! and resuming cannot disagree. The first stop fixes the verdict: counts after it are kept but never
//! change it. Ending early (rain, dusk) is no call.

mod cautions;
mod check_of_k;
mod decision;
mod log;
mod practice;
mod record;
mod what_next;

pub use cautions::{Caution, standing_cautions};
pub(crate) use check_of_k::FIRST_LOOK;
pub use check_of_k::{
    Alarmed, CheckOfK, CheckedPlan, FALSE_ALARMS, Look, Power, Season, SeasonPower, season, season_power,
};
pub use decision::{Decision, Estimate, NextCheck, decide};
#[cfg(feature = "schema")]
pub use log::log_schema;
pub use log::{Log, LogHead};
pub use practice::Practice;
pub use record::Record;
pub use what_next::{Forecast, Needed, WhatNext};

use crate::error::{Code, Error};
use crate::lines::Verdict;
use crate::plan::Plan;
use crate::score::{Site, Total};
use std::sync::Arc;

/// One thing that happened on a walk.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Entry {
    /// A site was counted.
    Site(Site),
    /// A site could not be counted; it is not part of the total.
    Skip,
    /// The latest site, skip or close that still counts is taken back.
    Undo,
    /// A remark.
    Note(String),
    /// The walk is interrupted.
    Pause,
    /// The walk goes on.
    Resume,
    /// The scout ends the walk.
    Close,
}

/// Most entries of a walk.
const MOST_ENTRIES: usize = 1_000_000;

/// A walk under a plan.
///
/// ```
/// use std::sync::Arc;
/// use stopline::decide::{Entry, Walk};
/// use stopline::{Call, Site, Verdict, plan::{Aim, Design, Plan, Table}, Dispersion, Plants, Quiet, Score};
/// let table = Table::of(&[(1, None, Some(4)), (2, Some(1), Some(2))])?;
/// let aim = Aim::TwoCalls { thresholds: None, risks: None };
/// let design = Design { score: Score::Count, plants: Plants::ONE, dispersion: Dispersion::Poisson, aim,
///     checks: table.checks, closing: table.closing };
/// let mut walk = Walk::new(Arc::new(Plan::given(design, table.lines, &Quiet)?));
/// walk.push(Entry::Site(Site::of(1)))?;
/// assert_eq!(walk.state().verdict, Verdict::KeepSampling);
/// walk.push(Entry::Site(Site::of(3)))?;
/// assert_eq!(walk.state().verdict, Verdict::Stop(Call::Adequate));
/// # Ok::<(), stopline::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Walk {
    plan: Arc<Plan>,
    entries: Vec<Entry>,
    /// What each entry added, for entries that count sites; the replayed form of `entries`.
    steps: Vec<Step>,
    closed: bool,
}

/// An entry that can be taken back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    Counted(Total),
    Skipped,
    Closed,
}

/// Who or what ended a walk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum EndedBy {
    /// A stop line before the cap.
    Line,
    /// The cap.
    MaxSites,
    /// The scout, before any stop.
    Scout,
}

impl EndedBy {
    /// `line`, `max_sites` or `scout`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::MaxSites => "max_sites",
            Self::Scout => "scout",
        }
    }
}

/// Where a walk stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct State {
    /// What the plan says; fixed by the first stop.
    pub verdict: Verdict,
    /// Sites counted, up to the stop.
    pub sites: u32,
    /// Total over them.
    pub total: Total,
    /// Sites skipped, up to the stop.
    pub skipped: u32,
    /// Sites at the stop.
    pub stopped_at: Option<u32>,
    /// Sites counted after the stop.
    pub after_stop: u32,
    /// Total over the sites after the stop.
    pub total_after_stop: Total,
    /// What ended the walk; `None` while it goes on.
    pub ended_by: Option<EndedBy>,
}

impl Walk {
    /// A walk that has not begun.
    #[must_use]
    pub fn new(plan: Arc<Plan>) -> Self {
        Self { plan, entries: Vec::new(), steps: Vec::new(), closed: false }
    }

    /// A walk resumed from its entries.
    ///
    /// # Errors
    /// `entry`, as [`Walk::push`].
    pub fn resume(plan: Arc<Plan>, entries: impl IntoIterator<Item = Entry>) -> Result<Self, Error> {
        let mut walk = Self::new(plan);
        entries.into_iter().try_for_each(|e| walk.push(e))?;
        Ok(walk)
    }

    /// The walk over these sites, in the order walked; a missing site (`None`) was skipped. `ended`: the scout
    /// ended it.
    ///
    /// # Errors
    /// `entry` where a site cannot be scored.
    pub fn of_sites(
        plan: &Arc<Plan>,
        sites: impl IntoIterator<Item = Option<Site>>,
        ended: bool,
    ) -> Result<Self, Error> {
        let entries = sites.into_iter().map(|site| site.map_or(Entry::Skip, Entry::Site));
        Self::resume(Arc::clone(plan), entries.chain(ended.then_some(Entry::Close)))
    }

    /// Takes one entry; a refused entry leaves the walk as it was.
    ///
    /// # Errors
    /// `entry` where a site has no count or a missing one, where nothing can be undone, or where the
    /// walk was closed.
    pub fn push(&mut self, entry: Entry) -> Result<(), Error> {
        if self.entries.len() >= MOST_ENTRIES {
            return Err(Error::new(
                Code::Entry,
                "entries of a walk",
                self.entries.len(),
                format!("at most {MOST_ENTRIES}"),
            ));
        }
        if self.closed && !matches!(entry, Entry::Undo | Entry::Note(_)) {
            return Err(Error::about(
                Code::Entry,
                "entry after the walk was closed",
                "undo, to open it again, or a note",
            ));
        }
        match &entry {
            Entry::Site(site) => self.steps.push(Step::Counted(self.plan.asked().score.step(site)?)),
            Entry::Skip => self.steps.push(Step::Skipped),
            Entry::Close => self.steps.push(Step::Closed),
            Entry::Undo => {
                if self.steps.pop().is_none() {
                    return Err(Error::about(Code::Entry, "undo", "after a site, a skip or a close"));
                }
            }
            Entry::Note(_) | Entry::Pause | Entry::Resume => {}
        }
        self.closed = self.steps.last() == Some(&Step::Closed);
        self.entries.push(entry);
        Ok(())
    }

    /// The plan.
    #[must_use]
    pub fn plan(&self) -> &Arc<Plan> {
        &self.plan
    }

    /// Everything that was entered, in order.
    #[must_use]
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// What each counted site added, those after a stop too.
    #[must_use]
    pub fn counted(&self) -> Vec<Total> {
        let added = |step: &Step| if let Step::Counted(x) = *step { Some(x) } else { None };
        self.steps.iter().filter_map(added).collect()
    }

    /// Where the walk stands.
    #[must_use]
    pub fn state(&self) -> State {
        let lines = self.plan.lines();
        let mut s = State {
            verdict: Verdict::KeepSampling,
            sites: 0,
            total: 0,
            skipped: 0,
            stopped_at: None,
            after_stop: 0,
            total_after_stop: 0,
            ended_by: None,
        };
        for step in &self.steps {
            match *step {
                Step::Skipped => s.skipped += u32::from(s.stopped_at.is_none()),
                Step::Closed => {
                    s.ended_by = s.ended_by.or(Some(EndedBy::Scout));
                }
                Step::Counted(x) if s.stopped_at.is_some() => {
                    s.after_stop += 1;
                    s.total_after_stop += x;
                }
                Step::Counted(x) => {
                    s.sites += 1;
                    s.total += x;
                    s.verdict = lines.verdict(s.sites, s.total);
                    if s.verdict != Verdict::KeepSampling {
                        s.stopped_at = Some(s.sites);
                        s.ended_by = Some(if s.sites == lines.cap() { EndedBy::MaxSites } else { EndedBy::Line });
                    }
                }
            }
        }
        s
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dispersion::Dispersion;
    use crate::lines::Call;
    use crate::params::Plants;
    use crate::plan::{Aim, Design, Table};
    use crate::score::Score;
    use crate::watch::Quiet;

    pub(super) fn plan() -> Arc<Plan> {
        let table = Table::of(&[(2, Some(0), Some(9)), (4, Some(3), Some(8)), (6, Some(7), Some(8))]).unwrap();
        let aim = Aim::TwoCalls { thresholds: None, risks: None };
        let design = Design {
            score: Score::Count,
            plants: Plants::ONE,
            dispersion: Dispersion::Poisson,
            aim,
            checks: table.checks,
            closing: table.closing,
        };
        Arc::new(Plan::given(design, table.lines, &Quiet).unwrap())
    }

    fn walk(counts: &[u32]) -> Walk {
        Walk::resume(plan(), counts.iter().map(|&c| Entry::Site(Site::of(c)))).unwrap()
    }

    #[test]
    fn the_first_stop_fixes_the_verdict() {
        let mut w = walk(&[1, 4, 0]);
        assert_eq!(w.state().verdict, Verdict::KeepSampling);
        w.push(Entry::Site(Site::of(3))).unwrap();
        let s = w.state();
        assert_eq!((s.verdict, s.stopped_at, s.total), (Verdict::Stop(Call::Adequate), Some(4), 8));
        w.push(Entry::Site(Site::of(100))).unwrap();
        assert_eq!((w.state().verdict, w.state().after_stop, w.state().total), (s.verdict, 1, 8));
        w.push(Entry::Undo).unwrap();
        w.push(Entry::Undo).unwrap();
        assert_eq!((w.state().verdict, w.state().sites), (Verdict::KeepSampling, 3));
    }

    #[test]
    fn ending_early_is_no_call_and_can_be_taken_back() {
        let mut w = walk(&[1, 4]);
        w.push(Entry::Close).unwrap();
        assert_eq!((w.state().verdict, w.state().ended_by), (Verdict::KeepSampling, Some(EndedBy::Scout)));
        assert_eq!(w.push(Entry::Skip).unwrap_err().code(), Code::Entry);
        w.push(Entry::Note("rain".into())).unwrap();
        w.push(Entry::Undo).unwrap();
        w.push(Entry::Skip).unwrap();
        assert_eq!((w.state().ended_by, w.state().skipped, w.state().sites), (None, 1, 2));
        assert_eq!(walk(&[]).push(Entry::Undo).unwrap_err().code(), Code::Entry);
    }

    #[test]
    fn the_cap_ends_the_walk() {
        let s = walk(&[1, 1, 1, 1, 1, 1]).state();
        assert_eq!((s.verdict, s.ended_by), (Verdict::Stop(Call::Inadequate), Some(EndedBy::MaxSites)));
    }
}
