//! The work a person waits for, in the order of the pipeline. Names are those of `peers/peers.py`.
#![allow(missing_docs)] // made by criterion's macros
#![allow(clippy::unwrap_used, clippy::indexing_slicing)] // a benchmark of a refusal measures nothing

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use stopline::dispersion::Frequencies;
use stopline::evaluate::{Evaluator, InstructionSet, curve_of_laws};
use stopline::law::{Law, Laws};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
use stopline::{Dispersion, K, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds};

const K_12: f64 = 1.2;

/// Thresholds 1 and 2 per site, k 1.2, risks of 0.05, every site checked up to 60.
fn design() -> Design {
    let [low, high] = [1.0, 2.0].map(|m| Mean::new(m).unwrap());
    let risk = Risk::new(0.05).unwrap();
    Design {
        score: Score::Count,
        plants: Plants::ONE,
        dispersion: Dispersion::ConstantK { k: K::new(K_12).unwrap() },
        aim: Aim::TwoCalls {
            thresholds: Some(Thresholds::new(low, high).unwrap()),
            risks: Some(Risks::new(risk, risk).unwrap()),
        },
        checks: Checks::every(1, 60, 1).unwrap(),
        closing: Closing::Call,
    }
}

/// Counts with mean 1.5 and k 1.2: quantiles at the middles of equal parts, in a scrambled order.
fn counts(size: usize) -> Vec<u32> {
    let theta = 1.5 / (K_12 + 1.5);
    let (mut p, mut sum, mut below) = ((1.0 - theta).powf(K_12), 0.0, Vec::new());
    while sum < 1.0 - 1e-12 {
        sum += p;
        below.push(sum);
        let x = below.len() as f64;
        p *= theta * (K_12 + x - 1.0) / x;
    }
    let quantile = |at: f64| below.partition_point(|&sum| sum < at);
    let at = |i: usize| ((i * 7919 % size) as f64 + 0.5) / size as f64;
    (0..size).map(|i| u32::try_from(quantile(at(i))).unwrap()).collect()
}

fn k(c: &mut Criterion) {
    let mut group = c.benchmark_group("k");
    for size in [1_000, 100_000] {
        let counts = counts(size);
        let fit = || Frequencies::of(black_box(&counts)).unwrap().k_ml().unwrap();
        group.bench_function(BenchmarkId::from_parameter(size), |b| b.iter(fit));
    }
}

fn calibrated(c: &mut Criterion) {
    let plan = || Plan::design(black_box(design()), Method::Calibrated, &Quiet).unwrap();
    c.benchmark_group("calibrated").bench_function("60", |b| b.iter(plan));
}

fn laws(means: u32) -> Vec<Law> {
    let step = 4.0 / f64::from(means - 1);
    let mean = |i| Mean::new(0.2 + step * f64::from(i)).unwrap();
    (0..means).map(|i| Law::NegBin { mean: mean(i), k: K::new(K_12).unwrap() }).collect()
}

/// Calls and expected sites only, from lines to numbers.
fn exact(c: &mut Criterion) {
    let mut group = c.benchmark_group("exact");
    let plan = Plan::design(design(), Method::Wald, &Quiet).unwrap();
    for means in [41, 1000] {
        let laws = laws(means);
        let points = || {
            let mut evaluator = Evaluator::new(black_box(plan.lines()), &laws[0], InstructionSet::best()).unwrap();
            evaluator.points(&laws).unwrap().last().copied()
        };
        group.bench_function(BenchmarkId::from_parameter(means), |b| b.iter(points));
    }
}

/// The whole curve: every call, spread and quantiles of sites too.
fn curve(c: &mut Criterion) {
    let mut group = c.benchmark_group("curve");
    let plan = Plan::design(design(), Method::Wald, &Quiet).unwrap();
    for count in [41, 1000] {
        let laws = laws(count);
        let means: Vec<f64> = laws.iter().map(Law::mean).collect();
        let laws: Vec<_> = laws.into_iter().map(Laws::one).collect();
        let curve = || curve_of_laws(black_box(plan.lines()), &means, &laws, &Quiet).unwrap();
        group.bench_function(BenchmarkId::from_parameter(count), |b| b.iter(curve));
    }
}

criterion_group!(benches, k, calibrated, exact, curve);
criterion_main!(benches);
