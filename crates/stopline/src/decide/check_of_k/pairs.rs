//! The law of the pairs of a walk given its sites and total, free of the mean.
//!
//! A site with x enemies holds x(x−1)/2 pairs, so that the pairs J of a walk and its total T give Σx² = 2J + T. Given T,
//! the counts of n sites are Dirichlet–multinomial with all parameters k (multinomial where there is no clumping):
//! the last count follows a beta-binomial law, and what is left are n − 1 sites with total T − x. All sums are of
//! positive terms; what lies beyond an array counts as more pairs than any in it.

use crate::lines::{Lines, Verdict};
use crate::score::Total;

/// Part of a law that is not kept apart.
const BEYOND: f64 = 1e-11;

/// P(J = first + i), and of more; all together the probability of coming to this total in the way asked, given it.
#[derive(Debug, Clone, Default)]
pub(super) struct Pairs {
    pub first: usize,
    pub p: Vec<f64>,
    pub beyond: f64,
}

impl Pairs {
    /// All of it.
    pub fn all(&self) -> f64 {
        self.p.iter().sum::<f64>() + self.beyond
    }

    /// P(J ≥ pairs).
    pub fn at_least(&self, pairs: usize) -> f64 {
        self.p.iter().skip(pairs.saturating_sub(self.first)).sum::<f64>() + self.beyond
    }

    /// Cuts off everything from `pairs` on and gives its probability.
    pub fn cut(&mut self, pairs: usize) -> f64 {
        let cut = self.at_least(pairs);
        self.p.truncate(pairs.saturating_sub(self.first));
        self.beyond = 0.0;
        cut
    }

    fn trim(&mut self) {
        let least = BEYOND * self.all();
        while let Some(&last) = self.p.last().filter(|&&last| self.beyond + last < least) {
            self.beyond += last;
            self.p.pop();
        }
    }
}

/// P(J ≥ first + i).
#[derive(Debug, Clone)]
pub(super) struct Above {
    first: usize,
    p: Vec<f64>,
    beyond: f64,
}

impl Above {
    pub fn of(law: &Pairs) -> Self {
        let mut p = law.p.clone();
        let mut sum = law.beyond;
        for p in p.iter_mut().rev() {
            sum += *p;
            *p = sum;
        }
        Self { first: law.first, p, beyond: law.beyond }
    }

    pub fn at(&self, pairs: usize) -> f64 {
        let above = self.p.get(pairs.saturating_sub(self.first));
        above.copied().unwrap_or(self.beyond)
    }

    /// The fewest pairs that are alarming at this level.
    pub fn alarming(&self, level: f64) -> usize {
        self.first + self.p.partition_point(|&p| p > level)
    }
}

/// Pairs at a site with so many enemies.
pub(super) fn pairs_of(count: usize) -> usize {
    count * count.saturating_sub(1) / 2
}

/// How many enemies the last of n sites has, given the total.
#[derive(Debug, Clone, Copy)]
pub(super) struct Last {
    /// None: no clumping.
    pub k: Option<f64>,
}

impl Last {
    /// P(last count = 0, 1, …, total | n sites, total), n ≥ 2.
    fn shares(self, n: u32, total: usize, out: &mut Vec<f64>) {
        let before = f64::from(n - 1);
        out.clear();
        let (mut p, mut sum) = (1.0, 0.0);
        for x in 0..=total {
            out.push(p);
            sum += p;
            let (x, left) = (x as f64, (total - x) as f64);
            p *= match self.k {
                // The ratio's second part at left = 0 is not needed; there k·before − 1 may be 0.
                Some(k) => (k + x) / (x + 1.0) * left / (k * before + left - 1.0).max(f64::MIN_POSITIVE),
                None => left / ((x + 1.0) * before),
            };
        }
        out.iter_mut().for_each(|p| *p /= sum);
    }
}

/// Pairs at one number of sites, for each total from 0; `None` where walks are not followed.
pub(super) type Places = Vec<Option<Pairs>>;

/// Goes from site to site.
pub(super) struct Recursion {
    last: Last,
    most: usize,
    /// Sites so far.
    pub sites: u32,
    pub here: Places,
    pub work: f64,
    shares: Vec<f64>,
    /// Shares of walks that are not followed apart.
    rare: f64,
}

impl Recursion {
    /// No site yet; totals up to `most` are followed.
    pub fn new(last: Last, most: usize) -> Self {
        let start = Pairs { first: 0, p: vec![1.0], beyond: 0.0 };
        Self { last, most, sites: 0, here: vec![Some(start)], work: 0.0, shares: Vec::new(), rare: 1e-14 }
    }

    /// The same, but what comes of few walks is told as closely as the rest.
    pub fn closely(self) -> Self {
        Self { rare: 1e-20, ..self }
    }

    /// One site more.
    pub fn step(&mut self) {
        let before = std::mem::take(&mut self.here);
        self.sites += 1;
        self.here = (0..=self.most).map(|total| self.fold(total, &before)).collect();
    }

    /// One site more: walks with alarming pairs, where there are such, end there, as do those that are not `open`. Gives how
    /// many are alarmed, for each total.
    pub fn step_alarmed(
        &mut self,
        open: impl Fn(usize) -> bool,
        alarming: impl Fn(usize) -> Option<usize>,
    ) -> Vec<f64> {
        let before = std::mem::take(&mut self.here);
        let above: Vec<Option<Above>> = before.iter().map(|part| part.as_ref().map(Above::of)).collect();
        self.sites += 1;
        let mut alarms = Vec::with_capacity(self.most + 1);
        for total in 0..=self.most {
            let pairs = alarming(total);
            let mut here = None;
            let alarmed = if open(total) {
                here = self.fold(total, &before);
                pairs.zip(here.as_mut()).map(|(pairs, here)| here.cut(pairs))
            } else {
                // No more than this is needed of walks that end here.
                pairs.map(|pairs| self.at_least(pairs, total, &above))
            };
            self.here.push(here);
            alarms.push(alarmed.unwrap_or(0.0));
        }
        alarms
    }

    /// P(J ≥ pairs) at this total, from the site before.
    fn at_least(&mut self, pairs: usize, total: usize, above: &[Option<Above>]) -> f64 {
        if self.sites == 1 {
            return f64::from(u8::from(pairs_of(total) >= pairs));
        }
        self.last.shares(self.sites, total, &mut self.shares);
        let part = |(x, share): (usize, &f64)| {
            Some(share * above.get(total - x)?.as_ref()?.at(pairs.saturating_sub(pairs_of(x))))
        };
        self.shares.iter().enumerate().filter_map(part).sum()
    }

    fn fold(&mut self, total: usize, before: &[Option<Pairs>]) -> Option<Pairs> {
        if self.sites == 1 {
            return Some(Pairs { first: pairs_of(total), p: vec![1.0], beyond: 0.0 });
        }
        let mut shares = std::mem::take(&mut self.shares);
        self.last.shares(self.sites, total, &mut shares);
        let from = |x: usize| before.get(total - x)?.as_ref();
        let some = || shares.iter().enumerate().filter_map(|(x, &share)| Some((pairs_of(x), share, from(x)?)));
        let parts = || some().filter(|(_, share, _)| *share >= self.rare);
        let first = parts().map(|(pairs, _, part)| part.first + pairs).min();
        let mut work = self.work;
        let found = first.map(|first| {
            let end = parts().map(|(pairs, _, part)| part.first + pairs + part.p.len()).max();
            let mut to = Pairs { first, p: vec![0.0; end.unwrap_or(first) - first], beyond: 0.0 };
            to.beyond = some().map(|(_, share, _)| share).filter(|&share| share < self.rare).sum();
            for (pairs, share, part) in parts() {
                work += part.p.len() as f64 + 8.0;
                let room = to.p.iter_mut().skip(part.first + pairs - first);
                room.zip(&part.p).for_each(|(to, p)| *to += share * p);
                to.beyond += share * part.beyond;
            }
            to.trim();
            to
        });
        (self.shares, self.work) = (shares, work);
        found
    }
}

/// Does a walk go on with this total?
pub(super) fn open(lines: &Lines, sites: u32, total: usize) -> bool {
    Total::try_from(total).is_ok_and(|total| lines.verdict(sites, total) == Verdict::KeepSampling)
}
