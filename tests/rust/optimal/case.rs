//! Designs in few words, and what must hold of every optimal plan.

use stopline::plan::{Aim, Checks, Closing, Design, Objective, Plan};
use stopline::{Call, Dispersion, K, Mean, Plants, Quiet, Risk, Risks, Score, Share, Thresholds};

/// How counts vary: NB with exponent k, Poisson, or so many units a site.
#[derive(Debug, Clone, Copy)]
pub enum Model {
    NegBin(f64),
    Poisson,
    Units(u16),
}

pub fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

/// A design that closes by a call.
pub fn design(model: Model, thresholds: [f64; 2], risks: [f64; 2], checks: Checks) -> Design {
    let (score, dispersion) = match model {
        Model::NegBin(k) => (Score::Count, Dispersion::ConstantK { k: K::new(k).unwrap() }),
        Model::Poisson => (Score::Count, Dispersion::Poisson),
        Model::Units(units) => (Score::positive(0, units).unwrap(), Dispersion::Binomial),
    };
    let [low, high] = thresholds.map(mean);
    let [a, b] = risks.map(|r| Risk::new(r).unwrap());
    let aim =
        Aim::TwoCalls { thresholds: Some(Thresholds::new(low, high).unwrap()), risks: Some(Risks::new(a, b).unwrap()) };
    Design { score, plants: Plants::ONE, dispersion, aim, checks, closing: Closing::Call }
}

/// Expected sites averaged over the two thresholds.
pub fn at_thresholds(design: &Design) -> Objective {
    let thresholds = design.thresholds().unwrap();
    Objective::at(&[thresholds.inadequate(), thresholds.adequate()])
}

/// The optimal plan; with `undecided` it may end so, with at most this chance.
pub fn optimal(design: &Design, objective: &Objective, undecided: Option<f64>) -> Plan {
    let closing = if undecided.is_some() { Closing::Undecided } else { Closing::Call };
    let at_most = undecided.map(|u| Share::new(u).unwrap());
    Plan::optimal(Design { closing, ..design.clone() }, objective, at_most, &Quiet)
        .unwrap_or_else(|e| panic!("{e} {design:?}"))
}

/// Lines as (sites, low, high); −1 for no lower line.
pub fn lines(plan: &Plan) -> Vec<(u32, i64, i64)> {
    let rows = plan.lines().rows().iter();
    rows.map(|r| (r.at, r.at_most(Call::Inadequate).unwrap_or(-1), r.at_least(Call::Adequate).unwrap())).collect()
}

/// Risks kept, lines that rise and do not cross, a bound not above the value, a file that is read back the same.
pub fn sound(plan: &Plan) {
    let asked = plan.asked().risks().unwrap();
    let asked = [asked.false_adequate().get(), asked.false_inadequate().get()];
    assert!(plan.attained().iter().zip(asked).all(|(row, asked)| row.p <= asked));
    let proof = plan.proof().unwrap();
    assert!(proof.bound <= proof.value * (1.0 + 1e-12), "{proof:?}");
    let lines = lines(plan);
    assert!(lines.iter().all(|(_, low, high)| low < high));
    assert!(lines.windows(2).all(|w| w[0].1 <= w[1].1 && w[0].2 <= w[1].2), "lines rise: {lines:?}");
    let text = plan.to_json().unwrap();
    let back = Plan::from_json(&text).unwrap();
    assert_eq!(back.to_json().unwrap(), text);
    back.verify(&Quiet).unwrap();
    if let Some((at_most, at)) = &proof.undecided {
        let means: Vec<Mean> = at.iter().map(|(m, _)| *m).collect();
        let design = plan.asked();
        let curve = |means: &[Mean]| {
            stopline::evaluate::evaluate_lines(plan.lines(), &design.score, &design.dispersion, means, &Quiet).unwrap()
        };
        let at_those = curve(&means);
        let even = at_those.even_mean.unwrap();
        for row in at_those.rows.iter().chain(&curve(&[mean(even)]).rows) {
            assert!(row.undecided <= at_most.get() * (1.0 + 1e-12), "{row:?}");
        }
    }
}
