//! `pmf.json`: probabilities of a batch of sites, from its middle out to 1e-250.
//!
//! A plan with a single check shows them: its exits are the totals of the batch.

use crate::reader::{LawText, Worst, read};
use crate::tolerance;
use serde::Deserialize;
use std::collections::BTreeSet;
use stopline::evaluate::exits;
use stopline::{Lines, Row};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    columns: Vec<String>,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    law: LawText,
    mean: f64,
    rows: Vec<(u32, i64, f64)>,
}

#[test]
fn batches_equal_the_closed_forms_at_50_digits() {
    let file: File = read("pmf");
    assert_eq!(file.columns, ["sites", "step", "p"]);
    let mut worst = Worst::default();
    for case in &file.cases {
        let law = case.law.at(Some(case.mean));
        for sites in case.rows.iter().map(|row| row.0).collect::<BTreeSet<_>>() {
            let rows: Vec<_> = case.rows.iter().filter(|row| row.0 == sites).collect();
            let last = rows.iter().map(|row| row.1).max().unwrap();
            let lines = Lines::new(vec![Row::two_calls(sites, Some(last), Some(last + 1), None)]).unwrap();
            let exits = exits(&lines, &law, 0.5).unwrap().list;
            for (_, step, want) in rows {
                let place = || format!("{law:?}, {sites} sites, step {step}");
                let i = exits.binary_search_by_key(step, |e| e.total);
                let got = i.map_or(0.0, |i| exits[i].p);
                worst.compare(place, got, *want, tolerance::PMF * want.ln().abs().max(1.0) * want);
            }
        }
    }
    worst.report("pmf");
    assert!(worst.compared > 0);
}
