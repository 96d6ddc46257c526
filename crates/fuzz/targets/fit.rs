//! Any walks: fits that are in order, or a refusal.
#![no_main]

use arbitrary::Arbitrary;
use stopline::dispersion::{Bound, WalkCounts, fit};
use stopline::{Level, Quiet};

#[derive(Arbitrary, Debug)]
struct Input {
    walks: Vec<Vec<u32>>,
    small: Vec<Vec<u8>>,
    level: f64,
}

libfuzzer_sys::fuzz_target!(|input: Input| {
    let level = Level::new(input.level).unwrap_or(Level::new(0.95).unwrap());
    let small = input.small.into_iter().map(|walk| walk.into_iter().map(u32::from).collect());
    let walks: Vec<Vec<u32>> = input.walks.into_iter().chain(small).collect();
    let walks: Vec<_> =
        walks.iter().map(|counts| WalkCounts { field: "field", visit: "1", counts, missing: 0 }).collect();
    let Ok(fit) = fit(&walks, level, &Quiet) else { return };
    let common = [&fit.common.conditional, &fit.common.cox_reid];
    for estimate in fit.fields.iter().flat_map(|field| [&field.ml, &field.cox_reid]).chain(common) {
        if let (Some(k), Some(interval)) = (estimate.k.k(), &estimate.interval) {
            // An interval of hardly any level is as wide as rounding.
            assert!(k > 0.0 && interval.low <= k * (1.0 + 1e-12), "{estimate:?}");
            assert!(!matches!(interval.high, Bound::At(high) if high < k * (1.0 - 1e-12)), "{estimate:?}");
        }
    }
    let _ = (fit.most_clumped(), fit.for_plan());
});
