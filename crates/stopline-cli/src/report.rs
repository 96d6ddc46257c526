//! The report of a plan, for the person who will walk it.

use crate::fewer::{Other, fewer};
use crate::fit;
use crate::objective;
use crate::output;
use crate::past::Past;
use crate::words::{figures, in_all_units, many, one_line, wrapped};
use stopline::decide::standing_cautions;
use stopline::dispersion::{Clumping, FieldMeans};
use stopline::evaluate::largest_expected_sites;
use stopline::plan::{Closing, Method, Objective, Plan, Straight};
use stopline::{Call, Dispersion, Error, K, Row, Score, Watch, times};

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
}

/// A plan in about 25 lines.
pub fn report(plan: &Plan, how: &Report<'_>, watch: &dyn Watch) -> Result<String, Error> {
    let mut out = String::new();
    let other = match how.past {
        Some(past) => {
            counts(&mut out, past);
            clumping(&mut out, past)?
        }
        None => {
            out += &wrapped(CLUMPING, &assumed(&plan.asked().dispersion));
            None
        }
    };
    thresholds(&mut out, plan, how);
    if let Some(thresholds) = plan.asked().thresholds() {
        let of = if plan.asked().score == Score::Count { "means per site" } else { "shares of units" };
        out += &format!("\nWould fewer sites do? Wrong calls in 100 fields, and sites on average at true {of}\n");
        // A plan there is; means too large to look around must not take it away.
        out += &fewer(plan, thresholds, other.as_ref(), watch)
            .unwrap_or_else(|e| format!("Not worked out: {}\n", one_line(&e.to_string())));
        out += &optimal(plan, watch)?;
        out += &objective::told(plan, how.means);
    }
    for row in plan.attained() {
        let level = if row.call == Call::Adequate { "low" } else { "high" };
        let said =
            format!("A field truly at the {level} level would be called {} {}.", row.call.as_str(), times(row.p));
        out += &wrapped("", &said);
    }
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
    let Some(field) = past.fit.most_clumped() else { return Ok(None) };
    let name = format!("{}, visit {}", one_line(&field.field), one_line(&field.visit));
    *out += &wrapped(BELOW, &format!("most clumped walk: {name}, k {}", fit::k(field.ml.k)));
    let Clumping::Estimated(k) = field.ml.k else { return Ok(None) };
    Ok(K::new(k).ok().map(|k| Other { name: one_line(&field.field), dispersion: Dispersion::ConstantK { k } }))
}

fn assumed(dispersion: &Dispersion) -> String {
    match dispersion {
        Dispersion::ConstantK { k } => format!("k {}, as given (variance m + m²/k at mean m)", figures(k.get())),
        Dispersion::Poisson => "none, as given: enemies fall independently (Poisson)".to_owned(),
        Dispersion::Binomial => "units are positive independently of each other (binomial)".to_owned(),
        other => other.name().to_owned(),
    }
}

fn thresholds(out: &mut String, plan: &Plan, how: &Report<'_>) {
    let design = plan.asked();
    let Some(t) = design.thresholds() else { return };
    let words = |mean| in_all_units(mean, &design.score, design.plants);
    *out += &format!("Thresholds  inadequate at or below {}\n", words(t.inadequate()));
    *out += &format!("{BELOW}adequate at or above {}\n", words(t.adequate()));
    if design.score == Score::Count && !how.plants_known && how.past.is_none() {
        let plants = many(design.plants.get(), "plant");
        *out += &wrapped(BELOW, &format!("a site is taken as {plants}, as nobody said (--plants)"));
    }
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
    let lines = [
        line("inadequate at or below", &|row| row.at_most(Call::Inadequate)),
        line("adequate at or above", &|row| row.at_least(Call::Adequate)),
    ];
    format!("Stop lines on the total{some}\n{}", output::table(&headings, lines, 1))
}

/// The straight lines of the plan, as a paper prints them: every digit counts.
fn straight(plan: &Plan) -> String {
    let Some(Straight { slope, lower, upper }) = plan.straight() else { return String::new() };
    let signed = |x: f64| format!("{} {}", if x < 0.0 { '-' } else { '+' }, x.abs());
    let where_ = if plan.asked().closing == Closing::Call { "before the last check" } else { "at every check" };
    let lines = format!("adequate at or above {slope} × sites {}", signed(upper));
    wrapped(
        "",
        &format!("As straight lines {where_}: inadequate at or below {slope} × sites {}, {lines}.", signed(lower)),
    )
}

/// What the optimal plan would save over a calibrated one.
fn optimal(plan: &Plan, watch: &dyn Watch) -> Result<String, Error> {
    let design = plan.asked();
    let Some(thresholds) = design.thresholds().filter(|_| plan.method() == Method::Calibrated) else {
        return Ok(String::new());
    };
    let sites = f64::from(design.checks.cap());
    let long = sites * sites * thresholds.adequate().get() > MOST_STATES;
    if long || design.closing == Closing::Undecided {
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
