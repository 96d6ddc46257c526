use super::super::SAME_SITES;
use super::super::least::never;
use super::*;
use crate::dispersion::Dispersion;
use crate::evaluate::{expected_sites, largest_expected_sites};
use crate::law::Law;
use crate::params::{K, Mean, Plants, Risk, Risks, Thresholds};
use crate::plan::{Aim, Checks, Closing, Design};
use crate::score::Score;
use crate::watch::Quiet;

fn design(dispersion: Dispersion, [low, high]: [f64; 2], checks: Checks, closing: Closing) -> Design {
    let mean = |m| Mean::new(m).unwrap();
    let risk = Risk::new(0.2).unwrap();
    let aim = Aim::TwoCalls {
        thresholds: Some(Thresholds::new(mean(low), mean(high)).unwrap()),
        risks: Some(Risks::new(risk, risk).unwrap()),
    };
    Design { score: Score::Count, plants: Plants::ONE, dispersion, aim, checks, closing }
}

/// Risks from how walks come to the cap, against those of the whole table, for strips that cross too.
#[test]
fn risks_are_those_of_the_table() {
    let k = K::new(1.2).unwrap();
    let models = [
        Dispersion::Poisson,
        Dispersion::ConstantK { k },
        Dispersion::k_spread(k, 0.4).unwrap(),
        Dispersion::power_law(1.5, 1.3).unwrap(),
    ];
    let (mut crossed, mut compared) = (0, 0);
    for model in models {
        for (thresholds, checks) in [
            ([0.18, 0.91], Checks::every(1, 5, 1).unwrap()),
            ([1.0, 2.0], Checks::every(1, 12, 1).unwrap()),
            ([4.0, 9.0], Checks::every(3, 14, 4).unwrap()),
        ] {
            for closing in [Closing::Call, Closing::Undecided] {
                let design = design(model, thresholds, checks.clone(), closing);
                let (asked, sites) = (design.asked().unwrap(), checks.sites());
                let mut family = Family::new(&asked, &sites, &Quiet).unwrap();
                let only = |low, high| End::Only { inadequate_at_most: low, adequate_at_least: high };
                let ends = match closing {
                    Closing::Undecided => vec![End::Lines],
                    Closing::Call => {
                        vec![End::Cut(9), only(None, None), only(Some(40), None), only(None, Some(7)), End::Cut(3)]
                    }
                };
                for lower in (0..family.lower.last()).step_by(11) {
                    for upper in (0..family.upper.last()).step_by(29) {
                        for &end in &ends {
                            let (Some([a, b]), crosses) = family.risks(Places { lower, upper }, end).unwrap() else {
                                continue;
                            };
                            crossed += usize::from(crosses);
                            compared += 1;
                            let slow = |first| {
                                let lines = family.table(Places { lower, upper }, end, first).unwrap();
                                pooled_calls(&lines, &asked.laws, InstructionSet::PORTABLE, &Quiet).unwrap()
                            };
                            let slow_a = slow(Call::Inadequate)[0][Call::Adequate.index()];
                            let slow_b = slow(Call::Adequate)[1][Call::Inadequate.index()];
                            assert!((a - slow_a).abs() < 1e-13, "{design:?} {lower} {upper} {a} {slow_a}");
                            assert!((b - slow_b).abs() < 1e-13, "{design:?} {lower} {upper} {b} {slow_b}");
                        }
                    }
                }
            }
        }
    }
    assert!(crossed > 0 && compared > 1000, "{compared} compared, {crossed} crossed");
}

/// Fused products and none, in vectors and without, lead to the same strips.
#[test]
fn every_instruction_set_finds_the_same_strips() {
    let k = K::new(0.9).unwrap();
    let mut found = 0;
    for (model, thresholds, checks, closing) in [
        (Dispersion::Poisson, [0.4, 0.9], Checks::every(1, 40, 1).unwrap(), Closing::Call),
        (Dispersion::ConstantK { k }, [1.0, 2.4], Checks::every(2, 40, 3).unwrap(), Closing::Call),
        (Dispersion::k_spread(k, 0.4).unwrap(), [1.0, 3.0], Checks::every(1, 30, 1).unwrap(), Closing::Undecided),
        (Dispersion::power_law(1.5, 1.3).unwrap(), [3.0, 6.5], Checks::every(1, 50, 1).unwrap(), Closing::Call),
    ] {
        let design = design(model, thresholds, checks.clone(), closing);
        let (asked, sites) = (design.asked().unwrap(), checks.sites());
        let ends: Vec<End> = match closing {
            Closing::Undecided => vec![End::Lines],
            Closing::Call => {
                let middle = asked.wald().unwrap().middle_cut(sites[sites.len() - 1]);
                (middle - 3..middle + 3).map(End::Cut).collect()
            }
        };
        let strips = |set: InstructionSet| {
            let mut family = Family::new(&asked, &sites, &Quiet).unwrap();
            let laws = asked.laws.iter().flat_map(|laws| &laws.nodes).map(|(_, law)| law);
            family.strips = Strips::by(set, laws, Some(family.slope));
            let places =
                |end: &End| family.least(Places::INNERMOST, *end, &mut never).unwrap().map(|strip| strip.places);
            ends.iter().map(places).collect::<Vec<_>>()
        };
        let portable = strips(InstructionSet::PORTABLE);
        found += portable.iter().flatten().count();
        for set in InstructionSet::all() {
            assert!(strips(set) == portable, "{model:?} {set:?}");
            assert!(strips(set.fused()) == portable, "{model:?} {set:?} fused");
        }
    }
    assert!(found > 10, "{found}");
}

/// Expected sites in one pass, and the most of any mean, against those of the whole table.
#[test]
fn sites_are_those_of_the_table() {
    let k = K::new(1.2).unwrap();
    let models = [Dispersion::Poisson, Dispersion::ConstantK { k }, Dispersion::k_spread(k, 0.4).unwrap()];
    let mut compared = 0;
    for model in models {
        for (thresholds, checks) in
            [([1.0, 2.0], Checks::every(1, 30, 1).unwrap()), ([4.0, 9.0], Checks::every(3, 14, 4).unwrap())]
        {
            for closing in [Closing::Call, Closing::Undecided] {
                let design = design(model, thresholds, checks.clone(), closing);
                let (asked, sites) = (design.asked().unwrap(), checks.sites());
                let mut family = Family::new(&asked, &sites, &Quiet).unwrap();
                let mean = design.thresholds().unwrap().adequate();
                let (weights, laws): (Vec<f64>, Vec<Law>) =
                    model.laws(&Score::Count, mean).unwrap().nodes.into_iter().unzip();
                let mut under = Strips::new(&laws, None);
                let end = if closing == Closing::Call { End::Cut(40) } else { End::Lines };
                for (lower, upper) in [(30, 40), (60, 45), (45, 80)] {
                    let places = Places {
                        lower: family.widths(Side::Lower).reach(lower),
                        upper: family.widths(Side::Upper).reach(upper),
                    };
                    let table = family.table(places, end, Call::Inadequate).unwrap();
                    let found = family.sites(places, &mut under).unwrap();
                    let found: f64 = weights.iter().zip(found).map(|(weight, sites)| weight * sites).sum();
                    let asked_for = expected_sites(&table, &Score::Count, &model, mean.get()).unwrap();
                    assert!((found / asked_for - 1.0).abs() < 1e-12, "{design:?} {found} {asked_for}");
                    let most = largest_expected_sites(&table, &Score::Count, &model).unwrap();
                    for near in [None, Some(most.mean), Some(1.05 * most.mean), Some(3.0 * most.mean)] {
                        let found = family.largest_sites(places, near).unwrap();
                        let apart = found.expected_sites / most.expected_sites - 1.0;
                        assert!(apart.abs() < SAME_SITES, "{design:?} {near:?} {found:?} {most:?}");
                    }
                    compared += 1;
                }
            }
        }
    }
    assert_eq!(compared, 36);
}
