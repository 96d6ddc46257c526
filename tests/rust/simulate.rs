//! Simulated walks against exact results: those of `evaluate` where sites are independent, and
//! `clustered.json` (an independent computation by quadrature) where they are not.
//!
//! A share of n walks is binomial: it may be off by z standard errors of its exact value, with z such that all
//! comparisons of a test together fail by chance once in a thousand seeds. Seeds are fixed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]
#![allow(clippy::cast_possible_truncation)]

#[allow(dead_code)] // each suite uses its part of it
mod reader;

use reader::{LawText, RowText, design, lines, read};
use serde::Deserialize;
use std::ops::ControlFlow;
use std::sync::Mutex;
use stopline::evaluate::{CurveRow, InstructionSet, evaluate_lines};
use stopline::plan::{Method, Plan};
use stopline::simulate::{Clustered, Run, SimulatedRow, Source, Walks, simulate, simulate_lines};
use stopline::{Code, Dispersion, K, Lines, Mean, Quiet, Score, Share, Watch};

const WALKS: u64 = 100_000;
const FALSE_ALARM: f64 = 1e-3;

/// The z beyond which none of so many normal numbers falls, but for the false alarm: the two tails beyond z together are
/// at most e^(−z²/2).
fn z(comparisons: usize) -> f64 {
    (2.0 * (comparisons as f64 / FALSE_ALARM).ln()).sqrt()
}

/// Deviations from exact values, checked together.
#[derive(Default)]
struct Deviations(Vec<(f64, String)>);

impl Deviations {
    /// A share of `walks` against its exact probability. Where fewer than one walk in the whole is expected the
    /// normal law is no guide: then a few walks more are allowed.
    fn share(&mut self, place: &str, got: f64, p: f64, walks: u64) {
        let n = walks as f64;
        let se = (p * (1.0 - p) / n).sqrt();
        self.0.push(((got - p).abs() / (se + 1.0 / n), format!("{place}: {got}, exactly {p}")));
    }

    fn mean(&mut self, place: &str, got: f64, exact: f64, sd: f64, walks: u64) {
        let se = sd / (walks as f64).sqrt();
        let off = if (got - exact).abs() <= 1e-9 * exact { 0.0 } else { (got - exact).abs() / se };
        self.0.push((off, format!("{place}: {got}, exactly {exact}")));
    }

    fn check(self) {
        let z = z(self.0.len());
        assert!(!self.0.is_empty());
        for (off, place) in &self.0 {
            assert!(*off <= z, "{place}: {off:.2} standard errors, allowed {z:.2}");
        }
        let mean = self.0.iter().map(|(off, _)| off * off).sum::<f64>() / self.0.len() as f64;
        println!("{} comparisons, mean square {mean:.2}, allowed {z:.2}", self.0.len());
    }
}

fn compare(found: &mut Deviations, place: &str, row: &SimulatedRow, exact: &CurveRow, walks: u64) {
    for (name, got, p) in [
        ("adequate", row.adequate, exact.adequate),
        ("inadequate", row.inadequate, exact.inadequate),
        ("marginal", row.marginal, exact.marginal),
        ("enough", row.enough, exact.enough),
        ("undecided", row.undecided, exact.undecided),
        ("at_cap", row.at_cap, exact.at_cap),
    ] {
        found.share(&format!("{place}, {name}"), got.value, p, walks);
    }
    let place = format!("{place}, sites");
    found.mean(&place, row.expected_sites.value, exact.expected_sites, exact.sites_sd, walks);
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Evaluated {
    #[serde(rename = "columns")]
    _columns: serde_json::Value,
    plans: Vec<PlanText>,
    #[serde(rename = "cases")]
    _cases: serde_json::Value,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PlanText {
    name: String,
    #[serde(rename = "source")]
    _source: String,
    lines: Vec<RowText>,
}

fn plans() -> Vec<(String, Lines)> {
    let Evaluated { plans, .. } = read("evaluate");
    plans.into_iter().map(|p| (p.name, lines(&p.lines))).collect()
}

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn k(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

#[test]
fn independent_sites_agree_with_the_exact_curve() {
    let mut found = Deviations::default();
    let counts = [
        k(2.0),
        k(0.1),
        Dispersion::Poisson,
        Dispersion::power_law(1.6, 1.3).unwrap(),
        Dispersion::k_spread(K::new(1.2).unwrap(), 0.4).unwrap(),
        Dispersion::k_interval(K::new(1.2).unwrap(), K::new(0.8).unwrap(), K::new(2.0).unwrap()).unwrap(),
    ];
    let means = [0.01, 0.3, 1.0, 1.5, 2.0, 3.0, 10.0, 100.0].map(mean);
    let walks = Walks::new(20_000, 1).unwrap();
    for (name, lines) in plans() {
        // The share of positive units, or counts.
        let (score, under, means) = if name.starts_with("positive") {
            let means = [0.01, 0.1, 0.3, 0.9].map(mean).to_vec();
            (
                Score::positive(0, if name == "positive_sites" { 1 } else { 5 }).unwrap(),
                vec![Dispersion::Binomial],
                means,
            )
        } else {
            (Score::Count, counts.to_vec(), means.to_vec())
        };
        for under in under {
            let exact = evaluate_lines(&lines, &score, &under, &means, &Quiet).unwrap();
            let rows = simulate_lines(&lines, &score, &under, &means, &walks, &Quiet).unwrap();
            for (row, exact) in rows.iter().zip(&exact.rows) {
                compare(&mut found, &format!("{name}, {under:?}, mean {}", row.mean), row, exact, 20_000);
            }
        }
    }
    found.check();
}

/// Lines too wide for bytes are walked one by one, with tables or with gamma parts.
#[test]
fn wide_lines_agree_with_the_exact_curve() {
    let mut found = Deviations::default();
    for (thresholds, k, means, cap) in
        [([20.0, 40.0], 0.8, [15.0, 28.0, 40.0], 60), ([500.0, 550.0], 50.0, [480.0, 525.0, 560.0], 40)]
    {
        let law = LawText::NegBin { k };
        let plan = Plan::design(design(&law, thresholds, [0.1, 0.1], (1, cap, 1)), Method::Wald, &Quiet).unwrap();
        let (means, under) = (means.map(mean), plan.asked().dispersion);
        let exact = evaluate_lines(plan.lines(), &Score::Count, &under, &means, &Quiet).unwrap();
        let rows = simulate(&plan, &under, &means, 20_000, 3, &Quiet).unwrap().rows;
        for (row, exact) in rows.iter().zip(&exact.rows) {
            compare(&mut found, &format!("{thresholds:?}, mean {}", row.mean), row, exact, 20_000);
        }
    }
    // Too wide for a table.
    let lines = Lines::new(vec![stopline::Row::two_calls(1, Some(100_000), Some(100_001), None)]).unwrap();
    let means = [6e4, 9.99e4, 1.001e5, 1.5e5].map(mean);
    for under in [k(0.7), k(30.0), Dispersion::Poisson] {
        let exact = evaluate_lines(&lines, &Score::Count, &under, &means, &Quiet).unwrap();
        let walks = Walks::new(20_000, 3).unwrap();
        let rows = simulate_lines(&lines, &Score::Count, &under, &means, &walks, &Quiet).unwrap();
        for (row, exact) in rows.iter().zip(&exact.rows) {
            compare(&mut found, &format!("{under:?}, mean {}", row.mean), row, exact, 20_000);
        }
    }
    found.check();
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ClusteredFile {
    columns: Vec<String>,
    cases: Vec<ClusteredCase>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ClusteredCase {
    name: String,
    k: f64,
    shared: f64,
    run: Option<u32>,
    rows: Vec<[f64; 6]>,
    lines: Vec<RowText>,
}

#[test]
fn clustered_sites_agree_with_the_average_over_their_common_part() {
    let file: ClusteredFile = read("clustered");
    assert_eq!(file.columns, ["mean", "adequate", "inadequate", "expected_sites", "sites_sd", "at_cap"]);
    let mut found = Deviations::default();
    for case in file.cases {
        let run = case.run.map_or(Run::WholeWalk, Run::Sites);
        let source = Clustered::new(k(case.k), Share::new(case.shared).unwrap(), run).unwrap();
        let means: Vec<Mean> = case.rows.iter().map(|row| mean(row[0])).collect();
        let walks = Walks::new(WALKS, 7).unwrap();
        let rows = simulate_lines(&lines(&case.lines), &Score::Count, &source, &means, &walks, &Quiet).unwrap();
        for (row, [m, adequate, inadequate, sites, sd, at_cap]) in rows.iter().zip(case.rows) {
            let place = format!("{}, k {}, {} shared, {:?}, mean {m}", case.name, case.k, case.shared, case.run);
            found.share(&format!("{place}, adequate"), row.adequate.value, adequate, WALKS);
            found.share(&format!("{place}, inadequate"), row.inadequate.value, inadequate, WALKS);
            found.share(&format!("{place}, at_cap"), row.at_cap.value, at_cap, WALKS);
            found.mean(&format!("{place}, sites"), row.expected_sites.value, sites, sd, WALKS);
            assert!((row.sites_sd.value - sd).abs() <= 5.0 * row.sites_sd.se, "{place}: {:?}, {sd}", row.sites_sd);
        }
    }
    found.check();
}

/// A gamma part of any size keeps the counts of a single site those of the exact law, far into the tails: the plan stops
/// at the first site by whether its count is at most `cut`.
#[test]
fn a_common_part_keeps_the_counts_of_a_site() {
    let mut found = Deviations::default();
    for (k_, m, shared) in
        [(2.0_f64, 1.5, 0.25), (0.3, 4.0, 0.9), (8.0, 60.0, 0.5), (1.2, 900.0, 1.0), (40.0, 12.0, 0.7)]
    {
        let sd = (m + m * m / k_).sqrt();
        for off in [-0.8, -0.3, 0.0, 0.5, 1.5, 3.0] {
            let cut = (m + off * sd).floor() as i64;
            if cut < 0 {
                continue;
            }
            let one = Lines::new(vec![stopline::Row::two_calls(1, Some(cut), Some(cut + 1), None)]).unwrap();
            let source = Clustered::new(k(k_), Share::new(shared).unwrap(), Run::Sites(3)).unwrap();
            let exact = evaluate_lines(&one, &Score::Count, &k(k_), &[mean(m)], &Quiet).unwrap();
            let walks = Walks::new(WALKS, 11).unwrap();
            let rows = simulate_lines(&one, &Score::Count, &source, &[mean(m)], &walks, &Quiet).unwrap();
            let place = format!("k {k_}, mean {m}, {shared} shared, at most {cut}");
            found.share(&place, rows[0].inadequate.value, exact.rows[0].inadequate, WALKS);
        }
    }
    found.check();
}

/// A column with its standard error, and how far the latter may be off.
type Column = (&'static str, fn(&SimulatedRow) -> (f64, f64), f64);

/// The stated standard errors are those of repeated simulations.
#[test]
fn standard_errors_are_those_of_repeated_simulations() {
    let seeds = 400_u32;
    let check = |plan: &str, k_: f64, m: f64, many: u64, of: &[Column]| {
        let lines = plans().into_iter().find(|(name, _)| name == plan).unwrap().1;
        let row = |seed: u32| {
            let walks = Walks::new(many, seed.into()).unwrap();
            simulate_lines(&lines, &Score::Count, &k(k_), &[mean(m)], &walks, &Quiet).unwrap().remove(0)
        };
        let rows: Vec<SimulatedRow> = (0..seeds).map(row).collect();
        for (name, of, off) in of {
            let n = f64::from(seeds);
            let centre = rows.iter().map(|row| of(row).0).sum::<f64>() / n;
            let sd = (rows.iter().map(|row| (of(row).0 - centre).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
            let se = rows.iter().map(|row| of(row).1).sum::<f64>() / n;
            assert!((se / sd - 1.0).abs() < *off, "{plan}, {name}: stated {se}, found {sd}");
        }
    };
    // Of 400 seeds the spread is known to 3.5 %: four times that. Quantiles are whole numbers: roughly.
    check(
        "few_enemies",
        0.5,
        0.28,
        2_000,
        &[
            ("adequate", |row| (row.adequate.value, row.adequate.se), 0.14),
            ("at_cap", |row| (row.at_cap.value, row.at_cap.se), 0.14),
            ("expected_sites", |row| (row.expected_sites.value, row.expected_sites.se), 0.14),
            ("sites_sd", |row| (row.sites_sd.value, row.sites_sd.se), 0.14),
        ],
    );
    check(
        "wald_cap_400",
        2.0,
        2.12,
        100,
        &[
            ("sites_p50", |row| (row.sites_p50.into(), row.sites_p50_se), 0.4),
            ("sites_p90", |row| (row.sites_p90.into(), row.sites_p90_se), 0.4),
        ],
    );
}

fn sources() -> [(&'static str, Box<dyn Source>); 5] {
    let clustered = |run| Box::new(Clustered::new(k(1.2), Share::new(0.25).unwrap(), run).unwrap());
    [
        ("independent", Box::new(k(1.2))),
        ("spread", Box::new(Dispersion::k_spread(K::new(1.2).unwrap(), 0.4).unwrap())),
        ("poisson", Box::new(Dispersion::Poisson)),
        ("runs of five", clustered(Run::Sites(5))),
        ("whole walk", clustered(Run::WholeWalk)),
    ]
}

#[test]
fn numbers_do_not_depend_on_instructions_threads_or_other_means() {
    let means = [0.2, 1.4, 1.41, 30.0].map(mean);
    // More than a block, and not a whole number of groups of any size.
    let walks = Walks::new(40_001, 5).unwrap();
    for (plan, lines) in plans() {
        if plan.starts_with("positive") {
            continue;
        }
        for (name, source) in sources() {
            let run = |walks: &Walks, means: &[Mean]| {
                simulate_lines(&lines, &Score::Count, source.as_ref(), means, walks, &Quiet).unwrap()
            };
            let few = Walks::new(3_001, 5).unwrap();
            let walks = if name == "independent" { &walks } else { &few };
            let rows = run(walks, &means);
            for set in InstructionSet::all() {
                assert_eq!(rows, run(&walks.with(set), &means), "{plan}, {name}, {}", set.as_str());
            }
            for threads in [1, 2, 5] {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
                assert_eq!(rows, pool.install(|| run(walks, &means)), "{plan}, {name}, {threads} threads");
            }
            assert_eq!(rows[1..2], run(walks, &means[1..2]), "{plan}, {name}");
        }
    }
}

/// `simulated.json` pins seeded output. It may only change with a line in the changelog: then
/// `UPDATE_SIMULATED=1 cargo test -p stopline-tests --test simulate` writes it anew.
#[test]
fn seeded_output_is_stable() {
    let lines = plans().into_iter().find(|(name, _)| name == "every_k").unwrap().1;
    let wide =
        Plan::design(design(&LawText::NegBin { k: 0.8 }, [20.0, 40.0], [0.1, 0.1], (1, 60, 1)), Method::Wald, &Quiet);
    let mut text = String::from("{\n");
    for (place, lines, m) in
        [("thresholds 1 and 2", &lines, 1.3), ("thresholds 20 and 40", wide.unwrap().lines(), 27.0)]
    {
        for (name, source) in sources() {
            let walks = Walks::new(20_000, 42).unwrap();
            let rows = simulate_lines(lines, &Score::Count, source.as_ref(), &[mean(m)], &walks, &Quiet).unwrap();
            text += &format!("  \"{name}, {place}\": {},\n", serde_json::to_string(&rows[0]).unwrap());
        }
    }
    text.truncate(text.len() - 2);
    text += "\n}\n";
    let path = format!("{}/vectors/simulated.json", env!("CARGO_MANIFEST_DIR"));
    if std::env::var_os("UPDATE_SIMULATED").is_some() {
        std::fs::write(&path, text).unwrap();
    } else {
        assert_eq!(std::fs::read_to_string(path).unwrap(), text);
    }
}

struct Told(Mutex<Vec<(u64, u64)>>, u64);

impl Watch for Told {
    fn step(&self, done: u64, of: u64) -> ControlFlow<()> {
        self.0.lock().unwrap().push((done, of));
        if done >= self.1 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }
}

#[test]
fn progress_is_told_and_work_can_be_stopped() {
    let lines = plans().into_iter().find(|(name, _)| name == "narrow").unwrap().1;
    let walks = Walks::new(100_000, 1).unwrap();
    let source = Clustered::new(k(2.0), Share::new(0.25).unwrap(), Run::Sites(5)).unwrap();
    let run = |told: &Told| simulate_lines(&lines, &Score::Count, &source, &[mean(2.0)], &walks, told);
    let told = Told(Mutex::default(), u64::MAX);
    assert!(run(&told).is_ok());
    let steps = told.0.into_inner().unwrap();
    assert!(steps.len() > 10 && steps.iter().all(|&(done, of)| done <= of && of == steps[0].1), "{steps:?}");
    let told = Told(Mutex::default(), 3);
    assert_eq!(run(&told).unwrap_err().code(), Code::Interrupted);
}

#[test]
fn what_is_no_simulation_is_refused() {
    let lines = plans().into_iter().find(|(name, _)| name == "narrow").unwrap().1;
    let code = |walks, seed| Walks::new(walks, seed).unwrap_err().code();
    assert_eq!([code(0, 0), code(1, 0), code(u64::MAX, 0), code(10, 1 << 53)], [Code::OutOfRange; 4]);
    let half = Share::new(0.5).unwrap();
    let clustered = |under, run| Clustered::new(under, half, run).unwrap_err().code();
    assert_eq!(clustered(k(1.0), Run::Sites(0)), Code::OutOfRange);
    assert_eq!(clustered(Dispersion::Poisson, Run::WholeWalk), Code::Combination);
    assert_eq!(clustered(Dispersion::Binomial, Run::WholeWalk), Code::Combination);
    let walks = Walks::new(10, 0).unwrap();
    let refused = simulate_lines(&lines, &Score::Count, &Dispersion::Binomial, &[mean(0.5)], &walks, &Quiet);
    assert_eq!(refused.unwrap_err().code(), Code::Combination);
    let none = simulate_lines(&lines, &Score::Count, &k(1.0), &[], &walks, &Quiet).unwrap();
    assert!(none.is_empty());
}
