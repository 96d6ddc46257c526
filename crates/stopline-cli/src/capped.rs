//! The fit of sites that were counted to a most.

use crate::arguments;
use crate::failure::Failure;
use crate::fit::{k, limits, plants};
use crate::output::{self, Answer};
use crate::words::{figures, many, one_line};
use stopline::counts::Counts;
use stopline::dispersion::{CappedField, fit_capped};
use stopline::{Code, Error, Level, Watch};

/// The fit of sites that were counted to a most.
pub fn fit(
    args: &arguments::Fit,
    counts: &Counts,
    most: u32,
    level: Level,
    json: bool,
    watch: &dyn Watch,
) -> Result<Answer, Failure> {
    let others = [
        ("--study", args.study),
        ("--stopped-by", args.stopped_by.is_some()),
        ("--above", args.above.is_some()),
        ("--csv", args.csv.is_some()),
        ("--summary", args.summary),
        ("--quality", args.quality.is_some()),
        ("--minutes-site", args.minutes_site.is_some()),
    ];
    if let Some((flag, _)) = others.into_iter().find(|(_, given)| *given) {
        return Err(Error::new(Code::Combination, flag, "given", "not with --counted-to").into());
    }
    let fit = fit_capped(counts, most, level, watch)?;
    if json {
        return Ok(Answer { notes: counts.notes(), ..Answer::json(&fit) });
    }
    let mut text =
        format!("{} of {}, counted to {most}\n", many(counts.walks.len() as u64, "walk"), plants(counts.plants.get()));
    counts.notes().iter().for_each(|note| text += &format!("Note: {note}\n"));
    text.push('\n');
    let headings = ["field", "visit", "sites", "at the most", "missing", "mean of full counts", "k", "limits of k"];
    let row = |field: &CappedField| {
        let [sites, full] = [field.sites, field.at_most].map(|n| n.to_string());
        let mean = field.mean.map_or_else(|| "-".to_owned(), figures);
        let names = [&field.field, &field.visit].map(|name| one_line(name));
        let numbers = [sites, full, field.missing.to_string(), mean, k(field.ml.k), limits(&field.ml)];
        names.into_iter().chain(numbers).collect()
    };
    text += &output::table(&headings, fit.fields.iter().map(row), 2);
    text.push('\n');
    let ways = [
        ("adjusted for the fitted means (Cox and Reid), which a plan uses", &fit.adjusted),
        ("plain maximum likelihood, too large for short walks", &fit.ml),
    ];
    let rows = ways.map(|(how, e)| vec![how.to_owned(), k(e.k), limits(e)]);
    text += &output::table(&["k common to all walks", "k", "limits of k"], rows, 1);
    text +=
        &format!("\nLimits at level {}. The smaller k, the more clumped: variance m + m²/k at mean m.\n", level.get());
    Ok(Answer::text(text))
}
