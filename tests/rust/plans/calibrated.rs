//! Calibrated plans against every strip of their family with every cut, each evaluated by the slow
//! walk: none is missed, none of fewer sites is passed over, and none is claimed where there is none.

use crate::case::{Case, Draw, rows};
use crate::direct::Model;
use crate::exhaustive::{Tables, feasible, largest_sites, minimal};
use std::collections::BTreeSet;
use stopline::plan::{Closing, Method, Plan};
use stopline::{Code, Quiet};

/// Rounding of the golden section over means.
const SAME_SITES: f64 = 1e-9;
/// Strips above which a design is too large to try them all.
const MOST_STRIPS: usize = 60_000;

/// A small design and its strips; `None` where there are too many or nothing to search.
fn drawn(draw: &mut Draw) -> Option<(Case, Tables)> {
    let model = draw.model();
    let thresholds = draw.thresholds(model, 0.1, 3.0);
    let risks = draw.risks();
    let cap = draw.whole(2, 6);
    let case = Case { model, thresholds, risks, checks: draw.checks(cap), closing: draw.closing() };
    if case.checks.len() == 1 && case.closing == Closing::Call {
        return None;
    }
    let (n, m) = (f64::from(cap), thresholds[1]);
    let (mean, variance) = match model {
        Model::NegBin { k } => (n * m, n * (m + m * m / k)),
        Model::Poisson => (n * m, n * m),
        Model::Binomial { units } => (n * m * f64::from(units), n * m * f64::from(units)),
    };
    let hardly_passed = mean + 6.0 * variance.sqrt() + 4.0;
    if hardly_passed > 150.0 {
        return None;
    }
    let tables = Tables::of(&case, hardly_passed);
    (tables.lower.len() * tables.upper.len() <= MOST_STRIPS).then_some((case, tables))
}

/// Tries `designs` designs; how many had a plan, and how many had none.
fn against_all(designs: u32, seed: u64) -> [u32; 2] {
    let mut draw = Draw::seeded(seed);
    let (mut made, mut none) = (0, 0);
    for i in 0..designs {
        let Some((case, tables)) = drawn(&mut draw) else { continue };
        let found = feasible(&case, &tables);
        let plan = match Plan::design(case.design(), Method::Calibrated, &Quiet) {
            Ok(plan) => plan,
            Err(e) => {
                assert_eq!(e.code(), Code::NoPlan, "design {i}: {e} {case:?}");
                assert!(found.is_empty(), "design {i}: none found, but {:?} {case:?}", found[0]);
                none += 1;
                continue;
            }
        };
        let lines = rows(&plan);
        let cut = if case.closing == Closing::Call { lines.last().unwrap().1.unwrap() } else { -1 };
        let own = found.iter().copied().find(|f| f.cut == cut && tables.lines(&case, *f) == lines);
        let own = own.unwrap_or_else(|| panic!("design {i}: not a feasible strip {lines:?} {case:?}"));
        assert!(minimal(&found, cut).contains(&own), "design {i}: a line can be narrowed {lines:?} {case:?}");
        let sites = largest_sites(&case, &lines);
        for cut in found.iter().map(|f| f.cut).collect::<BTreeSet<_>>() {
            for other in minimal(&found, cut) {
                let fewer = largest_sites(&case, &tables.lines(&case, other));
                assert!(fewer >= sites - SAME_SITES, "design {i}: {other:?} has {fewer}, not {sites} {case:?}");
            }
        }
        made += 1;
    }
    [made, none]
}

#[test]
fn none_is_better_among_all_strips_and_cuts() {
    let [made, none] = against_all(80, 3);
    assert!(made > 20 && none > 15, "{made} plans, {none} without");
}

#[test]
#[ignore = "long"]
fn none_is_better_among_all_strips_and_cuts_of_thousands() {
    let [made, none] = against_all(6000, 2);
    assert!(made > 2000 && none > 1500, "{made} plans, {none} without");
}
