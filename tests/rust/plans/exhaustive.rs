//! Every strip of the family and every cut at the cap, by the slow evaluation.

use crate::case::Case;
use crate::direct::{AtCap, Line, to_cap, walk};
use stopline::plan::Closing;

/// The distinct integer tables of one line, from the narrowest to the widest.
pub struct Tables {
    pub lower: Vec<Vec<Option<i64>>>,
    pub upper: Vec<Vec<Option<i64>>>,
    pub sites: Vec<u32>,
}

/// Lines beyond the middle one by at most this many totals are looked at too.
const BEYOND: f64 = 30.0;

impl Tables {
    pub fn of(case: &Case, highest: f64) -> Self {
        let (slope, _) = case.model.slope(case.thresholds);
        let sites: Vec<u32> = match case.closing {
            Closing::Call => case.checks[..case.checks.len() - 1].to_vec(),
            Closing::Undecided => case.checks.clone(),
        };
        let line = |n: u32| slope * f64::from(n);
        // A line at distance h: between two distances at which a check's total changes, any will do.
        let changes = |of: &dyn Fn(f64) -> Vec<f64>| {
            let mut h: Vec<f64> = sites.iter().flat_map(|&n| of(line(n))).collect();
            h.sort_by(f64::total_cmp);
            h.dedup_by(|b, a| *b - *a < 1e-9);
            let mut middles: Vec<f64> = h.windows(2).map(|w| 0.5 * (w[0] + w[1])).collect();
            middles.push(h.last().map_or(0.0, |h| h + 0.5));
            middles
        };
        let list = |from: f64, to: f64, at: &dyn Fn(f64) -> f64| {
            let (mut h, mut t) = (Vec::new(), from.floor());
            while t <= to {
                h.push(at(t));
                t += 1.0;
            }
            h
        };
        let lower = changes(&|s| list(0.0, s + BEYOND, &|t| s - t));
        let upper = changes(&|s| list((s - BEYOND).max(0.0), highest, &|t| t - s));
        let whole = |x: f64| x as i64;
        Self {
            lower: lower
                .iter()
                .map(|h| {
                    sites.iter().map(|&n| Some(line(n) - h).filter(|x| *x >= 0.0).map(|x| whole(x.floor()))).collect()
                })
                .collect(),
            upper: upper
                .iter()
                .map(|h| sites.iter().map(|&n| Some(whole((line(n) + h).ceil().max(0.0)))).collect())
                .collect(),
            sites,
        }
    }
}

/// A feasible strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    pub lower: usize,
    pub upper: usize,
    pub cut: i64,
}

/// Every feasible strip, for every cut; with closing undecided the cut is −1.
pub fn feasible(case: &Case, tables: &Tables) -> Vec<Found> {
    let cap = case.cap();
    let [a, b] = case.risks;
    let highest = tables.upper.iter().flatten().flatten().max().copied().unwrap_or(0);
    let last_cut = (3.0 * f64::from(cap) * case.model.slope(case.thresholds).0) as i64 + 8;
    let len = usize::try_from(highest.max(last_cut)).unwrap() + 2;
    let counts = case.thresholds.map(|m| case.model.counts(m, len));
    let mut found = Vec::new();
    for (i, lower) in tables.lower.iter().enumerate() {
        for (j, upper) in tables.upper.iter().enumerate() {
            if lower.iter().zip(upper).any(|(low, high)| low.is_some() && low >= high) {
                continue;
            }
            let lines: Vec<Line> =
                tables.sites.iter().zip(lower.iter().zip(upper)).map(|(&n, (&low, &high))| (n, low, high)).collect();
            let [low, high] = counts.each_ref().map(|c| to_cap(&lines, cap, last_cut, c));
            if case.closing == Closing::Undecided {
                let ends = [&low, &high].map(|at| at.closed(*lower.last().unwrap(), *upper.last().unwrap()));
                if ends[0].adequate <= a && ends[1].inadequate <= b {
                    found.push(Found { lower: i, upper: j, cut: -1 });
                }
                continue;
            }
            found.extend(cuts(&low, &high, [a, b], last_cut).map(|cut| Found { lower: i, upper: j, cut }));
        }
    }
    found
}

/// The cuts that keep both risks.
fn cuts(low: &AtCap, high: &AtCap, [a, b]: [f64; 2], last: i64) -> std::ops::RangeInclusive<i64> {
    let mut above = low.before.adequate + low.totals.iter().sum::<f64>() + low.more;
    let mut below = high.before.inadequate;
    let (mut first, mut end) = (None, -1);
    for cut in 0..=last {
        let t = usize::try_from(cut).unwrap();
        above -= low.totals[t];
        below += high.totals[t];
        if above <= a && first.is_none() {
            first = Some(cut);
        }
        if below <= b {
            end = cut;
        }
    }
    first.unwrap_or(last + 1)..=end
}

impl Tables {
    pub fn lines(&self, case: &Case, found: Found) -> Vec<Line> {
        let rows = self.sites.iter().zip(self.lower[found.lower].iter().zip(&self.upper[found.upper]));
        let mut lines: Vec<Line> = rows.map(|(&n, (&low, &high))| (n, low, high)).collect();
        if case.closing == Closing::Call {
            lines.push((case.cap(), Some(found.cut), Some(found.cut + 1)));
        }
        lines
    }
}

/// Strips of one cut of which neither line can be narrowed.
pub fn minimal(found: &[Found], cut: i64) -> Vec<Found> {
    let here: Vec<Found> = found.iter().copied().filter(|f| f.cut == cut).collect();
    here.iter().copied().filter(|f| !here.iter().any(|g| g != f && g.lower <= f.lower && g.upper <= f.upper)).collect()
}

/// The largest expected sites over all means, by golden section around the best of a grid.
pub fn largest_sites(case: &Case, lines: &[Line]) -> f64 {
    let share = matches!(case.model, crate::direct::Model::Binomial { .. });
    let sites = |x: f64| walk(lines, case.model, if share { 1.0 / (1.0 + (-x).exp()) } else { x.exp() }).sites;
    let [low, high] = case.thresholds.map(|m| if share { (m / (1.0 - m)).ln() } else { m.ln() });
    let (from, to) = (low - 1.5, high + 1.5);
    let step = (to - from) / 60.0;
    let grid: Vec<(f64, f64)> = (0..=60).map(|i| from + f64::from(i) * step).map(|x| (x, sites(x))).collect();
    let top = grid.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
    let (mut a, mut b) = (top.0 - step, top.0 + step);
    let g = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut c, mut d) = (b - g * (b - a), a + g * (b - a));
    let (mut fc, mut fd) = (sites(c), sites(d));
    for _ in 0..24 {
        if fc > fd {
            (b, d, fd) = (d, c, fc);
            c = b - g * (b - a);
            fc = sites(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + g * (b - a);
            fd = sites(d);
        }
    }
    top.1.max(fc).max(fd)
}
