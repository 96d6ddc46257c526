//! Groups of enemies counted in columns of their own: each by itself, or in a weighted sum.

use super::cell::shown;
use super::{Counts, FieldWalk, WeightedSum, Weights};
use crate::error::{Code, Error};

impl Counts {
    /// The counts of one of the columns that were added, by itself. A site where only others are missing is there.
    ///
    /// # Errors
    /// As [`Self::chosen`].
    ///
    /// ```
    /// use stopline::counts::{Counts, Reading};
    /// let how = Reading { count: vec!["spiders".into(), "lacewings".into()], ..Reading::default() };
    /// let table = "field,site,spiders,lacewings\nheron,1,2,NA\nheron,2,1,4\n";
    /// let counts = Counts::read(table.as_bytes(), &how)?;
    /// assert_eq!(counts.walks[0].counts, [None, Some(5)]);
    /// assert_eq!(counts.group("spiders")?.walks[0].counts, [Some(2), Some(1)]);
    /// # Ok::<(), stopline::Errors>(())
    /// ```
    pub fn group(&self, name: &str) -> Result<Self, Error> {
        self.chosen(&[name])
    }

    /// The counts of some of the columns, added.
    ///
    /// # Errors
    /// `counts_column` for a column that was not read; `counts_value` for a sum above 2³² − 1; `combination` where columns were not kept apart: rows that are
    /// walks or frequencies, and sites counted to a most.
    pub fn chosen(&self, names: &[&str]) -> Result<Self, Error> {
        let count_columns = names.iter().map(|name| (*name).to_owned()).collect();
        let columns = self.columns(names)?;
        if self.by_group.is_none() {
            return Ok(self.clone());
        }
        let counts = self.sums(&columns.into_iter().map(|column| (column, 1)).collect::<Vec<_>>());
        let count = |sum: Option<u64>| {
            let allowed = "a whole number from 0 to 4294967295";
            let large = |sum: u64| Error::new(Code::CountsValue, "sum of the count columns", sum, allowed);
            sum.map(|sum| u32::try_from(sum).map_err(|_| large(sum))).transpose()
        };
        let walks = self.walks.iter().zip(counts).map(|(walk, counts)| {
            let counts = counts.into_iter().map(count).collect::<Result<_, Error>>()?;
            Ok(FieldWalk { counts, ..walk.clone() })
        });
        let walks = walks.collect::<Result<Vec<FieldWalk>, Error>>()?;
        let mut noticed = self.noticed;
        noticed.missing_sites = walks.iter().map(|walk| walk.missing() as u64).sum();
        Ok(Self { walks, count_columns, by_plant: None, by_group: None, noticed, ..self.clone() })
    }

    /// The weighted sums of the sites; groups without a weight are left out.
    ///
    /// # Errors
    /// As [`Self::chosen`].
    pub fn weighted(&self, weights: &Weights) -> Result<WeightedSum, Error> {
        let names: Vec<&str> = weights.whole().iter().map(|(name, _)| name.as_str()).collect();
        let columns = self.columns(&names)?;
        let whole = weights.whole().iter().map(|(_, weight)| u64::from(*weight));
        let chosen: Vec<(usize, u64)> = columns.into_iter().zip(whole).filter(|(_, weight)| *weight > 0).collect();
        Ok(WeightedSum { weights: weights.clone(), totals: self.sums(&chosen) })
    }

    /// Places of columns.
    fn columns(&self, names: &[&str]) -> Result<Vec<usize>, Error> {
        if self.by_group.is_none() && self.count_columns.len() > 1 {
            let allowed = "columns kept apart: rows that are sites or plants, not counted to a most";
            return Err(Error::about(Code::Combination, "groups of these counts", allowed));
        }
        let place = |name: &&str| {
            self.count_columns.iter().position(|column| column == name).ok_or_else(|| {
                let allowed = format!("one of {}", self.count_columns.join(", "));
                Error::new(Code::CountsColumn, "group", shown(name), allowed)
            })
        };
        names.iter().map(place).collect()
    }

    /// Σ W·x of each site over columns.
    fn sums(&self, columns: &[(usize, u64)]) -> Vec<Vec<Option<u64>>> {
        let of = |groups: &[&[Option<u32>]], sites: usize| -> Vec<Option<u64>> {
            let site = |i: usize| {
                let count = |(column, weight): &(usize, u64)| {
                    let count = groups.get(*column).and_then(|counts| counts.get(i).copied().flatten());
                    count.map(|count| u64::from(count) * weight)
                };
                columns.iter().map(count).sum()
            };
            (0..sites).map(site).collect()
        };
        let walks = self.walks.iter().enumerate();
        walks
            .map(|(i, walk)| match self.by_group.as_ref().and_then(|all| all.get(i)) {
                Some(groups) => of(&groups.iter().map(Vec::as_slice).collect::<Vec<_>>(), walk.sites.len()),
                None => of(&[&walk.counts], walk.sites.len()),
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::Reading;
    use super::*;

    #[test]
    fn weighted_sums_are_whole_numbers_and_miss_only_what_is_weighed() {
        let how = Reading { count: vec!["a".into(), "b".into(), "c".into()], ..Reading::default() };
        let table = "field,site,a,b,c\nheron,1,2,3,NA\nheron,2,NA,1,4\nowl,5,4294967295,0,0\n";
        let counts = Counts::read(table.as_bytes(), &how).unwrap();
        let weights = Weights::new(&[("a", "1"), ("b", "0.5")]).unwrap();
        let sum = counts.weighted(&weights).unwrap();
        assert_eq!(sum.totals, [vec![Some(7), None], vec![Some(2 * 4_294_967_295)]]);
        let b = counts.chosen(&["b"]).unwrap();
        assert_eq!((b.walks[0].counts.clone(), b.noticed.missing_sites), (vec![Some(3), Some(1)], 0));
        let e = counts.group("d").unwrap_err();
        assert_eq!(e.code(), Code::CountsColumn);
    }

    #[test]
    fn groups_of_plants_are_added_over_the_plants() {
        let layout = super::super::Layout::Plants;
        let how = Reading { count: vec!["a".into(), "b".into()], layout, ..Reading::default() };
        let table = "field,site,a,b\nheron,1,2,3\nheron,1,1,NA\nheron,2,0,1\nheron,2,5,0\n";
        let counts = Counts::read(table.as_bytes(), &how).unwrap();
        assert_eq!(counts.group("a").unwrap().walks[0].counts, [Some(3), Some(5)]);
        assert_eq!(counts.group("b").unwrap().walks[0].counts, [None, Some(1)]);
    }
}
