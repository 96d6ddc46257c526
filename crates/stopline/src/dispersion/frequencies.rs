//! Counts of one walk as a table of frequencies: all that any estimate of k needs of them.
//!
//! Sums are exact: sums of squares of counts up to 5·10¹² pass 2⁶⁴, so they are kept in 128 bits, and
//! whether a walk is over-dispersed at all is decided on whole numbers.

use super::tally::tally;
use crate::error::{Code, Error};

/// Distinct counts of the sites of one walk with their frequencies, and exact sums over the sites.
///
/// ```
/// use stopline::dispersion::Frequencies;
/// let walk = Frequencies::of(&[0, 3, 1, 0, 8])?;
/// assert_eq!((walk.sites(), walk.sum(), walk.mean()), (5, 12, Some(2.4)));
/// assert_eq!(walk.table(), [(0, 2), (1, 1), (3, 1), (8, 1)]);
/// # Ok::<(), stopline::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Frequencies {
    table: Vec<(u64, u64)>,
    sites: u64,
    sum: u128,
    squares: u128,
}

/// Below this many sites a short tally is enough.
const FEW_SITES: usize = 10_000;

impl Frequencies {
    /// The table of one walk's counts, in any order.
    ///
    /// # Errors
    /// `out_of_range` where sites × Σx² passes 2¹²⁷.
    pub fn of(counts: &[u32]) -> Result<Self, Error> {
        if counts.len() < FEW_SITES { Self::tallied::<64>(counts) } else { Self::tallied::<1024>(counts) }
    }

    /// The table of counts that may be larger than 2³².
    ///
    /// # Errors
    /// `out_of_range` where sites × Σx² passes 2¹²⁷.
    pub fn of_large(counts: &[u64]) -> Result<Self, Error> {
        Self::from_table(counts.iter().map(|&value| (value, 1)))
    }

    /// From pairs (count, number of sites with it), in any order; a count may occur more than once.
    ///
    /// # Errors
    /// `out_of_range` where sites × Σx² passes 2¹²⁷.
    pub fn from_table(pairs: impl IntoIterator<Item = (u64, u64)>) -> Result<Self, Error> {
        let mut pairs: Vec<_> = pairs.into_iter().collect();
        pairs.sort_unstable();
        let mut all = Self::default();
        all.extend(pairs.into_iter())?;
        Ok(all)
    }

    /// Counts below `BINS` (at most 1024) by tally, the others by sorting.
    fn tallied<const BINS: usize>(counts: &[u32]) -> Result<Self, Error> {
        let tally = tally::<BINS>(counts);
        let mut all = Self { table: Vec::with_capacity(BINS), ..Self::default() };
        // Of counts below 2¹⁰ at fewer than 2⁴⁰ sites no sum passes 2⁶⁰.
        let (mut sum, mut squares) = (0, 0);
        for (value, sites) in (0..).zip(tally).take(BINS - 1).filter(|&(_, sites)| sites > 0) {
            all.table.push((value, sites));
            all.sites += sites;
            sum += value * sites;
            squares += value * value * sites;
        }
        (all.sum, all.squares) = (u128::from(sum), u128::from(squares));
        if tally.last() > Some(&0) {
            let mut large: Vec<u32> = counts.iter().copied().filter(|&count| count as usize >= BINS - 1).collect();
            large.sort_unstable();
            all.extend(large.into_iter().map(|value| (u64::from(value), 1)))?;
        }
        Ok(all)
    }

    /// Adds pairs that rise, none below what is there.
    fn extend(&mut self, pairs: impl Iterator<Item = (u64, u64)>) -> Result<(), Error> {
        for (value, sites) in pairs.filter(|&(_, sites)| sites > 0) {
            self.add(value, sites)
                .ok_or_else(|| Error::new(Code::OutOfRange, "count", value, "counts with sites × Σx² below 2¹²⁷"))?;
        }
        Ok(())
    }

    /// `None` where a sum would leave its range.
    fn add(&mut self, value: u64, sites: u64) -> Option<()> {
        let (x, n) = (u128::from(value), u128::from(sites));
        self.sites = self.sites.checked_add(sites)?;
        self.squares = (x * x).checked_mul(n)?.checked_add(self.squares)?;
        // n·Σx² bounds (Σx)² and n·Σx too: no whole number below overflows.
        i128::try_from(self.squares.checked_mul(u128::from(self.sites))?).ok()?;
        self.sum += x * n;
        match self.table.last_mut() {
            Some(last) if last.0 == value => last.1 += sites,
            _ => self.table.push((value, sites)),
        }
        Some(())
    }

    /// Distinct counts, rising, each with the number of sites that had it.
    #[must_use]
    pub fn table(&self) -> &[(u64, u64)] {
        &self.table
    }
    /// Number of sites n.
    #[must_use]
    pub fn sites(&self) -> u64 {
        self.sites
    }
    /// Σx over the sites.
    #[must_use]
    pub fn sum(&self) -> u128 {
        self.sum
    }
    /// Σx² over the sites.
    #[must_use]
    pub fn sum_of_squares(&self) -> u128 {
        self.squares
    }
    /// The largest count; 0 without sites.
    #[must_use]
    pub fn largest(&self) -> u64 {
        self.table.last().map_or(0, |&(value, _)| value)
    }
    /// Number of sites where something was found.
    #[must_use]
    pub fn sites_with_any(&self) -> u64 {
        match self.table.first() {
            Some(&(0, zeros)) => self.sites - zeros,
            _ => self.sites,
        }
    }

    /// Mean per site Σx/n; `None` without sites.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.sites > 0).then(|| self.sum as f64 / self.sites as f64)
    }

    /// Variance of the sites with divisor n − 1; `None` below two sites.
    #[must_use]
    pub fn variance(&self) -> Option<f64> {
        (self.sites > 1).then(|| self.squared_spread() as f64 / self.sites as f64 / (self.sites - 1) as f64)
    }

    /// Morisita's index n·Σx(x−1)/(T(T−1)), T = Σx: 1 where individuals fall independently, more where they are clumped
    /// (Morisita 1959, Mem. Fac. Sci. Kyushu Univ. E 2:215–235); `None` below two individuals.
    #[must_use]
    pub fn morisita_index(&self) -> Option<f64> {
        let pairs = (self.squares - self.sum) as f64;
        (self.sum > 1).then(|| self.sites as f64 * pairs / (self.sum as f64 * (self.sum as f64 - 1.0)))
    }

    /// Mean crowding m + s²/m − 1: others at the site of an individual, on average (Lloyd 1967, J. Anim. Ecol. 36:1–30,
    /// doi:10.2307/3012); `None` below two sites or without any found.
    #[must_use]
    pub fn mean_crowding(&self) -> Option<f64> {
        let (m, s2) = self.mean().zip(self.variance())?;
        (m > 0.0).then(|| m + s2 / m - 1.0)
    }

    /// n·Σx² − (Σx)² = n·Σ(x − m)², exact.
    pub(super) fn squared_spread(&self) -> u128 {
        u128::from(self.sites) * self.squares - self.sum * self.sum
    }

    /// D = n·Σx² − (Σx)² − n·Σx, exact: more than 0 exactly where Σ(x − m)² > n·m.
    pub(super) fn excess(&self) -> i128 {
        // Both parts are below 2¹²⁷, see `add`.
        self.squared_spread().cast_signed() - (u128::from(self.sites) * self.sum).cast_signed()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_exact_past_64_bits() {
        let walk = Frequencies::of_large(&[5_023_886_187_314, 7, 5_023_886_187_314]).unwrap();
        let large = 5_023_886_187_314_u128;
        assert_eq!(walk.sum_of_squares(), 2 * large * large + 49);
        assert_eq!(walk.table(), [(7, 1), (5_023_886_187_314, 2)]);
        assert_eq!(walk.squared_spread(), 2 * (large - 7) * (large - 7));
    }

    #[test]
    fn refuses_what_it_could_not_add_exactly() {
        let e = Frequencies::from_table([(u64::MAX, 2)]).unwrap_err();
        assert_eq!(e.code(), Code::OutOfRange);
        assert!(Frequencies::from_table([(1, u64::MAX), (1, 1)]).is_err());
        assert!(Frequencies::from_table([(1, u64::MAX), (3, 0)]).is_err());
    }

    #[test]
    fn small_and_large_counts_meet() {
        let counts: Vec<u32> = (0..1000).map(|i| (i * i) % 511).collect();
        let slow = Frequencies::from_table(counts.iter().map(|&x| (u64::from(x), 1))).unwrap();
        assert_eq!(Frequencies::of(&counts).unwrap(), slow);
        assert_eq!(slow.table().iter().map(|&(_, sites)| sites).sum::<u64>(), 1000);
        assert_eq!(Frequencies::of(&[]).unwrap(), Frequencies::default());
    }
}
