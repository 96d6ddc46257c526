//! Numbers that the program prints, against values from outside the project.
//!
//! "derived": recomputed with scipy from the published inputs at the printed precision.

use crate::run::Folder;
use serde_json::Value;

#[track_caller]
pub fn near(value: &Value, expected: f64, within: f64) {
    let value = value.as_f64().unwrap();
    assert!((value - expected).abs() <= within, "{value} is not {expected} ± {within}");
}

/// The rows of an evaluation.
pub fn evaluated(folder: &Folder, words: &str) -> Vec<Value> {
    folder.does(&format!("evaluate plan.json {words} --json")).json()["rows"].as_array().unwrap().clone()
}

const WALD: &str =
    "plan --k 2 --plants 1 --inadequate 1.5 --adequate 3 --method wald --min-sites 1 --out plan.json --json";

/// Wald 1947; negative binomial as in Waters 1955 (formula from memory): slope 2.120085, intercepts
/// ±6.530181 (derived). Lower line ⌊h₀ + s·n⌋, upper ⌈h₁ + s·n⌉; at 20 sites inadequate up to 42.
#[test]
fn wald_lines_and_what_they_do_when_cut_at_20_sites() {
    let folder = Folder::new();
    let ran = folder.run(&format!("{WALD} --max-sites 20"));
    let plan = ran.json();
    let lines = plan["lines"].as_array().unwrap();
    assert_eq!(lines.len(), 20);
    for (n, line) in (1..20_i32).zip(lines) {
        let middle = 2.120_085 * f64::from(n);
        let (low, high) = ((middle - 6.530_181).floor(), (middle + 6.530_181).ceil());
        assert_eq!(line["inadequate_at_most"].as_f64(), (low >= 0.0).then_some(low), "{n}");
        assert_eq!(line["adequate_at_least"].as_f64(), Some(high), "{n}");
    }
    assert_eq!((&lines[19]["inadequate_at_most"], &lines[19]["adequate_at_least"]), (&42.into(), &43.into()));
    // Exact, derived.
    near(&plan["attained"]["rows"][0]["p"], 0.06872, 5e-6);
    near(&plan["attained"]["rows"][1]["p"], 0.09944, 5e-6);
    for (row, sites) in evaluated(&folder, "--means 1.5,2.12,3").iter().zip([9.882, 11.792, 8.255]) {
        near(&row["expected_sites"], sites, 5e-4);
    }
}

/// The same lines with cap 400, exact (derived).
#[test]
fn wald_lines_with_cap_400() {
    let folder = Folder::new();
    folder.run(&format!("{WALD} --max-sites 400"));
    let expected = [(0.9963, 6.934), (0.9450, 10.480), (0.0816, 8.728)];
    for (row, (inadequate, sites)) in evaluated(&folder, "--means 1.0625,1.5,3").iter().zip(expected) {
        near(&row["inadequate"], inadequate, 5e-5);
        near(&row["expected_sites"], sites, 5e-4);
    }
}

/// 15 fixed sites, inadequate up to 31: risks .0835 and .0921 (derived).
#[test]
fn fixed_sites_typed_in() {
    let folder = Folder::new();
    folder.write("table.csv", "sites,inadequate_at_most,adequate_at_least\n15,31,32\n");
    let plan = folder.does("plan --lines table.csv --k 2 --per site --inadequate 1.5 --adequate 3 --json").json();
    near(&plan["attained"]["rows"][0]["p"], 0.0835, 5e-5);
    near(&plan["attained"]["rows"][1]["p"], 0.0921, 5e-5);
    assert_eq!((&plan["method"], &plan["aim"]["risks"]), (&"given".into(), &Value::Null));
}

/// NIST/SEMATECH e-Handbook of Statistical Methods, binomial sequential example (from memory):
/// p₁ .01, p₂ .10, α .05, β .10: at 24 units accept at 0, reject at 3.
#[test]
fn binomial_lines() {
    let plan = Folder::new()
        .run(
            "plan --score positive --units 1 --inadequate 0.01 --adequate 0.1 --false-adequate 0.05 \
             --false-inadequate 0.1 --method wald --min-sites 1 --max-sites 100 --json",
        )
        .json();
    let line = &plan["lines"][23];
    assert_eq!(line["sites"], 24);
    assert_eq!((&line["inadequate_at_most"], &line["adequate_at_least"]), (&0.into(), &3.into()));
}

/// Two-stage plans of Simon 1989, Controlled Clinical Trials 10:1–10 (memory): p₀ .1, p₁ .3, stop after
/// 10 if at most 1, after 29 adequate above 5; and 1 of 15, 5 of 25. Values derived.
#[test]
fn two_stage_tables_typed_in() {
    let cases = [((10, 29), 0.7361, 15.014, 0.0471, 0.8051), ((15, 25), 0.5490, 19.510, 0.0328, 0.8017)];
    for ((first, last), early, sites, alpha, power) in cases {
        let folder = Folder::new();
        folder.write("table.csv", format!("sites,inadequate_at_most,adequate_at_least\n{first},1,\n{last},5,6\n"));
        folder.does("plan --lines table.csv --score positive --inadequate 0.1 --adequate 0.3 --out plan.json");
        let rows = evaluated(&folder, "--means 0.1,0.3");
        near(&rows[0]["at_cap"], 1.0 - early, 5e-5);
        near(&rows[0]["expected_sites"], sites, 5e-4);
        near(&rows[0]["adequate"], alpha, 5e-5);
        near(&rows[1]["adequate"], power, 5e-5);
    }
}

/// The same plans, searched for: what Simon 1989 (from memory) found.
#[test]
fn two_stages_are_found_again() {
    let folder = Folder::new();
    for (method, lines) in [("two-stage", [(10, 1), (29, 5)]), ("two-stage-minimax", [(15, 1), (25, 5)])] {
        let asked =
            "plan --score positive --inadequate 0.1 --adequate 0.3 --false-adequate 0.05 --false-inadequate 0.2";
        let ran =
            folder.run(&format!("{asked} --min-sites 1 --max-sites 40 --early inadequate --method {method} --json"));
        let plan = ran.json();
        for (row, (sites, cut)) in plan["lines"].as_array().unwrap().iter().zip(lines) {
            assert_eq!((&row["sites"], &row["inadequate_at_most"]), (&sites.into(), &cut.into()), "{plan}");
        }
        assert!(plan["lines"][0]["adequate_at_least"].is_null());
    }
    assert_eq!(folder.run("plan --k 1.2 --per site --inadequate 1 --adequate 2 --early inadequate").code, Some(2));
}

/// k 1.2, risks .10: the fewest fixed sites for 1/2, 1.2/1.8 and 1/3 are 22, 62 and 9 (derived).
#[test]
fn levels_around_one_and_a_half() {
    let ran = Folder::new().does("levels --around 1.5 --per site --k 1.2 --json").json();
    let levels = ran["levels"].as_array().unwrap();
    for (low, high, sites) in [(1.0, 2.0, 22), (1.2, 1.8, 62), (1.0, 3.0, 9)] {
        let same = |value: &Value, x: f64| (value.as_f64().unwrap() - x).abs() < 1e-9;
        let level = levels.iter().find(|l| same(&l["inadequate"], low) && same(&l["adequate"], high)).unwrap();
        assert_eq!(level["fixed_sites"], sites);
        assert!(level["largest_expected_sites"].as_f64().unwrap() < f64::from(sites));
    }
    assert!(levels.iter().all(|l| l["past"].is_null()));
}

/// European red mites on 150 apple leaves (Bliss & Fisher 1953, Biometrics 9:176–200): k 1.024592, its
/// 95 % profile interval .62542 to 1.83624 (derived). The variance 2.273646 is cut off, not rounded.
#[test]
fn fit_of_mites() {
    let leaves = [70, 38, 17, 10, 9, 3, 2, 1];
    let counts = (0..).zip(leaves).flat_map(|(count, leaves)| std::iter::repeat_n(count, leaves));
    let rows: String = (1..).zip(counts).map(|(leaf, count): (i32, i32)| format!("mites,{leaf},{count}\n")).collect();
    let folder = Folder::new();
    folder.write("mites.csv", format!("field,site,count\n{rows}"));
    let fit = folder.run("fit mites.csv --json").json();
    let field = &fit["fields"][0];
    near(&field["mean"], 1.146_667, 5e-7);
    near(&field["variance"], 2.273_646, 1e-6);
    near(&field["k"], 1.024_592, 5e-7);
    near(&field["k_low"], 0.62542, 5e-6);
    near(&field["k_high"], 1.83624, 5e-6);

    // SE .27591; zero class .99231; moments 1.16670; χ² 2.490 on 3 df; U −.198 (.310), T −1.553 (1.692) (derived).
    let field = &folder.run("fit mites.csv --study --seed 3 --json").json()["fields"][0];
    near(&field["k_se_observed"], 0.27591, 5e-6);
    near(&field["k_zero_class"], 0.99231, 5e-6);
    near(&field["k_moments"], 1.16670, 5e-6);
    let tests = &field["tests"];
    near(&tests["negative_binomial"]["chi_square"], 2.490, 5e-4);
    assert_eq!(tests["negative_binomial"]["freedom"], 3);
    near(&tests["shape"]["u"]["value"], -0.198, 5e-4);
    near(&tests["shape"]["u"]["se"], 0.310, 5e-4);
    near(&tests["shape"]["t"]["value"], -1.553, 5e-4);
    near(&tests["shape"]["t"]["se"], 1.692, 5e-4);
    assert_eq!(tests["shape"]["t"]["how"], "drawn");
}

/// Corn borers per hill, four treatments of 120 hills (Beall 1940; Bliss & Fisher 1953 table 3): the
/// score roots 1.50289, 1.76049, 1.33313, 1.15352 and the common k 1.47145 (derived).
#[test]
fn fit_of_corn_borers() {
    let treatments: [&[usize]; 4] = [
        &[19, 12, 18, 18, 11, 12, 7, 8, 4, 4, 1, 0, 1, 1, 0, 1, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0, 1],
        &[24, 16, 16, 18, 15, 9, 6, 5, 3, 4, 3, 0, 1],
        &[43, 35, 17, 11, 5, 4, 1, 2, 2],
        &[47, 23, 27, 9, 7, 3, 1, 1, 0, 0, 1, 1],
    ];
    let mut table = "field,site,count\n".to_owned();
    for (t, hills) in treatments.iter().enumerate() {
        let counts = hills.iter().enumerate().flat_map(|(count, &hills)| std::iter::repeat_n(count, hills));
        table.extend((1..).zip(counts).map(|(hill, count): (usize, usize)| format!("t{t},{hill},{count}\n")));
    }
    let folder = Folder::new();
    folder.write("borers.csv", table);
    let fit = folder.run("fit borers.csv --json").json();
    for (field, k) in fit["fields"].as_array().unwrap().iter().zip([1.50289, 1.76049, 1.33313, 1.15352]) {
        near(&field["k"], k, 5e-6);
    }
    near(&fit["common"]["k_ml"], 1.47145, 5e-6);
}
