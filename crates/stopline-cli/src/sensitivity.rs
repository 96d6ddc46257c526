//! `stopline evaluate --sensitivity`: a plan where one thing after the other is not as it was thought.

use crate::output;
use crate::words::{figures, in_100, wrapped};
use stopline::evaluate::{Case, Otherwise, Sensitivity};
use stopline::plan::Plan;
use stopline::{Error, Mean};

/// The thresholds and their geometric middle; or what is asked.
pub fn means(plan: &Plan, asked: Option<Vec<Mean>>) -> Result<Vec<Mean>, Error> {
    let own = || -> Result<Vec<Mean>, Error> {
        let thresholds = plan.asked().thresholds().ok_or_else(|| {
            Error::new(stopline::Code::Usage, "--means", "missing", "true means, for a plan without thresholds")
        })?;
        let (low, high) = (thresholds.inadequate(), thresholds.adequate());
        Ok(vec![low, Mean::new((low.get() * high.get()).sqrt())?, high])
    };
    asked.map_or_else(own, Ok)
}

fn name(otherwise: Otherwise) -> String {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    match otherwise {
        Otherwise::AsPlanned => "as planned".to_owned(),
        Otherwise::K(times) if times.is_infinite() => "counts are not clumped".to_owned(),
        Otherwise::K(times) => format!("k is {} times that", figures(times)),
        Otherwise::Caught(share) => format!("the bucket catches {}", percent(share)),
        Otherwise::Finds(share) => format!("an observer finds {} less", percent(1.0 - share)),
        Otherwise::Bare(share) => format!("{} of the field is bare", percent(share)),
        Otherwise::Corner(sites) => format!("first {sites} sites from one corner"),
        _ => otherwise.word().0.to_owned(),
    }
}

/// One table: calls and sites at each mean.
pub fn text(found: &Sensitivity) -> String {
    let Some(first) = found.cases.first() else { return String::new() };
    let mut headings = vec!["\n".to_owned()];
    headings.extend(first.rows.iter().map(|row| format!("adequate\nat {}", figures(row.mean))));
    headings.extend(first.rows.iter().map(|row| format!("sites\nat {}", figures(row.mean))));
    let headings: Vec<&str> = headings.iter().map(String::as_str).collect();
    let row = |case: &Case| {
        let mut cells = vec![name(case.otherwise)];
        cells.extend(case.rows.iter().map(|row| in_100(row.adequate)));
        cells.extend(case.rows.iter().map(|row| format!("{:.1}", row.expected_sites)));
        cells
    };
    let head = format!(
        "What if one thing is otherwise? Fields in 100 called adequate and sites on average, exactly; planned with k {}\n\n",
        figures(found.k.get())
    );
    head + &output::table(&headings, found.cases.iter().map(row), 1)
        + "\n"
        + &wrapped(
            "",
            "Means are of the enemies on the plants of a site, over the whole field. A bucket or an observer who misses \
             some thins the counts: k stays, and a plan for thresholds times the share found errs as planned. In a field \
             with a bare part the other sites hold more. From one corner sites have all of their clumping in common, and \
             say little of the rest of the field.",
        )
}
