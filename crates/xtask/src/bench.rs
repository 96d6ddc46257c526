//! `cargo xtask bench`: our benchmarks beside the same work done with general-purpose packages.

use crate::kit::{Kit, output, printed, run as sh};
use crate::python;
use anyhow::Result;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fs;
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
    let mut ours = BTreeMap::new();
    for group in fs::read_dir(&folder)? {
        let group = group?;
        for task in fs::read_dir(group.path()).into_iter().flatten() {
            let task = task?;
            let name = format!("{}/{}", group.file_name().to_string_lossy(), task.file_name().to_string_lossy());
            if let Ok(text) = fs::read_to_string(task.path().join("new/sample.json")) {
                let Sample { iters, times } = serde_json::from_str(&text)?;
                let best = times.iter().zip(&iters).map(|(time, n)| time / n).fold(f64::INFINITY, f64::min);
                ours.insert(name, best * 1e-9);
            }
        }
    }

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
    for (name, best) in ours {
        println!("\n{name:16} {:12} {:>10}", "stopline", shown(best));
        for line in &lines {
            match line {
                Line::Time { task, by, seconds } if *task == name => {
                    println!("{:16} {by:12} {:>10} {:>8.2} ×", "", shown(*seconds), seconds / best);
                }
                _ => {}
            }
        }
    }
    Ok(())
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
