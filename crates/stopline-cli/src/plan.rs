//! `stopline plan`: from what is asked to a plan, its report, its file and its card.

use crate::aim::Asked;
use crate::failure::Failure;
use crate::output::Answer;
use crate::past::Past;
use crate::report::{Report, report};
use crate::words::{many, wrapped};
use crate::{arguments, input, less, request, simulated, values};
use std::fs;
use std::path::PathBuf;
use stopline::plan::{About, Design, Method, Plan, Table, recalibrated};
use stopline::{Call, Code, Column, Dispersion, Error, K, Mean, Plants, Score, Watch};

pub fn run(args: &arguments::Plan, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    files_differ(args)?;
    // What is quick to check comes before counts are read and fitted.
    let score = args.score.score(args.reading.counted_to()?)?;
    let asked = Asked::of(args)?;
    let undecided = args.shape.undecided_at_most.as_deref().map(|text| values::share("--undecided-at-most", text));
    let undecided = undecided.transpose()?;
    let method = args.shape.method(&args.aim)?;
    if args.over.is_some() && method != Method::Tuned {
        return Err(Error::new(Code::Combination, "--over", "given", "only with --method tuned").into());
    }
    let early = args.shape.early.as_deref().map(early_call).transpose()?;
    if early.is_some() && !matches!(method, Method::TwoStage | Method::TwoStageMinimax) {
        let allowed = "only with --method two-stage or two-stage-minimax";
        return Err(Error::new(Code::Combination, "--early", "given", allowed).into());
    }
    if undecided.is_some() && method != Method::Optimal {
        return Err(Error::new(Code::Combination, "--undecided-at-most", "given", "only with --method optimal").into());
    }
    args.objective.check(method)?;
    let minutes = args.times.minutes()?;
    let given = args.shape.lines.as_deref().map(input::table).transpose()?;
    let (checks, closing) = match &given {
        Some(table) => (table.checks.clone(), table.closing),
        None => (args.shape.checks()?, args.shape.closing(&args.aim)?),
    };
    let k = args.k.as_deref().map(|text| values::k("--k", text)).transpose()?;
    let past = args.from.as_deref().map(|path| Past::read(path, &args.reading, watch)).transpose()?;
    let dispersion = dispersion(args, &score, k, past.as_ref())?;
    let asked_plants = args.reading.plants()?;
    let known = past.as_ref().filter(|past| past.plants_known()).map(|past| past.counts.plants).or(asked_plants);
    let known = for_plants(args)?.or(known);
    let plants = match (known, &past) {
        (Some(plants), _) => plants,
        (None, Some(past)) => past.counts.plants,
        (None, None) => Plants::USUAL,
    };
    let several = !dispersion.of_shares() && matches!(score, Score::Positive { units, .. } if units > 1);
    if several && args.aim != "precision" {
        let allowed = "1 where means of counts are given: a site is then the unit";
        return Err(
            Error::new(Code::Combination, "--units", args.score.units.as_deref().unwrap_or_default(), allowed).into()
        );
    }
    let unit = asked.unit(args, &dispersion, known)?;
    let aim = asked.per_site(args, unit, plants)?;
    let design = Design { score, plants, dispersion, aim, checks, closing };
    if let Some(table) = given.as_ref().filter(|table| table.columns != aim.columns()) {
        let columns = |of: &[Column]| of.iter().map(|c| c.as_str()).collect::<Vec<_>>().join(", ");
        let what = format!("columns of --lines for --aim {}", args.aim);
        return Err(Error::new(Code::Combination, what, columns(table.columns), columns(aim.columns())).into());
    }
    if let Some(thresholds) = design.thresholds() {
        for (flag, mean) in [("--inadequate", thresholds.inadequate()), ("--adequate", thresholds.adequate())] {
            design.dispersion.laws(&design.score, mean).map_err(|e| e.named(flag))?;
        }
    }

    less::check(&design, minutes)?;
    let draws = crate::fit::draws(args.draws.as_deref(), args.seed.as_deref())?;
    let least = args.objective.least(&design, unit, &args.reading, watch)?;
    let alike = args.alike.shared()?.map(|shared| simulated::clustered(design.dispersion, shared)).transpose()?;
    let mut price = None;
    let plan = match (given, method) {
        (Some(_), _) if alike.is_some() => {
            let allowed = "not with --lines: lines are derived";
            Err(Error::new(Code::Combination, "--shared", "given", allowed))
        }
        (None, _) if let Some(alike) = &alike => recalibrated(&design, method, alike, watch).map(|found| {
            price = Some(simulated::price(&found));
            found.plan
        }),
        (Some(Table { lines, .. }), _) => Plan::given(design, lines, watch),
        (None, Method::Optimal) => Plan::optimal(design, &least.objective, undecided, watch),
        (None, Method::TwoStage | Method::TwoStageMinimax) if early.is_some() => {
            Plan::two_stage(design, method, early.unwrap_or(Call::Inadequate), watch)
        }
        (None, Method::Tuned) => Plan::tuned(design, over(args)?, watch),
        (None, method) => Plan::design(design, method, watch),
    };
    let plan = plan.map_err(request::in_flags)?;
    let notes = plan.about().notes.clone();
    let plan = plan.with_about(About { notes, ..about(past.as_ref()) });
    let calibration = match &past {
        Some(past) if args.calibration => Some(plan.calibration(&past.counts, draws, watch)?),
        _ => None,
    };
    let likeness = likeness(args, &plan, past.as_ref(), alike.is_some(), watch)?;
    let answer = answer(
        args,
        json,
        &plan,
        &Report {
            past: past.as_ref(),
            plants_known: known.is_some(),
            means: least.past.as_ref(),
            calibration: calibration.as_ref(),
            alike: likeness.as_deref(),
            minutes,
        },
        watch,
    );
    let mut answer = answer?;
    match price {
        Some(said) if json => answer.notes.push(said),
        Some(said) => answer.printed = wrapped("Alike       ", &said) + &answer.printed,
        None => {}
    }
    Ok(answer)
}

/// Sites of a run in which neighbours are looked at, where no run is given.
const RUN: u32 = 5;

/// What the likeness of the neighbouring sites of past counts does to a plan that takes sites as independent, in words.
fn likeness(
    args: &arguments::Plan,
    plan: &Plan,
    past: Option<&Past>,
    allowed_for: bool,
    watch: &dyn Watch,
) -> Result<Option<String>, Error> {
    let of_counts = plan.asked().score == Score::Count && plan.asked().thresholds().is_some();
    let Some(past) = past.filter(|_| of_counts && !allowed_for && args.for_plants.is_none()) else { return Ok(None) };
    match plan.neighbours(&past.counts, RUN, past.fit.level, watch) {
        Err(e) if e.code() == Code::Interrupted => Err(e),
        found => Ok(Some(crate::report::neighbours(&found))),
    }
}

/// How counts vary, from the flags that say it; positive units need none.
fn dispersion(args: &arguments::Plan, score: &Score, k: Option<K>, past: Option<&Past>) -> Result<Dispersion, Error> {
    let said = match (k, past) {
        (Some(k), _) => Some(uncertain(args, k)?),
        (None, Some(past)) => Some(match for_plants(args)? {
            Some(plants) => past.for_plan.of_size(f64::from(plants.get()) / f64::from(past.counts.plants.get()))?,
            None => past.for_plan.dispersion,
        }),
        (None, None) => match &args.power_law {
            Some(text) => {
                let [a, b] = two("--power-law", text)?;
                Some(Dispersion::power_law(a, b).map_err(|e| {
                    let name = format!("--power-law, {},", e.what());
                    e.named(name)
                })?)
            }
            None => args.poisson.then_some(Dispersion::Poisson),
        },
    };
    match (score, said) {
        (_, Some(said)) => Ok(said),
        (Score::Count | Score::Capped { .. }, None) => {
            let allowed = "one of them, to say how clumped counts are";
            Err(Error::new(Code::Usage, "--k, --poisson, --power-law or --from", "missing", allowed))
        }
        (_, None) => match &args.proportion {
            Some(text) => {
                let allowed = "two or three, with commas between";
                let numbers = values::list("--proportion", text, |flag, part| values::number(flag, part, allowed))?;
                let (a, b, scatter) = match *numbers.as_slice() {
                    [a, b] => (a, b, 0.0),
                    [a, b, scatter] => (a, b, scatter),
                    _ => return Err(Error::new(Code::Usage, "--proportion", text, format!("numbers, {allowed}"))),
                };
                Dispersion::proportion(a, b, scatter).map_err(|e| {
                    let name = format!("--proportion, {},", e.what());
                    e.named(name)
                })
            }
            None => Ok(Dispersion::Binomial),
        },
    }
}

/// Plants of the sites that the plan is for, where they are others than those counted.
fn for_plants(args: &arguments::Plan) -> Result<Option<Plants>, Error> {
    args.for_plants.as_deref().map(|text| values::plants("--for-plants", text)).transpose()
}

/// k with what is said of its uncertainty.
fn uncertain(args: &arguments::Plan, k: K) -> Result<Dispersion, Error> {
    if let Some(text) = &args.k_interval {
        let [low, high] = two("--k-interval", text)?;
        let end = |x| K::new(x).map_err(|e| e.named("--k-interval"));
        return Dispersion::k_interval(k, end(low)?, end(high)?).map_err(|e| e.named("--k"));
    }
    match &args.k_sd_log {
        Some(text) => Dispersion::k_spread(k, values::number("--k-sd-log", text, "from 0 to 3")?)
            .map_err(|e| e.named("--k-sd-log")),
        None => Ok(Dispersion::ConstantK { k }),
    }
}

/// The call that a first check may make.
fn early_call(text: &str) -> Result<Call, Error> {
    let calls = [Call::Inadequate, Call::Adequate];
    calls
        .into_iter()
        .find(|call| call.as_str() == text)
        .ok_or_else(|| Error::new(Code::Usage, "--early", text, "inadequate or adequate"))
}

/// The range of means of a tuned plan.
fn over(args: &arguments::Plan) -> Result<[Mean; 2], Error> {
    let Some(text) = &args.over else {
        return Err(Error::new(Code::Usage, "--over", "missing", "two means per site, with --method tuned"));
    };
    let means = values::list("--over", text, values::mean)?;
    means.try_into().map_err(|_| Error::new(Code::Usage, "--over", text, "two means with a comma between"))
}

/// Two numbers with a comma between.
fn two(flag: &str, text: &str) -> Result<[f64; 2], Error> {
    let numbers = values::list(flag, text, |flag, part| values::number(flag, part, "twice, with a comma between"))?;
    numbers.try_into().map_err(|_| Error::new(Code::Usage, flag, text, "two numbers with a comma between"))
}

fn answer(
    args: &arguments::Plan,
    json: bool,
    plan: &Plan,
    how: &Report<'_>,
    watch: &dyn Watch,
) -> Result<Answer, Failure> {
    let file = plan.to_json()?;
    let mut answer = if json {
        let counted = how.past.map(|past| past.counts.notes()).unwrap_or_default();
        let cautions = plan.cautions().into_iter().map(|caution| caution.text);
        let cautions = cautions.chain(how.calibration.map(crate::report::calibration));
        let cautions = cautions.chain(how.alike.map(ToOwned::to_owned));
        Answer { printed: file.clone(), notes: counted.into_iter().chain(cautions).collect(), files: Vec::new() }
    } else {
        Answer::text(report(plan, how, watch)?)
    };
    answer.files.extend(args.out.iter().map(|path| (path.clone(), file.clone())));
    if let Some(path) = &args.fallback {
        let fallback = plan.fallback(watch).map_err(|e| {
            let name = format!("--fallback, {}", e.what());
            e.named(name)
        })?;
        answer.files.push((path.clone(), fallback.to_json()?));
    }
    answer.files.extend(args.card.iter().map(|path| (path.clone(), stopline::card(plan))));
    Ok(answer)
}

fn about(past: Option<&Past>) -> About {
    let source = past.map(|past| {
        let walks = many(past.counts.walks.len() as u64, "walk");
        format!("{walks} in {} ({})", many(past.fields() as u64, "field"), past.name)
    });
    About { source: source.unwrap_or_default(), ..About::default() }
}

/// No file is read and written, or written twice.
fn files_differ(args: &arguments::Plan) -> Result<(), Error> {
    // Counts may well be both fitted and averaged over.
    let prior = args.objective.prior_from.as_ref().filter(|prior| args.from.as_ref() != Some(prior)).cloned();
    let flags = [
        ("--from", &args.from),
        ("--prior-from", &prior),
        ("--lines", &args.shape.lines),
        ("--out", &args.out),
        ("--card", &args.card),
        ("--fallback", &args.fallback),
    ];
    let mut seen: Vec<(&str, PathBuf)> = Vec::new();
    for (flag, path) in flags.into_iter().filter_map(|(flag, path)| Some((flag, path.as_ref()?))) {
        // A file that is not there yet has a folder that is.
        if path.as_os_str() == "-" && matches!(flag, "--out" | "--card" | "--fallback") {
            return Err(Error::new(Code::Usage, flag, "-", "a file; --json prints the plan, `stopline card` the card"));
        }
        let folder = path.parent().and_then(|folder| fs::canonicalize(folder.join(".")).ok());
        let whole = fs::canonicalize(path).ok().or_else(|| Some(folder?.join(path.file_name()?)));
        let whole = whole.unwrap_or_else(|| path.clone());
        if let Some((other, _)) = seen.iter().find(|(_, known)| *known == whole) {
            return Err(Error::new(Code::Combination, flag, path.display(), format!("another file than {other}")));
        }
        seen.push((flag, whole));
    }
    Ok(())
}
