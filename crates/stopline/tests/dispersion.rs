//! Fits of k against published values, 60-digit fits of open data, and an independent likelihood.
//!
//! `tests/data/nb_fits.json` holds the tables with their sources and licences and fits to 50 digits;
//! `tests/vectors/conditional_k.json` is made by `tests/scripts/dispersion_vectors.py` from log-gammas.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)] // a test

use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Gamma, Poisson};
use serde_json::Value;
use std::collections::BTreeSet;
use stopline::dispersion::{
    Bound, Clumping, CommonK, Estimate, Frequencies, Got, Interval, WalkCounts, Why, common_k, fit,
};
use stopline::{Code, Dispersion, Level, Quiet};

/// k itself: some tens of roundings of the sums it is the root of (reached: 4e-14).
const K: f64 = 1e-13;
/// An end of an interval: the same of ln L, whose fall of 2 is small beside it (reached: 5e-13).
const END: f64 = 1e-12;
/// A value printed with six significant digits.
const PRINTED: f64 = 1e-6;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/");

fn json(file: &str) -> Value {
    serde_json::from_str(&std::fs::read_to_string(format!("{FOLDER}{file}")).unwrap()).unwrap()
}

fn list<'a>(of: &'a Value, name: &str) -> &'a [Value] {
    let list = of[name].as_array().unwrap_or_else(|| panic!("a list {name}"));
    assert!(!list.is_empty(), "{name} is empty");
    list
}

fn table(pairs: &Value) -> Frequencies {
    let pairs = pairs.as_array().unwrap().iter();
    Frequencies::from_table(pairs.map(|pair| (pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap()))).unwrap()
}

fn tables(case: &Value) -> Vec<Frequencies> {
    list(case, "tables").iter().map(table).collect()
}

fn level() -> Level {
    Level::new(0.95).unwrap()
}

/// A number, a number as text, or a word.
fn number(value: &Value) -> Option<f64> {
    match value {
        Value::String(text) if text == "inf" => Some(f64::INFINITY),
        Value::String(text) if text == "zero" => None,
        Value::String(text) => Some(text.parse().unwrap()),
        Value::Null => None,
        value => Some(value.as_f64().unwrap()),
    }
}

/// `None` for undefined, infinity for Poisson.
fn plain(k: Clumping) -> Option<f64> {
    match k {
        Clumping::Estimated(k) => Some(k),
        Clumping::Poisson => Some(f64::INFINITY),
        Clumping::Undefined(_) => None,
    }
}

fn high(interval: Interval) -> f64 {
    match interval.high {
        Bound::At(k) => k,
        Bound::Unbounded => f64::INFINITY,
    }
}

fn near(got: Option<f64>, want: Option<f64>, tolerance: f64, name: &str) {
    match (got, want) {
        (Some(got), Some(want)) if got == want => (),
        (Some(got), Some(want)) => assert!((got / want - 1.0).abs() <= tolerance, "{name}: {got} not {want}"),
        (got, want) => assert_eq!(got, want, "{name}"),
    }
}

/// An estimate against k, low and high as values.
fn agrees(got: &Estimate, want: [&Value; 3], name: &str) {
    near(plain(got.k), number(want[0]), K, name);
    near(got.interval.map(|interval| interval.low), number(want[1]), END, &format!("{name}, low"));
    near(got.interval.map(high), number(want[2]), END, &format!("{name}, high"));
}

/// 33 samples and 27 tables that break fits: plain ML, its profile interval, Cox–Reid and moments, all from
/// 60-digit arithmetic. Among them vegan_mite/TVEL, where k is .273896.
#[test]
fn single_samples_against_60_digits() {
    let data = json("data/nb_fits.json");
    let mut seen = 0;
    for case in list(&data, "samples").iter().chain(list(&data, "edge_cases")) {
        let (name, walk) = (case["name"].as_str().unwrap(), table(&case["table"]));
        assert_eq!(Value::from(walk.sites()), case["n"], "{name}");
        assert_eq!(Value::from(u64::try_from(walk.sum()).unwrap()), case["sum"], "{name}");
        assert_eq!(Value::from(walk.sum_of_squares().to_string()), case["sumsq"], "{name}");
        let ml = walk.likelihood_estimate(level()).unwrap();
        assert_eq!(ml.k, walk.k_by_likelihood().unwrap(), "{name}");
        let profile = &case["k_profile95"];
        agrees(&ml, [&case["k_ml"], &profile[0], &profile[1]], name);
        if let Some(k) = case.get("k_cox_reid") {
            let cox_reid = walk.adjusted_estimate(level()).unwrap();
            near(plain(cox_reid.k), number(k), K, &format!("{name}, Cox–Reid"));
        }
        if let Some(k) = case.get("k_moment") {
            near(plain(walk.k_by_moments()), number(k), K, &format!("{name}, moments"));
        }
        seen += 1;
    }
    assert_eq!(seen, 33 + 27);
}

/// 15 sets of groups: plain ML with a mean a group, its profile interval, Cox–Reid.
#[test]
fn groups_against_60_digits() {
    let data = json("data/nb_fits.json");
    let mut seen = 0;
    for case in list(&data, "groups") {
        let (name, walks) = (case["name"].as_str().unwrap(), tables(case));
        let common = common_k(&walks, level()).unwrap();
        let profile = &case["k_profile95"];
        agrees(&common.ml, [&case["k_ml"], &profile[0], &profile[1]], name);
        near(plain(common.cox_reid.k), number(&case["k_cox_reid"]), K, &format!("{name}, Cox–Reid"));
        // There walks of a single site count as used.
        assert_eq!(Value::from(common.walks_used + common.walks_of_one_site), case["groups_used"], "{name}");
        assert_eq!(Value::from(common.walks_without_any), case["groups_mean_zero"], "{name}");
        seen += 1;
    }
    assert_eq!(seen, 15);
}

/// Every table again, and invented ones of every kind, against likelihoods written out with log-gammas:
/// Dirichlet–multinomial (Robinson & Smyth 2008) and Cox–Reid, with intervals.
#[test]
fn conditional_and_adjusted_against_log_gammas() {
    let (data, vectors) = (json("data/nb_fits.json"), json("vectors/conditional_k.json"));
    let mut cases: Vec<(&str, Vec<Frequencies>)> = Vec::new();
    for part in ["samples", "edge_cases"] {
        cases.extend(list(&data, part).iter().map(|c| (c["name"].as_str().unwrap(), vec![table(&c["table"])])));
    }
    for part in ["groups", "published", "made"] {
        cases.extend(list(&data, part).iter().map(|c| (c["name"].as_str().unwrap(), tables(c))));
    }
    let rows = list(&vectors, "rows");
    assert_eq!(rows.len(), cases.len());
    for (row, (name, walks)) in rows.iter().zip(&cases) {
        assert_eq!(row[0], *name);
        let common = common_k(walks, level()).unwrap();
        agrees(&common.conditional, [&row[1], &row[2], &row[3]], &format!("{name}, conditional"));
        let why = common.conditional.k.why();
        assert_eq!(row[1] == "zero", why == Some(Why::AllAtOneSite), "{name}: {why:?}");
        // A single site has a likelihood, but as a result it is named.
        let cox_reid = if let [walk] = &walks[..] { walk.adjusted_estimate(level()).unwrap() } else { common.cox_reid };
        agrees(&cox_reid, [&row[4], &row[5], &row[6]], &format!("{name}, Cox–Reid"));
        if row.as_array().unwrap().len() > 7 {
            agrees(&common.ml, [&row[7], &row[8], &row[9]], &format!("{name}, plain"));
        }
    }
}

fn from_frequencies(frequencies: &[u64]) -> Frequencies {
    Frequencies::from_table((0..).zip(frequencies.iter().copied())).unwrap()
}

fn estimated(k: Clumping) -> f64 {
    k.k().expect("a finite k")
}

/// European red mites on 150 apple leaves, counts 0 to 7: Bliss & Fisher 1953, Biometrics 9:176–200,
/// printed k 1.02459; the interval by 60-digit arithmetic, k by moments from the printed s².
#[test]
fn mites_of_bliss_and_fisher() {
    let leaves = from_frequencies(&[70, 38, 17, 10, 9, 3, 2, 1]);
    near(leaves.mean(), Some(1.146667), PRINTED, "m");
    near(leaves.variance(), Some(2.273646), PRINTED, "s²");
    let ml = leaves.likelihood_estimate(level()).unwrap();
    near(plain(ml.k), Some(1.024592), PRINTED, "k");
    near(Some(estimated(leaves.k_by_moments())), Some(1.16670), 1e-5, "k by moments, six digits printed");
    let interval = ml.interval.unwrap();
    near(Some(interval.low), Some(0.62542), 1e-5, "low, five digits printed");
    near(Some(high(interval)), Some(1.83624), PRINTED * 5.0, "high, six digits printed");
}

/// Corn borers, four treatments of 120 hills: Beall 1940, Ecology 21:460–474, as in Bliss & Fisher 1953,
/// table 3. Their printed k (1.532, 1.764, 1.333, 1.190) are hand interpolations; these are the roots of the
/// score (R's MASS agrees). The common k is printed as 1.47.
#[test]
fn corn_borers_of_beall() {
    let treatments: [&[u64]; 4] = [
        &[19, 12, 18, 18, 11, 12, 7, 8, 4, 4, 1, 0, 1, 1, 0, 1, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0, 1],
        &[24, 16, 16, 18, 15, 9, 6, 5, 3, 4, 3, 0, 1],
        &[43, 35, 17, 11, 5, 4, 1, 2, 2],
        &[47, 23, 27, 9, 7, 3, 1, 1, 0, 0, 1, 1],
    ];
    let walks = treatments.map(from_frequencies);
    let expected = [(4.0333, 1.50289), (3.1667, 1.76049), (1.4833, 1.33313), (1.5083, 1.15352)];
    for (walk, (mean, k)) in walks.iter().zip(expected) {
        assert_eq!(walk.sites(), 120);
        near(walk.mean(), Some(mean), 3e-5, "mean, five digits printed");
        near(plain(walk.k_by_likelihood().unwrap()), Some(k), 5e-6, "k, six digits printed");
    }
    let common = common_k(&walks, level()).unwrap();
    near(plain(common.ml.k), Some(1.47145), 5e-6, "common k, six digits printed");
    assert_eq!((common.walks_used, common.walks_without_any, common.walks_of_one_site), (4, 0, 0));
}

/// Yeast cells of Student 1907, Biometrika 5:351–360 (data as in the help of R's MASS): k by ML 3.58609.
#[test]
fn yeast_of_student() {
    let squares = from_frequencies(&[213, 128, 37, 18, 3, 1]);
    near(plain(squares.k_by_likelihood().unwrap()), Some(3.58609), 5e-6, "k, six digits printed");
    // MASS's theta.mm divides by the variance with n; ours is m²/(s² − m) with n − 1.
    near(plain(squares.k_by_moments()), Some(3.54959), 0.02, "k by moments");
}

fn named(counts: &[u32]) -> (Clumping, Clumping) {
    let fit = fit(&[WalkCounts { field: "", visit: "", counts, missing: 0 }], level(), &Quiet).unwrap();
    assert_eq!(fit.fields[0].ml.interval.is_none(), fit.fields[0].ml.k.why().is_some());
    (fit.fields[0].ml.k, fit.common.conditional.k)
}

#[test]
fn what_counts_cannot_tell_is_named() {
    let undefined = |why| Clumping::Undefined(why);
    assert_eq!(named(&[]), (undefined(Why::NoSites), undefined(Why::NoSites)));
    assert_eq!(named(&[0, 0, 0]), (undefined(Why::AllZero), undefined(Why::AllZero)));
    assert_eq!(named(&[0]), (undefined(Why::AllZero), undefined(Why::AllZero)));
    assert_eq!(named(&[7]), (undefined(Why::OneSite), undefined(Why::OneSite)));
    assert_eq!(named(&[3, 3, 3]), (Clumping::Poisson, Clumping::Poisson));
    assert_eq!(named(&[0, 1, 0, 0]), (Clumping::Poisson, undefined(Why::AtMostOne)));
    assert_eq!(named(&[0, 9, 0, 0]).1, undefined(Why::AllAtOneSite));
}

/// One walk that tells nothing, or a huge outlier, never breaks the rest.
#[test]
fn a_fit_of_every_kind_of_walk() {
    let walk = |field, counts| WalkCounts { field, visit: "1", counts, missing: 2 };
    let walks = [
        walk("empty", &[]),
        walk("zeros", &[0, 0, 0, 0]),
        walk("single", &[6]),
        walk("equal", &[2, 2, 2, 2]),
        walk("outlier", &[0, 1, 0, u32::MAX, 2]),
        walk("usual", &[0, 1, 4, 0, 2, 1, 7]),
    ];
    let fit = fit(&walks, level(), &Quiet).unwrap();
    let kinds: Vec<_> = fit.fields.iter().map(|field| field.ml.k.name()).collect();
    assert_eq!(kinds, ["undefined", "undefined", "undefined", "poisson", "estimated", "estimated"]);
    assert_eq!(fit.most_clumped().unwrap().field, "outlier");
    let common = &fit.common;
    assert_eq!((common.walks_used, common.walks_without_any, common.walks_of_one_site), (3, 2, 1));
    let usual = Frequencies::of(walks[5].counts).unwrap();
    assert_eq!(fit.fields[5].cox_reid, usual.adjusted_estimate(level()).unwrap());

    let json = serde_json::to_value(&fit).unwrap();
    let keys = |of: &Value| of.as_object().unwrap().keys().cloned().collect::<BTreeSet<_>>();
    // The keys that programs rely on.
    for key in [
        "field",
        "visit",
        "sites",
        "missing",
        "mean",
        "variance",
        "k",
        "k_is",
        "why",
        "k_low",
        "k_high",
        "k_high_is",
        "k_cox_reid",
        "k_cox_reid_is",
        "k_cox_reid_low",
        "k_cox_reid_high",
        "k_cox_reid_high_is",
        "level",
    ] {
        assert!(json["fields"].as_array().unwrap().iter().all(|field| keys(field).contains(key)), "{key}");
    }
    for key in ["k_cox_reid", "k_conditional", "k_ml", "k_low", "k_high", "level"] {
        assert!(keys(&json["common"]).contains(key), "{key}");
    }
    // A null has words beside it.
    for part in json["fields"].as_array().unwrap().iter().chain([&json["common"]]) {
        for (key, value) in part.as_object().unwrap().iter().filter(|(key, value)| value.is_null() && *key != "why") {
            let words = part[format!("{key}_is")].as_str().unwrap_or_else(|| panic!("{key}: {value} in {part}"));
            assert!(["undefined", "poisson", "unbounded"].contains(&words), "{key}: {words}");
        }
    }
    assert_eq!(json["fields"][2]["why"], "a single site does not show how sites vary");
    assert_eq!(json["fields"][3]["k_is"], "poisson");
    assert_eq!(json["fields"][3]["k_high_is"], "unbounded");
    assert_eq!(json["fields"][5]["k"].as_f64(), usual.k_by_likelihood().unwrap().k());
    assert_eq!(json["fields"][0]["mean_is"], "undefined");
    assert_eq!(json["common"]["level"], 0.95);
}

#[test]
fn the_model_for_a_plan() {
    let of = |walks: &[&[u32]]| {
        let walks: Vec<_> =
            walks.iter().map(|counts| WalkCounts { field: "", visit: "", counts, missing: 0 }).collect();
        fit(&walks, level(), &Quiet).unwrap()
    };
    let fitted = of(&[&[0, 1, 4, 0, 2, 1, 7], &[5, 0, 3, 12, 4, 1]]);
    let plan = fitted.for_plan().unwrap();
    let (k, low) = (estimated(fitted.common.conditional.k), fitted.common.conditional.interval.unwrap().low);
    let constant = |k| Dispersion::ConstantK { k: stopline::K::new(k).unwrap() };
    assert_eq!((plan.dispersion, plan.lower, plan.got), (constant(k), Some(constant(low)), Got::Conditional));

    assert_eq!(of(&[&[2, 2, 2, 2]]).for_plan().unwrap().dispersion, Dispersion::Poisson);
    let at_one_site = of(&[&[0, 0, 8, 0], &[3, 0, 0]]);
    assert_eq!(at_one_site.for_plan().unwrap().got, Got::CoxReid);
    assert_eq!(at_one_site.for_plan().unwrap().dispersion, constant(estimated(at_one_site.common.cox_reid.k)));

    for nothing in [&[&[0_u32, 0][..]][..], &[], &[&[4], &[9]], &[&[0, 1, 0], &[1, 0]]] {
        let e = of(nothing).for_plan().unwrap_err();
        assert_eq!(e.code(), Code::DispersionUndefined, "{nothing:?}");
    }
    let e = of(&[&[0, 0]]).for_plan().unwrap_err();
    assert_eq!(
        e.to_string(),
        "clumping is undefined (every count is 0); allowed: counts with a walk of at least two sites where at least two were found"
    );
}

/// Negative-binomial counts as gamma mixtures of Poisson counts.
fn draw(rng: &mut ChaCha8Rng, mean: f64, k: f64) -> u32 {
    let rate: f64 = Gamma::new(k, mean / k).unwrap().sample(rng);
    if rate > 0.0 { Poisson::new(rate).unwrap().sample(rng) as u32 } else { 0 }
}

/// 96 walks of four sites, true k 3: the median k by conditional likelihood is near 3; by plain likelihood
/// it is near 5 (mean 5) or 16 (mean 1.5), since a mean is fitted to every four counts (the bias that Robinson
/// & Smyth 2008 remove). Seeded.
#[test]
fn many_short_walks_give_the_true_k() {
    for (mean, seed, far_above) in [(1.5, 20_080_321, 10.0..25.0), (5.0, 20_080_322, 4.5..5.5)] {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (mut conditional, mut cox_reid, mut ml) = (Vec::new(), Vec::new(), Vec::new());
        let mut covered = 0;
        for _ in 0..400 {
            let walks = [(); 96].map(|()| Frequencies::of(&[(); 4].map(|()| draw(&mut rng, mean, 3.0))).unwrap());
            let common = common_k(&walks, level()).unwrap();
            conditional.push(plain(common.conditional.k).unwrap());
            cox_reid.push(plain(common.cox_reid.k).unwrap());
            ml.push(plain(common.ml.k).unwrap());
            let interval = common.conditional.interval.unwrap();
            covered += u32::from(interval.low <= 3.0 && 3.0 <= high(interval));
        }
        let median = |values: &mut [f64]| *values.select_nth_unstable_by(200, f64::total_cmp).1;
        let (conditional, cox_reid, ml) = (median(&mut conditional), median(&mut cox_reid), median(&mut ml));
        // Standard error of the median: 1.3 % at mean 1.5, less at 5.
        assert!((conditional / 3.0 - 1.0).abs() < 0.05, "mean {mean}: {conditional}");
        assert!((cox_reid / 3.0 - 1.0).abs() < 0.1, "mean {mean}: {cox_reid}");
        assert!(far_above.contains(&ml), "mean {mean}: {ml}");
        // 95 % of 400 is 380, with standard deviation 4.4: within 3.5 of them.
        assert!((365..=395).contains(&covered), "mean {mean}: {covered}");
        println!("mean {mean}: medians {conditional:.3} {cox_reid:.3} {ml:.3}, covered {covered} of 400");
    }
}

fn counts() -> impl Strategy<Value = Vec<u32>> {
    let small = prop::collection::vec(0..12_u32, 0..40);
    let wild = prop::collection::vec(prop_oneof![Just(0), 0..5_u32, 0..1000_u32, any::<u32>()], 0..12);
    prop_oneof![3 => small, 2 => wild]
}

fn tallied(walks: &[Vec<u32>]) -> Vec<Frequencies> {
    walks.iter().map(|counts| Frequencies::of(counts).unwrap()).collect()
}

/// Finite and in order: low ≤ k ≤ high.
fn sound(estimate: &Estimate) {
    let Some(interval) = estimate.interval else {
        assert!(estimate.k.why().is_some());
        return;
    };
    let k = plain(estimate.k).unwrap();
    assert!(k > 0.0 && interval.low > 0.0 && interval.low < k && k <= high(interval), "{estimate:?}");
    assert!(interval.low.is_finite() && !k.is_nan(), "{estimate:?}");
}

fn each(common: &CommonK) -> [&Estimate; 3] {
    [&common.conditional, &common.cox_reid, &common.ml]
}

fn same(a: &Estimate, b: &Estimate, tolerance: f64) {
    near(plain(a.k), plain(b.k), tolerance, "k");
    near(a.interval.map(|i| i.low), b.interval.map(|i| i.low), tolerance, "low");
    near(a.interval.map(high), b.interval.map(high), tolerance, "high");
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 500,
        rng_seed: proptest::test_runner::RngSeed::Fixed(7),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// A k is infinite exactly where whole numbers say so, and everything is finite and in order.
    #[test]
    fn infinite_exactly_at_the_boundary(counts in counts()) {
        let walk = Frequencies::of(&counts).unwrap();
        let (n, sum) = (i128::from(walk.sites()), walk.sum().cast_signed());
        let spread = n * walk.sum_of_squares().cast_signed() - sum * sum;
        let (ml, cox_reid) = (walk.likelihood_estimate(level()).unwrap(), walk.adjusted_estimate(level()).unwrap());
        if sum > 0 {
            prop_assert_eq!(ml.k == Clumping::Poisson, spread <= n * sum);
            prop_assert_eq!(cox_reid.k == Clumping::Poisson, spread <= (n - 1) * sum);
            prop_assert_eq!(walk.k_by_moments() == Clumping::Poisson, n > 1 && spread <= (n - 1) * sum);
        }
        sound(&ml);
        sound(&cox_reid);
    }

    /// The order of walks and of their sites changes no bit; walks that tell nothing neither.
    #[test]
    fn order_and_silent_walks_are_irrelevant(mut walks in prop::collection::vec(counts(), 1..6)) {
        let before = common_k(&tallied(&walks), level()).unwrap();
        each(&before).into_iter().for_each(sound);
        walks.reverse();
        walks.iter_mut().for_each(|counts| counts.reverse());
        prop_assert_eq!(common_k(&tallied(&walks), level()).unwrap(), before);
        walks.insert(0, vec![0, 0, 0]);
        let more = common_k(&tallied(&walks), level()).unwrap();
        prop_assert_eq!(more.walks_without_any, before.walks_without_any + 1);
        if before.walks_used > 0 {
            prop_assert_eq!((more.conditional, more.cox_reid, more.ml), (before.conditional, before.cox_reid, before.ml));
            walks.push(vec![3]);
            let more = common_k(&tallied(&walks), level()).unwrap();
            prop_assert_eq!((more.conditional, more.walks_of_one_site), (before.conditional, before.walks_of_one_site + 1));
        }
    }

    /// One walk alone: the common plain and adjusted k are its own.
    #[test]
    fn common_to_one_walk_is_its_own(counts in counts()) {
        let walk = Frequencies::of(&counts).unwrap();
        let common = common_k(std::slice::from_ref(&walk), level()).unwrap();
        if walk.sites() != 1 {
            same(&common.ml, &walk.likelihood_estimate(level()).unwrap(), 1e-9);
            same(&common.cox_reid, &walk.adjusted_estimate(level()).unwrap(), 0.0);
        }
    }

    /// Twice the same walks: the same k, a narrower interval, which a higher level widens.
    #[test]
    fn twice_the_walks_narrow_the_interval(walks in prop::collection::vec(prop::collection::vec(0..30_u32, 2..20), 1..5)) {
        let once = common_k(&tallied(&walks), level()).unwrap();
        let twice = common_k(&tallied(&[walks.clone(), walks.clone()].concat()), level()).unwrap();
        let wider = common_k(&tallied(&walks), Level::new(0.99).unwrap()).unwrap();
        for ((once, twice), wider) in each(&once).into_iter().zip(each(&twice)).zip(each(&wider)) {
            near(plain(twice.k), plain(once.k), 1e-9, "k");
            prop_assert_eq!(once.k, wider.k);
            if let (Some(once), Some(twice), Some(wider)) = (once.interval, twice.interval, wider.interval) {
                prop_assert!(twice.low > once.low && high(twice) <= high(once));
                prop_assert!(wider.low < once.low && high(wider) >= high(once));
            }
        }
    }
}
