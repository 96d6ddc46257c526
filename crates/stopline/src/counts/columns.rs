//! Counts that are already columns in memory, as bindings to other languages hold them.

use super::Counts;
use super::header::Names;
use super::reading::Layout;
use super::walks::{Cells, Walks};
use crate::error::{Code, Error, Errors};
use crate::params::Plants;
use std::collections::BTreeMap;

/// Columns of equal length, one place per site; `None` is a missing value.
///
/// Numbers are as other languages hold them; they are checked like those of a file, so that 3.0 is
/// 3, and 3.5, −1 and NaN are refused.
#[derive(Debug, Clone)]
pub struct Columns<'a> {
    /// Names of the fields.
    pub field: &'a [&'a str],
    /// Names of the visits; without them all sites are of one visit.
    pub visit: Option<&'a [&'a str]>,
    /// Numbers of the sites, rising along each walk; without them the sites of a walk are 1, 2, … in
    /// the order given.
    pub site: Option<&'a [Option<f64>]>,
    /// Plants at each site.
    pub plants: Option<&'a [Option<f64>]>,
    /// Both coordinates of each site, or its row and its step along it.
    pub place: Option<[&'a [Option<f64>]; 2]>,
    /// Who counted each site; an empty name is not known.
    pub observer: Option<&'a [&'a str]>,
    /// Names and columns of counts; several are added.
    pub counts: &'a [(&'a str, &'a [Option<f64>])],
}

impl Counts {
    /// Counts from columns, through the same checks as [`Counts::read`]; in errors, row 1 is the first
    /// place of the columns.
    ///
    /// With `plants_wanted`, sites of another size are dropped and counted.
    ///
    /// # Errors
    /// `combination` where the columns differ in length, `counts_column` without a column of counts,
    /// and the codes of [`Counts::read`] that concern rows.
    ///
    /// ```
    /// use stopline::counts::{Columns, Counts};
    /// let counts = Counts::from_columns(
    ///     &Columns {
    ///         field: &["heron", "heron"],
    ///         visit: None,
    ///         site: Some(&[Some(1.0), Some(2.0)]),
    ///         plants: Some(&[Some(3.0), Some(3.0)]),
    ///         place: None,
    ///         observer: None,
    ///         counts: &[("spiders", &[Some(2.0), None]), ("lacewings", &[Some(1.0), Some(0.0)])],
    ///     },
    ///     None,
    /// )?;
    /// assert_eq!(counts.walks[0].counts, [Some(3), None]);
    /// # Ok::<(), stopline::Errors>(())
    /// ```
    pub fn from_columns(columns: &Columns<'_>, plants_wanted: Option<Plants>) -> Result<Self, Errors> {
        let &Columns { field, visit, site, plants, place, observer, counts } = columns;
        let lengths =
            [("visit", visit.map(<[_]>::len)), ("site", site.map(<[_]>::len)), ("plants", plants.map(<[_]>::len))];
        let beside = place.into_iter().flatten().map(|column| ("place", Some(column.len())));
        let beside = beside.chain([("observer", observer.map(<[_]>::len))]);
        let lengths =
            lengths.into_iter().chain(beside).chain(counts.iter().map(|(name, column)| (*name, Some(column.len()))));
        let bad: Vec<Error> = lengths
            .filter_map(|(name, length)| {
                let length = length.filter(|&length| length != field.len())?;
                let what = format!("length of column {name}");
                Some(Error::new(Code::Combination, what, length, format!("{}, as of column field", field.len())))
            })
            .chain(counts.is_empty().then(|| {
                Error::new(Code::CountsColumn, super::COUNT_COLUMN, "not given", "at least one column of counts")
            }))
            .collect();
        Errors::or(bad, || ())?;

        let names = Names {
            field: "field".to_owned(),
            visit: visit.map(|_| "visit".to_owned()),
            site: Some("site".to_owned()),
            plants: plants.map(|_| "plants".to_owned()),
            plant: None,
            place: place.map(|_| ["first of place".to_owned(), "second of place".to_owned()]),
            observer: observer.map(|_| "observer".to_owned()),
            counts: counts.iter().map(|(name, _)| (*name).to_owned()).collect(),
        };
        let missing = [String::new()];
        let mut walks = Walks::new(names, &missing, None, plants_wanted, Layout::Sites);
        let mut last_sites = BTreeMap::<_, u32>::new();
        for (i, (field, row)) in field.iter().zip(1..).enumerate() {
            // As text, so that there is one set of checks; + 0.0 turns −0 into 0.
            let number = |column: &[Option<f64>]| match column.get(i) {
                Some(Some(x)) => (x + 0.0).to_string(),
                _ => String::new(),
            };
            let visit = visit.and_then(|visit| visit.get(i)).copied();
            let site = site.map(number).unwrap_or_else(|| {
                let last = last_sites.entry((*field, visit)).or_default();
                *last += 1;
                last.to_string()
            });
            let plants = plants.map(number);
            let place = place.map(|columns| columns.map(number));
            let cells = Cells {
                field,
                visit,
                site: &site,
                plants: plants.as_deref(),
                plant: None,
                place: place.as_ref().map(|both| both.each_ref().map(String::as_str)),
                observer: observer.and_then(|column| column.get(i)).copied(),
            };
            let counts: Vec<String> = counts.iter().map(|(_, column)| number(column)).collect();
            walks.row(row, cells, counts.iter().map(String::as_str));
        }
        walks.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SITES: [Option<f64>; 3] = [Some(1.0), Some(2.0), Some(3.0)];

    fn read(site: &[Option<f64>], counts: &[Option<f64>]) -> Result<Counts, Errors> {
        let columns = Columns {
            field: &["heron"; 3],
            visit: Some(&["1"; 3]),
            site: Some(site),
            plants: None,
            place: None,
            observer: None,
            counts: &[("count", counts)],
        };
        Counts::from_columns(&columns, Some(Plants::ONE))
    }

    #[test]
    fn numbers_are_checked_like_cells() {
        let counts = read(&SITES, &[Some(-0.0), None, Some(4_294_967_295.0)]).unwrap();
        assert_eq!(counts.walks[0].counts, [Some(0), None, Some(u32::MAX)]);
        assert_eq!((counts.separator, counts.plants), (None, Plants::ONE));
        for bad in [3.5, -1.0, f64::NAN, f64::INFINITY, 4_294_967_296.0, 1e300] {
            let e = read(&SITES, &[Some(1.0), Some(bad), Some(0.0)]).unwrap_err();
            let [e] = e.as_slice() else { panic!("one error") };
            assert_eq!((e.code(), e.place().row), (Code::CountsValue, Some(2)), "{bad}");
        }
        let e = read(&[Some(1.0), Some(1.0), None], &SITES).unwrap_err();
        let codes: Vec<_> = e.as_slice().iter().map(Error::code).collect();
        assert_eq!(codes, [Code::CountsRepeated, Code::CountsValue]);
        // 1 + 2 = 3, at no site.
        let e = read(&[Some(1.0), Some(2.0), None], &SITES).unwrap_err();
        assert_eq!(e.as_slice()[0].code(), Code::CountsTotal);
    }

    #[test]
    fn sites_without_numbers_are_numbered_along_their_walk() {
        let (field, visit) = (["heron", "plover", "heron", "heron"], ["1", "1", "2", "1"]);
        let counts = [Some(3.0), Some(1.0), None, Some(0.0)];
        let columns = Columns {
            field: &field,
            visit: Some(&visit),
            site: None,
            plants: None,
            place: None,
            observer: None,
            counts: &[("count", &counts)],
        };
        let walks = Counts::from_columns(&columns, None).unwrap().walks;
        let sites: Vec<_> = walks.iter().map(|w| (w.field.as_str(), w.visit.as_str(), &w.sites[..])).collect();
        assert_eq!(sites, [("heron", "1", &[1, 2][..]), ("plover", "1", &[1]), ("heron", "2", &[1])]);
    }

    #[test]
    fn columns_must_fit_together() {
        let e = read(&SITES[..2], &SITES).unwrap_err();
        assert_eq!(e.to_string(), "length of column site is 2; allowed: 3, as of column field");
        let none =
            Columns { field: &[], visit: None, site: None, plants: None, place: None, observer: None, counts: &[] };
        assert_eq!(Counts::from_columns(&none, None).unwrap_err().as_slice()[0].code(), Code::CountsColumn);
        let empty = Columns { counts: &[("count", &[])], ..none };
        assert_eq!(Counts::from_columns(&empty, None).unwrap_err().as_slice()[0].code(), Code::CountsEmpty);
    }
}
