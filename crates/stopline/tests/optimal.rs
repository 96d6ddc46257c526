//! Optimal plans against bounds and plans derived outside the project by backward induction and an exact
//! forward pass: thresholds 1.5 and 3, k 2, cap 20, risks at most .10.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]

use stopline::evaluate::evaluate_lines;
use stopline::plan::{Aim, Checks, Closing, Design, Method, Objective, Plan, Table};
use stopline::{Call, Code, Dispersion, K, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds};

fn design(thresholds: [f64; 2], k: f64, risks: [f64; 2], checks: Checks) -> Design {
    let [low, high] = thresholds.map(|m| Mean::new(m).unwrap());
    let [a, b] = risks.map(|r| Risk::new(r).unwrap());
    Design {
        score: Score::Count,
        plants: Plants::ONE,
        dispersion: Dispersion::ConstantK { k: K::new(k).unwrap() },
        aim: Aim::TwoCalls {
            thresholds: Some(Thresholds::new(low, high).unwrap()),
            risks: Some(Risks::new(a, b).unwrap()),
        },
        checks,
        closing: Closing::Call,
    }
}

fn known() -> Design {
    design([1.5, 3.0], 2.0, [0.1, 0.1], Checks::every(1, 20, 1).unwrap())
}

/// What must hold of every optimal plan.
fn sound(plan: &Plan) {
    let asked = plan.asked().risks().unwrap();
    let asked = [asked.false_adequate().get(), asked.false_inadequate().get()];
    assert!(plan.attained().iter().zip(asked).all(|(row, asked)| row.p <= asked));
    let proof = plan.proof().unwrap();
    assert!(proof.bound <= proof.value * (1.0 + 1e-12));
    let lines: Vec<_> = plan
        .lines()
        .rows()
        .iter()
        .map(|r| (r.at_most(Call::Inadequate).unwrap_or(-1), r.at_least(Call::Adequate).unwrap()))
        .collect();
    assert!(lines.iter().all(|(low, high)| low < high));
    assert!(lines.windows(2).all(|w| w[0].0 <= w[1].0 && w[0].1 <= w[1].1), "lines rise");
    let back = Plan::from_json(&plan.to_json().unwrap()).unwrap();
    assert_eq!(back.to_json().unwrap(), plan.to_json().unwrap());
    back.verify(&Quiet).unwrap();
}

#[test]
fn fewest_sites_at_one_mean() {
    let plan = Plan::optimal(known(), &Objective::at(&[Mean::new(2.12).unwrap()]), None, &Quiet).unwrap();
    sound(&plan);
    let proof = plan.proof().unwrap();
    assert!((proof.bound / 9.635_700 - 1.0).abs() < 5e-4, "{}", proof.bound);
    assert!(proof.value <= 1.001 * 9.640_684, "{}", proof.value);
}

#[test]
fn smallest_largest_sites() {
    let plan = Plan::design(known(), Method::Optimal, &Quiet).unwrap();
    sound(&plan);
    let proof = plan.proof().unwrap();
    assert!((proof.bound / 9.812_410 - 1.0).abs() < 5e-4, "{}", proof.bound);
    assert!(proof.value <= 1.001 * 9.818_271, "{}", proof.value);
}

#[test]
fn a_good_plan_typed_in_has_its_exact_numbers_and_beats_no_bound() {
    let low = [-1, -1, -1, 1, 3, 5, 8, 10, 13, 15, 17, 20, 22, 25, 27, 30, 32, 35, 37, 42];
    let high = [9, 11, 13, 14, 16, 18, 20, 22, 24, 26, 28, 30, 31, 33, 35, 37, 39, 40, 42, 43];
    let rows: Vec<_> =
        (1..).zip(low.iter().zip(high)).map(|(n, (&l, h))| (n, (l >= 0).then_some(l), Some(h))).collect();
    let table = Table::of(&rows).unwrap();
    let plan = Plan::given(Design { checks: table.checks, ..known() }, table.lines, &Quiet).unwrap();
    for (row, risk) in plan.attained().iter().zip([0.099_798, 0.099_506]) {
        assert!((row.p - risk).abs() < 5e-7, "printed to six digits: {}", row.p);
    }
    let sites =
        [(0.75, 5.724_636), (1.5, 9.003_786), (2.12, 9.666_882), (2.25, 9.376_868), (3.0, 6.855_415), (4.5, 3.826_078)];
    let means = sites.map(|(m, _)| Mean::new(m).unwrap());
    let design = plan.asked();
    let curve = evaluate_lines(plan.lines(), &design.score, &design.dispersion, &means, &Quiet).unwrap();
    for (row, (_, expected)) in curve.rows.iter().zip(sites) {
        assert!((row.expected_sites - expected).abs() < 5e-7, "printed to six decimals: {}", row.expected_sites);
    }
}

#[test]
fn gaps_are_small_over_varied_designs() {
    let every = |cap| Checks::every(1, cap, 1).unwrap();
    // Cap about 1.5 times the best fixed number, which is at least 26: at most .05 %; the largest of all means .2 %.
    for (thresholds, k, risks, cap) in
        [([1.0, 2.0], 1.2, [0.05, 0.05], 54), ([0.2, 0.4], 0.5, [0.1, 0.1], 120), ([3.0, 5.0], 2.0, [0.1, 0.05], 39)]
    {
        let d = || design(thresholds, k, risks, every(cap));
        let largest = Plan::design(d(), Method::Optimal, &Quiet).unwrap();
        sound(&largest);
        assert!(largest.proof().unwrap().gap() <= 0.002, "{thresholds:?}: {}", largest.proof().unwrap().gap());
        let means = thresholds.map(|m| Mean::new(m).unwrap());
        let at = Plan::optimal(d(), &Objective::at(&means), None, &Quiet).unwrap();
        sound(&at);
        assert!(at.proof().unwrap().gap() <= 0.0005, "{thresholds:?}: {}", at.proof().unwrap().gap());
    }
    // Groups of five leave more to chance: .36 % is the best known here.
    let groups = design([1.0, 2.0], 1.2, [0.1, 0.1], Checks::every(5, 30, 5).unwrap());
    let groups = Plan::design(groups, Method::Optimal, &Quiet).unwrap();
    sound(&groups);
    assert!(groups.proof().unwrap().gap() <= 0.005);
}

#[test]
fn an_edited_proof_is_refused_and_an_open_end_needs_a_bound() {
    let plan = Plan::design(known(), Method::Optimal, &Quiet).unwrap();
    let text = plan.to_json().unwrap();
    let at = text.find("\"bound\": ").unwrap() + 9;
    let edited = format!("{}1{}", &text[..at], &text[at..]);
    assert_eq!(Plan::from_json(&edited).unwrap_err().code(), Code::PlanEdited);
    let open = Design { closing: Closing::Undecided, ..known() };
    assert_eq!(Plan::design(open, Method::Optimal, &Quiet).unwrap_err().code(), Code::Combination);
}

#[test]
fn long_walks_run_and_far_too_much_work_is_refused_with_an_estimate() {
    let every = |cap| Checks::every(1, cap, 1).unwrap();
    let long = Plan::design(design([1.0, 2.0], 1.2, [0.05, 0.05], every(2000)), Method::Optimal, &Quiet).unwrap();
    sound(&long);
    assert!(long.proof().unwrap().gap() <= 0.0005, "{:?}", long.proof());
    // Beyond the fixed number of sites a larger cap hardly helps.
    assert!((long.proof().unwrap().value / 25.58 - 1.0).abs() < 1e-3, "{:?}", long.proof());
    // Totals of 10⁵ at every check, and some 25 000 of them open; then sites of a million.
    for (low, cap) in [(2500.0, 40), (1e6, 20), (4e8, 1)] {
        let start = std::time::Instant::now();
        let design = design([low, 2.0 * low], 1.2, [0.05, 0.05], every(cap));
        let refused = Plan::design(design, Method::Optimal, &Quiet).unwrap_err();
        assert_eq!(refused.code(), Code::TooMuchWork, "{refused}");
        assert!(refused.value().is_some_and(|v| v.contains(" s and ") && v.contains(" MB")), "{refused}");
        assert!(start.elapsed().as_secs() < 1, "refused at once");
    }
}
