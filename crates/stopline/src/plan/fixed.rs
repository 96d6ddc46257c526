//! The fewest sites at which one cut on the total keeps both risks.

use super::design::Asked;
use crate::error::{Code, Error};
use crate::law::{Laws, Pool};
use crate::lines::{Lines, Row};
use crate::params::MOST_SITES;
use crate::score::Total;
use crate::watch::Watch;
use std::borrow::Cow;

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

impl Fixed {
    /// The one check.
    pub(super) fn lines(&self) -> Result<Lines, Error> {
        Lines::new(vec![Row::two_calls(self.sites, Some(self.cut), Some(self.cut + 1), None)])
    }
}

/// Totals of one number of sites are looked at up to here.
const MOST_TOTALS: f64 = 4e6;

impl Asked<'_> {
    /// The smallest cut at `sites` whose false-adequate risk is kept, with both its risks.
    ///
    /// # Errors
    /// `too_much_work` where there are too many totals to look at; `interrupted`.
    pub fn cut(&self, sites: u32, watch: &dyn Watch) -> Result<Fixed, Error> {
        let [low, high] = &self.laws;
        let asked = self.risks.false_adequate().get();
        let mean = low.nodes.iter().map(|(_, l)| l.mean()).fold(0.0, f64::max) * f64::from(sites);
        let mut len = libm::ceil(2.0 * mean) + 64.0;
        loop {
            let above = self.tails(low, sites, len, Side::Above, watch)?;
            if let Some((cut, &false_adequate)) = above.iter().enumerate().find(|(_, risk)| **risk <= asked) {
                let below = self.tails(high, sites, (cut + 1) as f64, Side::Below, watch)?;
                let false_inadequate = below.last().copied().unwrap_or(0.0);
                return Ok(Fixed { sites, cut: total(cut), false_adequate, false_inadequate });
            }
            len *= 2.0;
        }
    }

    /// The largest total that may be called inadequate at `sites` with the false-inadequate risk kept, from
    /// −1 (none).
    fn highest_inadequate(&self, sites: u32, at_least: Total, watch: &dyn Watch) -> Result<Total, Error> {
        let asked = self.risks.false_inadequate().get();
        let mut len = 2.0 * at_least as f64 + 64.0;
        loop {
            let below = self.tails(&self.laws[1], sites, len, Side::Below, watch)?;
            if let Some(above) = below.iter().position(|&risk| risk > asked) {
                return Ok(total(above) - 1);
            }
            len *= 2.0;
        }
    }

    /// The smallest and largest cut at `sites` that keep both risks, where there are any.
    ///
    /// # Errors
    /// As [`Self::cut`].
    pub fn cuts(&self, sites: u32, watch: &dyn Watch) -> Result<Option<(Total, Total)>, Error> {
        let first = self.cut(sites, watch)?;
        if !self.keeps(&first) {
            return Ok(None);
        }
        Ok(Some((first.cut, self.highest_inadequate(sites, first.cut, watch)?)))
    }

    /// For a first check at `sites`: the smallest total from which adequate can be called there and the
    /// false-adequate risk still be kept, and the largest up to which inadequate can be, −1 for none.
    ///
    /// # Errors
    /// As [`Self::cut`].
    pub fn bounds_of_lines(&self, sites: u32, watch: &dyn Watch) -> Result<[Total; 2], Error> {
        let cut = self.cut(sites, watch)?.cut;
        Ok([cut + 1, self.highest_inadequate(sites, cut, watch)?])
    }

    fn keeps(&self, f: &Fixed) -> bool {
        f.false_adequate <= self.risks.false_adequate().get()
            && f.false_inadequate <= self.risks.false_inadequate().get()
    }

    /// Could a cut with a coin at the boundary keep both risks at `sites`? Unlike a plain cut this can
    /// only become true as sites are added, so the fewest plain sites are not below the first such number.
    fn keeps_with_a_coin(&self, sites: u32, watch: &dyn Watch) -> Result<bool, Error> {
        let f = self.cut(sites, watch)?;
        if self.keeps(&f) {
            return Ok(true);
        }
        if f.cut == 0 {
            return Ok(false);
        }
        // Between cut − 1 and cut both risks move linearly with the coin.
        let [low, high] = &self.laws;
        let last = |laws, side| -> Result<f64, Error> {
            Ok(self.tails(laws, sites, f.cut as f64, side, watch)?.last().copied().unwrap_or(0.0))
        };
        let (above, below) = (last(low, Side::Above)?, last(high, Side::Below)?);
        let (a, b) = (self.risks.false_adequate().get(), self.risks.false_inadequate().get());
        let coin = ((a - f.false_adequate) / (above - f.false_adequate)).clamp(0.0, 1.0);
        Ok(f.false_inadequate + coin * (below - f.false_inadequate) <= b)
    }

    /// A cap below which no plan whatever keeps both risks (Neyman & Pearson 1933): where both laws are of one
    /// family, the fewest sites at which a cut with a coin does. 1 where that says nothing.
    ///
    /// # Errors
    /// As [`Self::cut`].
    pub fn fewest_of_any_plan(&self, watch: &dyn Watch) -> Result<u32, Error> {
        match self.laws.each_ref().map(|laws| laws.nodes.as_slice()) {
            [[(_, low)], [(_, high)]] if low.tilt_to(high).is_some() => {
                Ok(self.fewest_with_a_coin(watch)?.unwrap_or(1))
            }
            _ => Ok(1),
        }
    }

    /// The fewest sites at which a cut with a coin keeps both risks; `None` above [`MOST_SITES`].
    fn fewest_with_a_coin(&self, watch: &dyn Watch) -> Result<Option<u32>, Error> {
        let (mut below, mut at) = (0, 1);
        while !self.keeps_with_a_coin(at, watch)? {
            below = at;
            if at >= MOST_SITES {
                return Ok(None);
            }
            at = (at * 2).min(MOST_SITES);
        }
        while at - below > 1 {
            let middle = below + (at - below) / 2;
            if self.keeps_with_a_coin(middle, watch)? {
                at = middle;
            } else {
                below = middle;
            }
        }
        Ok(Some(at))
    }

    /// The fewest sites, among those `allowed`, whose cut keeps both risks; `None` where more than
    /// [`MOST_SITES`] would be needed.
    ///
    /// # Errors
    /// As [`Self::cut`].
    pub fn fewest_fixed(&self, allowed: impl Fn(u32) -> bool, watch: &dyn Watch) -> Result<Option<Fixed>, Error> {
        let derive = |asked: &Self| {
            let Some(first) = asked.fewest_with_a_coin(watch)? else { return Ok(None) };
            for sites in (first..=MOST_SITES).filter(|&n| allowed(n)) {
                let fixed = asked.cut(sites, watch)?;
                if asked.keeps(&fixed) {
                    return Ok(Some(fixed));
                }
            }
            Ok(None)
        };
        self.at_every_k(|fixed: &Fixed| fixed.lines().map(Cow::Owned), derive, watch)
    }

    /// P(total of `sites` > t), or P(total ≤ t), for t = 0, 1, … below `len`, pooled over the laws.
    fn tails(&self, laws: &Laws, sites: u32, len: f64, side: Side, watch: &dyn Watch) -> Result<Vec<f64>, Error> {
        if len > MOST_TOTALS {
            let what = format!("totals of {sites} sites");
            let allowed = format!("at most {MOST_TOTALS:.0e}: lower means, fewer sites or larger risks");
            return Err(Error::new(Code::TooMuchWork, what, format!("up to {len:.0e}"), allowed));
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // whole, at most MOST_TOTALS
        let whole = len as usize;
        let mut pooled = vec![0.0_f64; whole];
        let mut p = Vec::new();
        for (weight, law) in &laws.nodes {
            self.spend(law.work_of_bulk(sites, len), watch)?;
            law.bulk(sites, whole, &mut p);
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
        Ok(pooled)
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Side {
    Above,
    Below,
}

fn total(place: usize) -> Total {
    Total::try_from(place).unwrap_or(Total::MAX)
}
