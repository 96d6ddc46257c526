use super::*;
use crate::params::K;
use crate::watch::Quiet;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rand_distr::{Distribution, Gamma, Poisson};

/// Totals of walks, each of so many sites at a mean drawn from `truth`.
fn drawn(rng: &mut ChaCha8Rng, walks: u32, sites: u32, k: f64, truth: &[(f64, f64)]) -> Vec<Vec<u32>> {
    let walk = |i: u32| {
        let (at, mut sum) = ((f64::from(i) + 0.5) / f64::from(walks), 0.0);
        let mut rate = truth.iter().map(|&(m, w)| {
            sum += w;
            (m, sum)
        });
        let m = rate.find(|(_, sum)| at < *sum).unwrap().0;
        let site = Gamma::new(k, m / k).unwrap();
        let mut count = || Poisson::new(site.sample(rng).max(1e-12)).unwrap().sample(rng) as u32;
        (0..sites).map(|_| count()).collect()
    };
    (0..walks).map(walk).collect()
}

fn fitted(counts: &[Vec<u32>], dispersion: &Dispersion) -> FieldMeans {
    let walk = |counts| WalkCounts { field: "heron", visit: "1", counts, missing: 0 };
    field_means(&counts.iter().map(|c| walk(c)).collect::<Vec<_>>(), dispersion, &Quiet).unwrap()
}

fn k(k: f64) -> Dispersion {
    Dispersion::ConstantK { k: K::new(k).unwrap() }
}

/// Claims of 9461 policies (Simar 1976, Ann. Statist. 4:1200–1209; numbers and the best mixture of Poisson
/// means, .418 at 0, .573 at .336 and .009 at 2.545, from memory): ours is as likely.
#[test]
fn as_likely_as_a_published_mixture() {
    let numbers = [7840, 1317, 239, 42, 14, 4, 4, 1];
    let counts: Vec<Vec<u32>> = (0..).zip(numbers).flat_map(|(x, n)| vec![vec![x]; n]).collect();
    let means = fitted(&counts, &Dispersion::Poisson);
    let ln = |at: &[(f64, f64)]| -> f64 {
        let p = |x: i32| at.iter().map(|(m, w)| w * m.powi(x) * (-m).exp()).sum::<f64>();
        (0..).zip(numbers).map(|(x, n)| n as f64 * p(x).ln()).sum()
    };
    let ours: Vec<(f64, f64)> = means.at.iter().map(|(m, w)| (m.get(), *w)).collect();
    let gain = ln(&ours) - ln(&[(0.0, 0.418), (0.336, 0.5733), (2.545, 0.0087)]);
    assert!((-STILL_CLOSE..0.1).contains(&gain), "{gain} {means:?}");
    let overall: f64 = ours.iter().map(|(m, w)| m * w).sum();
    assert!((overall / (2028.0 / 9461.0) - 1.0).abs() < 1e-3, "the mean of all: {overall}");
}

/// No mean is lacking, by the probabilities themselves; and the fit settles for every set of walks.
#[test]
fn no_mixture_is_likelier() {
    let mut rng = ChaCha8Rng::seed_from_u64(20_261_125);
    let mut draw = |low: f64, high: f64| low + (high - low) * f64::from(rng.next_u32()) / 2.0_f64.powi(32);
    let sets: Vec<_> = (0..60)
        .map(|_| {
            let truth: Vec<(f64, f64)> = (0..4).map(|_| (draw(-4.0, 3.0).exp(), 0.2501)).collect();
            (truth, draw(1.0, 100.0) as u32, draw(1.0, 40.0) as u32, draw(-2.0, 3.0).exp())
        })
        .collect();
    for (truth, walks, sites, kk) in sets {
        let counts = drawn(&mut rng, walks, sites, kk, &truth);
        let means = fitted(&counts, &k(kk));
        assert!((means.at.iter().map(|(_, w)| w).sum::<f64>() - 1.0).abs() < 1e-12);
        let p = |m: f64, total: u32| {
            let total = f64::from(total);
            (total * (m / (kk + m)).ln() + f64::from(sites) * kk * (kk / (kk + m)).ln()).exp()
        };
        let totals: Vec<u32> = counts.iter().map(|walk| walk.iter().sum()).collect();
        let mixed: Vec<f64> = totals.iter().map(|&t| means.at.iter().map(|(m, w)| w * p(m.get(), t)).sum()).collect();
        for i in -1000..500 {
            let m = (f64::from(i) / 100.0).exp();
            let gradient: f64 = totals.iter().zip(&mixed).map(|(&t, mixed)| p(m, t) / mixed - 1.0).sum();
            // Between the means that are looked at it may be a little higher.
            assert!(gradient < means.short_of_best + STILL_CLOSE, "{truth:?} {walks} {sites} {kk}: {m} {gradient}");
        }
    }
}

#[test]
fn the_error_of_sampling_is_taken_out() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    for truth in [&[(1.0, 1.001)][..], &[(0.5, 0.5), (2.0, 0.501)]] {
        let counts = drawn(&mut rng, 200, 10, 1.2, truth);
        let spread = |at: &[(f64, f64)]| {
            let mean: f64 = at.iter().map(|(m, w)| m * w).sum();
            at.iter().map(|(m, w)| w * (m - mean).powi(2)).sum::<f64>()
        };
        let raw: Vec<(f64, f64)> = counts.iter().map(|w| (w.iter().sum::<u32>().into(), 1.0)).collect();
        let raw: Vec<(f64, f64)> = raw.iter().map(|(total, _)| (total / 10.0, 1.0 / 200.0)).collect();
        let means = fitted(&counts, &k(1.2));
        let fitted: Vec<(f64, f64)> = means.at.iter().map(|(m, w)| (m.get(), *w)).collect();
        // A site has variance m + m²/1.2, and its mean over 10 a tenth of it.
        let error: f64 = truth.iter().map(|(m, w)| w * (m + m * m / 1.2) / 10.0).sum();
        assert!((spread(&fitted) - spread(truth)).abs() < 0.25 * error, "{means:?}");
        assert!(spread(&raw) > spread(truth) + 0.6 * error, "raw means spread more");
    }
}

#[test]
fn what_cannot_be_fitted_is_refused() {
    let refused = |walks: &[WalkCounts<'_>], under| field_means(walks, &under, &Quiet).unwrap_err().code();
    let empty = WalkCounts { field: "heron", visit: "1", counts: &[], missing: 3 };
    assert_eq!(refused(&[empty], k(1.0)), Code::OutOfRange);
    let one = WalkCounts { counts: &[1, 2], ..empty };
    assert_eq!(refused(&[one], Dispersion::Binomial), Code::Combination);
    let none = fitted(&[vec![0, 0], vec![0, 0, 0]], &k(1.0));
    assert!(none.at.len() == 1 && none.at[0].0.get() < 1e-6 && none.walks == 2);
}
