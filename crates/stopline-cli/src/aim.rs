//! What is asked of a plan, from the flags to the core's aims: every mean per site.

use crate::arguments::Plan;
use crate::{request, values};
use stopline::plan::{Aim, Pair, Sides};
use stopline::{Code, Dispersion, Error, Level, Mean, Plants, Risks, Thresholds, Unit};

/// Defaults of a nominal confidence and of a precision, the latter usual for pest management (convention
/// credited to Southwood, from memory).
const CONFIDENCE: &str = "0.9";
const SE_OVER_MEAN: &str = "0.25";

/// A flag with its mean, as given.
type Given = (&'static str, Mean);

/// The aim with its means still per unit as given.
pub struct Asked {
    kind: Kind,
    /// Whether risks were given or have their defaults.
    risks_given: bool,
    risks: Risks,
}

enum Kind {
    Two(Option<[Given; 2]>),
    Three([Given; 4]),
    Interval(Given, Level, Sides),
    Precision(Level),
}

impl Asked {
    /// Reads and checks the flags.
    pub fn of(args: &Plan) -> Result<Self, Error> {
        let mean = |flag, text: &Option<String>| -> Result<Option<Given>, Error> {
            text.as_deref().map(|text| Ok((flag, values::mean(flag, text)?))).transpose()
        };
        let needed = |given: Option<Given>, flag: &str| {
            given.ok_or_else(|| Error::new(Code::Usage, flag, "missing", format!("a mean, with --aim {}", args.aim)))
        };
        let (low, high) = (mean("--inadequate", &args.inadequate)?, mean("--adequate", &args.adequate)?);
        let upper_low = mean("--upper-inadequate", &args.upper_inadequate)?;
        let upper_high = mean("--upper-adequate", &args.upper_adequate)?;
        let critical = mean("--critical", &args.critical)?;
        let kind = match args.aim.as_str() {
            "two-calls" if low.is_none() && high.is_none() && args.shape.lines.is_some() => Kind::Two(None),
            "two-calls" if low.is_none() && high.is_none() => {
                let allowed = "a value for each: the means to be told apart";
                return Err(Error::new(Code::Usage, "--inadequate, --adequate", "missing", allowed));
            }
            "two-calls" => Kind::Two(Some([needed(low, "--inadequate")?, needed(high, "--adequate")?])),
            "three-calls" => Kind::Three([
                needed(low, "--inadequate")?,
                needed(high, "--adequate")?,
                needed(upper_low, "--upper-inadequate")?,
                needed(upper_high, "--upper-adequate")?,
            ]),
            "interval" => {
                let sides = args.sides.as_deref().map_or(Ok(Sides::Two), Sides::parse);
                Kind::Interval(
                    needed(critical, "--critical")?,
                    values::level("--confidence", args.confidence.as_deref().unwrap_or(CONFIDENCE))?,
                    sides.map_err(|e| e.named("--sides"))?,
                )
            }
            _ => {
                Kind::Precision(values::level("--se-over-mean", args.se_over_mean.as_deref().unwrap_or(SE_OVER_MEAN))?)
            }
        };
        let fits = |aims: &[&str]| aims.contains(&args.aim.as_str());
        let only = [
            ("--inadequate", args.inadequate.is_some(), fits(&["two-calls", "three-calls"])),
            ("--adequate", args.adequate.is_some(), fits(&["two-calls", "three-calls"])),
            ("--upper-inadequate", args.upper_inadequate.is_some(), fits(&["three-calls"])),
            ("--upper-adequate", args.upper_adequate.is_some(), fits(&["three-calls"])),
            ("--critical", args.critical.is_some(), fits(&["interval"])),
            ("--confidence", args.confidence.is_some(), fits(&["interval"])),
            ("--sides", args.sides.is_some(), fits(&["interval"])),
            ("--se-over-mean", args.se_over_mean.is_some(), fits(&["precision"])),
            ("--false-adequate", args.risks.false_adequate.is_some(), fits(&["two-calls", "three-calls"])),
            ("--false-inadequate", args.risks.false_inadequate.is_some(), fits(&["two-calls", "three-calls"])),
        ];
        if let Some((flag, ..)) = only.iter().find(|(_, given, fits)| *given && !fits) {
            return Err(Error::new(Code::Combination, *flag, "given", format!("not with --aim {}", args.aim)));
        }
        let asked = Self { kind, risks_given: args.risks.given(), risks: args.risks.risks()? };
        // A reversed pair is told in the numbers as given, before any unit is looked at.
        asked.aim(args, &|(_, mean)| Ok(mean))?;
        Ok(asked)
    }

    /// What the means are counted per; shares of units have no other unit.
    pub fn unit(&self, args: &Plan, dispersion: &Dispersion, known: Option<Plants>) -> Result<Unit, Error> {
        match &args.per {
            _ if matches!(self.kind, Kind::Two(None) | Kind::Precision(_)) => Ok(Unit::Site),
            per if !dispersion.of_shares() => request::unit(per.as_deref(), known),
            None => Ok(Unit::Site),
            Some(per) => Err(Error::new(Code::Combination, "--per", per, "nothing: thresholds are shares of units")),
        }
    }

    /// The aim with means per site; shares of units stay as they are.
    pub fn per_site(&self, args: &Plan, unit: Unit, plants: Plants) -> Result<Aim, Error> {
        match unit {
            Unit::Site => self.aim(args, &|(_, mean)| Ok(mean)),
            unit => self.aim(args, &|(flag, mean)| request::per_site(flag, mean, unit, plants)),
        }
    }

    fn aim(&self, args: &Plan, mean: &dyn Fn(Given) -> Result<Mean, Error>) -> Result<Aim, Error> {
        let pair = |low: Given, high: Given| {
            let (low_mean, high_mean) = (mean(low)?, mean(high)?);
            Thresholds::new(low_mean, high_mean).map_err(|e| {
                let allowed = format!("less than {}, {}", high.0, high_mean.get());
                Error::new(e.code(), low.0, low_mean.get(), allowed)
            })
        };
        match self.kind {
            Kind::Two(means) => {
                let thresholds = means.map(|[low, high]| pair(low, high)).transpose()?;
                let asked = args.shape.lines.is_none() || self.risks_given;
                Ok(Aim::TwoCalls { thresholds, risks: asked.then_some(self.risks) })
            }
            Kind::Three([a, b, c, d]) => {
                let of = |low, high| Ok::<_, Error>(Pair { thresholds: pair(low, high)?, risks: self.risks });
                Aim::three_calls(of(a, b)?, of(c, d)?)
            }
            Kind::Interval(critical, confidence, sides) => {
                Ok(Aim::Interval { critical: mean(critical)?, confidence, sides })
            }
            Kind::Precision(se_over_mean) => Ok(Aim::Precision { se_over_mean }),
        }
    }
}
