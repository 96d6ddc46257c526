//! What `stopline fit` tells of groups of enemies, of places and of observers.

use crate::arguments::{ApartArguments, Fit as Arguments};
use crate::failure::Failure;
use crate::fit::{k, limits};
use crate::words::{figures, many, one_line, wrapped};
use crate::{input, output, study, values};
use stopline::counts::{Counts, Reading, Weights};
use stopline::dispersion::{
    Fit, GroupFit, HowWeighed, ObserverFit, ObserversFit, P, Places, Placing, Studying, WeightedFit, Why, Within,
};
use stopline::{Code, Error, Watch};

/// What is asked, checked before counts are read.
pub struct Asked {
    each: bool,
    weights: Option<Weights>,
    place: Option<([String; 2], Placing)>,
    observer: Option<String>,
}

impl Asked {
    pub fn of(args: &Arguments) -> Result<Self, Error> {
        let ApartArguments { each, weights, place, blocks, distances, observer } = &args.apart;
        let weights = weights.as_deref().map(read_weights).transpose()?;
        let place = place.as_deref().map(|text| read_place(text, blocks.as_deref(), distances.as_deref()));
        let asked = Self { each: *each, weights, place: place.transpose()?, observer: observer.clone() };
        let drawing = args.study || asked.weights.is_some() || asked.place.is_some() || asked.observer.is_some();
        for (flag, given) in [("--draws", &args.draws), ("--seed", &args.seed)] {
            if given.is_some() && !drawing && args.reading.one_row_per.as_deref() != Some("plant") {
                let allowed = "only with --study, --weights, --place, --observer or --one-row-per plant";
                return Err(Error::new(Code::Combination, flag, "given", allowed));
            }
        }
        Ok(asked)
    }

    /// The counts, with what is asked beside them.
    pub fn counts(&self, args: &Arguments) -> Result<Counts, Failure> {
        let mut how: Reading = args.reading.reading()?;
        if let (Some(weights), []) = (&self.weights, &how.count[..]) {
            how.count = weights.whole().iter().map(|(name, _)| name.clone()).collect();
        }
        how.place = self.place.as_ref().map(|(columns, _)| columns.clone());
        how.observer.clone_from(&self.observer);
        input::counts_as(&args.counts, &args.reading, &how)
    }

    /// The fit with all that.
    pub fn add(&self, mut fit: Fit, counts: &Counts, how: &Studying, watch: &dyn Watch) -> Result<Fit, Error> {
        if self.each {
            fit = fit.with_groups(counts, watch)?;
        }
        if let Some(weights) = &self.weights {
            fit = fit.with_weighted(counts, weights, how.draws, watch)?;
        }
        if let Some((_, placing)) = &self.place {
            fit = fit.with_places(counts, placing, how.draws, watch)?;
        }
        if self.observer.is_some() {
            fit = fit.with_observers(counts, how.draws, watch)?;
        }
        Ok(fit)
    }
}

fn read_weights(text: &str) -> Result<Weights, Error> {
    let one = |part| {
        let refused = || Error::new(Code::Usage, "--weights", text, "NAME=WEIGHT,... with the names of columns");
        let (name, weight) = str::rsplit_once(part, '=').ok_or_else(refused)?;
        Ok((name.trim(), weight))
    };
    let weights = text.split(',').map(one).collect::<Result<Vec<_>, Error>>()?;
    Weights::new(&weights).map_err(|e| {
        let name = format!("--weights, {}", e.what());
        e.named(name)
    })
}

fn read_place(text: &str, blocks: Option<&str>, distances: Option<&str>) -> Result<([String; 2], Placing), Error> {
    let length = |flag: &str, text: &str| values::number(flag, text, "above 0");
    let one = |part: &str| match part.rsplit_once('=') {
        None => Ok((part.to_owned(), 1.0)),
        Some((name, unit)) => Ok((name.to_owned(), length("--place", unit)?)),
    };
    let both = text.split(',').map(one).collect::<Result<Vec<_>, Error>>()?;
    let [(x, of_x), (y, of_y)] = <[_; 2]>::try_from(both)
        .map_err(|_| Error::new(Code::Usage, "--place", text, "two columns with a comma between"))?;
    let lengths = |flag, text: Option<&str>| text.map_or(Ok(Vec::new()), |text| values::list(flag, text, length));
    let (blocks, distances) = (lengths("--blocks", blocks)?, lengths("--distances", distances)?);
    let flags = |e: Error| {
        let flag = match e.what() {
            "distance" => "--distances",
            "side of blocks" => "--blocks",
            _ => "--place",
        };
        e.named(flag)
    };
    Ok(([x, y], Placing::new([of_x, of_y], &blocks, &distances).map_err(flags)?))
}

/// All of it for people.
pub fn text(fit: &Fit) -> String {
    let groups = fit.groups.as_deref().map(groups).unwrap_or_default();
    let weighted = fit.weighted.as_ref().map(weighted).unwrap_or_default();
    let places = fit.places.as_ref().map(places).unwrap_or_default();
    let observers = fit.observers.as_ref().map(observers).unwrap_or_default();
    groups + &weighted + &places + &observers
}

fn groups(groups: &[GroupFit]) -> String {
    let rows = groups.iter().map(|GroupFit { group, fit }| {
        let (mut sites, mut total) = (0, 0.0);
        for field in &fit.fields {
            sites += field.sites;
            total += field.mean.unwrap_or(0.0) * field.sites as f64;
        }
        let common = &fit.common.conditional;
        let mean = if sites > 0 { figures(total / sites as f64) } else { "-".to_owned() };
        vec![one_line(group), sites.to_string(), mean, fit.common.walks_used.to_string(), k(common.k), limits(common)]
    });
    let headings = ["group by itself", "sites", "mean", "walks with any", "k common to them", "limits of k"];
    format!("\n{}", output::table(&headings, rows, 1))
}

fn weighted(of: &WeightedFit) -> String {
    let weights = of.weights.whole().iter().zip(of.weights.values());
    let weights: Vec<String> = weights.map(|((name, _), w)| format!("{} {}", figures(w), one_line(name))).collect();
    let mut text = format!("\nWeighted sum: {}\n", weights.join(" + "));
    match &of.how {
        HowWeighed::Count(fit) => {
            let common = &fit.common.conditional;
            text += &format!("k common to all walks {} (limits {})\n", k(common.k), limits(common));
        }
        HowWeighed::Resampled(told) => {
            let number = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), figures);
            let rows = told.fields.iter().map(|field| {
                vec![
                    one_line(&field.field),
                    one_line(&field.visit),
                    field.sites.to_string(),
                    number(field.mean),
                    number(field.variance),
                    k(field.k),
                ]
            });
            text += &output::table(&["field", "visit", "sites", "mean", "variance", "k moments"], rows, 2);
            let limits = match told.no_limits {
                Some(why) => format!("no limits: {why}"),
                None => format!("limits {}", limits(&told.common)),
            };
            text += &format!("k common to all walks, by moments: {} ({limits})\n", k(told.common.k));
            if let Some((a, b)) = told.mean_variance.a_and_b() {
                text += &format!("Power law: variance {}·m^{}\n", figures(a), figures(b));
            }
        }
    }
    text + &wrapped("", &of.words())
}

fn p(of: &Result<P, Why>) -> String {
    of.map_or_else(|_| "-".to_owned(), study::p)
}

fn places(of: &Result<Places, Why>) -> String {
    let of = match of {
        Ok(of) => of,
        Err(why) => return wrapped("", &format!("What the places of sites tell is not known: {why}.")),
    };
    let mut text = format!(
        "\nPlaces of {} ({}{})\n",
        many(of.sites as u64, "site"),
        many(of.walks as u64, "walk"),
        if of.without_place > 0 { format!("; {} without a place left out", of.without_place) } else { String::new() }
    );
    let blocks = of.blocks.iter().map(|of| {
        let size = match (of.parts, of.side) {
            (Some(parts), _) => format!("{parts} × {parts} parts of each walk"),
            (_, side) => format!("squares of side {}", figures(side.unwrap_or(f64::NAN))),
        };
        let number = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), figures);
        vec![size, of.blocks.to_string(), number(of.index.ok()), number(of.at_random), p(&of.p)]
    });
    text += &output::table(&["blocks", "number", "Morisita's index", "in random order", "p"], blocks, 1);
    let at = of.at_distances.iter().map(|at| {
        let apart = format!("{} to {}", figures(at.above), figures(at.to));
        vec![apart, at.pairs.to_string(), figures(at.correlation), p(&at.p)]
    });
    text += &output::table(&["sites apart", "pairs", "correlation", "p"], at, 1);
    if let Some(with) = of.with_distance {
        text += &wrapped(
            "",
            &format!(
                "Correlation of likeness with distance {} (p {}): below 0 where near sites are alike. p: chance in random \
                 order of the sites of each walk (* {} orders drawn from seed {}).",
                figures(with),
                p(&of.with_distance_p),
                of.draws.number(),
                of.draws.seed()
            ),
        );
    }
    if of.alike() {
        text += &wrapped(
            "Caution     ",
            "near sites are alike. Plans take sites as independent: theirs are larger risks than they say, where sites are \
             walked one near the other.",
        );
    }
    text
}

fn observers(of: &ObserversFit) -> String {
    let mut text = "\nObservers\n".to_owned();
    let rows = of.observers.iter().map(|of: &ObserverFit| {
        let mean = of.mean.map_or_else(|| "-".to_owned(), figures);
        let (ratio, limits) = match of.ratio {
            Ok([ratio, low, high]) => (figures(ratio), format!("{} to {}", figures(low), figures(high))),
            Err(_) => ("-".to_owned(), "-".to_owned()),
        };
        let walks = format!("{} ({} shared)", of.walks, of.shared_walks);
        vec![one_line(&of.name), of.sites.to_string(), walks, mean, ratio, limits]
    });
    text += &output::table(&["observer", "sites", "walks", "mean", "over others there", "limits"], rows, 1);
    let test = |name: &str, test: &Result<Within, Why>| match test {
        Ok(test) => wrapped(
            "",
            &format!(
                "{name}: {} on {} of freedom, {}, p {}.",
                figures(test.statistic),
                many(test.freedom as u64, "degree"),
                many(test.walks as u64, "walk"),
                study::p(test.p)
            ),
        ),
        Err(_) => String::new(),
    };
    text += &test("Within walks, score test of the negative binomial with the common k", &of.within);
    text += &test("Between walks of one observer each, Kruskal and Wallis's H", &of.between);
    if of.within.is_ok() || of.between.is_ok() {
        text += &wrapped(
            "",
            &format!(
                "p: chance in random order (* {} orders drawn from seed {}; ~ by χ²).",
                of.draws.number(),
                of.draws.seed()
            ),
        );
    }
    if of.unnamed > 0 {
        text += &format!("{} without an observer left out.\n", many(of.unnamed as u64, "site"));
    }
    text + &wrapped("", &one_line(&of.words()))
}
