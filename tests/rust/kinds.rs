//! Plans of every kind against published values and slow searches.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]
#![allow(clippy::cast_possible_truncation)]

use stopline::evaluate::{curve_of_laws, evaluate, evaluate_lines, largest_expected_sites, plain_mean};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Pair, Plan, Sides};
use stopline::{
    Call, Code, Column, Dispersion, K, Level, Lines, Mean, Minutes, Plants, Quiet, Risk, Risks, Row, Score, Thresholds, Verdict,
};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn constant(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

fn design(dispersion: Dispersion, aim: Aim, checks: Checks, closing: Closing) -> Design {
    Design { score: Score::Count, plants: Plants::new(3).unwrap(), dispersion, aim, checks, closing }
}

fn pair(low: f64, high: f64, risk: f64) -> Pair {
    let risk = Risk::new(risk).unwrap();
    Pair { thresholds: Thresholds::new(mean(low), mean(high)).unwrap(), risks: Risks::new(risk, risk).unwrap() }
}

fn two_calls(low: f64, high: f64, risk: f64) -> Aim {
    let Pair { thresholds, risks } = pair(low, high, risk);
    Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) }
}

fn precision(part: f64) -> Aim {
    Aim::Precision { se_over_mean: Level::new(part).unwrap() }
}

/// Binns, Nyrop & van der Werf 2000, Sampling and Monitoring in Crop Protection (CABI), an interval plan
/// with critical density 1, 15 to 50 sites, variance 3.05·m^1.02, α = .15; outputs derived from it.
#[test]
fn interval_lines_of_a_textbook_case() {
    let aim = Aim::Interval { critical: mean(1.0), confidence: Level::new(0.85).unwrap(), sides: Sides::One };
    let law = Dispersion::power_law(3.05, 1.02).unwrap();
    let asked = design(law, aim, Checks::every(15, 50, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    assert_eq!(plan.lines().rows().last().unwrap().at_most(Call::Inadequate), Some(50));
    let at = evaluate(&plan, &law, &[0.6, 1.0, 1.5].map(mean), &Quiet).unwrap().curve.rows;
    for (row, low) in at.iter().zip([0.956, 0.553, 0.061]) {
        assert!((row.inadequate - low).abs() < 5e-4, "{row:?}");
    }
    assert!((at[1].expected_sites - 30.9).abs() < 0.05);
    let codes: Vec<&str> = plan.cautions().iter().map(|c| c.code).collect();
    assert_eq!(codes, ["nominal_confidence"]);
}

/// Two sides ask for wider lines than one: z of a standard normal, 1.0364 and 1.4395 at .85 (tables).
#[test]
fn sides_of_a_confidence() {
    let lines = |sides| {
        let aim = Aim::Interval { critical: mean(4.0), confidence: Level::new(0.85).unwrap(), sides };
        let asked = design(Dispersion::Poisson, aim, Checks::at(vec![25, 26]).unwrap(), Closing::Undecided);
        let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
        let row = &plan.lines().rows()[0];
        (row.at_most(Call::Inadequate), row.at_least(Call::Adequate))
    };
    // 100 ± z·10
    assert_eq!(lines(Sides::One), (Some(89), Some(111)));
    assert_eq!(lines(Sides::Two), (Some(85), Some(115)));
}

/// Kuno 1969 (formula from memory): what the rule truly gives at k 2, D .25 (derived).
#[test]
fn precision_by_kuno_and_what_becomes_of_it() {
    let law = constant(2.0);
    let asked = design(law, precision(0.25), Checks::every(1, 400, 1).unwrap(), Closing::Undecided);
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    // None until n > 1/(k·D²) = 8; at n = 40 the total is 20 (Karandinos 1976: m .5 needs 40 sites).
    let line = |n: usize| Column::EnoughAtLeast.of(&plan.lines().rows()[n - 1]);
    assert_eq!([line(8), line(9), line(40)], [None, Some(144), Some(20)]);
    // Karandinos 1976 (formula from memory): n = (1/m + 1/k)/D², so at n sites the line is at n·m: D .25, m 1: 24; D .10,
    // m .5 and 1: 250 and 150.
    assert_eq!(line(24), Some(24));
    let finer = design(law, precision(0.1), Checks::at(vec![150, 250]).unwrap(), Closing::Undecided);
    let finer = Plan::design(finer, Method::Nominal, &Quiet).unwrap();
    let totals: Vec<_> = finer.lines().rows().iter().map(|row| Column::EnoughAtLeast.of(row)).collect();
    assert_eq!(totals, [Some(150), Some(125)]);
    let known = [(0.75, 30.67, 0.2597, 4.3), (1.5, 19.60, 0.2524, 3.3), (3.0, 14.10, 0.2478, 2.3)];
    let means = known.map(|(m, ..)| mean(m));
    let found = evaluate(&plan, &law, &means, &Quiet).unwrap();
    let estimates = found.estimates.unwrap();
    for (i, (m, sites, se, bias)) in known.into_iter().enumerate() {
        let (row, estimate) = (&found.curve.rows[i], &estimates[i]);
        assert!((row.expected_sites - sites).abs() < 5e-3, "{m}: {row:?}");
        assert!((estimate.se_over_mean - se).abs() < 5e-5, "{m}: {estimate:?}");
        assert!((100.0 * estimate.bias_over_mean - bias).abs() < 0.05, "{m}: {estimate:?}");
        assert!((row.enough - 1.0).abs() < 1e-9);
    }
}

/// Tuned lines: the true precision holds at means between those that were looked at, and not much is wasted.
#[test]
fn tuned_precision_is_truly_kept() {
    let law = constant(2.0);
    let asked = design(law, precision(0.25), Checks::every(1, 200, 1).unwrap(), Closing::Undecided);
    let plan = Plan::tuned(asked.clone(), [mean(0.5), mean(5.0)], &Quiet).unwrap();
    let worst = (0..400)
        .map(|i| mean(0.5 * 10.0_f64.powf(f64::from(i) / 399.0)))
        .map(|m| plain_mean(plan.lines(), &Score::Count, &law, m).unwrap().se_over_mean)
        .fold(0.0, f64::max);
    assert!((0.249..=0.25).contains(&worst), "{worst}");
    assert!(plan.about().notes.contains("0.5 to 5"));
    assert_eq!(Plan::from_json(&plan.to_json().unwrap()).unwrap(), plan);
    // Walks too short for the lowest mean.
    let short = Design { checks: Checks::every(1, 20, 1).unwrap(), ..asked };
    assert_eq!(Plan::tuned(short, [mean(0.5), mean(5.0)], &Quiet).unwrap_err().code(), Code::NoPlan);
}

/// Green 1970 (formula from memory), a 1.6, b 1.3, D .25: 38.30 at 10 sites, 28.46 at 20.
#[test]
fn precision_by_green() {
    let law = Dispersion::power_law(1.6, 1.3).unwrap();
    let asked = design(law, precision(0.25), Checks::every(10, 20, 10).unwrap(), Closing::Undecided);
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    let found: Vec<_> = plan.lines().rows().iter().map(|row| Column::EnoughAtLeast.of(row)).collect();
    assert_eq!(found, [Some(39), Some(29)]);
    let rising = Dispersion::power_law(1.6, 2.1).unwrap();
    let asked = design(rising, precision(0.25), Checks::at(vec![20]).unwrap(), Closing::Call);
    assert_eq!(Plan::design(asked, Method::Nominal, &Quiet).unwrap_err().code(), Code::Combination);
}

/// A walk of always n sites has no bias, and the standard error of its mean is √(V/n) (handbook formula).
#[test]
fn plain_mean_of_fixed_walks() {
    let lines = Lines::new(vec![Row::two_calls(12, Some(20), Some(21), None)]).unwrap();
    for m in [0.3, 2.0, 20.0] {
        let found = plain_mean(&lines, &Score::Count, &constant(1.2), mean(m)).unwrap();
        let known = ((m + m * m / 1.2) / 12.0_f64).sqrt() / m;
        assert!((found.se_over_mean / known - 1.0).abs() < 1e-9, "{found:?} {known}");
        assert!(found.bias_over_mean.abs() < 1e-11, "{found:?}");
    }
}

/// Wilson & Room 1983 (formula from memory): the share of sites with any under variance a·mᵇ is
/// 1 − exp[−m·ln(a·m^(b−1))/(a·m^(b−1) − 1)]: .752928 at a 1.6, b 1.3, m 2; the zero term of the NB.
#[test]
fn share_of_sites_with_any() {
    let (a, b): (f64, f64) = (1.6, 1.3);
    let law = Dispersion::power_law(a, b).unwrap();
    for m in [0.5_f64, 1.0, 2.0, 7.0] {
        let v = a * m.powf(b - 1.0);
        let known = 1.0 - (-m * v.ln() / (v - 1.0)).exp();
        let laws = law.laws(&Score::positive(0, 1).unwrap(), mean(m)).unwrap();
        assert!((laws.nodes[0].1.mean() - known).abs() < 1e-12, "{m}: {known}");
        if m == 2.0 {
            assert!((known - 0.752928).abs() < 5e-7);
        }
    }
}

/// A share of sites above a tally, by the terms of the negative binomial added up.
#[test]
fn share_of_sites_above_a_tally() {
    for (m, k) in [(0.4_f64, 0.3_f64), (3.0, 1.2), (40.0, 5.0)] {
        for above in [0_u32, 1, 3, 30] {
            let mut p = (-k * (m / k).ln_1p()).exp();
            let mut below = 0.0;
            for x in 0..=above {
                below += p;
                p *= m / (k + m) * (k + f64::from(x)) / (f64::from(x) + 1.0);
            }
            let laws = constant(k).laws(&Score::positive(above, 1).unwrap(), mean(m)).unwrap();
            assert!((laws.nodes[0].1.mean() - (1.0 - below)).abs() < 1e-12, "{m} {k} {above}");
        }
    }
    // The empirical relation: P = 1 − 1/e where ln m = a.
    let law = Dispersion::proportion(0.7, 0.8, 0.0).unwrap();
    let laws = law.laws(&Score::positive(0, 1).unwrap(), mean(0.7_f64.exp())).unwrap();
    assert!((laws.nodes[0].1.mean() - (1.0 - (-1.0_f64).exp())).abs() < 1e-14);
}

/// Presence and absence on the scale of the mean: the plan's thresholds are means, its risks exact there.
#[test]
fn positive_units_with_thresholds_as_means() {
    let asked = Design {
        score: Score::positive(0, 1).unwrap(),
        ..design(constant(1.2), two_calls(0.5, 1.5, 0.1), Checks::every(5, 40, 1).unwrap(), Closing::Call)
    };
    let plan = Plan::design(asked, Method::Calibrated, &Quiet).unwrap();
    let share = |m: f64| 1.0 - (1.2 / (1.2 + m)).powf(1.2);
    let shares = [0.5, 1.5].map(|m| mean(share(m)));
    let binomial = evaluate_lines(plan.lines(), &plan.asked().score, &Dispersion::Binomial, &shares, &Quiet).unwrap();
    assert!((binomial.rows[0].adequate - plan.attained()[0].p).abs() < 1e-13);
    assert!((binomial.rows[1].inadequate - plan.attained()[1].p).abs() < 1e-13);
    assert!(plan.attained().iter().all(|row| row.p <= 0.1));
}

/// Every walk is called as by the fixed plan, with its very risks, and none is longer.
#[test]
fn curtailed_walks_are_the_fixed_ones_cut_short() {
    for score in [Score::Count, Score::positive(0, 2).unwrap()] {
        let (law, aim) = match score {
            Score::Count => (constant(1.2), two_calls(1.0, 2.5, 0.1)),
            _ => (Dispersion::Binomial, two_calls(0.2, 0.5, 0.1)),
        };
        let asked =
            Design { score: score.clone(), ..design(law, aim, Checks::every(2, 40, 1).unwrap(), Closing::Call) };
        let fixed = Plan::design(asked.clone(), Method::Fixed, &Quiet).unwrap();
        let curtailed = Plan::design(asked, Method::Curtailed, &Quiet).unwrap();
        assert_eq!(curtailed.lines().cap(), fixed.lines().cap());
        for (a, b) in curtailed.attained().iter().zip(fixed.attained()) {
            assert!((a.p - b.p).abs() < 1e-13, "{a:?} {b:?}");
        }
        let sites = |plan: &Plan| largest_expected_sites(plan.lines(), &score, &law).unwrap().expected_sites;
        assert!(sites(&curtailed) < sites(&fixed));
        // Positive units can be too few: then inadequate is called early.
        let early = curtailed.lines().rows().iter().filter(|r| r.at_most(Call::Inadequate).is_some()).count();
        assert_eq!(early > 1, score != Score::Count);
    }
}

/// Against every pair of checks, pair of lines and cut, evaluated one by one.
#[test]
fn no_plan_with_two_checks_is_better() {
    let law = Dispersion::Poisson;
    let asked = design(law, two_calls(0.6, 2.2, 0.15), Checks::every(1, 7, 1).unwrap(), Closing::Call);
    let most = |plan: &Lines| largest_expected_sites(plan, &Score::Count, &law).unwrap().expected_sites;
    let mut best = f64::INFINITY;
    let mut least = (u32::MAX, f64::INFINITY);
    for last in 2..=7_u32 {
        for first in 1..last {
            for cut in 0..14_i64 {
                for low in -1..=cut {
                    for high in low.max(0) + 1..=cut + 1 {
                        let rows = vec![
                            Row::two_calls(first, (low >= 0).then_some(low), Some(high), None),
                            Row::two_calls(last, Some(cut), Some(cut + 1), None),
                        ];
                        let Ok(lines) = Lines::new(rows) else { continue };
                        let at = evaluate_lines(&lines, &Score::Count, &law, &[0.6, 2.2].map(mean), &Quiet).unwrap();
                        if at.rows[0].adequate <= 0.15 && at.rows[1].inadequate <= 0.15 {
                            let sites = most(&lines);
                            best = best.min(sites);
                            if (last, sites) < least {
                                least = (last, sites);
                            }
                        }
                    }
                }
            }
        }
    }
    let plan = Plan::design(asked.clone(), Method::TwoStage, &Quiet).unwrap();
    assert!((most(plan.lines()) - best).abs() < 1e-9, "{} {best}", most(plan.lines()));
    assert_eq!(plan.lines().rows().len(), 2);
    let plan = Plan::design(asked, Method::TwoStageMinimax, &Quiet).unwrap();
    assert_eq!(plan.lines().cap(), least.0);
    assert!((most(plan.lines()) - least.1).abs() < 1e-9);
}

/// Three calls: exact chances against every path of few sites, and order of the calls along the mean.
#[test]
fn three_calls_against_every_path() {
    let aim = Aim::three_calls(pair(0.5, 1.5, 0.2), pair(3.0, 6.0, 0.2)).unwrap();
    let law = Dispersion::Poisson;
    let asked = design(law, aim, Checks::every(2, 4, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked, Method::Wald, &Quiet).unwrap();
    let p = |m: f64, x: i32| (-m).exp() * m.powi(x) / (1..=x).map(f64::from).product::<f64>();
    fn follow(lines: &Lines, sites: u32, total: i64, chance: f64, step: &dyn Fn(i32) -> f64, sum: &mut [f64; 5]) {
        match lines.verdict(sites, total) {
            Verdict::Stop(call) => sum[Call::ALL.iter().position(|c| *c == call).unwrap()] += chance,
            Verdict::KeepSampling => {
                for x in 0..22 {
                    follow(lines, sites + 1, total + i64::from(x), chance * step(x), step, sum);
                }
            }
        }
    }
    let mut stated = plan.attained().iter();
    for m in [0.5, 1.5, 3.0, 6.0] {
        let mut sum = [0.0; 5];
        follow(plan.lines(), 0, 0, 1.0, &|x| p(m, x), &mut sum);
        let row = &evaluate(&plan, &law, &[mean(m)], &Quiet).unwrap().curve.rows[0];
        for call in [Call::Inadequate, Call::Marginal] {
            let i = Call::ALL.iter().position(|c| *c == call).unwrap();
            assert!((row.p(call) - sum[i]).abs() < 1e-7, "{m} {call:?}: {} {}", row.p(call), sum[i]);
        }
        assert!((row.inadequate + row.marginal + row.adequate - 1.0).abs() < 1e-12);
        for stated in stated.by_ref().take(if m == 0.5 || m == 6.0 { 2 } else { 1 }) {
            assert_eq!(stated.mean.get(), m);
            assert!((stated.p - row.p(stated.call)).abs() < 1e-13);
        }
    }
    assert!(stated.next().is_none());
    // The lower pair must lie below the upper.
    assert_eq!(Aim::three_calls(pair(0.5, 3.5, 0.2), pair(3.0, 6.0, 0.2)).unwrap_err().code(), Code::Combination);
}

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

/// Four lines tuned together: each pair's risk comes close to what is asked and stays below, and every mean takes
/// fewer sites than under Wald's lines.
#[test]
fn three_calls_keep_exact_risks() {
    let aim = Aim::three_calls(pair(1.0, 2.0, 0.1), pair(4.0, 7.0, 0.05)).unwrap();
    let law = constant(1.2);
    let asked = design(law, aim, Checks::every(5, 60, 1).unwrap(), Closing::Call);
    let plan = Plan::design(asked.clone(), Method::Calibrated, &Quiet).unwrap();
    let wald = Plan::design(asked.clone(), Method::Wald, &Quiet).unwrap();
    let p: Vec<f64> = plan.attained().iter().map(|row| row.p).collect();
    for (sum, risk) in [(p[0] + p[1], 0.1), (p[2], 0.1), (p[3], 0.05), (p[4] + p[5], 0.05)] {
        assert!(sum <= risk && sum > 0.9 * risk, "{p:?}");
    }
    let means = [1.0, 1.4, 2.0, 4.0, 5.3, 7.0].map(mean);
    let sites = |plan: &Plan| evaluate(plan, &law, &means, &Quiet).unwrap().curve.rows;
    for (ours, wald) in sites(&plan).iter().zip(sites(&wald)) {
        assert!(ours.expected_sites < wald.expected_sites, "{ours:?} {wald:?}");
    }
    // A cap at which a fixed walk cannot keep a pair's risks; what is said to do does.
    let short = |cap| Design { checks: Checks::every(5, cap, 1).unwrap(), ..asked.clone() };
    let refused = Plan::design(short(20), Method::Calibrated, &Quiet).unwrap_err();
    assert_eq!(refused.code(), Code::NoPlan);
    let would_do: u32 = refused.allowed().split(' ').nth(1).unwrap().parse().unwrap();
    Plan::design(short(would_do), Method::Calibrated, &Quiet).unwrap();
    // An interval of k: every wrong call at its worst k.
    let interval = Dispersion::k_interval(K::new(1.2).unwrap(), K::new(0.8).unwrap(), K::new(2.0).unwrap()).unwrap();
    let wide = Design { dispersion: interval, checks: Checks::every(5, 80, 5).unwrap(), ..asked };
    let plan = Plan::design(wide, Method::Calibrated, &Quiet).unwrap();
    let laws = (0..40).map(|i| constant(0.8 * 2.5_f64.powf(f64::from(i) / 39.0)));
    for under in laws {
        let rows = evaluate(&plan, &under, &[1.0, 2.0, 4.0, 7.0].map(mean), &Quiet).unwrap().curve.rows;
        assert!(rows[0].marginal + rows[0].adequate <= 0.1 + 1e-12 && rows[1].inadequate <= 0.1 + 1e-12);
        assert!(rows[2].adequate <= 0.05 + 1e-12 && rows[3].inadequate + rows[3].marginal <= 0.05 + 1e-12);
    }
}

/// Simon 1989, Controlled Clinical Trials 10:1–10 (plans from memory): shares .1 and .3 with risks .05 and .20, stopping
/// early for too few only: optimal 1/10 and 5/29, minimax 1/15 and 5/25; expected sites 15.014 and 19.510 (derived).
/// And .05 and .25: optimal 0/9 and 2/17, minimax 0/12 and 2/16.
#[test]
fn two_stages_that_stop_early_for_one_call() {
    for (low, high, plans) in [
        (0.1, 0.3, [(Method::TwoStage, [(10, 1), (29, 5)]), (Method::TwoStageMinimax, [(15, 1), (25, 5)])]),
        (0.05, 0.25, [(Method::TwoStage, [(9, 0), (17, 2)]), (Method::TwoStageMinimax, [(12, 0), (16, 2)])]),
    ] {
        let thresholds = Thresholds::new(mean(low), mean(high)).unwrap();
        let risks = Risks::new(Risk::new(0.05).unwrap(), Risk::new(0.2).unwrap()).unwrap();
        let aim = Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) };
        let score = Score::positive(0, 1).unwrap();
        let asked =
            Design { score, ..design(Dispersion::Binomial, aim, Checks::every(1, 40, 1).unwrap(), Closing::Call) };
        for (method, stages) in plans {
            let plan = Plan::two_stage(asked.clone(), method, Call::Inadequate, &Quiet).unwrap();
            let rows: Vec<_> =
                plan.lines().rows().iter().map(|row| (row.at, row.at_most(Call::Inadequate).unwrap())).collect();
            assert_eq!(rows, stages, "{method:?}");
            assert_eq!(plan.lines().rows()[0].at_least(Call::Adequate), None);
            let sites =
                evaluate(&plan, &Dispersion::Binomial, &[mean(low)], &Quiet).unwrap().curve.rows[0].expected_sites;
            let known = [(10, 15.014), (15, 19.510)].into_iter().find(|(first, _)| *first == rows[0].0);
            assert!(known.is_none_or(|(_, known)| (sites - known).abs() < 5e-4), "{sites}");
        }
        // The mirrored question has the mirrored plan.
        let mirrored = Aim::TwoCalls {
            thresholds: Some(Thresholds::new(mean(1.0 - high), mean(1.0 - low)).unwrap()),
            risks: Some(Risks::new(Risk::new(0.2).unwrap(), Risk::new(0.05).unwrap()).unwrap()),
        };
        let plan =
            Plan::two_stage(Design { aim: mirrored, ..asked }, Method::TwoStage, Call::Adequate, &Quiet).unwrap();
        let [first, last] = plan.lines().rows() else { panic!() };
        let (first_line, cut) = (plans[0].1[0].1, plans[0].1[1].1);
        let at = |row: &Row| (row.at, i64::from(row.at) - row.at_least(Call::Adequate).unwrap());
        assert_eq!([at(first), at(last)], [(plans[0].1[0].0, first_line), (plans[0].1[1].0, cut)]);
    }
}

/// The law of capped counts is that of min(X, c), and its lines keep their risks; what is not offered is said.
#[test]
fn capped_counts() {
    let law = constant(1.2);
    for (m, most) in [(0.5_f64, 1_u32), (2.0, 4), (40.0, 100)] {
        let laws = law.laws(&Score::capped(most).unwrap(), mean(m)).unwrap();
        // E min(X, c) = Σ P(X > x) below c, with the terms of the negative binomial added up.
        let (mut p, mut below, mut expected) = ((1.2 / (1.2 + m)).powf(1.2), 0.0, 0.0);
        for x in 0..most {
            below += p;
            expected += 1.0 - below;
            p *= m / (1.2 + m) * (1.2 + f64::from(x)) / (f64::from(x) + 1.0);
        }
        assert!((laws.nodes[0].1.mean() / expected - 1.0).abs() < 1e-11, "{m} {most}");
    }
    let full = design(law, two_calls(1.0, 2.0, 0.1), Checks::every(5, 60, 1).unwrap(), Closing::Call);
    let with = |most| Design { score: Score::capped(most).unwrap(), ..full.clone() };
    let sites = |design: &Design| {
        let plan = Plan::design(design.clone(), Method::Calibrated, &Quiet).unwrap();
        assert!(plan.attained().iter().all(|row| row.p <= 0.1 && row.p > 0.095), "{:?}", plan.attained());
        largest_expected_sites(plan.lines(), &design.score, &law).unwrap().expected_sites
    };
    // The less is counted, the more sites; with a most that is never reached nothing changes.
    let [one, four, many] = [1, 4, 5000].map(|most| sites(&with(most)));
    assert!(one > four && four > sites(&full), "{one} {four} {many}");
    assert!((many / sites(&full) - 1.0).abs() < 0.01);
    // Counted to 1 is whether any.
    let any = Design { score: Score::positive(0, 1).unwrap(), ..full.clone() };
    assert!((one / sites(&any) - 1.0).abs() < 1e-6);
    assert_eq!(Plan::design(with(4), Method::Optimal, &Quiet).unwrap_err().code(), Code::Combination);
    let precise = Design { aim: precision(0.25), ..with(4) };
    assert_eq!(Plan::design(precise, Method::Nominal, &Quiet).unwrap_err().code(), Code::Combination);
}

/// What counting less costs: tallies beside full counts, and their risks with k half and twice what was thought.
#[test]
fn ways_to_score_beside_each_other() {
    let asked = design(constant(1.2), two_calls(1.0, 3.0, 0.1), Checks::every(5, 30, 1).unwrap(), Closing::Call);
    let tallies = asked.tallies().unwrap();
    assert!(tallies.len() > 5);
    let ways = [&[Score::Count, Score::capped(4).unwrap()][..], &tallies].concat();
    let scored = asked.scored(&ways, None, &Quiet).unwrap();
    assert_eq!(scored[0].fixed, Some(9)); // derived; as in the tests of `levels`
    for (way, found) in ways.iter().zip(&scored) {
        let plan = found.plan.as_ref().unwrap();
        let [half, own, twice] = plan.risks.unwrap();
        assert!(own.iter().all(|p| *p <= 0.1), "{way:?} {own:?}");
        assert!(half != own && twice != own);
        assert!(found.fixed >= scored[0].fixed);
        // By the plan itself, where the design's own cap is enough.
        if let Ok(derived) = Plan::design(Design { score: way.clone(), ..asked.clone() }, Method::Calibrated, &Quiet)
            && found.fixed.is_some_and(|n| n <= 20)
        {
            let rows = evaluate(&derived, &constant(0.6), &[1.0, 3.0].map(mean), &Quiet).unwrap().curve.rows;
            assert!((rows[0].adequate - half[0]).abs() < 1e-12 && (rows[1].inadequate - half[1]).abs() < 1e-12);
        }
    }
    let best = asked.steadiest(&scored[2..]).unwrap();
    let worst = |s: &stopline::plan::Scored| s.plan.as_ref().unwrap().worst([0.1, 0.1]).unwrap();
    let fewest = scored[2..].iter().filter_map(|s| s.fixed).min().unwrap();
    assert!(scored[2..].iter().filter(|s| s.fixed.unwrap() <= 2 * fewest).all(|s| worst(s) >= worst(best)));
}

/// A table beside what it could have been; the price of an uncertain k; and what nine of ten fields keep of a spread,
/// against a fine grid of its normal scores, each with its weight.
#[test]
fn plans_beside_a_plan() {
    let aim = two_calls(1.5, 3.0, 0.1);
    let every = || Checks::every(1, 20, 1).unwrap();
    let wald = Plan::design(design(constant(2.0), aim, every(), Closing::Call), Method::Wald, &Quiet).unwrap();
    let table = Plan::given(wald.asked().clone(), wald.lines().clone(), &Quiet).unwrap();
    let others = table.beside(&Quiet).unwrap();
    assert_eq!(others.iter().map(Plan::method).collect::<Vec<_>>(), [Method::Calibrated, Method::Optimal]);
    let most = |plan: &Plan| {
        let asked = plan.asked();
        largest_expected_sites(plan.lines(), &asked.score, &asked.dispersion).unwrap().expected_sites
    };
    for other in &others {
        assert!(other.attained().iter().zip(table.attained()).all(|(a, b)| a.p <= b.p));
        assert!(most(other) <= most(&table) * (1.0 + 1e-9)); // Wald's lines are of the calibrated family
    }
    assert!(most(&others[1]) < most(&table));
    assert!(wald.beside(&Quiet).unwrap().is_empty() && wald.in_nine_of_ten(&Quiet).unwrap().is_empty());

    let k = |k| K::new(k).unwrap();
    let interval = Dispersion::k_interval(k(2.0), k(1.2), k(3.0)).unwrap();
    let spread = Dispersion::k_spread(k(2.0), 0.5).unwrap();
    for under in [interval, spread] {
        let asked = design(under, aim, Checks::every(1, 40, 1).unwrap(), Closing::Call);
        let plan = Plan::design(asked, Method::Calibrated, &Quiet).unwrap();
        let [plain] = plan.beside(&Quiet).unwrap().try_into().unwrap();
        assert_eq!(plain.asked().dispersion, constant(2.0));
        if under == interval {
            assert!(most(&plan) > most(&plain)); // the price of not knowing k
            assert!(plan.in_nine_of_ten(&Quiet).unwrap().is_empty());
            continue;
        }
        let told = plan.in_nine_of_ten(&Quiet).unwrap();
        for (told, on_average) in told.iter().zip(plan.attained()) {
            assert!(told.p > on_average.p);
            // P(z) from a fine grid of z, each with its normal weight.
            let mut at: Vec<(f64, f64)> = (0..800)
                .map(|i| {
                    let z = -4.0 + 0.01 * f64::from(i);
                    let under = constant(2.0 * (0.5 * z).exp());
                    let row = evaluate(&plan, &under, &[told.mean], &Quiet).unwrap().curve.rows.remove(0);
                    (row.p(told.call), (-0.5 * z * z).exp())
                })
                .collect();
            at.sort_by(|a, b| a.0.total_cmp(&b.0));
            let all: f64 = at.iter().map(|(_, w)| w).sum();
            let mut sum = 0.0;
            let p90 = at.iter().find(|(_, w)| {
                sum += w;
                sum >= 0.9 * all
            });
            assert!((told.p / p90.unwrap().0 - 1.0).abs() < 0.02, "{told:?} {p90:?}");
        }
    }
}

#[test]
fn a_method_must_fit_its_aim() {
    let checks = || Checks::every(5, 20, 1).unwrap();
    let asked = design(constant(1.2), precision(0.25), checks(), Closing::Call);
    assert_eq!(Plan::design(asked.clone(), Method::Calibrated, &Quiet).unwrap_err().code(), Code::Combination);
    // At the cap of a plan that closes by a call, enough was counted whatever the total.
    let plan = Plan::design(asked, Method::Nominal, &Quiet).unwrap();
    assert_eq!(plan.lines().verdict(20, 0), Verdict::Stop(Call::Enough));
    assert_eq!(Column::EnoughAtLeast.of(plan.lines().rows().last().unwrap()), Some(0));
    let asked = design(constant(1.2), two_calls(1.0, 2.0, 0.1), checks(), Closing::Call);
    assert_eq!(Plan::design(asked, Method::Nominal, &Quiet).unwrap_err().code(), Code::Combination);
}

/// Against every pair of checks, line and cut of small designs of negative-binomial counts, where a cut that keeps no
/// risks may lie before one that does.
#[test]
#[allow(clippy::cast_sign_loss, clippy::cast_possible_truncation)] // totals from 0 to 400
fn two_stages_that_stop_early_for_one_call_against_all() {
    let mut found = 0;
    for (k, low, high, risk, early) in [
        (1.2, 3.0, 9.0, 0.1, Call::Inadequate),
        (1.2, 3.0, 9.0, 0.1, Call::Adequate),
        (0.6, 2.0, 8.0, 0.15, Call::Inadequate),
        (3.0, 10.0, 18.0, 0.1, Call::Inadequate),
        (3.0, 10.0, 18.0, 0.1, Call::Adequate),
    ] {
        let checks = Checks::every(1, 7, 1).unwrap();
        let asked = design(constant(k), two_calls(low, high, risk), checks, Closing::Call);
        let p = |m: f64, sites: u32| {
            // P(total = t) over so many sites, by the ratio of neighbouring terms.
            let k = k * f64::from(sites);
            let m = m * f64::from(sites);
            let mut p = (k / (k + m)).powf(k);
            (0..400)
                .map(|t| {
                    let now = p;
                    p *= m / (k + m) * (k + f64::from(t)) / f64::from(t + 1);
                    now
                })
                .collect::<Vec<f64>>()
        };
        let mut best = f64::INFINITY;
        for last in 2..=7_u32 {
            for first in 1..last {
                let rest = [low, high].map(|m| p(m, last - first));
                let start = [low, high].map(|m| p(m, first));
                let right = usize::from(early == Call::Adequate);
                // Running sums of the second part, from below.
                let below = |side: usize| {
                    rest[side]
                        .iter()
                        .scan(0.0, |sum, p| {
                            *sum += p;
                            Some(*sum)
                        })
                        .collect::<Vec<f64>>()
                };
                let below = [below(0), below(1)];
                for line in -1..150_i64 {
                    let stops = |t: i64| if early == Call::Inadequate { t <= line } else { t > line };
                    let stopped =
                        |side: usize| (0..400).filter(|&t| stops(t)).map(|t| start[side][t as usize]).sum::<f64>();
                    let expected = f64::from(first) + f64::from(last - first) * (1.0 - stopped(right));
                    if expected >= best {
                        continue;
                    }
                    for cut in 0..200_i64 {
                        // P(not stopped, and called inadequate at the second check).
                        let inadequate = |side: usize| {
                            let from = |t: i64| start[side][t as usize] * below[side][(cut - t) as usize];
                            (0..=cut).filter(|&t| !stops(t)).map(from).sum::<f64>()
                        };
                        let [a, b] = if early == Call::Inadequate {
                            [1.0 - stopped(0) - inadequate(0), stopped(1) + inadequate(1)]
                        } else {
                            [1.0 - inadequate(0), inadequate(1)]
                        };
                        if a <= risk && b <= risk {
                            best = best.min(expected);
                        }
                    }
                }
            }
        }
        let right = if early == Call::Inadequate { low } else { high };
        let sites = Plan::two_stage(asked.clone(), Method::TwoStage, early, &Quiet)
            .map(|plan| evaluate(&plan, &constant(k), &[mean(right)], &Quiet).unwrap().curve.rows[0].expected_sites);
        match sites {
            Ok(sites) => assert!((sites - best).abs() < 1e-9, "{k} {low} {high} {early:?}: {sites} {best}"),
            Err(e) => assert!(e.code() == Code::NoPlan && best.is_infinite(), "{k} {low} {high} {early:?}: {e} {best}"),
        }
        found += usize::from(best.is_finite());
    }
    assert!(found > 2, "{found} plans compared");
}

/// Minutes of walks by the user's own times, against sums over the terms of the negative binomial.
#[test]
fn minutes_of_ways_to_score() {
    let k = 1.2;
    let asked = design(constant(k), two_calls(1.0, 3.0, 0.1), Checks::every(5, 40, 1).unwrap(), Closing::Call);
    let ways =
        [Score::Count, Score::capped(4).unwrap(), Score::positive(0, 1).unwrap(), Score::positive(2, 1).unwrap()];
    let times = Minutes::new(1.0).unwrap().with_plant(0.25).unwrap().with_enemy(0.2).unwrap();
    let scored = asked.scored(&ways, Some(times), &Quiet).unwrap();
    // E min(X, c) = Σ P(X > x) over x < c.
    let counted = |m: f64, most: u32| {
        let (mut p, mut below, mut sum) = ((k / (k + m)).powf(k), 0.0, 0.0);
        for x in 0..most {
            below += p;
            sum += 1.0 - below;
            p *= m / (k + m) * (k + f64::from(x)) / (f64::from(x) + 1.0);
        }
        sum
    };
    let mut saved = Vec::new();
    for (found, most) in scored.iter().zip([1000, 4, 1, 3]) {
        let plan = found.plan.as_ref().unwrap();
        let at = [(1.0, plan.sites[0]), (3.0, plan.sites[1]), (plan.most.mean, plan.most.expected_sites)];
        let minutes = plan.minutes.unwrap();
        for ((m, sites), minutes) in at.into_iter().zip(minutes) {
            let known = sites * (1.0 + 3.0 * 0.25 + 0.2 * counted(m, most));
            assert!((minutes / known - 1.0).abs() < 1e-11, "{:?} at {m}: {minutes} {known}", found.score);
        }
        let full = scored[0].plan.as_ref().unwrap().minutes.unwrap();
        for (i, saved) in found.minutes_saved.unwrap().into_iter().enumerate() {
            assert!((full[i] - minutes[i] - saved).abs() < 1e-12);
        }
        saved.push(minutes[2]);
    }
    assert_eq!(scored[0].minutes_saved, Some([0.0; 3]));
    let quickest = Design::quickest(&scored).unwrap();
    let least = saved.iter().copied().fold(f64::INFINITY, f64::min);
    assert_eq!(quickest.plan.as_ref().unwrap().minutes.unwrap()[2], least);
    assert!(Design::quickest(&asked.scored(&ways[..1], None, &Quiet).unwrap()).is_none());
}
