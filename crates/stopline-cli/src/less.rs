//! What counting less costs in sites beside counting in full, and how each way bears another k.

use crate::output;
use crate::words::in_100;
use stopline::plan::{Design, Plan, Scored};
use stopline::{Dispersion, Error, Score, Watch};

/// The table, for a plan that scores less than every enemy; empty for others, and where no k tells how often a site
/// holds how many.
pub fn less(plan: &Plan, watch: &dyn Watch) -> Result<String, Error> {
    let asked = plan.asked();
    let Some(k) = asked.dispersion.constant_k().filter(|_| asked.risks().is_some()) else { return Ok(String::new()) };
    // Of an uncertain k its middle value: the columns show another k.
    let design = Design { dispersion: Dispersion::ConstantK { k }, ..asked.clone() };
    let ways = match &design.score {
        Score::Count => return Ok(String::new()),
        Score::Capped { .. } => vec![design.score.clone()],
        _ => design.tallies()?,
    };
    let scored = design.scored(&[vec![Score::Count], ways].concat(), watch)?;
    let headings = [
        "\nscored",
        "fewest\nfixed",
        "at the\nworst mean",
        "low called adequate\nwith k half, twice",
        "high called inadequate\nwith k half, twice",
    ];
    let rows = scored.iter().map(row);
    let mut text = format!(
        "\nWhat counting less costs in sites, and what happens with another k\n{}",
        output::table(&headings, rows, 1)
    );
    if let (Score::Positive { .. }, Some(best)) = (&design.score, design.steadiest(scored.get(1..).unwrap_or_default()))
    {
        let said = words(&best.score);
        text += &format!("Of these tallies, {said} bears another k best.\n");
    }
    Ok(text)
}

fn row(scored: &Scored) -> Vec<String> {
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
