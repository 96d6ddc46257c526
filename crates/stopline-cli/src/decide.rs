//! `stopline decide`: what the counts of a walk come to.

use crate::clumped::{self, Fallback};
use crate::failure::Failure;
use crate::output::Answer;
use crate::values;
use crate::words::{figures, many, wrapped};
use crate::{arguments, input};
use serde::Serialize;
use std::path::Path;
use std::sync::Arc;
use stopline::decide::{Decision, Estimate, Forecast, NextCheck, Record, Walk, WhatNext};
use stopline::estimate::{AnyTime, Order};
use stopline::plan::{Aim, Design, Plan};
use stopline::{Call, Code, Error, Score, Site, Total};

/// The flag, as errors name it.
const COUNTS: &str = "--counts";

pub fn run(args: &arguments::Decide, json: bool) -> Result<Answer, Failure> {
    let level = values::level("--level", &args.level)?;
    let order = Order::parse(&args.order)?;
    let (walk, head) = match &args.log {
        Some(path) => {
            let log = input::log(path)?;
            if let Some(plan) = &args.plan {
                let (here, there) = (input::plan(plan)?, log.walk().plan());
                if here.digest() != there.digest() {
                    let allowed = format!("{}, as in the log", there.digest());
                    return Err(Error::new(Code::Log, "plan", here.digest().as_str(), allowed).into());
                }
            }
            (log.walk().clone(), log.head().clone())
        }
        None => (typed_in(args)?, stopline::decide::LogHead::default()),
    };
    let skipped = walk.state().skipped;
    let decision = walk.decision_at(level, order);
    let fallback = args.fallback.as_deref().map(|path| Fallback::read(path, walk.plan())).transpose()?;
    let fallback = match fallback.filter(|_| clumped::alarmed(&decision)) {
        Some(fallback) => Some((fallback.decision(&walk)?, fallback.name())),
        None => None,
    };
    let note = (skipped > 0)
        .then(|| format!("{} not counted (NA or skipped) and passed over: never 0", many(skipped, "site")));
    let design = walk.plan().asked();
    let mut answer = if json {
        let whole = WithFallback { decision: &decision, fallback: fallback.as_ref().map(|(d, _)| d) };
        Answer { notes: note.into_iter().collect(), ..Answer::json(&whole) }
    } else {
        let said = fallback.map(|(d, name)| by_fallback(&d, &name)).unwrap_or_default();
        Answer::text(said + &if args.words { plainly(&decision, walk.plan()) } else { text(&decision, design, note) })
    };
    if let Some(path) = &args.record {
        answer.files.push((path.clone(), record(path, &Record::of(&walk, &head, &decision))?));
    }
    Ok(answer)
}

/// The record as its file's name asks.
fn record(path: &Path, record: &Record<'_>) -> Result<String, Error> {
    if path.extension().is_some_and(|end| end.eq_ignore_ascii_case("csv")) { record.to_csv() } else { record.to_json() }
}

/// A decision, with that of the plan for a lower k where counts are more clumped than planned.
#[derive(Serialize)]
struct WithFallback<'a> {
    #[serde(flatten)]
    decision: &'a Decision,
    #[serde(skip_serializing_if = "Option::is_none")]
    fallback: Option<&'a Decision>,
}

/// What the plan for a lower k says.
pub fn by_fallback(d: &Decision, name: &str) -> String {
    let next = d.next_check.as_ref().map(|check| format!(" {}", next_check(check, d.total))).unwrap_or_default();
    wrapped("", &format!("More clumped than planned. By the plan for a lower k ({name}): {}.{next}", verdict(d)))
}

/// The walk of the counts on the command line.
fn typed_in(args: &arguments::Decide) -> Result<Walk, Failure> {
    let (Some(plan), Some(counts)) = (&args.plan, &args.counts) else {
        return Err(Error::new(Code::Usage, COUNTS, "missing", "a plan and counts, or --log").into());
    };
    let sites = sites(counts)?;
    let plan = Arc::new(input::plan(plan)?);
    let walk = Walk::of_sites(&plan, sites, args.ended).map_err(|e| match e.code() {
        Code::Entry => Error::new(e.code(), format!("{COUNTS}: {}", e.what()), e.value().unwrap_or(""), e.allowed()),
        _ => e,
    })?;
    Ok(walk)
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

/// The verdict in capitals.
pub fn verdict(d: &Decision) -> String {
    match (d.verdict, d.ended_by) {
        ("keep_sampling", Some(_)) => "NO CALL: the walk ended early".to_owned(),
        ("keep_sampling", None) => "KEEP SAMPLING".to_owned(),
        ("undecided", _) => "UNDECIDED: the most sites of this plan".to_owned(),
        ("enough", _) => "ENOUGH was counted".to_owned(),
        (call, _) => call.to_uppercase(),
    }
}

/// The lines of the next check, with what is still missing.
pub fn next_check(check: &NextCheck, total: Total) -> String {
    let line = |(column, line): &(stopline::Column, Option<Total>)| {
        let line = (*line)?;
        let more = if line > total { format!(" ({} more)", line - total) } else { String::new() };
        Some(format!("{} {line}{more}", column.words()))
    };
    let lines: Vec<String> = check.lines.iter().filter_map(line).collect();
    let lines = if lines.is_empty() { "no stop there".to_owned() } else { lines.join(", ") };
    format!("Next check after {}: {lines}.", many(check.sites, "site"))
}

fn text(d: &Decision, design: &Design, note: Option<String>) -> String {
    let after = format!("total {} after {}", d.total, many(d.sites, "site"));
    let verdict = match (d.verdict, d.ended_by) {
        ("keep_sampling", Some(_)) => format!("No call: the walk ended early, {after}."),
        ("keep_sampling", None) => format!("Keep sampling: {after}."),
        ("undecided", _) => format!("Undecided: {after}, the most of this plan."),
        (call, _) => format!("{}: {after}.", call.to_uppercase()),
    };
    let mut out = wrapped("", &verdict);
    if let Some(check) = &d.next_check {
        out += &wrapped("", &next_check(check, d.total));
    }
    out += &mean(&d.estimate, design).map(|text| wrapped("", &text)).unwrap_or_default();
    if d.what_next.is_some() || d.after_stop > 0 || d.estimate.low.is_none() {
        d.any_time.iter().flat_map(any_time).for_each(|text| out += &wrapped("", &text));
    }
    d.what_next.iter().flat_map(what_next).for_each(|text| out += &wrapped("", &text));
    d.check_of_k.iter().for_each(|look| out += &wrapped("", &look.reading));
    note.iter().for_each(|note| out += &wrapped("", &format!("Note: {note}.")));
    out.push('\n');
    // An alarm was told above.
    let cautions = d.cautions.iter().filter(|caution| caution.code != "more_clumped");
    cautions.for_each(|caution| out += &wrapped("", &caution.text));
    out
}

/// What a walk that is over has shown of the mean.
pub fn learnt(d: &Decision, design: &Design) -> Vec<String> {
    let mut texts: Vec<String> = mean(&d.estimate, design).into_iter().collect();
    if d.estimate.low.is_none() || d.after_stop > 0 || d.verdict == "undecided" {
        texts.extend(d.any_time.iter().flat_map(any_time));
    }
    texts
}

/// A mean's unit.
fn unit(design: &Design) -> &'static str {
    if design.dispersion.of_shares() { "of all units" } else { "per site" }
}

fn up_to(high: Option<f64>) -> String {
    high.map_or_else(|| "without upper limit".to_owned(), |high| format!("to {}", figures(high)))
}

/// What is known of the mean.
fn mean(estimate: &Estimate, design: &Design) -> Option<String> {
    let (plain, unit) = (estimate.plain_mean?, unit(design));
    let (Some(mean), Some(low), Some(level)) = (estimate.mean, estimate.low, estimate.level) else {
        return Some(format!("Plain mean {} {unit}.", figures(plain)));
    };
    Some(format!(
        "Mean {} {unit}, corrected for stopping (plain mean {}); interval from {} {}: such intervals hold the true mean at least {} times in 100.",
        figures(mean),
        figures(plain),
        figures(low),
        up_to(estimate.high),
        figures(100.0 * level)
    ))
}

/// What the counts tell at any time.
fn any_time(told: &AnyTime) -> Vec<String> {
    let wrong = figures(100.0 - 100.0 * told.level);
    let mean = format!(
        "Whenever one looks: mean from {} {}, wrong in at most {wrong} walks of 100. {}",
        figures(told.low),
        up_to(told.high),
        told.caution
    );
    let strong = told.evidence.iter().filter(|evidence| evidence.value >= 2.0);
    std::iter::once(mean).chain(strong.map(|evidence| evidence.reading.clone())).collect()
}

/// What is still to come.
pub fn what_next(next: &WhatNext) -> Vec<String> {
    let calls = |forecast: &Forecast| {
        let chance = |(call, p): &(Call, f64)| format!("{} {:.0}", call.as_str(), 100.0 * p);
        let calls: Vec<String> = forecast.calls.iter().map(chance).collect();
        format!("{:.1} more sites on average; of 100 such walks: {}", forecast.sites, calls.join(", "))
    };
    let at =
        |forecast: &Forecast| format!("If truly {}: {}.", figures(forecast.mean.unwrap_or_default()), calls(forecast));
    std::iter::once(format!("As counted so far: {}.", calls(&next.likely))).chain(next.at.iter().map(at)).collect()
}

/// The decision in plain words, for a grower.
fn plainly(d: &Decision, plan: &Plan) -> String {
    let design = plan.asked();
    let counted = format!("{} counted, {} in all", many(d.sites, "site"), found(d.total, design));
    let said = match (d.verdict, d.ended_by) {
        ("adequate", _) => "There are enough natural enemies in this field, by this plan.",
        ("inadequate", _) => "There are too few natural enemies in this field, by this plan.",
        ("marginal", _) => "Natural enemies in this field are between few and enough, by this plan.",
        ("enough", _) => "Enough was counted to know the mean as well as was asked.",
        ("undecided", _) => "This walk could not tell whether there are enough natural enemies.",
        (_, Some(_)) => "The walk ended before it could tell. That is no answer; another day starts from zero.",
        _ => "It cannot be told yet: keep counting.",
    };
    let mut out = wrapped("", said) + &wrapped("", &format!("{counted}."));
    if let Aim::TwoCalls { thresholds: Some(t), risks: Some(r) } = design.aim {
        let of = |p: f64| format!("at most {} times in 100", figures(100.0 * p));
        let (call, at, risk) = match d.verdict {
            "adequate" => ("enough", t.inadequate(), r.false_adequate()),
            "inadequate" => ("too few", t.adequate(), r.false_inadequate()),
            _ => ("", t.adequate(), r.false_adequate()),
        };
        if !call.is_empty() {
            // A nominal plan may exceed the risk that was asked.
            let rows = plan.attained().iter().filter(|row| row.mean == at && row.call.as_str() == d.verdict);
            let risk = rows.map(|row| row.p).fold(risk.get(), f64::max);
            let at = figures(at.get());
            out += &wrapped(
                "",
                &format!(
                    "How far to trust it: a field truly at {at} {} would be called \"{call}\" {}.",
                    unit(design),
                    of(risk)
                ),
            );
        }
    }
    if let (Some(mean), Some(low)) = (d.estimate.mean, d.estimate.low) {
        let high = d.estimate.high.map_or_else(|| "more than can be told".to_owned(), figures);
        out += &wrapped(
            "",
            &format!(
                "Best estimate: {} {}; likely somewhere between {} and {high}.",
                figures(mean),
                unit(design),
                figures(low)
            ),
        );
    } else if let Some(told) = &d.any_time {
        let high = told.high.map_or_else(|| "more than can be told".to_owned(), figures);
        out += &wrapped(
            "",
            &format!("So far the mean looks to be between {} and {high} {}.", figures(told.low), unit(design)),
        );
    }
    if let Some(next) = &d.what_next {
        out += &wrapped("", &format!("About {:.0} more sites to go.", next.likely.sites.max(1.0)));
    }
    out.push('\n');
    d.cautions.iter().for_each(|caution| out += &wrapped("", &caution.text));
    out
}

fn found(total: Total, design: &Design) -> String {
    match design.score {
        Score::Positive { .. } => format!("{total} units with enemies"),
        _ => format!("{total} enemies"),
    }
}
