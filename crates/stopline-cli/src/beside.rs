//! Other plans beside a plan: what a table typed in could have been, what not knowing k costs.

use crate::output;
use crate::words::{figures, in_100, wrapped};
use stopline::evaluate::{evaluate, evaluate_lines, largest_expected_sites};
use stopline::plan::{Aim, Method, Plan};
use stopline::{Call, Error, Mean, Thresholds, Watch};

/// The table, and for a k that differs from field to field what nine of ten fields keep.
pub fn beside(plan: &Plan, watch: &dyn Watch) -> Result<String, Error> {
    let others = plan.beside(watch)?;
    let mut text = String::new();
    if others.is_empty() {
        if plan.method() == Method::Given && !plan.attained().is_empty() {
            text += "\nNo other plan was found that keeps its risks at the same checks.\n";
        }
    } else {
        let all: Vec<(String, &Plan)> = std::iter::once(("this plan".to_owned(), plan))
            .chain(others.iter().map(|other| (name(plan, other), other)))
            .collect();
        text += "\nOther plans at the same checks";
        text += &match &plan.asked().aim {
            Aim::Precision { .. } => precisions(plan, &all, watch)?,
            Aim::ThreeCalls { .. } => three_calls(&all, watch)?,
            // Of an interval the plans beside it have thresholds, if any.
            _ => two_calls(&all, others.iter().find_map(|other| other.asked().thresholds()), watch)?,
        };
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

fn name(plan: &Plan, other: &Plan) -> String {
    match (plan.method(), other.method(), other.asked().dispersion.constant_k()) {
        (Method::Given, Method::Nominal, _) => "the formula's lines".to_owned(),
        (Method::Given, Method::Tuned, _) => "tuned plan, no less precise".to_owned(),
        (Method::Given, method, _) => format!("{} plan, no larger risks", method.as_str()),
        (.., k) => format!("were k known to be {}", k.map_or_else(String::new, |k| figures(k.get()))),
    }
}

/// The risks of two calls, and sites; for an interval at the means that the plans beside it tell apart.
fn two_calls(all: &[(String, &Plan)], thresholds: Option<Thresholds>, watch: &dyn Watch) -> Result<String, Error> {
    let thresholds = thresholds.map(|t| [t.inadequate(), t.adequate()]);
    let critical = all.iter().find_map(|(_, plan)| match plan.asked().aim {
        Aim::Interval { critical, .. } => Some(critical),
        _ => None,
    });
    let means: Vec<Mean> = thresholds.map_or_else(|| critical.into_iter().collect(), Vec::from);
    let (Some(low), Some(high)) = (means.first(), means.last()) else { return Ok(String::new()) };
    let row = |(name, plan): &(String, &Plan)| {
        let design = plan.asked();
        let rows = evaluate(plan, &design.dispersion, &means, watch)?.curve.rows;
        // Of an uncertain k a plan states the chances that it keeps.
        let stated = |mean: Mean, call: Call, p: f64| {
            let stated = plan.attained().iter().find(|row| (row.mean, row.call) == (mean, call));
            stated.map_or(p, |row| row.p)
        };
        let (first, last) = (rows.first(), rows.last());
        let risks = [
            stated(*low, Call::Adequate, first.map_or(0.0, |row| row.adequate)),
            stated(*high, Call::Inadequate, last.map_or(0.0, |row| row.inadequate)),
        ];
        let most = largest_expected_sites(plan.lines(), &design.score, &design.dispersion)?;
        let sites = rows.iter().map(|row| row.expected_sites).chain([most.expected_sites]);
        let cells = std::iter::once(name.clone()).chain(risks.map(in_100));
        Ok(cells.chain(sites.map(|sites| format!("{sites:.1}"))).collect::<Vec<_>>())
    };
    let rows = all.iter().map(row).collect::<Result<Vec<_>, Error>>()?;
    let mut headings = vec!["\n", "low called\nadequate", "high called\ninadequate"];
    headings.extend(if means.len() == 2 {
        vec!["sites at\nlow", "sites at\nhigh"]
    } else {
        vec!["sites at\ncritical"]
    });
    headings.push("at the\nworst mean");
    let said = if critical.is_some() && means.len() == 2 {
        let (low, high) = (figures(low.get()), figures(high.get()));
        format!("; low is {low}, high {high}, where this plan errs as often as its confidence allows")
    } else {
        String::new()
    };
    Ok(format!("{said}\n{}", output::table(&headings, rows, 1)))
}

/// At each of four means the chance of a wrong call, and sites.
fn three_calls(all: &[(String, &Plan)], watch: &dyn Watch) -> Result<String, Error> {
    let Some((_, plan)) = all.first() else { return Ok(String::new()) };
    let mut means: Vec<Mean> = plan.attained().iter().map(|row| row.mean).collect();
    means.dedup();
    let row = |(name, plan): &(String, &Plan)| {
        let design = plan.asked();
        let wrong = means.iter().map(|mean| {
            let rows = plan.attained().iter().filter(|row| row.mean == *mean);
            in_100(rows.map(|row| row.p).sum())
        });
        let rows = evaluate_lines(plan.lines(), &design.score, &design.dispersion, &means, watch)?.rows;
        let sites = rows.iter().map(|row| format!("{:.1}", row.expected_sites));
        Ok(std::iter::once(name.clone()).chain(wrong).chain(sites).collect::<Vec<_>>())
    };
    let rows = all.iter().map(row).collect::<Result<Vec<_>, Error>>()?;
    let at = |what: &str| means.iter().map(|mean| format!("{what}\nat {}", figures(mean.get()))).collect::<Vec<_>>();
    let headings = [vec!["\n".to_owned()], at("wrong"), at("sites")].concat();
    let headings: Vec<&str> = headings.iter().map(String::as_str).collect();
    Ok(format!(": wrong calls in 100 fields, and sites on average\n{}", output::table(&headings, rows, 1)))
}

/// The worst true precision over the means at which lines lie, and sites.
fn precisions(plan: &Plan, all: &[(String, &Plan)], watch: &dyn Watch) -> Result<String, Error> {
    let Some(over) = plan.means_of_lines() else { return Ok("\n".to_owned()) };
    let [low, high] = over.map(Mean::get);
    let means = [over[0], Mean::new((low * high).sqrt())?, over[1]];
    let row = |(name, plan): &(String, &Plan)| {
        let design = plan.asked();
        let worst = plan.largest_se_over_mean(over, watch)?;
        let rows = evaluate_lines(plan.lines(), &design.score, &design.dispersion, &means, watch)?.rows;
        let sites = rows.iter().map(|row| format!("{:.1}", row.expected_sites));
        Ok([name.clone(), format!("{worst:.3}")].into_iter().chain(sites).collect::<Vec<_>>())
    };
    let rows = all.iter().map(row).collect::<Result<Vec<_>, Error>>()?;
    let at = means.map(|mean| format!("sites\nat {}", figures(mean.get())));
    let headings: Vec<&str> = ["\n", "worst true\nSE/mean"].into_iter().chain(at.iter().map(String::as_str)).collect();
    let over = over.map(|mean| figures(mean.get()));
    Ok(format!(", where its lines lie: means from {} to {}\n{}", over[0], over[1], output::table(&headings, rows, 1)))
}
