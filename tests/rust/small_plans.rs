//! Small plans, some of every kind.

use stopline::plan::{Aim, Checks, Closing, Design, Method, Objective, Pair, Plan, Sides, Table};
use stopline::{Call, Dispersion, K, Level, Mean, Plants, Quiet, Risk, Risks, Score, Share, Thresholds};

fn mean(m: f64) -> Mean {
    Mean::new(m).unwrap()
}

fn k(k: f64) -> K {
    K::new(k).unwrap()
}

fn pair(low: f64, high: f64) -> Pair {
    let risk = Risk::new(0.1).unwrap();
    Pair { thresholds: Thresholds::new(mean(low), mean(high)).unwrap(), risks: Risks::new(risk, risk).unwrap() }
}

fn two_calls(low: f64, high: f64) -> Aim {
    let Pair { thresholds, risks } = pair(low, high);
    Aim::TwoCalls { thresholds: Some(thresholds), risks: Some(risks) }
}

fn design(dispersion: Dispersion, aim: Aim, closing: Closing, checks: Checks) -> Design {
    Design { score: Score::Count, plants: Plants::new(3).unwrap(), dispersion, aim, checks, closing }
}

fn derived(design: Design, method: Method) -> Plan {
    Plan::design(design, method, &Quiet).unwrap_or_else(|e| panic!("{method:?}: {e}"))
}

/// A table with these rows under its columns.
fn given(aim: Aim, dispersion: Dispersion, table: &str) -> Plan {
    let Table { lines, checks, closing, .. } = Table::read(table.as_bytes()).unwrap();
    Plan::given(design(dispersion, aim, closing, checks), lines, &Quiet).unwrap()
}

/// Each with at most 14 sites.
pub fn plans() -> Vec<Plan> {
    let constant = Dispersion::ConstantK { k: k(2.0) };
    let interval = Dispersion::k_interval(k(2.0), k(1.5), k(3.0)).unwrap();
    let spread = Dispersion::k_spread(k(2.0), 0.3).unwrap();
    let power = Dispersion::power_law(1.6, 1.3).unwrap();
    let proportion = Dispersion::proportion(0.4, 0.9, 0.2).unwrap();
    let aim = two_calls(1.0, 4.0);
    let critical = |sides| Aim::Interval { critical: mean(1.5), confidence: Level::new(0.85).unwrap(), sides };
    let three = Aim::three_calls(pair(0.5, 1.5), pair(3.0, 6.0)).unwrap();
    let far = Aim::three_calls(pair(0.3, 1.8), pair(3.0, 12.0)).unwrap();
    let precision = Aim::Precision { se_over_mean: Level::new(0.4).unwrap() };
    let thirds = || Checks::every(2, 9, 3).unwrap();
    let each = |cap| Checks::every(2, cap, 1).unwrap();
    let open = Closing::Undecided;
    let call = Closing::Call;
    let units = |dispersion, aim, units| Design {
        score: Score::positive(0, units).unwrap(),
        ..design(dispersion, aim, call, each(12))
    };
    let capped =
        |dispersion, most| Design { score: Score::capped(most).unwrap(), ..design(dispersion, aim, call, each(14)) };
    vec![
        derived(design(power, critical(Sides::One), call, thirds()), Method::Nominal),
        derived(design(constant, critical(Sides::Two), open, thirds()), Method::Nominal),
        derived(design(constant, three, call, thirds()), Method::Wald),
        derived(design(spread, three, open, thirds()), Method::Wald),
        derived(design(constant, far, call, each(9)), Method::Calibrated),
        derived(design(interval, far, open, thirds()), Method::Calibrated),
        derived(design(constant, precision, open, thirds()), Method::Nominal),
        derived(design(constant, precision, call, thirds()), Method::Nominal),
        Plan::tuned(design(constant, precision, open, each(14)), [mean(2.0), mean(6.0)], &Quiet).unwrap(),
        derived(design(constant, aim, call, each(14)), Method::TwoStage),
        derived(design(constant, aim, call, each(14)), Method::TwoStageMinimax),
        derived(design(constant, aim, call, Checks::every(2, 14, 3).unwrap()), Method::Curtailed),
        derived(design(constant, aim, call, thirds()), Method::Calibrated),
        derived(design(constant, aim, call, each(12)), Method::Converging),
        derived(design(power, aim, call, thirds()), Method::Converging),
        derived(design(Dispersion::Poisson, aim, open, thirds()), Method::Wald),
        derived(design(interval, aim, call, Checks::at(vec![3, 12]).unwrap()), Method::Calibrated),
        derived(design(constant, aim, call, Checks::at(vec![9]).unwrap()), Method::Fixed),
        derived(units(Dispersion::Binomial, two_calls(0.2, 0.7), 2), Method::Converging),
        derived(units(proportion, two_calls(0.5, 4.0), 1), Method::Calibrated),
        derived(units(constant, two_calls(0.5, 4.0), 1), Method::Curtailed),
        derived(
            Design { score: Score::positive(1, 1).unwrap(), ..units(spread, two_calls(0.5, 5.0), 1) },
            Method::Calibrated,
        ),
        derived(
            Design { score: Score::positive(0, 3).unwrap(), ..design(Dispersion::Binomial, precision, open, each(12)) },
            Method::Nominal,
        ),
        derived(capped(constant, 6), Method::Calibrated),
        derived(capped(constant, 3), Method::Curtailed),
        derived(capped(spread, 8), Method::Converging),
        derived(capped(interval, 8), Method::Fixed),
        Plan::two_stage(design(constant, aim, call, each(12)), Method::TwoStage, Call::Inadequate, &Quiet).unwrap(),
        Plan::two_stage(design(constant, aim, call, each(12)), Method::TwoStageMinimax, Call::Adequate, &Quiet)
            .unwrap(),
        derived(design(constant, aim, call, thirds()), Method::Optimal),
        Plan::optimal(
            design(constant, aim, open, thirds()),
            &Objective::LargestExpectedSites,
            Some(Share::new(0.3).unwrap()),
            &Quiet,
        )
        .unwrap(),
        given(aim, constant, "sites,inadequate_at_most,adequate_at_least\n3,,14\n6,9,20\n9,18,19\n"),
        given(
            three,
            constant,
            "sites,inadequate_at_most,marginal_from,marginal_to,adequate_at_least\n3,1,7,8,30\n6,4,12,20,40\n",
        ),
        given(critical(Sides::Two), constant, "sites,inadequate_at_most,adequate_at_least\n3,,14\n9,13,14\n"),
        given(precision, constant, "sites,enough_at_least\n3,40\n5,20\n9,12\n"),
    ]
}
