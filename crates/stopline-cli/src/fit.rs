//! `stopline fit`: how clumped the counts are.

use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::words::{figures, many, one_line, wrapped};
use crate::{arguments, input, study, values};
use stopline::dispersion::{
    Bound, Clumping, Draws, Estimate, FieldFit, Fit, Stopped, Studying, fit_counts, study_counts,
};
use stopline::{Error, Watch};

pub fn run(args: &arguments::Fit, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    let level = values::level("--level", &args.level)?;
    let how = Studying { level, draws: draws(args)?, run_length: run_length(args)? };
    let counts = input::counts(&args.counts, &args.reading)?;
    let plan = args.stopped_by.as_deref().map(input::plan).transpose()?;
    let mut fit = if args.study { study_counts(&counts, &how, watch)? } else { fit_counts(&counts, level, watch)? };
    if let Some(plan) = &plan {
        fit = fit.stopped_by(&counts, plan.lines(), watch)?;
    }
    if json {
        return Ok(Answer { notes: counts.notes(), ..Answer::json(&fit) });
    }
    let mut text = format!("{} of {}\n", many(counts.walks.len() as u64, "walk"), plants(counts.plants.get()));
    counts.notes().iter().for_each(|note| text += &format!("Note: {note}\n"));
    text.push('\n');
    let headings = ["field", "visit", "sites", "missing", "mean", "variance", "k", "limits of k"];
    text += &output::table(&headings, fit.fields.iter().map(row), 2);
    text.push('\n');
    text += &common(&fit);
    if let Some(of) = &fit.stopped {
        text += &stopped(of);
    }
    if let Some(study) = &fit.study {
        text += &study::text(&fit, study);
    }
    Ok(Answer::text(text))
}

/// What is drawn at random for a study.
fn draws(args: &arguments::Fit) -> Result<Draws, Error> {
    let number = args.draws.as_deref().map_or(Ok(999), |text| values::whole("--draws", text, 99, 1_000_000))?;
    let seed = args.seed.as_deref().map_or(Ok(1), |text| values::whole("--seed", text, 0, u32::MAX))?;
    Draws::new(number, seed.into())
}

/// `sites of 3 plants`.
pub fn plants(n: u16) -> String {
    format!("sites of {}", many(n, "plant"))
}

fn row(field: &FieldFit) -> Vec<String> {
    let number = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), figures);
    vec![
        one_line(&field.field),
        one_line(&field.visit),
        field.sites.to_string(),
        field.missing.to_string(),
        number(field.mean),
        number(field.variance),
        k(field.ml.k),
        limits(&field.ml),
    ]
}

/// k, or in words why there is none.
pub fn k(of: Clumping) -> String {
    match of {
        Clumping::Estimated(k) => figures(k),
        Clumping::Poisson => "not clumped".to_owned(),
        Clumping::Undefined(_) => "unknown".to_owned(),
    }
}

/// The limits of k, or in words why there are none.
pub fn limits(of: &Estimate) -> String {
    match (of.k.why(), of.interval) {
        (Some(why), _) => why.to_string(),
        (None, None) => "-".to_owned(),
        (None, Some(interval)) => match interval.high {
            Bound::At(high) => format!("{} to {}", figures(interval.low), figures(high)),
            Bound::Unbounded => format!("{} or more", figures(interval.low)),
        },
    }
}

fn common(fit: &Fit) -> String {
    let c = &fit.common;
    let ways = [
        ("given each walk's total, which a plan uses", &c.conditional),
        ("adjusted for the fitted means (Cox and Reid)", &c.cox_reid),
        ("plain maximum likelihood, too large for short walks", &c.ml),
    ];
    let rows = ways.map(|(how, e)| vec![how.to_owned(), k(e.k), limits(e)]);
    let mut text = output::table(&["k common to all walks", "k", "limits of k"], rows, 1);
    text += &format!(
        "\nLimits at level {}. The smaller k, the more clumped: variance m + m²/k at mean m.\n",
        fit.level.get()
    );
    if let Some(field) = fit.most_clumped() {
        text += &format!(
            "Most clumped: {}, visit {}, k {}.\n",
            one_line(&field.field),
            one_line(&field.visit),
            k(field.ml.k)
        );
    }
    if c.walks_without_any > 0 {
        text += &format!(
            "{} without any enemies tell nothing of k and are left out.\n",
            many(c.walks_without_any as u64, "walk")
        );
    }
    if c.walks_of_one_site > 0 {
        text += &format!("{} of a single site tell nothing of k.\n", many(c.walks_of_one_site as u64, "walk"));
    }
    text
}

fn run_length(args: &arguments::Fit) -> Result<u32, Error> {
    args.run_length.as_deref().map_or(Ok(5), |text| values::whole("--run", text, 2, 1000))
}

fn stopped(of: &Stopped) -> String {
    let many = |n: usize, one: &str| many(n as u64, one);
    let mut text = format!(
        "From where the plan stopped {}: k {} (limits {}). The other k take no account of stopping and read too large.",
        many(of.walks, "walk"),
        k(of.estimate.k),
        limits(&of.estimate)
    );
    if of.not_stopped > 0 {
        text += &format!(" {} not stopped by the plan left out.", many(of.not_stopped, "walk"));
    }
    if of.after_stop > 0 {
        text += &format!(" {} after a stop left out.", many(of.after_stop, "site"));
    }
    wrapped("", &text)
}
