//! The fewest sites at which one cut on the total keeps both risks.

use super::design::Asked;
use crate::law::{Laws, Pool};
use crate::params::MOST_SITES;
use crate::score::Total;

/// A plan with one check: inadequate if the total of `sites` is at most `cut`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fixed {
    /// Number of sites.
    pub sites: u32,
    /// Largest total that is called inadequate.
    pub cut: Total,
    /// P(called adequate) at the inadequate mean.
    pub false_adequate: f64,
    /// P(called inadequate) at the adequate mean.
    pub false_inadequate: f64,
}

/// Totals of one number of sites are looked at up to here; larger ones are "too many sites".
const MOST_TOTALS: f64 = 2e7;

impl Asked<'_> {
    /// The smallest cut at `sites` whose false-adequate risk is kept, with both its risks; `None` where
    /// there are too many totals to look at.
    pub fn cut(&self, sites: u32) -> Option<Fixed> {
        let [low, high] = &self.laws;
        let asked = self.risks.false_adequate().get();
        let mean = low.nodes.iter().map(|(_, l)| l.mean()).fold(0.0, f64::max) * f64::from(sites);
        let mut len = libm::ceil(2.0 * mean) + 64.0;
        while len <= MOST_TOTALS {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // bounded by MOST_TOTALS
            let above = tails(low, sites, len as usize, Side::Above);
            if let Some((cut, &false_adequate)) = above.iter().enumerate().find(|(_, risk)| **risk <= asked) {
                let below = tails(high, sites, cut + 1, Side::Below);
                let false_inadequate = below.last().copied().unwrap_or(0.0);
                return Some(Fixed { sites, cut: Total::try_from(cut).ok()?, false_adequate, false_inadequate });
            }
            len *= 2.0;
        }
        None
    }

    /// The smallest and largest cut at `sites` that keep both risks, where there are any.
    pub fn cuts(&self, sites: u32) -> Option<(Total, Total)> {
        let first = self.cut(sites).filter(|f| self.keeps(f))?;
        let asked = self.risks.false_inadequate().get();
        let start = usize::try_from(first.cut).ok()?;
        let mut len = 2 * start + 64;
        while len as f64 <= MOST_TOTALS {
            let below = tails(&self.laws[1], sites, len, Side::Below);
            if let Some(kept) = below.iter().skip(start).position(|&risk| risk > asked) {
                return Some((first.cut, first.cut + Total::try_from(kept).ok()? - 1));
            }
            len *= 2;
        }
        None
    }

    fn keeps(&self, f: &Fixed) -> bool {
        f.false_adequate <= self.risks.false_adequate().get()
            && f.false_inadequate <= self.risks.false_inadequate().get()
    }

    /// Could a cut with a coin at the boundary keep both risks at `sites`? Unlike a plain cut this can
    /// only become true as sites are added, so the fewest plain sites are not below the first such number.
    fn keeps_with_a_coin(&self, sites: u32) -> bool {
        let Some(f) = self.cut(sites) else { return true };
        let Some(one_less) = usize::try_from(f.cut).ok().filter(|_| !self.keeps(&f)) else { return true };
        if one_less == 0 {
            return false;
        }
        // Between cut − 1 and cut both risks move linearly with the coin.
        let [low, high] = &self.laws;
        let last = |laws, side| tails(laws, sites, one_less, side).last().copied().unwrap_or(0.0);
        let (above, below) = (last(low, Side::Above), last(high, Side::Below));
        let (a, b) = (self.risks.false_adequate().get(), self.risks.false_inadequate().get());
        let coin = ((a - f.false_adequate) / (above - f.false_adequate)).clamp(0.0, 1.0);
        f.false_inadequate + coin * (below - f.false_inadequate) <= b
    }

    /// The fewest sites, among those `allowed`, whose cut keeps both risks; `None` where more than
    /// [`MOST_SITES`] sites or twenty million totals would be needed.
    pub fn fewest_fixed(&self, allowed: impl Fn(u32) -> bool) -> Option<Fixed> {
        let (mut below, mut at) = (0, 1);
        while !self.keeps_with_a_coin(at) {
            below = at;
            if at >= MOST_SITES {
                return None;
            }
            at = (at * 2).min(MOST_SITES);
        }
        while at - below > 1 {
            let middle = below + (at - below) / 2;
            if self.keeps_with_a_coin(middle) {
                at = middle;
            } else {
                below = middle;
            }
        }
        (at..=MOST_SITES).filter(|&n| allowed(n)).map_while(|n| self.cut(n)).find(|f| self.keeps(f))
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Side {
    Above,
    Below,
}

/// P(total of `sites` > t), or P(total ≤ t), for t = 0, 1, … below `len`, pooled over the laws.
fn tails(laws: &Laws, sites: u32, len: usize, side: Side) -> Vec<f64> {
    let mut pooled = vec![0.0_f64; len];
    let mut p = Vec::new();
    for (weight, law) in &laws.nodes {
        law.batch(sites, len, &mut p);
        let mut below = 0.0;
        for (sum, p) in pooled.iter_mut().zip(p.iter().chain(std::iter::repeat(&0.0))) {
            below += p;
            let mass = if side == Side::Below { below } else { (1.0 - below).max(0.0) };
            *sum = match laws.pool {
                Pool::Average => *sum + weight * mass,
                Pool::Worst => sum.max(mass),
            };
        }
    }
    pooled
}
