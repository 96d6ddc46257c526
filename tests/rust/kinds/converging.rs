//! Straight lines that meet.

use super::{constant, design, mean, two_calls};
use stopline::evaluate::{curve_of_laws, largest_expected_sites};
use stopline::plan::{Checks, Closing, Design, Method, Plan};
use stopline::{Call, Code, Dispersion, K, Lines, Quiet, Row, Score};

/// Lorden 1976, Ann. Statist. 4:281–291: slopes of the two likelihood ratios against a mean in the middle (formula
/// from memory; Poisson: (b − a)/ln(b/a) between means a and b). Against a search through such lines, by themselves:
/// every pair of tables for 7 middle means, with every cut where they meet or at the cap.
#[test]
fn converging_lines_against_a_search() {
    let law = Dispersion::Poisson;
    let (low, high, risk, cap): (f64, f64, f64, u32) = (0.8, 3.6, 0.12, 5);
    let asked = design(law, two_calls(low, high, risk), Checks::every(1, cap, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked.clone(), Method::Converging, &Quiet).unwrap();
    let most = |lines: &Lines| largest_expected_sites(lines, &Score::Count, &law).unwrap();
    let slope = |a: f64, b: f64| (b - a) / (b / a).ln();
    let mut best: Option<stopline::evaluate::LargestSites> = None;
    for step in 1..8 {
        let middle = low * (high / low).powf(f64::from(step) / 8.0);
        let (down, up) = (slope(middle, high), slope(low, middle));
        let tables = |slope: f64, sign: f64, round: &dyn Fn(f64) -> f64| {
            let at = |h: f64| -> Vec<i64> {
                (1..=cap).map(|n| round(slope * f64::from(n) + sign * h).max(-1.0) as i64).collect()
            };
            let mut all: Vec<Vec<i64>> = (0..240).map(|i| at(f64::from(i) * 0.05 - 1.0)).collect();
            all.dedup();
            all
        };
        let lower = tables(down, -1.0, &f64::floor);
        for upper in tables(up, 1.0, &|x| x.ceil().max(0.0)) {
            for lower in &lower {
                let meet = (0..cap as usize - 1).find(|&i| lower[i] + 1 >= upper[i]).unwrap_or(cap as usize - 1);
                let cuts = if lower[meet] + 1 >= upper[meet] { upper[meet] - 1..=lower[meet] } else { 0..=20 };
                for cut in cuts.filter(|&cut| cut >= 0) {
                    let line = |n: usize| (lower[n] >= 0).then_some(lower[n]);
                    let rows = (0..meet).map(|i| Row::two_calls(i as u32 + 1, line(i), Some(upper[i]), None));
                    let last = Row::two_calls(meet as u32 + 1, Some(cut), Some(cut + 1), None);
                    let lines = Lines::new(rows.chain([last]).collect()).unwrap();
                    let at = |m: f64| {
                        let laws = [law.laws(&Score::Count, mean(m)).unwrap()];
                        curve_of_laws(&lines, &[m], &laws, &Quiet).unwrap().rows.remove(0)
                    };
                    if at(low).adequate > risk || at(high).inadequate > risk {
                        continue;
                    }
                    let worse = |b: &stopline::evaluate::LargestSites| at(b.mean).expected_sites >= b.expected_sites;
                    if best.as_ref().is_none_or(|b| !worse(b)) {
                        let found = most(&lines);
                        if best.as_ref().is_none_or(|b| found.expected_sites < b.expected_sites) {
                            best = Some(found);
                        }
                    }
                }
            }
        }
    }
    let (found, searched) = (most(plan.lines()).expected_sites, best.unwrap().expected_sites);
    assert!(found <= searched * 1.002, "{found} {searched}");
    let optimal = Plan::design(asked, Method::Optimal, &Quiet).unwrap();
    assert!(optimal.proof().unwrap().bound <= found);
}

/// The lines that are printed give the table, the lower one steeper; where they meet the walk ends before the cap.
#[test]
fn converging_lines_print_and_meet() {
    for (law, score, low, high) in [
        (constant(1.2), Score::Count, 1.0, 2.0),
        (Dispersion::power_law(1.6, 1.3).unwrap(), Score::Count, 1.0, 2.5),
        (Dispersion::k_spread(K::new(1.2).unwrap(), 0.4).unwrap(), Score::Count, 1.0, 2.0),
        (
            Dispersion::k_interval(K::new(1.2).unwrap(), K::new(0.9).unwrap(), K::new(2.0).unwrap()).unwrap(),
            Score::Count,
            1.0,
            2.2,
        ),
        (Dispersion::Binomial, Score::positive(0, 1).unwrap(), 0.2, 0.4),
    ] {
        let asked =
            Design { score, ..design(law, two_calls(low, high, 0.1), Checks::every(3, 90, 1).unwrap(), Closing::Call) };
        let plan = Plan::design(asked.clone(), Method::Converging, &Quiet).unwrap_or_else(|e| panic!("{law:?} {e}"));
        assert!(plan.attained().iter().all(|row| row.p <= 0.1 && row.p > 0.09), "{:?}", plan.attained());
        assert!(plan.lines().cap() < 90, "{law:?}");
        let [lower, upper] = plan.straight().unwrap()[..] else { panic!() };
        assert!(lower.slope > upper.slope && lower.intercept < 0.0 && upper.intercept > 0.0);
        let (last, rows) = plan.lines().rows().split_last().unwrap();
        for row in rows {
            let at = |line: stopline::plan::Line| line.intercept + line.slope * f64::from(row.at);
            let low = at(lower).floor();
            assert_eq!(row.at_most(Call::Inadequate), (low >= 0.0).then_some(low as i64));
            assert_eq!(row.at_least(Call::Adequate), Some(at(upper).ceil() as i64));
        }
        assert!(last.closes());
    }
    let asked = design(constant(1.2), two_calls(1.0, 2.0, 0.1), Checks::every(3, 10, 1).unwrap(), Closing::Call);
    let refused = Plan::design(asked.clone(), Method::Converging, &Quiet).unwrap_err();
    assert_eq!((refused.code(), refused.allowed().contains("max_sites 22 would do")), (Code::NoPlan, true));
    let open = Design { closing: Closing::Undecided, ..asked };
    assert_eq!(Plan::design(open, Method::Converging, &Quiet).unwrap_err().code(), Code::Combination);
}
