//! The part of `stopline fit --study` for people: tests of the laws fitted to each walk.

use crate::output;
use crate::words::{figures, one_line, wrapped};
use stopline::dispersion::{Departure, Examination, FieldFit, Fit, How, LEAST_EXPECTED, P, Study, Why};

pub fn text(fit: &Fit, study: &Study) -> String {
    let mut text = "\nPrecision of each walk's k, and other estimates of it\n".to_owned();
    let headings = ["field", "visit", "k", "SE observed", "SE expected", "k moments", "k empty sites"];
    text += &output::table(&headings, fit.fields.iter().map(precision), 2);
    text += "\nChance (p) of counts as far from each law as these, or farther, if the law were true\n";
    let headings = ["field", "visit", "independent", "neg. binomial χ²", "df", "p", "U p", "T p", "more empty p"];
    text += &output::table(&headings, fit.fields.iter().zip(&study.tests).map(tests), 2);
    let drawn = format!("{} sets of counts drawn from seed {}", study.draws.number(), study.draws.seed());
    text += &wrapped(
        "",
        &format!(
            "independent: the sites vary no more than independent counts (exact given the total; ~ by χ², * drawn). χ²: classes \
         of at least {LEAST_EXPECTED} expected sites, counted up from 0. U: variance, T: third moment, more empty: empty sites \
         beyond the negative binomial (* {drawn}; ~ as in many sites). With many walks some p are small by chance."
        ),
    );
    text
}

fn named(field: &FieldFit) -> [String; 2] {
    [one_line(&field.field), one_line(&field.visit)]
}

/// A number, or `-`: the reason is in the JSON.
fn number(x: Result<f64, Why>) -> String {
    x.map_or_else(|_| "-".to_owned(), figures)
}

fn precision(field: &FieldFit) -> Vec<String> {
    let k = [field.ml.k, field.moments, field.zero_class].map(crate::fit::k);
    let [ml, moments, empty] = k;
    let row = [ml, number(field.se_observed), number(field.se_expected), moments, empty];
    named(field).into_iter().chain(row).collect()
}

/// p with a mark of how it was got.
pub fn p(p: P) -> String {
    let mark = match p.how {
        How::Exact => "",
        How::Drawn { .. } => "*",
        _ => "~",
    };
    let p = if p.p < 0.0001 { "<0.0001".to_owned() } else { format!("{:.4}", p.p) };
    p + mark
}

fn tests((field, tests): (&FieldFit, &Examination)) -> Vec<String> {
    let or_dash = |of: Result<P, Why>| of.map_or_else(|_| "-".to_owned(), p);
    let departure = |d: &Departure| or_dash(d.p);
    let chi_square = tests.negative_binomial.as_ref().ok();
    let row = [
        or_dash(tests.clumping.map(|test| test.p)),
        chi_square.map_or_else(|| "-".to_owned(), |fit| figures(fit.chi_square)),
        chi_square.map_or_else(|| "-".to_owned(), |fit| fit.freedom.max(0).to_string()),
        chi_square.and_then(|fit| fit.p.ok()).map_or_else(|| "-".to_owned(), |p| format!("{p:.4}")),
        departure(&tests.shape.u),
        departure(&tests.shape.t),
        departure(&tests.shape.zeros),
    ];
    named(field).into_iter().chain(row).collect()
}
