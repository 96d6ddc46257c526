//! The two inner loops of exact evaluation, in portable code without reassociation: the same bits on
//! every machine. Anything that decides an integer of a plan is computed here.
#![allow(clippy::indexing_slicing)] // lengths are fixed by the callers in `forward`; bounds are asserted once

/// `out[i] = Σⱼ a[j] · p[i + lead − j]`, the part of the convolution from `lead` on; `p` counts as 0
/// outside its length. All terms are non-negative: no cancellation.
pub(crate) fn convolve(a: &[f64], p: &[f64], lead: usize, out: &mut [f64]) {
    out.fill(0.0);
    for (j, &w) in a.iter().enumerate() {
        if w == 0.0 {
            continue; // a hole of a marginal band
        }
        // p index x = i + lead − j ≥ 0, i ≥ 0.
        let (i0, x0) = if j >= lead { (j - lead, 0) } else { (0, lead - j) };
        if i0 >= out.len() || x0 >= p.len() {
            continue;
        }
        for (o, &q) in out[i0..].iter_mut().zip(&p[x0..]) {
            *o += w * q;
        }
    }
}

/// Σⱼ q[j]·rʲ for every r of a block, by Horner's rule in independent chains.
pub(crate) fn polynomial<const N: usize>(q: &[f64], r: &[f64; N]) -> [f64; N] {
    let mut sum = [0.0; N];
    for &q in q.iter().rev() {
        for (s, r) in sum.iter_mut().zip(r) {
            *s = *s * r + q;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn convolution_and_polynomial_against_the_definition() {
        let (a, p) = ([1.0, 0.0, 2.0], [0.5, 0.25, 0.125]);
        let full =
            |i: usize| (0..a.len()).map(|j| if i >= j && i - j < p.len() { a[j] * p[i - j] } else { 0.0 }).sum::<f64>();
        for lead in 0..3 {
            let mut out = [9.0; 4];
            convolve(&a, &p, lead, &mut out);
            for (i, o) in out.iter().enumerate() {
                assert_eq!(*o, full(i + lead));
            }
        }
        assert_eq!(polynomial(&[1.0, 2.0, 3.0], &[0.0, 2.0]), [1.0, 17.0]);
    }
}
