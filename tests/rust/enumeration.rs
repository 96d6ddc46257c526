//! Exact evaluation against a list of every vector of counts, for plans of at most six sites.
//!
//! The list asks [`Lines::verdict`] after every site, so that what is evaluated is what is executed.
//! Totals above every line are one total, "many", where no count is negative: only an uppermost stop
//! can take them, whenever that comes. Plans are drawn with a fixed seed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]

use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, RngSeed, TestRunner};
use std::collections::BTreeMap;
use stopline::evaluate::{CurveRow, curve_of_laws, exits};
use stopline::law::{Law, Laws};
use stopline::{Call, K, Lines, Mean, Quiet, Row, Share, Stop, Verdict};

/// Products and sums of a few dozen doubles on one side, compensated sums on the other.
const TOLERANCE: f64 = 1e-13;
/// A total beyond every line.
const MANY: i64 = 1 << 40;
/// Lines stay between these.
const HIGHEST: i64 = 9;

/// Probabilities of one site's counts, from their definition, up to `last`; then that of more.
fn counts(law: &Law, last: i64) -> (Vec<(i64, f64)>, f64) {
    let recur = |p0: f64, ratio: &dyn Fn(f64) -> f64| {
        let mut p = p0;
        let list: Vec<_> = (0..=last)
            .map(|x| {
                let now = p;
                p *= ratio((x + 1) as f64);
                (x, now)
            })
            .collect();
        let more = 1.0 - list.iter().map(|(_, p)| p).sum::<f64>();
        (list, more)
    };
    match law {
        Law::Poisson { mean } => recur((-mean.get()).exp(), &|x| mean.get() / x),
        Law::NegBin { mean, k } => {
            let (m, k) = (mean.get(), k.get());
            recur((-k * (m / k).ln_1p()).exp(), &|x| m / (k + m) * (k + (x - 1.0)) / x)
        }
        Law::Binomial { p, units } => {
            let (p, units) = (p.get(), i32::from(*units));
            let choose = |x: i32| (0..x).fold(1.0, |c, i| c * f64::from(units - i) / f64::from(i + 1));
            (((0..=units).map(|x| (i64::from(x), choose(x) * p.powi(x) * (1.0 - p).powi(units - x)))).collect(), 0.0)
        }
        Law::Table { first, p, .. } => ((*first..).zip(p.iter().copied()).collect(), 0.0),
        other => panic!("no counts of {other:?}"),
    }
}

/// A sum of up to millions of terms that loses nothing (Neumaier 1974).
#[derive(Default)]
struct Sum {
    sum: f64,
    lost: f64,
}

impl Sum {
    fn add(&mut self, x: f64) {
        let sum = self.sum + x;
        self.lost += if self.sum >= x { (self.sum - sum) + x } else { (x - sum) + self.sum };
        self.sum = sum;
    }
}

/// Sites, total and call of a stop, and its probability.
type Listed = BTreeMap<(u32, i64, Call), f64>;

/// P(stop at these sites with this total, and the call), totals beyond every line as [`MANY`].
fn enumerate(lines: &Lines, law: &Law) -> Listed {
    let (list, more) = counts(law, HIGHEST);
    let mut found = BTreeMap::<_, Sum>::new();
    let mut walks = vec![(0_u32, 0_i64, 1.0)];
    while let Some((n, total, p)) = walks.pop() {
        if let Verdict::Stop(call) = lines.verdict(n, total) {
            found.entry((n, total, call)).or_default().add(p);
            continue;
        }
        for &(x, px) in &list {
            let above = total + x > HIGHEST && law.first() >= 0;
            walks.push((n + 1, if above { MANY } else { total + x }, p * px));
        }
        if more > 0.0 {
            walks.push((n + 1, MANY, p * more));
        }
    }
    found.into_iter().map(|(stop, s)| (stop, s.sum + s.lost)).collect()
}

/// Stops of one check: some of inadequate, a band, adequate, in rising order.
fn row(at: u32, kinds: (bool, bool, bool), bounds: [i64; 4], band: Call) -> Row {
    let mut b = bounds;
    b.sort_unstable();
    let mut stops = Vec::new();
    if kinds.0 {
        stops.push(Stop { from: None, to: Some(b[0]), call: Call::Inadequate });
    }
    if kinds.1 && b[0] < b[1] && b[2] < b[3] {
        stops.push(Stop { from: Some(b[1]), to: Some(b[2]), call: band });
    }
    if kinds.2 {
        stops.push(Stop { from: Some(b[3].max(b[0] + 1)), to: None, call: Call::Adequate });
    }
    Row { at, stops }
}

/// A closing check of two or three calls.
fn closing(at: u32, bounds: [i64; 2], middle: Call) -> Row {
    let (a, b) = (bounds[0].min(bounds[1]), bounds[0].max(bounds[1]) + 1);
    Row::two_calls(at, Some(a), Some(b), Some(middle))
}

/// Up to six sites, any of them checked, the last always.
fn plans(lowest: i64) -> impl Strategy<Value = Lines> {
    let bound = lowest..HIGHEST;
    let middle = prop::sample::select(vec![Call::Marginal, Call::Undecided, Call::Enough]);
    let check = (any::<bool>(), any::<(bool, bool, bool)>(), prop::array::uniform4(bound.clone()), middle.clone());
    (1..=6_u32, prop::collection::vec(check, 5), prop::array::uniform2(bound), middle).prop_map(
        |(cap, checks, last, middle)| {
            let rows = (1..cap).zip(checks).filter(|(_, check)| check.0).map(|(at, c)| row(at, c.1, c.2, c.3));
            Lines::new(rows.chain([closing(cap, last, middle)]).collect()).unwrap()
        },
    )
}

fn mean() -> impl Strategy<Value = Mean> {
    (-4.0..3.0).prop_map(|ln: f64| Mean::new(ln.exp()).unwrap())
}

fn unsigned_laws() -> impl Strategy<Value = Law> {
    prop_oneof![
        mean().prop_map(|mean| Law::Poisson { mean }),
        (mean(), -4.0..8.0).prop_map(|(mean, ln): (_, f64)| Law::NegBin { mean, k: K::new(ln.exp()).unwrap() }),
        (0.01..0.99, 1..=4_u16).prop_map(|(p, units)| Law::Binomial { p: Share::new(p).unwrap(), units }),
    ]
}

/// Tables of up to five steps, which may begin below 0 and have gaps.
fn tables() -> impl Strategy<Value = Law> {
    (-2..=1_i64, prop::collection::vec(0..8_u32, 1..=5)).prop_map(|(first, weights)| {
        let sum = f64::from(weights.iter().sum::<u32>() + 1);
        // The weight of 1 that is added keeps the sum above 0.
        let p = weights.iter().enumerate().map(|(i, &w)| f64::from(w + u32::from(i == 0)) / sum).collect();
        Law::table(first, p).unwrap()
    })
}

/// A law of the same family with another mean.
fn companion(law: &Law) -> Law {
    let one = Mean::new(1.0).unwrap();
    match *law {
        Law::Poisson { .. } => Law::Poisson { mean: one },
        Law::NegBin { k, .. } => Law::NegBin { mean: one, k },
        Law::Binomial { units, .. } => Law::Binomial { p: Share::new(0.5).unwrap(), units },
        ref table => table.clone(),
    }
}

/// The law alone, by a recursion of its own, and with a companion, by one from a mean between them.
fn check(lines: &Lines, law: &Law) -> Result<(), TestCaseError> {
    let listed = enumerate(lines, law);
    for laws in [vec![law.clone()], vec![law.clone(), companion(law)]] {
        let means: Vec<f64> = laws.iter().map(Law::mean).collect();
        let laws: Vec<Laws> = laws.into_iter().map(Laws::one).collect();
        let row = curve_of_laws(lines, &means, &laws, &Quiet).unwrap().rows.remove(0);
        check_row(lines, &row, &listed)?;
    }
    check_exits(lines, law, listed)
}

fn close(what: &str, got: f64, want: f64) -> Result<(), TestCaseError> {
    prop_assert!((got - want).abs() <= TOLERANCE * want.max(1.0), "{what}: {got}, listed {want}");
    Ok(())
}

fn check_row(lines: &Lines, row: &CurveRow, listed: &Listed) -> Result<(), TestCaseError> {
    let sum = |keep: &dyn Fn(u32, Call) -> bool| -> f64 {
        listed.iter().filter(|((n, _, call), _)| keep(*n, *call)).map(|(_, p)| p).sum()
    };
    let calls = [row.inadequate, row.marginal, row.adequate, row.enough, row.undecided];
    for (call, got) in Call::ALL.into_iter().zip(calls) {
        close(call.as_str(), got, sum(&|_, c| c == call))?;
    }
    let expected: f64 = listed.iter().map(|((n, ..), p)| f64::from(*n) * p).sum();
    close("expected sites", row.expected_sites, expected)?;
    let variance: f64 = listed.iter().map(|((n, ..), p)| (f64::from(*n) - expected).powi(2) * p).sum();
    close("variance of sites", row.sites_sd.powi(2), variance)?;
    close("at cap", row.at_cap, sum(&|n, _| n == lines.cap()))
}

/// Exits with totals that the list names; it knows all others as one.
fn check_exits(lines: &Lines, law: &Law, listed: Listed) -> Result<(), TestCaseError> {
    let mut rest: BTreeMap<_, f64> = BTreeMap::new();
    for exit in exits(lines, law, 1e-15).unwrap().list {
        match listed.get(&(exit.at, exit.total, exit.call)) {
            Some(&want) => close("exit", exit.p, want)?,
            None => *rest.entry((exit.at, exit.call)).or_default() += exit.p,
        }
    }
    for ((at, total, call), want) in listed {
        if total == MANY {
            close("exits above", rest.remove(&(at, call)).unwrap_or(0.0), want)?;
        }
    }
    prop_assert!(rest.values().all(|&p| p < TOLERANCE), "{rest:?} not listed");
    Ok(())
}

fn run(cases: u32, strategy: impl Strategy<Value = (Lines, Law)>) {
    let config = Config {
        cases,
        failure_persistence: None,
        rng_algorithm: RngAlgorithm::ChaCha,
        rng_seed: RngSeed::Fixed(20_240_607),
        ..Config::default()
    };
    TestRunner::new(config).run(&strategy, |(lines, law)| check(&lines, &law)).unwrap_or_else(|e| panic!("{e}"));
}

#[test]
fn plans_on_counts_equal_enumeration() {
    run(1000, (plans(0), unsigned_laws()));
}

#[test]
fn plans_on_signed_totals_equal_enumeration() {
    run(1000, (plans(-6), tables()));
}

#[test]
fn named_shapes_equal_enumeration() {
    let upper_only = [
        Row::two_calls(1, None, Some(4), None),
        Row::two_calls(2, None, Some(4), None),
        Row::two_calls(5, Some(3), Some(4), None),
    ];
    let lower_only = [
        Row::two_calls(2, Some(0), None, None),
        Row::two_calls(4, Some(3), None, None),
        Row::two_calls(6, Some(6), Some(7), None),
    ];
    let two_calls = [
        Row::two_calls(1, None, Some(5), None),
        Row::two_calls(2, Some(0), Some(6), None),
        Row::two_calls(3, Some(1), Some(7), None),
        Row::two_calls(4, Some(2), Some(7), None),
        Row::two_calls(6, Some(6), Some(7), None),
    ];
    let three_calls = [
        Row {
            at: 3,
            stops: vec![
                Stop { from: None, to: Some(0), call: Call::Inadequate },
                Stop { from: Some(4), to: Some(4), call: Call::Marginal },
                Stop { from: Some(8), to: None, call: Call::Adequate },
            ],
        },
        Row::two_calls(6, Some(2), Some(6), Some(Call::Marginal)),
    ];
    let list_of_checks = [Row::two_calls(2, Some(0), None, None), Row::two_calls(6, Some(5), Some(6), None)];
    let mean = |m| Mean::new(m).unwrap();
    for rows in [&upper_only[..], &lower_only, &two_calls, &three_calls, &list_of_checks] {
        let lines = Lines::new(rows.to_vec()).unwrap();
        for law in [
            Law::NegBin { mean: mean(1.5), k: K::new(2.0).unwrap() },
            Law::NegBin { mean: mean(0.4), k: K::new(0.1).unwrap() },
            Law::Poisson { mean: mean(1.0) },
            Law::Binomial { p: Share::new(0.3).unwrap(), units: 3 },
        ] {
            check(&lines, &law).unwrap();
        }
    }
}
