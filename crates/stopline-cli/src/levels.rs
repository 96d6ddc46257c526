//! `stopline levels`: what pairs of thresholds around a number would cost. None is recommended.

use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::past::Past;
use crate::words::{figures, unit_words, wrapped};
use crate::{arguments, evaluate, request, values};
use serde::Serialize;
use stopline::decide::standing_cautions;
use stopline::plan::{Level, levels};
use stopline::{Dispersion, MOST_SITES, Plants, Unit, Watch};

/// What programs see; all means are per site.
#[derive(Serialize)]
struct Told {
    format: &'static str,
    version: u32,
    around: f64,
    false_adequate: f64,
    false_inadequate: f64,
    min_sites: u32,
    levels: Vec<Pair>,
}

#[derive(Serialize)]
struct Pair {
    inadequate: f64,
    adequate: f64,
    dispersion: &'static str,
    k: Option<f64>,
    /// Null where more than 100 000 would be needed.
    fixed_sites: Option<u32>,
    /// Null where there is no calibrated plan.
    largest_expected_sites: Option<f64>,
    at_mean: Option<f64>,
    past: Option<PastMeans>,
}

#[derive(Serialize)]
struct PastMeans {
    at_or_below: usize,
    between: usize,
    at_or_above: usize,
}

pub fn run(args: &arguments::Levels, json: bool, watch: &dyn Watch) -> Result<Answer, Failure> {
    let around = values::mean("--around", &args.around)?;
    let ks = args.k.as_deref().map(|text| values::list("--k", text, values::k)).transpose()?;
    let risks = args.risks.risks()?;
    let min_sites = values::whole("--min-sites", &args.min_sites, 1, MOST_SITES)?;
    let asked_plants = args.reading.plants()?;
    let past = args.from.as_deref().map(|path| Past::read(path, &args.reading, watch)).transpose()?;
    let plants = past.as_ref().filter(|p| p.plants_known()).map(|p| p.counts.plants).or(asked_plants);
    let unit = request::unit(args.per.as_deref(), plants)?;
    let plants = plants.unwrap_or(Plants::ONE); // then the unit is a site
    let around = request::per_site("--around", around, unit, plants)?;
    let dispersions: Vec<Dispersion> = match (ks, &past) {
        (Some(ks), _) => ks.into_iter().map(|k| Dispersion::ConstantK { k }).collect(),
        (None, Some(past)) => [Some(past.for_plan.dispersion), past.for_plan.lower].into_iter().flatten().collect(),
        (None, None) => Vec::new(), // the parser asks for one of them
    };
    let means = past.as_ref().map(Past::means);
    let found = levels(around, &dispersions, risks, min_sites, means.as_deref().unwrap_or_default(), watch)
        .map_err(request::in_flags)?;
    let notes = past.as_ref().map(|past| past.counts.notes()).unwrap_or_default();
    if json {
        let told = Told {
            format: "stopline/levels",
            version: 1,
            around: around.get(),
            false_adequate: risks.false_adequate().get(),
            false_inadequate: risks.false_inadequate().get(),
            min_sites,
            levels: found.iter().map(|level| pair(level, past.is_some())).collect(),
        };
        return Ok(Answer { notes, ..Answer::json(&told) });
    }
    let mut text = format!(
        "Pairs of thresholds around {} per site, risks {} and {}\n",
        figures(around.get()),
        figures(risks.false_adequate().get()),
        figures(risks.false_inadequate().get())
    );
    notes.iter().for_each(|note| text += &wrapped("Note: ", note));
    text.push('\n');
    text += &table(&found, unit, plants, means.is_some());
    text.push('\n');
    text += &wrapped(
        "",
        "Sites on average: of the calibrated plan whose cap is half as many sites again as the fewest fixed ones, at \
         the true mean where it takes most. No pair is recommended: thresholds come from local advice.",
    );
    text.push('\n');
    standing_cautions().iter().for_each(|caution| text += &wrapped("", &caution.text));
    Ok(Answer::text(text))
}

fn pair(level: &Level, with_past: bool) -> Pair {
    let [at_or_below, between, at_or_above] = level.past;
    Pair {
        inadequate: level.thresholds.inadequate().get(),
        adequate: level.thresholds.adequate().get(),
        dispersion: level.dispersion.name(),
        k: level.dispersion.constant_k().map(stopline::K::get),
        fixed_sites: level.fixed.map(|f| f.sites),
        largest_expected_sites: level.calibrated.map(|c| c.expected_sites),
        at_mean: level.calibrated.map(|c| c.mean),
        past: with_past.then_some(PastMeans { at_or_below, between, at_or_above }),
    }
}

fn table(found: &[Level], unit: Unit, plants: Plants, with_past: bool) -> String {
    let unit_heading = format!("inadequate / adequate\nper {}", unit_words(unit));
    let mut headings = vec!["inadequate / adequate\nper site"];
    if unit != Unit::Site {
        headings.push(&unit_heading);
    }
    headings.extend(["clumping\n", "fewest\nfixed sites", "sites on\naverage"]);
    if with_past {
        headings.push("past walks: at or below\nbetween / at or above");
    }
    let row = |level: &Level| {
        let (low, high) = (level.thresholds.inadequate().get(), level.thresholds.adequate().get());
        let pair = |per: f64| format!("{} / {}", figures(low / per), figures(high / per));
        let mut cells = vec![pair(1.0)];
        if unit != Unit::Site {
            cells.push(pair(unit.in_a_site(plants)));
        }
        cells.push(evaluate::under(&level.dispersion));
        cells.push(level.fixed.map_or_else(|| format!("over {MOST_SITES}"), |f| f.sites.to_string()));
        cells.push(level.calibrated.map_or_else(|| "-".to_owned(), |c| format!("{:.1}", c.expected_sites)));
        if with_past {
            cells.push(level.past.map(|n| n.to_string()).join(" / "));
        }
        cells
    };
    output::table(&headings, found.iter().map(row), 1)
}
