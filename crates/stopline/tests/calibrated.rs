//! Calibrated lines over random designs, judged by a slow evaluation that shares nothing with the engine:
//! plain convolution for each mean, probabilities from log-gamma.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]
#![allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_possible_wrap)]

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicU32, Ordering::Relaxed};
use stopline::evaluate::{evaluate_lines, largest_expected_sites};
use stopline::plan::{Aim, Checks, Closing, Design, Method, Plan};
use stopline::{Call, Code, Dispersion, K, Mean, Plants, Quiet, Risk, Risks, Score, Thresholds, Watch};

/// Rounding of two independent computations of a risk of size .001 to .3, relative.
const SAME_RISK: f64 = 1e-9;

type Line = (u32, Option<i64>, Option<i64>);

/// P(total of `sites` = x) for x below `len`; NB(sites·m, sites·k), Poisson for infinite k.
fn pmf(m: f64, k: f64, sites: u32, len: usize) -> Vec<f64> {
    let (m, k) = (m * f64::from(sites), k * f64::from(sites));
    let ln = |x: f64| {
        if k.is_infinite() {
            x * m.ln() - m - libm::lgamma(x + 1.0)
        } else {
            libm::lgamma(x + k) - libm::lgamma(k) - libm::lgamma(x + 1.0) - k * (m / k).ln_1p() + x * (m / (k + m)).ln()
        }
    };
    (0..len).map(|x| ln(x as f64).exp()).collect()
}

/// P(adequate), P(inadequate).
fn direct(lines: &[Line], m: f64, k: f64) -> [f64; 2] {
    let top = lines.iter().filter_map(|l| l.2).max().unwrap() as usize + 1;
    let (mut open, mut before) = (vec![0.0; top], 0);
    open[0] = 1.0;
    let (mut adequate, mut inadequate, mut left) = (0.0, 0.0, 1.0);
    for &(at, low, high) in lines {
        let p = pmf(m, k, at - before, top);
        before = at;
        let mut next = vec![0.0; top];
        for (s, &w) in open.iter().enumerate().filter(|(_, w)| **w > 0.0) {
            for (x, p) in p.iter().enumerate().take(top - s) {
                next[s + x] += w * p;
            }
        }
        let high = high.unwrap() as usize;
        let low = low.map_or(0, |l| l as usize + 1);
        let below: f64 = next[..low.min(high)].iter().sum();
        let stay: f64 = next[low.min(high)..high].iter().sum();
        inadequate += below;
        adequate += left - below - stay;
        next[..low.min(high)].fill(0.0);
        next[high..].fill(0.0);
        (open, left) = (next, stay);
    }
    [adequate, inadequate]
}

fn uniform(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64
}

struct Drawn {
    design: Design,
    low: f64,
    high: f64,
    k: f64,
    risks: [f64; 2],
}

fn draw(rng: &mut ChaCha8Rng) -> Drawn {
    let low = uniform(rng, -2.0, 1.5).exp();
    let high = low * uniform(rng, 1.5, 3.5);
    let k = if rng.next_u32().is_multiple_of(8) { f64::INFINITY } else { uniform(rng, -1.2, 3.0).exp() };
    let risks = [uniform(rng, -3.9, -1.2).exp(), uniform(rng, -3.9, -1.2).exp()];
    let (first, every) = (1 + rng.next_u32() % 6, 1 + rng.next_u32() % 3);
    let cap = first + 5 + rng.next_u32() % 35;
    let design = Design {
        score: Score::Count,
        plants: Plants::ONE,
        dispersion: if k.is_infinite() { Dispersion::Poisson } else { Dispersion::ConstantK { k: K::new(k).unwrap() } },
        aim: Aim::TwoCalls {
            thresholds: Some(Thresholds::new(Mean::new(low).unwrap(), Mean::new(high).unwrap()).unwrap()),
            risks: Some(Risks::new(Risk::new(risks[0]).unwrap(), Risk::new(risks[1]).unwrap()).unwrap()),
        },
        checks: Checks::every(first, cap, every).unwrap(),
        closing: Closing::Call,
    };
    Drawn { design, low, high, k, risks }
}

/// Wald's slope.
fn slope(d: &Drawn) -> f64 {
    if d.k.is_infinite() {
        (d.high - d.low) / (d.high / d.low).ln()
    } else {
        d.k * ((d.k + d.high) / (d.k + d.low)).ln() / (d.high * (d.k + d.low) / (d.low * (d.k + d.high))).ln()
    }
}

/// The same lines with one of them nearer to the middle by one step of the family; `None` where they cross.
fn narrowed(lines: &[Line], s: f64, upper: bool) -> Option<Vec<Line>> {
    let (rows, closing) = lines.split_at(lines.len() - 1);
    let at = |n: u32| s * f64::from(n);
    let steps = rows.iter().map(|&(n, low, high)| {
        if upper { high.unwrap() as f64 - 1.0 - at(n) } else { low.map_or(0.0, |l| l as f64 + 1.0) - at(n) }
    });
    let h = if upper { steps.fold(f64::NEG_INFINITY, f64::max) } else { steps.fold(f64::INFINITY, f64::min) };
    let mut moved = Vec::new();
    for &(n, low, high) in rows {
        let line = h + at(n);
        let (low, high) = if upper {
            (low, Some(((line - 1e-9).ceil() as i64).max(0)))
        } else {
            (Some((line + 1e-9).floor()).filter(|t| *t >= 0.0).map(|t| t as i64), high)
        };
        if low.is_some() && low >= high {
            return None;
        }
        moved.push((n, low, high));
    }
    moved.extend_from_slice(closing);
    Some(moved)
}

fn study(designs: u32) {
    let mut rng = ChaCha8Rng::seed_from_u64(20_261_125);
    let (mut planned, mut without, mut narrow) = (0, 0, 0);
    for i in 0..designs {
        let d = draw(&mut rng);
        let plan = match Plan::design(d.design.clone(), Method::Calibrated, &Quiet) {
            Ok(plan) => plan,
            Err(e) => {
                assert_eq!(e.code(), Code::NoPlan, "design {i}: {e}");
                without += 1;
                continue;
            }
        };
        planned += 1;
        let rows = plan.lines().rows();
        let lines: Vec<Line> =
            rows.iter().map(|r| (r.at, r.at_most(Call::Inadequate), r.at_least(Call::Adequate))).collect();
        let risks = |lines: &[Line]| [direct(lines, d.low, d.k)[0], direct(lines, d.high, d.k)[1]];
        let reached = risks(&lines);
        for side in 0..2 {
            assert!(reached[side] <= d.risks[side] * (1.0 + SAME_RISK), "design {i}: {reached:?} above {:?}", d.risks);
            let stated = plan.attained()[side].p;
            assert!((stated - reached[side]).abs() <= SAME_RISK * reached[side].max(1e-3), "design {i}: {stated}");
        }
        for upper in [false, true] {
            let Some(moved) = narrowed(&lines, slope(&d), upper) else { continue };
            narrow += 1;
            let broken = risks(&moved);
            let breaks = (0..2).any(|side| broken[side] > d.risks[side] * (1.0 - SAME_RISK));
            assert!(
                breaks,
                "design {i}: {:?} lines {lines:?} narrower {moved:?} keeps {:?} with {broken:?}",
                (d.low, d.high, d.k, upper),
                d.risks
            );
        }
    }
    assert!(planned > designs / 4 && without > 0 && narrow > planned, "{planned} {without} {narrow}");
}

#[test]
fn risks_are_kept_and_no_line_can_be_narrowed() {
    study(400);
}

#[test]
#[ignore = "long"]
fn the_same_over_thousands_of_designs() {
    study(6_000);
}

/// Stops the work after so many steps.
struct Patience(AtomicU32);

impl Watch for Patience {
    fn step(&self, _: u64, _: u64) -> ControlFlow<()> {
        let left = self.0.fetch_update(Relaxed, Relaxed, |left| left.checked_sub(1));
        if left.is_ok() { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    }
}

/// By this power law counts are Poisson below a mean of 0.38 and clumped above: the curve of expected sites has its top
/// in the kink. Hardly a walk comes to the cap, so that every cut there has the same lines.
#[test]
fn a_kink_in_the_curve_of_sites_ends_the_search_too() {
    let [low, high] = [0.346_896_960_306, 1.108_045_145_66].map(|m| Mean::new(m).unwrap());
    let risks = Risks::new(Risk::new(0.190_487_827_4).unwrap(), Risk::new(0.159_167_496_8).unwrap()).unwrap();
    let design = Design {
        score: Score::Count,
        plants: Plants::ONE,
        dispersion: Dispersion::power_law(1.765_668_199_1, 1.588_735_788_8).unwrap(),
        aim: Aim::TwoCalls { thresholds: Some(Thresholds::new(low, high).unwrap()), risks: Some(risks) },
        checks: Checks::every(2, 52, 1).unwrap(),
        closing: Closing::Call,
    };
    let (score, under) = (Score::Count, design.dispersion);
    let plan = Plan::design(design, Method::Calibrated, &Patience(AtomicU32::new(100_000))).unwrap();
    assert!(plan.attained().iter().all(|row| row.p <= 0.190_487_827_4));
    // What is reported is what the curve shows at the mean that is reported.
    let most = largest_expected_sites(plan.lines(), &score, &under).unwrap();
    let curve = evaluate_lines(plan.lines(), &score, &under, &[Mean::new(most.mean).unwrap()], &Quiet).unwrap();
    assert!((curve.rows[0].expected_sites / most.expected_sites - 1.0).abs() < 1e-12, "{most:?} {curve:?}");
}
