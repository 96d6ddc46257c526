//! Plans of every kind against a list of every walk: calls, sites, stated chances; and through their files.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]

mod small_plans;

use small_plans::plans;
use std::collections::HashMap;
use stopline::evaluate::evaluate;
use stopline::law::{Law, Pool};
use stopline::plan::{Aim, Plan};
use stopline::simulate::simulate;
use stopline::{Call, Dispersion, Lines, Mean, Quiet, Score, Verdict};

/// Sums of some thousands of terms.
const TOLERANCE: f64 = 1e-11;

/// Probabilities of one site's step from their definitions, and those of two kinds of laws in other words: a table
/// of what was counted, all that is larger at its end.
fn steps(law: &Law, largest: i64) -> Vec<f64> {
    let recur = |p0: f64, ratio: &dyn Fn(f64) -> f64| {
        let mut p = p0;
        let mut list: Vec<f64> = (0..largest)
            .map(|x| {
                let now = p;
                p *= ratio((x + 1) as f64);
                now
            })
            .collect();
        list.push(1.0 - list.iter().sum::<f64>());
        list
    };
    match law {
        Law::Poisson { mean } => recur((-mean.get()).exp(), &|x| mean.get() / x),
        Law::NegBin { mean, k } => {
            let (m, k) = (mean.get(), k.get());
            recur((k / (k + m)).powf(k), &|x| m / (k + m) * (k + x - 1.0) / x)
        }
        Law::Binomial { p, units } => {
            let (p, units) = (p.get(), i32::from(*units));
            let choose = |x: i32| (0..x).fold(1.0, |c, i| c * f64::from(units - i) / f64::from(i + 1));
            (0..=units).map(|x| choose(x) * p.powi(x) * (1.0 - p).powi(units - x)).collect()
        }
        Law::Table { p, .. } => p.to_vec(),
        other => panic!("no steps of {other:?}"),
    }
}

/// P(call), in the order of `Call::ALL`, and expected sites, walk after walk; walks with the same total after the
/// same sites go on together. Totals beyond every line are one: there walks stop as at the first of them.
fn walked(lines: &Lines, law: &Law, most: i64) -> ([f64; Call::ALL.len()], f64) {
    let bounds = lines.rows().iter().flat_map(|r| &r.stops).flat_map(|s| [s.from, s.to]).flatten();
    let beyond = bounds.max().unwrap_or(0) + 1;
    let step = steps(law, beyond.min(most));
    let (mut calls, mut sites) = ([0.0; Call::ALL.len()], 0.0);
    let mut open = HashMap::from([(0_i64, 1.0)]);
    for n in 1..=lines.cap() {
        let mut next = HashMap::<i64, f64>::new();
        for (total, p) in &open {
            for (x, px) in (0..).zip(&step) {
                *next.entry((total + x).min(beyond)).or_default() += p * px;
            }
        }
        sites += open.values().sum::<f64>();
        open.clear();
        for (total, p) in next {
            match lines.verdict(n, total) {
                Verdict::Stop(call) => calls[Call::ALL.iter().position(|c| *c == call).unwrap()] += p,
                Verdict::KeepSampling => *open.entry(total).or_default() += p,
            }
        }
    }
    assert!(open.is_empty());
    (calls, sites)
}

/// Calls and sites of a plan at a mean, under each law with its weight.
fn under_laws(plan: &Plan, mean: Mean) -> (Pool, Vec<(f64, [f64; Call::ALL.len()], f64)>) {
    let design = plan.asked();
    // Of a site that is counted to a most, all that is larger is that.
    let (score, most) = match design.score {
        Score::Capped { counted_to, .. } => (Score::Count, i64::from(counted_to)),
        ref other => (other.clone(), i64::MAX),
    };
    let laws = design.dispersion.laws(&score, mean).unwrap();
    let found = laws.nodes.iter().map(|(w, law)| {
        let (calls, sites) = walked(plan.lines(), law, most);
        (*w, calls, sites)
    });
    (laws.pool, found.collect())
}

#[test]
fn every_kind_equals_a_list_of_its_walks() {
    for plan in plans() {
        let design = plan.asked();
        let means: Vec<Mean> = if design.dispersion.of_shares() { vec![0.2, 0.5] } else { vec![0.8, 3.0] }
            .into_iter()
            .map(|m| Mean::new(m).unwrap())
            .collect();
        let rows = evaluate(&plan, &design.dispersion, &means, &Quiet).unwrap().curve.rows;
        for (mean, row) in means.iter().zip(rows) {
            let (pool, found) = under_laws(&plan, *mean);
            // Of an interval of k the curve is that of its best single value.
            let found = if pool == Pool::Worst { vec![(1.0, found[0].1, found[0].2)] } else { found };
            for (i, call) in Call::ALL.into_iter().enumerate() {
                let p: f64 = found.iter().map(|(w, calls, _)| w * calls[i]).sum();
                assert!((row.p(call) - p).abs() < TOLERANCE, "{plan:?} {mean:?} {call:?}: {} {p}", row.p(call));
            }
            let sites: f64 = found.iter().map(|(w, _, sites)| w * sites).sum();
            assert!((row.expected_sites - sites).abs() < TOLERANCE * sites, "{plan:?} {mean:?}: {row:?} {sites}");
        }
    }
}

/// 20 000 walks at each mean: each call and the sites within z standard errors of the exact ones, z being such that one
/// of so many normal numbers lies beyond once in a thousand runs.
#[test]
fn every_kind_simulated_agrees_with_its_curve() {
    let (mut off, walks) = (Vec::new(), 20_000);
    for plan in plans() {
        let under = plan.asked().dispersion;
        let means = if under.of_shares() { [0.2, 0.5] } else { [0.8, 3.0] }.map(|m| Mean::new(m).unwrap());
        let exact = evaluate(&plan, &under, &means, &Quiet).unwrap().curve.rows;
        let found = simulate(&plan, &under, &means, walks, 5, &Quiet).unwrap().rows;
        for (exact, found) in exact.iter().zip(&found) {
            let place = format!("{:?} {} at {}", plan.asked().score, plan.method().as_str(), exact.mean);
            for call in Call::ALL {
                // Where less than one walk is expected the normal law is no guide: then one walk more is allowed.
                let se = (exact.p(call) * (1.0 - exact.p(call)) / walks as f64).max(0.0).sqrt() + 1.0 / walks as f64;
                off.push(((found.p(call).value - exact.p(call)) / se, format!("{place}, {call:?}")));
            }
            let se = (exact.sites_sd / (walks as f64).sqrt()).max(1e-9);
            off.push(((found.expected_sites.value - exact.expected_sites) / se, format!("{place}, sites")));
        }
    }
    let z = (2.0 * (off.len() as f64 / 1e-3).ln()).sqrt();
    assert!(off.len() > 100, "{}", off.len());
    off.iter().for_each(|(x, place)| assert!(x.abs() <= z, "{place}: {x} standard errors, allowed {z}"));
}

/// The chances that a plan states are those of its walks; and its method's promise holds.
#[test]
fn every_kind_states_its_true_chances() {
    for plan in plans() {
        let design = plan.asked();
        let mut wrong: HashMap<usize, (f64, f64)> = HashMap::new();
        let asked = match &design.aim {
            Aim::TwoCalls { risks: Some(r), .. } => {
                vec![(0, r.false_adequate().get()), (1, r.false_inadequate().get())]
            }
            Aim::ThreeCalls { lower, upper } => {
                let (low, high) = (lower.risks, upper.risks);
                let (a, b) = (low.false_adequate().get(), low.false_inadequate().get());
                let (c, d) = (high.false_adequate().get(), high.false_inadequate().get());
                vec![(0, a), (0, a), (1, b), (2, c), (3, d), (3, d)]
            }
            _ => Vec::new(),
        };
        for (i, stated) in plan.attained().iter().enumerate() {
            let (pool, found) = under_laws(&plan, stated.mean);
            let call = Call::ALL.iter().position(|c| *c == stated.call).unwrap();
            let p = match pool {
                Pool::Average => found.iter().map(|(w, calls, _)| w * calls[call]).sum(),
                Pool::Worst => found.iter().map(|(_, calls, _)| calls[call]).fold(0.0, f64::max),
            };
            // Over an interval of k more values are looked at than those of the laws.
            let close = if pool == Pool::Worst {
                (-1e-4..TOLERANCE).contains(&(p - stated.p))
            } else {
                (p - stated.p).abs() < TOLERANCE
            };
            assert!(close, "{plan:?}: {stated:?} {p}");
            if let Some((risk, asked)) = asked.get(i) {
                let sum = wrong.entry(*risk).or_insert((0.0, *asked));
                sum.0 += stated.p;
            }
        }
        if !matches!(plan.method().as_str(), "wald" | "given") {
            assert!(wrong.values().all(|(p, asked)| *p <= asked * (1.0 + 1e-12)), "{plan:?}");
        }
    }
}

/// A plan's file gives the same plan, and none passes for a plan of another method or dispersion.
#[test]
fn every_kind_goes_through_its_file() {
    for plan in plans() {
        let text = plan.to_json().unwrap();
        let read = Plan::from_json(&text).unwrap();
        assert_eq!((&read, read.lines(), read.attained()), (&plan, plan.lines(), plan.attained()));
        assert_eq!(read.straight(), plan.straight());
        assert_eq!(read.to_json().unwrap(), text);
        read.verify(&Quiet).unwrap();
        assert!(stopline::card(&plan).lines().all(|line| line.chars().count() <= 90));
        let edited = text.replace(&format!("\"method\": \"{}\"", plan.method().as_str()), "\"method\": \"given\"");
        assert!(edited == text || Plan::from_json(&edited).is_err());
    }
    // Every kind is among them.
    let methods: std::collections::BTreeSet<_> = plans().iter().map(|plan| plan.method().as_str()).collect();
    assert_eq!(methods.len(), stopline::plan::Method::ALL.len(), "{methods:?}");
    let aims: std::collections::BTreeSet<_> = plans().iter().map(|plan| plan.asked().aim.as_str()).collect();
    assert_eq!(aims.len(), 4);
    let models: std::collections::BTreeSet<_> = plans().iter().map(|plan| plan.asked().dispersion.name()).collect();
    assert_eq!(models.len(), 7, "{models:?}");
    assert!(plans().iter().any(|plan| matches!(plan.asked().dispersion, Dispersion::Proportion { .. })));
}
