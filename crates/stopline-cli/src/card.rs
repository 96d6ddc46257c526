//! `stopline card`: the plan as a card for the field.

use crate::failure::Failure;
use crate::output::Answer;
use crate::{arguments, input};
use serde::Serialize;

/// The card with the plan it is of.
#[derive(Serialize)]
struct Carded<'a> {
    plan: &'a str,
    card: &'a str,
}

pub fn run(args: &arguments::Card, json: bool) -> Result<Answer, Failure> {
    let plan = input::plan(&args.plan)?;
    let card = stopline::card(&plan);
    let mut answer =
        if json { Answer::json(&Carded { plan: plan.digest().as_str(), card: &card }) } else { Answer::default() };
    match &args.out {
        Some(path) => answer.files.push((path.clone(), card)),
        None if !json => answer.printed = card,
        None => {}
    }
    Ok(answer)
}
