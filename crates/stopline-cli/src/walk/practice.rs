//! A practice field: counts come from a hidden mean. Nothing is kept, so that it cannot be mistaken for a field.

use super::line::{self, Typed};
use super::talk::Talk;
use crate::arguments;
use crate::decide;
use crate::failure::Failure;
use crate::output::Answer;
use crate::values;
use crate::words::{figures, many};
use std::sync::Arc;
use stopline::decide::{Entry, Practice, Walk};
use stopline::plan::Plan;

pub fn run(args: &arguments::Walk, plan: Arc<Plan>, talk: &Talk, json: bool) -> Result<Answer, Failure> {
    let seed = args.seed.as_deref().map(|text| values::whole("--seed", text, 0, u64::MAX)).transpose()?;
    let seed = seed.unwrap_or_else(|| u64::try_from(jiff::Timestamp::now().as_microsecond()).unwrap_or(1));
    let mut field = Practice::new(&plan, seed)?;
    let mut walk = Walk::new(plan);
    talk.say("A practice field: its mean is hidden, its counts are made up, nothing is kept.")?;
    talk.say("Press Enter for each site. The words undo and end do as on a walk.")?;
    loop {
        let d = walk.decision();
        talk.loud(&decide::verdict(&d))?;
        talk.say(&format!("Total {} after {}.", d.total, many(d.sites, "site")))?;
        if let Some(check) = &d.next_check {
            talk.say(&decide::next_check(check, d.total))?;
        }
        if d.ended_by.is_some() {
            break;
        }
        let Some(text) = talk.ask("Next site?")? else { break };
        match line::read(&text, &walk.plan().asked().score, &[]) {
            Ok(Typed::Nothing) => {
                let site = field.site();
                let counts: Vec<String> = site.groups.iter().flatten().map(ToString::to_string).collect();
                talk.say(&format!("You count {}.", counts.join(" + ")))?;
                walk.push(Entry::Site(site))?;
            }
            Ok(Typed::Undo) => {
                if let Err(e) = walk.push(Entry::Undo) {
                    talk.say(&format!("Not taken: {e}"))?;
                }
            }
            Ok(Typed::End | Typed::Leave) => walk.push(Entry::Close)?,
            _ => talk.say("Here the field counts: press Enter, or type undo or end.")?,
        }
    }
    let d = walk.decision();
    decide::learnt(&d, walk.plan().asked()).iter().try_for_each(|text| talk.say(text))?;
    talk.say(&format!("The hidden mean was {}.", figures(field.mean().get())))?;
    Ok(if json {
        Answer::json(&serde_json::json!({"practice": true, "hidden_mean": field.mean(), "decision": d}))
    } else {
        Answer::default()
    })
}
