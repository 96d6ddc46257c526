//! What the uncertainty of a fit does to a plan: against fits, plans and evaluations made one by one.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)] // a test

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Gamma, Poisson};
use stopline::counts::{Counts, Reading};
use stopline::dispersion::{Draws, Frequencies, common_k, fit_counts};
use stopline::evaluate::evaluate;
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
use stopline::{Code, Dispersion, K, Level, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds};

fn draw(rng: &mut ChaCha8Rng, mean: f64, k: f64) -> u32 {
    let rate = Gamma::new(k, mean / k).unwrap().sample(rng);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a small whole number
    if rate > 0.0 { Poisson::new(rate).unwrap().sample(rng) as u32 } else { 0 }
}

fn counts(rng: &mut ChaCha8Rng, fields: usize, sites: usize, k: f64) -> Counts {
    let mut table = "field,site,count\n".to_owned();
    for field in 0..fields {
        for site in 1..=sites {
            table += &format!("F{field},{site},{}\n", draw(rng, [0.8, 1.5, 3.0][field % 3], k));
        }
    }
    Counts::read(table.as_bytes(), &Reading::default()).unwrap()
}

fn design(dispersion: Dispersion, max_sites: u32) -> Design {
    let mean = |m| Mean::new(m).unwrap();
    let risk = Risk::new(0.1).unwrap();
    Design {
        score: Score::Count,
        plants: Plants::ONE,
        dispersion,
        aim: Aim::TwoCalls {
            thresholds: Some(Thresholds::new(mean(1.0), mean(2.0)).unwrap()),
            risks: Some(Risks::new(risk, risk).unwrap()),
        },
        checks: Checks::every(5, max_sites, 1).unwrap(),
        closing: Closing::Call,
    }
}

fn plan(counts: &Counts) -> Plan {
    let fit = fit_counts(counts, Level::new(0.95).unwrap(), &Quiet).unwrap();
    Plan::design(design(fit.for_plan().unwrap().dispersion, 60), Method::Calibrated, &Quiet).unwrap()
}

fn draws() -> Draws {
    Draws::new(199, 4).unwrap()
}

/// Few fields leave k, and so the true risks, wide open; many fields close them around what is asked.
#[test]
fn more_fields_tell_the_risks_more_closely() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let widths = [6, 150].map(|fields| {
        let counts = counts(&mut rng, fields, 20, 1.2);
        let got = plan(&counts).calibration(&counts, draws(), &Quiet).unwrap().unwrap();
        println!("{fields} fields: {got:?}");
        let [low, middle, high] = got.k.map(|k| k.unwrap_or(f64::INFINITY));
        assert!(low < middle && middle < high && got.false_adequate.low < got.false_adequate.high);
        // A k that reads too large gives too narrow lines: risks above those asked, in about half of the cases.
        assert!(got.false_adequate.high > 0.1 && (0.1..0.9).contains(&got.kept), "{got:?}");
        got.false_adequate.high - got.false_adequate.low
    });
    assert!(widths[0] > 2.0 * widths[1], "{widths:?}");
}

/// The same by hand: sets drawn anew by another generator from the fitted k, each fitted and planned; 60 sets. Medians
/// and ends differ by the chance of drawing alone.
#[test]
fn ranges_are_those_of_fits_and_plans_made_one_by_one() {
    let mut rng = ChaCha8Rng::seed_from_u64(10);
    let counts = counts(&mut rng, 9, 24, 1.2);
    let fit = fit_counts(&counts, Level::new(0.95).unwrap(), &Quiet).unwrap();
    let plan = plan(&counts);
    let got = plan.calibration(&counts, draws(), &Quiet).unwrap().unwrap();
    assert_eq!(got.sd_log, 0.0, "this set shows no spread of k: {got:?}");
    let truth = fit.for_plan().unwrap().dispersion;
    let k = truth.constant_k().unwrap().get();
    let mut risks: Vec<f64> = Vec::new();
    for _ in 0..60 {
        let walks: Vec<Frequencies> = fit
            .fields
            .iter()
            .map(|field| {
                let all: Vec<u32> = (0..field.sites).map(|_| draw(&mut rng, field.mean.unwrap(), k)).collect();
                Frequencies::of(&all).unwrap()
            })
            .collect();
        let found = common_k(&walks, Level::new(0.95).unwrap()).unwrap().conditional.k.k();
        let model = found.map_or(Dispersion::Poisson, |k| Dispersion::ConstantK { k: K::new(k).unwrap() });
        let plan = Plan::design(design(model, 60), Method::Calibrated, &Quiet).unwrap();
        risks.push(evaluate(&plan, &truth, &[Mean::new(1.0).unwrap()], &Quiet).unwrap().curve.rows[0].adequate);
    }
    risks.sort_unstable_by(f64::total_cmp);
    let by_hand = [risks[3], risks[30], risks[56]];
    println!("{by_hand:?} {:?}", got.false_adequate);
    let near = |a: f64, b: f64| (a - b).abs() < 0.02;
    let range = got.false_adequate;
    assert!(near(by_hand[0], range.low) && near(by_hand[1], range.middle) && near(by_hand[2], range.high));
}

/// At another size k lies between k and the ratio of sizes times k, and a plan for it keeps its risks at both ends.
#[test]
fn sites_of_another_size() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let counts = counts(&mut rng, 20, 24, 1.2);
    let found = fit_counts(&counts, Level::new(0.95).unwrap(), &Quiet).unwrap().for_plan().unwrap();
    let k = found.dispersion.constant_k().unwrap().get();
    for times in [2.0, 0.5] {
        let Dispersion::KInterval { low, high, .. } = found.of_size(times).unwrap() else { panic!("an interval") };
        let mut ends = [k, times * k];
        ends.sort_by(f64::total_cmp);
        assert_eq!([low.get(), high.get()], ends);
        let plan = Plan::design(design(found.of_size(times).unwrap(), 120), Method::Calibrated, &Quiet).unwrap();
        for k in [low, high] {
            let rows =
                evaluate(&plan, &Dispersion::ConstantK { k }, &[1.0, 2.0].map(|m| Mean::new(m).unwrap()), &Quiet);
            let rows = rows.unwrap().curve.rows;
            assert!(rows[0].adequate <= 0.1 && rows[1].inadequate <= 0.1);
        }
    }
    assert_eq!(found.of_size(1.0).unwrap(), found.dispersion);
}

#[test]
fn only_plans_with_one_k_are_calibrated() {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let counts = counts(&mut rng, 4, 10, 1.2);
    let k = |k| K::new(k).unwrap();
    let interval = Dispersion::k_interval(k(1.2), k(1.0), k(2.0)).unwrap();
    let plan = Plan::design(design(interval, 80), Method::Calibrated, &Quiet).unwrap();
    assert_eq!(plan.calibration(&counts, draws(), &Quiet).unwrap_err().code(), Code::Combination);
}
