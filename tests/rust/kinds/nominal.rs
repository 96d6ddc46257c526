//! Lines by formula, whose promises are nominal: an interval around one mean, a precision.

use super::{constant, design, mean, precision, two_calls};
use stopline::evaluate::{evaluate, plain_mean};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan, Sides};
use stopline::{Call, Code, Column, Dispersion, Level, Lines, Quiet, Row, Score, Verdict};

/// Binns, Nyrop & van der Werf 2000, Sampling and Monitoring in Crop Protection (CABI), an interval plan
/// with critical density 1, 15 to 50 sites, variance 3.05·m^1.02, α = .15; outputs derived from it.
#[test]
fn interval_lines_of_a_textbook_case() {
    let aim = Aim::Interval { critical: mean(1.0), confidence: Level::new(0.85).unwrap(), sides: Sides::One };
    let law = Dispersion::power_law(3.05, 1.02).unwrap();
    let asked = design(law, aim, Checks::every(15, 50, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    assert_eq!(plan.lines().rows().last().unwrap().at_most(Call::Inadequate), Some(50));
    let at = evaluate(&plan, &law, &[0.6, 1.0, 1.5].map(mean), &Quiet).unwrap().curve.rows;
    for (row, low) in at.iter().zip([0.956, 0.553, 0.061]) {
        assert!((row.inadequate - low).abs() < 5e-4, "{row:?}");
    }
    assert!((at[1].expected_sites - 30.9).abs() < 0.05);
    let codes: Vec<&str> = plan.cautions().iter().map(|c| c.code).collect();
    assert_eq!(codes, ["nominal_confidence"]);
}

/// Two sides ask for wider lines than one: z of a standard normal, 1.0364 and 1.4395 at .85 (tables).
#[test]
fn sides_of_a_confidence() {
    let lines = |sides| {
        let aim = Aim::Interval { critical: mean(4.0), confidence: Level::new(0.85).unwrap(), sides };
        let asked = design(Dispersion::Poisson, aim, Checks::at(vec![25, 26]).unwrap(), Closing::Undecided);
        let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
        let row = &plan.lines().rows()[0];
        (row.at_most(Call::Inadequate), row.at_least(Call::Adequate))
    };
    // 100 ± z·10
    assert_eq!(lines(Sides::One), (Some(89), Some(111)));
    assert_eq!(lines(Sides::Two), (Some(85), Some(115)));
}

/// Kuno 1969 (formula from memory): what the rule truly gives at k 2, D .25 (derived).
#[test]
fn precision_by_kuno_and_what_becomes_of_it() {
    let law = constant(2.0);
    let asked = design(law, precision(0.25), Checks::every(1, 400, 1).unwrap(), Closing::Undecided);
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    // None until n > 1/(k·D²) = 8; at n = 40 the total is 20 (Karandinos 1976: m .5 needs 40 sites).
    let line = |n: usize| Column::EnoughAtLeast.of(&plan.lines().rows()[n - 1]);
    assert_eq!([line(8), line(9), line(40)], [None, Some(144), Some(20)]);
    // Karandinos 1976 (formula from memory): n = (1/m + 1/k)/D², so at n sites the line is at n·m: D .25, m 1: 24; D .10,
    // m .5 and 1: 250 and 150.
    assert_eq!(line(24), Some(24));
    let finer = design(law, precision(0.1), Checks::at(vec![150, 250]).unwrap(), Closing::Undecided);
    let finer = Plan::design(finer, Method::Nominal, &Quiet).unwrap();
    let totals: Vec<_> = finer.lines().rows().iter().map(|row| Column::EnoughAtLeast.of(row)).collect();
    assert_eq!(totals, [Some(150), Some(125)]);
    let known = [(0.75, 30.67, 0.2597, 4.3), (1.5, 19.60, 0.2524, 3.3), (3.0, 14.10, 0.2478, 2.3)];
    let means = known.map(|(m, ..)| mean(m));
    let found = evaluate(&plan, &law, &means, &Quiet).unwrap();
    let estimates = found.estimates.unwrap();
    for (i, (m, sites, se, bias)) in known.into_iter().enumerate() {
        let (row, estimate) = (&found.curve.rows[i], &estimates[i]);
        assert!((row.expected_sites - sites).abs() < 5e-3, "{m}: {row:?}");
        assert!((estimate.se_over_mean - se).abs() < 5e-5, "{m}: {estimate:?}");
        assert!((100.0 * estimate.bias_over_mean - bias).abs() < 0.05, "{m}: {estimate:?}");
        assert!((row.enough - 1.0).abs() < 1e-9);
    }
}

/// Tuned lines: the true precision holds at means between those that were looked at, and not much is wasted.
#[test]
fn tuned_precision_is_truly_kept() {
    let law = constant(2.0);
    let asked = design(law, precision(0.25), Checks::every(1, 200, 1).unwrap(), Closing::Undecided);
    let plan = Plan::tuned(asked.clone(), [mean(0.5), mean(5.0)], &Quiet).unwrap();
    let worst = (0..400)
        .map(|i| mean(0.5 * 10.0_f64.powf(f64::from(i) / 399.0)))
        .map(|m| plain_mean(plan.lines(), &Score::Count, &law, m).unwrap().se_over_mean)
        .fold(0.0, f64::max);
    assert!((0.249..=0.25).contains(&worst), "{worst}");
    assert!(plan.about().notes.contains("0.5 to 5"));
    assert_eq!(Plan::from_json(&plan.to_json().unwrap()).unwrap(), plan);
    // Walks too short for the lowest mean.
    let short = Design { checks: Checks::every(1, 20, 1).unwrap(), ..asked };
    assert_eq!(Plan::tuned(short, [mean(0.5), mean(5.0)], &Quiet).unwrap_err().code(), Code::NoPlan);
}

/// Green 1970 (formula from memory), a 1.6, b 1.3, D .25: 38.30 at 10 sites, 28.46 at 20.
#[test]
fn precision_by_green() {
    let law = Dispersion::power_law(1.6, 1.3).unwrap();
    let asked = design(law, precision(0.25), Checks::every(10, 20, 10).unwrap(), Closing::Undecided);
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    let found: Vec<_> = plan.lines().rows().iter().map(|row| Column::EnoughAtLeast.of(row)).collect();
    assert_eq!(found, [Some(39), Some(29)]);
    let rising = Dispersion::power_law(1.6, 2.1).unwrap();
    let asked = design(rising, precision(0.25), Checks::at(vec![20]).unwrap(), Closing::Call);
    assert_eq!(Plan::design(asked, Method::Nominal, &Quiet).unwrap_err().code(), Code::Combination);
}

/// A walk of always n sites has no bias, and the standard error of its mean is √(V/n) (handbook formula).
#[test]
fn plain_mean_of_fixed_walks() {
    let lines = Lines::new(vec![Row::two_calls(12, Some(20), Some(21), None)]).unwrap();
    for m in [0.3, 2.0, 20.0] {
        let found = plain_mean(&lines, &Score::Count, &constant(1.2), mean(m)).unwrap();
        let known = ((m + m * m / 1.2) / 12.0_f64).sqrt() / m;
        assert!((found.se_over_mean / known - 1.0).abs() < 1e-9, "{found:?} {known}");
        assert!(found.bias_over_mean.abs() < 1e-11, "{found:?}");
    }
}

#[test]
fn a_method_must_fit_its_aim() {
    let checks = || Checks::every(5, 20, 1).unwrap();
    let asked = design(constant(1.2), precision(0.25), checks(), Closing::Call);
    assert_eq!(Plan::design(asked.clone(), Method::Calibrated, &Quiet).unwrap_err().code(), Code::Combination);
    // At the cap of a plan that closes by a call, enough was counted whatever the total.
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    assert_eq!(plan.lines().verdict(20, 0), Verdict::Stop(Call::Enough));
    assert_eq!(Column::EnoughAtLeast.of(plan.lines().rows().last().unwrap()), Some(0));
    let asked = design(constant(1.2), two_calls(1.0, 2.0, 0.1), checks(), Closing::Call);
    assert_eq!(Plan::design(asked, Method::Nominal, &Quiet).unwrap_err().code(), Code::Combination);
}
