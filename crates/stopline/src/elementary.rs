//! Exponential and logarithm as straight lines of arithmetic, which the compiler can put in vectors.
//!
//! Only additions, multiplications, divisions and moves of bits in a fixed order: the same result on
//! every machine and in every width of vector. [`exp`]: Taylor's series of degree 13 after taking out
//! powers of 2. [`ln_1p`]: 2·artanh by the minimax polynomial of Sun's fdlibm (1993) after taking out powers of
//! 2, corrected for what 1 + x lost. Both within 1.5 units in the last place (measured in the tests).

/// ln 2 in two parts; the first has 32 bits, so that its products with small whole numbers are exact.
const LN_2: (f64, f64) = (6.931_471_803_691_238e-1, 1.908_214_929_270_587_7e-10);
/// 1.5·2⁵²: adding it rounds to a whole number and leaves that in the last bits.
const ROUNDING: f64 = 6_755_399_441_055_744.0;
/// Exponent of 2 in a double's bits.
const EXPONENT: u32 = 52;

/// eˣ; below −708 as at −708, above 709 as at 709 (the range of numbers without loss of digits).
#[inline(always)]
pub(crate) fn exp(x: f64) -> f64 {
    let x = if x > -708.0 { x } else { -708.0 };
    let x = if x < 709.0 { x } else { 709.0 };
    let shifted = x * core::f64::consts::LOG2_E + ROUNDING;
    let whole = shifted - ROUNDING;
    let (high, low) = (x - whole * LN_2.0, whole * LN_2.1);
    let r = high - low;
    let rest = (high - r) - low;
    // (eʳ − 1 − r)/r².
    let mut sum = 1.0 / 6_227_020_800.0;
    for factorial in
        [479_001_600.0, 39_916_800.0, 3_628_800.0, 362_880.0, 40_320.0, 5_040.0, 720.0, 120.0, 24.0, 6.0, 2.0]
    {
        sum = sum * r + 1.0 / factorial;
    }
    let power = 1.0 + (r + (rest + r * r * sum));
    power * f64::from_bits((shifted.to_bits() << EXPONENT).wrapping_add(1023 << EXPONENT))
}

/// ln(1 + x) for 0 ≤ x < 1e300.
#[inline(always)]
pub(crate) fn ln_1p(x: f64) -> f64 {
    let u = 1.0 + x;
    let above = u - 1.0;
    let lost = (1.0 - (u - above)) + (x - above);
    // u = 2ᵉ(1 + f) with √½ ≤ 1 + f < √2.
    let e = (u.to_bits() - 0x3fe6_a09e_667f_3bcd) >> EXPONENT;
    let f = f64::from_bits(u.to_bits() - (e << EXPONENT)) - 1.0;
    let e = f64::from_bits(0x4330_0000_0000_0000 | e) - 4_503_599_627_370_496.0;
    let s = f / (2.0 + f);
    let z = s * s;
    let mut sum = 1.479_819_860_511_658_6e-1;
    for coefficient in [
        1.531_383_769_920_937_3e-1,
        1.818_357_216_161_805e-1,
        2.222_219_843_214_978_4e-1,
        2.857_142_874_366_239e-1,
        3.999_999_999_940_942e-1,
        6.666_666_666_666_735e-1,
    ] {
        sum = sum * z + coefficient;
    }
    let half = 0.5 * f * f;
    e * LN_2.0 - ((half - (s * (half + z * sum) + (e * LN_2.1 + lost / u))) - f)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Distance in units in the last place.
    fn units(got: f64, want: f64) -> f64 {
        (got - want).abs() / (f64::from_bits(want.abs().to_bits() + 1) - want.abs())
    }

    #[test]
    fn exp_within_two_units_of_libm() {
        let worst = (-700_000..=700_000).map(|i| f64::from(i) * 1.000_123e-3).map(|x| units(exp(x), libm::exp(x)));
        let worst = worst.fold(0.0, f64::max);
        eprintln!("exp {worst}");
        assert!(worst < 2.0, "{worst}");
        assert_eq!(exp(0.0), 1.0);
    }

    #[test]
    fn ln_1p_within_two_units_of_libm() {
        let worst =
            (-400_000..=400_000).map(|i| libm::exp(f64::from(i) * 1.7e-4)).map(|x| units(ln_1p(x), libm::log1p(x)));
        let worst = worst.fold(0.0, f64::max);
        eprintln!("ln {worst}");
        assert!(worst < 2.0, "{worst}");
        assert_eq!(ln_1p(0.0), 0.0);
    }
}
