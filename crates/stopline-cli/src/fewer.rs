//! Would fewer sites do? Walks of a fixed number of sites beside a plan.

use crate::output;
use crate::words::{figures, in_100};
use stopline::compare::means_around;
use stopline::evaluate::{CurveRow, evaluate, evaluate_lines};
use stopline::plan::{Design, Plan, always, fewest_fixed_sites};
use stopline::{Dispersion, Error, Lines, Mean, Row, Thresholds, Watch};

/// Numbers of sites that people commonly walk (common practice, no source).
const COMMON: [u32; 2] = [30, 25];

/// Another clumping under which the plan is looked at.
pub struct Other {
    /// Who has it.
    pub name: String,
    pub dispersion: Dispersion,
}

/// The table: both risks, and average sites at five true means.
pub fn fewer(plan: &Plan, thresholds: Thresholds, other: Option<&Other>, watch: &dyn Watch) -> Result<String, Error> {
    let design = plan.asked();
    let means = means_around(thresholds, design.dispersion.of_shares())?;
    let mut rows = Vec::new();
    for n in COMMON {
        let lines = always(&design.score, &design.dispersion, thresholds, n)?;
        rows.push(fixed(design, &means, &lines, format!("always {n} sites"), watch)?);
    }
    if design.risks().is_some() {
        match fewest_fixed_sites(design)? {
            Some(f) => {
                let name = format!("always {} sites, the fewest", f.sites);
                let lines = Lines::new(vec![Row::two_calls(f.sites, Some(f.cut), Some(f.cut + 1), None)])?;
                rows.push(fixed(design, &means, &lines, name, watch)?);
            }
            None => rows.push(vec!["no fixed number of sites does".to_owned()]),
        }
    }
    let under = |under: &Dispersion, name: String| -> Result<Vec<String>, Error> {
        let curve = evaluate(plan, under, &means, watch)?.curve;
        let sites = curve.rows.iter().map(|row| format!("{:.1}", row.expected_sites)).collect();
        Ok(cells(name, &curve.rows, sites))
    };
    rows.push(under(&design.dispersion, "this plan".to_owned())?);
    if let Some(other) = other {
        rows.push(under(&other.dispersion, format!("this plan, if all were like {}", other.name))?);
    }
    let at: Vec<String> = means.iter().map(|mean| format!("\nat {}", figures(mean.get()))).collect();
    let headings: Vec<&str> = ["\n", "low called\nadequate", "high called\ninadequate"]
        .into_iter()
        .chain(at.iter().map(String::as_str))
        .collect();
    Ok(output::table(&headings, rows, 1))
}

/// A walk of always the same number of sites.
fn fixed(
    design: &Design,
    means: &[Mean],
    lines: &Lines,
    name: String,
    watch: &dyn Watch,
) -> Result<Vec<String>, Error> {
    let curve = evaluate_lines(lines, &design.score, &design.dispersion, means, watch)?;
    Ok(cells(name, &curve.rows, vec![lines.cap().to_string(); means.len()]))
}

/// The thresholds are the second and the fourth mean.
fn cells(name: String, rows: &[CurveRow], sites: Vec<String>) -> Vec<String> {
    let risk = |at: usize, p: fn(&CurveRow) -> f64| rows.get(at).map_or_else(String::new, |row| in_100(p(row)));
    let mut cells = vec![name, risk(1, |row| row.adequate), risk(3, |row| row.inadequate)];
    cells.extend(sites);
    cells
}
