//! Tiny designs: every plan with lines that rise, by plain convolution. None that keeps the risks has fewer
//! sites than the bound, and the optimal plan is the best of them, or little worse.

#![allow(clippy::needless_range_loop)] // the same total in several arrays

use crate::case::{Model, at_thresholds, design, lines, optimal};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use stopline::plan::{Checks, Plan};
use stopline::{Code, Quiet};

/// Totals looked at: lines above are never better in these designs.
const TOTALS: usize = 12;
const DESIGNS: usize = 1500;

type Totals = [f64; TOTALS];

/// P(total of `sites` = x), NB(sites·m, sites·k).
fn batch(m: f64, k: f64, sites: u32) -> Totals {
    let (m, k) = (m * f64::from(sites), k * f64::from(sites));
    let mut p = [(k / (k + m)).powf(k); TOTALS];
    for x in 1..TOTALS {
        p[x] = p[x - 1] * (m / (k + m)) * (k + x as f64 - 1.0) / x as f64;
    }
    p
}

struct Every<'a> {
    sites: &'a [u32],
    batches: [Vec<Totals>; 2],
    risks: [f64; 2],
    /// Fewest sites, averaged over both thresholds, of a plan that keeps the risks.
    best: f64,
    tried: u64,
}

/// Where the walks stand before a check, at both thresholds.
#[derive(Clone, Copy)]
struct Standing {
    open: [Totals; 2],
    left: [f64; 2],
    wrong: [f64; 2],
    sites: f64,
    lines: (i64, i64),
}

impl Every<'_> {
    fn go(&mut self, check: usize, at: Standing) {
        if at.sites >= self.best || (0..2).any(|j| at.wrong[j] > self.risks[j]) {
            return;
        }
        if check == self.sites.len() {
            self.best = at.sites;
            return;
        }
        let mut reached = [[0.0; TOTALS]; 2];
        for (j, reached) in reached.iter_mut().enumerate() {
            for (s, open) in at.open[j].iter().enumerate() {
                for x in 0..TOTALS - s {
                    reached[s + x] += open * self.batches[j][check][x];
                }
            }
        }
        let next = self.sites.get(check + 1);
        let totals = TOTALS as i64;
        for low in at.lines.0..totals - 1 {
            for high in (low + 1).max(at.lines.1)..totals {
                if next.is_none() && high > low + 1 {
                    break;
                }
                self.tried += 1;
                let mut then = Standing { open: [[0.0; TOTALS]; 2], left: [0.0; 2], lines: (low, high), ..at };
                for j in 0..2 {
                    let (stopped, still) = ((low + 1) as usize, high as usize);
                    then.open[j][stopped..still].copy_from_slice(&reached[j][stopped..still]);
                    then.left[j] = then.open[j].iter().sum();
                    let below: f64 = reached[j][..stopped].iter().sum();
                    then.wrong[j] += if j == 0 { at.left[0] - below - then.left[0] } else { below };
                }
                then.sites +=
                    next.map_or(0.0, |n| f64::from(n - self.sites[check])) * 0.5 * (then.left[0] + then.left[1]);
                self.go(check + 1, then);
            }
        }
    }
}

fn uniform(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64
}

#[test]
fn no_plan_of_a_tiny_design_beats_its_bound() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let (mut plans, mut worse, mut without, mut tried) = (0, 0, 0, 0);
    for _ in 0..DESIGNS {
        let low = uniform(&mut rng, -3.0, 0.0).exp();
        let high = low * uniform(&mut rng, 1.5, 5.0);
        let k = uniform(&mut rng, -1.5, 2.0).exp();
        let risks = [0; 2].map(|_| uniform(&mut rng, -2.5, -0.8).exp());
        let mut sites = vec![1 + rng.next_u32() % 3];
        for _ in 0..1 + rng.next_u32() % 3 {
            sites.push(sites[sites.len() - 1] + 1 + rng.next_u32() % 5);
        }
        if f64::from(sites[sites.len() - 1]) * high > 8.0 {
            continue;
        }
        let gaps: Vec<u32> = [0].iter().chain(&sites).zip(&sites).map(|(a, b)| b - a).collect();
        let batches = [low, high].map(|m| gaps.iter().map(|&g| batch(m, k, g)).collect());
        let mut every = Every { sites: &sites, batches, risks, best: f64::INFINITY, tried: 0 };
        let mut open = [0.0; TOTALS];
        open[0] = 1.0;
        let start =
            Standing { open: [open; 2], left: [1.0; 2], wrong: [0.0; 2], sites: f64::from(sites[0]), lines: (-1, 1) };
        every.go(0, start);
        tried += every.tried;
        let design = design(Model::NegBin(k), [low, high], risks, Checks::at(sites.clone()).unwrap());
        if every.best.is_infinite() {
            without += 1;
            let none = Plan::optimal(design.clone(), &at_thresholds(&design), None, &Quiet).unwrap_err();
            assert_eq!(none.code(), Code::NoPlan, "{design:?}");
            continue;
        }
        let plan = optimal(&design, &at_thresholds(&design), None);
        let proof = plan.proof().unwrap();
        plans += 1;
        assert!(proof.bound <= every.best * (1.0 + 1e-12), "{design:?}: {proof:?}, but {}", every.best);
        assert!(proof.value >= every.best * (1.0 - 1e-12), "{design:?}: {:?} has fewer than any", lines(&plan));
        if proof.value > every.best * (1.0 + 1e-12) {
            worse += 1;
        }
    }
    assert!(plans > 150 && without > 100 && tried > 1_000_000, "{plans} {without} {tried}");
    assert!(33 * worse <= plans, "{worse} of {plans} plans are not the best");
}
