//! Fits of k against published values, 60-digit fits of open data, and an independent likelihood.
//!
//! `tests/data/nb_fits.json` holds the tables with their sources and licences and fits to 50 digits;
//! `tests/vectors/conditional_k.json` is made by `tests/scripts/dispersion_vectors.py` from log-gammas.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)] // a test

mod apart;
mod capped;
mod fields;
mod properties;
mod recovery;
mod results;
mod walks;

use serde_json::Value;
use stopline::Level;
use stopline::dispersion::{Bound, Clumping, Estimate, Frequencies, Interval, Why, common_k};

/// k itself: some tens of roundings of the sums it is the root of (reached: 4e-14).
const K: f64 = 1e-13;
/// An end of an interval: the same of ln L, whose fall of 2 is small beside it (reached: 5e-13).
const END: f64 = 1e-12;
/// A value printed with seven significant digits.
const PRINTED: f64 = 5e-7;

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
        let ml = walk.ml(level()).unwrap();
        assert_eq!(ml.k, walk.k_ml().unwrap(), "{name}");
        let profile = &case["k_profile95"];
        agrees(&ml, [&case["k_ml"], &profile[0], &profile[1]], name);
        if let Some(k) = case.get("k_cox_reid") {
            let cox_reid = walk.cox_reid(level()).unwrap();
            near(plain(cox_reid.k), number(k), K, &format!("{name}, Cox–Reid"));
        }
        if let Some(k) = case.get("k_moment") {
            near(plain(walk.k_moments()), number(k), K, &format!("{name}, moments"));
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
        let cox_reid = if let [walk] = &walks[..] { walk.cox_reid(level()).unwrap() } else { common.cox_reid };
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
    let ml = leaves.ml(level()).unwrap();
    near(plain(ml.k), Some(1.024592), PRINTED, "k");
    near(Some(estimated(leaves.k_moments())), Some(1.16670), 1e-5, "k by moments, six digits printed");
    let interval = ml.interval.unwrap();
    near(Some(interval.low), Some(0.62542), 1e-5, "low, five digits printed");
    near(Some(high(interval)), Some(1.83624), 5e-6, "high, six digits printed");
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
        near(plain(walk.k_ml().unwrap()), Some(k), 5e-6, "k, six digits printed");
    }
    let common = common_k(&walks, level()).unwrap();
    near(plain(common.ml.k), Some(1.47145), 5e-6, "common k, six digits printed");
    assert_eq!((common.walks_used, common.walks_without_any, common.walks_of_one_site), (4, 0, 0));
}

/// Yeast cells of Student 1907, Biometrika 5:351–360 (data as in the help of R's MASS): k by ML 3.58609.
#[test]
fn yeast_of_student() {
    let squares = from_frequencies(&[213, 128, 37, 18, 3, 1]);
    near(plain(squares.k_ml().unwrap()), Some(3.58609), 5e-6, "k, six digits printed");
}
