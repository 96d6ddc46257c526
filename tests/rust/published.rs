//! `published.json`: plans with published risks and costs.
//!
//! What was printed must come out at its precision; where the vectors say that printed and recomputed
//! values differ, it must not, and the recomputed value counts.

use crate::reader::{LawText, RowText, Worst, lines, read};
use crate::tolerance;
use serde::Deserialize;
use stopline::evaluate::evaluate_lines;
use stopline::{Mean, Quiet};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    cases: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    name: String,
    #[serde(rename = "source")]
    _source: String,
    law: LawText,
    values: Vec<Value>,
    lines: Vec<RowText>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Value {
    quantity: String,
    mean: f64,
    printed: f64,
    half_unit: f64,
    #[serde(rename = "recalled")]
    _recalled: bool,
    agrees: bool,
    value: f64,
}

#[test]
fn published_values_come_out() {
    let file: File = read("published");
    let mut worst = Worst::default();
    for case in &file.cases {
        let (lines, (score, under)) = (lines(&case.lines), case.law.model().expect("no table"));
        for value in &case.values {
            let means = [Mean::new(value.mean).unwrap()];
            let row = evaluate_lines(&lines, &score, &under, &means, &Quiet).unwrap().rows.remove(0);
            let (got, allowed) = match value.quantity.as_str() {
                "adequate" => (row.adequate, tolerance::PROBABILITY),
                "inadequate" => (row.inadequate, tolerance::PROBABILITY),
                "at_cap" => (row.at_cap, tolerance::PROBABILITY),
                "expected_sites" => (row.expected_sites, tolerance::SITES * value.value),
                other => panic!("no quantity {other}"),
            };
            let place = || format!("{}, {} at mean {}", case.name, value.quantity, value.mean);
            worst.compare(place, got, value.value, allowed);
            let agrees = (got - value.printed).abs() <= value.half_unit * (1.0 + 1e-9);
            assert_eq!(agrees, value.agrees, "{}: {got}, printed {}", place(), value.printed);
        }
    }
    worst.report("published");
    assert!(worst.compared > 0);
}
