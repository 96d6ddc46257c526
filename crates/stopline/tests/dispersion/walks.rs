//! What single walks tell beside k, against `tests/vectors/walks.json`, computed from definitions in 50 digits.

use crate::{json, list, near, plain, table};
use serde_json::Value;
use stopline::dispersion::{Draws, Frequencies, GoodnessOfFit, How, Why, efficiency};
use stopline::{K, Mean};

/// Expected numbers and their sums: the roundings of probabilities of some thousands of counts
/// (`PMF` of the tables of tolerances, 1e-14 for each unit of ln p).
const SUMS: f64 = 1e-11;
/// Standard errors lose up to six digits of the probabilities where k is 10⁹.
const STANDARD_ERROR: f64 = 1e-8;
/// χ² tails by the library used.
const TAIL: f64 = 1e-10;

fn draws() -> Draws {
    Draws::new(99, 1).unwrap()
}

fn cases() -> Vec<(Value, Frequencies)> {
    let (data, vectors) = (json("data/nb_fits.json"), json("vectors/walks.json"));
    let cases: Vec<Value> = ["samples", "edge_cases"].iter().flat_map(|part| list(&data, part).to_vec()).collect();
    let rows = list(&vectors, "rows").to_vec();
    assert_eq!(rows.len(), cases.len());
    for (row, case) in rows.iter().zip(&cases) {
        assert_eq!(row["name"], case["name"]);
    }
    rows.into_iter().zip(cases).map(|(row, case)| (row, table(&case["table"]))).collect()
}

/// Compares where the row has the value; tells whether it has.
fn compare(row: &Value, key: &str, got: Result<f64, Why>, tolerance: f64) -> u32 {
    let Some(want) = row.get(key).and_then(Value::as_f64) else { return 0 };
    near(got.ok(), Some(want), tolerance, &format!("{}, {key}", row["name"]));
    1
}

#[test]
fn precision_and_shape() {
    let mut seen = [0; 9];
    for (row, walk) in cases() {
        if row.get("k_zero_class").is_some_and(Value::is_null) {
            assert_eq!(walk.k_zero_class().unwrap().k(), None, "{}", row["name"]);
        }
        let k = walk.k_ml().unwrap().or_why();
        let shape = walk.shape(draws()).unwrap();
        let compared = [
            compare(&row, "k_zero_class", walk.k_zero_class().unwrap().or_why(), 1e-11),
            compare(&row, "se_observed", k.and_then(|k| walk.se_observed(k)), STANDARD_ERROR),
            compare(&row, "se_expected", k.and_then(|k| Ok(walk.se_expected(k)?.0)), STANDARD_ERROR),
            compare(&row, "u", shape.u.value, 1e-9),
            compare(&row, "u_se", shape.u.se, SUMS),
            compare(&row, "t", shape.t.value, 1e-9),
            compare(&row, "t_se", shape.t.se, SUMS),
            compare(&row, "excess_zeros", shape.zeros.value, 1e-9),
            compare(&row, "zeros_se", shape.zeros.se, STANDARD_ERROR),
        ];
        seen.iter_mut().zip(compared).for_each(|(seen, compared)| *seen += compared);
    }
    assert!(seen.iter().all(|&seen| seen >= 20), "{seen:?}");
}

fn same_classes(got: Result<GoodnessOfFit, Why>, want: &Value, name: &str) {
    let got = got.unwrap_or_else(|why| panic!("{name}: {why}"));
    let classes = want[0].as_array().unwrap();
    assert_eq!(got.classes.len(), classes.len(), "{name}");
    for (class, want) in got.classes.iter().zip(classes) {
        assert_eq!(
            (Some(class.low), class.high, Some(class.observed)),
            (want[0].as_u64(), want[1].as_u64(), want[2].as_u64()),
            "{name}"
        );
        near(Some(class.expected), want[3].as_f64(), SUMS, name);
    }
    // Differences of observed and expected numbers lose a few digits.
    near(Some(got.chi_square), want[1].as_f64(), 1e-9, name);
    near(Some(got.g), want[2].as_f64(), 1e-9, name);
    assert_eq!(Some(got.freedom), want[3].as_i64(), "{name}");
    near(got.p.ok(), want[4].as_f64(), 1e-9, name);
}

#[test]
fn goodness_of_fit() {
    let mut seen = 0;
    for (row, walk) in cases() {
        let name = row["name"].as_str().unwrap();
        if let Some(want) = row.get("poisson") {
            same_classes(walk.goodness_poisson(5.0), &want[0], name);
            seen += 1;
        }
        if let Some(want) = row.get("negative_binomial") {
            let k = walk.k_ml().unwrap().k().unwrap();
            same_classes(walk.goodness(k, 5.0), &want[0], name);
            same_classes(walk.goodness(k, 1.0), &want[1], name);
            seen += 2;
        }
    }
    assert!(seen > 100, "{seen}");
}

#[test]
fn exact_test_of_poisson() {
    let mut seen = 0;
    for (row, walk) in cases() {
        let Some(want) = row.get("poisson_p") else { continue };
        let got = walk.against_poisson(draws()).unwrap();
        assert_eq!(got.p.how, How::Exact, "{}", row["name"]);
        near(Some(got.p.p), want.as_f64(), TAIL, row["name"].as_str().unwrap());
        seen += 1;
    }
    assert!(seen > 10, "{seen}");
}

/// F5 of Anscombe (1949, Biometrika 36:165–173; 1950, Biometrika 37:358–382; formulas from memory), three digits
/// each, and the same from definitions. At mean 1, k 10 the second was recalled as .746 and recomputes as .7455.
#[test]
fn efficiencies_of_anscombe() {
    let published = [(0.747, 0.894), (0.684, 0.641), (0.662, 0.999), (0.990, 0.745), (0.499, 0.589)];
    let vectors = json("vectors/walks.json");
    let rows = list(&vectors, "efficiency");
    for (i, row) in rows.iter().enumerate() {
        let at = |column: usize| row[column].as_f64().unwrap();
        let got = efficiency(Mean::new(at(0)).unwrap(), K::new(at(1)).unwrap()).unwrap();
        near(Some(got.moments), Some(at(2)), STANDARD_ERROR, "moments");
        near(Some(got.zero_class), Some(at(3)), STANDARD_ERROR, "zero class");
        if let Some((moments, zero_class)) = published.get(i) {
            assert!((got.moments - moments).abs() < 5.1e-4 && (got.zero_class - zero_class).abs() < 5.1e-4, "{got:?}");
        }
    }
    assert_eq!(rows.len(), 8);
}

/// The zero-class k of the mites and the yeast: .99231 and 4.00180 (derived from the printed tables).
#[test]
fn zero_class_of_published_tables() {
    let of = |frequencies: &[u64]| plain(crate::from_frequencies(frequencies).k_zero_class().unwrap());
    near(of(&[70, 38, 17, 10, 9, 3, 2, 1]), Some(0.99231), 5e-6, "mites");
    near(of(&[213, 128, 37, 18, 3, 1]), Some(4.00180), 2e-6, "yeast");
}
