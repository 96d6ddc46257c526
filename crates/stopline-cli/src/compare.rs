//! `stopline compare`: fixed numbers of sites and plans side by side.

use crate::arguments::{Compare, TimeArguments};
use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::past::Past;
use crate::words::{figures, in_100, many, one_line, wrapped};
use crate::{evaluate, input, request, values};
use std::collections::BTreeSet;
use std::path::Path;
use stopline::compare::{
    At, Comparison, Ground, PRECISIONS, Risked, USUAL_SITES, Way, WayCompared, compare, in_common, means_around,
    most_clumped_third,
};
use stopline::dispersion::field_means_of;
use stopline::evaluate::CurveRow;
use stopline::plan::Plan;
use stopline::{Code, Dispersion, Error, MOST_SITES, Minutes, Plants, Score, Thresholds, Watch};

pub fn run(args: &Compare, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    let fixed = match &args.fixed {
        Some(text) => values::list("--fixed", text, |flag, text| values::whole(flag, text, 1, MOST_SITES))?,
        None => USUAL_SITES.to_vec(),
    };
    let visits = args.visits.as_deref().map_or(Ok(1), |text| values::whole("--visits", text, 1, 1000))?;
    let timings = args.times.minutes()?;
    let plans = args.plans.iter().map(|path| input::plan(path)).collect::<Result<Vec<_>, _>>()?;
    let plans: Vec<(String, &Plan)> = args.plans.iter().map(|path| name(path)).zip(&plans).collect();
    let k = args.k.as_deref().map(|text| values::k("--k", text)).transpose()?;
    let past = args.from.as_deref().map(|path| Past::read(path, &args.reading, watch)).transpose()?;

    let score = in_common(&plans, "score", |plan| Some(plan.asked().score.clone()))?.unwrap_or(Score::Count);
    let known = past.as_ref().map(|past| past.counts.plants).or(args.reading.plants()?);
    let plants = match (in_common(&plans, "plants of a site", |plan| Some(plan.asked().plants))?, known) {
        (Some(own), Some(known)) if own != known => {
            let allowed = format!("{}, as in the plans", own.get());
            return Err(Error::new(Code::Combination, "plants of a site", known.get(), allowed).into());
        }
        (own, known) => own.or(known),
    };
    let under = match (k, &past) {
        (Some(k), _) => Dispersion::ConstantK { k },
        (None, Some(past)) => past.for_plan.dispersion,
        (None, None) => {
            let own =
                in_common(&plans, "clumping (unless --k or --from says it)", |plan| Some(plan.asked().dispersion))?;
            let allowed = "one of them, to say how clumped counts are";
            own.ok_or_else(|| Error::new(Code::Usage, "--k, --from or PLAN", "missing", allowed))?
        }
    };
    let thresholds = thresholds(args, &plans, plants)?;
    let means = match &args.means {
        Some(text) => values::list("--means", text, values::mean)?,
        None => means_around(thresholds, under.of_shares())?.to_vec(),
    };
    let plants = plants.unwrap_or(Plants::USUAL);
    let mut ground = Ground { score, plants, under, thresholds, means, clumped: None, past: None, timings, visits };
    if let Some(past) = &past {
        if ground.score != Score::Count {
            let name = past.name.as_str();
            return Err(Error::new(Code::Combination, "--from", name, "plans that add up counts").into());
        }
        ground.clumped = most_clumped_third(&past.counts, watch)?;
        ground.past = Some(field_means_of(&past.counts, &past.for_plan.dispersion, watch)?);
    }
    let fixed = fixed.into_iter().map(|sites| Way::always(sites, &ground));
    let mut ways = fixed.collect::<Result<Vec<_>, _>>()?;
    ways.extend(plans.iter().map(|(name, plan)| Way::plan(name, plan)));
    let comparison = compare(&ground, &ways, watch)?;
    Ok(if json { Answer::json(&comparison) } else { Answer::text(text(&comparison, past.as_ref())) })
}

fn name(path: &Path) -> String {
    one_line(&path.file_name().unwrap_or(path.as_os_str()).to_string_lossy())
}

fn thresholds(args: &Compare, plans: &[(String, &Plan)], plants: Option<Plants>) -> Result<Thresholds, Error> {
    let (Some(low), Some(high)) = (&args.inadequate, &args.adequate) else {
        if args.inadequate.is_some() || args.adequate.is_some() {
            return Err(Error::new(Code::Usage, "--inadequate, --adequate", "one missing", "both or neither"));
        }
        let what = "thresholds (unless --inadequate and --adequate say them)";
        let own = in_common(plans, what, |plan| plan.asked().thresholds())?;
        let allowed = "a value for each: the means to be told apart";
        return own.ok_or_else(|| Error::new(Code::Usage, "--inadequate, --adequate", "missing", allowed));
    };
    let unit = request::unit(args.per.as_deref(), plants)?;
    let mean = |flag: &str, text: &str| {
        request::per_site(flag, values::mean(flag, text)?, unit, plants.unwrap_or(Plants::USUAL))
    };
    Thresholds::new(mean("--inadequate", low)?, mean("--adequate", high)?).map_err(|e| e.named("--inadequate"))
}

impl TimeArguments {
    /// The user's times, if any.
    pub fn minutes(&self) -> Result<Option<Minutes>, Error> {
        let given = [
            ("--minutes-site", &self.minutes_site),
            ("--minutes-plant", &self.minutes_plant),
            ("--minutes-enemy", &self.minutes_enemy),
            ("--minutes-in-out", &self.minutes_in_out),
        ];
        if given.iter().all(|(_, text)| text.is_none()) {
            return Ok(None);
        }
        let [site, plant, enemy, in_out] = given.map(|(flag, text)| {
            text.as_deref().map_or(Ok(0.0), |text| values::number(flag, text, "of minutes, from 0 to 100000"))
        });
        Minutes::new(site?)?.with_plant(plant?)?.with_enemy(enemy?)?.with_in_and_out(in_out?).map(Some)
    }
}

fn text(comparison: &Comparison, past: Option<&Past>) -> String {
    let ground = &comparison.ground;
    let of = if ground.under.of_shares() { "shares of units" } else { "means per site" };
    let mut out = format!(
        "Compared exactly under {}: inadequate at or below {}, adequate at or above {}\n",
        evaluate::under(&ground.under),
        figures(ground.thresholds.inadequate().get()),
        figures(ground.thresholds.adequate().get())
    );
    if let Some(past) = past {
        let walks = many(past.counts.walks.len() as u64, "walk");
        let fields = many(past.fields() as u64, "field");
        out += &wrapped("", &format!("Past fields: {walks} in {fields} ({})", one_line(&past.name)));
    }
    out += &risks(comparison);
    let title = format!("Sites on average (by which half / 90 in 100 of walks have stopped) at true {of}");
    out += &over_means(comparison, &title, &|at| {
        let CurveRow { expected_sites, sites_p50, sites_p90, sites_sd, .. } = at.row;
        if sites_sd > 0.0 { format!("{expected_sites:.1} ({sites_p50}/{sites_p90})") } else { sites_p50.to_string() }
    });
    if let Some(times) = ground.timings {
        let minutes = |at: &At| at.minutes.map_or_else(String::new, |minutes| format!("{minutes:.1}"));
        out += &over_means(comparison, "Minutes on average from the first site to the last", &minutes);
        if times.in_and_out() > 0.0 {
            let more = figures(times.in_and_out());
            out += &format!("Walking in and out takes {more} minutes more, which stopping early may not save.\n");
        }
    }
    if !comparison.for_precision.is_empty() {
        let se = |at: &At| at.se_over_mean.map_or_else(String::new, |se| format!("{se:.3}"));
        out += &over_means(comparison, "Standard error of the plain mean over the mean", &se);
        out += &precision(comparison);
    }
    out += &stopped(comparison);
    out += &season(comparison);
    out.push('\n');
    comparison.conclusion.iter().for_each(|said| out += &wrapped("", said));
    out.push('\n');
    let cautions: Vec<&str> = comparison.cautions.iter().map(|caution| caution.text.as_str()).collect();
    out + &wrapped("Caution     ", &cautions.join(" "))
}

/// A row a way, a column a mean.
fn over_means(comparison: &Comparison, title: &str, cell: &dyn Fn(&At) -> String) -> String {
    let ats: Vec<String> = comparison.ground.means.iter().map(|mean| format!("at {}", figures(mean.get()))).collect();
    let headings: Vec<&str> = std::iter::once("").chain(ats.iter().map(String::as_str)).collect();
    let row = |way: &WayCompared| std::iter::once(way.name.clone()).chain(way.at.iter().map(cell)).collect();
    format!("\n{title}\n{}", output::table(&headings, comparison.ways.iter().map(row), 1))
}

/// Wrong calls, one row a way.
fn risks(comparison: &Comparison) -> String {
    let p = |p: Option<f64>| p.map_or_else(|| "-".to_owned(), in_100);
    let (visits, clumped) = (comparison.ground.visits, comparison.ground.clumped.is_some());
    let several = format!("in {visits} visits\nlow called");
    let mut headings = vec!["\n", "low called\nadequate", "high called\ninadequate", "\nworst"];
    if visits > 1 {
        headings.extend([several.as_str(), "\nhigh called"]);
    }
    if clumped {
        headings.extend(["more clumped\nlow called", "\nhigh called"]);
    }
    let both = |risks: Option<Risked>| risks.map_or([None; 2], |r| [r.false_adequate, r.false_inadequate]).map(p);
    let row = |way: &WayCompared| {
        let mut cells = vec![way.name.clone()];
        cells.extend(both(Some(way.risks)));
        cells.push(p(way.risks.worst));
        if visits > 1 {
            cells.extend(both(Some(way.risks_over_visits)));
        }
        if clumped {
            cells.extend(both(way.risks_clumped));
        }
        cells
    };
    let table = output::table(&headings, comparison.ways.iter().map(row), 1);
    let some = if visits > 1 { format!(", and at least one in {visits} visits") } else { String::new() };
    format!("\nWrong calls in 100 fields at the low and the high level{some}\n{table}")
}

/// Sites that a precision takes, decided on beforehand.
fn precision(comparison: &Comparison) -> String {
    let sites = |precision: f64| {
        let all = comparison.for_precision.iter().filter(|one| one.se_over_mean == precision);
        all.map(|one| format!("{:.0}", (one.sites - 1e-9).ceil())).collect::<Vec<_>>().join(", ")
    };
    let [pests, research] = PRECISIONS;
    wrapped("", &format!("Sites for {pests} at these means: {}; for {research}: {}.", sites(pests), sites(research)))
}

/// How many walks have stopped by some numbers of sites, at the middle mean.
fn stopped(comparison: &Comparison) -> String {
    let plans = || comparison.ways.iter().filter(|way| way.checks.len() > 1);
    let Some(most) = plans().map(|way| way.max_sites).max() else { return String::new() };
    let middle = comparison.ground.means.len() / 2;
    let Some(mean) = comparison.ground.means.get(middle) else { return String::new() };
    let sites: BTreeSet<u32> = USUAL_SITES.into_iter().chain([5, most]).filter(|n| *n <= most).collect();
    let names: Vec<String> = sites.iter().map(ToString::to_string).collect();
    let headings: Vec<&str> = std::iter::once("by sites").chain(names.iter().map(String::as_str)).collect();
    let row = |way: &WayCompared| {
        let by = |n: &u32| {
            let check = way.checks.partition_point(|check| check <= n).checked_sub(1);
            let p = check.and_then(|i| way.at.get(middle)?.stopped_by.get(i).copied()).unwrap_or(0.0);
            format!("{:.0}", 100.0 * p)
        };
        std::iter::once(way.name.clone()).chain(sites.iter().map(by)).collect()
    };
    let table = output::table(&headings, plans().map(row), 1);
    format!("\nOf 100 walks at mean {}, stopped\n{table}", figures(mean.get()))
}

/// An average season of the user's.
fn season(comparison: &Comparison) -> String {
    let Some(past) = &comparison.ground.past else { return String::new() };
    let means = past.at.iter().map(|(mean, weight)| {
        let mean = if mean.get() < 1e-4 { "0".to_owned() } else { figures(mean.get()) };
        format!("{mean} ({:.0} %)", 100.0 * weight)
    });
    let means = means.collect::<Vec<_>>().join(", ");
    let said = format!(
        "An average season of yours, by the means of your past fields with the error of sampling taken out: {means}. \
         Wrong calls of 100 visits, of how many at that level"
    );
    let timed = comparison.ground.timings.is_some();
    let mut headings =
        vec!["\n", "sites\non average", "half /\n90 % by", "low called\nadequate", "high called\ninadequate"];
    if timed {
        headings.insert(3, "minutes\non average");
    }
    let row = |way: &WayCompared| {
        let Some(season) = &way.season else { return vec![way.name.clone()] };
        let mut cells = vec![
            way.name.clone(),
            format!("{:.1}", season.expected_sites),
            format!("{} / {}", season.sites_p50, season.sites_p90),
        ];
        cells.extend(season.minutes.map(|minutes| format!("{minutes:.1}")));
        let of = |called: f64, all: f64| format!("{} of {:.0}", in_100(called), 100.0 * all);
        cells.extend([of(season.low_called_adequate, season.low), of(season.high_called_inadequate, season.high)]);
        cells
    };
    format!("\n{}{}", wrapped("", &said), output::table(&headings, comparison.ways.iter().map(row), 1))
}
