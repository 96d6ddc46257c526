//! `stopline evaluate`: what a plan really does.

use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::simulated::{self, Simulation, clustered};
use crate::words::{figures, wrapped};
use crate::{arguments, clumped, input, resample, sensitivity, values};
use serde::Serialize;
use stopline::estimate::{AfterStop, Behaviour, EstimatedStop, Order};
use stopline::evaluate::{CurveRow, Evaluation, evaluate, evaluate_clustered, sensitivity};
use stopline::{Call, Code, Dispersion, Error, Watch};

/// Share of the enemies that the bucket catches where nobody says it.
const CAUGHT: &str = "0.8";

/// Evaluations under several k.
#[derive(Serialize)]
struct Several<E> {
    evaluations: Vec<E>,
}

pub fn run(args: &arguments::Evaluate, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    let means = args.means.as_deref().map(|text| values::list("--means", text, values::mean)).transpose()?;
    let ks = args.k.as_deref().map(|k| values::list("--k", k, values::k)).transpose()?;
    let caught = args.caught.as_deref().unwrap_or(CAUGHT);
    let caught = values::share("--caught", caught)?;
    let shared = args.alike.shared()?;
    let plan = input::plan(&args.plan)?;
    if let Some(counts) = &args.real.resample {
        return resample::run(args, counts, &plan, ks.as_deref(), json);
    }
    let score = &plan.asked().score;
    if let Some(k) = args.k.as_ref().filter(|_| plan.asked().dispersion.of_shares()) {
        return Err(Error::new(Code::Combination, "--k", k, "nothing: shares of units have no clumping").into());
    }
    for &mean in means.iter().flatten() {
        plan.asked().dispersion.laws(score, mean).map_err(|e| e.named("--means"))?;
    }
    if args.sensitivity {
        let found = sensitivity(&plan, &sensitivity::means(&plan, means)?, caught, watch)?;
        return Ok(if json { Answer::json(&found) } else { Answer::text(sensitivity::text(&found)) });
    }
    let means = means.unwrap_or_default();
    if args.check_of_k {
        let found = plan.check_of_k()?.report(plan.digest().as_str(), &means, watch)?;
        return Ok(if json { Answer::json(&found) } else { Answer::text(clumped::text(&found)) });
    }
    let under = match ks {
        Some(ks) => ks.into_iter().map(|k| Dispersion::ConstantK { k }).collect(),
        None => vec![plan.asked().dispersion],
    };
    if let Some(simulation) = Simulation::of(&args.simulation)? {
        let simulated = |&under: &Dispersion| match shared {
            Some(shared) => simulation.run(&plan, &clustered(under, shared)?, &means),
            None => simulation.run(&plan, &under, &means),
        };
        let evaluations = under.iter().map(simulated).collect::<Result<Vec<_>, _>>()?;
        return Ok(answer(evaluations, json, simulated::text));
    }
    let intervals = (values::level("--level", &args.level)?, Order::parse(&args.order)?);
    let up_to = args.stops.as_deref().map(|text| values::mean("--stops", text)).transpose()?;
    let exact = |&under: &Dispersion| {
        if let Some(shared) = shared {
            return evaluate_clustered(&plan, &clustered(under, shared)?, &means, watch);
        }
        let mut found = evaluate(&plan, &under, &means, watch)?;
        if args.estimates {
            found = found.with_behaviour(&plan, intervals, watch)?;
        }
        match up_to {
            Some(up_to) => found.with_stops(&plan, up_to, intervals, watch),
            None => Ok(found),
        }
    };
    let evaluations = under.iter().map(exact).collect::<Result<Vec<_>, _>>()?;
    let mut answer = answer(evaluations, json, text);
    if let (Some(alike), None) = (plan.alike(), shared) {
        let run = alike.run().map_or_else(|| "--whole-walk".to_owned(), |run| format!("--run {run}"));
        let said = format!(
            "This plan was made for sites that are alike; these are independent. --shared {} {run} shows those.",
            alike.shared().get()
        );
        if json {
            answer.notes.push(said);
        } else {
            answer.printed += &format!("\n{}", wrapped("", &said));
        }
    }
    Ok(answer)
}

fn answer<E: Serialize>(evaluations: Vec<E>, json: bool, text: impl Fn(&E) -> String) -> Answer {
    match evaluations.as_slice() {
        [one] if json => Answer::json(one),
        _ if json => Answer::json(&Several { evaluations }),
        all => Answer::text(all.iter().map(text).collect::<Vec<_>>().join("\n")),
    }
}

/// The dispersion taken to be true, in words.
pub fn under(dispersion: &Dispersion) -> String {
    match dispersion.constant_k() {
        Some(k) => format!("k {}", figures(k.get())),
        None => format!("{} counts", dispersion.name()),
    }
}

/// The evaluation as a table.
pub fn text(evaluation: &Evaluation) -> String {
    let (under, common) = (under(&evaluation.under), simulated::common(&evaluation.source));
    let mut text = wrapped("", &format!("Exact probabilities of each call, and sites, for {under}{common}")) + "\n";
    let calls = [Call::Adequate, Call::Marginal, Call::Inadequate, Call::Enough, Call::Undecided];
    let calls: Vec<Call> = calls.into_iter().filter(|call| evaluation.calls.contains(call)).collect();
    let mut headings = vec!["mean"];
    headings.extend(calls.iter().map(|call| call.as_str()));
    headings.extend(["sites on average", "sd", "half by", "90 % by", "at the cap"]);
    if evaluation.estimates.is_some() {
        headings.extend(["true SE/mean", "mean too high by"]);
    }
    let p = |p: f64| format!("{p:.4}");
    let row = |(i, row): (usize, &CurveRow)| {
        let mut cells = vec![figures(row.mean)];
        cells.extend(calls.iter().map(|&call| p(row.p(call))));
        cells.push(format!("{:.2}", row.expected_sites));
        cells.push(format!("{:.2}", row.sites_sd));
        cells.extend([row.sites_p50, row.sites_p90].map(|n| n.to_string()));
        cells.push(p(row.at_cap));
        if let Some(estimate) = evaluation.estimates.as_ref().and_then(|all| all.get(i)) {
            cells.extend([p(estimate.se_over_mean), format!("{:+.1} %", 100.0 * estimate.bias_over_mean)]);
        }
        cells
    };
    text += &output::table(&headings, evaluation.curve.rows.iter().enumerate().map(row), 0);
    if let Some(found) = &evaluation.behaviour {
        text += &behaviour(found);
    }
    if let Some(stops) = &evaluation.stops {
        text += &told(stops);
    }
    if let Some((level, order)) = evaluation.intervals {
        let by = match order {
            Order::PlainMean => "total over sites",
            Order::Stage => "stage",
        };
        let said = format!(
            "Intervals hold the true mean at least {:.0} times in 100; stops in order by {by}.",
            100.0 * level.get()
        );
        text += &format!("\n{}", wrapped("", &said));
    }
    if let Some(mean) = evaluation.curve.even_mean {
        text += &format!("\nBoth calls are equally likely at mean {}.\n", figures(mean));
    }
    text
}

/// How estimates after stopping behave.
fn behaviour(found: &[Behaviour]) -> String {
    let percent = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), |x| format!("{:+.1} %", 100.0 * x + 0.0));
    let p = |p: f64| format!("{p:.4}");
    let headings = [
        "mean",
        "plain mean off by",
        "plain interval holds",
        "estimate off by",
        "its sd",
        "interval holds",
        "above",
        "below",
    ];
    let rows = found.iter().map(|row| {
        vec![
            figures(row.mean),
            percent(row.plain_bias),
            row.plain_covers.map_or_else(|| "-".to_owned(), p),
            percent(row.bias.map(|bias| if bias.abs() < 5e-10 { 0.0 } else { bias })),
            percent(row.se).trim_start_matches('+').to_owned(),
            p(row.covers),
            p(row.above),
            p(row.below),
        ]
    });
    format!(
        "\nThe mean told after stopping, and how often intervals hold the true one\n\n{}",
        output::table(&headings, rows, 0)
    )
}

/// Every stop with what it tells.
fn told(stops: &[EstimatedStop]) -> String {
    let headings = ["sites", "total", "call", "estimate", "from", "to", "plain mean"];
    let number = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), figures);
    let rows = stops.iter().map(|stop| {
        let AfterStop { plain, mean, low, high } = stop.told;
        let call = stop.call.as_str().to_owned();
        let mut cells = vec![stop.at.to_string(), stop.total.to_string(), call];
        cells.extend([mean, Some(low), high, plain].map(number));
        cells
    });
    format!("\nWhat every stop tells of the mean\n\n{}", output::table(&headings, rows, 0))
}
