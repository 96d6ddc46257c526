//! Three calls from two pairs of thresholds.

use super::{constant, design, mean, pair};
use stopline::evaluate::evaluate;
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
use stopline::{Call, Code, Column, Dispersion, K, Lines, Quiet, Verdict};

/// Three calls: exact chances against every path of few sites, and order of the calls along the mean.
#[test]
fn three_calls_against_every_path() {
    let aim = Aim::three_calls(pair(0.5, 1.5, 0.2), pair(3.0, 6.0, 0.2)).unwrap();
    let law = Dispersion::Poisson;
    let asked = design(law, aim, Checks::every(2, 4, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked, Method::Wald, &Quiet).unwrap();
    let p = |m: f64, x: i32| (-m).exp() * m.powi(x) / (1..=x).map(f64::from).product::<f64>();
    fn follow(lines: &Lines, sites: u32, total: i64, chance: f64, step: &dyn Fn(i32) -> f64, sum: &mut [f64; 5]) {
        match lines.verdict(sites, total) {
            Verdict::Stop(call) => sum[Call::ALL.iter().position(|c| *c == call).unwrap()] += chance,
            Verdict::KeepSampling => {
                for x in 0..22 {
                    follow(lines, sites + 1, total + i64::from(x), chance * step(x), step, sum);
                }
            }
        }
    }
    let mut stated = plan.attained().iter();
    for m in [0.5, 1.5, 3.0, 6.0] {
        let mut sum = [0.0; 5];
        follow(plan.lines(), 0, 0, 1.0, &|x| p(m, x), &mut sum);
        let row = &evaluate(&plan, &law, &[mean(m)], &Quiet).unwrap().curve.rows[0];
        for call in [Call::Inadequate, Call::Marginal] {
            let i = Call::ALL.iter().position(|c| *c == call).unwrap();
            assert!((row.p(call) - sum[i]).abs() < 1e-7, "{m} {call:?}: {} {}", row.p(call), sum[i]);
        }
        assert!((row.inadequate + row.marginal + row.adequate - 1.0).abs() < 1e-12);
        for stated in stated.by_ref().take(if m == 0.5 || m == 6.0 { 2 } else { 1 }) {
            assert_eq!(stated.mean.get(), m);
            assert!((stated.p - row.p(stated.call)).abs() < 1e-13);
        }
    }
    assert!(stated.next().is_none());
    // The lower pair must lie below the upper.
    assert_eq!(Aim::three_calls(pair(0.5, 3.5, 0.2), pair(3.0, 6.0, 0.2)).unwrap_err().code(), Code::Combination);
}

/// Four lines tuned together: each pair's risk comes close to what is asked and stays below, and every mean takes
/// fewer sites than under Wald's lines.
#[test]
fn three_calls_keep_exact_risks() {
    let aim = Aim::three_calls(pair(1.0, 2.0, 0.1), pair(4.0, 7.0, 0.05)).unwrap();
    let law = constant(1.2);
    let asked = design(law, aim, Checks::every(5, 60, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked.clone(), Method::Calibrated, &Quiet).unwrap();
    let wald = Plan::design(asked.clone(), Method::Wald, &Quiet).unwrap();
    let p: Vec<f64> = plan.attained().iter().map(|row| row.p).collect();
    for (sum, risk) in [(p[0] + p[1], 0.1), (p[2], 0.1), (p[3], 0.05), (p[4] + p[5], 0.05)] {
        assert!(sum <= risk && sum > 0.9 * risk, "{p:?}");
    }
    let means = [1.0, 1.4, 2.0, 4.0, 5.3, 7.0].map(mean);
    let sites = |plan: &Plan| evaluate(plan, &law, &means, &Quiet).unwrap().curve.rows;
    for (ours, wald) in sites(&plan).iter().zip(sites(&wald)) {
        assert!(ours.expected_sites < wald.expected_sites, "{ours:?} {wald:?}");
    }
    // A cap at which a fixed walk cannot keep a pair's risks; what is said to do does.
    let short = |cap| Design { checks: Checks::every(5, cap, 1).unwrap(), ..asked.clone() };
    let refused = Plan::design(short(20), Method::Calibrated, &Quiet).unwrap_err();
    assert_eq!(refused.code(), Code::NoPlan);
    let would_do: u32 = refused.allowed().split(' ').nth(1).unwrap().parse().unwrap();
    Plan::design(short(would_do), Method::Calibrated, &Quiet).unwrap();
    // An interval of k: every wrong call at its worst k.
    let interval = Dispersion::k_interval(K::new(1.2).unwrap(), K::new(0.8).unwrap(), K::new(2.0).unwrap()).unwrap();
    let wide = Design { dispersion: interval, checks: Checks::every(5, 80, 5).unwrap(), ..asked };
    let plan = Plan::design(wide, Method::Calibrated, &Quiet).unwrap();
    let laws = (0..40).map(|i| constant(0.8 * 2.5_f64.powf(f64::from(i) / 39.0)));
    for under in laws {
        let rows = evaluate(&plan, &under, &[1.0, 2.0, 4.0, 7.0].map(mean), &Quiet).unwrap().curve.rows;
        assert!(rows[0].marginal + rows[0].adequate <= 0.1 + 1e-12 && rows[1].inadequate <= 0.1 + 1e-12);
        assert!(rows[2].adequate <= 0.05 + 1e-12 && rows[3].inadequate + rows[3].marginal <= 0.05 + 1e-12);
    }
}

/// The straight lines that are printed give the table row by row.
#[test]
fn three_calls_print_as_straight_lines() {
    let aim = Aim::three_calls(pair(1.0, 2.0, 0.1), pair(4.0, 7.0, 0.05)).unwrap();
    for (method, closing) in
        [(Method::Calibrated, Closing::Call), (Method::Wald, Closing::Call), (Method::Calibrated, Closing::Undecided)]
    {
        let asked = design(constant(1.2), aim, Checks::every(5, 80, 1).unwrap(), closing);
        let plan = Plan::design(asked, method, &Quiet).unwrap();
        let [inadequate, from, to, adequate] = plan.straight().unwrap()[..] else { panic!() };
        assert!(inadequate.slope == from.slope && to.slope == adequate.slope && from.slope < to.slope);
        let rows = plan.lines().rows();
        let rows = if closing == Closing::Call { &rows[..rows.len() - 1] } else { rows };
        let mut marginal = 0;
        for row in rows {
            let at = |line: stopline::plan::Line| line.intercept + line.slope * f64::from(row.at);
            let low = at(inadequate).floor();
            assert_eq!(row.at_most(Call::Inadequate), (low >= 0.0).then_some(low as i64));
            assert_eq!(row.at_least(Call::Adequate), Some(at(adequate).ceil() as i64));
            let (start, end) = (at(from).ceil() as i64, at(to).floor() as i64);
            let called = (Column::MarginalFrom.of(row), Column::MarginalTo.of(row));
            assert_eq!(called, if start <= end { (Some(start), Some(end)) } else { (None, None) }, "{row:?}");
            marginal += usize::from(start <= end);
        }
        assert!(marginal > 10 && marginal < rows.len(), "{marginal}");
        assert!(stopline::card(&plan).contains("marginal from"), "{}", stopline::card(&plan));
    }
    // A table with one total moved is no longer on such lines.
    let asked = design(constant(1.2), aim, Checks::every(5, 60, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked.clone(), Method::Wald, &Quiet).unwrap();
    let mut rows = plan.lines().rows().to_vec();
    let stop = rows[30].stops.last_mut().unwrap();
    stop.from = stop.from.map(|t| t + 3);
    let moved = Plan::given(asked, Lines::new(rows).unwrap(), &Quiet).unwrap();
    assert_eq!(moved.straight(), None);
}
