//! What counting less costs in sites beside counting in full, how each way bears another k, and the minutes it saves.

use crate::output;
use crate::words::{in_100, wrapped};
use stopline::plan::{Design, Plan, Scored};
use stopline::{Code, Dispersion, Error, K, Minutes, Score, Watch};

/// Whether there is such a table for a design: where it scores less than every enemy, and one k tells how often a site
/// holds how many.
fn told(design: &Design) -> Option<K> {
    let less = design.score != Score::Count && design.risks().is_some();
    design.dispersion.constant_k().filter(|_| less)
}

/// Minutes are for the table only.
pub fn check(design: &Design, minutes: Option<Minutes>) -> Result<(), Error> {
    if minutes.is_none() || told(design).is_some() {
        return Ok(());
    }
    let allowed =
        "for two calls with --score positive or --counted-to and one k of all means; `stopline compare` for others";
    Err(Error::new(Code::Combination, "--minutes-site and the like", "given", allowed))
}

/// The table; empty where there is none.
pub fn less(plan: &Plan, minutes: Option<Minutes>, watch: &dyn Watch) -> Result<String, Error> {
    let asked = plan.asked();
    let Some(k) = told(asked) else { return Ok(String::new()) };
    // Of an uncertain k its middle value: the columns show another k.
    let design = Design { dispersion: Dispersion::ConstantK { k }, ..asked.clone() };
    let ways = match &design.score {
        Score::Capped { .. } => vec![design.score.clone()],
        _ => design.tallies()?,
    };
    let scored = design.scored(&[vec![Score::Count], ways].concat(), minutes, watch)?;
    let mut headings = vec![
        "\nscored",
        "fewest\nfixed",
        "at the\nworst mean",
        "low called adequate\nwith k half, twice",
        "high called inadequate\nwith k half, twice",
    ];
    if minutes.is_some() {
        headings.extend(["minutes a walk\nat low, high, worst", "saved\nat low, high, worst"]);
    }
    let rows = scored.iter().map(|scored| row(scored, minutes.is_some()));
    let mut text = format!(
        "\nWhat counting less costs in sites, and what happens with another k\n{}",
        output::table(&headings, rows, 1)
    );
    let others = scored.get(1..).unwrap_or_default();
    if let (Score::Positive { .. }, Some(best)) = (&design.score, design.steadiest(others)) {
        let mut said = format!("Of these tallies, {} bears another k best", words(&best.score));
        said += &Design::quickest(others).map_or_else(String::new, |quickest| {
            let same = if quickest == best { "it" } else { &words(&quickest.score) };
            format!("; {same} takes the fewest minutes at its worst mean")
        });
        text += &wrapped("", &(said + "."));
    }
    if minutes.is_some() {
        let said = "Minutes by your own times, from the first site to the last: of a site no more enemies are counted than \
                    tell. Saved is beside counting every enemy; below 0 where counting less takes longer.";
        text += &wrapped("", said);
    }
    Ok(text)
}

fn row(scored: &Scored, timed: bool) -> Vec<String> {
    let mut cells = vec![words(&scored.score), scored.fixed.map_or("-".to_owned(), |n| n.to_string())];
    let plan = scored.plan.as_ref();
    cells.push(plan.map_or("-".to_owned(), |plan| format!("{:.1}", plan.most.expected_sites)));
    match plan.and_then(|plan| plan.risks) {
        Some([half, _, twice]) => {
            let both = |i: usize| [half, twice].map(|risks| in_100(risks.get(i).copied().unwrap_or(0.0))).join(", ");
            cells.extend([both(0), both(1)]);
        }
        None => cells.extend(["-".to_owned(), "-".to_owned()]),
    }
    if timed {
        let three =
            |of: Option<[f64; 3]>| of.map_or("-".to_owned(), |of| of.map(|minutes| format!("{minutes:.1}")).join(", "));
        cells.extend([three(plan.and_then(|plan| plan.minutes)), three(scored.minutes_saved)]);
    }
    cells
}

fn words(score: &Score) -> String {
    match score {
        Score::Capped { counted_to, .. } => format!("counted to {counted_to}"),
        Score::Positive { above: 0, .. } => "whether any (--above 0)".to_owned(),
        Score::Positive { above, .. } => format!("whether more than {above} (--above {above})"),
        _ => "every enemy".to_owned(),
    }
}
