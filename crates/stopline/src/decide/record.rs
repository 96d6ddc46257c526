//! The record of a decision, to be kept: what was counted under which plan, and what came of it.
//!
//! As one JSON object, or as a table of keys and values that any spreadsheet opens. The plan is named by its digest,
//! so that the decision can be made again from plan and entries and must come out the same.

use super::{Decision, Entry, LogHead, Walk};
use crate::error::{Code, Error};
use crate::plan::MadeBy;
use crate::score::Site;
use serde::Serialize;

/// A decision with what it was made from. Its JSON form is stable.
#[derive(Debug, Serialize)]
pub struct Record<'a> {
    format: &'static str,
    version: u32,
    #[serde(flatten)]
    head: Head<'a>,
    plan: &'a str,
    plan_title: &'a str,
    entries: Vec<(&'static str, String)>,
    decision: &'a Decision,
    made_by: MadeBy,
}

#[derive(Debug, Serialize)]
struct Head<'a> {
    field: &'a str,
    visit: &'a str,
    at: &'a str,
}

impl<'a> Record<'a> {
    /// The record of a walk and the decision on it.
    ///
    /// ```
    /// # use std::sync::Arc;
    /// # use stopline::{Dispersion, Plants, Quiet, Score, Site, plan::{Aim, Design, Plan, Table}};
    /// # use stopline::decide::{LogHead, Record, Walk};
    /// # let table = Table::of(&[(1, None, Some(4)), (2, Some(1), Some(2))])?;
    /// # let design = Design { score: Score::Count, plants: Plants::ONE, dispersion: Dispersion::Poisson, checks: table.checks,
    /// #     aim: Aim::TwoCalls { thresholds: None, risks: None }, closing: table.closing };
    /// # let plan = Arc::new(Plan::given(design, table.lines, &Quiet)?);
    /// let walk = Walk::of_sites(&plan, [Some(Site::of(1)), Some(Site::of(3))], false)?;
    /// let (head, decision) = (LogHead { field: "Plover".into(), ..LogHead::default() }, walk.decision());
    /// let table = Record::of(&walk, &head, &decision).to_csv()?;
    /// assert!(table.contains("verdict,adequate\n") && table.contains("site,3\n"));
    /// # Ok::<(), stopline::Error>(())
    /// ```
    #[must_use]
    pub fn of(walk: &'a Walk, head: &'a LogHead, decision: &'a Decision) -> Self {
        Self {
            format: "stopline/record",
            version: 1,
            head: Head { field: &head.field, visit: &head.visit, at: &head.at },
            plan: walk.plan().digest().as_str(),
            plan_title: &walk.plan().about().title,
            entries: walk.entries().iter().map(told).collect(),
            decision,
            made_by: MadeBy::default(),
        }
    }

    /// As one JSON object.
    ///
    /// # Errors
    /// `file_write`; cannot happen for numbers made here.
    pub fn to_json(&self) -> Result<String, Error> {
        let json = serde_json::to_string_pretty(self).map_err(|e| failed(&e))?;
        Ok(json + "\n")
    }

    /// As a table with the columns `what` and `value`.
    ///
    /// # Errors
    /// `file_write`; cannot happen for text made here.
    pub fn to_csv(&self) -> Result<String, Error> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(["what", "value"]).map_err(|e| failed(&e))?;
        self.rows()
            .into_iter()
            .try_for_each(|(what, value)| writer.write_record([what, value]))
            .map_err(|e| failed(&e))?;
        let bytes = writer.into_inner().map_err(|e| failed(&e))?;
        String::from_utf8(bytes).map_err(|e| failed(&e))
    }

    fn rows(&self) -> Vec<(String, String)> {
        fn said(value: Option<impl ToString>) -> String {
            value.map_or_else(String::new, |value| value.to_string())
        }
        let (d, estimate) = (self.decision, &self.decision.estimate);
        let mut rows: Vec<(String, String)> = [
            ("field", self.head.field.to_owned()),
            ("visit", self.head.visit.to_owned()),
            ("at", self.head.at.to_owned()),
            ("plan", self.plan.to_owned()),
            ("plan_title", self.plan_title.to_owned()),
            ("verdict", d.verdict.to_owned()),
            ("ended_by", said(d.ended_by)),
            ("sites", d.sites.to_string()),
            ("total", d.total.to_string()),
            ("after_stop", d.after_stop.to_string()),
            ("mean", said(estimate.mean)),
            ("mean_is", estimate.how.to_owned()),
            ("low", said(estimate.low)),
            ("high", said(estimate.high)),
            ("level", said(estimate.level)),
        ]
        .map(|(what, value)| (what.to_owned(), value))
        .into();
        let mut put = |what: String, value: String| rows.push((what, value));
        if let Some(told) = &d.any_time {
            put("any_time_low".into(), told.low.to_string());
            put("any_time_high".into(), said(told.high));
            for evidence in &told.evidence {
                let what = format!("evidence_against_{}_{}", evidence.against, evidence.mean);
                put(what, evidence.value.to_string());
            }
        }
        if let Some(look) = &d.check_of_k {
            put("check_of_k".into(), look.p.to_string());
            put("more_clumped_at".into(), said(look.alarmed_at));
        }
        self.entries.iter().for_each(|(kind, text)| put((*kind).to_owned(), text.clone()));
        d.cautions.iter().for_each(|caution| put(format!("caution_{}", caution.code), caution.text.clone()));
        rows
    }
}

fn failed(e: &dyn std::fmt::Display) -> Error {
    Error::new(Code::FileWrite, "record", e, "text and finite numbers")
}

/// An entry in a word, with its counts or text.
fn told(entry: &Entry) -> (&'static str, String) {
    let counts = |site: &Site| {
        let count = |c: &Option<u32>| c.map_or_else(|| "NA".to_owned(), |c| c.to_string());
        site.groups.iter().map(count).collect::<Vec<_>>().join("+")
    };
    match entry {
        Entry::Site(site) => ("site", counts(site)),
        Entry::Skip => ("skip", String::new()),
        Entry::Undo => ("undo", String::new()),
        Entry::Note(note) => ("note", note.clone()),
        Entry::Pause => ("pause", String::new()),
        Entry::Resume => ("resume", String::new()),
        Entry::Close => ("close", String::new()),
    }
}
