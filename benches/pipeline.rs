//! The work a person waits for, in the order of the pipeline. Groups are named as in `peers/peers.py`; in
//! each are the instruction sets forced in turn, or the best that is there.
#![allow(missing_docs)] // made by criterion's macros
#![allow(clippy::unwrap_used, clippy::indexing_slicing)] // a benchmark of a refusal measures nothing

use criterion::measurement::WallTime;
use criterion::{BenchmarkGroup, Criterion, SamplingMode, criterion_group, criterion_main};
use std::collections::BTreeMap;
use std::hint::black_box;
use std::time::Duration;
use stopline::compare::{Ground, USUAL_SITES, Way, compare, means_around};
use stopline::counts::{Counts, Reading};
use stopline::decide::CheckOfK;
use stopline::dispersion::{Frequencies, fit_counts};
use stopline::estimate::{Order, estimates};
use stopline::evaluate::{Evaluator, InstructionSet, calls_of_laws, clustered_lines, curve_of_laws};
use stopline::law::{Law, Laws};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Objective, Pair, Plan, Sides};
use stopline::replay::{Replaying, replay};
use stopline::resample::{Redraw, Resampling, resample};
use stopline::simulate::{Clustered, Run, Source, Walks, simulate_lines};
use stopline::study::shard::line;
use stopline::study::{Crossed, Grid, run};
use stopline::{Call, Dispersion, K, Level, Mean, Plants, Quiet, Risk, Risks, Score, Share, Thresholds};

const K_12: f64 = 1.2;

/// A plan's thresholds per site, k, last site, and the means of its curve.
struct Case {
    name: &'static str,
    thresholds: [f64; 2],
    k: f64,
    cap: u32,
    means: [f64; 2],
}

const CASES: [Case; 3] = [
    Case { name: "A", thresholds: [1.0, 2.0], k: K_12, cap: 60, means: [0.2, 4.2] },
    Case { name: "B", thresholds: [8.0, 16.0], k: 0.8, cap: 200, means: [2.0, 30.0] },
    Case { name: "C", thresholds: [0.2, 0.4], k: 0.5, cap: 1000, means: [0.04, 0.84] },
];

impl Case {
    /// Risks of 0.05, every site checked.
    fn design(&self) -> Design {
        let [low, high] = self.thresholds.map(|m| Mean::new(m).unwrap());
        let risk = Risk::new(0.05).unwrap();
        Design {
            score: Score::Count,
            plants: Plants::ONE,
            dispersion: Dispersion::ConstantK { k: K::new(self.k).unwrap() },
            aim: Aim::TwoCalls {
                thresholds: Some(Thresholds::new(low, high).unwrap()),
                risks: Some(Risks::new(risk, risk).unwrap()),
            },
            checks: Checks::every(1, self.cap, 1).unwrap(),
            closing: Closing::Call,
        }
    }

    fn wald(&self) -> Plan {
        Plan::design(self.design(), Method::Wald, &Quiet).unwrap()
    }

    fn means(&self, count: u32) -> Vec<Mean> {
        let [from, to] = self.means;
        let step = (to - from) / f64::from(count - 1);
        (0..count).map(|i| Mean::new(from + step * f64::from(i)).unwrap()).collect()
    }

    fn laws(&self, count: u32) -> Vec<Law> {
        self.means(count).into_iter().map(|mean| Law::NegBin { mean, k: K::new(self.k).unwrap() }).collect()
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

/// Many short samples, so that the best is free of what else the machine does.
fn group<'a>(c: &'a mut Criterion, name: &str) -> BenchmarkGroup<'a, WallTime> {
    let mut group = c.benchmark_group(name);
    group.sampling_mode(SamplingMode::Flat).sample_size(500);
    group.warm_up_time(Duration::from_millis(300)).measurement_time(Duration::from_millis(1500));
    group
}

fn k(c: &mut Criterion) {
    for size in [1_000, 100_000] {
        let counts = counts(size);
        let fit = || Frequencies::of(black_box(&counts)).unwrap().k_ml().unwrap();
        group(c, &format!("k-{size}")).bench_function("best", |b| b.iter(fit));
    }
}

/// A million rows of 10 000 fields: read, checked, and fitted with k of each field and of all together.
fn million(c: &mut Criterion) {
    let counts = counts(1_000_000);
    let mut table = "field,visit,site,plants,count\n".to_owned();
    for (i, count) in counts.iter().enumerate() {
        table += &format!("F{},1,{},3,{count}\n", i / 100, i % 100 + 1);
    }
    let level = Level::new(0.95).unwrap();
    let work = || {
        let counts = Counts::read(black_box(table.as_bytes()), &Reading::default()).unwrap();
        fit_counts(&counts, level, &Quiet).unwrap().common
    };
    let mut group = group(c, "fit-million");
    group.sample_size(10).bench_function("best", |b| b.iter(work));
}

/// Every cut at the cap looked at; and where the walk may end undecided, which has none.
fn calibrated(c: &mut Criterion) {
    for (name, closing) in [("calibrated-A", Closing::Call), ("calibrated-A-undecided", Closing::Undecided)] {
        let design = || Design { closing, ..CASES[0].design() };
        let plan = || Plan::design(black_box(design()), Method::Calibrated, &Quiet).unwrap();
        group(c, name).bench_function("best", |b| b.iter(plan));
    }
}

/// With its bound: fewest sites on average over the thresholds, and at the mean that takes most.
fn optimal(c: &mut Criterion) {
    let design = || CASES[0].design();
    let thresholds = design().thresholds().unwrap();
    let at = Objective::at(&[thresholds.inadequate(), thresholds.adequate()]);
    for (name, objective) in [("optimal-A", at), ("optimal-A-largest", Objective::LargestExpectedSites)] {
        let plan = || Plan::optimal(black_box(design()), &objective, None, &Quiet).unwrap();
        group(c, name).bench_function("best", |b| b.iter(plan));
    }
}

/// Every other kind, at 60 sites: thresholds 1 and 2, k 1.2, risks .05.
fn kinds(c: &mut Criterion) {
    let two = || CASES[0].design();
    let (low, k) = (CASES[0].thresholds[0], |k| K::new(k).unwrap());
    let mean = |m| Mean::new(m).unwrap();
    let pair = |low, high| {
        let risk = Risk::new(0.1).unwrap();
        Pair { thresholds: Thresholds::new(mean(low), mean(high)).unwrap(), risks: Risks::new(risk, risk).unwrap() }
    };
    let three = || Design { aim: Aim::three_calls(pair(1.0, 2.0), pair(4.0, 7.0)).unwrap(), ..two() };
    let critical = Aim::Interval { critical: mean(1.5), confidence: Level::new(0.9).unwrap(), sides: Sides::Two };
    let precision = || Design { aim: Aim::Precision { se_over_mean: Level::new(0.25).unwrap() }, ..two() };
    let score = |score| Design { score, ..two() };
    let under = |dispersion| Design { dispersion, ..two() };
    // Whether a site holds any tells 0.5 and 1.5 apart within 60 sites, but not 1 and 2.
    let further = Aim::TwoCalls { thresholds: Some(pair(0.5, 1.5).thresholds), risks: two().risks() };
    let positive = Design { aim: further, ..score(Score::positive(0, 1).unwrap()) };
    let tuned = Design { closing: Closing::Undecided, ..precision() };
    let made = |design: Design, method| move || Plan::design(black_box(design.clone()), method, &Quiet).unwrap();
    type Derived = Box<dyn Fn() -> Plan>;
    let works: [(&str, Derived); 16] = [
        ("wald", Box::new(made(two(), Method::Wald))),
        ("fixed", Box::new(made(two(), Method::Fixed))),
        ("curtailed", Box::new(made(two(), Method::Curtailed))),
        ("converging", Box::new(made(two(), Method::Converging))),
        ("two-stage", Box::new(made(two(), Method::TwoStage))),
        ("two-stage-minimax", Box::new(made(two(), Method::TwoStageMinimax))),
        (
            "two-stage-early",
            Box::new(move || Plan::two_stage(CASES[0].design(), Method::TwoStage, Call::Inadequate, &Quiet).unwrap()),
        ),
        ("three-calls-wald", Box::new(made(three(), Method::Wald))),
        ("three-calls", Box::new(made(three(), Method::Calibrated))),
        ("interval", Box::new(made(Design { aim: critical, ..two() }, Method::Nominal))),
        ("precision", Box::new(made(precision(), Method::Nominal))),
        ("precision-tuned", Box::new(move || Plan::tuned(tuned.clone(), [mean(low), mean(4.0)], &Quiet).unwrap())),
        ("capped", Box::new(made(score(Score::capped(4).unwrap()), Method::Calibrated))),
        ("positive", Box::new(made(positive, Method::Calibrated))),
        (
            "k-interval",
            Box::new(made(under(Dispersion::k_interval(k(1.2), k(0.9), k(1.8)).unwrap()), Method::Calibrated)),
        ),
        ("power-law", Box::new(made(under(Dispersion::power_law(1.6, 1.3).unwrap()), Method::Calibrated))),
    ];
    let mut group = c.benchmark_group("kinds-A");
    group.sample_size(10).warm_up_time(Duration::from_millis(100)).measurement_time(Duration::from_millis(500));
    for (name, work) in works {
        group.bench_function(name, |b| b.iter(&work));
    }
}

/// Calls and expected sites only, by every instruction set: from lines and laws, in memory that is used again.
fn exact(c: &mut Criterion) {
    for (case, means) in [(0, 41), (0, 1000), (1, 41), (2, 41)] {
        let case = &CASES[case];
        let (plan, laws) = (case.wald(), case.laws(means));
        let mut group = group(c, &format!("exact-{}-{means}", case.name));
        for set in InstructionSet::all() {
            let mut evaluator = Evaluator::new(plan.lines(), &laws[0], set).unwrap();
            let mut points = || evaluator.points(black_box(&laws)).unwrap().last().copied();
            group.bench_function(set.as_str(), |b| b.iter(&mut points));
        }
    }
}

/// Both risks of a plan: at one k, and averaged over the eight nodes of an uncertain one.
fn nodes(c: &mut Criterion) {
    let plan = CASES[0].wald();
    let mut group = group(c, "risks-A");
    let k = K::new(K_12).unwrap();
    for (name, under) in [("one k", Dispersion::ConstantK { k }), ("8 nodes", Dispersion::k_spread(k, 0.4).unwrap())] {
        let laws = CASES[0].thresholds.map(|m| under.laws(&Score::Count, Mean::new(m).unwrap()).unwrap());
        group.bench_function(name, |b| b.iter(|| calls_of_laws(black_box(plan.lines()), &laws, &Quiet).unwrap()));
    }
}

/// The same from the lines on, with nothing made ready.
fn new(c: &mut Criterion) {
    let (plan, laws) = (CASES[0].wald(), CASES[0].laws(41));
    let points = || {
        let mut evaluator = Evaluator::new(black_box(plan.lines()), &laws[0], InstructionSet::best()).unwrap();
        evaluator.points(&laws).unwrap().last().copied()
    };
    group(c, "exact-A-41-anew").bench_function("best", |b| b.iter(points));
}

/// The whole curve: every call, spread and quantiles of sites too.
fn curve(c: &mut Criterion) {
    let plan = CASES[0].wald();
    for count in [41, 1000] {
        let laws = CASES[0].laws(count);
        let means: Vec<f64> = laws.iter().map(Law::mean).collect();
        let laws: Vec<_> = laws.into_iter().map(Laws::one).collect();
        let curve = || curve_of_laws(black_box(plan.lines()), &means, &laws, &Quiet).unwrap();
        group(c, &format!("curve-A-{count}")).bench_function("best", |b| b.iter(curve));
    }
}

/// 10 000 walks at each of 41 means, on one core.
fn simulated(c: &mut Criterion) {
    let (plan, means) = (CASES[0].wald(), CASES[0].means(41));
    let under = plan.asked().dispersion;
    let alone = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let mut group = group(c, "simulated-A-41");
    for set in InstructionSet::all() {
        let walks = Walks::new(10_000, 1).unwrap().with(set);
        let walk = || simulate_lines(black_box(plan.lines()), &Score::Count, &under, &means, &walks, &Quiet).unwrap();
        group.bench_function(set.as_str(), |b| alone.install(|| b.iter(walk)));
    }
}

/// Enough walks to be worth sharing out: a million of independent sites, 10 000 of clustered ones.
fn shared_out(c: &mut Criterion) {
    let (plan, means) = (CASES[0].wald(), CASES[0].means(41));
    let under = plan.asked().dispersion;
    let clustered = Clustered::new(under, Share::new(0.25).unwrap(), Run::Sites(5)).unwrap();
    let works: [(&str, &dyn Source, u64); 2] =
        [("simulated-million", &under, 1_000_000), ("clustered", &clustered, 10_000)];
    for (name, source, many) in works {
        let walks = Walks::new(many, 1).unwrap();
        let walk = || simulate_lines(black_box(plan.lines()), &Score::Count, source, &means, &walks, &Quiet).unwrap();
        let mut group = group(c, name);
        group.sample_size(10);
        for threads in [1, 2] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            group.bench_function(format!("{threads} threads"), |b| pool.install(|| b.iter(walk)));
        }
    }
}

/// The check of k while walking: laws of pairs at each look, the level, its power.
fn check_of_k(c: &mut Criterion) {
    let plan = CASES[0].wald();
    let mut group = group(c, "check-of-k-A");
    group.sample_size(10);
    group.bench_function("best", |b| b.iter(|| CheckOfK::of(black_box(&plan), &Quiet).unwrap().level()));
}

/// Estimate and interval of every stop with a plain mean up to four times the adequate threshold.
fn estimates_of_all(c: &mut Criterion) {
    let plan = CASES[0].wald();
    let up_to = Mean::new(8.0).unwrap();
    let table = |order| {
        let lines = black_box(plan.lines());
        let intervals = (Level::NINE_TENTHS, order);
        estimates(lines, &Score::Count, &plan.asked().dispersion, up_to, intervals, &Quiet).unwrap().len()
    };
    let mut group = group(c, "estimates-A");
    group.sample_size(10);
    group.bench_function("best", |b| b.iter(|| table(Order::PlainMean)));
    group.bench_function("by stage", |b| b.iter(|| table(Order::Stage)));
}

/// A plan beside five fixed numbers of sites: everything that a comparison tells.
fn compared(c: &mut Criterion) {
    let plan = CASES[0].wald();
    let thresholds = plan.asked().thresholds().unwrap();
    let ground = Ground {
        score: Score::Count,
        plants: Plants::ONE,
        under: plan.asked().dispersion,
        thresholds,
        means: means_around(thresholds, false).unwrap().to_vec(),
        clumped: None,
        past: None,
        timings: None,
        visits: 1,
    };
    let mut ways: Vec<Way> = USUAL_SITES.iter().map(|&n| Way::always(n, &ground).unwrap()).collect();
    ways.push(Way::plan("A", &plan));
    group(c, "compare-A").bench_function("best", |b| b.iter(|| compare(black_box(&ground), &ways, &Quiet).unwrap()));
}

/// Walks of 30 sites, each in a field of its own.
fn walks_of(counts: &[u32]) -> Counts {
    let row = |(i, count): (usize, &u32)| format!("f{},{},1,{count}\n", i / 30, i % 30 + 1);
    let table: String = counts.iter().enumerate().map(row).collect();
    Counts::read(format!("field,site,plants,count\n{table}").as_bytes(), &Reading::default()).unwrap()
}

/// 24 walks of 30 sites, each in 100 random orders.
fn replayed(c: &mut Criterion) {
    let plan = CASES[0].wald();
    let counts = walks_of(&counts(24 * 30));
    let how = Replaying { orders: 100, seed: 1, level: Level::new(0.9).unwrap(), timings: None };
    group(c, "replay-24-100")
        .bench_function("best", |b| b.iter(|| replay(&plan, black_box(&counts), &how, &Quiet).unwrap()));
}

/// Exactly over sites of which runs of five are alike, at five means.
fn alike(c: &mut Criterion) {
    let (plan, means) = (CASES[0].wald(), CASES[0].means(5));
    let clustered = Clustered::new(plan.asked().dispersion, Share::new(0.25).unwrap(), Run::Sites(5)).unwrap();
    let mut group = group(c, "clustered-exact-A-5");
    group.sample_size(10);
    let exact = || clustered_lines(black_box(plan.lines()), &Score::Count, &clustered, &means, &Quiet).unwrap();
    group.bench_function("best", |b| b.iter(exact));
}

/// A study of eight cells, as it is written to a shard.
fn studied(c: &mut Criterion) {
    let crossed = Crossed {
        plans: vec![("A".to_owned(), CASES[0].wald())],
        k: vec![None, Some(K::new(0.6).unwrap())],
        shared: [0.0, 0.25].map(|share| Share::new(share).unwrap()).to_vec(),
        run: Run::Sites(5),
        means: CASES[0].means(3),
        real: None,
        walks: 1000,
        repeats: 2,
        seed: 1,
    };
    let grid = Grid::new(crossed).unwrap();
    let study = || {
        let mut bytes = 0;
        let mut sink = |_: usize, text: &str| {
            bytes += line(text).len();
            Ok(())
        };
        run(black_box(&grid), &mut BTreeMap::new(), &mut sink, &Quiet).unwrap();
        bytes
    };
    let mut group = group(c, "study-8");
    group.sample_size(10);
    group.bench_function("best", |b| b.iter(study));
}

/// 24 walks drawn again 1000 times, with a verdict from 99 sets.
fn drawn_again(c: &mut Criterion) {
    let plan = CASES[0].wald();
    let walks = walks_of(&counts(24 * 30));
    let how = Resampling { how: Redraw::Blocks(5), walks: 1000, seed: 1, hold_out: false, sets: 99 };
    let drawn = || resample(&plan, black_box(&walks), &plan.asked().dispersion, &how, &Quiet).unwrap();
    let mut group = group(c, "resample-24-1000");
    group.sample_size(10);
    group.bench_function("best", |b| b.iter(drawn));
}

criterion_group!(
    benches,
    compared,
    replayed,
    alike,
    studied,
    drawn_again,
    k,
    million,
    calibrated,
    optimal,
    kinds,
    exact,
    nodes,
    new,
    curve,
    estimates_of_all,
    check_of_k,
    simulated,
    shared_out
);
criterion_main!(benches);
