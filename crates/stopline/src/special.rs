//! Functions behind accurate probabilities of counts (Loader 2000) and likelihoods of k, and their domains; tails of
//! the distributions that tests refer to.

use crate::error::Error;
use crate::root::root;

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

/// ln Γ(z) for z > 0.
pub(crate) fn ln_gamma(z: f64) -> f64 {
    if z < 15.0 { libm::lgamma(z) } else { (z - 0.5) * libm::log(z) - z + LN_ROOT_TAU + stirling_rest(z) }
}

/// ½ ln 2π.
const LN_ROOT_TAU: f64 = 0.918_938_533_204_672_7;

/// ln B(x, y) for x, y > 0, without loss where one is large.
pub(crate) fn ln_beta(x: f64, y: f64) -> f64 {
    let (x, y) = if x < y { (y, x) } else { (x, y) };
    if x < 15.0 {
        return ln_gamma(x) + ln_gamma(y) - ln_gamma(x + y);
    }
    // ln Γ(x) − ln Γ(x + y) by Stirling's formula, its large parts taken together.
    let step = -(x - 0.5) * libm::log1p(y / x) - y * libm::log(x + y) + y + stirling_rest(x) - stirling_rest(x + y);
    ln_gamma(y) + step
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

/// δ′(z) = ψ(z) − ln z + 1/(2z) for real z > 0, the slope of [`stirling_rest`]; ψ is the digamma function.
///
/// Asymptotic series from z ≥ 15; below, z is raised to 15 by
/// δ′(z) = δ′(z+1) + ln(1 + 1/z) − 1/(2z) − 1/(2(z+1)). Relative accuracy 1e-15.
pub(crate) fn stirling_rest_slope(z: f64) -> f64 {
    let mut z = z;
    let mut slope = 0.0;
    while z < 15.0 {
        slope += stirling_slope_step(z);
        z += 1.0;
    }
    let y = 1.0 / (z * z);
    // 1/12, 1/120, 1/252, 1/240, 1/132, 691/32760, 1/12 (Abramowitz & Stegun 1964, 6.3.18).
    let series = 1.0 / 12.0
        - y * (1.0 / 120.0
            - y * (1.0 / 252.0 - y * (1.0 / 240.0 - y * (1.0 / 132.0 - y * (691.0 / 32_760.0 - y * (1.0 / 12.0))))));
    slope - y * series
}

/// ln(1 + 1/z) − 1/(2z) − 1/(2(z+1)), negative, accurate for every z > 0.
fn stirling_slope_step(z: f64) -> f64 {
    if z < 1.0 {
        return libm::log1p(1.0 / z) - 0.5 / z - 0.5 / (z + 1.0);
    }
    // With u = 1/(2z+1): ln(1 + 1/z) = 2·artanh(u) and the rest is 2u/(1−u²): −4u³/3 − 8u⁵/5 − 12u⁷/7 − …
    let u = 1.0 / (2.0 * z + 1.0);
    let (mut sum, mut power, mut j) = (0.0, u * u * u, 2.0);
    while power > 1e-17 * sum {
        sum += power * (j / (j + 1.0));
        power *= u * u;
        j += 2.0;
    }
    -2.0 * sum
}

/// (v − ln(1+v))/v² and (ln(1+v) − v + v²/2)/v³ for v > −1: ½ and ⅓ at 0, both positive.
pub(crate) fn ln_1p_parts(v: f64) -> (f64, f64) {
    if -0.5 < v && v < 1.0 {
        // ln(1+v) = 2·artanh(r), r = v/(2+v); the parts of `third` have one sign.
        let a = 2.0 + v;
        let r = v / a;
        let third = 0.5 / a + 2.0 * artanh_rest(r * r) / (a * a * a);
        (0.5 - v * third, third)
    } else {
        let second = (v - libm::log1p(v)) / (v * v);
        (second, (0.5 - second) / v)
    }
}

/// Σ yⁱ/(2i+3), 0 ≤ y ≤ 1/9: artanh(r) = r + r³·(this at y = r²).
fn artanh_rest(y: f64) -> f64 {
    // Even and odd powers apart, so that their additions do not wait for each other.
    const EVEN: [f64; 9] =
        [1.0 / 3.0, 1.0 / 7.0, 1.0 / 11.0, 1.0 / 15.0, 1.0 / 19.0, 1.0 / 23.0, 1.0 / 27.0, 1.0 / 31.0, 1.0 / 35.0];
    const ODD: [f64; 9] =
        [1.0 / 5.0, 1.0 / 9.0, 1.0 / 13.0, 1.0 / 17.0, 1.0 / 21.0, 1.0 / 25.0, 1.0 / 29.0, 1.0 / 33.0, 1.0 / 37.0];
    let y2 = y * y;
    let sum = |terms: &[f64]| terms.iter().rev().fold(0.0, |sum, term| sum * y2 + term);
    // The first power left out is below 1e-17.
    if y < 0.015 { sum(&EVEN[..5]) + y * sum(&ODD[..4]) } else { sum(&EVEN) + y * sum(&ODD) }
}

/// z ↦ z + d: (z+d)·ln(1 + d/z) − d for z > 0, z + d > 0, without cancellation where d ≪ z.
pub(crate) fn deviance_step(z: f64, d: f64) -> f64 {
    let v = d / z;
    if -0.5 < v && v < 1.0 {
        d * v * (1.0 - (1.0 + v) * ln_1p_parts(v).0)
    } else {
        (z + d) * libm::log((z + d) / z) - d
    }
}

/// δ″(z) = ψ′(z) − 1/z − 1/(2z²) for real z > 0, the slope of [`stirling_rest_slope`]; ψ′ is the trigamma function.
///
/// Asymptotic series from z ≥ 15; below, z is raised to 15 by δ″(z) = δ″(z+1) + 1/(2z²(z+1)²).
pub(crate) fn stirling_rest_bend(z: f64) -> f64 {
    let mut z = z;
    let mut bend = 0.0;
    while z < 15.0 {
        let step = z * (z + 1.0);
        bend += 0.5 / (step * step);
        z += 1.0;
    }
    let y = 1.0 / (z * z);
    // 1/6, 1/30, 1/42, 1/30, 5/66, 691/2730, 7/6 (Abramowitz & Stegun 1964, 6.4.12).
    let series = 1.0 / 6.0
        - y * (1.0 / 30.0
            - y * (1.0 / 42.0 - y * (1.0 / 30.0 - y * (5.0 / 66.0 - y * (691.0 / 2730.0 - y * (7.0 / 6.0))))));
    bend + series * y / z
}

/// P(χ² with `freedom` degrees of freedom > `x`), for x ≥ 0 and freedom > 0; NaN elsewhere.
pub(crate) fn chi_square_above(x: f64, freedom: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    statrs::function::gamma::checked_gamma_ur(0.5 * freedom, 0.5 * x).unwrap_or(f64::NAN)
}

/// P(|Z| > |z|) for a standard normal Z.
pub(crate) fn normal_beyond(z: f64) -> f64 {
    libm::erfc(z.abs() / core::f64::consts::SQRT_2)
}

/// P(Z > z) for a standard normal Z.
pub(crate) fn normal_above(z: f64) -> f64 {
    0.5 * libm::erfc(z / core::f64::consts::SQRT_2)
}

/// P(|t| > `t`) for Student's t with `freedom` degrees of freedom.
fn student_beyond(t: f64, freedom: f64) -> f64 {
    let share = freedom / (freedom + t * t);
    statrs::function::beta::checked_beta_reg(0.5 * freedom, 0.5, share).unwrap_or(f64::NAN)
}

/// t such that Student's t with `freedom` ≥ 1 degrees of freedom lies within ±t with probability `level`.
///
/// # Errors
/// `not_converged`: not known to happen.
pub(crate) fn student_within(level: f64, freedom: f64) -> Result<f64, Error> {
    // With one degree t = tan(π·level/2); more have lighter tails, none lighter than the normal.
    let widest = libm::tan(core::f64::consts::FRAC_PI_2 * level) * 1.001;
    let ends = (libm::log(0.999 * normal_within(level)), libm::log(widest));
    let ln = |y: f64| Ok(libm::log(student_beyond(libm::exp(y), freedom) / (1.0 - level)));
    root("quantile of Student's t", ends, 1e-14, ln).map(libm::exp)
}

/// z such that a standard normal variable lies within ±z with probability `level`, 0 < level < 1.
pub(crate) fn normal_within(level: f64) -> f64 {
    let (outside, root) = (1.0 - level, core::f64::consts::SQRT_2);
    if level < 0.5 {
        // erf is nearly straight there: Newton from its slope at 0.
        let mut z = level * libm::sqrt(core::f64::consts::FRAC_PI_2);
        for _ in 0..6 {
            z += (level - libm::erf(z / root)) * libm::exp(0.5 * z * z) * libm::sqrt(core::f64::consts::FRAC_PI_2);
        }
        return z;
    }
    // Newton on ln erfc, which is concave: from the left of the root every step after the first stays there.
    let mut z = 0.6;
    for _ in 0..12 {
        let tail = libm::erfc(z / root);
        let density = libm::exp(-0.5 * z * z) / libm::sqrt(core::f64::consts::FRAC_PI_2);
        z += libm::log(tail / outside) * tail / density;
    }
    z
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

    // mpmath 1.4, 50 digits: psi(z) − ln z + 1/(2z).
    const REST_SLOPE: [(f64, f64); 10] = [
        (1e-06, -499986.76170346205),
        (0.01, -45.955715271880585),
        (0.3, -0.6318847512075304),
        (1.0, -0.07721566490153287),
        (1.2, -0.05469478671947626),
        (3.7, -0.006044145153532239),
        (14.5, -0.0003961654568529404),
        (15.0, -0.00037020610808303095),
        (200.25, -2.078129567063047e-06),
        (1e6, -8.3333333333325e-14),
    ];
    // mpmath 1.4, 50 digits, from log1p.
    const SECOND: [(f64, f64); 13] = [
        (-0.999, 5.920590539470537),
        (-0.6, 0.8785853663170974),
        (-0.49, 0.7636174646554169),
        (-0.1, 0.5360515657826301),
        (-1e-09, 0.5000000003333334),
        (1e-12, 0.49999999999966666),
        (0.003, 0.4990022446134654),
        (0.11, 0.4661144360129944),
        (0.36, 0.4052106500928963),
        (0.99, 0.30799445083521987),
        (1.01, 0.3057202999010054),
        (30.0, 0.029517791995016505),
        (1e9, 9.999999792767341e-10),
    ];
    const THIRD: [(f64, f64); 13] = [
        (-0.999, 5.426016556026564),
        (-0.6, 0.6309756105284956),
        (-0.49, 0.5379948258273815),
        (-0.1, 0.36051565782630124),
        (-1e-09, 0.33333333358333334),
        (1e-12, 0.33333333333308335),
        (0.003, 0.33258512884487446),
        (0.11, 0.3080505817000509),
        (0.36, 0.26330374974195475),
        (0.99, 0.19394499915634358),
        (1.01, 0.19235613871187585),
        (30.0, 0.015682740266832782),
        (1e9, 4.99999999e-10),
    ];
    const STEP: [(f64, f64, f64); 6] = [
        (1e12, 0.1, 4.9999999999998335e-15),
        (3.0, -2.9, 2.559880261833784),
        (5.0, 1.0, 0.09392934076372776),
        (2.0, 50.0, 119.42101997711707),
        (1e6, -3e5, 50327.53924288734),
        (0.5, -0.01, 0.00010067341441547029),
    ];
    // mpmath 1.4, 50 digits: psi(1, z) − 1/z − 1/(2z²).
    const REST_BEND: [(f64, f64); 9] = [
        (1e-06, 499999000001.64496),
        (0.01, 4901.621213528313),
        (0.3, 3.3564756572188417),
        (1.0, 0.14493406684822643),
        (3.7, 0.0032445779037855796),
        (14.5, 5.461762608215375e-05),
        (15.0, 4.9338958794917336e-05),
        (200.25, 2.0755299723478454e-08),
        (1e6, 1.6666666666663333e-19),
    ];
    // mpmath 1.4, 50 digits: gammainc(f/2, x/2, inf, regularized).
    const CHI_SQUARE: [(f64, f64, f64); 5] = [
        (2.49, 3.0, 0.477101018398563),
        (295.44, 149.0, 1.0210495855810005e-11),
        (0.01, 1.0, 0.920344325445942),
        (120.0, 4.0, 5.341471565244877e-25),
        (55.0, 60.0, 0.6585210814081093),
    ];
    // mpmath 1.4, 50 digits: roots of the regularised incomplete beta function.
    const STUDENT: [(f64, f64, f64); 6] = [
        (0.95, 1.0, 12.706204736174694),
        (0.95, 4.0, 2.7764451051977934),
        (0.9, 13.0, 1.7709333959868732),
        (0.99, 85.0, 2.6349138522543054),
        (0.5, 2.0, 0.816496580927726),
        (0.95, 1e3, 1.9623390808264078),
    ];
    /// What statrs reaches for tails.
    const TAILS: f64 = 1e-11;

    // mpmath 1.3, 50 digits: loggamma(x) + loggamma(y) − loggamma(x + y).
    const LN_BETA: [(f64, f64, f64); 8] = [
        (0.5, 0.5, 1.144_729_885_849_400_2),
        (40.5, 22.5, -41.473_127_808_015_83),
        (2e9, 30.5, -580.247_126_074_712),
        (0.5, 1e6, -6.335_390_211_057_437),
        (3.2, 0.01, 4.589_473_195_163_31),
        (1e4, 1e4, -13_866.283_256_761_41),
        (14.9, 0.5, -0.769_927_974_175_889),
        (15.1, 7.0, -13.648_934_396_181_224),
    ];

    #[test]
    fn ln_beta_against_known_values() {
        for (x, y, want) in LN_BETA {
            let got = ln_beta(x, y);
            // Differences of logarithms of this size lose a few of their last digits.
            assert!(
                (got - want).abs() <= 1e-14 * (1.0 + want.abs() + x.min(y) * x.max(y).ln()),
                "{x}, {y}: {got} {want}"
            );
        }
    }

    #[test]
    fn tails_against_known_values() {
        for (x, freedom, want) in CHI_SQUARE {
            let got = chi_square_above(x, freedom);
            assert!((got / want - 1.0).abs() < TAILS, "{x}, {freedom}: {got:e} {want:e}");
        }
        assert_eq!(chi_square_above(0.0, 3.0), 1.0);
        for (level, freedom, want) in STUDENT {
            let got = student_within(level, freedom).unwrap();
            assert!((got / want - 1.0).abs() < TAILS, "{level}, {freedom}: {got} {want}");
        }
        assert!((normal_beyond(-1.9599639845400538) - 0.05).abs() < 1e-15);
    }

    const WITHIN: [(f64, f64); 8] = [
        (0.001, 0.0012533144654325546),
        (0.3, 0.3853204664075676),
        (0.5, 0.6744897501960817),
        (0.8, 1.2815515655446006),
        (0.9, 1.6448536269514729),
        (0.95, 1.9599639845400538),
        (0.99, 2.5758293035489004),
        (0.999999, 4.891638475692932),
    ];

    /// A few roundings of each formula: nothing cancels in them.
    const FEW_ROUNDINGS: f64 = 3e-15;

    fn close(name: &str, at: f64, got: f64, want: f64) {
        assert!((got / want - 1.0).abs() <= FEW_ROUNDINGS, "{name}({at}): {got:e} {want:e}");
    }

    #[test]
    fn parts_of_likelihoods_against_known_values() {
        REST_SLOPE.iter().for_each(|&(z, want)| close("stirling_rest_slope", z, stirling_rest_slope(z), want));
        REST_BEND.iter().for_each(|&(z, want)| close("stirling_rest_bend", z, stirling_rest_bend(z), want));
        SECOND.iter().for_each(|&(v, want)| close("ln_1p_parts.0", v, ln_1p_parts(v).0, want));
        THIRD.iter().for_each(|&(v, want)| close("ln_1p_parts.1", v, ln_1p_parts(v).1, want));
        STEP.iter().for_each(|&(z, d, want)| close("deviance_step", d, deviance_step(z, d), want));
        WITHIN.iter().for_each(|&(level, want)| close("normal_within", level, normal_within(level), want));
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
