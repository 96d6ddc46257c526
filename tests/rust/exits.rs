//! `exits.json`: every single way to stop, up to a tail of 1e-12 above each check's uppermost line.

use crate::reader::{LawText, RowText, Worst, call, lines, read};
use crate::tolerance;
use serde::Deserialize;
use std::collections::BTreeMap;
use stopline::evaluate::exits;
use stopline::law::Law;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    columns: Vec<String>,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    plan: String,
    law: LawText,
    mean: Option<f64>,
    lines: Vec<RowText>,
    rows: Vec<(u32, i64, String, f64, f64)>,
}

/// Weight left off above the totals that are listed for a check.
const TAIL: f64 = 1e-12;

/// ln of what a probability is divided by to give the weight of its paths.
fn ln_common(law: &Law, at: u32, total: i64) -> f64 {
    let (n, t) = (f64::from(at), total as f64);
    match law {
        Law::Poisson { mean } => t * mean.get().ln() - n * mean.get(),
        Law::NegBin { mean, k } => {
            let (m, k) = (mean.get(), k.get());
            t * (m / (k + m)).ln() - n * k * (m / k).ln_1p()
        }
        Law::Binomial { p, units } => {
            let p = p.get();
            t * p.ln() + (n * f64::from(*units) - t) * (-p).ln_1p()
        }
        _ => 0.0,
    }
}

#[test]
fn exits_equal_the_direct_method_at_50_digits() {
    let file: File = read("exits");
    assert_eq!(file.columns, ["at", "total", "call", "p", "ln_paths"]);
    let (mut p, mut ln_paths) = (Worst::default(), Worst::default());
    for case in &file.cases {
        let (lines, law) = (lines(&case.lines), case.law.at(case.mean));
        let got = exits(&lines, &law, TAIL).unwrap();
        assert!(got.left_off <= 2.0 * TAIL, "{}: {}", case.plan, got.left_off);
        let order: Vec<_> = got.list.iter().map(|e| (e.at, e.total)).collect();
        assert!(order.is_sorted_by(|a, b| a < b), "{}: exits out of order", case.plan);

        let mut listed: BTreeMap<_, _> = got.list.iter().map(|e| ((e.at, e.total), e)).collect();
        for (at, total, word, want_p, want_paths) in &case.rows {
            let place = || format!("{} under {law:?}, {at} sites, total {total}", case.plan);
            let exit = listed.remove(&(*at, *total)).unwrap_or_else(|| panic!("{} is missing", place()));
            assert_eq!(exit.call, call(word), "{}", place());
            p.compare(place, exit.p, *want_p, tolerance::EXIT * want_p);
            let size = want_paths.abs().max(ln_common(&law, *at, *total).abs()).max(1.0);
            ln_paths.compare(place, exit.ln_paths, *want_paths, tolerance::LN_PATHS * size);
        }
        // What is listed beyond the vectors is above each check's last total, and light.
        let mut beyond = BTreeMap::<u32, f64>::new();
        for ((at, total), exit) in listed {
            let last = case.rows.iter().filter(|row| row.0 == at).map(|row| row.1).max();
            assert!(last.is_none_or(|last| last < total), "{}: {exit:?} is in no vector", case.plan);
            *beyond.entry(at).or_default() += exit.p;
        }
        assert!(beyond.values().all(|&p| p <= 1.01 * TAIL), "{}: {beyond:?}", case.plan);
    }
    p.report("p");
    ln_paths.report("ln_paths");
    assert!(p.compared > 0);
}
