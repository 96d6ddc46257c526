//! The project's own commands: `cargo xtask test`, `long`, `bench`.

mod bench;
mod kit;
mod long;
mod python;
mod test;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

#[derive(Parser)]
#[command(name = "cargo xtask", about = "The project's own commands")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Run everything this machine allows, and say what was not run and why
    Test(test::Arguments),
    /// Fuzz every target, then run the tests marked `#[ignore = "long"]`
    Long(long::Arguments),
    /// Run the benchmarks beside the same work done with general-purpose packages
    Bench(bench::Arguments),
}

fn main() -> ExitCode {
    match run(Arguments::parse().command) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn run(command: Command) -> anyhow::Result<ExitCode> {
    let kit = kit::Kit::new()?;
    match command {
        Command::Test(arguments) => test::run(&kit, &arguments),
        Command::Long(arguments) => long::run(&kit, &arguments).map(|()| ExitCode::SUCCESS),
        Command::Bench(arguments) => bench::run(&kit, &arguments).map(|()| ExitCode::SUCCESS),
    }
}
