//! `wald_lines.json`: slope and intercepts of Wald's lines, and the rows they are rounded to.

use crate::reader::{LawText, Worst, design, read};
use crate::tolerance;
use serde::Deserialize;
use std::collections::BTreeMap;
use stopline::plan::{Method, Plan, wald_lines};
use stopline::{Call, Quiet};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    columns: Vec<String>,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    name: String,
    #[serde(rename = "source")]
    _source: String,
    law: LawText,
    inadequate: f64,
    adequate: f64,
    false_adequate: f64,
    false_inadequate: f64,
    min_sites: u32,
    max_sites: u32,
    every: u32,
    slope: f64,
    inadequate_intercept: f64,
    adequate_intercept: f64,
    printed: BTreeMap<String, Printed>,
    rows: Vec<(u32, Option<i64>, Option<i64>)>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Printed {
    printed: f64,
    half_unit: f64,
}

#[test]
fn walds_lines_equal_the_formulas_at_50_digits() {
    let file: File = read("wald_lines");
    assert_eq!(file.columns, ["sites", "inadequate_at_most", "adequate_at_least"]);
    let mut worst = Worst::default();
    for case in &file.cases {
        let checks = (case.min_sites, case.max_sites, case.every);
        let risks = [case.false_adequate, case.false_inadequate];
        let design = design(&case.law, [case.inadequate, case.adequate], risks, checks);
        let straight = wald_lines(&design).unwrap();
        let mut printed = 0;
        for (name, got, want) in [
            ("slope", straight.slope, case.slope),
            ("inadequate_intercept", straight.lower, case.inadequate_intercept),
            ("adequate_intercept", straight.upper, case.adequate_intercept),
        ] {
            worst.compare(|| format!("{}, {name}", case.name), got, want, tolerance::STRAIGHT * want.abs());
            if let Some(source) = case.printed.get(name) {
                printed += 1;
                assert!((got - source.printed).abs() <= source.half_unit, "{}, {name}: {got}", case.name);
            }
        }
        assert_eq!(printed, case.printed.len(), "{}: something else is printed", case.name);

        let plan = Plan::design(design, Method::Wald, &Quiet).unwrap();
        let rows = plan.lines().rows().iter();
        let rows: Vec<_> = rows.map(|r| (r.at, r.at_most(Call::Inadequate), r.at_least(Call::Adequate))).collect();
        assert_eq!(rows, case.rows, "{}", case.name);
    }
    worst.report("wald_lines");
    assert!(worst.compared > 0);
}
