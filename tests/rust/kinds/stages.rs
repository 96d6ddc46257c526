//! Curtailed plans and plans with two checks.

use super::{constant, design, mean, two_calls};
use stopline::evaluate::{evaluate, evaluate_lines, largest_expected_sites};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
use stopline::{Call, Code, Dispersion, Lines, Quiet, Risk, Risks, Row, Score, Thresholds};

/// Every walk is called as by the fixed plan, with its very risks, and none is longer.
#[test]
fn curtailed_walks_are_the_fixed_ones_cut_short() {
    for score in [Score::Count, Score::positive(0, 2).unwrap()] {
        let (law, aim) = match score {
            Score::Count => (constant(1.2), two_calls(1.0, 2.5, 0.1)),
            _ => (Dispersion::Binomial, two_calls(0.2, 0.5, 0.1)),
        };
        let asked =
            Design { score: score.clone(), ..design(law, aim, Checks::every(2, 40, 1).unwrap(), Closing::Call) };
        let fixed = Plan::design(asked.clone(), Method::Fixed, &Quiet).unwrap();
        let curtailed = Plan::design(asked, Method::Curtailed, &Quiet).unwrap();
        assert_eq!(curtailed.lines().cap(), fixed.lines().cap());
        for (a, b) in curtailed.attained().iter().zip(fixed.attained()) {
            assert!((a.p - b.p).abs() < 1e-13, "{a:?} {b:?}");
        }
        let sites = |plan: &Plan| largest_expected_sites(plan.lines(), &score, &law).unwrap().expected_sites;
        assert!(sites(&curtailed) < sites(&fixed));
        // Positive units can be too few: then inadequate is called early.
        let early = curtailed.lines().rows().iter().filter(|r| r.at_most(Call::Inadequate).is_some()).count();
        assert_eq!(early > 1, score != Score::Count);
    }
}

/// Against every pair of checks, pair of lines and cut, evaluated one by one.
#[test]
fn no_plan_with_two_checks_is_better() {
    let law = Dispersion::Poisson;
    let asked = design(law, two_calls(0.6, 2.2, 0.15), Checks::every(1, 7, 1).unwrap(), Closing::Call);
    let most = |plan: &Lines| largest_expected_sites(plan, &Score::Count, &law).unwrap().expected_sites;
    let mut best = f64::INFINITY;
    let mut least = (u32::MAX, f64::INFINITY);
    for last in 2..=7_u32 {
        for first in 1..last {
            for cut in 0..14_i64 {
                for low in -1..=cut {
                    for high in low.max(0) + 1..=cut + 1 {
                        let rows = vec![
                            Row::two_calls(first, (low >= 0).then_some(low), Some(high), None),
                            Row::two_calls(last, Some(cut), Some(cut + 1), None),
                        ];
                        let Ok(lines) = Lines::new(rows) else { continue };
                        let at = evaluate_lines(&lines, &Score::Count, &law, &[0.6, 2.2].map(mean), &Quiet).unwrap();
                        if at.rows[0].adequate <= 0.15 && at.rows[1].inadequate <= 0.15 {
                            let sites = most(&lines);
                            best = best.min(sites);
                            if (last, sites) < least {
                                least = (last, sites);
                            }
                        }
                    }
                }
            }
        }
    }
    let plan = Plan::design(asked.clone(), Method::TwoStage, &Quiet).unwrap();
    assert!((most(plan.lines()) - best).abs() < 1e-9, "{} {best}", most(plan.lines()));
    assert_eq!(plan.lines().rows().len(), 2);
    let plan = Plan::design(asked, Method::TwoStageMinimax, &Quiet).unwrap();
    assert_eq!(plan.lines().cap(), least.0);
    assert!((most(plan.lines()) - least.1).abs() < 1e-9);
}

/// Simon 1989, Controlled Clinical Trials 10:1–10 (plans from memory): shares .1 and .3 with risks .05 and .20, stopping
/// early for too few only: optimal 1/10 and 5/29, minimax 1/15 and 5/25; expected sites 15.014 and 19.510 (derived).
/// And .05 and .25: optimal 0/9 and 2/17, minimax 0/12 and 2/16.
#[test]
fn two_stages_that_stop_early_for_one_call() {
    for (low, high, plans) in [
        (0.1, 0.3, [(Method::TwoStage, [(10, 1), (29, 5)]), (Method::TwoStageMinimax, [(15, 1), (25, 5)])]),
        (0.05, 0.25, [(Method::TwoStage, [(9, 0), (17, 2)]), (Method::TwoStageMinimax, [(12, 0), (16, 2)])]),
    ] {
        let thresholds = Thresholds::new(mean(low), mean(high)).unwrap();
        let risks = Risks::new(Risk::new(0.05).unwrap(), Risk::new(0.2).unwrap()).unwrap();
        let aim = Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) };
        let score = Score::positive(0, 1).unwrap();
        let asked =
            Design { score, ..design(Dispersion::Binomial, aim, Checks::every(1, 40, 1).unwrap(), Closing::Call) };
        for (method, stages) in plans {
            let plan = Plan::two_stage(asked.clone(), method, Call::Inadequate, &Quiet).unwrap();
            let rows: Vec<_> =
                plan.lines().rows().iter().map(|row| (row.at, row.at_most(Call::Inadequate).unwrap())).collect();
            assert_eq!(rows, stages, "{method:?}");
            assert_eq!(plan.lines().rows()[0].at_least(Call::Adequate), None);
            let sites =
                evaluate(&plan, &Dispersion::Binomial, &[mean(low)], &Quiet).unwrap().curve.rows[0].expected_sites;
            let known = [(10, 15.014), (15, 19.510)].into_iter().find(|(first, _)| *first == rows[0].0);
            assert!(known.is_none_or(|(_, known)| (sites - known).abs() < 5e-4), "{sites}");
        }
        // The mirrored question has the mirrored plan.
        let mirrored = Aim::TwoCalls {
            thresholds: Some(Thresholds::new(mean(1.0 - high), mean(1.0 - low)).unwrap()),
            risks: Some(Risks::new(Risk::new(0.2).unwrap(), Risk::new(0.05).unwrap()).unwrap()),
        };
        let plan =
            Plan::two_stage(Design { aim: mirrored, ..asked }, Method::TwoStage, Call::Adequate, &Quiet).unwrap();
        let [first, last] = plan.lines().rows() else { panic!() };
        let (first_line, cut) = (plans[0].1[0].1, plans[0].1[1].1);
        let at = |row: &Row| (row.at, i64::from(row.at) - row.at_least(Call::Adequate).unwrap());
        assert_eq!([at(first), at(last)], [(plans[0].1[0].0, first_line), (plans[0].1[1].0, cut)]);
    }
}

/// Against every pair of checks, line and cut of small designs of negative-binomial counts, where a cut that keeps no
/// risks may lie before one that does.
#[test]
#[allow(clippy::cast_sign_loss, clippy::cast_possible_truncation)] // totals from 0 to 400
fn two_stages_that_stop_early_for_one_call_against_all() {
    let mut found = 0;
    for (k, low, high, risk, early) in [
        (1.2, 3.0, 9.0, 0.1, Call::Inadequate),
        (1.2, 3.0, 9.0, 0.1, Call::Adequate),
        (0.6, 2.0, 8.0, 0.15, Call::Inadequate),
        (3.0, 10.0, 18.0, 0.1, Call::Inadequate),
        (3.0, 10.0, 18.0, 0.1, Call::Adequate),
    ] {
        let checks = Checks::every(1, 7, 1).unwrap();
        let asked = design(constant(k), two_calls(low, high, risk), checks, Closing::Call);
        let p = |m: f64, sites: u32| {
            // P(total = t) over so many sites, by the ratio of neighbouring terms.
            let k = k * f64::from(sites);
            let m = m * f64::from(sites);
            let mut p = (k / (k + m)).powf(k);
            (0..400)
                .map(|t| {
                    let now = p;
                    p *= m / (k + m) * (k + f64::from(t)) / f64::from(t + 1);
                    now
                })
                .collect::<Vec<f64>>()
        };
        let mut best = f64::INFINITY;
        for last in 2..=7_u32 {
            for first in 1..last {
                let rest = [low, high].map(|m| p(m, last - first));
                let start = [low, high].map(|m| p(m, first));
                let right = usize::from(early == Call::Adequate);
                // Running sums of the second part, from below.
                let below = |side: usize| {
                    rest[side]
                        .iter()
                        .scan(0.0, |sum, p| {
                            *sum += p;
                            Some(*sum)
                        })
                        .collect::<Vec<f64>>()
                };
                let below = [below(0), below(1)];
                for line in -1..150_i64 {
                    let stops = |t: i64| if early == Call::Inadequate { t <= line } else { t > line };
                    let stopped =
                        |side: usize| (0..400).filter(|&t| stops(t)).map(|t| start[side][t as usize]).sum::<f64>();
                    let expected = f64::from(first) + f64::from(last - first) * (1.0 - stopped(right));
                    if expected >= best {
                        continue;
                    }
                    for cut in 0..200_i64 {
                        // P(not stopped, and called inadequate at the second check).
                        let inadequate = |side: usize| {
                            let from = |t: i64| start[side][t as usize] * below[side][(cut - t) as usize];
                            (0..=cut).filter(|&t| !stops(t)).map(from).sum::<f64>()
                        };
                        let [a, b] = if early == Call::Inadequate {
                            [1.0 - stopped(0) - inadequate(0), stopped(1) + inadequate(1)]
                        } else {
                            [1.0 - inadequate(0), inadequate(1)]
                        };
                        if a <= risk && b <= risk {
                            best = best.min(expected);
                        }
                    }
                }
            }
        }
        let right = if early == Call::Inadequate { low } else { high };
        let sites = Plan::two_stage(asked.clone(), Method::TwoStage, early, &Quiet)
            .map(|plan| evaluate(&plan, &constant(k), &[mean(right)], &Quiet).unwrap().curve.rows[0].expected_sites);
        match sites {
            Ok(sites) => assert!((sites - best).abs() < 1e-9, "{k} {low} {high} {early:?}: {sites} {best}"),
            Err(e) => assert!(e.code() == Code::NoPlan && best.is_infinite(), "{k} {low} {high} {early:?}: {e} {best}"),
        }
        found += usize::from(best.is_finite());
    }
    assert!(found > 2, "{found} plans compared");
}

/// Where a walk to the first check keeps the risks two checks are of no use, and what would do is said: it does.
#[test]
fn two_stages_after_enough_sites_say_what_would_do() {
    let at =
        |sites: Vec<u32>| design(constant(1.2), two_calls(1.0, 2.0, 0.1), Checks::at(sites).unwrap(), Closing::Call);
    for method in [Method::TwoStage, Method::TwoStageMinimax] {
        let refused = Plan::design(at(vec![30, 40]), method, &Quiet).unwrap_err();
        assert_eq!(refused.code(), Code::NoPlan);
        assert_eq!(
            refused.allowed(),
            "always 22 sites, which is none of the checks, would do (method fixed), and so would a first check of fewer \
             than 22; the fewest fixed sites at these risks are 22"
        );
        Plan::design(at(vec![21, 30, 40]), method, &Quiet).unwrap();
    }
    Plan::design(at(vec![22]), Method::Fixed, &Quiet).unwrap();
    let below = Plan::design(at(vec![5, 10]), Method::TwoStage, &Quiet).unwrap_err();
    assert!(below.allowed().starts_with("max_sites 22 would do"), "{below}");
}
