//! What stands beside the count of a site: the counts of its groups, its place, and who counted it.

use super::{Cells, Walks};
use crate::counts::cell::shown;
use crate::error::{Code, Error};

/// Largest coordinate, on either side of 0.
const FARTHEST: f64 = 1e9;

/// What stands beside one count.
#[derive(Debug, Default)]
pub(super) struct Beside {
    /// The counts that were added, where there are several.
    pub groups: Vec<Option<u32>>,
    /// Where columns of places are read.
    pub place: Option<Place>,
    /// Where a column of observers is read.
    pub observer: Option<Observer>,
}

/// A place, or none where it is not known.
type Place = Option<[f64; 2]>;
/// The number of an observer, or none where nobody is named.
type Observer = Option<usize>;

/// The same of all sites of a walk.
#[derive(Debug, Default)]
pub(super) struct AllBeside {
    pub groups: Vec<Vec<Option<u32>>>,
    pub places: Vec<Place>,
    pub observers: Vec<Observer>,
}

impl AllBeside {
    /// Puts that of a site behind the others.
    pub fn push(&mut self, beside: &Beside) {
        self.groups.resize(beside.groups.len(), Vec::new());
        self.groups.iter_mut().zip(&beside.groups).for_each(|(all, count)| all.push(*count));
        self.places.extend(beside.place);
        self.observers.extend(beside.observer);
    }

    /// Adds the counts of one more plant to those of the last site.
    pub fn add(&mut self, beside: &Beside) {
        let last = self.groups.iter_mut().filter_map(|all| all.last_mut());
        last.zip(&beside.groups).for_each(|(sum, count)| {
            *sum = sum.zip(*count).and_then(|(sum, count)| sum.checked_add(count));
        });
    }

    /// Whether place and observer are those of the last site.
    pub fn is_last(&self, beside: &Beside) -> bool {
        self.places.last().copied() == beside.place && self.observers.last().copied() == beside.observer
    }
}

impl Walks<'_> {
    /// Place and observer of a row; what is wrong with them is noted.
    pub(super) fn beside(&mut self, row: u64, cells: Cells<'_>, groups: Vec<Option<u32>>) -> Beside {
        let mut place = [None; 2];
        for (i, (to, cell)) in place.iter_mut().zip(cells.place.into_iter().flatten()).enumerate() {
            let cell = cell.trim();
            if self.is_missing(cell) {
                continue;
            }
            *to = cell.parse::<f64>().ok().filter(|x| x.abs() <= FARTHEST);
            if to.is_none() {
                let column = self.names.place.as_ref().and_then(|names| names.get(i)).cloned();
                let allowed =
                    format!("a number from -{FARTHEST:.0} to {FARTHEST:.0}, or nothing where it is not known");
                let e = Error::new(Code::CountsValue, "place", shown(cell), allowed);
                self.refuse(e.at(row, column.as_deref()));
            }
        }
        let [x, y] = place;
        let place = cells.place.map(|_| x.zip(y).map(|(x, y)| [x, y]));
        let observer = cells.observer.map(str::trim).map(|name| {
            let next = self.observers.len();
            (!self.is_blank(name)).then(|| *self.observers.entry(name.to_owned()).or_insert(next))
        });
        Beside { groups, place, observer }
    }
}
