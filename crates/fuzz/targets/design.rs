//! Any design: a plan that keeps what it says, or a refusal.
#![no_main]

use arbitrary::Arbitrary;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Pair, Plan, Sides};
use stopline::{Call, Code, Dispersion, K, Level, Mean, Plants, Risk, Risks, Score, Thresholds, Watch};

#[derive(Arbitrary, Debug)]
struct Input {
    method: u8,
    model: u8,
    k: [Number; 3],
    aim: AimInput,
    score: ScoreInput,
    every: Option<[u8; 3]>,
    at: Vec<u16>,
    plants: u16,
    undecided: bool,
}

#[derive(Arbitrary, Debug)]
enum AimInput {
    TwoCalls(PairInput),
    ThreeCalls(PairInput, PairInput),
    Interval { critical: Number, confidence: Number, two: bool },
    Precision(Number),
}

#[derive(Arbitrary, Debug)]
struct PairInput {
    means: [Number; 2],
    risks: [Number; 2],
}

#[derive(Arbitrary, Debug)]
enum ScoreInput {
    Count,
    Capped(u8),
    Positive { above: u8, units: u8 },
}

/// Any number, or one that a design may hold: from 0.001 to 1000.
#[derive(Arbitrary, Debug, Clone, Copy)]
enum Number {
    Any(f64),
    Usual(u16),
}

impl Number {
    fn get(self) -> f64 {
        match self {
            Self::Any(x) => x,
            Self::Usual(place) => 10_f64.powf(f64::from(place) / f64::from(u16::MAX) * 6.0 - 3.0),
        }
    }
}

/// Gives up after a tenth of a second, so that a slow design does not hold up the others.
struct Deadline(Instant);

impl Watch for Deadline {
    fn step(&self, _: u64, _: u64) -> ControlFlow<()> {
        if self.0.elapsed() < Duration::from_millis(100) { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    }
}

libfuzzer_sys::fuzz_target!(|input: Input| {
    let Ok(design) = design(&input) else { return };
    let method = Method::ALL[usize::from(input.method) % Method::ALL.len()];
    let aim = design.aim;
    match Plan::design(design, method, &Deadline(Instant::now())) {
        Ok(plan) => {
            for row in plan.attained() {
                assert!((0.0..=1.0).contains(&row.p));
                let kept = asked(&aim, row.mean, row.call).is_some_and(|asked| row.p <= asked.get());
                assert!(matches!(method, Method::Wald | Method::Nominal | Method::Tuned) || kept, "{row:?} {aim:?}");
            }
            let _ = stopline::card(&plan);
            assert_eq!(Plan::from_json(&plan.to_json().unwrap()).as_ref(), Ok(&plan));
        }
        Err(error) => assert!(error.code() != Code::PlanEdited && !error.to_string().is_empty()),
    }
});

fn design(input: &Input) -> Result<Design, stopline::Error> {
    let [k, low, high] = input.k.map(Number::get);
    let dispersion = match input.model % 6 {
        0 => Dispersion::Poisson,
        1 => Dispersion::ConstantK { k: K::new(k)? },
        2 => Dispersion::k_interval(K::new(k)?, K::new(low)?, K::new(high)?)?,
        3 => Dispersion::k_spread(K::new(k)?, low)?,
        4 => Dispersion::power_law(k, low)?,
        _ => Dispersion::Binomial,
    };
    Ok(Design {
        score: match input.score {
            ScoreInput::Count => Score::Count,
            ScoreInput::Capped(to) => Score::capped(to.into())?,
            ScoreInput::Positive { above, units } => Score::positive(above.into(), units.into())?,
        },
        plants: Plants::new(input.plants)?,
        dispersion,
        aim: match &input.aim {
            AimInput::TwoCalls(two) => {
                let Pair { thresholds, risks } = pair(two)?;
                Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) }
            }
            AimInput::ThreeCalls(lower, upper) => Aim::three_calls(pair(lower)?, pair(upper)?)?,
            AimInput::Interval { critical, confidence, two } => Aim::Interval {
                critical: Mean::new(critical.get())?,
                confidence: Level::new(confidence.get())?,
                sides: if *two { Sides::Two } else { Sides::One },
            },
            AimInput::Precision(part) => Aim::Precision { se_over_mean: Level::new(part.get())? },
        },
        checks: match input.every {
            Some([min, max, every]) => Checks::every(min.into(), max.into(), every.into())?,
            None => Checks::at(input.at.iter().map(|&n| n.into()).collect())?,
        },
        closing: if input.undecided { Closing::Undecided } else { Closing::Call },
    })
}

fn pair(input: &PairInput) -> Result<Pair, stopline::Error> {
    let [low, high] = input.means.map(Number::get);
    let [adequate, inadequate] = input.risks.map(Number::get);
    Ok(Pair {
        thresholds: Thresholds::new(Mean::new(low)?, Mean::new(high)?)?,
        risks: Risks::new(Risk::new(adequate)?, Risk::new(inadequate)?)?,
    })
}

/// The risk asked for at a threshold.
fn asked(aim: &Aim, mean: Mean, call: Call) -> Option<Risk> {
    let of = |pair: &Pair| {
        if mean == pair.thresholds.inadequate() && call != Call::Inadequate {
            return Some(pair.risks.false_adequate());
        }
        (mean == pair.thresholds.adequate() && call != Call::Adequate).then(|| pair.risks.false_inadequate())
    };
    match *aim {
        Aim::TwoCalls { thresholds, risks } => of(&Pair { thresholds: thresholds?, risks: risks? }),
        Aim::ThreeCalls { lower, upper } => of(&lower).or_else(|| of(&upper)),
        _ => None,
    }
}
