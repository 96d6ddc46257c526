//! Fixed numbers of sites and plans side by side, against independent sums.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)] // tests

use statrs::distribution::{DiscreteCDF, NegativeBinomial};
use stopline::compare::{Ground, PRECISIONS, USUAL_SITES, Way, compare, in_common, means_around};
use stopline::dispersion::FieldMeans;
use stopline::evaluate::exits;
use stopline::law::Law;
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
use stopline::{Code, Dispersion, K, Mean, Minutes, Plants, Quiet, Risk, Risks, Score, Thresholds};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn ground(low: f64, high: f64, k: f64) -> Ground {
    let thresholds = Thresholds::new(mean(low), mean(high)).unwrap();
    Ground {
        score: Score::Count,
        plants: Plants::USUAL,
        under: Dispersion::ConstantK { k: K::new(k).unwrap() },
        thresholds,
        means: means_around(thresholds, false).unwrap().to_vec(),
        clumped: None,
        past: None,
        timings: None,
        visits: 1,
    }
}

fn plan(of: &Ground) -> Plan {
    let risk = Risk::new(0.1).unwrap();
    let aim = Aim::TwoCalls { thresholds: Some(of.thresholds), risks: Some(Risks::new(risk, risk).unwrap()) };
    let design = Design {
        score: of.score.clone(),
        plants: of.plants,
        dispersion: of.under,
        aim,
        checks: Checks::every(5, 30, 1).unwrap(),
        closing: Closing::Call,
    };
    Plan::design(design, Method::Calibrated, &Quiet).unwrap()
}

/// Derived with scipy: 15 sites at thresholds 1.5 and 3, k 2, inadequate if the total is at most 31.
#[test]
fn always_fifteen_sites_has_its_known_risks() {
    let ground = ground(1.5, 3.0, 2.0);
    let way = Way::always(15, &ground).unwrap();
    assert_eq!(way.lines.rows()[0].at_most(stopline::Call::Inadequate), Some(31));
    let risks = compare(&ground, &[way], &Quiet).unwrap().ways[0].risks;
    assert!((risks.false_adequate.unwrap() - 0.0835).abs() < 5e-5, "{risks:?}");
    assert!((risks.false_inadequate.unwrap() - 0.0921).abs() < 5e-5, "{risks:?}");
    assert_eq!(risks.worst, risks.false_inadequate);
}

/// n = (1/m + 1/k)/D² (Karandinos 1976; Kuno 1969; formula from memory): k 2, D 0.25 and 0.10.
#[test]
fn sites_for_a_precision_are_the_published_ones() {
    let mut ground = ground(1.5, 3.0, 2.0);
    ground.means = [0.5, 1.0, 2.25].map(mean).to_vec();
    let way = Way::always(15, &ground).unwrap();
    let found = compare(&ground, &[way], &Quiet).unwrap().for_precision;
    let sites = |d: f64| found.iter().filter(|one| one.se_over_mean == d).map(|one| one.sites).collect::<Vec<_>>();
    for (d, known) in PRECISIONS.into_iter().zip([[40.0, 24.0, 15.11], [250.0, 150.0, 94.4]]) {
        for (sites, known) in sites(d).into_iter().zip(known) {
            assert!((sites - known).abs() < 0.05, "{d}: {sites}, {known}");
        }
    }
}

/// Common practice, no source: 25 to 30 sites give an accurate estimate. At m 1.5 and k 1.2 that is a standard error
/// over mean of about 0.24 to 0.22.
#[test]
fn a_usual_walk_is_about_as_precise_as_is_usual() {
    let mut ground = ground(1.0, 2.0, 1.2);
    ground.means = vec![mean(1.5)];
    let ways = [25, 30].map(|n| Way::always(n, &ground).unwrap());
    let found = compare(&ground, &ways, &Quiet).unwrap();
    for (way, known) in found.ways.iter().zip([0.24, 0.22]) {
        assert!((way.at[0].se_over_mean.unwrap() - known).abs() < 0.005, "{:?}", way.at[0]);
    }
}

/// Every fixed number against the distribution functions of a general-purpose library.
#[test]
fn fixed_numbers_of_sites_are_sums_of_the_distribution() {
    let mut compared = 0;
    for (low, high, k) in [(1.0, 2.0, 1.2), (0.4, 1.3, 0.5), (5.0, 8.0, 3.0)] {
        let ground = ground(low, high, k);
        let ways = USUAL_SITES.map(|n| Way::always(n, &ground).unwrap());
        for (way, found) in ways.iter().zip(compare(&ground, &ways, &Quiet).unwrap().ways) {
            let n = f64::from(way.lines.cap());
            let cut = u64::try_from(way.lines.rows()[0].at_most(stopline::Call::Inadequate).unwrap()).unwrap();
            // Both thresholds are about equally likely at the cut.
            let below = |m: f64| NegativeBinomial::new(n * k, k / (k + m)).unwrap().cdf(cut);
            for (found, known) in [
                (found.risks.false_adequate.unwrap(), 1.0 - below(low)),
                (found.risks.false_inadequate.unwrap(), below(high)),
            ] {
                assert!((found - known).abs() < 1e-11, "{n}: {found}, {known}");
                compared += 1;
            }
            for at in &found.at {
                let m = at.row.mean;
                assert!((at.se_over_mean.unwrap() - ((1.0 / m + 1.0 / k) / n).sqrt()).abs() < 1e-12);
                assert_eq!(
                    (at.row.sites_p50, at.row.sites_p90, at.row.sites_sd),
                    (way.lines.cap(), way.lines.cap(), 0.0)
                );
            }
        }
    }
    assert_eq!(compared, 30);
}

/// A plan against sums over every way to stop.
#[test]
fn a_plan_is_the_sum_of_its_ways_to_stop() {
    let mut ground = ground(1.0, 2.0, 1.2);
    ground.timings = Some(Minutes::new(2.0).unwrap().with_enemy(0.25).unwrap().with_in_and_out(10.0).unwrap());
    ground.visits = 4;
    let past = [(0.3, 0.25), (1.0, 0.25), (1.6, 0.1), (3.0, 0.4)];
    let at = past.map(|(m, w)| (mean(m), w)).to_vec();
    ground.past = Some(FieldMeans { at, walks: 9, short_of_best: 0.0 });
    ground.means.extend(past.map(|(m, _)| mean(m)));
    let plan = plan(&ground);
    let found = compare(&ground, &[Way::plan("p", &plan)], &Quiet).unwrap();
    let way = &found.ways[0];
    let mut stopped_in_season = vec![0.0; way.checks.len()];
    let (mut season_sites, mut season_minutes) = (0.0, 0.0);
    for at in &way.at {
        let m = at.row.mean;
        let law = Law::NegBin { mean: mean(m), k: K::new(1.2).unwrap() };
        let exits = exits(plan.lines(), &law, 1e-13).unwrap().list;
        let sum = |of: &dyn Fn(f64, f64) -> f64| -> f64 {
            exits.iter().map(|exit| exit.p * of(f64::from(exit.at), exit.total as f64)).sum()
        };
        let minutes = sum(&|n, total| 2.0 * n + 0.25 * total);
        assert!((at.minutes.unwrap() - minutes).abs() < 1e-8, "{m}: {:?}, {minutes}", at.minutes);
        let (first, second) = (sum(&|n, t| t / n), sum(&|n, t| t * t / (n * n)));
        let se = (second - first * first).sqrt() / m;
        assert!((at.se_over_mean.unwrap() - se).abs() < 1e-8);
        for (check, p) in way.checks.iter().zip(&at.stopped_by) {
            let known: f64 = exits.iter().filter(|exit| exit.at <= *check).map(|exit| exit.p).sum();
            assert!((p - known).abs() < 1e-11, "{m}, {check}: {p}, {known}");
        }
        if let Some((_, weight)) = past.iter().rev().find(|(p, _)| *p == m) {
            // The low threshold is among both lists.
            let weight = if m == 1.0 { 0.5 * weight } else { *weight };
            season_sites += weight * sum(&|n, _| n);
            season_minutes += weight * minutes;
            stopped_in_season.iter_mut().zip(&at.stopped_by).for_each(|(sum, p)| *sum += weight * p);
        }
    }
    let season = way.season.unwrap();
    assert!((season.expected_sites - season_sites).abs() < 1e-9);
    assert!((season.minutes.unwrap() - season_minutes).abs() < 1e-7);
    let reached = |share: f64| way.checks[stopped_in_season.iter().position(|p| *p >= share).unwrap()];
    assert_eq!((season.sites_p50, season.sites_p90), (reached(0.5), reached(0.9)));
    // Half of the fields are low, 0.4 high.
    assert!((season.low - 0.5).abs() < 1e-15 && (season.high - 0.4).abs() < 1e-15);
    let risks = plan.attained();
    assert!((way.risks.false_adequate.unwrap() - risks[0].p).abs() < 1e-11);
    assert!((way.risks.worst.unwrap() - risks[0].p.max(risks[1].p)).abs() < 1e-11);
    let some = 1.0 - (1.0 - risks[0].p).powi(4);
    assert!((way.risks_over_visits.false_adequate.unwrap() - some).abs() < 1e-11);
    let said = found.conclusion.join(" ");
    let fewest = stopline::plan::fewest_fixed_sites(plan.asked()).unwrap().unwrap().sites;
    assert!(
        said.contains(&format!("a fixed walk always takes {fewest}")) && said.contains("never more than 30"),
        "{said}"
    );
}

#[test]
fn wrong_calls_are_more_where_fields_are_more_clumped() {
    let mut ground = ground(1.0, 2.0, 1.2);
    let k = K::new(0.6).unwrap();
    ground.clumped = Some(("clumped ones".to_owned(), Dispersion::ConstantK { k }));
    let plan = plan(&ground);
    let way = &compare(&ground, &[Way::plan("p", &plan)], &Quiet).unwrap().ways[0];
    let own = Ground { under: Dispersion::ConstantK { k }, clumped: None, ..ground.clone() };
    assert_eq!(way.risks_clumped, Some(compare(&own, &[Way::plan("p", &plan)], &Quiet).unwrap().ways[0].risks));
    assert!(way.risks_clumped.unwrap().worst > way.risks.worst);
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let ground = ground(1.0, 2.0, 1.2);
    assert_eq!(compare(&ground, &[], &Quiet).unwrap_err().code(), Code::Combination);
    let way = Way::always(10, &ground).unwrap();
    let never = Ground { visits: 0, ..ground.clone() };
    assert_eq!(compare(&never, &[way], &Quiet).unwrap_err().code(), Code::OutOfRange);
    assert!(Way::always(0, &ground).is_err());
    assert_eq!(Minutes::new(-1.0).unwrap_err().code(), Code::OutOfRange);
    assert_eq!(Minutes::new(f64::NAN).unwrap_err().code(), Code::OutOfRange);
    let plan = plan(&ground);
    let plans = [("a".to_owned(), &plan), ("b".to_owned(), &plan)];
    assert_eq!(in_common(&plans, "plants", |plan| Some(plan.asked().plants)).unwrap(), Some(Plants::USUAL));
    let mut number = 0;
    let other = std::cell::RefCell::new(&mut number);
    let differs = in_common(&plans, "number", |_| {
        **other.borrow_mut() += 1;
        Some(**other.borrow())
    });
    assert_eq!(differs.unwrap_err().code(), Code::Combination);
}
