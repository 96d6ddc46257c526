//! `cargo xtask long`: fuzzing, and the statistical tests that are too slow for every run.

use crate::kit::{Kit, output, shown};
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
        let tests = long_tests(kit);
        failed |= tests.is_err();
        report.push(match tests {
            Ok(count) => format!("{count} long tests passed"),
            Err(error) => format!("long tests FAILED: {error:#}"),
        });
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

    let mut count = None;
    watch(command, |text| {
        if let Some(number) = text.strip_prefix("stat::number_of_executed_units:") {
            count = number.trim().parse().ok();
        }
    })?;
    count.context("the fuzzer told no number of executions")
}

/// Runs the tests marked `#[ignore = "long"]` and gives their number.
fn long_tests(kit: &Kit) -> Result<u64> {
    let mut command = kit.cargo(["test", "--release", "--workspace", "--exclude=xtask", "--tests"]);
    command.args(["--", "--ignored"]);
    let mut count = 0;
    watch(command, |text| {
        let passed = text.strip_prefix("test result: ok. ").and_then(|rest| rest.split(' ').next());
        count += passed.and_then(|number| number.parse::<u64>().ok()).unwrap_or(0);
    })?;
    if count == 0 { bail!("there is none") } else { Ok(count) }
}

/// Runs a command, showing each line it prints and handing it to `see`.
fn watch(mut command: Command, mut see: impl FnMut(&str)) -> Result<()> {
    let line = shown(&command);
    eprintln!("$ {line}");
    let (reader, writer) = std::io::pipe()?;
    let mut child = command.stdin(Stdio::null()).stdout(writer.try_clone()?).stderr(writer).spawn()?;
    drop(command); // with its ends of the pipe, so that reading ends
    for text in BufReader::new(reader).lines() {
        let text = text?;
        see(&text);
        eprintln!("{text}");
    }
    let status = child.wait()?;
    if status.success() { Ok(()) } else { bail!("`{line}` ended with {status}") }
}
