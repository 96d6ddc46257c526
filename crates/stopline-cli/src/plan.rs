//! `stopline plan`: from what is asked to a plan, its report, its file and its card.

use crate::failure::Failure;
use crate::output::Answer;
use crate::past::Past;
use crate::report::{Report, report};
use crate::words::many;
use crate::{arguments, input, request, values};
use std::fs;
use std::path::PathBuf;
use stopline::plan::{About, Aim, Design, Method, Plan, Table};
use stopline::{Code, Dispersion, Error, K, Plants, Score, Thresholds, Unit, Watch};

pub fn run(args: &arguments::Plan, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    files_differ(args)?;
    // What is quick to check comes before counts are read and fitted.
    let score = args.score.score()?;
    let thresholds = request::thresholds(args)?;
    let risks = args.risks.risks()?;
    let undecided = args.shape.undecided_at_most.as_deref().map(|text| values::share("--undecided-at-most", text));
    let undecided = undecided.transpose()?;
    let method = args.shape.method()?;
    if undecided.is_some() && method != Method::Optimal {
        return Err(Error::new(Code::Combination, "--undecided-at-most", "given", "only with --method optimal").into());
    }
    args.objective.check(method)?;
    let given = args.shape.lines.as_deref().map(input::table).transpose()?;
    let (checks, closing) = match &given {
        Some(table) => (table.checks.clone(), table.closing),
        None => (args.shape.checks()?, args.shape.closing()?),
    };
    let k = args.k.as_deref().map(|text| values::k("--k", text)).transpose()?;
    let past = args.from.as_deref().map(|path| Past::read(path, &args.reading, watch)).transpose()?;
    let dispersion = dispersion(args, &score, k, past.as_ref())?;
    let asked_plants = args.reading.plants()?;
    let known = past.as_ref().filter(|past| past.plants_known()).map(|past| past.counts.plants).or(asked_plants);
    let plants = match (known, &past) {
        (Some(plants), _) => plants,
        (None, Some(past)) => past.counts.plants,
        (None, None) => Plants::USUAL,
    };
    let unit = match thresholds {
        Some(_) => unit(args, &score, known)?,
        None => Unit::Site,
    };
    let thresholds = thresholds.map(|t| per_site(&score, t, unit, plants)).transpose()?;
    let risks = if given.is_some() && !args.risks.given() { None } else { Some(risks) };
    let aim = Aim::TwoCalls { thresholds, risks };
    let design = Design { score, plants, dispersion, aim, checks, closing };
    for (flag, mean) in thresholds.iter().flat_map(|t| [("--inadequate", t.inadequate()), ("--adequate", t.adequate())])
    {
        design.dispersion.laws(&design.score, mean).map_err(|e| e.named(flag))?;
    }

    let least = args.objective.least(&design, unit, &args.reading, watch)?;
    let plan = match (given, method) {
        (Some(Table { lines, .. }), _) => Plan::given(design, lines, watch),
        (None, Method::Optimal) => Plan::optimal(design, &least.objective, undecided, watch),
        (None, method) => Plan::design(design, method, watch),
    };
    let plan = plan.map_err(request::in_flags)?.with_about(about(past.as_ref()));
    answer(
        args,
        json,
        &plan,
        &Report { past: past.as_ref(), plants_known: known.is_some(), means: least.past.as_ref() },
        watch,
    )
}

/// How counts vary, from the one flag that says it; positive units need none.
fn dispersion(args: &arguments::Plan, score: &Score, k: Option<K>, past: Option<&Past>) -> Result<Dispersion, Error> {
    let said = match (k, past) {
        (Some(k), _) => Some(Dispersion::ConstantK { k }),
        (None, Some(past)) => Some(past.for_plan.dispersion),
        (None, None) => args.poisson.then_some(Dispersion::Poisson),
    };
    match (score, said) {
        (Score::Count, Some(said)) => Ok(said),
        (Score::Count, None) => {
            let allowed = "one of them, to say how clumped counts are";
            Err(Error::new(Code::Usage, "--k, --poisson or --from", "missing", allowed))
        }
        (_, None) => Ok(Dispersion::Binomial),
        (_, Some(_)) => Err(Error::new(Code::Combination, "--score", "positive", "without --k, --poisson and --from")),
    }
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
        Answer { printed: file.clone(), notes: counted.into_iter().chain(cautions).collect(), files: Vec::new() }
    } else {
        Answer::text(report(plan, how, watch)?)
    };
    answer.files.extend(args.out.iter().map(|path| (path.clone(), file.clone())));
    answer.files.extend(args.card.iter().map(|path| (path.clone(), stopline::card(plan))));
    Ok(answer)
}

/// What thresholds are counted per; shares of units have no other unit.
fn unit(args: &arguments::Plan, score: &Score, known: Option<Plants>) -> Result<Unit, Error> {
    match &args.per {
        _ if *score == Score::Count => request::unit(args.per.as_deref(), known),
        None => Ok(Unit::Site),
        Some(per) => Err(Error::new(Code::Combination, "--per", per, "nothing: thresholds are shares of units")),
    }
}

/// Thresholds per site; shares of units stay as they are.
fn per_site(score: &Score, t: Thresholds, unit: Unit, plants: Plants) -> Result<Thresholds, Error> {
    if *score != Score::Count {
        return Ok(t);
    }
    let mean = |flag, mean| request::per_site(flag, mean, unit, plants);
    Thresholds::new(mean("--inadequate", t.inadequate())?, mean("--adequate", t.adequate())?)
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
    ];
    let mut seen: Vec<(&str, PathBuf)> = Vec::new();
    for (flag, path) in flags.into_iter().filter_map(|(flag, path)| Some((flag, path.as_ref()?))) {
        // A file that is not there yet has a folder that is.
        if path.as_os_str() == "-" && matches!(flag, "--out" | "--card") {
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
