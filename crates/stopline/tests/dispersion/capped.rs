//! k of counts that stop at a most, and positive sites against the mean.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use stopline::counts::{Counts, Reading};
use stopline::dispersion::{Bound, Clumping, fit_capped, fit_counts, fit_proportion};
use stopline::{Dispersion, Level, Quiet};

fn level() -> Level {
    Level::new(0.95).unwrap()
}

/// A table of walks.
fn table(walks: &[Vec<u32>]) -> String {
    let mut text = "field,site,count\n".to_owned();
    for (i, walk) in walks.iter().enumerate() {
        walk.iter().zip(1..).for_each(|(count, site)| text += &format!("f{i},{site},{count}\n"));
    }
    text
}

fn read(text: &str, counted_to: Option<u32>) -> Counts {
    Counts::read(text.as_bytes(), &Reading { counted_to, ..Reading::default() }).unwrap()
}

/// ln L of the European red mites (Bliss & Fisher 1953, Biometrics 9:176–200) counted to `most`, from the terms of the
/// negative binomial: largest over a grid that is refined.
fn by_grid(most: u32) -> (f64, f64) {
    let leaves = [70.0, 38.0, 17.0, 10.0, 9.0, 3.0, 2.0, 1.0];
    let ln_l = |m: f64, k: f64| {
        let (mut p, mut below, mut sum) = ((k / (k + m)).powf(k), 0.0, 0.0);
        for x in 0..most {
            below += p;
            sum += leaves[x as usize] * p.ln();
            p *= m / (k + m) * (k + f64::from(x)) / (f64::from(x) + 1.0);
        }
        sum + leaves[most as usize..].iter().sum::<f64>() * (1.0 - below).ln()
    };
    let (mut m, mut k, mut step) = (1.2_f64, 1.0_f64, 0.5_f64);
    while step > 1e-9 {
        let mut best = (ln_l(m, k), m, k);
        for i in -1..=1 {
            for j in -1..=1 {
                let (m, k) = (m * (step * f64::from(i)).exp(), k * (step * f64::from(j)).exp());
                if ln_l(m, k) > best.0 {
                    best = (ln_l(m, k), m, k);
                }
            }
        }
        if (best.1, best.2) == (m, k) { step *= 0.5 } else { (m, k) = (best.1, best.2) }
    }
    (m, k)
}

#[test]
fn mites_counted_to_a_most() {
    let leaves = [70, 38, 17, 10, 9, 3, 2, 1];
    let counts: Vec<u32> = (0..).zip(leaves).flat_map(|(x, n)| std::iter::repeat_n(x, n)).collect();
    for most in [3, 5, 7] {
        let fit = fit_capped(&read(&table(std::slice::from_ref(&counts)), Some(most)), most, level(), &Quiet).unwrap();
        let (m, k) = by_grid(most);
        let field = &fit.fields[0];
        assert!((field.mean.unwrap() / m - 1.0).abs() < 1e-4, "{most}: {field:?} {m} {k}");
        assert!((field.ml.k.k().unwrap() / k - 1.0).abs() < 1e-3, "{most}: {field:?} {m} {k}");
    }
    // A most that is never reached: the plain fit, with its interval.
    let counts = read(&table(&[counts]), None);
    let (capped, plain) =
        (fit_capped(&counts, 50, level(), &Quiet).unwrap(), fit_counts(&counts, level(), &Quiet).unwrap());
    let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-4, "{a} {b}");
    near(capped.fields[0].ml.k.k().unwrap(), plain.fields[0].ml.k.k().unwrap());
    let [a, b] = [capped.fields[0].ml.interval.unwrap(), plain.fields[0].ml.interval.unwrap()];
    near(a.low, b.low);
    let (Bound::At(a), Bound::At(b)) = (a.high, b.high) else { panic!() };
    near(a, b);
    // The adjustment is on ln m, for one mean and k not quite that on m.
    near(capped.adjusted.k.k().unwrap(), plain.common.cox_reid.k.k().unwrap());
}

/// 60 walks of 20 sites with means from .5 to 8, true k 1.2, counted to 4: many sites are at the most, and still the
/// adjusted k is close, while taking the capped counts for full ones is far off.
#[test]
fn the_true_k_is_found_again() {
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let mut unit = || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
    let (k, walks): (f64, u32) = (1.2, 60);
    let walks: Vec<Vec<u32>> = (0..walks)
        .map(|i| {
            let m = 0.5 * 16.0_f64.powf(f64::from(i) / f64::from(walks - 1));
            (0..20)
                .map(|_| {
                    let (mut left, mut p, mut x) = (unit(), (k / (k + m)).powf(k), 0_u32);
                    while left > p && x < 1000 {
                        left -= p;
                        p *= m / (k + m) * (k + f64::from(x)) / (f64::from(x) + 1.0);
                        x += 1;
                    }
                    x
                })
                .collect()
        })
        .collect();
    let counts = read(&table(&walks), Some(4));
    assert!(counts.walks.iter().flat_map(|walk| walk.present()).all(|count| count <= 4));
    let fit = fit_capped(&counts, 4, level(), &Quiet).unwrap();
    let found = fit.adjusted.k.k().unwrap();
    assert!((found / k).ln().abs() < 0.2, "{found}");
    let interval = fit.adjusted.interval.unwrap();
    assert!(interval.low < k && matches!(interval.high, Bound::At(high) if high > k), "{interval:?}");
    assert!(fit.ml.k.k().unwrap() > found); // fitting the means takes up variance
    let naive = fit_counts(&counts, level(), &Quiet).unwrap().common.conditional.k;
    assert!(naive.k().is_none_or(|naive| naive > 2.0 * k), "{naive:?}");
    let Dispersion::ConstantK { k: planned } = fit.for_plan().unwrap().dispersion else { panic!() };
    assert_eq!(planned.get(), found);
}

#[test]
fn cells_that_say_so_many_or_more() {
    let text = "field,site,count\nheron,1,0\nheron,2,5+\nheron,3,9\nlapwing,1,5+\nlapwing,2,5\nwren,1,0\nwren,2,0\n";
    let counts = read(text, Some(5));
    assert_eq!(counts.walks[0].present().collect::<Vec<_>>(), [0, 5, 5]);
    let fit = fit_capped(&counts, 5, level(), &Quiet).unwrap();
    assert_eq!(fit.fields.iter().map(|f| f.at_most).collect::<Vec<_>>(), [2, 2, 0]);
    assert!(matches!(fit.fields[1].ml.k, Clumping::Undefined(_)) && fit.fields[1].mean.is_none());
    assert_eq!(fit.fields[2].mean, Some(0.0));
    for (counted_to, bad) in [(None, "5+"), (Some(4), "5+"), (Some(5), "5++"), (Some(5), "+5"), (Some(5), "+")] {
        let text = format!("field,site,count\nheron,1,{bad}\n");
        let how = Reading { counted_to, ..Reading::default() };
        let refused = Counts::read(text.as_bytes(), &how).unwrap_err();
        assert_eq!(refused.as_slice()[0].value(), Some(bad), "{counted_to:?}");
    }
    assert!(fit_capped(&counts, 0, level(), &Quiet).is_err());
    assert!(serde_json::to_value(&fit).unwrap()["common"]["k_cox_reid"].is_number());
}

/// Walks whose shares lie on a line give that line back, without scatter: ln m = a + b ln(−ln(1 − P)).
#[test]
fn positive_sites_against_the_mean() {
    // P = 1/4, 2/4, 3/4 of four sites; means 1.5, 3 and 6 by what the positive sites hold.
    let walks = [vec![0, 0, 0, 6], vec![0, 0, 4, 8], vec![0, 8, 8, 8], vec![0; 4], vec![1; 4]];
    let fit = fit_proportion(&read(&table(&walks), None), 0, level()).unwrap();
    assert_eq!((fit.none_positive, fit.all_positive), (1, 1));
    let line = fit.line.unwrap();
    let xs = [0.25_f64, 0.5, 0.75].map(|p| (-(1.0 - p).ln()).ln());
    let ys = [1.5_f64, 3.0, 6.0].map(f64::ln);
    // Least squares by the normal equations.
    let (n, x, y) = (3.0, xs.iter().sum::<f64>(), ys.iter().sum::<f64>());
    let (xx, xy) = (xs.iter().map(|x| x * x).sum::<f64>(), xs.iter().zip(&ys).map(|(x, y)| x * y).sum::<f64>());
    let b = (n * xy - x * y) / (n * xx - x * x);
    assert!((line.slope.value - b).abs() < 1e-12 && (line.intercept.value - (y - b * x) / n).abs() < 1e-12);
    let rest: f64 = xs.iter().zip(&ys).map(|(x, y)| (y - line.intercept.value - b * x).powi(2)).sum();
    assert!((line.mean_square - rest).abs() < 1e-12);
    let model = fit.dispersion().unwrap().unwrap();
    assert!(matches!(model, Dispersion::Proportion { scatter, .. } if (scatter - rest.sqrt()).abs() < 1e-12));
}
