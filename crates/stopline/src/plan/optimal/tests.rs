//! What can only be seen from inside: both passes agree, and every instruction set gives the same bits.
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // totals of small designs

use super::backward::Costs;
use super::forward::Reach;
use super::stage::{Stage, Ways};
use super::*;
use crate::law::Law;
use crate::plan::{Aim, Checks, Design};
use crate::{Dispersion, K, Plants, Risk, Risks, Score, Thresholds};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Two sums of some hundred terms in another order, relative to the largest of them: both passes take a
/// difference from the multiplier of the false-adequate risk.
const SAME_COST: f64 = 1e-12;

fn uniform(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64
}

fn law(m: f64, k: f64) -> Law {
    let mean = Mean::new(m).unwrap();
    if k.is_finite() { Law::NegBin { mean, k: K::new(k).unwrap() } } else { Law::Poisson { mean } }
}

/// The least cost found backwards is the objective and the priced risks of its plan, found forwards.
#[test]
fn both_passes_give_the_plan_of_least_cost_the_same_cost() {
    let mut rng = ChaCha8Rng::seed_from_u64(20_261_201);
    for design in 0..300 {
        let low = uniform(&mut rng, -2.0, 2.0).exp();
        let high = low * uniform(&mut rng, 1.3, 3.0);
        let k = if rng.next_u32() % 5 == 0 { f64::INFINITY } else { uniform(&mut rng, -1.0, 3.0).exp() };
        let (first, cap) = (1 + rng.next_u32() % 5, 6 + rng.next_u32() % 60);
        let sites: Vec<u32> = (first..=cap).collect();
        let means = [low, uniform(&mut rng, low, high), high];
        let undecided = if rng.next_u32() % 3 == 0 { vec![law(low, k), law(means[1], k)] } else { Vec::new() };
        let laws: Vec<Law> =
            [low, high].into_iter().chain(means).map(|m| law(m, k)).chain(undecided.iter().cloned()).collect();
        let longest = (f64::from(cap) * (low + high) / 2.0 + 400.0) as usize;
        let stage =
            Stage::new(&sites, &law((low * high).sqrt(), k), &laws, undecided.len(), longest, Ways::Both).unwrap();
        for _ in 0..4 {
            let multipliers = (0..2 + undecided.len()).map(|_| uniform(&mut rng, 1.0, 7.0).exp()).collect();
            let costs = Costs { weights: vec![0.2, 0.3, 0.5], multipliers };
            for set in InstructionSet::all() {
                let (strip, least) = stage.least_cost(set, &costs);
                let entries = stage.entries(set, &strip, &mut Reach::default());
                let sites: f64 = entries.sites.iter().zip(&costs.weights).map(|(s, w)| s * w).sum();
                let priced: f64 = entries.risks.iter().zip(&costs.multipliers).map(|(r, l)| r * l).sum();
                let cost = sites + priced;
                let size = least.max(costs.multipliers[0]);
                assert!((cost - least).abs() < SAME_COST * size, "design {design}: {least} and {cost}, {costs:?}");
            }
        }
    }
}

#[test]
fn every_instruction_set_gives_the_same_bits() {
    let plan = |set: InstructionSet, closing: Closing, low: f64, high: f64, k: f64| {
        let risk = |r| Risk::new(r).unwrap();
        let design = Design {
            score: Score::Count,
            plants: Plants::ONE,
            dispersion: Dispersion::ConstantK { k: K::new(k).unwrap() },
            aim: Aim::TwoCalls {
                thresholds: Some(Thresholds::new(Mean::new(low).unwrap(), Mean::new(high).unwrap()).unwrap()),
                risks: Some(Risks::new(risk(0.1), risk(0.08)).unwrap()),
            },
            checks: Checks::every(3, 40, 1).unwrap(),
            closing,
        };
        let at_most = (closing == Closing::Undecided).then(|| Share::new(0.1).unwrap());
        let asked = design.asked().unwrap();
        let sites = design.checks.sites();
        asked.optimal_on(set, &sites, &Objective::LargestExpectedSites, at_most, &crate::Quiet).unwrap().unwrap()
    };
    for (closing, low, high, k) in
        [(Closing::Call, 1.0, 2.0, 1.2), (Closing::Undecided, 1.0, 2.0, 1.2), (Closing::Call, 6.0, 10.0, 0.9)]
    {
        let portable = plan(InstructionSet::PORTABLE, closing, low, high, k);
        for set in InstructionSet::all() {
            assert_eq!(plan(set, closing, low, high, k), portable, "{set:?}");
        }
    }
}
