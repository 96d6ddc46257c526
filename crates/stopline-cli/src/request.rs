//! What is asked of a plan, from the command line to the core's types.

use crate::arguments::{RiskArguments, ScoreArguments, ShapeArguments};
use crate::values;
use stopline::plan::{Checks, Closing, Method};
use stopline::{Code, Error, MOST_SITES, Mean, Plants, Risks, Score, Unit};

/// Risks where none are given.
const RISK: &str = "0.1";
/// First check and most sites where none are given: the 25 to 30 sites of a full walk (common
/// practice, no source) are the most.
const MIN_SITES: &str = "5";
const MAX_SITES: &str = "30";

/// The unit of thresholds. It may be left out only where a site is known to be one plant; and a number
/// per plant is a number per site only where the plants of a site are known.
pub fn unit(per: Option<&str>, plants: Option<Plants>) -> Result<Unit, Error> {
    let Some(text) = per else {
        return if plants == Some(Plants::ONE) {
            Ok(Unit::Site)
        } else {
            let allowed = "site, plant or 100-plants; may be left out only where a site is one plant (--plants 1)";
            Err(Error::new(Code::Usage, "--per", "missing", allowed))
        };
    };
    match Unit::parse(text).map_err(|e| e.named("--per"))? {
        Unit::Site => Ok(Unit::Site),
        other if plants.is_some() => Ok(other),
        _ => {
            let allowed = format!("the number of plants of a site, which a number per {text} needs");
            Err(Error::new(Code::Usage, "--plants", "missing", allowed))
        }
    }
}

/// A mean given per unit, per site.
pub fn per_site(flag: &str, mean: Mean, unit: Unit, plants: Plants) -> Result<Mean, Error> {
    Mean::new(mean.get() * unit.in_a_site(plants)).map_err(|e| e.named(format!("{flag}, per site,")))
}

impl RiskArguments {
    /// The risks, with defaults for those not given.
    pub fn risks(&self) -> Result<Risks, Error> {
        let risk = |flag, text: &Option<String>| values::risk(flag, text.as_deref().unwrap_or(RISK));
        let false_adequate = risk("--false-adequate", &self.false_adequate)?;
        let false_inadequate = risk("--false-inadequate", &self.false_inadequate)?;
        Risks::new(false_adequate, false_inadequate).map_err(|e| e.named("--false-adequate + --false-inadequate"))
    }

    /// Whether any was given.
    pub fn given(&self) -> bool {
        self.false_adequate.is_some() || self.false_inadequate.is_some()
    }
}

impl ScoreArguments {
    /// The score.
    pub fn score(&self, counted_to: Option<u32>) -> Result<Score, Error> {
        if self.score == "positive" {
            let above = values::whole("--above", self.above.as_deref().unwrap_or("0"), 0, u32::MAX)?;
            let units = values::whole("--units", self.units.as_deref().unwrap_or("1"), 1, u32::from(u16::MAX))?;
            return Score::positive(above, u16::try_from(units).unwrap_or(u16::MAX)).map_err(|e| e.named("--units"));
        }
        for (flag, value) in [("--above", &self.above), ("--units", &self.units)] {
            if value.is_some() {
                return Err(Error::new(Code::Combination, flag, "given", "only with --score positive"));
            }
        }
        counted_to.map_or(Ok(Score::Count), Score::capped)
    }
}

impl ShapeArguments {
    /// The checks, with defaults for what is not given.
    pub fn checks(&self) -> Result<Checks, Error> {
        if let Some(at) = &self.checks {
            let sites = values::list("--checks", at, |flag, text| values::whole(flag, text, 1, MOST_SITES))?;
            return Checks::at(sites).map_err(|e| Error::new(e.code(), "--checks", at, e.allowed()));
        }
        let whole = |flag, text: &Option<String>, default| {
            values::whole(flag, text.as_deref().unwrap_or(default), 1, MOST_SITES)
        };
        let min = whole("--min-sites", &self.min_sites, MIN_SITES)?;
        let max = whole("--max-sites", &self.max_sites, MAX_SITES)?;
        let every = whole("--every", &self.every, "1")?;
        Checks::every(min, max, every).map_err(in_flags)
    }

    /// The method of plans that are derived.
    pub fn method(&self, aim: &str) -> Result<Method, Error> {
        let usual = match aim {
            "two-calls" | "three-calls" => Method::Calibrated,
            _ => Method::Nominal,
        };
        match self.method.as_deref().map_or(Ok(usual), Method::parse) {
            Ok(Method::Given) | Err(_) => {
                let derived = Method::ALL.into_iter().filter(|m| *m != Method::Given).map(Method::as_str);
                let allowed = format!("{}; --lines gives a table typed in", derived.collect::<Vec<_>>().join(", "));
                Err(Error::new(Code::Usage, "--method", self.method.as_deref().unwrap_or_default(), allowed))
            }
            derived => derived,
        }
    }

    /// The closing.
    pub fn closing(&self, aim: &str) -> Result<Closing, Error> {
        let usual = if aim == "precision" { Closing::Undecided } else { Closing::Call };
        self.closing.as_deref().map_or(Ok(usual), Closing::parse).map_err(|e| e.named("--closing"))
    }
}

/// An error of the core in the words of this program: its parameters by their flags.
pub fn in_flags(e: Error) -> Error {
    let flags = |text: &str| {
        ["min_sites", "max_sites", "false_adequate", "false_inadequate", "undecided_at_most"]
            .iter()
            .fold(text.to_owned(), |text, name| text.replace(name, &format!("--{}", name.replace('_', "-"))))
    };
    match e.value() {
        Some(value) => Error::new(e.code(), flags(e.what()), value, flags(e.allowed())),
        None => Error::about(e.code(), flags(e.what()), flags(e.allowed())),
    }
}
