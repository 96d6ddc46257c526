//! A record of a decision: what was counted under which plan, and what came of it.

use crate::decide;
use crate::output;
use serde::Serialize;
use std::path::Path;
use stopline::decide::{Decision, LogHead, Walk};
use stopline::{Code, Error};

#[derive(Serialize)]
struct Record<'a> {
    format: &'static str,
    version: u32,
    field: &'a str,
    visit: &'a str,
    at: &'a str,
    plan: &'a str,
    plan_title: &'a str,
    entries: Vec<(&'static str, String)>,
    decision: &'a Decision,
    made_by: String,
}

/// The record, as JSON; with a name ending in `.csv`, as a table of keys and values.
pub fn of(path: &Path, walk: &Walk, head: &LogHead, decision: &Decision) -> Result<String, Error> {
    let entries: Vec<_> = walk.entries().iter().map(decide::told).collect();
    if !path.extension().is_some_and(|end| end.eq_ignore_ascii_case("csv")) {
        return Ok(output::json(&Record {
            format: "stopline/record",
            version: 1,
            field: &head.field,
            visit: &head.visit,
            at: &head.at,
            plan: walk.plan().digest().as_str(),
            plan_title: &walk.plan().about().title,
            entries,
            decision,
            made_by: concat!("stopline ", env!("CARGO_PKG_VERSION")).to_owned(),
        }));
    }
    let number = |x: Option<f64>| x.map_or_else(String::new, |x| x.to_string());
    let estimate = &decision.estimate;
    let mut rows: Vec<(String, String)> = [
        ("field", head.field.clone()),
        ("visit", head.visit.clone()),
        ("at", head.at.clone()),
        ("plan", decision.plan.clone()),
        ("verdict", decision.verdict.to_owned()),
        ("ended_by", decision.ended_by.unwrap_or_default().to_owned()),
        ("sites", decision.sites.to_string()),
        ("total", decision.total.to_string()),
        ("after_stop", decision.after_stop.to_string()),
        ("mean", number(estimate.mean)),
        ("mean_is", estimate.how.to_owned()),
        ("low", number(estimate.low)),
        ("high", number(estimate.high)),
        ("level", number(estimate.level)),
    ]
    .map(|(key, value)| (key.to_owned(), value))
    .into();
    if let Some(told) = &decision.any_time {
        rows.push(("any_time_low".to_owned(), told.low.to_string()));
        rows.push(("any_time_high".to_owned(), number(told.high)));
        for evidence in &told.evidence {
            rows.push((format!("evidence_against_{}_{}", evidence.against, evidence.mean), evidence.value.to_string()));
        }
    }
    rows.extend(entries.into_iter().map(|(kind, text)| (kind.to_owned(), text)));
    rows.extend(decision.cautions.iter().map(|caution| (format!("caution_{}", caution.code), caution.text.clone())));
    let mut writer = csv::Writer::from_writer(Vec::new());
    let failed = |e: String| Error::new(Code::FileWrite, "record", e, "text");
    writer.write_record(["what", "value"]).map_err(|e| failed(e.to_string()))?;
    rows.into_iter()
        .try_for_each(|(key, value)| writer.write_record([key, value]))
        .map_err(|e| failed(e.to_string()))?;
    let bytes = writer.into_inner().map_err(|e| failed(e.to_string()))?;
    String::from_utf8(bytes).map_err(|e| failed(e.to_string()))
}
