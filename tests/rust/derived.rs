//! `kinds.json`: calibrated plans for three calls and for capped counts, found by another search; their chances and sites.

use crate::reader::{LawText, RowText, Worst, call, lines, read};
use crate::tolerance;
use serde::Deserialize;
use stopline::evaluate::{evaluate, largest_expected_sites};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Pair, Plan};
use stopline::{Call, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds};

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
    law: LawText,
    counted_to: Option<u32>,
    /// Inadequate and adequate mean, risks of a false adequate and a false inadequate.
    pairs: Vec<[f64; 4]>,
    min_sites: u32,
    max_sites: u32,
    every: u32,
    largest_expected_sites: f64,
    /// Cuts at the cap, one for each pair, that the rows before it go with: sites are the same for all.
    cuts: Vec<Vec<i64>>,
    lines: Vec<RowText>,
    attained: Vec<(f64, String, f64)>,
    rows: Vec<[Option<f64>; 11]>,
}

fn pair([low, high, false_adequate, false_inadequate]: [f64; 4]) -> Pair {
    let (mean, risk) = (|m| Mean::new(m).unwrap(), |r| Risk::new(r).unwrap());
    Pair {
        thresholds: Thresholds::new(mean(low), mean(high)).unwrap(),
        risks: Risks::new(risk(false_adequate), risk(false_inadequate)).unwrap(),
    }
}

#[test]
fn calibrated_plans_equal_those_of_another_search() {
    let file: File = read("kinds");
    let (mut chances, mut sites) = (Worst::default(), Worst::default());
    for case in &file.cases {
        let (score, dispersion) = case.law.model().expect("no table");
        let aim = match case.pairs[..] {
            [lower, upper] => Aim::three_calls(pair(lower), pair(upper)).unwrap(),
            [one] => {
                let Pair { thresholds, risks } = pair(one);
                Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) }
            }
            _ => panic!("{}", case.name),
        };
        let design = Design {
            score: case.counted_to.map_or(score, |most| Score::capped(most).unwrap()),
            plants: Plants::ONE,
            dispersion,
            aim,
            checks: Checks::every(case.min_sites, case.max_sites, case.every).unwrap(),
            closing: Closing::Call,
        };
        let derived = Plan::design(design.clone(), Method::Calibrated, &Quiet).unwrap();
        let plan = Plan::given(design, lines(&case.lines), &Quiet).unwrap();
        let (last, rows) = derived.lines().rows().split_last().unwrap();
        assert_eq!(rows, plan.lines().rows().split_last().unwrap().1, "{}", case.name);
        let high = last.at_least(Call::Adequate).unwrap() - 1;
        let cuts = last.at_most(Call::Inadequate).into_iter().chain((case.pairs.len() == 2).then_some(high));
        let cuts: Vec<i64> = cuts.collect();
        assert!(case.cuts.contains(&cuts), "{}: {cuts:?}", case.name);
        assert_eq!(plan.attained().len(), case.attained.len());
        for (row, (mean, wrong, p)) in plan.attained().iter().zip(&case.attained) {
            assert_eq!((row.mean.get(), row.call), (*mean, call(wrong)), "{}", case.name);
            chances.compare(|| format!("{}, {wrong} at {mean}", case.name), row.p, *p, tolerance::PROBABILITY);
        }
        let asked = plan.asked();
        let most = largest_expected_sites(plan.lines(), &asked.score, &asked.dispersion).unwrap().expected_sites;
        let known = case.largest_expected_sites;
        sites.compare(|| format!("{}, most sites", case.name), most, known, tolerance::LARGEST_SITES * known);
        let means: Vec<Mean> = case.rows.iter().map(|row| Mean::new(row[0].unwrap()).unwrap()).collect();
        let found = evaluate(&plan, &asked.dispersion, &means, &Quiet).unwrap().curve.rows;
        for (found, row) in found.iter().zip(&case.rows) {
            for (name, want) in file.columns.iter().zip(row) {
                let place = || format!("{}, {name} at {}", case.name, found.mean);
                if let Some(which) = Call::ALL.into_iter().find(|call| call.as_str() == name) {
                    chances.compare(place, found.p(which), want.unwrap(), tolerance::PROBABILITY);
                } else if name == "expected_sites" {
                    let want = want.unwrap();
                    sites.compare(place, found.expected_sites, want, tolerance::SITES * want);
                }
            }
        }
    }
    chances.report("kinds, chances");
    sites.report("kinds, sites");
    assert!(file.cases.len() > 4 && chances.compared > 200 && sites.compared > 40);
}
