//! `stopline verify`: everything a plan file states, recomputed.

use crate::failure::Failure;
use crate::output::Answer;
use crate::words::wrapped;
use crate::{arguments, input};
use serde::Serialize;
use stopline::{Watch, stated};

/// What was found right.
#[derive(Serialize)]
struct Verified<'a> {
    plan: &'a str,
    verified: bool,
}

pub fn run(args: &arguments::Verify, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    let plan = input::plan(&args.plan)?;
    plan.verify(watch).map_err(|e| Failure::from(e).in_file(&args.plan.display().to_string()))?;
    if json {
        return Ok(Answer::json(&Verified { plan: plan.digest().as_str(), verified: true }));
    }
    let mut text = format!("Unchanged since it was made: {}\n", plan.digest());
    stated(&plan).iter().for_each(|said| text += &wrapped("", &format!("Recomputed: {said}")));
    if let Some(proof) = plan.proof() {
        text += &format!(
            "Recomputed: no plan at these checks and risks beats {:.3} sites on average; this one takes {:.3}.\n",
            proof.bound, proof.value
        );
    }
    plan.cautions().iter().for_each(|caution| text += &wrapped("", &caution.text));
    Ok(Answer::text(text))
}
