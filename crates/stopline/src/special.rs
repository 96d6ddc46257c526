//! Two functions behind accurate probabilities of counts (Loader 2000), and their domains.

/// δ(n) = ln Γ(n+1) − (n + ½) ln n + n − ½ ln 2π for real n > 0: what Stirling's formula leaves.
///
/// Asymptotic series from n ≥ 15 (remainder below 1e-16); below, n is raised to 15 by
/// δ(n) = δ(n+1) + (n + ½)·ln(1 + 1/n) − 1, whose summand is taken by series where it is small.
pub(crate) fn stirling_rest(n: f64) -> f64 {
    let mut n = n;
    let mut rest = 0.0;
    while n < 15.0 {
        rest += stirling_step(n);
        n += 1.0;
    }
    let z = 1.0 / (n * n);
    // 1/12, 1/360, 1/1260, 1/1680, 1/1188, 691/360360 (Abramowitz & Stegun 1964, 6.1.41).
    let series = 1.0 / 12.0
        - z * (1.0 / 360.0 - z * (1.0 / 1260.0 - z * (1.0 / 1680.0 - z * (1.0 / 1188.0 - z * (691.0 / 360_360.0)))));
    rest + series / n
}

/// (n + ½)·ln(1 + 1/n) − 1, accurate for every n > 0.
fn stirling_step(n: f64) -> f64 {
    if n < 2.0 {
        // ln(1 + 1/n) is then at least 0.4: no cancellation beyond one bit or two.
        return (n + 0.5) * libm::log1p(1.0 / n) - 1.0;
    }
    // With u = 1/(2n+1): ln(1 + 1/n) = 2·artanh(u), so the step is u²/3 + u⁴/5 + u⁶/7 + …
    let u2 = 1.0 / ((2.0 * n + 1.0) * (2.0 * n + 1.0));
    let (mut sum, mut power, mut j) = (0.0, u2, 3.0);
    while power > 1e-18 {
        sum += power / j;
        power *= u2;
        j += 2.0;
    }
    sum
}

/// x·ln(x/m) + m − x for x ≥ 0, m > 0, without cancellation where x ≈ m.
pub(crate) fn deviance_part(x: f64, m: f64) -> f64 {
    if x == 0.0 {
        return m;
    }
    let d = x - m;
    if d.abs() < 0.1 * (x + m) {
        // With v = (x−m)/(x+m): d·v + 2x·(v³/3 + v⁵/5 + …) (Loader 2000).
        let v = d / (x + m);
        let v2 = v * v;
        let mut sum = d * v;
        let mut term = 2.0 * x * v;
        let mut j = 1.0;
        loop {
            term *= v2;
            j += 2.0;
            let next = sum + term / j;
            if next == sum || j > 200.0 {
                return next;
            }
            sum = next;
        }
    }
    x * libm::log(x / m) - d
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stirling_rest_against_known_values() {
        // mpmath 1.4, 30 digits: loggamma(n+1) − (n+½)ln n + n − ½ln 2π.
        for (n, want) in REST {
            let got = stirling_rest(n);
            // It enters an exponent: 2e-15 absolute is 2e-15 relative there.
            assert!((got - want).abs() <= 2e-15, "{n}: {got} {want}");
        }
    }

    const REST: [(f64, f64); 6] = [
        (0.01, 1.4340079537031842),
        (0.5, 0.15342640972002735),
        (1.2, 0.06806228703624317),
        (3.7, 0.022468770580143147),
        (14.5, 0.0057462165130101157),
        (200.25, 0.00041614613764129124),
    ];
}
