//! What must be so before the first site, as far as the plan names it.

use super::talk::Talk;
use crate::failure::Failure;
use stopline::plan::{Method, Plan};

/// What came of the questions.
pub enum Answers {
    /// The walk begins; the answers go into the log.
    Begin(Vec<String>),
    /// It does not.
    NotToday,
}

/// Asks. What the plan does not name is only recalled.
pub fn ask(talk: &Talk, plan: &Plan) -> Result<Answers, Failure> {
    let about = plan.about();
    // A tuned plan's notes are about the means that it was tuned for.
    let notes = if plan.method() == Method::Tuned { "" } else { about.notes.as_str() };
    let named =
        [("Growth stage", about.stage.as_str()), ("Route", &about.route), ("Site", &about.site), ("Conditions", notes)];
    talk.say(
        "Before the first site (common practice): plants are not wet; start beyond the edge rows; space the sites so that the first ones already cross the field.",
    )?;
    let mut notes = Vec::new();
    let mut doubts = false;
    for (name, text) in named.into_iter().filter(|(_, text)| !text.is_empty()) {
        let Some(yes) = talk.yes(&format!("{name}: {text}. Is that so here, today?"))? else {
            return Ok(Answers::NotToday);
        };
        doubts |= !yes;
        notes.push(format!("{name}: {text}: {}", if yes { "yes" } else { "no" }));
    }
    if doubts {
        talk.say("Then the plan was not made for this field today: what it says of risks may not hold.")?;
        if talk.yes("Walk all the same?")? != Some(true) {
            return Ok(Answers::NotToday);
        }
    }
    Ok(Answers::Begin(notes))
}
