//! What an optimal plan has least of, from the command line.

use crate::arguments::{ObjectiveArguments, ReadingArguments};
use crate::failure::Failure;
use crate::past::fields;
use crate::words::{figures, one_line, wrapped};
use crate::{input, values};
use stopline::dispersion::{FieldMeans, field_means_of};
use stopline::plan::{Design, Method, Objective, Plan};
use stopline::{Code, Error, Mean, Score, Unit, Watch};

/// What is least, and the fit of past means where it is averaged over these.
pub struct Least {
    pub objective: Objective,
    pub past: Option<(String, FieldMeans)>,
}

impl ObjectiveArguments {
    /// Refuses early what needs no counts to be refused.
    pub fn check(&self, method: Method) -> Result<(), Error> {
        let given = [("--at", self.at.is_some()), ("--prior-from", self.prior_from.is_some())];
        match given.into_iter().find(|(_, given)| *given) {
            Some((flag, _)) if method != Method::Optimal => {
                let numbers = if flag == "--at" { "; checks after given numbers of sites are --checks" } else { "" };
                Err(Error::new(Code::Combination, flag, "given", format!("only with --method optimal{numbers}")))
            }
            _ => self.at(1.0).map(|_| ()),
        }
    }

    /// Means as given with their weights, `unit` of them per site.
    fn at(&self, unit: f64) -> Result<Option<Vec<(Mean, f64)>>, Error> {
        let Some(text) = &self.at else { return Ok(None) };
        let mean = |flag: &str, text: &str| {
            let mean = values::mean(flag, text)?;
            Mean::new(mean.get() * unit).map_err(|e| e.named(format!("{flag}, per site,")))
        };
        let means = values::list("--at", text, mean)?;
        let weights = match &self.weights {
            Some(text) => values::list("--weights", text, values::weight)?,
            None => vec![1.0; means.len()],
        };
        if weights.len() != means.len() {
            let allowed = format!("as many as means of --at, {}", means.len());
            return Err(Error::new(Code::Combination, "number of --weights", weights.len(), allowed));
        }
        let sum: f64 = weights.iter().sum();
        if sum <= 0.0 || !sum.is_finite() {
            return Err(Error::new(Code::OutOfRange, "sum of --weights", sum, "more than 0"));
        }
        Ok(Some(means.into_iter().zip(weights).collect()))
    }

    /// What is least for a design whose thresholds were given in `unit`.
    pub fn least(
        &self,
        design: &Design,
        unit: Unit,
        reading: &ReadingArguments,
        watch: &dyn Watch,
    ) -> Result<Least, Failure> {
        let per_site = if design.score == Score::Count { unit.in_a_site(design.plants) } else { 1.0 };
        if let Some(at) = self.at(per_site)? {
            for (mean, _) in &at {
                design.dispersion.laws(&design.score, *mean).map_err(|e| e.named("--at"))?;
            }
            return Ok(Least { objective: Objective::ExpectedSites(at), past: None });
        }
        let Some(path) = &self.prior_from else {
            return Ok(Least { objective: Objective::LargestExpectedSites, past: None });
        };
        if design.score != Score::Count {
            let allowed = "without --score positive: give means and --weights";
            return Err(Error::new(Code::Combination, "--prior-from", "given", allowed).into());
        }
        let counts = input::counts(path, reading)?;
        let in_file = |e: Error| Failure::from(e).in_file(&path.display().to_string());
        let fields = fields(&counts);
        if fields < 2 {
            let allowed = "at least 2, since means differ between fields; or give --at";
            return Err(in_file(Error::new(Code::OutOfRange, "number of fields in --prior-from", fields, allowed)));
        }
        if counts.plants != design.plants {
            let allowed = format!("{}, as in the plan", design.plants.get());
            return Err(in_file(Error::new(
                Code::Combination,
                "plants of a site in --prior-from",
                counts.plants.get(),
                allowed,
            )));
        }
        let means = field_means_of(&counts, &design.dispersion, watch).map_err(in_file)?;
        let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        Ok(Least { objective: Objective::ExpectedSites(means.at.clone()), past: Some((name, means)) })
    }
}

/// What an optimal plan has least of, and what no plan can do better.
pub fn told(plan: &Plan, past: Option<&(String, FieldMeans)>) -> String {
    let Some(proof) = plan.proof() else { return String::new() };
    let list = |at: &[(Mean, f64)]| {
        let sum: f64 = at.iter().map(|(_, w)| w).sum();
        let one = |(mean, weight): &(Mean, f64)| {
            let mean = if mean.get() < 1e-4 { "0".to_owned() } else { figures(mean.get()) };
            format!("{mean} ({} %)", figures((1000.0 * weight / sum).round() / 10.0))
        };
        at.iter().map(one).collect::<Vec<_>>().join(", ")
    };
    let over = match (&proof.objective, past) {
        (Objective::ExpectedSites(at), Some((name, means))) => format!(
            "on average over field means {}, fitted to the {} walks of {} with the error of sampling taken out",
            list(at),
            means.walks,
            one_line(name)
        ),
        (Objective::ExpectedSites(at), None) => format!("on average over the means {}", list(at)),
        _ => "at the mean that takes most".to_owned(),
    };
    let said = format!(
        "Fewest sites: {:.2} {over}. No plan with these checks, risks and clumping can take fewer than {:.2}, \
         whatever the shape of its lines: lines that rise without gaps cost at most {} %.",
        proof.value,
        // Rounded down, so that it never claims too much.
        (100.0 * proof.bound).floor() / 100.0,
        figures((1e4 * proof.gap().max(0.0)).ceil() / 100.0),
    );
    wrapped("", &said)
}
