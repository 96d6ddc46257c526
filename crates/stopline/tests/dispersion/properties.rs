//! Facts of theory over many invented counts, and the true k found again.

use crate::{high, level, near, plain};
use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Gamma, Poisson};
use stopline::dispersion::{Clumping, CommonK, Estimate, Frequencies, common_k};
use stopline::{Code, Level};

/// Negative-binomial counts as gamma mixtures of Poisson counts.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a small whole number
pub(crate) fn draw(rng: &mut ChaCha8Rng, mean: f64, k: f64) -> u32 {
    let rate: f64 = Gamma::new(k, mean / k).unwrap().sample(rng);
    if rate > 0.0 { Poisson::new(rate).unwrap().sample(rng) as u32 } else { 0 }
}

/// 96 walks of four sites, true k 3: the median k by conditional likelihood is near 3; by plain likelihood
/// it is near 5 (mean 5) or 16 (mean 1.5), since a mean is fitted to every four counts (the bias that Robinson
/// & Smyth 2008 remove). Seeded.
#[test]
fn many_short_walks_give_the_true_k() {
    for (mean, seed, far_above) in [(1.5, 20_080_321, 10.0..25.0), (5.0, 20_080_322, 4.5..5.5)] {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (mut conditional, mut cox_reid, mut ml) = (Vec::new(), Vec::new(), Vec::new());
        let mut covered = 0;
        for _ in 0..400 {
            let walks = [(); 96].map(|()| Frequencies::of(&[(); 4].map(|()| draw(&mut rng, mean, 3.0))).unwrap());
            let common = common_k(&walks, level()).unwrap();
            conditional.push(plain(common.conditional.k).unwrap());
            cox_reid.push(plain(common.cox_reid.k).unwrap());
            ml.push(plain(common.ml.k).unwrap());
            let interval = common.conditional.interval.unwrap();
            covered += u32::from(interval.low <= 3.0 && 3.0 <= high(interval));
        }
        let median = |values: &mut [f64]| *values.select_nth_unstable_by(200, f64::total_cmp).1;
        let (conditional, cox_reid, ml) = (median(&mut conditional), median(&mut cox_reid), median(&mut ml));
        // Standard error of the median: 1.3 % at mean 1.5, less at 5.
        assert!((conditional / 3.0 - 1.0).abs() < 0.05, "mean {mean}: {conditional}");
        assert!((cox_reid / 3.0 - 1.0).abs() < 0.1, "mean {mean}: {cox_reid}");
        assert!(far_above.contains(&ml), "mean {mean}: {ml}");
        // 95 % of 400 is 380, with standard deviation 4.4: within 3.5 of them.
        assert!((365..=395).contains(&covered), "mean {mean}: {covered}");
        println!("mean {mean}: medians {conditional:.3} {cox_reid:.3} {ml:.3}, covered {covered} of 400");
    }
}

fn counts() -> impl Strategy<Value = Vec<u32>> {
    let small = prop::collection::vec(0..12_u32, 0..40);
    let wild = prop::collection::vec(prop_oneof![Just(0), 0..5_u32, 0..1000_u32, any::<u32>()], 0..12);
    prop_oneof![3 => small, 2 => wild]
}

fn tallied(walks: &[Vec<u32>]) -> Vec<Frequencies> {
    walks.iter().map(|counts| Frequencies::of(counts).unwrap()).collect()
}

/// Finite and in order: low ≤ k ≤ high.
fn sound(estimate: &Estimate) {
    let Some(interval) = estimate.interval else {
        assert!(estimate.k.why().is_some());
        return;
    };
    let k = plain(estimate.k).unwrap();
    assert!(k > 0.0 && interval.low > 0.0 && interval.low < k && k <= high(interval), "{estimate:?}");
    assert!(interval.low.is_finite() && !k.is_nan(), "{estimate:?}");
}

fn each(common: &CommonK) -> [&Estimate; 3] {
    [&common.conditional, &common.cox_reid, &common.ml]
}

fn same(a: &Estimate, b: &Estimate, tolerance: f64) {
    near(plain(a.k), plain(b.k), tolerance, "k");
    near(a.interval.map(|i| i.low), b.interval.map(|i| i.low), tolerance, "low");
    near(a.interval.map(high), b.interval.map(high), tolerance, "high");
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 500,
        rng_seed: proptest::test_runner::RngSeed::Fixed(7),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// A k is infinite exactly where whole numbers say so, and everything is finite and in order.
    #[test]
    fn infinite_exactly_at_the_boundary(counts in counts()) {
        let walk = Frequencies::of(&counts).unwrap();
        let (n, sum) = (i128::from(walk.sites()), walk.sum().cast_signed());
        let spread = n * walk.sum_of_squares().cast_signed() - sum * sum;
        let (ml, cox_reid) = (walk.ml(level()).unwrap(), walk.cox_reid(level()).unwrap());
        if sum > 0 {
            prop_assert_eq!(ml.k == Clumping::Poisson, spread <= n * sum);
            prop_assert_eq!(cox_reid.k == Clumping::Poisson, spread <= (n - 1) * sum);
            prop_assert_eq!(walk.k_moments() == Clumping::Poisson, n > 1 && spread <= (n - 1) * sum);
        }
        sound(&ml);
        sound(&cox_reid);
    }

    /// Counts and numbers of sites of any size are refused or fitted soundly.
    #[test]
    fn tables_of_any_size(pairs in prop::collection::vec((any::<u64>(), 0..64_u32, any::<u64>(), 20..64_u32), 0..6)) {
        let pairs = pairs.into_iter().map(|(x, less, sites, fewer)| (x >> less, sites >> fewer));
        match Frequencies::from_table(pairs) {
            Err(e) => prop_assert_eq!(e.code(), Code::OutOfRange),
            Ok(walk) => {
                sound(&walk.ml(level()).unwrap());
                sound(&walk.cox_reid(level()).unwrap());
                each(&common_k(&[walk.clone(), walk], level()).unwrap()).into_iter().for_each(sound);
            }
        }
    }

    /// The order of walks and of their sites changes no bit; walks that tell nothing neither.
    #[test]
    fn order_and_silent_walks_are_irrelevant(mut walks in prop::collection::vec(counts(), 1..6)) {
        let before = common_k(&tallied(&walks), level()).unwrap();
        each(&before).into_iter().for_each(sound);
        walks.reverse();
        walks.iter_mut().for_each(|counts| counts.reverse());
        prop_assert_eq!(common_k(&tallied(&walks), level()).unwrap(), before);
        walks.insert(0, vec![0, 0, 0]);
        let more = common_k(&tallied(&walks), level()).unwrap();
        prop_assert_eq!(more.walks_without_any, before.walks_without_any + 1);
        if before.walks_used > 0 {
            prop_assert_eq!((more.conditional, more.cox_reid, more.ml), (before.conditional, before.cox_reid, before.ml));
            walks.push(vec![3]);
            let more = common_k(&tallied(&walks), level()).unwrap();
            prop_assert_eq!((more.conditional, more.walks_of_one_site), (before.conditional, before.walks_of_one_site + 1));
        }
    }

    /// One walk alone: the common plain and adjusted k are its own.
    #[test]
    fn common_to_one_walk_is_its_own(counts in counts()) {
        let walk = Frequencies::of(&counts).unwrap();
        let common = common_k(std::slice::from_ref(&walk), level()).unwrap();
        if walk.sites() != 1 {
            same(&common.ml, &walk.ml(level()).unwrap(), 1e-9);
            same(&common.cox_reid, &walk.cox_reid(level()).unwrap(), 0.0);
        }
    }

    /// Twice the same walks: the same k, a narrower interval, which a higher level widens.
    #[test]
    fn twice_the_walks_narrow_the_interval(walks in prop::collection::vec(prop::collection::vec(0..30_u32, 2..20), 1..5)) {
        let once = common_k(&tallied(&walks), level()).unwrap();
        let twice = common_k(&tallied(&[walks.clone(), walks.clone()].concat()), level()).unwrap();
        let wider = common_k(&tallied(&walks), Level::new(0.99).unwrap()).unwrap();
        for ((once, twice), wider) in each(&once).into_iter().zip(each(&twice)).zip(each(&wider)) {
            near(plain(twice.k), plain(once.k), 1e-9, "k");
            prop_assert_eq!(once.k, wider.k);
            if let (Some(once), Some(twice), Some(wider)) = (once.interval, twice.interval, wider.interval) {
                prop_assert!(twice.low > once.low && high(twice) <= high(once));
                prop_assert!(wider.low < once.low && high(wider) >= high(once));
            }
        }
    }
}
