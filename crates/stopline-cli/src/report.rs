//! The report of a plan, for the person who will walk it.

use crate::beside::beside;
use crate::clumped;
use crate::fewer::{Other, fewer};
use crate::fit;
use crate::less::less;
use crate::objective;
use crate::output;
use crate::past::Past;
use crate::words::{figures, in_100, in_all_units, many, one_line, wrapped};
use stopline::decide::standing_cautions;
use stopline::dispersion::{Clumping, FieldMeans, Why};
use stopline::evaluate::{evaluate, largest_expected_sites};
use stopline::plan::{Calibration, Closing, Method, Neighbours, Objective, Plan, Range, RisksAlike};
use stopline::{Dispersion, Error, K, Mean, Minutes, Row, Score, Watch, lines_in_words, stated};

/// Checks that the report shows; the card has all.
const SHOWN_CHECKS: usize = 6;
/// Sites × totals up to which a report also works out the optimal plan: below a second.
const MOST_STATES: f64 = 3e5;

/// What a report tells beside the plan.
pub struct Report<'a> {
    pub past: Option<&'a Past>,
    /// Whether someone said how many plants a site has.
    pub plants_known: bool,
    /// The field means an optimal plan is averaged over, and the file they are fitted to.
    pub means: Option<&'a (String, FieldMeans)>,
    /// What other counts of the same fields would have come to.
    pub calibration: Option<&'a Result<Calibration, Why>>,
    /// What the likeness of neighbouring sites of the counts does to the plan, in words.
    pub alike: Option<&'a str>,
    /// The user's own times.
    pub minutes: Option<Minutes>,
}

/// A plan in about 25 lines.
pub fn report(plan: &Plan, how: &Report<'_>, watch: &dyn Watch) -> Result<String, Error> {
    let mut out = String::new();
    let other = match how.past {
        Some(past) => {
            counts(&mut out, past);
            let other = clumping(&mut out, past)?;
            out += &other_size(plan, past, watch)?;
            other
        }
        None => {
            out += &wrapped(CLUMPING, &assumed(&plan.asked().dispersion));
            None
        }
    };
    if let Some(alike) = how.alike {
        out += &wrapped(BELOW, alike);
    }
    let one_k = plan.asked().score == Score::Count && plan.asked().dispersion.constant_k().is_some();
    match how.calibration {
        Some(calibrated) => out += &wrapped(BELOW, &calibration(calibrated)),
        None if how.past.is_some() && one_k && plan.asked().risks().is_some() && how.alike.is_some() => {
            out += &wrapped(BELOW, "what it does to the risks that k is only fitted: --calibration");
        }
        None => {}
    }
    thresholds(&mut out, plan, how);
    if let Some(thresholds) = plan.asked().thresholds() {
        let of = if plan.asked().dispersion.of_shares() { "shares of units" } else { "means per site" };
        out += &format!("\nWould fewer sites do? Wrong calls in 100 fields, and sites on average at true {of}\n");
        // A plan there is; means too large to look around must not take it away.
        out += &fewer(plan, thresholds, other.as_ref(), watch)
            .unwrap_or_else(|e| format!("Not worked out: {}\n", one_line(&e.to_string())));
        out += &optimal(plan, watch)?;
        out += &beside(plan, watch)?;
        out += &less(plan, how.minutes, watch)?;
        out += &objective::told(plan, how.means);
    }
    if plan.asked().thresholds().is_none() {
        out += &truth(plan, watch)?;
        out += beside(plan, watch)?.trim_start_matches('\n');
    }
    stated(plan).iter().for_each(|said| out += &wrapped("", said));
    out += &wrapped("", &clumped::of_plan(plan));
    out.push('\n');
    out += &stops(plan);
    out += &straight(plan);
    out.push('\n');
    let cautions: Vec<String> = plan.cautions().into_iter().chain(standing_cautions()).map(|c| c.text).collect();
    out += &wrapped("Caution     ", &cautions.join(" "));
    Ok(out)
}

const COUNTS: &str = "Counts      ";
const CLUMPING: &str = "Clumping    ";
const BELOW: &str = "            ";

fn counts(out: &mut String, past: &Past) {
    let counts = &past.counts;
    let columns: Vec<String> = counts.count_columns.iter().map(|name| one_line(name)).collect();
    let walks = many(counts.walks.len() as u64, "walk");
    let fields = many(past.fields() as u64, "field");
    let rows = counts.noticed.rows - counts.noticed.dropped_other_plants;
    let sites = format!("{rows} {}", fit::plants(counts.plants.get()));
    *out += &wrapped(
        COUNTS,
        &format!("{}: {sites} on {walks} in {fields}; counted: {}", one_line(&past.name), columns.join(" + ")),
    );
    counts.notes().iter().for_each(|note| *out += &wrapped(BELOW, note));
}

/// Tells how clumped the counts are; gives the most clumped walk.
fn clumping(out: &mut String, past: &Past) -> Result<Option<Other>, Error> {
    let estimate = past.estimate();
    let k = match past.for_plan.dispersion {
        Dispersion::ConstantK { k } => format!("k {}", figures(k.get())),
        _ => "none".to_owned(),
    };
    let limits = format!("{} % limits {}", figures(100.0 * past.fit.level.get()), fit::limits(estimate));
    let got = past.for_plan.got;
    *out += &wrapped(CLUMPING, &format!("{k} for all walks together ({limits}; smaller is more clumped), by {got}"));
    if let Some(Dispersion::ConstantK { k }) = past.for_plan.lower {
        *out += &wrapped(BELOW, &format!("to be more careful, plan with the lower limit: --k {}", figures(k.get())));
    }
    let Some((field, visit, clumping)) = past.most_clumped() else { return Ok(None) };
    let name = format!("{}, visit {}", one_line(field), one_line(visit));
    *out += &wrapped(BELOW, &format!("most clumped walk: {name}, k {}", fit::k(clumping)));
    let Clumping::Estimated(k) = clumping else { return Ok(None) };
    Ok(K::new(k).ok().map(|k| Other { name: one_line(field), dispersion: Dispersion::ConstantK { k } }))
}

/// For sites of another size than those counted: what is known of k, and how far the risks range.
fn other_size(plan: &Plan, past: &Past, watch: &dyn Watch) -> Result<String, Error> {
    let design = plan.asked();
    let (Dispersion::KInterval { low, high, .. }, Some(thresholds)) = (design.dispersion, design.thresholds()) else {
        return Ok(String::new());
    };
    let means = [thresholds.inadequate(), thresholds.adequate()];
    let mut ends = Vec::new();
    for k in [low, high] {
        let found = evaluate(plan, &Dispersion::ConstantK { k }, &means, watch)?.curve.rows;
        if let [inadequate, adequate] = &found[..] {
            let (a, b) = (in_100(inadequate.adequate), in_100(adequate.inadequate));
            ends.push(format!("at k {} {a} and {b} in 100", figures(k.get())));
        }
    }
    let text = format!(
        "{} were counted, the plan is for {}: k there lies between {} and {}, nobody knows where. Risks of a wrong call \
         (adequate where inadequate, and inadequate where adequate) {}.",
        fit::plants(past.counts.plants.get()),
        fit::plants(design.plants.get()),
        figures(low.get()),
        figures(high.get()),
        ends.join(", ")
    );
    Ok(wrapped(BELOW, &text))
}

/// What the likeness of neighbouring sites does to the plan, in words.
pub fn neighbours(of: &Result<Result<Neighbours, Why>, Error>) -> String {
    let of = match of {
        Ok(Ok(of)) => of,
        Ok(Err(why)) => return format!("whether neighbouring sites are alike is not known: {why}"),
        Err(e) => {
            return format!("what alike neighbours do to the plan is not worked out: {}", one_line(&e.to_string()));
        }
    };
    let risks =
        |risks: RisksAlike| format!("{} and {} in 100", in_100(risks.false_adequate), in_100(risks.false_inadequate));
    let run = of.run_length;
    let found = format!(
        "sites of runs of {run} share {} of the clumping ({} % limits {} to {})",
        figures(of.found.rho),
        figures(100.0 * of.level.get()),
        figures(of.found.low),
        figures(of.found.high)
    );
    let wrong = "risks of a wrong call (adequate where inadequate, and inadequate where adequate)";
    if of.is_shown() {
        format!(
            "neighbouring sites are alike, while the plan takes them as independent: {found}. Its {wrong} are then not {} \
             but {}, at the upper limit {}. A plan that keeps its risks: --shared {} --run {run}",
            risks(of.independent),
            risks(of.fitted),
            risks(of.at_most),
            figures(of.found.rho)
        )
    } else {
        format!(
            "the plan takes sites as independent; {found}, perhaps none. At the upper limit its {wrong} would be {}",
            risks(of.at_most)
        )
    }
}

/// What the uncertainty of k does to the plan, in words.
pub fn calibration(of: &Result<Calibration, Why>) -> String {
    let of = match of {
        Ok(of) => of,
        Err(why) => return format!("what the uncertainty of k does to the plan is not known: {why}"),
    };
    let range = |of: Range| format!("{} to {} in 100", in_100(of.low), in_100(of.high));
    let k = of.k.map(|k| k.map_or_else(|| "not clumped".to_owned(), figures));
    let none = if of.no_plan > 0.0 {
        format!(" In {:.0} of 100 cases there would have been no such plan.", 100.0 * of.no_plan)
    } else {
        String::new()
    };
    format!(
        "since k is only fitted: had these fields been counted anew, k would have come out at {} to {} in 90 of 100 cases, \
         and the plans made from it would truly call an inadequate field adequate {}, an adequate one inadequate {}; both \
         within what is asked in {:.0} of 100 cases.{none} ({} sets drawn from seed {})",
        k[0],
        k[2],
        range(of.false_adequate),
        range(of.false_inadequate),
        100.0 * of.kept,
        of.draws.number(),
        of.draws.seed()
    )
}

fn assumed(dispersion: &Dispersion) -> String {
    match dispersion {
        Dispersion::ConstantK { k } => format!("k {}, as given (variance m + m²/k at mean m)", figures(k.get())),
        Dispersion::Poisson => "none, as given: enemies fall independently (Poisson)".to_owned(),
        Dispersion::Binomial => "units are positive independently of each other (binomial)".to_owned(),
        Dispersion::KInterval { k, low, high, .. } => {
            let [k, low, high] = [k, low, high].map(|k| figures(k.get()));
            format!("k {k}, known to lie from {low} to {high}: risks hold for all of these")
        }
        Dispersion::KSpread { median, sd_log, .. } => {
            let (k, sd) = (figures(median.get()), figures(*sd_log));
            format!("k differs from field to field around {k} (standard deviation of ln k {sd}): risks hold on average")
        }
        Dispersion::PowerLaw { a, b, .. } => {
            format!("variance {} × mean^{}: k moves with the mean", figures(*a), figures(*b))
        }
        Dispersion::Proportion { a, b, scatter, .. } => format!(
            "share P of positive units by ln m = {} + {} ln(-ln(1 - P)), scatter of ln m {}",
            figures(*a),
            figures(*b),
            figures(*scatter)
        ),
        other => other.name().to_owned(),
    }
}

fn thresholds(out: &mut String, plan: &Plan, how: &Report<'_>) {
    let design = plan.asked();
    match design.thresholds() {
        Some(t) => {
            let words = |mean| in_all_units(mean, design);
            *out += &format!("Thresholds  inadequate at or below {}\n", words(t.inadequate()));
            *out += &format!("{BELOW}adequate at or above {}\n", words(t.adequate()));
        }
        None => {
            let heads = std::iter::once("Asked       ").chain(std::iter::repeat(BELOW));
            heads.zip(design.in_words()).for_each(|(head, said)| *out += &wrapped(head, &said));
        }
    }
    if !design.dispersion.of_shares() && !how.plants_known && how.past.is_none() {
        let plants = many(design.plants.get(), "plant");
        *out += &wrapped(BELOW, &format!("a site is taken as {plants}, as nobody said (--plants)"));
    }
}

/// What a plan without two thresholds really does, at means around what is asked.
fn truth(plan: &Plan, watch: &dyn Watch) -> Result<String, Error> {
    let design = plan.asked();
    let mut means: Vec<Mean> = design.aim.stated().into_iter().map(|(mean, _)| mean).collect();
    means.dedup();
    let (low, high) = match (means.first(), means.last()) {
        (Some(low), Some(high)) => (low.get(), high.get()),
        _ if !design.dispersion.of_shares() => (0.5, 4.0),
        _ => (0.1, 0.4),
    };
    // Half the lowest and twice the highest; for shares the same of their odds.
    let share = design.dispersion.of_shares();
    let times = |m: f64, by: f64| if share { by * m / (1.0 - m + by * m) } else { by * m };
    let middle = (low * high).sqrt();
    let around = [times(low, 0.5), times(high, 2.0)].into_iter().chain((means.len() < 3).then_some(middle));
    means.extend(around.map(Mean::new).collect::<Result<Vec<_>, _>>()?);
    means.sort_by(|a, b| a.get().total_cmp(&b.get()));
    means.dedup();
    let evaluation = evaluate(plan, &design.dispersion, &means, watch)?;
    Ok(format!("\n{}\n", crate::evaluate::text(&evaluation)))
}

/// The lines at a few checks.
fn stops(plan: &Plan) -> String {
    let rows = plan.lines().rows();
    let last = rows.len().saturating_sub(1);
    let chosen: Vec<&Row> = if rows.len() <= SHOWN_CHECKS + 1 {
        rows.iter().collect()
    } else {
        (0..SHOWN_CHECKS).filter_map(|i| rows.get(i * last / (SHOWN_CHECKS - 1))).collect()
    };
    let some = if chosen.len() < rows.len() { " at some of the checks; the card has all" } else { "" };
    let line = |name: &str, cell: &dyn Fn(&Row) -> Option<i64>| -> Vec<String> {
        let cells = chosen.iter().map(|row| cell(row).map_or_else(|| "-".to_owned(), |t| t.to_string()));
        std::iter::once(name.to_owned()).chain(cells).collect()
    };
    let sites: Vec<String> = chosen.iter().map(|row| row.at.to_string()).collect();
    let headings: Vec<&str> = std::iter::once("sites").chain(sites.iter().map(String::as_str)).collect();
    let columns = plan.asked().aim.columns();
    let lines = columns.iter().map(|column| line(column.words(), &|row| column.of(row)));
    format!("Stop lines on the total{some}\n{}", output::table(&headings, lines, 1))
}

/// The straight lines of the plan, as a paper prints them.
fn straight(plan: &Plan) -> String {
    let Some(lines) = lines_in_words(plan) else { return String::new() };
    let where_ = if plan.asked().closing == Closing::Call { "before the last check" } else { "at every check" };
    wrapped("", &format!("As straight lines {where_}: {lines}."))
}

/// What the optimal plan would save over a calibrated one, both for independent sites.
fn optimal(plan: &Plan, watch: &dyn Watch) -> Result<String, Error> {
    let design = plan.asked();
    let Some(thresholds) = design.thresholds().filter(|_| plan.method() == Method::Calibrated) else {
        return Ok(String::new());
    };
    let sites = f64::from(design.checks.cap());
    let long = sites * sites * thresholds.adequate().get() > MOST_STATES;
    if long || design.closing == Closing::Undecided || plan.alike().is_some() {
        return Ok(String::new());
    }
    match Plan::optimal(design.clone(), &Objective::LargestExpectedSites, None, watch) {
        Ok(best) => {
            let most = |plan: &Plan| largest_expected_sites(plan.lines(), &design.score, &design.dispersion);
            let (this, best) = (most(plan)?.expected_sites, most(&best)?.expected_sites);
            Ok(format!(
                "At the worst mean this plan takes {this:.1} sites on average; --method optimal would take {best:.1}.\n"
            ))
        }
        // There is a calibrated plan to report; that no optimal one was found takes nothing from it.
        Err(_) => Ok(String::new()),
    }
}
