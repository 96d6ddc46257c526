//! Every instruction set gives the same bits, and points of curves, whose products may be fused, to 1e-13.

use super::outcome::{Outcome, each_outcome};
use super::{Evaluator, InstructionSet, Point, calls_of_laws, pooled_calls};
use crate::law::{Law, Laws, Pool};
use crate::params::{K, Mean, Share};
use crate::watch::Quiet;
use crate::{Call, Lines, Row, Stop};

fn outcomes(lines: &Lines, laws: &[Law], set: InstructionSet) -> Vec<Outcome> {
    let mut found = vec![Outcome::zero(); laws.len()];
    each_outcome(lines, laws, set, &Quiet, |i, outcome| found[i] = outcome.clone()).unwrap();
    found
}

/// Lines around a slope, cut at the cap; with `calls` three there is a stop between open totals.
fn lines(slope: f64, width: f64, sites: &[u32], three: bool) -> Lines {
    let (last, before) = sites.split_last().unwrap();
    #[allow(clippy::cast_possible_truncation)] // small totals
    let line = |at: u32, shift: f64| (slope * f64::from(at) + shift).floor() as i64;
    let mut rows: Vec<_> = before
        .iter()
        .map(|&at| {
            let (low, high) = (line(at, -width), line(at, width) + 1);
            let mut row = Row::two_calls(at, (low >= 0).then_some(low), Some(high), None);
            let middle = line(at, 0.0);
            if three && at > 3 && low >= 0 && low + 2 < middle && middle + 2 < high {
                row.stops.insert(1, Stop { from: Some(middle), to: Some(middle + 1), call: Call::Marginal });
            }
            row
        })
        .collect();
    rows.push(Row::two_calls(*last, Some(line(*last, 0.0)), Some(line(*last, 0.0) + 1), None));
    Lines::new(rows).unwrap()
}

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn plans() -> Vec<Lines> {
    let each = |to: u32| (1..=to).collect::<Vec<_>>();
    vec![
        lines(1.4, 9.0, &each(60), false),
        lines(11.3, 60.0, &each(40), false),
        lines(0.28, 6.0, &each(200), false),
        lines(0.02, 2.0, &[10, 35, 400, 1200], false),
        lines(40.0, 300.0, &each(12), false),
        lines(1.4, 20.0, &each(50), true),
        lines(3.0, 12.0, &[5, 10, 15, 20, 25, 28], false),
        Lines::new(vec![Row::two_calls(15, Some(31), Some(32), None)]).unwrap(),
    ]
}

/// From a family: many means, more than a group of vectors holds.
fn families() -> Vec<Vec<Law>> {
    let means = || (0..51).map(|i| 1e-3 * 1.35_f64.powi(i));
    let k = |k: f64| move |m: f64| Law::NegBin { mean: mean(m), k: K::new(k).unwrap() };
    let share = |m: f64| Law::Binomial { p: Share::new(m / (1.0 + m)).unwrap(), units: 5 };
    vec![
        means().map(k(1.2)).collect(),
        means().map(k(0.1)).collect(),
        means().map(k(1e9)).collect(),
        means().map(|m| Law::Poisson { mean: mean(m) }).collect(),
        means().map(share).collect(),
    ]
}

/// Probabilities to so much, expected sites to so much of them.
fn near(a: &Point, b: &Point, allowed: f64) -> bool {
    let p = |p: &Point| [p.adequate, p.inadequate, p.undecided, p.expected_sites / b.expected_sites];
    p(a).iter().zip(p(b)).all(|(a, b)| (a - b).abs() <= allowed)
}

#[test]
fn outcomes_are_the_same_bits_under_every_instruction_set_and_points_the_same_numbers() {
    let sets = InstructionSet::all();
    let mut compared = 0;
    for lines in plans() {
        for laws in families() {
            let points = |set| {
                let mut evaluator = Evaluator::new(&lines, &laws[0], set).unwrap();
                evaluator.points(&laws).unwrap().to_vec()
            };
            let whole = |set| {
                let outcomes = outcomes(&lines, &laws, set);
                let numbers =
                    |o: super::outcome::Outcome| o.calls.into_iter().chain(o.open).map(f64::to_bits).collect();
                outcomes.into_iter().map(numbers).collect::<Vec<Vec<u64>>>()
            };
            let (first, first_whole) = (points(InstructionSet::PORTABLE), whole(InstructionSet::PORTABLE));
            for &set in &sets {
                for (a, b) in points(set).iter().zip(&first) {
                    assert!(near(a, b, 1e-13), "{set:?} {lines:?} {:?} {a:?} {b:?}", laws[0]);
                }
                assert_eq!(whole(set), first_whole, "{set:?} {lines:?} {:?}", laws[0]);
                compared += first.len();
            }
        }
    }
    assert!(compared > 0);
}

/// Means of which nothing is left open long before the cap come out as where every check is taken into account.
#[test]
fn points_are_those_of_all_checks() {
    let cap = 1000;
    let lines = lines(0.28, 6.0, &(1..=cap).collect::<Vec<_>>(), false);
    for laws in families() {
        let whole = outcomes(&lines, &laws, InstructionSet::PORTABLE);
        let points = Evaluator::new(&lines, &laws[0], InstructionSet::best()).unwrap().points(&laws).unwrap().to_vec();
        let of = |outcome: &Outcome| Point {
            adequate: outcome.calls[Call::Adequate as usize],
            inadequate: outcome.calls[Call::Inadequate as usize],
            undecided: 0.0,
            expected_sites: 1.0 + outcome.open[..outcome.open.len() - 1].iter().sum::<f64>(),
        };
        for (point, outcome) in points.iter().zip(&whole) {
            assert!(near(point, &of(outcome), 1e-13), "{:?} {point:?} {:?}", laws[0], of(outcome));
        }
        // Some are settled in time for that, some are not.
        let left = |outcome: &&Outcome| outcome.open[cap as usize / 2] < 1e-40;
        assert!((1..whole.len()).contains(&whole.iter().filter(left).count()));
    }
}

/// What decides lines: risks under one law and under several.
#[test]
fn risks_are_the_same_bits_under_every_instruction_set() {
    for lines in plans() {
        for pool in [Pool::Worst, Pool::Average] {
            let nodes = |m: f64| {
                let node = |i: i32| (0.125, Law::NegBin { mean: mean(m), k: K::new(0.4 * 1.5_f64.powi(i)).unwrap() });
                Laws { nodes: (0..8).map(node).collect(), pool }
            };
            let laws = [nodes(1.0), nodes(2.0)];
            let risks = |set| pooled_calls(&lines, &laws, set, &Quiet).unwrap().map(|calls| calls.map(f64::to_bits));
            let first = risks(InstructionSet::PORTABLE);
            assert!(InstructionSet::all().into_iter().all(|set| risks(set) == first), "{lines:?}");
        }
    }
}

/// Risks alone come out as with everything else.
#[test]
fn risks_are_those_of_the_curve() {
    for lines in plans() {
        for laws in families() {
            for law in laws.iter().step_by(10) {
                let [calls] = pooled_calls(&lines, &[Laws::one(law.clone())], InstructionSet::best(), &Quiet).unwrap();
                let own = outcomes(&lines, std::slice::from_ref(law), InstructionSet::best());
                for (a, b) in calls.iter().zip(own[0].calls) {
                    assert!((a - b).abs() < 1e-12, "{lines:?} {law:?} {a} {b}");
                }
            }
        }
    }
}

/// Many means by a series against the same means a few at a time, over ranges from narrow to all there are.
#[test]
fn many_means_come_out_as_few() {
    let k = |k: f64| K::new(k).unwrap();
    let mut by_series = 0;
    for lines in plans() {
        for (low, high) in [(0.2, 4.2), (0.9, 1.1), (0.01, 100.0), (1e-6, 1e4)] {
            let at = |i: i32| mean(low * libm::pow(high / low, f64::from(i) / 499.0));
            let of = |law: &dyn Fn(Mean) -> Law| (0..500).map(|i| law(at(i))).collect::<Vec<_>>();
            let families = [
                of(&|mean| Law::Poisson { mean }),
                of(&|mean| Law::NegBin { mean, k: k(1.2) }),
                of(&|mean| Law::NegBin { mean, k: k(0.1) }),
            ];
            for laws in families {
                let many = |set| Evaluator::new(&lines, &laws[0], set).unwrap().points(&laws).unwrap().to_vec();
                let mut few = Evaluator::new(&lines, &laws[0], InstructionSet::best()).unwrap();
                let all = many(InstructionSet::best());
                let some: Vec<Law> = laws.iter().step_by(10).cloned().collect();
                for (a, b) in all.iter().step_by(10).zip(few.points(&some).unwrap()) {
                    assert!(near(a, b, 5e-13), "{a:?} {b:?}");
                    by_series += usize::from(a != b);
                }
                for set in InstructionSet::all() {
                    assert!(many(set).iter().zip(&all).all(|(a, b)| near(a, b, 1e-13)), "{set:?}");
                }
            }
        }
    }
    assert!(by_series > 1000, "{by_series} points differ in their last digits");
}

/// Nodes that share a recursion give the risks that each gives by itself.
#[test]
fn nodes_together_come_out_as_one_by_one() {
    for lines in plans() {
        for many in [2, 5, 8, 11] {
            let node = |m: f64, i: i32| Law::NegBin { mean: mean(m), k: K::new(0.4 * 1.5_f64.powi(i)).unwrap() };
            for m in [0.3, 1.0, 2.0, 20.0] {
                let nodes = (0..many).map(|i| (1.0 / f64::from(many), node(m, i))).collect();
                let together = calls_of_laws(&lines, &[Laws { nodes, pool: Pool::Average }], &Quiet).unwrap();
                let mut apart = [0.0; Call::ALL.len()];
                for i in 0..many {
                    let own = outcomes(&lines, &[node(m, i)], InstructionSet::PORTABLE);
                    apart.iter_mut().zip(own[0].calls).for_each(|(sum, p)| *sum += p / f64::from(many));
                }
                for (a, b) in together[0].iter().zip(apart) {
                    assert!((a - b).abs() < 1e-13, "{lines:?} {many} {m}: {a} {b}");
                }
            }
        }
    }
}

/// Sums of positive products, rounded in each of up to 1000 sites' worth of factors, relative: 1000 sites × a few
/// roundings of 1.1e-16.
const SAME_BATCH: f64 = 1e-12;

/// Batches of a law told as a table are convolved; those of one and two units have a closed form.
#[test]
fn batches_of_a_table_are_binomial_where_its_steps_are() {
    for (units, p) in [(1, 0.3), (2, 0.05)] {
        let closed = Law::Binomial { p: Share::new(p).unwrap(), units };
        let mut steps = Vec::new();
        closed.batch(1, usize::from(units) + 1, &mut steps);
        let table = Law::table(0, steps).unwrap();
        for sites in (1..=33).chain([1000]) {
            for len in [5, 40, 3000] {
                let (mut own, mut other) = (Vec::new(), Vec::new());
                table.batch(sites, len, &mut own);
                closed.batch(sites, len, &mut other);
                assert_eq!(own.len(), other.len(), "{sites} sites of {units} units, {len} totals");
                for (a, b) in own.iter().zip(&other) {
                    assert!(
                        (a - b).abs() <= SAME_BATCH * b.max(f64::MIN_POSITIVE),
                        "{sites} sites of {units} units: {a} {b}"
                    );
                }
            }
        }
    }
}

#[test]
fn batches_that_take_too_long_to_convolve_are_refused() {
    let table = Law::table(0, vec![0.5, 0.25, 0.25]).unwrap();
    let work = |sites: u32| {
        let cut = i64::from(sites);
        let lines = Lines::new(vec![Row::two_calls(sites, Some(cut), Some(cut + 1), None)]).unwrap();
        Evaluator::new(&lines, &table, InstructionSet::best())
    };
    assert!(work(1000).is_ok());
    assert_eq!(work(crate::MOST_SITES).unwrap_err().code(), crate::Code::TooMuchWork);
}
