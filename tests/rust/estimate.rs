//! After stopping: estimates and intervals against published definitions, enumeration of paths and exact coverage.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]

use std::collections::HashMap;
use stopline::estimate::{Order, after_stop, behaviour, estimates};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Pair, Plan, Sides, Table};
use stopline::{Code, Dispersion, K, Level, Lines, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn constant(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

fn level() -> Level {
    Level::new(0.9).unwrap()
}

/// Thresholds 1.5 and 3, k 2, at most 20 sites, risks below .1: found by backward induction elsewhere and confirmed
/// by an exact forward pass.
fn good() -> Lines {
    let lower = [-1, -1, -1, 1, 3, 5, 8, 10, 13, 15, 17, 20, 22, 25, 27, 30, 32, 35, 37, 42];
    let upper = [9, 11, 13, 14, 16, 18, 20, 22, 24, 26, 28, 30, 31, 33, 35, 37, 39, 40, 42, 43];
    let rows: Vec<_> =
        (1..).zip(lower.iter().zip(upper)).map(|(n, (&a, b))| (n, (a >= 0).then_some(a), Some(b))).collect();
    Table::of(&rows).unwrap().lines
}

/// K¹/K with K zeroed at stops and K¹ started with x·w(x) (Girshick, Mosteller & Savage 1946); intervals by
/// ordering T/n (Emerson & Fleming 1990). Values derived elsewhere, at their printed precision.
#[test]
fn stops_of_a_known_plan() {
    let told =
        |at, total| after_stop(&good(), &Score::Count, &constant(2.0), (at, total), level(), Order::PlainMean).unwrap();
    for (at, total, want) in
        [(2, 11, 4.6), (5, 3, 0.6562), (8, 10, 1.4284), (8, 22, 2.1493), (12, 20, 1.8565), (20, 42, 1.9478)]
    {
        let got = told(at, total).mean.unwrap();
        assert!((got - want).abs() < 5.1e-5, "({at}, {total}): {got} {want}");
    }
    for (at, total, low, high) in [
        (8, 10, 0.684_391, 2.822_797),
        (8, 22, 1.432_036, 4.237_618),
        (12, 20, 1.081_706, 3.173_797),
        (20, 43, 1.350_879, 3.330_837),
    ] {
        let got = told(at, total);
        assert!(
            (got.low - low).abs() < 5.1e-7 && (got.high.unwrap() - high).abs() < 5.1e-7,
            "({at}, {total}): {got:?}"
        );
    }
    let refused = after_stop(&good(), &Score::Count, &constant(2.0), (5, 10), level(), Order::PlainMean);
    assert_eq!(refused.unwrap_err().code(), Code::Entry);
}

#[test]
fn the_plain_mean_of_a_known_plan_is_biased() {
    let means = [0.75, 1.5, 2.12, 3.0].map(mean);
    let k = constant(2.0);
    let found = behaviour(&good(), &Score::Count, (&k, &k), &means, (level(), Order::PlainMean), &Quiet).unwrap();
    for (row, want) in found.iter().zip([-0.13, -0.049, 0.14, 0.28]) {
        assert!(row.plain_covers.is_some_and(|p| (0.746..0.8995).contains(&p)), "{row:?}");
        assert!((row.plain_bias.unwrap() - want).abs() < 0.0051, "{row:?}");
    }
}

/// Plans of every kind, each with what it takes to be true; exact kinds first.
fn kinds() -> Vec<(&'static str, Lines, Score, Dispersion)> {
    let risk = Risk::new(0.1).unwrap();
    let risks = Risks::new(risk, risk).unwrap();
    let pair = |low, high| Pair { thresholds: Thresholds::new(mean(low), mean(high)).unwrap(), risks };
    let two = |low, high| {
        let Pair { thresholds, risks } = pair(low, high);
        Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) }
    };
    let plan = |score: Score, dispersion, aim, (min, max, every), closing, method| {
        let checks = Checks::every(min, max, every).unwrap();
        let design = Design { score, plants: Plants::ONE, dispersion, aim, checks, closing };
        Plan::design(design, method, &Quiet).unwrap().lines().clone()
    };
    let (count, shares, capped) = (Score::Count, Score::positive(0, 5).unwrap(), Score::capped(6).unwrap());
    let k = constant(1.2);
    let law = Dispersion::power_law(2.0, 1.4).unwrap();
    let spread = Dispersion::k_spread(K::new(1.2).unwrap(), 0.4).unwrap();
    let interval = Dispersion::k_interval(K::new(1.2).unwrap(), K::new(0.8).unwrap(), K::new(2.0).unwrap()).unwrap();
    let (call, undecided) = (Closing::Call, Closing::Undecided);
    let critical = Aim::Interval { critical: mean(1.5), confidence: level(), sides: Sides::Two };
    let precision = Aim::Precision { se_over_mean: Level::new(0.3).unwrap() };
    let three = Aim::three_calls(pair(1.0, 2.0), pair(4.0, 7.0)).unwrap();
    let every = (5, 30, 1);
    let aim = two(1.0, 2.5);
    vec![
        ("wald", plan(count.clone(), k, aim, every, call, Method::Wald), count.clone(), k),
        ("calibrated", plan(count.clone(), k, aim, every, call, Method::Calibrated), count.clone(), k),
        ("optimal", plan(count.clone(), k, aim, every, call, Method::Optimal), count.clone(), k),
        ("groups", plan(count.clone(), k, aim, (4, 30, 4), undecided, Method::Wald), count.clone(), k),
        ("curtailed", plan(count.clone(), k, aim, (1, 40, 1), call, Method::Curtailed), count.clone(), k),
        ("fixed", plan(count.clone(), k, aim, (1, 40, 1), call, Method::Fixed), count.clone(), k),
        ("two_stage", plan(count.clone(), k, aim, (1, 30, 1), call, Method::TwoStage), count.clone(), k),
        (
            "poisson",
            plan(count.clone(), Dispersion::Poisson, aim, (1, 20, 1), call, Method::Wald),
            count.clone(),
            Dispersion::Poisson,
        ),
        ("three_calls", plan(count.clone(), k, three, (5, 40, 1), call, Method::Wald), count.clone(), k),
        ("interval", plan(count.clone(), k, critical, every, undecided, Method::Nominal), count.clone(), k),
        ("precision", plan(count.clone(), k, precision, (5, 60, 1), undecided, Method::Nominal), count.clone(), k),
        (
            "shares",
            plan(shares.clone(), Dispersion::Binomial, two(0.2, 0.4), (2, 20, 1), call, Method::Calibrated),
            shares.clone(),
            Dispersion::Binomial,
        ),
        ("units_of_counts", plan(shares.clone(), k, two(0.5, 1.5), (2, 20, 1), call, Method::Calibrated), shares, k),
        ("capped", plan(capped.clone(), k, two(1.0, 2.0), (5, 40, 1), call, Method::Calibrated), capped, k),
        ("power_law", plan(count.clone(), law, aim, every, call, Method::Calibrated), count.clone(), law),
        ("k_spread", plan(count.clone(), spread, aim, (5, 40, 1), call, Method::Calibrated), count.clone(), spread),
        ("k_interval", plan(count.clone(), interval, aim, (5, 60, 1), call, Method::Calibrated), count, interval),
    ]
}

/// Is the estimate of such a plan exactly unbiased?
fn exact(name: &str) -> bool {
    !["power_law", "k_spread", "k_interval", "units_of_counts", "capped"].contains(&name)
}

fn log_spaced(from: f64, to: f64, count: u32) -> Vec<Mean> {
    (0..count).map(|i| mean(from * (to / from).powf(f64::from(i) / f64::from(count - 1)))).collect()
}

fn covered(name: &str, (lines, score, under): (&Lines, &Score, &Dispersion), order: Order, means: &[Mean]) {
    for row in behaviour(lines, score, (under, under), means, (level(), order), &Quiet).unwrap() {
        let tails = row.above <= 0.05 + 1e-9 && row.below <= 0.05 + 1e-9;
        assert!(tails && row.covers >= 0.9 - 1e-9, "{name}, {order:?}: {row:?}");
        if exact(name) {
            assert!(row.bias.unwrap().abs() * row.mean < 1e-9, "{name}: {row:?}");
        }
    }
}

/// Means from .1 to 20; shares from .02 to .98. High means of counts cannot be told apart by a few units.
fn means(score: &Score, under: &Dispersion, count: u32) -> Vec<Mean> {
    match score {
        _ if under.of_shares() => (0..count).map(|i| mean(0.02 + 0.96 * f64::from(i) / f64::from(count - 1))).collect(),
        Score::Count => log_spaced(0.1, 20.0, count),
        _ => log_spaced(0.1, 8.0, count),
    }
}

/// Intervals of level .9 hold the true mean at least so often, each tail at most half of the rest, on plans of every kind; no
/// bias where k is known. Probabilities of stops come from another recursion than the intervals.
#[test]
fn coverage_on_plans_of_every_kind() {
    for (name, lines, score, under) in kinds() {
        let of = (&lines, &score, &under);
        let (means, by_stage) = match name {
            "k_spread" | "k_interval" => (log_spaced(0.1, 3.0, 8), 4),
            "precision" | "power_law" => (log_spaced(0.1, 6.0, 20), 5),
            _ => (means(&score, &under, if exact(name) { 200 } else { 20 }), 20),
        };
        covered(name, of, Order::PlainMean, &means);
        let fewer: Vec<Mean> =
            means.iter().copied().step_by(means.len() / by_stage).filter(|m| m.get() < 6.0).collect();
        covered(name, of, Order::Stage, &fewer);
    }
}

#[test]
#[ignore = "long"]
fn coverage_up_to_high_means() {
    for (name, lines, score, under) in kinds() {
        for order in [Order::PlainMean, Order::Stage] {
            let means = means(&score, &under, if exact(name) { 200 } else { 20 });
            covered(name, (&lines, &score, &under), order, &means);
        }
    }
}

/// The table's limits are those of each stop alone.
#[test]
fn the_table_agrees_with_each_stop() {
    for (name, lines, score, under) in kinds() {
        for order in [Order::PlainMean, Order::Stage] {
            let top = if under.of_shares() { 1.0 - 1e-9 } else { 3.0 };
            let table = estimates(&lines, &score, &under, mean(top), (level(), order), &Quiet).unwrap();
            assert!(table.len() > 20, "{name}");
            for stop in table.iter().step_by(table.len() / 7) {
                let alone = after_stop(&lines, &score, &under, (stop.at, stop.total), level(), order).unwrap();
                let close = |a: Option<f64>, b: Option<f64>| match (a, b) {
                    (Some(a), Some(b)) => (a - b).abs() <= 1e-7 * b.abs(),
                    (a, b) => a == b,
                };
                let same = close(stop.told.mean, alone.mean) && close(Some(stop.told.low), Some(alone.low));
                assert!(same && close(stop.told.high, alone.high), "{name}, {order:?}: {stop:?} {alone:?}");
            }
        }
    }
}

/// P(each stop) of a small plan by every path, one by one, at k 2; a count of 200 stands for all larger ones.
fn over_all_paths(m: f64) -> HashMap<(u32, i64), f64> {
    let (k, most) = (2.0, 200_u32);
    let mut p = vec![(k / (k + m)).powf(k)];
    (1..most).map(f64::from).for_each(|x| p.push(p[p.len() - 1] * (k + x - 1.0) / x * m / (k + m)));
    p.push(1.0 - p.iter().sum::<f64>());
    let most = i64::from(most);
    let mut found = HashMap::new();
    let mut add = |stop, p: f64| *found.entry(stop).or_insert(0.0) += p;
    let p = |x: i64| p[usize::try_from(x).unwrap()];
    for a in 0..=most {
        if a >= 4 {
            add((1, a), p(a));
            continue;
        }
        for b in 0..=most {
            if a + b <= 1 || a + b >= 6 {
                add((2, a + b), p(a) * p(b));
                continue;
            }
            for c in 0..=most {
                (0..=most).for_each(|d| add((4, a + b + c + d), p(a) * p(b) * p(c) * p(d)));
            }
        }
    }
    found
}

/// By stage: at the upper limit this stop and all before it in the order have probability .05, at the lower limit those
/// before it .95; the order written out for this plan.
#[test]
fn limits_by_stage_equal_those_over_all_paths() {
    let rows = [(1, None, Some(4)), (2, Some(1), Some(6)), (4, Some(5), Some(6))];
    let lines = Table::of(&rows).unwrap().lines;
    let rank = |(at, total): (u32, i64)| match at {
        2 if total <= 1 => (0, total),
        4 => (1, total),
        2 => (2, total),
        _ => (3, total),
    };
    let told = estimates(&lines, &Score::Count, &constant(2.0), mean(8.0), (level(), Order::Stage), &Quiet).unwrap();
    let stops = [(2, 0), (2, 1), (4, 3), (4, 6), (4, 11), (2, 6), (2, 8), (2, 13), (1, 4), (1, 7)];
    for here in stops {
        let found = told.iter().find(|stop| (stop.at, stop.total) == here).unwrap().told;
        let before = |m: f64, counted: bool| -> f64 {
            let paths = over_all_paths(m);
            let rank_here = rank(here);
            paths.iter().filter(|(s, _)| rank(**s) < rank_here || counted && **s == here).map(|(_, p)| p).sum()
        };
        let at_high = before(found.high.unwrap(), true);
        assert!((at_high - 0.05).abs() < 1e-7, "{here:?}: {found:?} {at_high}");
        let at_low = if found.low > 0.0 { before(found.low, false) } else { 0.95 };
        assert!((at_low - 0.95).abs() < 1e-7 && (found.low > 0.0) == (here != (2, 0)), "{here:?}: {found:?} {at_low}");
    }
}

/// Every path of a small plan, one by one: conditional expectation of the first site given the stop.
#[test]
fn estimates_equal_the_mean_over_all_paths() {
    let rows = [(1, None, Some(4)), (2, Some(1), Some(6)), (4, Some(5), Some(6))];
    let lines = Table::of(&rows).unwrap().lines;
    let (k, most) = (0.7_f64, 9_usize);
    let mut weights = vec![1.0];
    (1..=most).for_each(|x| weights.push(weights[x - 1] * (k + x as f64 - 1.0) / x as f64));
    let mut sums: HashMap<(u32, i64), [f64; 2]> = HashMap::new();
    for a in 0..=most {
        let mut add = |at: u32, total: usize, w: f64| {
            let sum = sums.entry((at, i64::try_from(total).unwrap())).or_default();
            *sum = [sum[0] + w, sum[1] + w * a as f64];
        };
        if a >= 4 {
            add(1, a, weights[a]);
            continue;
        }
        for b in 0..=most {
            let w = weights[a] * weights[b];
            if a + b <= 1 || a + b >= 6 {
                add(2, a + b, w);
                continue;
            }
            for c in 0..=most {
                (0..=most).for_each(|d| add(4, a + b + c + d, w * weights[c] * weights[d]));
            }
        }
    }
    for ((at, total), [all, first]) in sums.into_iter().filter(|((_, total), _)| *total <= 9) {
        let told = after_stop(&lines, &Score::Count, &constant(k), (at, total), level(), Order::PlainMean).unwrap();
        assert!((told.mean.unwrap() - first / all).abs() < 1e-12, "({at}, {total}): {told:?} {}", first / all);
    }
}

/// Counts far above every line: nothing underflows, nothing is refused for its size alone.
#[test]
fn very_large_counts_have_estimates() {
    let told = after_stop(&good(), &Score::Count, &constant(2.0), (1, 5000), level(), Order::PlainMean).unwrap();
    // A single site: the estimate is its count; limits are those of one count.
    assert!((told.mean.unwrap() - 5000.0).abs() < 1e-6 && told.low < 5000.0 && told.high.unwrap() > 5000.0);
    let far = after_stop(&good(), &Score::Count, &constant(2.0), (1, 4_000_000_000), level(), Order::PlainMean);
    assert_eq!(far.unwrap_err().code(), Code::TooMuchWork);
}
