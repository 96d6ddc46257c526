//! What `binding.py` does in Python, done in Rust: it prints the two beside each other.
#![allow(missing_docs)] // made by criterion's macros
#![allow(clippy::unwrap_used)] // a benchmark of a refusal measures nothing

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use std::sync::Arc;
use stopline::decide::{Entry, Walk};
use stopline::evaluate::evaluate;
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan, Table};
use stopline::{Dispersion, K, Mean, Plants, Quiet, Risk, Risks, Score, Site, Thresholds};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn design(k: f64, [low, high]: [f64; 2], risk: f64, checks: Checks) -> Design {
    let risk = Risk::new(risk).unwrap();
    Design {
        score: Score::Count,
        plants: Plants::ONE,
        dispersion: Dispersion::ConstantK { k: K::new(k).unwrap() },
        aim: Aim::TwoCalls {
            thresholds: Some(Thresholds::new(mean(low), mean(high)).unwrap()),
            risks: Some(Risks::new(risk, risk).unwrap()),
        },
        checks,
        closing: Closing::Call,
    }
}

fn means(from: f64, to: f64, many: u32) -> Vec<Mean> {
    (0..many).map(|i| mean(from + (to - from) * f64::from(i) / f64::from(many - 1))).collect()
}

/// A walk of 20 sites with its state after each, which is what a decision in Python holds until more is asked for.
fn push(c: &mut Criterion) {
    let table = Table::of(&[(30, Some(41), Some(42))]).unwrap();
    let asked = Design {
        aim: Aim::TwoCalls { thresholds: Some(Thresholds::new(mean(1.0), mean(2.0)).unwrap()), risks: None },
        ..design(1.2, [1.0, 2.0], 0.1, table.checks)
    };
    let plan = Arc::new(Plan::given(asked, table.lines, &Quiet).unwrap());
    let walk = || {
        let mut walk = Walk::new(Arc::clone(&plan));
        for _ in 0..20 {
            walk.push(Entry::Site(Site::of(black_box(1)))).unwrap();
            black_box(walk.state());
        }
    };
    c.benchmark_group("binding-push-20").bench_function("rust", |b| b.iter(walk));
}

fn evaluation(c: &mut Criterion) {
    let plan =
        Plan::design(design(1.2, [1.0, 2.0], 0.05, Checks::every(1, 60, 1).unwrap()), Method::Wald, &Quiet).unwrap();
    let (under, means) = (plan.asked().dispersion, means(0.2, 4.0, 1000));
    let work = || evaluate(&plan, &under, black_box(&means), &Quiet).unwrap();
    c.benchmark_group("binding-evaluate-1000").bench_function("rust", |b| b.iter(work));
}

/// The work of each thread is 100 evaluations: twice the work on two threads.
fn threads(c: &mut Criterion) {
    let plan =
        Plan::design(design(0.8, [8.0, 16.0], 0.1, Checks::every(5, 200, 1).unwrap()), Method::Wald, &Quiet).unwrap();
    let (under, means) = (plan.asked().dispersion, means(1.0, 40.0, 41));
    let work = || (0..100).for_each(|_| drop(black_box(evaluate(&plan, &under, &means, &Quiet).unwrap())));
    let both = || {
        std::thread::scope(|scope| {
            scope.spawn(work);
            work();
        });
    };
    let mut group = c.benchmark_group("binding-threads");
    group.sample_size(10);
    group.bench_function("one", |b| b.iter(work));
    group.bench_function("two", |b| b.iter(both));
}

criterion_group!(benches, push, evaluation, threads);
criterion_main!(benches);
