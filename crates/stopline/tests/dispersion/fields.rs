//! What several walks tell together, against `tests/data/variance_laws.json` (numpy, scipy and R), published values
//! and likelihoods written out in log-gammas.

use crate::{from_frequencies, json, level, list, near, tables};
use stopline::dispersion::{
    Draws, Frequencies, MeanVariance, VarianceLaw, bliss_owen, common_k, mean_variance, one_k, spread, supported_laws,
};
use stopline::{Level, Quiet};

/// Sums of some hundred roundings, and differences of them.
const REGRESSION: f64 = 1e-8;
/// Tables of likelihoods in steps of 1/16 of ln k, over a hundred walks.
const TABLES: f64 = 1e-4;

#[test]
fn regressions_and_equal_k_of_open_data() {
    let (fits, laws) = (json("data/nb_fits.json"), json("data/variance_laws.json"));
    let (groups, rows) = (list(&fits, "groups"), list(&laws, "groups"));
    assert_eq!(groups.len(), rows.len());
    let mut seen = 0;
    for (group, row) in groups.iter().zip(rows) {
        assert_eq!(group["name"], row["name"]);
        let name = row["name"].as_str().unwrap();
        let walks = tables(group);
        let got = mean_variance(&walks, level()).unwrap();
        let want = |law: &str, key: &str| row[law][key].as_f64();
        if let (Ok(line), false) = (got.power_law, row["power_law"].is_null()) {
            let left_out = got.power_law_left_out;
            let excluded = left_out.one_site + left_out.without_any + left_out.equal_counts;
            assert_eq!(Some(line.points as f64), want("power_law", "n"), "{name}");
            assert_eq!(Some(excluded as f64), want("power_law", "excluded"), "{name}");
            near(got.a_and_b().map(|(a, _)| a), want("power_law", "a"), REGRESSION, name);
            near(Some(line.slope.value), want("power_law", "b"), REGRESSION, name);
            near(Some(line.intercept.se), want("power_law", "se_log10_a"), REGRESSION, name);
            near(Some(line.slope.se), want("power_law", "se_b"), REGRESSION, name);
            near(Some(line.r_squared), want("power_law", "r2"), REGRESSION, name);
            near(Some(line.mean_square), want("power_law", "mse_log10"), REGRESSION, name);
            seen += 1;
        }
        if let (Ok(line), false) = (got.patchiness, row["patchiness"].is_null()) {
            assert_eq!(Some(line.points as f64), want("patchiness", "n"), "{name}");
            near(Some(line.intercept.value), want("patchiness", "alpha"), REGRESSION, name);
            near(Some(line.slope.value), want("patchiness", "beta"), REGRESSION, name);
            near(Some(line.intercept.se), want("patchiness", "se_alpha"), REGRESSION, name);
            near(Some(line.slope.se), want("patchiness", "se_beta"), REGRESSION, name);
            near(Some(line.r_squared), want("patchiness", "r2"), REGRESSION, name);
            seen += 1;
        }
        let k = common_k(&walks, level()).unwrap().conditional.k.or_why();
        let equal = one_k(&walks, k, Draws::new(99, 1).unwrap(), &Quiet).unwrap().unwrap();
        near(Some(equal.deviance), row["lr_equal_k"].as_f64(), REGRESSION, name);
        assert_eq!(Some(equal.freedom), row["df"].as_u64(), "{name}");
        near(Some(equal.p_chi_square), row["p_equal_k"].as_f64(), 1e-7, name);
    }
    assert!(seen > 25, "{seen}");
}

fn corn_borers() -> Vec<Frequencies> {
    let treatments: [&[u64]; 4] = [
        &[19, 12, 18, 18, 11, 12, 7, 8, 4, 4, 1, 0, 1, 1, 0, 1, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0, 1],
        &[24, 16, 16, 18, 15, 9, 6, 5, 3, 4, 3, 0, 1],
        &[43, 35, 17, 11, 5, 4, 1, 2, 2],
        &[47, 23, 27, 9, 7, 3, 1, 1, 0, 0, 1, 1],
    ];
    treatments.map(from_frequencies).to_vec()
}

/// Corn borers (Beall 1940, Ecology 21:460–474; Bliss & Fisher 1953, table 3), derived from the printed tables: Bliss
/// & Owen's k 1.44977 unweighted and 1.41377 weighted, power law a 1.8509, b 1.4432, patchiness α .2964, β 1.5796.
#[test]
fn corn_borers_over_treatments() {
    let walks = corn_borers();
    let owen = bliss_owen(&walks);
    near(owen.unweighted.ok(), Some(1.44977), 4e-6, "unweighted");
    near(owen.weighted.ok(), Some(1.41377), 4e-6, "weighted");
    let MeanVariance { power_law: Ok(power), patchiness: Ok(patchiness), .. } = mean_variance(&walks, level()).unwrap()
    else {
        panic!("no lines")
    };
    near(Some(10_f64.powf(power.intercept.value)), Some(1.8509), 3e-5, "a");
    near(Some(power.slope.value), Some(1.4432), 4e-5, "b");
    near(Some(patchiness.intercept.value), Some(0.2964), 2e-4, "alpha");
    near(Some(patchiness.slope.value), Some(1.5796), 4e-5, "beta");
    // Lloyd's mean crowding and Morisita's index.
    let crowding = [7.1125, 4.6204, 2.6359, 2.9151];
    let index = [1.7586, 1.4565, 1.7749, 1.9300];
    for ((walk, crowding), index) in walks.iter().zip(crowding).zip(index) {
        assert!((walk.mean_crowding().unwrap() - crowding).abs() < 5.1e-5);
        assert!((walk.morisita_index().unwrap() - index).abs() < 5.1e-5);
    }
    // Student's t with 2 degrees of freedom at .95: 4.302653 (tables).
    near(Some(power.slope.high - power.slope.value), Some(4.302_653 * power.slope.se), 1e-6, "limit of b");
}

/// ln L of counts given their total, less that at the Poisson limit: Dirichlet–multinomial, by log-gammas.
fn given_total(walk: &Frequencies, k: f64) -> f64 {
    let (n, total) = (walk.sites() as f64, walk.sum() as f64);
    let sites: f64 = walk.table().iter().map(|&(x, f)| f as f64 * (libm::lgamma(x as f64 + k) - libm::lgamma(k))).sum();
    sites - (libm::lgamma(total + n * k) - libm::lgamma(n * k)) + total * n.ln()
}

/// ∫ L(k)·φ d ln k by Simpson's rule, straight from the log-gammas.
fn integrated(walks: &[Frequencies], median: f64, sd: f64) -> f64 {
    let of = |walk: &Frequencies| {
        let steps = 1200;
        let h = 14.0 / f64::from(steps);
        let at = |i: i32| {
            let z = -7.0 + h * f64::from(i);
            let weight = if i == 0 || i == steps {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            };
            weight * (given_total(walk, median * (sd * z).exp()) - 0.5 * z * z).exp()
        };
        ((0..=steps).map(at).sum::<f64>() * h / 3.0 / (2.0 * std::f64::consts::PI).sqrt()).ln()
    };
    walks.iter().map(of).sum()
}

fn unlike_walks() -> Vec<Frequencies> {
    let walks: [&[u32]; 8] = [
        &[0, 0, 7, 0, 1, 0, 0, 4, 0, 0, 0, 2],
        &[3, 4, 0, 5, 3, 4, 1, 9, 2, 6, 3, 4],
        &[1, 0, 2, 1, 0, 3, 1, 0, 0, 2, 5, 1],
        &[12, 0, 3, 7, 1, 0, 9, 2, 0, 4, 1, 15],
        &[0, 1, 0, 0, 1, 1, 0, 2, 0, 0, 1, 0],
        &[0, 0, 0, 9, 0, 0, 0, 0, 1, 0, 0, 0],
        &[6, 3, 8, 5, 0, 7, 4, 5, 13, 3, 6, 4],
        &[2, 0, 0, 1, 4, 0, 1, 0, 3, 0, 0, 1],
    ];
    walks.iter().map(|walk| Frequencies::of(walk).unwrap()).collect()
}

#[test]
fn spread_of_k_is_at_the_peak_of_the_integrated_likelihood() {
    let walks = unlike_walks();
    let got = spread(&walks, Level::new(0.9).unwrap(), Draws::new(99, 2).unwrap(), &Quiet).unwrap().unwrap();
    let best = integrated(&walks, got.median, got.sd_log);
    for (median, sd) in [(1.05, 1.0), (0.95, 1.0), (1.0, 1.05), (1.0, 0.95)] {
        assert!(integrated(&walks, got.median * median, got.sd_log * sd) < best, "{median} {sd}");
    }
    let k = common_k(&walks, level()).unwrap().conditional.k.k().unwrap();
    let one: f64 = walks.iter().map(|walk| given_total(walk, k)).sum();
    assert!((best - one - got.gain).abs() < TABLES, "{} {}", best - one, got.gain);
    assert!(got.sd_log > 0.3 && got.prediction_low.unwrap() < got.median && got.few_walks());
    // Walks of one law have no spread.
    let same = [walks[2].clone(), walks[2].clone(), walks[7].clone()];
    let none = spread(&same, level(), Draws::new(99, 2).unwrap(), &Quiet).unwrap().unwrap();
    assert_eq!((none.sd_log, none.gain), (0.0, 0.0));
    let k = common_k(&same, level()).unwrap().conditional.k.k();
    near(Some(none.median), k, 1e-4, "one k");
}

#[test]
fn laws_of_variance_are_at_their_peaks() {
    let walks = [unlike_walks(), corn_borers()].concat();
    let laws = supported_laws(&walks, &Quiet).unwrap().unwrap();
    let ln_l = |k: &dyn Fn(f64) -> f64| -> f64 {
        let of = |walk: &Frequencies| {
            let k = k(walk.mean().unwrap());
            if k.is_finite() { given_total(walk, k) } else { 0.0 }
        };
        walks.iter().map(of).sum()
    };
    let mut aics = Vec::new();
    for law in &laws.laws {
        let of = |p: f64, q: f64| match law.law {
            VarianceLaw::ConstantK => ln_l(&|_| p),
            VarianceLaw::Proportional => ln_l(&|m| m / (p - 1.0)),
            VarianceLaw::PowerLaw => ln_l(&|m| {
                let excess = p * m.powf(q) - m;
                if excess > 0.0 { m * m / excess } else { f64::INFINITY }
            }),
            _ => 0.0,
        };
        let [p, q] = law.parameters.map(|x| x.unwrap_or(1.0));
        let best = of(p, q);
        assert!((best - law.ln_likelihood).abs() < TABLES, "{law:?}: {best}");
        if law.law != VarianceLaw::Poisson {
            assert!(of(p * 1.02, q) < best && of(p * 0.98, q) < best, "{law:?}");
        }
        if law.law == VarianceLaw::PowerLaw {
            assert!(of(p, q * 1.02) < best && of(p, q * 0.98) < best, "{law:?}");
        }
        let parameters = law.parameters.iter().flatten().count() as f64;
        aics.push(2.0 * parameters - 2.0 * best);
    }
    let weights: Vec<f64> = aics.iter().map(|aic| (-0.5 * (aic - aics[0])).exp()).collect();
    for (law, weight) in laws.laws.iter().zip(&weights) {
        near(Some(law.weight), Some(weight / weights.iter().sum::<f64>()), 1e-3, "weight");
    }
    assert!(laws.words.starts_with("These walks support "), "{}", laws.words);
}
