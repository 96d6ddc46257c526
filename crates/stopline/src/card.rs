//! The card a person carries into the field: every check's line, in plain text.

use crate::decide::standing_cautions;
use crate::lines::{Call, Row};
use crate::params::{Plants, Unit};
use crate::plan::{Closing, Plan};
use crate::score::Score;
use std::fmt::Write as _;

/// Columns of the card.
const WIDTH: usize = 76;
/// Checks side by side.
const BLOCKS: usize = 2;

/// The card of a plan as plain text, 76 columns wide, with room to write the running total.
///
/// ```
/// # use stopline::{card, plan::{Aim, Design, Plan, Table}, Dispersion, Plants, Quiet, Score};
/// # let table = Table::of(&[(1, None, Some(4)), (2, Some(1), Some(2))])?;
/// # let aim = Aim::TwoCalls { thresholds: None, risks: None };
/// # let plan = Plan::given(Design { score: Score::Count, plants: Plants::ONE, dispersion: Dispersion::Poisson, aim,
/// #     checks: table.checks, closing: table.closing }, table.lines, &Quiet)?;
/// assert!(card(&plan).contains("adequate"));
/// # Ok::<(), stopline::Error>(())
/// ```
#[must_use]
pub fn card(plan: &Plan) -> String {
    let mut out = String::new();
    let title = if plan.about().title.is_empty() { "Stop card" } else { &plan.about().title };
    put(&mut out, title);
    put(&mut out, &"=".repeat(title.chars().count().min(WIDTH)));
    head(&mut out, plan);
    out.push('\n');
    table(&mut out, plan);
    out.push('\n');
    let of = if plan.asked().score == Score::Count { "per site" } else { "of all units" };
    for row in plan.attained() {
        let level = if row.call == Call::Adequate { "low" } else { "high" };
        wrap(
            &mut out,
            &format!(
                "A field truly at the {level} level ({} {of}) is called {} {}.",
                row.mean.get(),
                row.call.as_str(),
                times(row.p)
            ),
        );
    }
    for caution in plan.cautions().iter().chain(&standing_cautions()) {
        wrap(&mut out, &caution.text);
    }
    let _ = write!(out, "\nPlan {}, {} lines\n", plan.digest().short(), plan.method().as_str());
    out
}

/// A probability as people say it, rounded up so that it never promises too much.
#[must_use]
pub fn times(p: f64) -> String {
    let of = |n: f64| format!("at most {} times in {n}", libm::ceil(p * n - 1e-9));
    if p <= 1e-6 {
        "less than once in a million times".to_owned()
    } else if p < 1e-4 {
        of(1e6)
    } else if p < 0.01 {
        of(1e4)
    } else {
        format!("at most {} times in 100", libm::ceil(p * 1000.0 - 1e-9) / 10.0)
    }
}

fn head(out: &mut String, plan: &Plan) {
    let about = plan.about();
    for (name, value) in [
        ("Crop", &about.crop),
        ("Stage", &about.stage),
        ("Count", &about.counted),
        ("Site", &about.site),
        ("Route", &about.route),
        ("Calibrated on", &about.source),
    ] {
        if !value.is_empty() {
            wrap(out, &format!("{name}: {value}"));
        }
    }
    let plants = plan.asked().plants;
    let score = &plan.asked().score;
    let plants_words = if plants.get() == 1 { "one plant".to_owned() } else { format!("{} plants", plants.get()) };
    let add = match score {
        Score::Count => "Add up the counts".to_owned(),
        Score::Positive { above, units } => {
            format!("At each site look at {units} units and add up those with more than {above}")
        }
    };
    wrap(out, &format!("One site is {plants_words}. {add}; after each listed site compare the total."));
    if let Some(t) = plan.asked().thresholds() {
        for (name, mean) in [("Inadequate", t.inadequate().get()), ("Adequate", t.adequate().get())] {
            let side = if name == "Adequate" { "or more" } else { "or fewer" };
            wrap(out, &format!("{name} means {} {side}.", in_all_units(mean, score, plants)));
        }
    }
    if let Some(line) = plan.straight() {
        wrap(
            out,
            &format!(
                "Lines: inadequate at or below {} x sites {}; adequate at or above {} x sites {}.",
                line.slope,
                signed(line.lower),
                line.slope,
                signed(line.upper)
            ),
        );
    }
}

/// Checks in blocks side by side, read downwards.
fn table(out: &mut String, plan: &Plan) {
    let rows = plan.lines().rows();
    let blocks = if rows.len() > 12 { BLOCKS } else { 1 };
    let height = rows.len().div_ceil(blocks);
    let heading = format!("{:>5}  {:>10}  {:>9}  {:<6}", "sites", "inadequate", "adequate", "total");
    let below = format!("{:>5}  {:>10}  {:>9}  {:<6}", "", "at most", "at least", "so far");
    for line in [heading, below] {
        put(out, vec![line; blocks].join("   ").trim_end());
    }
    for i in 0..height {
        let cells: Vec<String> = (0..blocks).filter_map(|b| rows.get(b * height + i)).map(cells).collect();
        put(out, cells.join("   ").trim_end());
    }
    put(out, "Between the two totals: keep sampling.");
    if plan.asked().closing == Closing::Undecided {
        put(out, "Between them at the last check: undecided.");
    }
}

fn cells(row: &Row) -> String {
    let cell = |t: Option<i64>| t.map_or_else(|| "-".to_owned(), |t| t.to_string());
    format!(
        "{:>5}  {:>10}  {:>9}  {:<6}",
        row.at,
        cell(row.at_most(Call::Inadequate)),
        cell(row.at_least(Call::Adequate)),
        "______"
    )
}

/// A mean per site in every unit; a share of positive units as itself.
fn in_all_units(mean: f64, score: &Score, plants: Plants) -> String {
    if let Score::Positive { .. } = score {
        return format!("{} of all units", short(mean));
    }
    let in_unit = |u: &Unit| format!("{} per {}", short(mean / u.in_a_site(plants)), u.as_str().replace('-', " "));
    Unit::ALL.iter().map(in_unit).collect::<Vec<_>>().join(" = ")
}

/// A number with up to four decimals, without trailing zeros.
fn short(x: f64) -> String {
    let text = format!("{x:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn signed(x: f64) -> String {
    format!("{} {}", if x < 0.0 { '-' } else { '+' }, x.abs())
}

fn put(out: &mut String, line: &str) {
    out.push_str(line);
    out.push('\n');
}

/// Words on lines of at most [`WIDTH`] characters.
fn wrap(out: &mut String, text: &str) {
    let mut width = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if width > 0 && width + 1 + length > WIDTH {
            out.push('\n');
            width = 0;
        }
        if width > 0 {
            out.push(' ');
            width += 1;
        }
        out.push_str(word);
        width += length;
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probabilities_are_said_rounded_up() {
        assert_eq!(times(0.0999), "at most 10 times in 100");
        assert_eq!(times(0.0951), "at most 9.6 times in 100");
        assert_eq!(times(0.00123), "at most 13 times in 10000");
        assert_eq!(times(1e-7), "less than once in a million times");
    }

    #[test]
    fn long_text_is_wrapped_and_nothing_is_lost() {
        let mut out = String::new();
        let text = "word ".repeat(60);
        wrap(&mut out, &text);
        assert!(out.lines().all(|l| l.chars().count() <= WIDTH));
        assert_eq!(out.split_whitespace().count(), 60);
    }
}
