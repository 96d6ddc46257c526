//! Plans run over full walks, against a walk through the lines by hand, all orders of a short walk, and the tails of a
//! general-purpose library.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)] // tests

use statrs::distribution::{Binomial, DiscreteCDF, NegativeBinomial, Poisson};
use stopline::counts::{Counts, Reading};
use stopline::dispersion::fit_counts;
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan, Table};
use stopline::replay::{Replay, Replaying, leave_one_out, replay};
use stopline::{
    Call, Code, Dispersion, K, Level, Lines, Mean, Minutes, Plants, Quiet, Risk, Risks, Score, Thresholds, Verdict,
};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn design(k: Dispersion, cap: u32) -> Design {
    let risk = Risk::new(0.1).unwrap();
    let thresholds = Some(Thresholds::new(mean(1.0), mean(2.0)).unwrap());
    let aim = Aim::TwoCalls { thresholds, risks: Some(Risks::new(risk, risk).unwrap()) };
    let checks = Checks::every(5, cap, 1).unwrap();
    Design { score: Score::Count, plants: Plants::USUAL, dispersion: k, aim, checks, closing: Closing::Call }
}

fn plan(k: f64) -> Plan {
    let k = Dispersion::ConstantK { k: K::new(k).unwrap() };
    Plan::design(design(k, 30), Method::Calibrated, &Quiet).unwrap()
}

fn demo() -> Counts {
    let table = include_bytes!("../../demo-data/larkmoor.csv");
    let count = ["lady_beetles", "pirate_bugs", "lacewings", "spiders"].map(str::to_owned).to_vec();
    Counts::read(&table[..], &Reading { count, ..Reading::default() }).unwrap()
}

fn how(orders: u32) -> Replaying {
    let timings = Some(Minutes::new(2.0).unwrap().with_enemy(0.5).unwrap().with_in_and_out(10.0).unwrap());
    Replaying { orders, seed: 3, level: Level::new(0.9).unwrap(), timings }
}

/// Each walk of the demo, site by site.
#[test]
fn the_demo_is_walked_as_a_scout_would() {
    let (plan, counts) = (plan(1.2), demo());
    let found = replay(&plan, &counts, &how(0), &Quiet).unwrap();
    assert_eq!(found.walks.len(), counts.walks.len());
    let (mut used, mut agree, mut minutes) = (0, 0, 0.0);
    for (walk, found) in counts.walks.iter().zip(&found.walks) {
        let counted: Vec<u32> = walk.present().collect();
        let (mut total, mut end) = (0_i64, None);
        for (at, count) in (1..).zip(&counted) {
            total += i64::from(*count);
            if let Verdict::Stop(call) = plan.lines().verdict(at, total) {
                end = Some((at, total, call));
                break;
            }
        }
        let (ended, all) = (&found.walked, i64::from(counted.iter().sum::<u32>()));
        assert_eq!((ended.stopped_at, ended.total, ended.call), (end.map(|e| e.0), end.map(|e| e.1), end.map(|e| e.2)));
        assert_eq!((found.total, found.sites as usize), (all, counted.len()));
        // The cut of the last check, at the mean of the whole walk.
        let cut = plan.lines().rows().last().unwrap().at_most(Call::Inadequate).unwrap();
        let adequate = all as f64 * 30.0 / counted.len() as f64 >= (cut + 1) as f64;
        assert_eq!(found.whole, if adequate { Call::Adequate } else { Call::Inadequate });
        if let Some((at, total, call)) = end {
            used += u64::from(at);
            agree += usize::from(call == found.whole);
            let saved = 2.0 * (counted.len() as f64 - f64::from(at)) + 0.5 * (all - total) as f64;
            assert!((found.minutes_saved.unwrap() - saved).abs() < 1e-9);
            minutes += saved;
        }
    }
    assert_eq!((found.tally.used, found.tally.agree), (used, agree));
    assert!((found.tally.minutes_saved.unwrap() - minutes).abs() < 1e-6);
    assert_eq!(found.tally.stopped + found.too_short().count(), found.walks.len());
    assert!(found.tally.stopped > 20 && found.disagreeing().count() >= found.tally.stopped - agree);
}

/// At the limits, totals so far off or further have half of what the level leaves, by statrs.
#[test]
fn intervals_have_the_tails_they_should() {
    let text = "field,site,plants,count\na,1,1,3\na,2,1,0\na,3,1,5\na,4,1,1\nb,1,1,0\nb,2,1,0\n";
    let counts = Counts::read(text.as_bytes(), &Reading::default()).unwrap();
    let table = Table::of(&[(4, Some(5), Some(6))]).unwrap();
    let thresholds = Some(Thresholds::new(mean(0.1), mean(0.5)).unwrap());
    let aim = Aim::TwoCalls { thresholds, risks: None };
    let positive = Score::positive(0, 1).unwrap();
    for (score, dispersion) in [
        (Score::Count, Dispersion::ConstantK { k: K::new(1.3).unwrap() }),
        (Score::Count, Dispersion::Poisson),
        (positive, Dispersion::Binomial),
    ] {
        let design = Design {
            score: score.clone(),
            plants: Plants::ONE,
            dispersion,
            aim,
            checks: table.checks.clone(),
            closing: table.closing,
        };
        let plan = Plan::given(design, table.lines.clone(), &Quiet).unwrap();
        let found = replay(&plan, &counts, &how(0), &Quiet).unwrap();
        for walk in &found.walks {
            let (n, t) = (f64::from(walk.sites), u64::try_from(walk.total).unwrap());
            let at_most = |m: f64, t: u64| match dispersion {
                Dispersion::ConstantK { .. } => NegativeBinomial::new(n * 1.3, 1.3 / (1.3 + m)).unwrap().cdf(t),
                Dispersion::Poisson => Poisson::new(n * m).unwrap().cdf(t),
                _ => Binomial::new(m, u64::from(walk.sites)).unwrap().cdf(t),
            };
            let between = walk.interval.unwrap();
            if t > 0 {
                assert!((1.0 - at_most(between.low, t - 1) - 0.05).abs() < 1e-8, "{dispersion:?} {between:?}");
            } else {
                assert_eq!(between.low, 0.0);
            }
            assert!((at_most(between.high, t) - 0.05).abs() < 1e-8, "{dispersion:?} {between:?}");
        }
    }
}

/// All 120 orders of five sites beside those drawn.
#[test]
fn random_orders_are_all_orders() {
    let steps = [0, 4, 1, 0, 3];
    let text: String = steps.iter().zip(1..).map(|(count, site)| format!("a,{site},1,{count}\n")).collect();
    let counts = Counts::read(format!("field,site,plants,count\n{text}").as_bytes(), &Reading::default()).unwrap();
    let table = Table::of(&[(2, Some(0), Some(5)), (3, Some(1), Some(5)), (4, Some(3), Some(4))]).unwrap();
    let design = Design { checks: table.checks, plants: Plants::ONE, ..design(Dispersion::Poisson, 30) };
    let plan = Plan::given(design, table.lines, &Quiet).unwrap();
    let found = replay(&plan, &counts, &how(20_000), &Quiet).unwrap();
    let (mut agree, mut sites) = (0.0, 0.0);
    for number in 0..120 {
        let (mut left, mut number, mut total) = (steps.to_vec(), number, 0);
        let (at, call) = (1..=5)
            .find_map(|at| {
                total += left.remove(number % left.len());
                number /= 6 - at as usize;
                match plan.lines().verdict(at, total) {
                    Verdict::Stop(call) => Some((at, call)),
                    Verdict::KeepSampling => None,
                }
            })
            .unwrap();
        sites += f64::from(at) / 120.0;
        agree += if call == found.walks[0].whole { 1.0 / 120.0 } else { 0.0 };
    }
    let random = found.random.unwrap();
    assert!((random.agree.value - agree).abs() < 4.0 * random.agree.se, "{random:?}, {agree}");
    assert!((random.sites.value - sites).abs() < 4.0 * random.sites.se, "{random:?}, {sites}");
    assert_eq!(random.stopped.value, 1.0);
    let again = replay(&plan, &counts, &how(20_000), &Quiet).unwrap();
    assert_eq!(found, again);
    let other = replay(&plan, &counts, &Replaying { seed: 4, ..how(20_000) }, &Quiet).unwrap();
    assert_ne!(other.random, found.random);
}

#[test]
fn short_walks_and_contradictions_are_named() {
    let rich: String = (1..=12).map(|site| format!("rich,{site},3,{}\n", if site <= 5 { 0 } else { 30 })).collect();
    let text = format!("field,site,plants,count\nshort,1,3,1\nshort,2,3,2\n{rich}empty,1,3,NA\n");
    let counts = Counts::read(text.as_bytes(), &Reading::default()).unwrap();
    let found = replay(&plan(1.2), &counts, &how(10), &Quiet).unwrap();
    let names = |replay: &Replay| replay.walks.iter().map(|walk| walk.field.clone()).collect::<Vec<_>>();
    assert_eq!(names(&found), ["short", "rich"]); // no site was counted on the third
    assert_eq!(found.too_short().map(|walk| walk.field.as_str()).collect::<Vec<_>>(), ["short"]);
    let rich = &found.walks[1].walked;
    assert_eq!((rich.call, rich.agrees, rich.contradicted), (Some(Call::Inadequate), Some(false), Some(true)));
    assert_eq!(found.disagreeing().count(), 1);
}

#[test]
fn each_field_is_replayed_under_a_plan_made_without_it() {
    let (plan, counts) = (plan(1.2), demo());
    let all = leave_one_out(&plan, &counts, &how(0), &Quiet).unwrap();
    assert_eq!(all.len(), 12);
    for one in [&all[0], &all[7]] {
        let mut others = counts.clone();
        others.walks.retain(|walk| walk.field != one.field);
        let dispersion = fit_counts(&others, how(0).level, &Quiet).unwrap().for_plan().unwrap().dispersion;
        assert_eq!(one.k, dispersion.constant_k().map(K::get));
        let made = Plan::design(design(dispersion, 30), Method::Calibrated, &Quiet).unwrap();
        assert_eq!(one.plan.as_deref(), Some(made.digest().as_str()));
        let found = replay(&made, &counts, &how(0), &Quiet).unwrap();
        let own: Vec<_> = found.walks.into_iter().filter(|walk| walk.field == one.field).collect();
        assert_eq!(one.walks, own);
    }
    // A cap that a plan made without some field cannot keep is told, not passed over.
    let tight = Plan::design(design(plan.asked().dispersion, 24), Method::Fixed, &Quiet).unwrap();
    let told = leave_one_out(&tight, &counts, &how(0), &Quiet).unwrap();
    assert!(told.iter().all(|one| one.plan.is_some() != one.why.is_some()));
    let given = Plan::given(plan.asked().clone(), Lines::new(plan.lines().rows().to_vec()).unwrap(), &Quiet).unwrap();
    assert_eq!(leave_one_out(&given, &counts, &how(0), &Quiet).unwrap_err().code(), Code::Combination);
}
