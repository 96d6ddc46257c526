//! Against every way to spread few enemies over few sites, every path of a small plan, and simulated walks.

use super::*;
use crate::params::Plants;
use crate::plan::{Design, Table};
use crate::{Quiet, Risk, Risks, Thresholds};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::collections::HashMap;

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn constant(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

fn plan(rows: &[(u32, Option<Total>, Option<Total>)], dispersion: Dispersion, thresholds: Option<[f64; 2]>) -> Plan {
    let table = Table::of(rows).unwrap();
    let risk = Risk::new(0.1).unwrap();
    let thresholds = thresholds.map(|[low, high]| Thresholds::new(mean(low), mean(high)).unwrap());
    let design = Design {
        score: Score::Count,
        plants: Plants::ONE,
        dispersion,
        aim: Aim::TwoCalls { thresholds, risks: thresholds.map(|_| Risks::new(risk, risk).unwrap()) },
        checks: table.checks,
        closing: table.closing,
    };
    Plan::given(design, table.lines, &Quiet).unwrap()
}

/// Thresholds 1.5 and 3, k 2, at most 20 sites, risks below .1: found by backward induction elsewhere.
fn good(dispersion: Dispersion) -> Plan {
    let lower = [-1, -1, -1, 1, 3, 5, 8, 10, 13, 15, 17, 20, 22, 25, 27, 30, 32, 35, 37, 42];
    let upper = [9, 11, 13, 14, 16, 18, 20, 22, 24, 26, 28, 30, 31, 33, 35, 37, 39, 40, 42, 43];
    let rows: Vec<_> =
        (1..).zip(lower.iter().zip(upper)).map(|(n, (&a, b))| (n, (a >= 0).then_some(a), Some(b))).collect();
    plan(&rows, dispersion, Some([1.5, 3.0]))
}

/// Weights w(x) = Γ(x+k)/(Γ(k)x!), or 1/x!.
fn weights(k: Option<f64>, most: usize) -> Vec<f64> {
    let mut w = vec![1.0];
    for x in 1..=most {
        let x = x as f64;
        w.push(w.last().unwrap() * k.map_or(1.0, |k| k + x - 1.0) / x);
    }
    w
}

/// Every way to spread `total` over `sites`, one by one.
fn compositions(sites: usize, total: usize, each: &mut dyn FnMut(&[usize])) {
    fn go(left: usize, total: usize, so_far: &mut Vec<usize>, each: &mut dyn FnMut(&[usize])) {
        if left == 1 {
            so_far.push(total);
            each(so_far);
            so_far.pop();
            return;
        }
        for x in 0..=total {
            so_far.push(x);
            go(left - 1, total - x, so_far, each);
            so_far.pop();
        }
    }
    go(sites, total, &mut Vec::new(), each);
}

#[test]
fn chances_equal_those_over_all_compositions() {
    for (dispersion, k) in [(constant(0.7), Some(0.7)), (constant(3.0), Some(3.0)), (Dispersion::Poisson, None)] {
        let check = CheckOfK::of(&plan(&[(5, Some(6), Some(7))], dispersion, None), &Quiet).unwrap();
        let w = weights(k, 10);
        for sites in 3..=5 {
            for total in 0..=9 {
                let mut by_squares: HashMap<usize, f64> = HashMap::new();
                compositions(sites, total, &mut |counts| {
                    let weight: f64 = counts.iter().map(|&x| w[x]).product();
                    *by_squares.entry(counts.iter().map(|x| x * x).sum()).or_default() += weight;
                });
                let all: f64 = by_squares.values().sum();
                for &squares in by_squares.keys() {
                    let above: f64 = by_squares.iter().filter(|(s, _)| **s >= squares).map(|(_, w)| w).sum();
                    let p = check.p(u32::try_from(sites).unwrap(), total, (squares - total) / 2).unwrap();
                    assert!((p * all / above - 1.0).abs() < 1e-10, "{sites} {total} {squares}: {p} {}", above / all);
                }
            }
        }
    }
}

/// P(ever alarmed) over every path, one by one, alarms by the chances that are told.
fn over_all_paths(check: &CheckOfK, p: &[f64], at: u32, (total, pairs): (usize, usize), chance: f64) -> f64 {
    if total > check.most {
        return 0.0;
    }
    if at >= FIRST_LOOK && check.p(at, total, pairs).unwrap() <= check.level {
        return chance;
    }
    if at > 0 && !open(&check.lines, at, total) {
        return 0.0;
    }
    let all = p;
    let next = |(x, p): (usize, &f64)| over_all_paths(check, all, at + 1, (total + x, pairs + pairs_of(x)), chance * p);
    p.iter().enumerate().map(next).sum()
}

#[test]
fn alarms_equal_those_over_all_paths() {
    let lines = [(2, None, Some(8)), (4, Some(2), Some(8)), (5, Some(5), Some(6))];
    for (dispersion, k) in [(constant(0.9), Some(0.9)), (Dispersion::Poisson, None)] {
        let check = CheckOfK::of(&plan(&lines, dispersion, None), &Quiet).unwrap();
        for (m, truth) in [(0.5, k), (1.2, k), (1.2, Some(0.4))] {
            let k = truth.map(|k| K::new(k).unwrap());
            let mut p = Vec::new();
            law(m, k).unwrap().batch(1, check.most + 1, &mut p);
            let want = over_all_paths(&check, &p, 0, (0, 0), 1.0);
            let got = check.alarmed_under(k, &[mean(m)]).unwrap()[0];
            assert!((got - want).abs() < 1e-9 && want > 0.0, "{m} {truth:?}: {got} {want}");
            assert!(truth != check.k.map(K::get) || got <= FALSE_ALARMS);
        }
    }
}

/// The level of a small plan is the largest that keeps the promise: a little more breaks it at some mean.
#[test]
fn the_level_is_the_largest() {
    for dispersion in [constant(2.0), Dispersion::Poisson] {
        let check = CheckOfK::of(&good(dispersion), &Quiet).unwrap();
        let (at, worst) = check.worst();
        assert!(worst <= FALSE_ALARMS && worst > 0.045, "{worst}");
        let more = check.worst_of(&check.alarms(check.k, 1.02 * check.level).unwrap()).unwrap();
        assert!(more.1 > FALSE_ALARMS, "{more:?}");
        // No finer grid of means finds a worse one.
        let grid: Vec<Mean> = (0..2000).map(|i| mean(0.02 * 1.004_f64.powi(i))).collect();
        let worst_there = check.alarmed_under(check.k, &grid).unwrap().into_iter().fold(0.0, f64::max);
        assert!(worst_there <= worst + 1e-9, "{worst_there} {worst} at {at}");
    }
}

/// Walks under the plan of so many, simulated: how often they are alarmed.
fn simulated(plan: &Plan, check: &CheckOfK, (m, k): (f64, f64), walks: u32, seed: u64) -> f64 {
    let mut p = Vec::new();
    law(m, Some(K::new(k).unwrap())).unwrap().batch(1, 400, &mut p);
    let mut sum = 0.0;
    let below: Vec<f64> = p
        .iter()
        .map(|p| {
            sum += p;
            sum
        })
        .collect();
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut alarmed = 0;
    for _ in 0..walks {
        let steps: Vec<Total> = (0..plan.lines().cap())
            .map(|_| {
                let u = (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
                Total::try_from(below.partition_point(|&p| p <= u)).unwrap()
            })
            .collect();
        alarmed += u32::from(check.look(&steps).is_some_and(|look| look.alarmed_at.is_some()));
    }
    f64::from(alarmed) / f64::from(walks)
}

#[test]
fn simulated_walks_are_alarmed_as_often() {
    let plan = good(constant(2.0));
    let check = CheckOfK::of(&plan, &Quiet).unwrap();
    let walks = 20_000;
    for (m, k) in [(check.worst().0, 2.0), (1.5, 2.0), (3.0, 1.0), (1.5, 0.5)] {
        let exact = check.alarmed_under(Some(K::new(k).unwrap()), &[mean(m)]).unwrap()[0];
        let found = simulated(&plan, &check, (m, k), walks, 3);
        let se = (exact * (1.0 - exact) / f64::from(walks)).sqrt();
        assert!((found - exact).abs() < 4.0 * se, "{m} {k}: {found} {exact} ± {se}");
    }
}

/// Half the k on this plan is noticed on 10.2, 13.2 and 15.1 walks of 100 at means 1.5, 2.12 and 3, with a per-look level of
/// .0373 and at most 4.98 false alarms in 100 (mean 2.70): by tests/scripts/check_of_k.py, an enumeration apart, which
/// simulated walks confirm. Derived elsewhere were 12 to 17 of 100 at a level near .047. That is the largest level (.0467) if looks
/// at the stop itself are left out of the false alarms; counted in, as a scout sees them, 6.34 in 100 are alarmed there.
#[test]
fn silence_is_not_reassurance() {
    let mut check = CheckOfK::of(&good(constant(2.0)), &Quiet).unwrap();
    assert_eq!(check.power().iter().map(|power| (power.mean, power.k)).collect::<Vec<_>>(), [(1.5, 1.0), (3.0, 1.0)]);
    let means = [1.5, 2.12, 3.0, 2.7].map(mean);
    let under = |check: &CheckOfK, k| check.alarmed_under(Some(K::new(k).unwrap()), &means).unwrap();
    let near = |found: &[f64], want: &[f64]| found.iter().zip(want).all(|(a, b)| (a - b).abs() < 6e-4);
    assert!((check.level() / 0.037_27 - 1.0).abs() < 0.005, "{}", check.level());
    assert!(near(&under(&check, 1.0), &[0.1019, 0.1325, 0.1507]) && near(&under(&check, 2.0)[3..], &[0.0498]));
    check.level = 0.0467;
    assert!(near(&under(&check, 1.0), &[0.1182, 0.1552, 0.1755]) && near(&under(&check, 2.0)[3..], &[0.0634]));
    let check = CheckOfK::of(&good(constant(2.0)), &Quiet).unwrap();
    let look = check.look(&[1, 0, 4, 2, 1]).unwrap();
    assert!(look.reading.contains("Silence is not reassurance") && look.alarmed_at.is_none(), "{look:?}");
}

/// An alarm speaks against every k of an interval: its lower end is checked, and a larger k is alarmed less.
#[test]
fn of_an_interval_the_lower_end_is_checked() {
    let k = |k| K::new(k).unwrap();
    let interval = Dispersion::k_interval(k(2.0), k(1.2), k(4.0)).unwrap();
    let check = CheckOfK::of(&good(interval), &Quiet).unwrap();
    assert_eq!(check.k(), Some(k(1.2)));
    let means: Vec<Mean> = [0.5, 1.0, 1.5, 2.12, 3.0, 5.0].map(mean).into();
    for larger in [1.2, 1.5, 2.0, 4.0, 50.0] {
        let most = check.alarmed_under(Some(k(larger)), &means).unwrap().into_iter().fold(0.0, f64::max);
        assert!(most <= FALSE_ALARMS, "{larger}: {most}");
    }
}

#[test]
fn plans_without_such_a_check_say_why() {
    let k = K::new(2.0).unwrap();
    for (dispersion, said) in [
        (Dispersion::k_spread(k, 0.4).unwrap(), "from field to field"),
        (Dispersion::power_law(2.0, 1.4).unwrap(), "with the mean"),
    ] {
        let e = CheckOfK::of(&good(dispersion), &Quiet).unwrap_err();
        assert!(e.code() == Code::Combination && e.to_string().contains(said), "{e}");
    }
    let short = plan(&[(2, Some(3), Some(4))], constant(2.0), None);
    assert_eq!(CheckOfK::of(&short, &Quiet).unwrap_err().code(), Code::Combination);
    let large = plan(&[(10, Some(300), Some(500)), (60, Some(2400), Some(2401))], constant(2.0), None);
    assert_eq!(CheckOfK::of(&large, &Quiet).unwrap_err().code(), Code::TooMuchWork);
    let many = plan(&[(10, Some(40), Some(90)), (100, Some(400), Some(401))], constant(0.3), None);
    assert_eq!(CheckOfK::of(&many, &Quiet).unwrap_err().code(), Code::TooMuchWork);
}

/// Pairs at a stop by all orders of counts that stay open until then, and over two walks.
#[test]
fn a_season_equals_all_orders_of_counts() {
    let lines = [(2, None, Some(6)), (3, Some(1), Some(6)), (4, Some(5), Some(6))];
    let plan = plan(&lines, constant(0.9), None);
    let check = CheckOfK::of(&plan, &Quiet).unwrap();
    let w = weights(Some(0.9), 12);
    let law = |sites: usize, total: usize| {
        let mut by_pairs: HashMap<usize, f64> = HashMap::new();
        compositions(sites, total, &mut |counts| {
            let sums = counts.iter().scan(0, |sum, x| {
                *sum += x;
                Some(*sum)
            });
            if (1_u32..).zip(sums).take(sites - 1).all(|(at, sum)| open(plan.lines(), at, sum)) {
                let pairs = counts.iter().map(|x| x * x.saturating_sub(1) / 2).sum();
                *by_pairs.entry(pairs).or_default() += counts.iter().map(|&x| w[x]).product::<f64>();
            }
        });
        let all: f64 = by_pairs.values().sum();
        by_pairs.into_iter().map(move |(pairs, w)| (pairs, w / all)).collect::<Vec<_>>()
    };
    let (a, b) = (law(4, 5), law(2, 7));
    // Pairs of (2, 1, 0, 2) and of (1, 6).
    let pairs = 2 + 15;
    let want: f64 = a
        .iter()
        .flat_map(|a| b.iter().map(move |b| (a.0 + b.0, a.1 * b.1)))
        .filter(|p| p.0 >= pairs)
        .map(|p| p.1)
        .sum();
    let walks: [&[Total]; 3] = [&[2, 1, 0, 2], &[1, 6, 9], &[4]];
    let found = season(&check, &walks, &Quiet).unwrap();
    assert_eq!((found.walks, found.left_out, found.pairs), (2, 1, pairs));
    assert!((found.p - want).abs() < 1e-10, "{} {want}", found.p);
}

/// Under the plan's k a season is noticed at most 5 times in 100; half the k more often the more fields there are.
#[test]
fn a_season_gains() {
    let check = CheckOfK::of(&good(constant(2.0)), &Quiet).unwrap();
    let noticed = |fields, k| season_power(&check, fields, mean(1.5), K::new(k).unwrap()).unwrap();
    let none = noticed(10, 2.0);
    assert!(none.noticed <= FALSE_ALARMS + 4.0 * none.se.max(0.005), "{none:?}");
    let [one, ten, thirty] = [1, 10, 30].map(|fields| noticed(fields, 1.0).noticed);
    assert!(one < 0.35 && ten > one + 0.2 && thirty > ten, "{one} {ten} {thirty}");
}
