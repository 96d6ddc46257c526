//! The largest value of a function without derivatives: golden sections.

/// 1/φ.
const SHARE: f64 = 0.618_033_988_749_894_8;

/// Where `f` is largest between `low` and `high`, to `width`, and its value there; one of the peaks where `f` has
/// several, an end where it rises to it.
pub(super) fn largest(low: f64, high: f64, width: f64, mut f: impl FnMut(f64) -> f64) -> (f64, f64) {
    let (mut low, mut high) = (low, high);
    let (mut a, mut b) = (high - SHARE * (high - low), low + SHARE * (high - low));
    let (mut at_a, mut at_b) = (f(a), f(b));
    while high - low > width {
        if at_a >= at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - SHARE * (high - low);
            at_a = f(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + SHARE * (high - low);
            at_b = f(b);
        }
    }
    if at_a >= at_b { (a, at_a) } else { (b, at_b) }
}

/// The same, on the highest of `parts` equal parts and its neighbours, for functions with several peaks.
pub(super) fn largest_of(low: f64, high: f64, parts: u32, width: f64, mut f: impl FnMut(f64) -> f64) -> (f64, f64) {
    let step = (high - low) / f64::from(parts);
    let mut best = (low, f(low));
    for i in 1..=parts {
        let x = low + step * f64::from(i);
        let here = f(x);
        if here > best.1 {
            best = (x, here);
        }
    }
    let found = largest((best.0 - step).max(low), (best.0 + step).min(high), width, f);
    if found.1 >= best.1 { found } else { best }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_peaks_inside_and_at_an_end() {
        let (x, value) = largest(-1.0, 4.0, 1e-8, |x| -(x - 1.25) * (x - 1.25));
        assert!((x - 1.25).abs() < 1e-7 && value > -1e-14);
        assert!(largest(0.0, 2.0, 1e-6, |x| -x).0 < 1e-5);
        // Two peaks, the lower one in the way.
        let (x, _) = largest_of(0.0, 10.0, 40, 1e-6, |x| libm::cos(3.0 * x) + 0.1 * x);
        assert!((x - 8.39).abs() < 0.01, "{x}");
    }
}
