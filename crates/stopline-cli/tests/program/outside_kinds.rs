//! Plans of other kinds than two calls, and published tables, against values from outside the project.

use crate::outside_values::{evaluated, near};
use crate::run::Folder;
use std::fmt::Write as _;

/// MIL-HDBK-781A truncated sequential tests (tables from memory), in hundredths of the lower test life, so that a "site" is
/// such a time and a failure an enemy: accept with 0, 1, … failures from these times on; reject where `first`, `first` + 1,
/// … failures come by these; ratio of the lives, risks at the upper and the lower life, expected times as printed. VI-D's
/// second risk is printed as 19.2; .1926 is derived.
type Truncated = (&'static str, &'static [u32], &'static [u32], usize, f64, [f64; 2], [f64; 2]);
const TRUNCATED: [Truncated; 3] = [
    (
        "II-D",
        &[419, 540, 662, 783, 905, 1026, 1149, 1271, 1392, 1514, 1635, 1757, 1873, 1999, 2121, 2190],
        &[24, 146, 267, 390, 512, 633, 755, 876, 998, 1119, 1241, 1362, 1484, 1605, 1728, 1850, 2190],
        3,
        1.5,
        [0.2270, 0.2320],
        [1134.7, 960.0],
    ),
    (
        "IV-D",
        &[280, 418, 558, 696, 834, 974],
        &[70, 208, 346, 486, 624, 762, 974],
        2,
        2.0,
        [0.2231, 0.2250],
        [482.2, 372.0],
    ),
    ("VI-D", &[267, 432, 450], &[36, 450], 2, 3.0, [0.1825, 0.1926], [343.1, 258.2]),
];

#[test]
fn truncated_tests_typed_in() {
    for (name, accept, reject, first, ratio, risks, times) in TRUNCATED {
        let (cap, last) = (accept[accept.len() - 1], first + reject.len() - 1);
        let mut table = "sites,inadequate_at_most,adequate_at_least\n".to_owned();
        for n in 1..cap {
            let most = accept.iter().filter(|time| **time <= n).count();
            let most = most.checked_sub(1).map_or_else(String::new, |most| most.to_string());
            let least = first + reject.iter().position(|time| n <= *time).unwrap();
            writeln!(table, "{n},{most},{least}").unwrap();
        }
        writeln!(table, "{cap},{},{last}", last - 1).unwrap();
        let folder = Folder::new();
        folder.write("table.csv", table);
        let (low, high) = (0.01 / ratio, 0.01);
        let asked = format!("plan --lines table.csv --poisson --per site --inadequate {low} --adequate {high}");
        let plan = folder.run(&format!("{asked} --out plan.json --json")).json();
        for (row, risk) in plan["attained"]["rows"].as_array().unwrap().iter().zip(risks) {
            near(&row["p"], risk, 5e-5);
        }
        // A site ends up to a hundredth after the failure.
        for (row, time) in evaluated(&folder, &format!("--means {low},{high}")).iter().zip(times) {
            near(&row["expected_sites"], time, 1.0);
        }
        assert!(plan["method"] == "given", "{name}");
    }
}

/// Kuno 1969 (formula from memory) at k 2, D .25, and what becomes of it (derived): sites, SE over mean, bias.
#[test]
fn precision_by_kuno() {
    let folder = Folder::new();
    folder.does(
        "plan --aim precision --se-over-mean 0.25 --k 2 --plants 1 --min-sites 1 --max-sites 400 --out plan.json",
    );
    let known = [(30.67, 0.2597, 0.043), (19.60, 0.2524, 0.033), (14.10, 0.2478, 0.023)];
    for (row, (sites, se, bias)) in evaluated(&folder, "--means 0.75,1.5,3").iter().zip(known) {
        near(&row["expected_sites"], sites, 5e-3);
        near(&row["se_over_mean"], se, 5e-5);
        near(&row["bias_over_mean"], bias, 5e-4);
    }
}

/// Binns, Nyrop & van der Werf 2000 (CABI), a case of interval lines; outputs derived from it.
#[test]
fn interval_lines() {
    let folder = Folder::new();
    let report = folder.does(
        "plan --aim interval --critical 1 --confidence 0.85 --sides one --power-law 3.05,1.02 --per site --min-sites 15 \
         --max-sites 50 --out plan.json",
    );
    assert!(report.out.split_whitespace().collect::<Vec<_>>().join(" ").contains("confidence"), "{}", report.out);
    let rows = evaluated(&folder, "--means 0.6,1,1.5");
    for (row, low) in rows.iter().zip([0.956, 0.553, 0.061]) {
        near(&row["inadequate"], low, 5e-4);
    }
    near(&rows[1]["expected_sites"], 30.9, 0.05);
}

/// Wilson & Room 1983 (formula from memory): .752928 of sites hold any at variance 1.6·m^1.3 and m 2. One site, looked
/// through until the first.
#[test]
fn share_of_sites_with_any() {
    let folder = Folder::new();
    folder.write("table.csv", "sites,inadequate_at_most,adequate_at_least\n1,0,1\n");
    folder.does("plan --lines table.csv --score positive --power-law 1.6,1.3 --per site --inadequate 1 --adequate 2 --out plan.json");
    near(&evaluated(&folder, "--means 2")[0]["adequate"], 0.752928, 5e-7);
}
