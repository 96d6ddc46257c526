//! `stopline evaluate --resample`: a plan over the sites of real walks drawn again.

use crate::arguments::Evaluate;
use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::simulated::with_error;
use crate::watch::Watched;
use crate::words::{figures, many, one_line, wrapped};
use crate::{input, values};
use std::path::Path;
use stopline::plan::Plan;
use stopline::resample::{Redraw, Resample, Resampled, Resampling, resample};
use stopline::simulate::Estimate;
use stopline::{Code, Dispersion, Error, K, MOST_SITES};

/// Times that each walk is walked, sites of a block and sets of walks for the verdict where none are given.
const WALKS: &str = "10000";
const BLOCK: &str = "5";
const SETS: &str = "199";

pub fn run(args: &Evaluate, path: &Path, plan: &Plan, ks: Option<&[K]>, json: bool) -> Result<Answer, Failure> {
    let real = &args.real;
    let how = redraw(&real.redraw, block(std::slice::from_ref(&real.redraw), real.block.as_deref())?);
    if let Some(most) = &args.reading.counted_to {
        let allowed = "walks counted in full: others do not tell their mean";
        return Err(Error::new(Code::Combination, "--counted-to", most, allowed).into());
    }
    let simulation = &args.simulation;
    let how = Resampling {
        how,
        walks: values::whole("--simulate", simulation.simulate.as_deref().unwrap_or(WALKS), 2, 1_000_000_000)?,
        seed: simulation.seed.as_deref().map_or(Ok(1), |text| values::whole("--seed", text, 0, (1 << 53) - 1))?,
        hold_out: real.hold_out,
        sets: values::whole("--sets", real.sets.as_deref().unwrap_or(SETS), 99, 100_000)?,
    };
    let under = match ks {
        None => plan.asked().dispersion,
        Some(&[k]) => Dispersion::ConstantK { k },
        Some(_) => {
            let k = args.k.as_deref().unwrap_or_default();
            return Err(Error::new(Code::Combination, "--k", k, "one, with --resample").into());
        }
    };
    let counts = input::counts(path, &args.reading)?;
    let watch = Watched::with_bar();
    let found = resample(plan, &counts, &under, &how, &watch)
        .map_err(|e| Failure::from(e).in_file(&path.display().to_string()))?;
    Ok(if json { Answer::json(&found) } else { Answer::text(text(&found)) })
}

/// Neighbours of a block, where a way to draw sites has blocks.
pub fn block(ways: &[String], block: Option<&str>) -> Result<u32, Error> {
    match block {
        Some(_) if !ways.iter().any(|way| way == "blocks") => {
            Err(Error::new(Code::Combination, "--block", "given", "only with --redraw blocks"))
        }
        block => values::whole("--block", block.unwrap_or(BLOCK), 1, MOST_SITES),
    }
}

/// A way to draw sites, by its word.
pub fn redraw(way: &str, block: u32) -> Redraw {
    match way {
        "blocks" => Redraw::Blocks(block),
        "without-replacement" => Redraw::WithoutReplacement,
        _ => Redraw::WithReplacement,
    }
}

fn text(found: &Resample) -> String {
    let how = match found.how {
        Redraw::WithoutReplacement => "without replacement".to_owned(),
        Redraw::Blocks(block) => format!("in blocks of {}", many(block, "neighbour")),
        _ => "with replacement".to_owned(),
    };
    let k = if found.held_out { "fitted to the other fields" } else { "taken to be true" };
    let mut out = wrapped(
        "",
        &format!(
            "Sites of each walk drawn again {how}, {} each, seed {}; beside them the exact curve at the walk's mean and \
             the k {k}. ± is the Monte-Carlo standard error",
            many(found.walks, "time"),
            found.seed
        ),
    );
    let headings = [
        "\nfield",
        "\nvisit",
        "\nsites",
        "\nmean",
        "\nk",
        "called adequate\ndrawn",
        "\nexact",
        "sites on average\ndrawn",
        "\nexact",
    ];
    let row = |row: &Resampled| {
        vec![
            one_line(&row.field),
            one_line(&row.visit),
            row.sites.to_string(),
            figures(row.found.mean),
            row.under.constant_k().map_or_else(|| "none".to_owned(), |k| figures(k.get())),
            with_error(row.found.adequate),
            format!("{:.4}", row.exact.adequate),
            with_error(row.found.expected_sites),
            format!("{:.2}", row.exact.expected_sites),
        ]
    };
    out += &format!("\n{}\n", output::table(&headings, found.rows.iter().map(row), 2));
    if !found.without_any.is_empty() {
        let names: Vec<String> =
            found.without_any.iter().map(|[f, v]| format!("{} (visit {})", one_line(f), one_line(v))).collect();
        out += &wrapped("", &format!("Left out, since nothing was found: {}.", names.join(", ")));
    }
    let fairness = &found.fairness;
    let p = |value: f64, se: f64| with_error(Estimate { value, se });
    let fair = if fairness.fair { "is" } else { "is NOT" };
    out + &wrapped(
        "",
        &format!(
            "The curve {fair} a fair description of these walks. Chances of the call are off by {} (root mean square), \
             expected sites by {}; of {} sets of walks that follow the law, a share of {} is off so far or further in \
             calls and of {} in sites. Few or short walks do not show what is unfair.",
            p(fairness.off_call, fairness.off_call_se),
            p(fairness.off_sites, fairness.off_sites_se),
            fairness.sets,
            p(fairness.p_call, fairness.p_call_se),
            p(fairness.p_sites, fairness.p_sites_se)
        ),
    )
}
