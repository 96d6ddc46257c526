//! A slow evaluation of two-call plans that shares nothing with the library: one convolution a site and
//! a mean (Aroian 1968), probabilities of counts from the log-gamma function of the crate statrs.

use statrs::function::gamma::ln_gamma;

/// How one site's count varies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Model {
    NegBin { k: f64 },
    Poisson,
    Binomial { units: u16 },
}

/// Sites, inadequate at most, adequate at least.
pub type Line = (u32, Option<i64>, Option<i64>);

impl Model {
    /// Wald's slope and the change of the log likelihood ratio per unit of the total, from the ratio of the
    /// two laws at a count of 0 and at 1.
    pub fn slope(self, [low, high]: [f64; 2]) -> (f64, f64) {
        match self {
            Model::NegBin { k } => {
                let none = k * ((high - low) / (k + low)).ln_1p();
                let one = (high / low).ln() - ((high - low) / (k + low)).ln_1p();
                (none / one, one)
            }
            Model::Poisson => ((high - low) / (high / low).ln(), (high / low).ln()),
            Model::Binomial { units } => {
                let none = ((high - low) / (1.0 - high)).ln_1p();
                let one = (high / low).ln() + none;
                (f64::from(units) * none / one, one)
            }
        }
    }

    /// P(a site adds x) for x below `len`; means of binomial units are shares.
    pub fn counts(self, mean: f64, len: usize) -> Vec<f64> {
        let mut ln_rising = 0.0; // ln k(k+1)…(k+x−1)
        let mut p = |x: f64| match self {
            Model::NegBin { k } => {
                let ln = ln_rising - ln_gamma(x + 1.0) - k * (mean / k).ln_1p() + x * (mean / (k + mean)).ln();
                ln_rising += (k + x).ln();
                ln.exp()
            }
            Model::Poisson => (x * mean.ln() - mean - ln_gamma(x + 1.0)).exp(),
            Model::Binomial { units } => {
                let n = f64::from(units);
                let ln_ways = ln_gamma(n + 1.0) - ln_gamma(x + 1.0) - ln_gamma(n - x + 1.0);
                if x > n { 0.0 } else { (ln_ways + x * mean.ln() + (n - x) * (-mean).ln_1p()).exp() }
            }
        };
        (0..len).map(|x| p(x as f64)).collect()
    }
}

/// What a plan comes to at one mean.
#[derive(Debug, Clone, Default)]
pub struct End {
    pub adequate: f64,
    pub inadequate: f64,
    pub undecided: f64,
    pub sites: f64,
}

/// Where the walk can be when only the cap is left.
#[derive(Debug, Clone, Default)]
pub struct AtCap {
    /// What was called before, and the expected sites of the whole walk.
    pub before: End,
    /// P(total), as far as lines reach, and of more.
    pub totals: Vec<f64>,
    pub more: f64,
}

/// Walks up to the cap, not calling there; `cut` is the largest total that the closing tells apart.
pub fn to_cap(lines: &[Line], cap: u32, cut: i64, counts: &[f64]) -> AtCap {
    let highest = lines.iter().flat_map(|&(_, low, high)| [low, high]).flatten().max().unwrap_or(0).max(cut);
    let len = usize::try_from(highest).unwrap() + 2;
    let mut totals = vec![0.0; len];
    totals[0] = 1.0;
    let (mut more, mut end) = (0.0, End::default());
    let mut next = vec![0.0; len];
    let mut checks = lines.iter().peekable();
    for n in 1..=cap {
        end.sites += totals.iter().sum::<f64>() + more;
        next.fill(0.0);
        let mut inside = 0.0;
        let mut stayed = 0.0;
        for (t, &p) in totals.iter().enumerate().filter(|(_, p)| **p > 0.0) {
            inside += p;
            for (to, c) in next[t..].iter_mut().zip(counts) {
                *to += p * c;
                stayed += p * c;
            }
        }
        more += (inside - stayed).max(0.0);
        std::mem::swap(&mut totals, &mut next);
        if let Some(&(_, low, high)) = checks.next_if(|&&(at, ..)| at == n && n < cap) {
            if let Some(low) = low {
                for p in totals.iter_mut().take(usize::try_from(low + 1).unwrap()) {
                    end.inadequate += std::mem::take(p);
                }
            }
            if let Some(high) = high {
                for p in totals.iter_mut().skip(usize::try_from(high).unwrap()) {
                    end.adequate += std::mem::take(p);
                }
                end.adequate += std::mem::take(&mut more);
            }
        }
    }
    AtCap { before: end, totals, more }
}

impl AtCap {
    /// The end where the cap calls inadequate up to `low` and adequate from `high`.
    pub fn closed(&self, low: Option<i64>, high: Option<i64>) -> End {
        let mut end = self.before.clone();
        for (t, p) in (0_i64..).zip(&self.totals) {
            if low.is_some_and(|low| t <= low) {
                end.inadequate += p;
            } else if high.is_some_and(|high| t >= high) {
                end.adequate += p;
            } else {
                end.undecided += p;
            }
        }
        *(if high.is_some() { &mut end.adequate } else { &mut end.undecided }) += self.more;
        end
    }
}

/// The whole plan at one mean.
pub fn walk(lines: &[Line], model: Model, mean: f64) -> End {
    let &(cap, low, high) = lines.last().unwrap();
    let highest = lines.iter().flat_map(|&(_, low, high)| [low, high]).flatten().max().unwrap_or(0);
    let counts = model.counts(mean, usize::try_from(highest).unwrap() + 2);
    to_cap(&lines[..lines.len() - 1], cap, low.unwrap_or(0).max(high.unwrap_or(0)), &counts).closed(low, high)
}
