//! Other plans beside a plan: what a table typed in could have been, what not knowing k costs.

use crate::output;
use crate::words::{figures, in_100, wrapped};
use stopline::evaluate::{evaluate, largest_expected_sites};
use stopline::plan::{Method, Plan};
use stopline::{Call, Error, Watch};

/// The table, and for a k that differs from field to field what nine of ten fields keep.
pub fn beside(plan: &Plan, watch: &dyn Watch) -> Result<String, Error> {
    let others = plan.beside(watch)?;
    let mut text = String::new();
    if !others.is_empty() {
        let name = |other: &Plan| match (plan.method(), other.asked().dispersion.constant_k()) {
            (Method::Given, _) => format!("{} plan, no larger risks", other.method().as_str()),
            (_, k) => format!("were k known to be {}", k.map_or_else(String::new, |k| figures(k.get()))),
        };
        let rows = std::iter::once(row("this plan".to_owned(), plan, watch))
            .chain(others.iter().map(|other| row(name(other), other, watch)))
            .collect::<Result<Vec<_>, _>>()?;
        let headings = [
            "\n",
            "low called\nadequate",
            "high called\ninadequate",
            "sites at\nlow",
            "sites at\nhigh",
            "at the\nworst mean",
        ];
        text = format!("\nOther plans at the same checks\n{}", output::table(&headings, rows, 1));
    }
    for row in plan.in_nine_of_ten(watch)? {
        let mean = figures(row.mean.get());
        text += &wrapped(
            "",
            &format!(
                "In nine of ten fields truly at {mean} per site, {} is called at most {} times in 100.",
                row.call.as_str(),
                in_100(row.p)
            ),
        );
    }
    Ok(text)
}

fn row(name: String, plan: &Plan, watch: &dyn Watch) -> Result<Vec<String>, Error> {
    let design = plan.asked();
    let means: Vec<_> = design.thresholds().into_iter().flat_map(|t| [t.inadequate(), t.adequate()]).collect();
    let curve = evaluate(plan, &design.dispersion, &means, watch)?.curve;
    let risk = |call: Call| plan.attained().iter().find(|row| row.call == call).map_or(0.0, |row| row.p);
    let most = largest_expected_sites(plan.lines(), &design.score, &design.dispersion)?;
    let sites = curve.rows.iter().map(|row| row.expected_sites).chain([most.expected_sites]);
    let risks = [Call::Adequate, Call::Inadequate].map(|call| in_100(risk(call)));
    Ok(std::iter::once(name).chain(risks).chain(sites.map(|sites| format!("{sites:.1}"))).collect())
}
