//! Plans kept as files: they come out the same, wherever this runs; `scripts/optimal_bound.py` recomputes
//! their bounds from the proof. `UPDATE_PLANS=1` writes them anew.

use crate::case::{Model, at_thresholds, design, mean, optimal, sound};
use stopline::Code;
use stopline::plan::{Checks, Design, Objective, Plan};

fn plans() -> Vec<(&'static str, Plan)> {
    use Model::{NegBin, Poisson, Units};
    use Objective::LargestExpectedSites as Largest;
    let every = |first, cap, every| Checks::every(first, cap, every).unwrap();
    let known = design(NegBin(2.0), [1.5, 3.0], [0.1, 0.1], every(1, 20, 1));
    let usual = |checks| design(NegBin(1.2), [1.0, 2.0], [0.1, 0.1], checks);
    let of = |design: &Design, objective: &Objective| optimal(design, objective, None);
    let rare = design(Poisson, [0.3, 0.6], [0.1, 0.05], every(2, 50, 2));
    let units = design(Units(10), [0.1, 0.25], [0.05, 0.1], every(1, 15, 1));
    vec![
        ("one_mean", of(&known, &Objective::at(&[mean(2.12)]))),
        ("largest", of(&known, &Largest)),
        ("groups", of(&usual(every(5, 30, 5)), &Largest)),
        (
            "list",
            of(&usual(Checks::at(vec![8, 12, 20, 28]).unwrap()), &Objective::at(&[mean(1.0), mean(1.5), mean(2.0)])),
        ),
        ("undecided", optimal(&usual(every(5, 30, 1)), &Largest, Some(0.1))),
        ("poisson", of(&rare, &at_thresholds(&rare))),
        ("units", of(&units, &Largest)),
    ]
}

#[test]
fn kept_plans_come_out_the_same_and_edits_are_refused() {
    let folder = format!("{}/data/optimal", env!("CARGO_MANIFEST_DIR"));
    for (name, plan) in plans() {
        sound(&plan);
        let path = format!("{folder}/{name}.json");
        let text = plan.to_json().unwrap();
        if std::env::var_os("UPDATE_PLANS").is_some() {
            std::fs::write(&path, &text).unwrap();
        }
        let kept = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
        let kept = Plan::from_json(&kept).unwrap();
        assert_eq!(kept.lines(), plan.lines(), "{name}");
        assert_eq!(kept.digest(), plan.digest(), "{name}");
        // One digit more in any number of the proof.
        let proof = text.find("\"proof\"").unwrap();
        let end = text.find("\"about\"").unwrap();
        let numbers = text[proof..end].match_indices(|c: char| c.is_ascii_digit()).map(|(i, _)| proof + i);
        let starts = numbers.filter(|&i| !text[..i].ends_with(|c: char| c.is_ascii_digit() || ".e-+".contains(c)));
        let mut edits = 0;
        for at in starts {
            let edited = format!("{}1{}", &text[..at], &text[at..]);
            let refused = Plan::from_json(&edited).unwrap_err().code();
            assert!([Code::PlanEdited, Code::OutOfRange].contains(&refused), "{name}: {refused:?} {edited}");
            edits += 1;
        }
        assert!(edits >= 6, "{name}: {edits}");
    }
}
