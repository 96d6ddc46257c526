//! Any design: a plan that keeps what it says, or a refusal.
#![no_main]

use arbitrary::Arbitrary;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
use stopline::{Code, Dispersion, K, Mean, Plants, Risk, Risks, Score, Thresholds, Watch};

#[derive(Arbitrary, Debug)]
struct Input {
    method: u8,
    model: u8,
    k: [Number; 3],
    means: [Number; 2],
    risks: [Number; 2],
    every: Option<[u8; 3]>,
    at: Vec<u16>,
    units: u8,
    plants: u16,
    undecided: bool,
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
    let risks = design.risks();
    match Plan::design(design, method, &Deadline(Instant::now())) {
        Ok(plan) => {
            let risks = risks.unwrap();
            for row in plan.attained() {
                let asked = if row.call == stopline::Call::Adequate {
                    risks.false_adequate()
                } else {
                    risks.false_inadequate()
                };
                assert!((0.0..=1.0).contains(&row.p));
                assert!(method == Method::Wald || row.p <= asked.get(), "{row:?} {asked:?}");
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
    let [low, high] = input.means.map(Number::get);
    let [adequate, inadequate] = input.risks.map(Number::get);
    Ok(Design {
        score: if input.units == 0 { Score::Count } else { Score::positive(0, input.units.into())? },
        plants: Plants::new(input.plants)?,
        dispersion,
        aim: Aim::TwoCalls {
            thresholds: Some(Thresholds::new(Mean::new(low)?, Mean::new(high)?)?),
            risks: Some(Risks::new(Risk::new(adequate)?, Risk::new(inadequate)?)?),
        },
        checks: match input.every {
            Some([min, max, every]) => Checks::every(min.into(), max.into(), every.into())?,
            None => Checks::at(input.at.iter().map(|&n| n.into()).collect())?,
        },
        closing: if input.undecided { Closing::Undecided } else { Closing::Call },
    })
}
