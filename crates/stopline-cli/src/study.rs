//! The part of `stopline fit --study` for people: tests of the laws fitted to each walk, and the walks together.

use crate::output;
use crate::words::{figures, many, one_line, wrapped};
use stopline::dispersion::{
    Along, Coefficient, Departure, ENOUGH_WALKS, Examination, FieldFit, Fit, How, LEAST_EXPECTED, LeftOut, Line,
    MeanVariance, Order, P, Spread, Study, Why,
};

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
    text += &walks_together(study);
    text
}

fn walks_together(study: &Study) -> String {
    let mut text = "\nAll walks together\n".to_owned();
    let owen = study.bliss_owen;
    text += &format!(
        "k by Bliss and Owen's regression: {} unweighted, {} weighted.\n",
        number(owen.unweighted),
        number(owen.weighted)
    );
    text += &wrapped(
        "",
        &match &study.one_k {
            Ok(test) => format!(
                "One k for all? Deviance {} on {} degrees of freedom; p {} (drawn at the common k), {:.4} by χ², which holds for \
             long walks only.",
                figures(test.deviance),
                test.freedom,
                p(test.p),
                test.p_chi_square
            ),
            Err(why) => format!("One k for all? Not known: {why}."),
        },
    );
    text += &wrapped(
        "",
        &match &study.spread {
            Ok(spread) => spread_words(spread),
            Err(why) => format!("Spread of k over fields: not known: {why}."),
        },
    );
    text += &variance(&study.mean_variance);
    match &study.laws {
        Ok(laws) => {
            let rows = laws.laws.iter().map(|law| {
                let parameters: Vec<String> = law.parameters.iter().flatten().map(|&x| figures(x)).collect();
                vec![law.law.words().to_owned(), parameters.join(", "), figures(law.aic), format!("{:.3}", law.weight)]
            });
            text += &output::table(&["law, by likelihood", "fitted", "AIC", "weight"], rows, 1);
            text += &wrapped("", &laws.words);
        }
        Err(why) => text += &format!("Which law the walks support is not known: {why}.\n"),
    }
    text + &along(&study.order)
}

/// The laws of variance by regression.
pub fn variance(law: &MeanVariance) -> String {
    let mut text = "\nVariance against mean\n".to_owned();
    let line = |of: &Result<Line, Why>, left_out: LeftOut, names: [&str; 2]| match of {
        Ok(line) => {
            let limits = |name: &str, c: &Coefficient| {
                format!("{name} {} ({} to {}, SE {})", figures(c.value), figures(c.low), figures(c.high), figures(c.se))
            };
            let LeftOut { one_site, without_any, equal_counts } = left_out;
            format!(
                "{}, {}; r² {}; {}; left out: {without_any} without any, {equal_counts} with equal counts, {one_site} of one \
                 site.",
                limits(names[0], &line.intercept),
                limits(names[1], &line.slope),
                figures(line.r_squared),
                many(line.points as u64, "walk"),
            )
        }
        Err(why) => format!("not known: {why}."),
    };
    let power_law = line(&law.power_law, law.power_law_left_out, ["log10 a", "b"]);
    let a = law.a_and_b().map_or_else(String::new, |(a, _)| format!("a {}; ", figures(a)));
    text += &wrapped("", &format!("Power law a·m^b: {a}{power_law}"));
    let patchiness = line(&law.patchiness, law.patchiness_left_out, ["α", "β"]);
    text += &wrapped("", &format!("Mean crowding α + β·m: {patchiness}"));
    if !law.k_at.is_empty() {
        let rows = law.k_at.iter().map(|at| {
            let [low, high] = at.limits.map(|k| if k.is_finite() { figures(k) } else { "not clumped".to_owned() });
            let among = if at.among_the_means { "" } else { "beyond the walks' means: a guess" };
            vec![figures(at.mean), figures(at.variance), crate::fit::k(at.k), low, high, among.to_owned()]
        });
        text += &output::table(&["mean", "variance", "k by the power law", "low", "high", ""], rows, 0);
    }
    text
}

fn along(order: &Order) -> String {
    let of = |along: &Result<Along, Why>| match along {
        Ok(along) => format!("{} (p {})", figures(along.value), p(along.p)),
        Err(why) => format!("not known: {why}"),
    };
    let shared = match order.shared {
        Ok(shared) => format!("{} (limits {} to {})", figures(shared.rho), figures(shared.low), figures(shared.high)),
        Err(why) => format!("not known: {why}"),
    };
    let runs = order.run_length;
    let mut text = format!("\nOrder of sites along the walk ({})\n", many(order.walks as u64, "walk"));
    text += &wrapped(
        "",
        &format!(
            "Correlation of neighbours {}; variance between runs of {runs} sites over that within {}; share of the clumping \
         that sites of such a run have in common {shared}. p: chance in random order.",
            of(&order.neighbours),
            of(&order.runs)
        ),
    );
    if order.alike() {
        text += &wrapped(
            "Caution     ",
            "neighbouring sites are alike. Plans take sites as independent: theirs are larger risks than they say; plan --from \
             tells by how much. Sites farther apart, or spread over the field, are less alike.",
        );
    }
    text
}

fn spread_words(spread: &Spread) -> String {
    let bound = match spread.prediction_low {
        Ok(k) => format!(
            "the next field's k is above {} in {} of 100 fields: to plan for such a field, --k {}",
            figures(k),
            figures(100.0 * spread.level.get()),
            figures(k)
        ),
        Err(why) => format!("no prediction: {why}"),
    };
    let few = if spread.few_walks() {
        format!(
            " Careful: {} are too few (below {ENOUGH_WALKS}); k may well differ more than they show, and the prediction is \
             then too high.",
            many(spread.walks as u64, "walk")
        )
    } else {
        String::new()
    };
    format!(
        "Spread of k over fields: median {}, standard deviation of ln k {} ({}); {bound}.{few}",
        figures(spread.median),
        figures(spread.sd_log),
        many(spread.walks as u64, "walk"),
    )
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
