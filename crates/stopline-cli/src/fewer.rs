//! Would fewer sites do? Walks of a fixed number of sites beside a plan.
//!
//! Someone who always counts n sites calls the field inadequate where the total is at most ⌊s·n⌋, s
//! being the slope of Wald's lines: the total at which both thresholds are equally likely.

use crate::output;
use crate::words::{figures, in_100};
use stopline::evaluate::{CurveRow, evaluate, evaluate_lines};
use stopline::plan::{Aim, Design, Plan, fewest_fixed_sites, wald_lines};
use stopline::{Dispersion, Error, Lines, Mean, Risk, Risks, Row, Thresholds, Total, Watch};

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
    let design = with_risks(plan.asked(), thresholds)?;
    let means = five_means(design.dispersion.of_shares(), thresholds)?;
    let slope = wald_lines(&design)?.slope;
    let mut rows = Vec::new();
    for n in COMMON {
        #[allow(clippy::cast_possible_truncation)] // far below 2⁵³
        let cut = (slope * f64::from(n) + 1e-9).floor() as Total;
        rows.push(fixed(&design, &means, n, cut, format!("always {n} sites"), watch)?);
    }
    if plan.asked().risks().is_some() {
        match fewest_fixed_sites(&design)? {
            Some(f) => {
                let name = format!("always {} sites, the fewest", f.sites);
                rows.push(fixed(&design, &means, f.sites, f.cut, name, watch)?);
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

/// A walk of always `n` sites with this cut.
fn fixed(
    design: &Design,
    means: &[Mean],
    n: u32,
    cut: Total,
    name: String,
    watch: &dyn Watch,
) -> Result<Vec<String>, Error> {
    let lines = Lines::new(vec![Row::two_calls(n, Some(cut), Some(cut + 1), None)])?;
    let curve = evaluate_lines(&lines, &design.score, &design.dispersion, means, watch)?;
    Ok(cells(name, &curve.rows, vec![n.to_string(); means.len()]))
}

/// The thresholds are the second and the fourth mean.
fn cells(name: String, rows: &[CurveRow], sites: Vec<String>) -> Vec<String> {
    let risk = |at: usize, p: fn(&CurveRow) -> f64| rows.get(at).map_or_else(String::new, |row| in_100(p(row)));
    let mut cells = vec![name, risk(1, |row| row.adequate), risk(3, |row| row.inadequate)];
    cells.extend(sites);
    cells
}

/// Half the lower threshold, it, the geometric middle, the upper threshold, twice it; for shares the
/// same of their odds.
fn five_means(shares: bool, thresholds: Thresholds) -> Result<[Mean; 5], Error> {
    let (low, high) = (thresholds.inadequate(), thresholds.adequate());
    let [to, from]: [fn(f64) -> f64; 2] =
        if shares { [|p| p / (1.0 - p), |odds| odds / (1.0 + odds)] } else { [|m| m, |x| x] };
    let (a, b) = (to(low.get()), to(high.get()));
    let mean = |x: f64| Mean::new(from(x));
    Ok([mean(0.5 * a)?, low, mean((a * b).sqrt())?, high, mean(2.0 * b)?])
}

/// The design with some risks where a given table has none: the slope does not depend on them.
fn with_risks(design: &Design, thresholds: Thresholds) -> Result<Design, Error> {
    let even = Risks::new(Risk::new(0.1)?, Risk::new(0.1)?)?;
    let risks = design.risks().unwrap_or(even);
    Ok(Design { aim: Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) }, ..design.clone() })
}
