//! `cargo xtask test`: one row a step, and a table of what ran and what did not, because.

use crate::kit::{Halt, Kit, Ran, need, output, run as sh};
use crate::python;
use std::process::{Command, ExitCode};
use std::time::{Duration, Instant};

type Step = fn(&Kit) -> Ran;

/// The rows, in the order run: cheap ones first.
const ROWS: [(&str, Step); 14] = [
    ("fmt", fmt),
    ("clippy", clippy),
    ("features", features),
    ("msrv", msrv),
    ("docs", docs),
    ("fuzz-builds", fuzz_builds),
    ("rust", rust),
    ("vectors", |kit| python::check_scripts(kit, "tests/scripts")),
    ("demo-data", |kit| python::check_scripts(kit, "demo-data")),
    ("wheel", python::wheel),
    ("pytest", python::pytest),
    ("stubtest", |kit| python::on_wheel(kit, "stubtest", &["stopline"])),
    ("mypy", |kit| python::on_wheel(kit, "mypy", &["--strict", "python/stopline", "python/tests"])),
    ("python-docs", python::docs),
];

#[derive(clap::Args)]
pub struct Arguments {
    /// Run these rows only
    #[arg(value_name = "ROW", value_parser = names(&[]))]
    rows: Vec<String>,
    /// Rows that must run here: `all`, `none`, or names with commas between
    #[arg(long, value_name = "ROWS", value_delimiter = ',', value_parser = names(&["all", "none"]))]
    require: Vec<String>,
}

fn names(more: &[&'static str]) -> clap::builder::PossibleValuesParser {
    ROWS.iter().map(|(name, _)| *name).chain(more.iter().copied()).collect::<Vec<_>>().into()
}

/// Runs the rows and prints the table.
pub fn run(kit: &Kit, arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let chosen = |name: &str| arguments.rows.is_empty() || arguments.rows.iter().any(|row| row == name);
    let required = |name: &str| arguments.require.iter().any(|row| row == "all" || row == name);
    let mut results = Vec::new();
    for (name, step) in ROWS.into_iter().filter(|(name, _)| chosen(name)) {
        eprintln!("\n── {name}");
        let start = Instant::now();
        let ran = step(kit);
        results.push((name, ran, start.elapsed()));
    }
    Ok(report(&results, required))
}

fn report(results: &[(&str, Ran, Duration)], required: impl Fn(&str) -> bool) -> ExitCode {
    let width = results.iter().map(|(name, ..)| name.len()).max().unwrap_or(0);
    let (mut passed, mut failed, mut skipped) = (0, 0, 0);
    let mut wrong = Vec::new();
    println!();
    for (name, ran, time) in results {
        let end = match ran {
            Ok(()) => {
                passed += 1;
                "ran".to_owned()
            }
            Err(Halt::Failed(why)) => {
                failed += 1;
                wrong.push(format!("{name} failed: {why}"));
                "FAILED".to_owned()
            }
            Err(Halt::NotRun(why)) => {
                skipped += 1;
                if required(name) {
                    wrong.push(format!("{name} must run here, but {why}"));
                }
                format!("not run, because {why}")
            }
        };
        println!("{name:width$}  {:>7.1} s  {end}", time.as_secs_f64());
    }
    println!();
    wrong.iter().for_each(|line| println!("{line}"));
    println!("{passed} passed, {failed} failed, {skipped} skipped");
    if wrong.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn component(kit: &Kit, command: &str, component: &str) -> Ran {
    let there = output(&mut kit.cargo([command, "--version"])).is_some();
    need(there, format!("there is no `cargo {command}`: rustup component add {component}"))
}

fn fmt(kit: &Kit) -> Ran {
    component(kit, "fmt", "rustfmt")?;
    sh(&mut kit.cargo(["fmt", "--all", "--check"]))?;
    sh(&mut kit.cargo(["fmt", "--manifest-path=crates/fuzz/Cargo.toml", "--check"]))
}

fn clippy(kit: &Kit) -> Ran {
    component(kit, "clippy", "clippy")?;
    sh(&mut kit.cargo(["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"]))
}

/// Every set of features of every package that has any.
fn features(kit: &Kit) -> Ran {
    component(kit, "clippy", "clippy")?;
    for package in kit.packages.iter().filter(|p| !p.features.is_empty()) {
        for set in 0..1_u32 << package.features.len() {
            let on = package.features.keys().enumerate().filter(|(i, _)| set >> i & 1 == 1).map(|(_, f)| f.as_str());
            let on = format!("--features={}", on.collect::<Vec<_>>().join(","));
            let clippy = ["clippy", "-p", &package.name, "--all-targets", "--no-default-features", &on];
            sh(kit.cargo(clippy).args(["--", "-D", "warnings"]))?;
        }
    }
    Ok(())
}

/// The other rows check the oldest compiler when they run on it.
fn msrv(_: &Kit) -> Ran {
    let claimed = env!("CARGO_PKG_RUST_VERSION");
    let version = output(Command::new("rustc").arg("--version")).unwrap_or_default();
    let here = version.split(' ').nth(1).unwrap_or_default();
    let same = here == claimed || here.starts_with(&format!("{claimed}."));
    need(same, format!("this compiler is {here}: only {claimed} can show that rust-version {claimed} is enough"))
}

fn docs(kit: &Kit) -> Ran {
    sh(kit.cargo(["doc", "--workspace", "--no-deps"]).env("RUSTDOCFLAGS", "-D warnings"))
}

/// Without the fuzzer itself, which needs a C++ compiler.
fn fuzz_builds(kit: &Kit) -> Ran {
    component(kit, "clippy", "clippy")?;
    let clippy = ["clippy", "--locked", "--manifest-path=crates/fuzz/Cargo.toml", "--no-default-features"];
    sh(kit.cargo(clippy).arg("--target-dir").arg(&kit.target).args(["--", "-D", "warnings"]))
}

/// This program is left out: it is running.
fn rust(kit: &Kit) -> Ran {
    sh(&mut kit.cargo(["test", "--workspace", "--exclude=xtask"]))
}
