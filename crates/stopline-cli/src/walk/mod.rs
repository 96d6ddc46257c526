//! `stopline walk`: the tally in the field.
//!
//! One line in, one verdict out. Every entry is on disk before the next question; a log that was left, killed or torn
//! goes on where it was. The core keeps the log and decides; here are only the questions.

mod conditions;
mod count_only;
mod journal;
mod line;
mod practice;
mod talk;
mod tally;

use crate::arguments;
use crate::clumped::Fallback;
use crate::failure::Failure;
use crate::input;
use crate::output::Answer;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stopline::decide::Decision;
use stopline::{Code, Error};
use talk::Talk;
use tally::{Next, Tally};

pub fn run(args: &arguments::Walk, json: bool) -> Result<Answer, Failure> {
    let talk = Talk::new(json);
    let Some(path) = &args.plan else { return count_only::run(args, &talk) };
    if path == Path::new("-") {
        return Err(Error::new(Code::Usage, "plan file", "-", "a file: standard input is for the counts").into());
    }
    let plan = Arc::new(input::plan(path)?);
    if args.practice {
        return practice::run(args, plan, &talk, json);
    }
    let fallback = args.fallback.as_deref().map(|path| Fallback::read(path, &plan)).transpose()?;
    let mut decisions: Vec<Decision> = Vec::new();
    let (mut field, mut log) = (args.field.clone(), args.log.clone());
    while let Some(name) = named(&talk, field)? {
        let visit = args.visit.as_deref();
        let path = log.unwrap_or_else(|| beside(args.log.as_deref(), &name, visit.unwrap_or(&today())));
        let Some(mut tally) = Tally::open(&talk, &path, &plan, &name, visit, &args.groups)? else { break };
        let next = tally.run(&talk, fallback.as_ref())?;
        decisions.push(tally.decision());
        tally.close(&talk)?;
        match next {
            Next::Field(name) => (field, log) = (Some(name).filter(|name| !name.is_empty()), None),
            Next::Done => break,
        }
    }
    Ok(match decisions.as_slice() {
        [one] if json => Answer::json(one),
        all if json => Answer::json(&serde_json::json!({ "walks": all })),
        _ => Answer::default(),
    })
}

/// The field's name, asked for where it is not known.
fn named(talk: &Talk, field: Option<String>) -> Result<Option<String>, Failure> {
    let mut field = field;
    loop {
        match field {
            Some(name) if !name.trim().is_empty() => return Ok(Some(name.trim().to_owned())),
            _ => match talk.ask("Which field?")? {
                Some(name) => field = Some(name),
                None => return Ok(None),
            },
        }
    }
}

/// Today, as the clock of this machine has it.
fn today() -> String {
    now().chars().take(10).collect()
}

/// Now, RFC 3339; only told, never relied on.
fn now() -> String {
    jiff::Timestamp::now().to_string()
}

/// A log's place where none is given: beside the first.
fn beside(first: Option<&Path>, field: &str, visit: &str) -> PathBuf {
    let plain = |text: &str| -> String {
        text.chars().map(|c| if c.is_alphanumeric() || "-_.".contains(c) { c } else { '-' }).collect()
    };
    let folder = first.and_then(Path::parent).unwrap_or(Path::new(""));
    folder.join(format!("walk-{}-{}.jsonl", plain(field), plain(visit)))
}
