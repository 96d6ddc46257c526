//! `cargo xtask long`: fuzzing, and the statistical tests that are too slow for every run.

use crate::kit::{Kit, output, run as sh, shown};
use anyhow::{Context, Result, bail};
use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

#[derive(clap::Args)]
pub struct Arguments {
    /// Seconds for each fuzz target; 0 leaves fuzzing out
    #[arg(long, default_value_t = 600)]
    seconds: u32,
    /// Fuzz these targets only, and run no tests
    #[arg(value_name = "TARGET")]
    targets: Vec<String>,
}

/// Fuzzes the targets, then runs the tests marked `#[ignore = "long"]`.
pub fn run(kit: &Kit, arguments: &Arguments) -> Result<()> {
    let mut report = Vec::new();
    let mut failed = false;
    if arguments.seconds > 0 {
        for target in targets(kit, &arguments.targets)? {
            let fuzzed = fuzz(kit, &target, arguments.seconds);
            failed |= fuzzed.is_err();
            report.push(match fuzzed {
                Ok(count) => format!("{target:12} {count:>12} executions in {} s, no failure", arguments.seconds),
                Err(error) => format!("{target:12} FAILED: {error:#}"),
            });
        }
    }
    if arguments.targets.is_empty() {
        let mut tests = kit.cargo(["test", "--release", "--workspace", "--exclude=xtask", "--tests"]);
        let tests = sh(tests.args(["--", "--ignored", "--nocapture"]));
        failed |= tests.is_err();
        report.push(tests.map_or_else(|why| format!("long tests FAILED: {why}"), |()| "long tests passed".to_owned()));
    }
    println!("\n{}", report.join("\n"));
    if failed { bail!("not everything passed") } else { Ok(()) }
}

/// Names of the targets chosen.
fn targets(kit: &Kit, chosen: &[String]) -> Result<Vec<String>> {
    let list = output(&mut cargo_fuzz(kit, "list"));
    let list = list.context("there is no `cargo fuzz`: cargo install --locked cargo-fuzz")?;
    let known: Vec<_> = list.lines().map(str::to_owned).collect();
    match chosen.iter().find(|target| !known.contains(target)) {
        Some(other) => bail!("there is no target {other}; there are: {}", known.join(", ")),
        None if chosen.is_empty() => Ok(known),
        None => Ok(chosen.to_vec()),
    }
}

/// The fuzzer's instrumentation is in stable compilers only under this variable.
fn cargo_fuzz(kit: &Kit, command: &str) -> Command {
    let mut cargo = kit.cargo(["fuzz", command, "--fuzz-dir=crates/fuzz"]);
    cargo.env("RUSTC_BOOTSTRAP", "1");
    cargo
}

/// Runs a target, its report on the terminal, and gives its number of executions.
fn fuzz(kit: &Kit, target: &str, seconds: u32) -> Result<u64> {
    let found = format!("crates/fuzz/corpus/{target}");
    let seeds = format!("crates/fuzz/seeds/{target}");
    fs::create_dir_all(kit.root.join(&found))?;
    let mut command = cargo_fuzz(kit, "run");
    command.args([target, &found]);
    if kit.root.join(&seeds).is_dir() {
        command.arg(&seeds);
    }
    command.args(["--", "-print_final_stats=1", &format!("-max_total_time={seconds}")]);

    let line = shown(&command);
    eprintln!("$ {line}");
    let mut child = command.stdin(Stdio::null()).stderr(Stdio::piped()).spawn()?;
    let mut count = None;
    for text in BufReader::new(child.stderr.take().context("no report")?).lines() {
        let text = text?;
        if let Some(number) = text.strip_prefix("stat::number_of_executed_units:") {
            count = number.trim().parse().ok();
        }
        eprintln!("{text}");
    }
    let status = child.wait()?;
    if !status.success() {
        bail!("`{line}` ended with {status}; the input is named above");
    }
    count.context("the fuzzer told no number of executions")
}
