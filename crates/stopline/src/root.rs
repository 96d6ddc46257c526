//! Bracketed root of a continuous function.

use crate::error::{Code, Error};

/// The x in `low..=high` at which `f` changes sign, to `accuracy` (absolute), by the
/// Illinois form of false position with a bisection whenever the bracket does not halve in three steps.
///
/// # Errors
/// What `f` returns; `not_converged` where the ends do not bracket a root or 200 steps do not do.
pub(crate) fn root(
    what: &str,
    (mut low, mut high): (f64, f64),
    accuracy: f64,
    mut f: impl FnMut(f64) -> Result<f64, Error>,
) -> Result<f64, Error> {
    let (mut f_low, mut f_high) = (f(low)?, f(high)?);
    let fail = |x: f64| Err(Error::new(Code::NotConverged, what, x, "a bracketed root"));
    if f_low == 0.0 {
        return Ok(low);
    }
    if f_high == 0.0 {
        return Ok(high);
    }
    if f_low.is_nan() || f_high.is_nan() || (f_low > 0.0) == (f_high > 0.0) {
        return fail(low);
    }
    let (mut side, mut goal, mut steps_left) = (0, 0.5 * (high - low), 3);
    for _ in 0..200 {
        if high - low <= accuracy {
            return Ok(0.5 * (low + high));
        }
        let mut x = (low * f_high - high * f_low) / (f_high - f_low);
        let bisect = steps_left == 0 || !(x > low && x < high);
        if bisect {
            x = 0.5 * (low + high);
            if x <= low || x >= high {
                return Ok(x); // neighbouring numbers
            }
        } else {
            // A step to within the accuracy of an end closes the bracket from that side.
            x = x.clamp(low + 0.5 * accuracy, (high - 0.5 * accuracy).max(low + 0.5 * accuracy));
        }
        let y = f(x)?;
        if y == 0.0 {
            return Ok(x);
        }
        if y.is_nan() {
            return fail(x);
        }
        if (y > 0.0) == (f_high > 0.0) {
            (high, f_high) = (x, y);
            if side == 1 {
                f_low *= 0.5;
            }
            side = 1;
        } else {
            (low, f_low) = (x, y);
            if side == -1 {
                f_high *= 0.5;
            }
            side = -1;
        }
        steps_left -= 1;
        if high - low <= goal || bisect {
            goal = 0.5 * (high - low);
            steps_left = 3;
        }
    }
    fail(0.5 * (low + high))
}

/// The x between two points (x, f(x)) of different sign at which a smooth `f` is 0: secants kept
/// inside the bracket, with a bisection whenever three of them do not halve the step.
///
/// Ends with the step whose product with the one before it, which is the order of the error left, is
/// at most `accuracy`·x².
///
/// # Errors
/// `not_converged` where the ends do not bracket a root or 200 steps do not do.
pub(crate) fn smooth_root(
    what: &str,
    a: (f64, f64),
    b: (f64, f64),
    accuracy: f64,
    mut f: impl FnMut(f64) -> f64,
) -> Result<f64, Error> {
    let fail = |x: f64| Err(Error::new(Code::NotConverged, what, x, "a bracketed root"));
    for (x, y) in [a, b] {
        if y == 0.0 {
            return Ok(x);
        }
    }
    if a.1.is_nan() || b.1.is_nan() || (a.1 > 0.0) == (b.1 > 0.0) {
        return fail(a.0);
    }
    let (mut low, mut high) = if a.0 < b.0 { (a.0, b.0) } else { (b.0, a.0) };
    let positive_low = if a.0 < b.0 { a.1 > 0.0 } else { b.1 > 0.0 };
    // The better end last.
    let (mut before, mut last) = if a.1.abs() < b.1.abs() { (b, a) } else { (a, b) };
    let (mut goal, mut secants_left) = (0.5 * (high - low), 3);
    for _ in 0..200 {
        let mut x = last.0 - last.1 * ((last.0 - before.0) / (last.1 - before.1));
        let step = (x - last.0).abs();
        if step * (last.0 - before.0).abs() <= accuracy * last.0 * last.0 {
            return Ok(x.clamp(low, high)); // at an end by its roundings
        }
        if secants_left == 0 {
            if step > goal {
                x = 0.5 * (low + high);
            }
            (goal, secants_left) = (0.5 * step.min(high - low), 3);
        }
        secants_left -= 1;
        if !(x > low && x < high) {
            x = 0.5 * (low + high);
        }
        if x <= low || x >= high {
            return Ok(x); // neighbouring numbers
        }
        let y = f(x);
        if y == 0.0 {
            return Ok(x);
        }
        if y.is_nan() {
            return fail(x);
        }
        if (y > 0.0) == positive_low {
            low = x;
        } else {
            high = x;
        }
        (before, last) = (last, (x, y));
    }
    fail(last.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_simple_steep_and_flat_roots() {
        let cos = root("x", (1.0, 2.0), 1e-14, |x| Ok(libm::cos(x))).unwrap();
        assert!((cos - core::f64::consts::FRAC_PI_2).abs() < 1e-14);
        let flat = root("x", (-1.0, 2.0), 1e-6, |x| Ok((x - 0.3) * (x - 0.3) * (x - 0.3))).unwrap();
        assert!((flat - 0.3).abs() < 1e-6);
        let jump = root("x", (0.0, 1.0), 1e-12, |x| Ok(if x < 0.7 { -1e-9 } else { 1e9 })).unwrap();
        assert!((jump - 0.7).abs() < 1e-12);
        assert!(root("x", (1.0, 2.0), 1e-9, Ok).is_err());
    }

    #[test]
    fn secants_find_simple_steep_and_flat_roots() {
        let find = |low: f64, high: f64, f: fn(f64) -> f64| smooth_root("x", (low, f(low)), (high, f(high)), 1e-16, f);
        for (low, high) in [(1.0, 2.0), (2.0, 1.0), (0.0, 3.0)] {
            let cos = find(low, high, libm::cos).unwrap();
            assert!((cos - core::f64::consts::FRAC_PI_2).abs() < 1e-15, "{cos}");
        }
        let flat = find(-1.0, 2.0, |x| (x - 0.3) * (x - 0.3) * (x - 0.3)).unwrap();
        assert!((flat - 0.3).abs() < 1e-6, "{flat}");
        let steep = find(0.0, 1.0, |x| libm::exp(60.0 * x) - libm::exp(42.0)).unwrap();
        assert!((steep - 0.7).abs() < 1e-15, "{steep}");
        let sudden = find(0.0, 1.0, |x| libm::tanh(200.0 * (x - 0.7))).unwrap();
        assert!((sudden - 0.7).abs() < 1e-15, "{sudden}");
        assert!(find(1.0, 2.0, |x| x).is_err());
        assert!(find(-1.0, 1.0, |x| if x == 0.0 { f64::NAN } else { x }).is_err());
    }
}
