//! `evaluate.json`: chances of each call, sites, their spread, and the even mean; and that many means by
//! one recursion come out as each by its own.

use crate::reader::{LawText, RowText, Worst, design, lines, read};
use crate::tolerance;
use serde::Deserialize;
use std::collections::BTreeMap;
use stopline::evaluate::{CurveRow, curve_of_laws, evaluate_lines};
use stopline::law::Laws;
use stopline::plan::{Method, Plan};
use stopline::{Lines, Mean, Quiet};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    columns: Vec<String>,
    plans: Vec<NamedLines>,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NamedLines {
    name: String,
    #[serde(rename = "source")]
    _source: String,
    lines: Vec<RowText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    plan: String,
    law: LawText,
    even_mean: Option<f64>,
    rows: Vec<[Option<f64>; 11]>,
}

type Column = (&'static str, fn(&CurveRow) -> f64);
/// What a column holds, after `mean`.
const COLUMNS: [Column; 10] = [
    ("inadequate", |r| r.inadequate),
    ("marginal", |r| r.marginal),
    ("adequate", |r| r.adequate),
    ("enough", |r| r.enough),
    ("undecided", |r| r.undecided),
    ("expected_sites", |r| r.expected_sites),
    ("sites_sd", |r| r.sites_sd),
    ("sites_p50", |r| f64::from(r.sites_p50)),
    ("sites_p90", |r| f64::from(r.sites_p90)),
    ("at_cap", |r| r.at_cap),
];

/// The largest deviations so far, by column.
type Found = BTreeMap<&'static str, Worst>;

fn compare(found: &mut Found, case: &Case, row: &CurveRow, want: &[Option<f64>]) {
    let expected = want[5].expect("expected sites");
    for ((column, value), want) in COLUMNS.into_iter().zip(want) {
        let place = || format!("{} under {:?} at mean {}, {column}", case.plan, case.law, row.mean);
        if !column.contains("sites") {
            assert!((0.0..=1.0).contains(&value(row)), "{}: {}", place(), value(row));
        }
        let worst = found.entry(column).or_default();
        match (column, *want) {
            ("sites_p50" | "sites_p90", None) => {} // a tie within 1e-9
            (_, None) => panic!("{} is missing", place()),
            ("sites_p50" | "sites_p90", Some(want)) => worst.compare(place, value(row), want, 0.0),
            ("expected_sites", Some(want)) => worst.compare(place, value(row), want, tolerance::SITES * want),
            ("sites_sd", Some(want)) => {
                let allowed = tolerance::SITES_VARIANCE * expected * expected;
                worst.compare(place, value(row).powi(2), want.powi(2), allowed);
            }
            (_, Some(want)) => worst.compare(place, value(row), want, tolerance::PROBABILITY),
        }
    }
}

/// All means at once, by one recursion where the laws are of one family.
fn together(lines: &Lines, case: &Case) -> (Vec<CurveRow>, Option<f64>) {
    let means: Vec<f64> = case.rows.iter().map(|row| row[0].expect("a mean")).collect();
    match case.law.model() {
        Some((score, under)) => {
            let means: Vec<Mean> = means.into_iter().map(|m| Mean::new(m).unwrap()).collect();
            let curve = evaluate_lines(lines, &score, &under, &means, &Quiet).unwrap();
            (curve.rows, curve.even_mean)
        }
        None => {
            let laws: Vec<Laws> = means.iter().map(|_| Laws::one(case.law.at(None))).collect();
            (curve_of_laws(lines, &means, &laws, &Quiet).unwrap().rows, None)
        }
    }
}

/// One mean alone, by a recursion of its own.
fn alone(lines: &Lines, case: &Case, mean: f64) -> CurveRow {
    let laws = Laws::one(case.law.at(Some(mean)));
    curve_of_laws(lines, &[mean], &[laws], &Quiet).unwrap().rows.remove(0)
}

#[test]
fn curves_equal_the_direct_method_at_50_digits() {
    let file: File = read("evaluate");
    assert_eq!(file.columns[0], "mean");
    assert!(file.columns[1..].iter().eq(COLUMNS.iter().map(|(name, _)| name)));
    let plans: BTreeMap<_, _> = file.plans.iter().map(|p| (&p.name, lines(&p.lines))).collect();
    let (mut found, mut even) = (Found::new(), Worst::default());
    for case in &file.cases {
        let lines = &plans[&case.plan];
        let (rows, even_mean) = together(lines, case);
        assert_eq!(rows.len(), case.rows.len());
        for (row, want) in rows.iter().zip(&case.rows) {
            compare(&mut found, case, row, &want[1..]);
            compare(&mut found, case, &alone(lines, case, row.mean), &want[1..]);
        }
        if let Some(want) = case.even_mean {
            let got = even_mean.unwrap_or(f64::NAN);
            let place = || format!("{} under {:?}, even mean", case.plan, case.law);
            even.compare(place, got, want, tolerance::EVEN_MEAN * want);
        }
    }
    found.iter().for_each(|(column, worst)| worst.report(column));
    even.report("even_mean");
    assert!(even.compared > 0 && found["at_cap"].compared > 0);
}

/// Totals of 3e5 multiply the rounding of what turns one mean into another.
#[test]
fn one_recursion_serves_all_means_of_a_crowded_field() {
    let design = design(&LawText::Poisson {}, [500.0, 507.0], [0.01, 0.01], (1, 600, 1));
    let plan = Plan::design(design, Method::Wald, &Quiet).unwrap();
    let means = [495.0, 500.0, 503.5, 507.0, 512.0];
    let laws = means.map(|m| Laws::one(LawText::Poisson {}.at(Some(m))));
    let together = curve_of_laws(plan.lines(), &means, &laws, &Quiet).unwrap().rows;
    for ((row, &m), law) in together.iter().zip(&means).zip(laws) {
        let alone = curve_of_laws(plan.lines(), &[m], &[law], &Quiet).unwrap().rows.remove(0);
        assert!((row.adequate - alone.adequate).abs() <= tolerance::PROBABILITY, "{row:?} {alone:?}");
        assert!((row.inadequate - alone.inadequate).abs() <= tolerance::PROBABILITY, "{row:?} {alone:?}");
        let allowed = tolerance::SITES * alone.expected_sites;
        assert!((row.expected_sites - alone.expected_sites).abs() <= allowed, "{row:?} {alone:?}");
    }
}
