//! Plans to read beside a plan.

use super::{constant, design, mean, pair, precision, two_calls};
use stopline::evaluate::{evaluate, largest_expected_sites, plain_mean};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan, Sides};
use stopline::{Call, Column, Dispersion, K, Level, Lines, Mean, Quiet, Row, Score};

/// A table beside what it could have been; the price of an uncertain k; and what nine of ten fields keep of a spread,
/// against a fine grid of its normal scores, each with its weight.
#[test]
fn plans_beside_a_plan() {
    let aim = two_calls(1.5, 3.0, 0.1);
    let every = || Checks::every(1, 20, 1).unwrap();
    let wald = Plan::design(design(constant(2.0), aim, every(), Closing::Call), Method::Wald, &Quiet).unwrap();
    let table = Plan::given(wald.asked().clone(), wald.lines().clone(), &Quiet).unwrap();
    let others = table.beside(&Quiet).unwrap();
    assert_eq!(others.iter().map(Plan::method).collect::<Vec<_>>(), [Method::Calibrated, Method::Optimal]);
    let most = |plan: &Plan| {
        let asked = plan.asked();
        largest_expected_sites(plan.lines(), &asked.score, &asked.dispersion).unwrap().expected_sites
    };
    for other in &others {
        assert!(other.attained().iter().zip(table.attained()).all(|(a, b)| a.p <= b.p));
        assert!(most(other) <= most(&table) * (1.0 + 1e-9)); // Wald's lines are of the calibrated family
    }
    assert!(most(&others[1]) < most(&table));
    assert!(wald.beside(&Quiet).unwrap().is_empty() && wald.in_nine_of_ten(&Quiet).unwrap().is_empty());

    let k = |k| K::new(k).unwrap();
    let interval = Dispersion::k_interval(k(2.0), k(1.2), k(3.0)).unwrap();
    let spread = Dispersion::k_spread(k(2.0), 0.5).unwrap();
    for under in [interval, spread] {
        let asked = design(under, aim, Checks::every(1, 40, 1).unwrap(), Closing::Call);
        let plan = Plan::design(asked, Method::Calibrated, &Quiet).unwrap();
        let [plain] = plan.beside(&Quiet).unwrap().try_into().unwrap();
        assert_eq!(plain.asked().dispersion, constant(2.0));
        if under == interval {
            assert!(most(&plan) > most(&plain)); // the price of not knowing k
            assert!(plan.in_nine_of_ten(&Quiet).unwrap().is_empty());
            continue;
        }
        let told = plan.in_nine_of_ten(&Quiet).unwrap();
        for (told, on_average) in told.iter().zip(plan.attained()) {
            assert!(told.p > on_average.p);
            // P(z) from a fine grid of z, each with its normal weight.
            let mut at: Vec<(f64, f64)> = (0..800)
                .map(|i| {
                    let z = -4.0 + 0.01 * f64::from(i);
                    let under = constant(2.0 * (0.5 * z).exp());
                    let row = evaluate(&plan, &under, &[told.mean], &Quiet).unwrap().curve.rows.remove(0);
                    (row.p(told.call), (-0.5 * z * z).exp())
                })
                .collect();
            at.sort_by(|a, b| a.0.total_cmp(&b.0));
            let all: f64 = at.iter().map(|(_, w)| w).sum();
            let mut sum = 0.0;
            let p90 = at.iter().find(|(_, w)| {
                sum += w;
                sum >= 0.9 * all
            });
            assert!((told.p / p90.unwrap().0 - 1.0).abs() < 0.02, "{told:?} {p90:?}");
        }
    }
}

/// The risk that adequate is called at a mean, and that inadequate is.
fn wrong(plan: &Plan, m: f64) -> [f64; 2] {
    let row = evaluate(plan, &plan.asked().dispersion, &[mean(m)], &Quiet).unwrap().curve.rows.remove(0);
    [row.adequate, row.inadequate]
}

/// A table for an interval: at the two means of the plans beside it the table itself errs as often as its confidence
/// allows; they err no more and take fewer sites at their worst mean.
#[test]
fn plans_beside_an_interval() {
    for (sides, risk) in [(Sides::One, 0.15), (Sides::Two, 0.075)] {
        let aim = Aim::Interval { critical: mean(1.0), confidence: Level::new(0.85).unwrap(), sides };
        let law = Dispersion::power_law(3.05, 1.02).unwrap();
        let formula =
            Plan::design(design(law, aim, Checks::every(15, 50, 1).unwrap(), Closing::Call), Method::Nominal, &Quiet)
                .unwrap();
        let table = Plan::given(formula.asked().clone(), formula.lines().clone(), &Quiet).unwrap();
        let others = table.beside(&Quiet).unwrap();
        assert_eq!(others[0].lines(), table.lines());
        assert_eq!(others[1].method(), Method::Calibrated);
        let apart = others[1].asked().thresholds().unwrap();
        let [low, high] = [apart.inadequate().get(), apart.adequate().get()];
        assert!(low < 1.0 && high > 1.0);
        let errs = [wrong(&table, low)[0], wrong(&table, high)[1]];
        assert!(errs.into_iter().all(|p| p <= risk && p > risk * (1.0 - 1e-6)), "{errs:?} {risk}");
        for other in &others[1..] {
            assert!(wrong(other, low)[0] <= risk && wrong(other, high)[1] <= risk);
            let most = |plan: &Plan| largest_expected_sites(plan.lines(), &Score::Count, &law).unwrap().expected_sites;
            assert!(most(other) < most(&table), "{} {}", most(other), most(&table));
        }
    }
}

/// A table for three calls: the calibrated lines keep every risk that the table truly has.
#[test]
fn a_plan_beside_three_calls() {
    let aim = Aim::three_calls(pair(1.0, 2.0, 0.1), pair(4.0, 7.0, 0.1)).unwrap();
    let asked = design(constant(1.2), aim, Checks::every(5, 60, 1).unwrap(), Closing::Call);
    let wald = Plan::design(asked.clone(), Method::Wald, &Quiet).unwrap();
    let table = Plan::given(asked, wald.lines().clone(), &Quiet).unwrap();
    let [other] = table.beside(&Quiet).unwrap().try_into().unwrap();
    assert_eq!(other.method(), Method::Calibrated);
    let p = |plan: &Plan| -> Vec<f64> { plan.attained().iter().map(|row| row.p).collect() };
    let (ours, theirs) = (p(&other), p(&table));
    for risk in [0..2, 2..3, 3..4, 4..6] {
        let sum = |p: &[f64]| p[risk.clone()].iter().sum::<f64>();
        assert!(sum(&ours) <= sum(&theirs) * (1.0 + 1e-12), "{ours:?} {theirs:?}");
    }
}

/// A table for a precision: the formula's own lines, and tuned ones that are truly no less precise over the means at which
/// the table's lines lie.
#[test]
fn plans_beside_a_precision() {
    let law = constant(2.0);
    let asked = design(law, precision(0.25), Checks::every(10, 60, 1).unwrap(), Closing::Undecided);
    let formula = Plan::design(asked.clone(), Method::Nominal, &Quiet).unwrap();
    // Lines that a paper might have rounded: the next whole ten above.
    let rows = formula.lines().rows().iter().map(|row| {
        let total = Column::EnoughAtLeast.of(row).map(|t| (t + 9) / 10 * 10);
        Row::enough(row.at, total, (row.at == 60).then_some(Call::Undecided))
    });
    let table = Plan::given(asked, Lines::new(rows.collect()).unwrap(), &Quiet).unwrap();
    // 1/(D² − 1/(kn)) at 10 and at 60 sites: 80 and 18.5, rounded up to 80 and 20.
    let over = table.means_of_lines().unwrap();
    assert_eq!(over.map(Mean::get), [20.0 / 60.0, 80.0 / 10.0]);
    let [nominal, tuned] = table.beside(&Quiet).unwrap().try_into().unwrap();
    assert_eq!((nominal.lines(), tuned.method()), (formula.lines(), Method::Tuned));
    let truly = |plan: &Plan| {
        let [low, high] = over.map(Mean::get);
        (0..200)
            .map(|i| mean(low * (high / low).powf(f64::from(i) / 199.0)))
            .map(|m| plain_mean(plan.lines(), &Score::Count, &law, m).unwrap().se_over_mean)
            .fold(0.0, f64::max)
    };
    let (ours, theirs) = (truly(&tuned), truly(&table));
    assert!(ours <= theirs * 1.001 && ours > theirs * 0.97, "{ours} {theirs}");
    assert!((table.largest_se_over_mean(over, &Quiet).unwrap() / theirs - 1.0).abs() < 0.005);
}

/// A table of positive units has plans beside it as one of counts has.
#[test]
fn plans_beside_positive_units() {
    let score = Score::positive(0, 1).unwrap();
    let Aim::TwoCalls { thresholds, .. } = two_calls(0.1, 0.3, 0.1) else { panic!() };
    let asked = Design {
        score: score.clone(),
        ..design(
            Dispersion::Binomial,
            Aim::TwoCalls { thresholds, risks: None },
            Checks::at(vec![10, 29]).unwrap(),
            Closing::Call,
        )
    };
    // Simon 1989 (plans from memory): 1 of 10, then 5 of 29.
    let rows = vec![Row::two_calls(10, Some(1), None, None), Row::two_calls(29, Some(5), Some(6), None)];
    let table = Plan::given(asked, Lines::new(rows).unwrap(), &Quiet).unwrap();
    let others = table.beside(&Quiet).unwrap();
    assert!(others.iter().any(|other| other.method() == Method::Optimal));
    for other in others {
        assert!(other.attained().iter().zip(table.attained()).all(|(a, b)| a.p <= b.p));
    }
}
