//! The check of k in words: of a plan, of a walk with its fallback, of a season.

use crate::failure::Failure;
use crate::input;
use crate::output;
use crate::words::{figures, in_100, many, wrapped};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stopline::decide::{Alarmed, CheckedPlan, Decision, FALSE_ALARMS, Season, Walk};
use stopline::plan::Plan;
use stopline::{Code, Error};

/// The plan for a lower k that is kept beside a plan.
pub struct Fallback {
    path: PathBuf,
    plan: Arc<Plan>,
}

impl Fallback {
    /// Reads it; it must score the same sites.
    pub fn read(path: &Path, beside: &Plan) -> Result<Self, Failure> {
        let plan = input::plan(path)?;
        let (here, there) = (plan.asked(), beside.asked());
        if here.score != there.score || here.plants != there.plants {
            let allowed = "a plan for the same sites, scored alike";
            return Err(Error::new(Code::Combination, "--fallback", path.display(), allowed).into());
        }
        Ok(Self { path: path.to_owned(), plan: Arc::new(plan) })
    }

    /// What it says of the sites of a walk.
    pub fn decision(&self, walk: &Walk) -> Result<Decision, Error> {
        Ok(Walk::resume(Arc::clone(&self.plan), walk.entries().iter().cloned())?.decision())
    }

    pub fn name(&self) -> String {
        self.path.display().to_string()
    }
}

/// Is the walk more clumped than planned?
pub fn alarmed(d: &Decision) -> bool {
    d.check_of_k.as_ref().is_some_and(|look| look.alarmed_at.is_some())
}

/// The check of a plan, for its report.
pub fn of_plan(plan: &Plan) -> String {
    match plan.check_of_k() {
        Ok(check) => {
            let noticed = check.power().iter().map(|p| p.alarmed);
            let (low, high) = noticed.fold((1.0_f64, 0.0_f64), |(low, high), p| (low.min(p), high.max(p)));
            let whole = |p: f64| format!("{:.0}", 100.0 * p);
            let range =
                if whole(low) == whole(high) { whole(low) } else { format!("{} to {}", whole(low), whole(high)) };
            let less = if check.k().is_some() { "half that k" } else { "twice the variance" };
            format!(
                "k is checked while walking, after each site from the third: alarm where counts so uneven would come at most {} times in 100; false alarms on at most {} walks of 100; a field with {less} is noticed on {range} of 100 only, so that silence is not reassurance.",
                figures(100.0 * check.level()),
                figures(100.0 * FALSE_ALARMS)
            )
        }
        Err(e) => format!("k is not checked while walking: {e}."),
    }
}

/// The check of a plan in full.
pub fn text(of: &CheckedPlan) -> String {
    let k = of.k.map_or("counts without clumping".to_owned(), |k| format!("k {}", figures(k)));
    let mut out = wrapped(
        "",
        &format!(
            "After each site from the third the counts are held against {k}. A look alarms where counts so uneven, or more, would come at most {} times in 100, given sites and total; totals above {} are not looked at. Over a whole walk at most {} walks in 100 are alarmed without reason, most at mean {}.",
            figures(100.0 * of.level),
            of.totals_to,
            in_100(of.false_alarms),
            figures(of.worst_mean)
        ),
    );
    out += "\nWalks alarmed, of 100\n";
    let row = |row: &Alarmed| {
        let mut cells = vec![figures(row.mean), format!("{:.1}", 100.0 * row.as_planned)];
        cells.extend(row.more_clumped.iter().map(|(k, p)| format!("{:.1} (k {})", 100.0 * p, figures(*k))));
        cells
    };
    let headings = ["mean", "as planned", "more clumped", "still more"];
    out += &output::table(&headings, of.rows.iter().map(row), 0);
    let seasons = of.seasons.iter().map(|season| {
        vec![season.fields.to_string(), format!("{:.1} ± {:.1}", 100.0 * season.noticed, 100.0 * season.se)]
    });
    if let Some(first) = of.seasons.first() {
        out += &format!(
            "\nFields of a season together (fit --stopped-by), at mean {} and k {}: seasons noticed, of 100\n",
            figures(first.mean),
            figures(first.k)
        );
        out += &output::table(&["fields", "noticed"], seasons, 0);
    }
    out + "\n" + &wrapped("", "Silence is not reassurance: most fields that are more clumped go unnoticed.")
}

/// What a season's walks say together.
pub fn season(of: &Season, k: Option<f64>) -> String {
    let than = k.map_or("counts without clumping".to_owned(), |k| format!("k {}", figures(k)));
    let verdict = if of.p <= FALSE_ALARMS {
        "More clumped than the plan takes them to be: its risks may not hold; a plan for a lower k is the careful one."
    } else {
        "No sign of more clumping than planned; few fields can hide it."
    };
    let left = match of.left_out {
        0 => String::new(),
        n => format!(" {} left out (one site, or a total too large).", many(n as u64, "walk")),
    };
    wrapped(
        "",
        &format!(
            "{} together, given where the plan stopped them: {than} would give counts so uneven or more in {} seasons of 100. {verdict}{left}",
            many(of.walks as u64, "walk"),
            figures(100.0 * of.p)
        ),
    )
}
