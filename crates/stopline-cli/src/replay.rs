//! `stopline replay`: a plan run over full walks.

use crate::arguments::Replay as Arguments;
use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::watch::Watched;
use crate::words::{figures, many, one_line, wrapped};
use crate::{input, simulated, values};
use serde::Serialize;
use stopline::decide::standing_cautions;
use stopline::replay::{LeftOut, Replay, Replayed, Replaying, Tally, leave_one_out, replay};
use stopline::{Error, Watch};

/// Random orders of each walk where none are given.
const ORDERS: &str = "1000";
/// Level of the interval of a field's mean.
const LEVEL: &str = "0.9";

/// A replay with what was left out, as programs see it.
#[derive(Serialize)]
struct Whole<'a> {
    #[serde(flatten)]
    replay: &'a Replay,
    left_out: Option<&'a [LeftOut]>,
}

pub fn run(args: &Arguments, json: bool) -> Result<Answer, Failure> {
    let how = Replaying {
        orders: values::whole("--orders", args.orders.as_deref().unwrap_or(ORDERS), 0, 1_000_000)?,
        seed: args.seed.as_deref().map_or(Ok(1), |text| values::whole("--seed", text, 0, (1 << 53) - 1))?,
        level: values::level("--level", args.level.as_deref().unwrap_or(LEVEL))?,
        timings: args.times.minutes()?,
    };
    let plan = input::plan(&args.plan)?;
    let counts = input::counts(&args.counts, &args.reading)?;
    let watch: &dyn Watch = &Watched::with_bar();
    let in_file = |e: Error| Failure::from(e).in_file(&args.counts.display().to_string());
    let found = replay(&plan, &counts, &how, watch).map_err(in_file)?;
    let left_out = args.leave_out.then(|| leave_one_out(&plan, &counts, &how, watch).map_err(in_file)).transpose()?;
    let whole = Whole { replay: &found, left_out: left_out.as_deref() };
    Ok(if json { Answer::json(&whole) } else { Answer::text(text(&whole)) })
}

fn text(whole: &Whole<'_>) -> String {
    let replay = whole.replay;
    let mut out = "Each walk as the plan would have gone along it, beside the call of the whole walk\n\n".to_owned();
    let headings = ["field", "visit", "sites", "mean", "whole walk", "stops at", "call", "same", "orders: same"];
    out += &output::table(&headings, replay.walks.iter().map(row), 2);
    out.push('\n');
    out += &tally("In the order walked", &replay.tally);
    if let Some(random) = &replay.random {
        let [stopped, agree, sites] = [random.stopped, random.agree, random.sites].map(simulated::with_error);
        let orders = many(replay.how.orders, "random order");
        out += &wrapped(
            "",
            &format!(
                "In {orders} of each walk: stopped in {stopped} of them, with the call of the whole walk in {agree}, \
                 after {sites} sites on average (± standard error of the orders drawn, seed {}).",
                replay.how.seed
            ),
        );
    }
    let names = |walks: Vec<&Replayed>| {
        walks.iter().map(|w| format!("{} (visit {})", one_line(&w.field), one_line(&w.visit))).collect::<Vec<_>>()
    };
    for walk in replay.disagreeing() {
        out += &wrapped("Disagrees   ", &disagreement(walk));
    }
    let short = names(replay.too_short().collect());
    if !short.is_empty() {
        out +=
            &wrapped("Too short   ", &format!("{}: the plan had not stopped when the walk ended.", short.join(", ")));
    }
    if let Some(left_out) = whole.left_out {
        out += &left_out_text(left_out);
    }
    out.push('\n');
    let level = figures(100.0 * replay.how.level.get());
    out += &wrapped(
        "",
        &format!(
            "The call of the whole walk is that of the plan's last check, scaled to the sites of the walk; a call is \
             contradicted where it is wrong all over the {level} % interval of the field's mean by the whole walk. \
             The whole walk has errors too: two calls that differ do not say which is right."
        ),
    );
    let cautions: Vec<String> = standing_cautions().into_iter().map(|c| c.text).collect();
    out + &wrapped("Caution     ", &cautions.join(" "))
}

fn row(walk: &Replayed) -> Vec<String> {
    let (ended, none) = (&walk.walked, || "-".to_owned());
    let same = match (ended.agrees, ended.contradicted) {
        (_, Some(true)) => "contradicted".to_owned(),
        (Some(true), _) => "yes".to_owned(),
        (Some(false), _) => "no".to_owned(),
        _ => none(),
    };
    vec![
        one_line(&walk.field),
        one_line(&walk.visit),
        walk.sites.to_string(),
        figures(walk.mean),
        walk.whole.as_str().to_owned(),
        ended.stopped_at.map_or_else(|| "too short".to_owned(), |at| at.to_string()),
        ended.call.map_or_else(none, |call| call.as_str().to_owned()),
        same,
        walk.random.map_or_else(none, |random| format!("{:.2}", random.agree.value)),
    ]
}

fn tally(head: &str, tally: &Tally) -> String {
    let Tally { walks, stopped, agree, contradicted, sites, used, minutes_saved } = *tally;
    let share = if sites > 0 { 100.0 * (sites - used) as f64 / sites as f64 } else { 0.0 };
    let minutes = minutes_saved.map_or_else(String::new, |minutes| format!(", {} minutes", figures(minutes)));
    wrapped(
        "",
        &format!(
            "{head}: the plan stopped on {stopped} of {}, {agree} times with the call of the whole walk, \
             {contradicted} times with one that its interval contradicts; {used} of {sites} sites were needed, \
             {share:.0} % saved{minutes}.",
            many(walks as u64, "walk")
        ),
    )
}

fn disagreement(walk: &Replayed) -> String {
    let call = walk.walked.call.map_or("", |call| call.as_str());
    let interval = walk.interval.map_or_else(String::new, |between| {
        format!(", interval of the mean {} to {}", figures(between.low), figures(between.high))
    });
    format!(
        "{} (visit {}): {call} after {}, the whole walk of {} {}{interval}.",
        one_line(&walk.field),
        one_line(&walk.visit),
        many(walk.walked.stopped_at.unwrap_or(0), "site"),
        many(walk.sites, "site"),
        walk.whole.as_str()
    )
}

/// Each field under a plan made without it.
fn left_out_text(all: &[LeftOut]) -> String {
    let mut out = "\nEach field under a plan made without it\n".to_owned();
    let row = |one: &LeftOut| {
        let k = one.k.map_or_else(|| "none".to_owned(), figures);
        let Tally { walks, stopped, agree, contradicted, sites, used, .. } = one.tally;
        let cells = match &one.why {
            Some(why) => vec![format!("no plan: {}", one_line(why))],
            None => vec![
                walks.to_string(),
                stopped.to_string(),
                agree.to_string(),
                contradicted.to_string(),
                format!("{used} of {sites}"),
            ],
        };
        [one_line(&one.field), k].into_iter().chain(cells).collect()
    };
    let headings = ["field", "k of the others", "walks", "stopped", "same call", "contradicted", "sites needed"];
    out += &output::table(&headings, all.iter().map(row), 1);
    let mut sum = Tally::default();
    for one in all {
        sum.walks += one.tally.walks;
        sum.stopped += one.tally.stopped;
        sum.agree += one.tally.agree;
        sum.contradicted += one.tally.contradicted;
        sum.sites += one.tally.sites;
        sum.used += one.tally.used;
    }
    out + &tally("Together", &sum)
}
