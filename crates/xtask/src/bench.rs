//! `cargo xtask bench`: our benchmarks beside the same work done with general-purpose packages.

use crate::kit::{Kit, output, printed, run as sh};
use crate::python;
use anyhow::Result;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

#[derive(clap::Args)]
pub struct Arguments {
    /// Parts of names of benchmarks; all if none is given
    names: Vec<String>,
}

/// A line printed by the peers.
#[derive(Deserialize)]
#[serde(untagged)]
enum Line {
    Versions { versions: BTreeMap<String, String> },
    Time { task: String, by: String, seconds: f64 },
}

/// What criterion keeps of a benchmark: runs of so many iterations, and their nanoseconds.
#[derive(Deserialize)]
struct Sample {
    iters: Vec<f64>,
    times: Vec<f64>,
}

/// Runs the benchmarks, then the peers, and prints the best time of each and the ratio.
pub fn run(kit: &Kit, arguments: &Arguments) -> Result<()> {
    let folder = kit.target.join("criterion");
    if folder.exists() {
        fs::remove_dir_all(&folder)?; // what is not run now must not be shown
    }
    let mut bench = kit.cargo(["bench", "-p=stopline-benches", "--"]);
    bench.env("CRITERION_HOME", &folder);
    if !arguments.names.is_empty() {
        bench.arg(arguments.names.join("|"));
    }
    sh(&mut bench)?;
    let ours = ours(&folder)?;

    let peers = peers(kit, &arguments.names);
    println!("\nprocessor {}, {}", processor(), output(Command::new("rustc").arg("--version")).unwrap_or_default());
    let lines: Vec<Line> = match &peers {
        Ok(text) => text.lines().map(serde_json::from_str).collect::<Result<_, _>>()?,
        Err(why) => {
            println!("peers {why}");
            Vec::new()
        }
    };
    for line in &lines {
        if let Line::Versions { versions } = line {
            let versions: Vec<_> = versions.iter().map(|(name, version)| format!("{name} {version}")).collect();
            println!("{}", versions.join(", "));
        }
    }
    println!("best of many; ratios under each instruction set, of the peer's time to ours");
    for (task, sets) in ours {
        print!("\n{task:34}");
        sets.iter().for_each(|(set, _)| print!("{set:>12}"));
        print!("\n  {:32}", "stopline");
        sets.iter().for_each(|(_, best)| print!("{:>12}", shown(*best)));
        println!();
        for line in &lines {
            if let Line::Time { task: of, by, seconds } = line
                && *of == task
            {
                print!("  {by:20}{:>12}", shown(*seconds));
                sets.iter().for_each(|(_, best)| print!("{:>10.2} ×", seconds / best));
                println!();
            }
        }
    }
    Ok(())
}

/// Best seconds of each task under each instruction set, the fastest last.
fn ours(folder: &Path) -> Result<BTreeMap<String, Vec<(String, f64)>>> {
    let mut ours = BTreeMap::<_, Vec<_>>::new();
    for group in fs::read_dir(folder)? {
        let group = group?;
        for set in fs::read_dir(group.path()).into_iter().flatten() {
            let set = set?;
            if let Ok(text) = fs::read_to_string(set.path().join("new/sample.json")) {
                let Sample { iters, times } = serde_json::from_str(&text)?;
                let best = times.iter().zip(&iters).map(|(time, n)| time / n).fold(f64::INFINITY, f64::min);
                let name = |entry: &fs::DirEntry| entry.file_name().to_string_lossy().into_owned();
                ours.entry(name(&group)).or_default().push((name(&set), best * 1e-9));
            }
        }
    }
    // Portable, AVX2, AVX-512.
    ours.values_mut().for_each(|sets| sets.sort_by_key(|(set, _)| (set != "portable", set.len())));
    Ok(ours)
}

fn peers(kit: &Kit, names: &[String]) -> Result<String> {
    let programs = python::environment(kit, "venv-peers", &["benches/peers/requirements.txt"]);
    let programs = programs.map_err(|why| anyhow::anyhow!("not run, because {why}"))?;
    let mut peers = Command::new(programs.join("python"));
    for threads in ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"] {
        peers.env(threads, "1");
    }
    Ok(printed(peers.current_dir(&kit.root).arg("benches/peers/peers.py").args(names))?)
}

fn processor() -> String {
    let about = fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let model = about.lines().find_map(|line| line.strip_prefix("model name")?.split_once(": "));
    model.map_or("unknown".to_owned(), |(_, name)| name.to_owned())
}

fn shown(seconds: f64) -> String {
    let (scale, unit) = match seconds {
        s if s < 1e-3 => (1e6, "µs"),
        s if s < 1.0 => (1e3, "ms"),
        _ => (1.0, "s"),
    };
    format!("{:.2} {unit}", seconds * scale)
}
