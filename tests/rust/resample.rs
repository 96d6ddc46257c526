//! Real walks drawn again: their own frequencies, an exact curve over them, and verdicts on walks made to be fair or not.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)] // tests

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use stopline::counts::{Counts, Reading};
use stopline::dispersion::fit_counts;
use stopline::evaluate::{curve_of_laws, evaluate_lines};
use stopline::law::{Law, Laws};
use stopline::plan::{Aim, Design, Plan, Table};
use stopline::resample::{Redraw, Resampling, resample};
use stopline::{Code, Dispersion, K, Level, Mean, Plants, Quiet, Score, Thresholds};

const POISSON: Dispersion = Dispersion::Poisson;

fn constant(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

fn plan(rows: &[(u32, Option<i64>, Option<i64>)], plants: u16) -> Plan {
    let table = Table::of(rows).unwrap();
    let mean = |m| Mean::new(m).unwrap();
    let thresholds = Some(Thresholds::new(mean(1.0), mean(2.0)).unwrap());
    let design = Design {
        score: Score::Count,
        plants: Plants::new(plants).unwrap(),
        dispersion: constant(1.36),
        aim: Aim::TwoCalls { thresholds, risks: None },
        checks: table.checks,
        closing: table.closing,
    };
    Plan::given(design, table.lines, &Quiet).unwrap()
}

fn demo() -> Counts {
    let table = include_bytes!("../../demo-data/larkmoor.csv");
    let count = ["lady_beetles", "pirate_bugs", "lacewings", "spiders"].map(str::to_owned).to_vec();
    Counts::read(&table[..], &Reading { count, ..Reading::default() }).unwrap()
}

fn only(walk: usize) -> (Counts, Vec<i64>) {
    let mut counts = demo();
    counts.walks = vec![counts.walks[walk].clone()];
    let steps = counts.walks[0].present().map(i64::from).collect();
    (counts, steps)
}

fn how(how: Redraw) -> Resampling {
    Resampling { how, walks: 40_000, seed: 9, hold_out: false, sets: 99 }
}

/// Some 60 shares, each within 4.2 of its standard errors.
#[test]
fn a_walk_of_the_demo_reproduces_its_own_frequencies() {
    let mut compared = 0;
    for walk in [0, 13] {
        let (counts, steps) = only(walk);
        let n = steps.len();
        let share = |of: &dyn Fn(usize) -> i64, t: i64| (0..n).filter(|&i| of(i) <= t).count() as f64 / n as f64;
        for t in 0..*steps.iter().max().unwrap() {
            for redraw in [Redraw::WithReplacement, Redraw::WithoutReplacement, Redraw::Blocks(3)] {
                let one =
                    resample(&plan(&[(1, Some(t), Some(t + 1))], 3), &counts, &constant(1.36), &how(redraw), &Quiet);
                let found = one.unwrap().rows[0].found.inadequate;
                assert!((found.value - share(&|i| steps[i], t)).abs() < 4.2 * found.se, "{redraw:?} {t}: {found:?}");
                compared += 1;
            }
            // Pairs of neighbours, the last beside the first.
            let pairs = plan(&[(2, Some(t), Some(t + 1))], 3);
            let found = resample(&pairs, &counts, &constant(1.36), &how(Redraw::Blocks(2)), &Quiet).unwrap();
            let (found, pair) = (found.rows[0].found.inadequate, |i: usize| steps[i] + steps[(i + 1) % n]);
            assert!((found.value - share(&pair, t)).abs() < 4.2 * found.se, "pairs {t}: {found:?}");
            compared += 1;
        }
        // All sites, in any order, are the walk; and all sites twice are the walk twice.
        for times in [1, 2] {
            let (all, sites) =
                (times * steps.iter().sum::<i64>(), u32::try_from(n).unwrap() * u32::try_from(times).unwrap());
            for (cut, known) in [(all, 1.0), (all - 1, 0.0)] {
                let plan = plan(&[(sites, Some(cut), Some(cut + 1))], 3);
                let found =
                    resample(&plan, &counts, &constant(1.36), &how(Redraw::WithoutReplacement), &Quiet).unwrap();
                assert_eq!(found.rows[0].found.inadequate.value, known);
            }
        }
    }
    assert!(compared > 40, "{compared}");
}

/// With replacement a walk is a law of its own, for which there is an exact curve.
#[test]
fn drawing_with_replacement_agrees_with_the_exact_curve_of_the_walk() {
    let plan =
        plan(&[(5, Some(1), Some(12)), (10, Some(7), Some(19)), (20, Some(23), Some(31)), (30, Some(42), Some(43))], 3);
    let counts = demo();
    let found = resample(&plan, &counts, &constant(1.36), &how(Redraw::WithReplacement), &Quiet).unwrap();
    assert_eq!(found.rows.len(), 24);
    for (row, walk) in found.rows.iter().zip(&counts.walks) {
        let steps: Vec<usize> = walk.present().map(|count| count as usize).collect();
        let mut p = vec![0.0; steps.iter().max().unwrap() + 1];
        steps.iter().for_each(|&x| p[x] += 1.0 / steps.len() as f64);
        let law = Laws::one(Law::table(0, p).unwrap());
        let exact = &curve_of_laws(plan.lines(), &[row.found.mean], &[law], &Quiet).unwrap().rows[0];
        let (adequate, sites) = (row.found.adequate, row.found.expected_sites);
        // 48 numbers.
        assert!((adequate.value - exact.adequate).abs() < 4.2 * adequate.se, "{}: {adequate:?} {exact:?}", row.field);
        assert!((sites.value - exact.expected_sites).abs() < 4.2 * sites.se, "{}: {sites:?} {exact:?}", row.field);
        let mean = Mean::new(row.found.mean).unwrap();
        let by_law = evaluate_lines(plan.lines(), &Score::Count, &constant(1.36), &[mean], &Quiet).unwrap();
        assert!((row.exact.adequate - by_law.rows[0].adequate).abs() < 1e-12);
    }
}

#[test]
fn a_field_held_out_has_no_say_in_its_k() {
    let plan = plan(&[(10, Some(7), Some(19)), (20, Some(28), Some(29))], 3);
    let (counts, how) = (demo(), Resampling { walks: 100, hold_out: true, ..how(Redraw::WithReplacement) });
    let found = resample(&plan, &counts, &constant(1.36), &how, &Quiet).unwrap();
    for row in [&found.rows[0], &found.rows[14]] {
        let mut others = counts.clone();
        others.walks.retain(|walk| walk.field != row.field);
        let fit = fit_counts(&others, Level::new(0.9).unwrap(), &Quiet).unwrap();
        assert_eq!(row.under, fit.for_plan().unwrap().dispersion);
    }
    assert_ne!(found.rows[0].under, found.rows[23].under);
}

/// Gamma-Poisson counts by inversion: 16 walks of 30 sites, mean 1.5.
fn made(k: f64, seed: u64, sorted: bool) -> Counts {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let theta = 1.5 / (1.5 + k);
    let mut text = "field,site,plants,count\n".to_owned();
    for field in 0..16 {
        let mut counts: Vec<u32> = (0..30)
            .map(|_| {
                let u = (rng.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
                let (mut p, mut sum, mut x) = ((1.0 - theta).powf(k), 0.0, 0);
                loop {
                    sum += p;
                    if u < sum || x > 500 {
                        return x;
                    }
                    p *= theta * (k + f64::from(x)) / (f64::from(x) + 1.0);
                    x += 1;
                }
            })
            .collect();
        if sorted {
            counts.sort_unstable();
        }
        for (site, count) in (1..).zip(counts) {
            text += &format!("f{field},{site},1,{count}\n");
        }
    }
    Counts::read(text.as_bytes(), &Reading::default()).unwrap()
}

#[test]
fn fair_walks_are_called_fair_and_others_are_not() {
    let plan =
        plan(&[(5, Some(1), Some(12)), (10, Some(9), Some(19)), (20, Some(26), Some(32)), (30, Some(42), Some(43))], 1);
    let verdict = |counts: &Counts, k: f64, redraw: Redraw| {
        let how = Resampling { walks: 1000, sets: 199, ..how(redraw) };
        resample(&plan, counts, &constant(k), &how, &Quiet).unwrap().fairness
    };
    let blocks = Redraw::Blocks(6);
    // Walks that follow the law: of 10 sets, about one in 20 is called unfair.
    let fair = (0..10).filter(|&seed| verdict(&made(1.36, seed, false), 1.36, Redraw::WithReplacement).fair).count();
    assert!(fair >= 8, "{fair}");
    assert!((20..24).filter(|&seed| verdict(&made(1.36, seed, false), 1.36, blocks).fair).count() >= 3);
    // Counts that are far more clumped than thought, and neighbours that are alike.
    let clumped = verdict(&made(0.3, 1, false), 3.0, Redraw::WithReplacement);
    assert!(!clumped.fair && clumped.p_sites.min(clumped.p_call) < 0.02, "{clumped:?}");
    let alike = made(1.36, 3, true);
    assert!(!verdict(&alike, 1.36, blocks).fair);
    assert!(verdict(&alike, 1.36, Redraw::WithReplacement).fair); // its order is not seen
}

/// A tally or a cap is scored of the same counts, and the curve is that of its law at the mean of the counts: for a
/// tally above 0 a site is positive with 1 − (k/(k + m))^k.
#[test]
fn other_scores_are_drawn_again_too() {
    let counts = demo();
    let whole = plan(&[(4, Some(0), Some(4)), (12, Some(6), Some(7))], 3);
    for score in [Score::positive(0, 1).unwrap(), Score::capped(2).unwrap()] {
        let design = Design { score: score.clone(), ..whole.asked().clone() };
        let scored = Plan::given(design, whole.lines().clone(), &Quiet).unwrap();
        let found = resample(&scored, &counts, &constant(1.36), &how(Redraw::WithReplacement), &Quiet).unwrap();
        for (row, walk) in found.rows.iter().zip(&counts.walks) {
            let steps: Vec<u32> = walk.present().collect();
            let mut p = [0.0; 3];
            let most = if score.as_str() == "capped" { 2 } else { 1 };
            steps.iter().for_each(|&x| p[x.min(most) as usize] += 1.0 / steps.len() as f64);
            let law = Laws::one(Law::table(0, p.to_vec()).unwrap());
            let exact = &curve_of_laws(whole.lines(), &[1.0], &[law], &Quiet).unwrap().rows[0];
            assert!((row.found.adequate.value - exact.adequate).abs() < 4.2 * row.found.adequate.se, "{row:?}");
            assert_eq!(row.found.mean, steps.iter().map(|&x| f64::from(x)).sum::<f64>() / steps.len() as f64);
            let (k, m) = (1.36_f64, row.found.mean);
            let none = (k / (k + m)).powf(k);
            let one = none * k * m / (k + m);
            let p = if most == 1 { vec![none, 1.0 - none] } else { vec![none, one, 1.0 - none - one] };
            let law = Laws::one(Law::table(0, p).unwrap());
            let exact = &curve_of_laws(whole.lines(), &[m], &[law], &Quiet).unwrap().rows[0];
            assert!((row.exact.adequate - exact.adequate).abs() < 1e-12);
        }
    }
    // Walks that follow the law are fair by what is scored of them.
    let plan = plan(&[(5, None, Some(5)), (15, Some(8), Some(12)), (30, Some(18), Some(19))], 1);
    let design = Design { score: Score::positive(0, 1).unwrap(), ..plan.asked().clone() };
    let plan = Plan::given(design, plan.lines().clone(), &Quiet).unwrap();
    let how = Resampling { walks: 1000, sets: 199, ..how(Redraw::WithReplacement) };
    let fairness =
        |k: f64, seed| resample(&plan, &made(k, seed, false), &constant(1.36), &how, &Quiet).unwrap().fairness;
    let fair = (0..8).filter(|&seed| fairness(1.36, seed).fair).count();
    let unfair = fairness(0.3, 1);
    assert!(fair >= 6 && !unfair.fair, "{fair} {unfair:?}");
    assert!(unfair.off_call > 4.0 * unfair.off_call_se && unfair.off_sites_se > 0.0, "{unfair:?}");
}

#[test]
fn what_cannot_be_drawn_again_is_refused() {
    let (counts, plan) = (demo(), plan(&[(10, Some(7), Some(8))], 3));
    let code = |how: Resampling, under: Dispersion| resample(&plan, &counts, &under, &how, &Quiet).unwrap_err().code();
    let usual = how(Redraw::WithReplacement);
    assert_eq!(code(Resampling { how: Redraw::Blocks(0), ..usual }, POISSON), Code::OutOfRange);
    assert_eq!(code(Resampling { sets: 5, ..usual }, POISSON), Code::OutOfRange);
    assert_eq!(code(Resampling { walks: 1, ..usual }, POISSON), Code::OutOfRange);
    assert_eq!(code(usual, Dispersion::power_law(2.0, 1.2).unwrap()), Code::Combination);
    let none = Counts::read("field,site,plants,count\na,1,3,0\n".as_bytes(), &Reading::default()).unwrap();
    assert_eq!(resample(&plan, &none, &POISSON, &usual, &Quiet).unwrap_err().code(), Code::OutOfRange);
}
