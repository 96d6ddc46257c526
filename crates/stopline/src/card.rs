//! The card a person carries into the field: every check's line, in plain text.

use crate::decide::standing_cautions;
use crate::lines::{Call, Column, Row};
use crate::params::{Mean, Plants, Unit};
use crate::plan::{Aim, AttainedRow, Closing, Design, Line, Plan};
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
    stated(plan).iter().for_each(|text| wrap(&mut out, text));
    for caution in plan.cautions().iter().chain(&standing_cautions()) {
        wrap(&mut out, &caution.text);
    }
    let _ = write!(out, "\nPlan {}, {} lines\n", plan.digest().short(), plan.method().as_str());
    out
}

/// The exact chances that a plan states, in words.
#[must_use]
pub fn stated(plan: &Plan) -> Vec<String> {
    let design = plan.asked();
    let unit = if design.dispersion.of_shares() { "of all units" } else { "per site" };
    let at = |row: &AttainedRow| {
        let mean = format!("{} {unit}", row.mean.get());
        match (&design.aim, row.call) {
            (Aim::TwoCalls { .. }, Call::Adequate) => format!("the low level ({mean})"),
            (Aim::TwoCalls { .. }, _) => format!("the high level ({mean})"),
            (Aim::Interval { .. }, _) => format!("the critical mean ({mean})"),
            _ => mean,
        }
    };
    let say =
        |row: &AttainedRow| format!("field truly at {} is called {} {}.", at(row), row.call.as_str(), times(row.p));
    let mut said: Vec<String> = plan.attained().iter().map(|row| format!("A {}", say(row))).collect();
    if let Some(alike) = plan.alike() {
        said.extend(alike.attained().iter().map(|row| format!("Where {}, a {}", alike.in_words(), say(row))));
    }
    said
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
        Score::Capped { counted_to } => {
            format!("Count each site up to {counted_to} and no further: more is {counted_to} too. Add up the counts")
        }
        Score::Positive { above, units } => {
            format!("At each site look at {units} units and add up those with more than {above}")
        }
    };
    wrap(out, &format!("One site is {plants_words}. {add}; after each listed site compare the total."));
    plan.asked().in_words().iter().for_each(|text| wrap(out, text));
    if let Some(lines) = lines_in_words(plan) {
        wrap(out, &format!("Lines: {lines}."));
    }
}

/// The straight lines of a plan, if they give its table: `inadequate at or below 1.41 x sites - 6.17; …`. Every digit counts.
#[must_use]
pub fn lines_in_words(plan: &Plan) -> Option<String> {
    let lines = plan.straight()?;
    let line = |(column, line): (&Column, &Line)| {
        format!("{} {} x sites {}", column.words(), line.slope, signed(line.intercept))
    };
    let columns = plan.asked().aim.columns();
    let mut said = columns.iter().zip(&lines).map(line).collect::<Vec<_>>().join("; ");
    if columns.contains(&Column::MarginalTo) {
        said += " (no marginal call where that is below the line it is from)";
    }
    Some(said)
}

/// A column's heading in two lines, and its width.
fn heading(column: Column) -> (&'static str, &'static str, usize) {
    match column {
        Column::InadequateAtMost => ("inadequate", "at most", 10),
        Column::MarginalFrom => ("marginal", "from", 8),
        Column::MarginalTo => ("marginal", "to", 8),
        Column::AdequateAtLeast => ("adequate", "at least", 9),
        Column::EnoughAtLeast => ("enough", "at least", 8),
    }
}

/// Checks in blocks side by side, read downwards.
fn table(out: &mut String, plan: &Plan) {
    let (rows, columns) = (plan.lines().rows(), plan.asked().aim.columns());
    let line = |sites: &str, cell: &dyn Fn(Column) -> String, total: &str| {
        let cells: String = columns.iter().map(|&c| format!("  {:>1$}", cell(c), heading(c).2)).collect();
        format!("{sites:>5}{cells}  {total:<6}")
    };
    let titles = line("sites", &|c| heading(c).0.to_owned(), "total");
    let blocks = if rows.len() > 12 && BLOCKS * (titles.len() + 3) <= WIDTH + 3 { BLOCKS } else { 1 };
    let height = rows.len().div_ceil(blocks);
    for line in [titles, line("", &|c| heading(c).1.to_owned(), "so far")] {
        put(out, vec![line; blocks].join("   ").trim_end());
    }
    let cells = |row: &Row| {
        let cell = |c: Column| c.of(row).map_or_else(|| "-".to_owned(), |t| t.to_string());
        line(&row.at.to_string(), &cell, "______")
    };
    for i in 0..height {
        let cells: Vec<String> = (0..blocks).filter_map(|b| rows.get(b * height + i)).map(cells).collect();
        put(out, cells.join("   ").trim_end());
    }
    let (between, open) = match plan.asked().aim {
        Aim::Precision { .. } => ("Below the total: keep sampling.", "Below it at the last check"),
        Aim::ThreeCalls { .. } => ("In none of these ranges: keep sampling.", "In none at the last check"),
        _ => ("Between the two totals: keep sampling.", "Between them at the last check"),
    };
    put(out, between);
    if plan.asked().closing == Closing::Undecided {
        put(out, &format!("{open}: undecided."));
    }
}

impl Design {
    /// What is asked, in words: one sentence for each mean or precision.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let words = |mean: Mean| in_all_units(mean.get(), self.dispersion.of_shares(), self.plants);
        let low = |name: &str, mean| format!("{name} means {} or fewer.", words(mean));
        let high = |name: &str, mean| format!("{name} means {} or more.", words(mean));
        match &self.aim {
            Aim::TwoCalls { thresholds, .. } => thresholds
                .iter()
                .flat_map(|t| [low("Inadequate", t.inadequate()), high("Adequate", t.adequate())])
                .collect(),
            Aim::ThreeCalls { lower, upper } => {
                let marginal = (lower.thresholds.adequate(), upper.thresholds.inadequate());
                vec![
                    low("Inadequate", lower.thresholds.inadequate()),
                    format!("Marginal means {} to {}.", words(marginal.0), words(marginal.1)),
                    high("Adequate", upper.thresholds.adequate()),
                ]
            }
            Aim::Interval { critical, .. } => vec![format!("The critical mean is {}.", words(*critical))],
            Aim::Precision { se_over_mean } => {
                vec![format!("Enough means a standard error of at most {} of the mean.", short(se_over_mean.get()))]
            }
        }
    }
}

/// A mean per site in every unit; a share of positive units as itself.
fn in_all_units(mean: f64, share: bool, plants: Plants) -> String {
    if share {
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
