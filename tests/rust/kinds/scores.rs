//! Sites scored otherwise than by counting every enemy.

use super::{constant, design, mean, precision, two_calls};
use stopline::evaluate::{evaluate, evaluate_lines, largest_expected_sites};
use stopline::plan::{Checks, Closing, Design, Method, Plan};
use stopline::{Code, Dispersion, Minutes, Quiet, Score};

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

/// The optimal plan of positive units whose thresholds are means is that of their shares, which rise with the mean: as many
/// sites at its worst mean, and no more than the calibrated plan.
#[test]
fn optimal_positive_units_with_thresholds_as_means() {
    let shares = |above: u32, m: f64| {
        let mut p = (1.2_f64 / (1.2 + m)).powf(1.2);
        (0..=above).fold(1.0, |rest, x| {
            let now = rest - p;
            p *= m / (1.2 + m) * (1.2 + f64::from(x)) / (f64::from(x) + 1.0);
            now
        })
    };
    for above in [0, 2] {
        let score = Score::positive(above, 1).unwrap();
        let plan = |law: Dispersion, [low, high]: [f64; 2], method| {
            let checks = Checks::every(5, 60, 1).unwrap();
            let asked = design(law, two_calls(low, high, 0.1), checks, Closing::Call);
            Plan::design(Design { score: score.clone(), ..asked }, method, &Quiet).unwrap()
        };
        let [low, high] = [0.5, 2.0];
        let of_means = plan(constant(1.2), [low, high], Method::Optimal);
        let of_shares = plan(Dispersion::Binomial, [low, high].map(|m| shares(above, m)), Method::Optimal);
        assert!(of_means.attained().iter().all(|row| row.p <= 0.1));
        let [a, b] = [&of_means, &of_shares].map(|plan| plan.proof().unwrap());
        assert!((a.value / b.value - 1.0).abs() < 2e-3 && a.bound <= a.value, "{a:?} {b:?}");
        assert!(a.bound <= b.value * (1.0 + 1e-9) && b.bound <= a.value * (1.0 + 1e-9), "{a:?} {b:?}");
        let calibrated = plan(constant(1.2), [low, high], Method::Calibrated);
        let most = largest_expected_sites(calibrated.lines(), &score, &constant(1.2)).unwrap().expected_sites;
        assert!(a.value <= most * (1.0 + 1e-9), "{a:?} {most}");
        assert_eq!(Plan::from_json(&of_means.to_json().unwrap()).unwrap(), of_means);
    }
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
