//! The program `stopline`: from site counts to a stop plan, its true risks, and decisions in the field.
//!
//! One module a command, in the order of the work: [`fit`], [`levels`], [`plan`], [`evaluate`],
//! [`compare`], [`replay`], [`studies`], [`decide`], [`walk`], [`card`], [`verify`]. A command turns its arguments into
//! an [`output::Answer`] or a
//! [`failure::Failure`]; only this file and [`output`] touch the outside. All numbers are the core's.
//!
//! Exit codes: 0 done; 1 the machine failed; 2 input refused; 3 no plan meets the request;
//! 130 interrupted.

mod aim;
mod apart;
mod arguments;
mod beside;
mod capped;
mod card;
mod clumped;
mod compare;
mod decide;
mod evaluate;
mod failure;
mod fewer;
mod fit;
mod input;
mod less;
mod levels;
mod objective;
mod output;
mod past;
mod plan;
mod proportion;
mod replay;
mod report;
mod request;
mod resample;
mod sensitivity;
mod sheet;
mod simulated;
mod studies;
mod study;
mod values;
mod verify;
mod walk;
mod watch;
mod words;

use arguments::{Arguments, Command};
use clap::Parser;
use failure::Failure;
use output::Answer;
use std::process::ExitCode;
use watch::Watched;

fn main() -> ExitCode {
    let words = values::join_negative(std::env::args_os());
    let json = words.iter().any(|word| word == "--json");
    watch::listen(json);
    let answer = match Arguments::try_parse_from(words) {
        Ok(Arguments { command, json }) => run(&command, json).and_then(|answer| answer.write(json)),
        Err(e) if e.use_stderr() => Err(Failure::usage(&e)),
        Err(help) => Ok(Answer::text(help.render().ansi().to_string())),
    };
    watch::ending();
    match answer.and_then(|answer| answer.print()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => failure.tell(json),
    }
}

fn run(command: &Command, json: bool) -> Result<Answer, Failure> {
    let watch = Watched::new();
    match command {
        Command::Fit(fit) => fit::run(fit, json, &watch),
        Command::Levels(levels) => levels::run(levels, json, &watch),
        Command::Plan(plan) => plan::run(plan, json, &watch),
        Command::Evaluate(evaluate) => evaluate::run(evaluate, json, &watch),
        Command::Compare(compare) => compare::run(compare, json, &watch),
        Command::Replay(replay) => replay::run(replay, json),
        Command::Study(study) => studies::run(study, json),
        Command::Decide(decide) => decide::run(decide, json),
        Command::Walk(walk) => walk::run(walk, json),
        Command::Card(card) => card::run(card, json),
        Command::Verify(verify) => verify::run(verify, json, &watch),
    }
}
