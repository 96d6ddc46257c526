//! Exact evaluation of clustered sites: independent quadrature (`tests/vectors/clustered.json`), simulated walks, and
//! plans recalibrated for them.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)] // tests

use serde::Deserialize;
use stopline::evaluate::{Otherwise, clustered_lines, evaluate_clustered, evaluate_lines, sensitivity};
use stopline::law::{Law, Laws};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan, Table, recalibrated};
use stopline::simulate::{Clustered, Run, Walks, simulate_lines};
use stopline::{Code, Dispersion, K, Lines, Mean, Plants, Quiet, Risk, Risks, Row, Score, Share, Thresholds};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn constant(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

fn clustered(k: f64, shared: f64, run: Run) -> Clustered {
    Clustered::new(constant(k), Share::new(shared).unwrap(), run).unwrap()
}

fn design(k: f64, [low, high]: [f64; 2], cap: u32) -> Design {
    let risk = Risk::new(0.1).unwrap();
    let aim = Aim::TwoCalls {
        thresholds: Some(Thresholds::new(mean(low), mean(high)).unwrap()),
        risks: Some(Risks::new(risk, risk).unwrap()),
    };
    let checks = Checks::every(1, cap, 1).unwrap();
    Design { score: Score::Count, plants: Plants::ONE, dispersion: constant(k), aim, checks, closing: Closing::Call }
}

/// The plan derived by backward induction for thresholds 1.5 and 3, k 2, up to 20 sites: lower and upper lines.
fn good() -> Lines {
    let low = [-1, -1, -1, 1, 3, 5, 8, 10, 13, 15, 17, 20, 22, 25, 27, 30, 32, 35, 37, 42];
    let high = [9, 11, 13, 14, 16, 18, 20, 22, 24, 26, 28, 30, 31, 33, 35, 37, 39, 40, 42, 43];
    let row = |((at, low), high): ((u32, i64), i64)| Row::two_calls(at, (low >= 0).then_some(low), Some(high), None);
    Lines::new((1..).zip(low).zip(high).map(row).collect()).unwrap()
}

/// Values derived with scipy: a quarter of the extra-Poisson variance common to runs of five, or to the whole walk.
#[test]
fn the_good_plan_has_its_known_risks() {
    for (run, known) in [(Run::Sites(5), [0.131954, 0.156339]), (Run::WholeWalk, [0.152521, 0.213195])] {
        let rows = clustered_lines(&good(), &Score::Count, &clustered(2.0, 0.25, run), &[mean(1.5), mean(3.0)], &Quiet)
            .unwrap();
        for (found, known) in [rows[0].adequate, rows[1].inadequate].into_iter().zip(known) {
            assert!((found - known).abs() < 5e-7, "{run:?}: {found}, {known}");
        }
    }
}

#[derive(Deserialize)]
struct Vectors {
    columns: Vec<String>,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    lines: serde_json::Value,
    k: f64,
    shared: f64,
    run: Option<u32>,
    rows: Vec<Vec<f64>>,
}

/// Gauss–Legendre quadrature over the common part, written independently; printed to 12 figures.
#[test]
fn every_vector_is_reproduced() {
    let vectors: Vectors = serde_json::from_str(include_str!("../vectors/clustered.json")).unwrap();
    assert_eq!(vectors.columns, ["mean", "adequate", "inadequate", "expected_sites", "sites_sd", "at_cap"]);
    let mut compared = 0;
    for case in vectors.cases {
        let lines = lines_of(&case.lines);
        let source = clustered(case.k, case.shared, case.run.map_or(Run::WholeWalk, Run::Sites));
        let means: Vec<Mean> = case.rows.iter().map(|row| mean(row[0])).collect();
        let found = clustered_lines(&lines, &Score::Count, &source, &means, &Quiet).unwrap();
        for (row, known) in found.iter().zip(&case.rows) {
            for (found, known) in [
                (row.adequate, known[1]),
                (row.inadequate, known[2]),
                (row.expected_sites, known[3]),
                (row.sites_sd, known[4]),
                (row.at_cap, known[5]),
            ] {
                assert!((found - known).abs() < 1e-11 * known.max(1.0), "{:?}: {row:?}, {known}", case.run);
                compared += 1;
            }
        }
    }
    assert!(compared >= 100, "{compared}");
}

fn lines_of(value: &serde_json::Value) -> Lines {
    let rows = value.as_array().unwrap().iter().map(|row| {
        let at = u32::try_from(row["at"].as_u64().unwrap()).unwrap();
        let stops = row["stops"].as_array().unwrap().iter().map(|stop| stopline::Stop {
            from: stop["from"].as_i64(),
            to: stop["to"].as_i64(),
            call: stopline::Call::ALL.into_iter().find(|call| Some(call.as_str()) == stop["call"].as_str()).unwrap(),
        });
        Row { at, stops: stops.collect() }
    });
    Lines::new(rows.collect()).unwrap()
}

/// With nothing shared, or runs of one site, sites are independent.
#[test]
fn no_shared_part_is_the_plain_curve() {
    let means = [0.5, 1.5, 2.12, 4.0].map(mean);
    let plain = evaluate_lines(&good(), &Score::Count, &constant(2.0), &means, &Quiet).unwrap();
    for source in
        [clustered(2.0, 0.0, Run::WholeWalk), clustered(2.0, 0.3, Run::Sites(1)), clustered(2.0, 1.0, Run::First(1))]
    {
        let rows = clustered_lines(&good(), &Score::Count, &source, &means, &Quiet).unwrap();
        for (found, plain) in rows.iter().zip(&plain.rows) {
            assert!(
                (found.adequate - plain.adequate).abs() < 1e-12 && (found.inadequate - plain.inadequate).abs() < 1e-12
            );
            assert!((found.expected_sites / plain.expected_sites - 1.0).abs() < 1e-12);
            assert_eq!((found.sites_p50, found.sites_p90), (plain.sites_p50, plain.sites_p90));
        }
    }
}

/// Every kind of stop and run against simulated walks; 4.4 standard errors for some 200 numbers.
#[test]
fn simulated_walks_agree() {
    let marginal = Lines::new(vec![
        Row::three_calls(3, Some(0), None, Some(14), None),
        Row::three_calls(6, Some(3), Some((7, 9)), Some(20), None),
        Row::three_calls(10, Some(9), Some((10, 22)), Some(23), None),
    ])
    .unwrap();
    let enough = Lines::new(vec![
        Row::enough(4, None, None),
        Row::enough(8, Some(15), None),
        Row::enough(12, Some(11), Some(stopline::Call::Undecided)),
    ])
    .unwrap();
    let walks = Walks::new(40_000, 11).unwrap();
    let mut compared = 0;
    for lines in [good(), marginal, enough] {
        for (k, shared, run) in [
            (2.0, 0.25, Run::Sites(5)),
            (0.7, 0.6, Run::Sites(4)),
            (1.2, 1.0, Run::First(5)),
            (1.2, 0.1, Run::WholeWalk),
        ] {
            let (source, means) = (clustered(k, shared, run), [0.6, 1.5, 3.0].map(mean));
            let exact = clustered_lines(&lines, &Score::Count, &source, &means, &Quiet).unwrap();
            let found = simulate_lines(&lines, &Score::Count, &source, &means, &walks, &Quiet).unwrap();
            for (exact, found) in exact.iter().zip(found) {
                let calls = stopline::Call::ALL.map(|call| (exact.p(call), found.p(call)));
                let sites = [(exact.expected_sites, found.expected_sites), (exact.at_cap, found.at_cap)];
                for (exact, found) in calls.into_iter().chain(sites) {
                    assert!((exact - found.value).abs() <= 4.4 * found.se + 1e-12, "{run:?} {exact} {found:?}");
                    compared += 1;
                }
            }
        }
    }
    assert_eq!(compared, 252);
}

#[test]
fn wide_lines_are_refused() {
    let wide = Lines::new(vec![Row::two_calls(30, Some(5000), Some(5001), None)]).unwrap();
    let refused = clustered_lines(&wide, &Score::Count, &clustered(1.0, 0.5, Run::WholeWalk), &[mean(170.0)], &Quiet);
    assert_eq!(refused.unwrap_err().code(), Code::TooMuchWork);
}

/// What is not split into parts must not pass for clustered.
#[test]
fn other_scores_are_refused() {
    let lines = Lines::new(vec![Row::two_calls(10, Some(2), Some(3), None)]).unwrap();
    let (source, positive) = (clustered(1.0, 0.5, Run::Sites(5)), Score::positive(0, 1).unwrap());
    let exact = clustered_lines(&lines, &positive, &source, &[mean(1.0)], &Quiet);
    let walks = Walks::new(100, 1).unwrap();
    let found = simulate_lines(&lines, &positive, &source, &[mean(1.0)], &walks, &Quiet);
    assert_eq!([exact.unwrap_err().code(), found.unwrap_err().code()], [Code::Combination; 2]);
}

/// A recalibrated plan keeps both risks where the plan for independent sites does not, and takes more sites.
#[test]
fn recalibrated_plans_keep_their_risks() {
    for (run, cap) in [(Run::Sites(5), 40), (Run::WholeWalk, 60)] {
        let shared = if run == Run::WholeWalk { 0.05 } else { 0.25 };
        let source = clustered(2.0, shared, run);
        let found = recalibrated(&design(2.0, [1.5, 3.0], cap), Method::Calibrated, &source, &Quiet).unwrap();
        let before = found.rows_before.unwrap();
        assert!(before[0].adequate > 0.1 || before[2].inadequate > 0.1, "{before:?}");
        let own = evaluate_clustered(&found.plan, &source, &[mean(1.5), mean(3.0)], &Quiet).unwrap();
        assert!(own.curve.rows[0].adequate <= 0.1 && own.curve.rows[1].inadequate <= 0.1, "{own:?}");
        assert_eq!(found.rows[0], own.curve.rows[0]);
        assert!(found.rows[1].expected_sites > before[1].expected_sites);
        // The file asks for what was asked, states both risks, and is verified as it is read.
        let file = found.plan.to_json().unwrap();
        let again = Plan::from_json(&file).unwrap();
        again.verify(&Quiet).unwrap();
        let alike = again.alike().unwrap();
        assert_eq!(alike.source(again.asked()).unwrap(), source);
        assert_eq!(again.asked(), &design(2.0, [1.5, 3.0], cap));
        assert_eq!(alike.attained()[0].p, own.curve.rows[0].adequate);
        assert_eq!(alike.attained()[1].p, own.curve.rows[1].inadequate);
        let independent = evaluate_lines(again.lines(), &Score::Count, &constant(2.0), &[mean(1.5)], &Quiet).unwrap();
        assert!((again.attained()[0].p - independent.rows[0].adequate).abs() < 1e-12);
        assert!(again.attained()[0].p < alike.attained()[0].p);
        let mut edited: serde_json::Value = serde_json::from_str(&file).unwrap();
        edited["attained"]["alike"]["shared"] = 0.01.into();
        assert_eq!(Plan::from_json(&edited.to_string()).unwrap_err().code(), Code::PlanEdited);
        edited.as_object_mut().unwrap().remove("digest");
        assert_eq!(Plan::from_json(&edited.to_string()).unwrap_err().code(), Code::PlanEdited);
        assert!(stopline::card(&again).contains("of the clumping is common to"));
        // Both calls are as likely at the even mean.
        let even = own.curve.even_mean.unwrap();
        let at = evaluate_clustered(&found.plan, &source, &[mean(even)], &Quiet).unwrap().curve.rows.remove(0);
        assert!((at.adequate - at.inadequate).abs() < 1e-10, "{at:?}");
        // Not far more careful than asked.
        assert!(own.curve.rows[0].adequate.max(own.curve.rows[1].inadequate) > 0.08, "{own:?}");
    }
}

#[test]
fn optimal_plans_are_recalibrated_with_a_bound_that_holds() {
    let source = clustered(2.0, 0.25, Run::Sites(5));
    let found = recalibrated(&design(2.0, [1.5, 3.0], 40), Method::Optimal, &source, &Quiet).unwrap();
    let plan = Plan::from_json(&found.plan.to_json().unwrap()).unwrap();
    let proof = plan.proof().unwrap();
    assert!(proof.bound < proof.value, "{proof:?}");
    // The plan for independent sites keeps the asked risks there: it is above the bound.
    assert!(found.before.unwrap().proof().unwrap().value >= proof.bound);
    assert!(plan.alike().unwrap().attained().iter().all(|row| row.p <= 0.1));
}

#[test]
fn what_no_number_of_sites_averages_out_is_told() {
    let refused = |shared, run, cap| {
        let source = clustered(1.2, shared, run);
        recalibrated(&design(1.2, [1.0, 2.0], cap), Method::Calibrated, &source, &Quiet).unwrap_err()
    };
    let never = refused(0.5, Run::WholeWalk, 30);
    assert_eq!((never.code(), never.value()), (Code::NoPlan, Some("no number")));
    // A cap at which there is a plan is named, and does.
    let small = refused(0.25, Run::Sites(5), 24);
    assert_eq!(small.code(), Code::NoPlan);
    let cap: u32 = small.allowed().split_whitespace().nth(1).unwrap().parse().unwrap();
    let source = clustered(1.2, 0.25, Run::Sites(5));
    recalibrated(&design(1.2, [1.0, 2.0], cap), Method::Calibrated, &source, &Quiet).unwrap();
}

fn given(k: f64) -> Plan {
    let table = Table::of(&[(5, Some(1), Some(14)), (10, Some(8), Some(20)), (20, Some(28), Some(29))]).unwrap();
    let design = Design { checks: table.checks, ..design(k, [1.0, 2.0], 20) };
    Plan::given(design, table.lines, &Quiet).unwrap()
}

/// Each case against what it says, worked out in another way.
#[test]
fn what_is_otherwise_is_what_it_says() {
    let (k, means) = (1.2, [1.0, 2.0].map(mean));
    let plan = given(k);
    let found = sensitivity(&plan, &means, Share::new(0.8).unwrap(), &Quiet).unwrap();
    let exact = |under: Dispersion, times: f64| {
        let means = means.map(|m| mean(m.get() * times));
        evaluate_lines(plan.lines(), &Score::Count, &under, &means, &Quiet).unwrap().rows
    };
    let mut seen = 0;
    for case in &found.cases {
        let known = match case.otherwise {
            Otherwise::AsPlanned => exact(constant(k), 1.0),
            Otherwise::K(times) if times.is_infinite() => exact(Dispersion::Poisson, 1.0),
            Otherwise::K(times) => exact(constant(k * times), 1.0),
            Otherwise::Caught(share) | Otherwise::Finds(share) => exact(constant(k), share),
            Otherwise::Bare(share) => bare(&plan, k, share, means),
            Otherwise::Corner(sites) => {
                let corner = clustered(k, 1.0, Run::First(sites));
                let walks = Walks::new(100_000, 5).unwrap();
                for (row, simulated) in case
                    .rows
                    .iter()
                    .zip(simulate_lines(plan.lines(), &Score::Count, &corner, &means, &walks, &Quiet).unwrap())
                {
                    assert!((row.adequate - simulated.adequate.value).abs() < 4.0 * simulated.adequate.se);
                }
                seen += 1;
                continue;
            }
            other => panic!("{other:?}"),
        };
        for (row, known) in case.rows.iter().zip(known) {
            assert!((row.adequate - known.adequate).abs() < 1e-11, "{case:?}");
            assert!((row.expected_sites - known.expected_sites).abs() < 1e-9);
        }
        assert_eq!([case.rows[0].mean, case.rows[1].mean], [1.0, 2.0]);
        seen += 1;
    }
    assert_eq!(seen, 10);
}

/// Of n sites a binomial number is bare; the totals of the others are negative binomial: for the first check of a plan
/// cut to one, summed over that number.
fn bare(plan: &Plan, k: f64, share: f64, means: [Mean; 2]) -> Vec<stopline::evaluate::CurveRow> {
    // By thinning of sites: a table of P(x) built from its own recursion, p(x + 1)/p(x) = θ(k + x)/(x + 1).
    let laws = means.map(|m| {
        let m = m.get() / (1.0 - share);
        let theta = m / (k + m);
        let mut p = vec![(1.0 - theta).powf(k)];
        for x in 0..300 {
            let x = f64::from(x);
            p.push(p.last().unwrap() * theta * (k + x) / (x + 1.0));
        }
        p.iter_mut().for_each(|p| *p *= 1.0 - share);
        p[0] += share;
        let mean: f64 = p.iter().zip(0..).map(|(p, x)| p * f64::from(x)).sum();
        assert!((mean - m * (1.0 - share)).abs() < 1e-9);
        Laws::one(Law::table(0, p).unwrap())
    });
    stopline::evaluate::curve_of_laws(plan.lines(), &[1.0, 2.0], &laws, &Quiet).unwrap().rows
}

#[test]
fn plans_of_other_kinds_have_no_table_of_what_if() {
    let table = Table::of(&[(10, Some(2), Some(3))]).unwrap();
    let design = Design {
        score: Score::positive(0, 1).unwrap(),
        dispersion: Dispersion::Binomial,
        aim: Aim::TwoCalls { thresholds: None, risks: None },
        checks: table.checks,
        ..design(1.0, [0.1, 0.4], 10)
    };
    let plan = Plan::given(design, table.lines, &Quiet).unwrap();
    let refused = sensitivity(&plan, &[mean(0.2)], Share::new(0.8).unwrap(), &Quiet);
    assert_eq!(refused.unwrap_err().code(), Code::Combination);
    let nothing = sensitivity(&given(1.0), &[mean(0.2)], Share::new(0.0).unwrap(), &Quiet);
    assert_eq!(nothing.unwrap_err().code(), Code::OutOfRange);
}
