//! `stopline decide`: what the counts of a walk come to.

use crate::failure::Failure;
use crate::output::Answer;
use crate::values;
use crate::words::{figures, many, wrapped};
use crate::{arguments, input};
use std::sync::Arc;
use stopline::decide::{Decision, decide};
use stopline::{Code, Error, Site};

/// The flag, as errors name it.
const COUNTS: &str = "--counts";

pub fn run(args: &arguments::Decide, json: bool) -> Result<Answer, Failure> {
    let sites = sites(&args.counts)?;
    let skipped = sites.iter().filter(|site| site.is_none()).count();
    let plan = Arc::new(input::plan(&args.plan)?);
    let decision = decide(&plan, sites, args.ended).map_err(|e| match e.code() {
        Code::Entry => Error::new(e.code(), format!("{COUNTS}: {}", e.what()), e.value().unwrap_or(""), e.allowed()),
        _ => e,
    })?;
    let note =
        (skipped > 0).then(|| format!("{} not counted (NA) and passed over: never 0", many(skipped as u64, "site")));
    if json {
        return Ok(Answer { notes: note.into_iter().collect(), ..Answer::json(&decision) });
    }
    Ok(Answer::text(text(&decision, note)))
}

/// The sites in the order walked; `None` where one was not counted.
fn sites(text: &str) -> Result<Vec<Option<Site>>, Error> {
    if text.trim().is_empty() {
        return Ok(Vec::new());
    }
    (1..).zip(text.split(',')).map(|(number, cell)| site(number, cell.trim())).collect()
}

fn site(number: usize, cell: &str) -> Result<Option<Site>, Error> {
    if cell == "NA" {
        return Ok(None);
    }
    let name = format!("{COUNTS}, site {number},");
    let count = |part: &str| {
        values::whole(&name, part, 0, u32::MAX).map(Some).map_err(|e| {
            Error::new(
                e.code(),
                e.what(),
                e.value().unwrap_or(""),
                format!("{}, or NA for a site not counted", e.allowed()),
            )
        })
    };
    Ok(Some(Site { groups: cell.split('+').map(count).collect::<Result<_, _>>()? }))
}

fn text(d: &Decision, note: Option<String>) -> String {
    let after = format!("total {} after {}", d.total, many(d.sites, "site"));
    let verdict = match (d.verdict, d.ended_by) {
        ("keep_sampling", Some(_)) => format!("No call: the walk ended early, {after}."),
        ("keep_sampling", None) => format!("Keep sampling: {after}."),
        ("undecided", _) => format!("Undecided: {after}, the most of this plan."),
        (call, _) => format!("{}: {after}.", call.to_uppercase()),
    };
    let mut out = wrapped("", &verdict);
    if let Some(check) = &d.next_check {
        let said = check.lines.iter().filter_map(|(column, t)| t.map(|t| format!("{} {t}", column.words())));
        let lines: Vec<String> = said.collect();
        let lines = if lines.is_empty() { "no stop there".to_owned() } else { lines.join(", ") };
        out += &wrapped("", &format!("Next check after {}: {lines}.", many(check.sites, "site")));
    }
    if let Some(mean) = d.estimate.mean {
        out += &format!("Sample mean {} per site.\n", figures(mean));
    }
    note.iter().for_each(|note| out += &wrapped("", &format!("Note: {note}.")));
    out.push('\n');
    d.cautions.iter().for_each(|caution| out += &wrapped("", &caution.text));
    out
}
