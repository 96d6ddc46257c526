//! `stopline fit`: how clumped the counts are.

use crate::apart::{self, Asked};
use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::proportion::{Whole, relation};
use crate::words::{figures, many, one_line, quoted, wrapped};
use crate::{arguments, capped, clumped, input, study, values};
use std::fs;
use std::path::Path;
use stopline::counts::Counts;
use stopline::decide::{Season, season};
use stopline::dispersion::{
    Bound, Clumping, Draws, Estimate, FieldFit, Fit, Needed, Origin, PlantsOfSites, Stopped, Studying, Why, fit_counts,
    fit_proportion, fit_summaries, study_counts,
};
use stopline::plan::Plan;
use stopline::{Code, Error, K, Level, Mean, Minutes, Total, Watch};

/// Walks to look at that are listed.
const SHOWN: usize = 20;

pub fn run(args: &arguments::Fit, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    let level = values::level("--level", &args.level)?;
    let at_means = args.at_means.as_deref().map(|text| values::list("--at-means", text, values::mean)).transpose()?;
    if args.summary {
        return summary(args, level, &at_means.unwrap_or_default(), json);
    }
    if at_means.is_some() && !args.study {
        return Err(Error::new(Code::Combination, "--at-means", "given", "only with --study or --summary").into());
    }
    csv_is_another_file(args)?;
    let quality =
        args.quality.as_deref().map(|text| values::number("--quality", text, "from 0.01 to 1")).transpose()?;
    let minutes = minutes(args)?;
    let how =
        Studying { level, draws: draws(args.draws.as_deref(), args.seed.as_deref())?, run_length: run_length(args)? };
    let above = args.above.as_deref().map(|text| values::whole("--above", text, 0, u32::MAX)).transpose()?;
    let asked = Asked::of(args)?;
    let counts = asked.counts(args)?;
    if let Some(most) = args.reading.counted_to()? {
        return capped::fit(args, &counts, most, level, json, watch);
    }
    let plan = args.stopped_by.as_deref().map(input::plan).transpose()?;
    let mut together = None;
    let mut fit = if args.study { study_counts(&counts, &how, watch)? } else { fit_counts(&counts, level, watch)? };
    if let Some(plan) = &plan {
        fit = fit.stopped_by(&counts, plan.lines(), watch)?;
        together = Some(season_of(&counts, plan, watch));
    }
    if let Some(quality) = quality {
        fit = fit.with_needed(&counts, quality).map_err(|e| e.named("--quality"))?;
    }
    if counts.by_plant.is_some() || minutes.is_some() {
        fit = fit.with_plants(&counts, minutes, how.draws, watch)?;
    }
    let fit = asked.add(fit, &counts, &how, watch)?;
    let fit = fit.with_command(command()).with_k_at(&at_means.unwrap_or_default());
    let csv = args.csv.iter().map(|path| Ok((path.clone(), fit.to_csv()?))).collect::<Result<Vec<_>, Error>>()?;
    let proportion = above.map(|above| fit_proportion(&counts, above, level)).transpose()?;
    if json {
        let check_of_k = together.as_ref().and_then(|found| found.as_ref().ok()).map(|(season, _)| season);
        let whole = Whole { fit: &fit, proportion: proportion.as_ref(), check_of_k };
        return Ok(Answer { notes: counts.notes(), files: csv, ..Answer::json(&whole) });
    }
    let mut text = format!("{} of {}\n", many(counts.walks.len() as u64, "walk"), plants(counts.plants.get()));
    counts.notes().iter().for_each(|note| text += &format!("Note: {note}\n"));
    text.push('\n');
    let headings = ["field", "visit", "sites", "missing", "mean", "variance", "k", "limits of k"];
    text += &output::table(&headings, fit.fields.iter().map(row), 2);
    text += &notices(&fit);
    text.push('\n');
    text += &common(&fit);
    if let Some(of) = &fit.stopped {
        text += &stopped(of);
        match &together {
            Some(Ok((season, k))) => text += &clumped::season(season, *k),
            Some(Err(e)) => {
                text += &wrapped("", &format!("Whether they are more clumped than planned was not checked: {e}."))
            }
            None => {}
        }
    }
    text += &proportion.as_ref().map(relation).unwrap_or_default();
    if let Some(of) = &fit.needed {
        text += &needed(of);
    }
    if let Some(of) = &fit.plants_of_sites {
        text += &plants_of_sites(of);
    }
    text += &apart::text(&fit);
    if let Some(study) = &fit.study {
        text += &study::text(&fit, study);
    }
    Ok(Answer { files: csv, ..Answer::text(text) })
}

/// What summaries tell.
fn summary(args: &arguments::Fit, level: Level, at_means: &[Mean], json: bool) -> Result<Answer, Failure> {
    let (summaries, digest) = input::summaries(&args.counts, &args.reading)?;
    let mut fit = fit_summaries(&summaries, level)?.with_k_at(at_means);
    fit.origin = Origin { input: Some(digest), command: Some(command()) };
    if json {
        return Ok(Answer::json(&fit));
    }
    let rows = fit.fields.iter().map(|(of, k)| {
        let variance = of.variance.map_or_else(|| "-".to_owned(), figures);
        let k = k.map_or_else(|_| "-".to_owned(), figures);
        vec![one_line(&of.field), one_line(&of.visit), of.sites.to_string(), figures(of.mean), variance, k]
    });
    let mut text = output::table(&["field", "visit", "sites", "mean", "variance", "k moments"], rows, 2);
    text += &wrapped("", "Means and variances alone: for k common to all walks and its limits the counts are needed.");
    Ok(Answer::text(text + &study::variance(&fit.mean_variance)))
}

/// The command as it was typed.
fn command() -> String {
    let words = std::env::args_os().skip(1).map(|word| quoted(&word.to_string_lossy()));
    std::iter::once("stopline".to_owned()).chain(words).collect::<Vec<_>>().join(" ")
}

/// The table of walks is not written over the counts, nor over what is printed.
fn csv_is_another_file(args: &arguments::Fit) -> Result<(), Error> {
    let Some(csv) = &args.csv else { return Ok(()) };
    let same = |a: &Path, b: &Path| {
        a == b || fs::canonicalize(a).ok().zip(fs::canonicalize(b).ok()).is_some_and(|(a, b)| a == b)
    };
    if csv.as_os_str() == "-" || same(csv, &args.counts) {
        return Err(Error::new(Code::Combination, "--csv", csv.display(), "another file than the counts"));
    }
    Ok(())
}

/// Walks that a person should look at.
fn notices(fit: &Fit) -> String {
    let lines: Vec<String> = fit
        .fields
        .iter()
        .filter_map(|field| {
            let name = format!("{}, visit {}", one_line(&field.field), one_line(&field.visit));
            Some(format!("Look at {name}: {}.\n", field.notice?))
        })
        .collect();
    let more = lines.len().saturating_sub(SHOWN);
    let more = if more > 0 { format!("Look at {more} more, marked in --json and --csv.\n") } else { String::new() };
    lines.into_iter().take(SHOWN).chain([more]).collect()
}

/// What is drawn at random for a study.
pub fn draws(number: Option<&str>, seed: Option<&str>) -> Result<Draws, Error> {
    let number = number.map_or(Ok(999), |text| values::whole("--draws", text, 99, 1_000_000))?;
    let seed = seed.map_or(Ok(1), |text| values::whole("--seed", text, 0, u32::MAX))?;
    Draws::new(number, seed.into())
}

fn minutes(args: &arguments::Fit) -> Result<Option<Minutes>, Error> {
    let (Some(site), Some(plant)) = (&args.minutes_site, &args.minutes_plant) else { return Ok(None) };
    let number = |flag, text| values::number(flag, text, "from 0 to 100000");
    let enemy = args.minutes_enemy.as_deref().map_or(Ok(0.0), |text| number("--minutes-enemy", text))?;
    let site = Minutes::new(number("--minutes-site", site)?)?;
    site.with_plant(number("--minutes-plant", plant)?)?.with_enemy(enemy).map(Some)
}

/// How many fields tell k as closely as wanted.
fn needed(of: &Result<Needed, Why>) -> String {
    let of = match of {
        Ok(of) => of,
        Err(why) => return wrapped("", &format!("What a closer k needs is not known: {why}.")),
    };
    let fields: Vec<String> =
        of.fields.iter().map(|f| format!("{} of {} sites", many(f.fields, "field"), f.sites)).collect();
    let text = format!(
        "These walks tell k with a standard error of {:.0} % of it. {:.0} % need, in fields like these: {}. More where k \
         differs from field to field.",
        100.0 * of.relative_error,
        100.0 * of.wanted,
        fields.join(", or ")
    );
    wrapped("", &text)
}

/// What single plants tell.
fn plants_of_sites(of: &Result<PlantsOfSites, Why>) -> String {
    let of = match of {
        Ok(of) => of,
        Err(why) => return wrapped("", &format!("How many plants a site should have is not known: {why}.")),
    };
    let p = of.p.map_or_else(|why| why.to_string(), study::p);
    let mut text = wrapped(
        "",
        &format!(
            "Plants of a site ({} sites of {}): variance between plants {}, between sites beyond that {} (p {p} if a walk's \
             plants were in random order).",
            of.sites,
            many(of.plants, "plant"),
            figures(of.between_plants),
            figures(of.between_sites)
        ),
    );
    text += &match &of.best {
        Ok(best) => {
            let at = best.minutes.iter().zip(1..).map(|(minutes, g): (&f64, u32)| format!("{g}: {minutes:.2}"));
            let at: Vec<String> = at.collect();
            wrapped(
                "",
                &format!(
                    "By your minutes {} a site tell most. Minutes for the same precision, over those, by plants a site: {}.",
                    many(best.plants, "plant"),
                    at.join(", ")
                ),
            )
        }
        Err(why) => wrapped("", &format!("How many plants a site should have is not known: {why}.")),
    };
    text
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
            "Of no use for k, and left out: {} without any enemies.\n",
            many(c.walks_without_any as u64, "walk")
        );
    }
    if c.walks_of_one_site > 0 {
        text += &format!("Of no use for k: {} of a single site.\n", many(c.walks_of_one_site as u64, "walk"));
    }
    text
}

fn run_length(args: &arguments::Fit) -> Result<u32, Error> {
    args.run_length.as_deref().map_or(Ok(5), |text| values::whole("--run", text, 2, 1000))
}

/// What the walks say of the plan's k together, with that k.
fn season_of(counts: &Counts, plan: &Plan, watch: &dyn Watch) -> Result<(Season, Option<f64>), Error> {
    let check = plan.check_of_k()?;
    let walks: Vec<Vec<Total>> = counts.walks.iter().map(|walk| walk.present().map(Total::from).collect()).collect();
    Ok((season(check, &walks, watch)?, check.k().map(K::get)))
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
