//! From checked rows to walks.
//!
//! Every row is looked at on its own, then against the rows of its walk; whatever is wrong is noted
//! and the next row read, so that all bad rows are reported at once. A row with a bad count still
//! takes its place in the walk, so that a later row with the same site is found as well.

mod beside;
mod layouts;

use super::cell::{self, WHOLE, shown, whole};
use super::header::Names;
use super::{Counts, FieldWalk, Layout, Noticed, Observers, PlantsFrom, Separator};
use crate::error::{Code, Error, Errors};
use crate::params::Plants;
use beside::{AllBeside, Beside};
use std::collections::BTreeMap;

/// Most findings that are kept; the others are counted.
const KEPT: usize = 1000;
/// The visit of every row where no column names one.
const ONLY_VISIT: &str = "1";

/// The cells of a row that say which site it is.
#[derive(Clone, Copy)]
pub(super) struct Cells<'a> {
    pub field: &'a str,
    pub visit: Option<&'a str>,
    pub site: &'a str,
    pub plants: Option<&'a str>,
    pub plant: Option<&'a str>,
    pub place: Option<[&'a str; 2]>,
    pub observer: Option<&'a str>,
}

/// A walk being gathered, with what its checks need of earlier rows.
#[derive(Default)]
struct Open {
    walk: FieldWalk,
    rows: Vec<u64>,
    plants: Vec<Option<Plants>>,
    sum: u64,
    /// The counts of the plants of each site, where they stand apart.
    by_plant: Vec<Vec<Option<u32>>>,
    /// What tells the plants of the last site apart.
    plants_named: Vec<String>,
    beside: AllBeside,
}

/// Gathers rows into walks and findings.
pub(super) struct Walks<'h> {
    names: Names,
    missing: &'h [String],
    separator: Option<Separator>,
    wanted: Option<Plants>,
    counted_to: Option<u32>,
    layout: Layout,
    open: Vec<Open>,
    /// Place in `open`, by field and visit.
    places: BTreeMap<String, BTreeMap<String, usize>>,
    /// Observers by name, with their place in the order in which they are first met.
    observers: BTreeMap<String, usize>,
    /// The walk of the row before.
    last: usize,
    sum: u64,
    /// Rows of sites with another number of plants than wanted, by that number.
    dropped: BTreeMap<Plants, u64>,
    rows: u64,
    found: Vec<Error>,
    more: u64,
}

impl<'h> Walks<'h> {
    pub fn new(
        names: Names,
        missing: &'h [String],
        separator: Option<Separator>,
        wanted: Option<Plants>,
        layout: Layout,
    ) -> Self {
        Self {
            names,
            missing,
            separator,
            wanted,
            counted_to: None,
            layout,
            open: Vec::new(),
            places: BTreeMap::new(),
            observers: BTreeMap::new(),
            last: 0,
            sum: 0,
            dropped: BTreeMap::new(),
            rows: 0,
            found: Vec::new(),
            more: 0,
        }
    }

    /// Sites are counted to `most`, if there is one, and no further.
    pub fn counted_to(self, most: Option<u32>) -> Self {
        Self { counted_to: most, ..self }
    }

    /// Notes something wrong.
    pub fn refuse(&mut self, e: Error) {
        if self.found.len() < KEPT { self.found.push(e) } else { self.more += 1 }
    }

    /// Takes in one row; `counts` in the order of the named columns.
    pub fn row<'c>(&mut self, row: u64, cells: Cells<'_>, counts: impl Iterator<Item = &'c str>) {
        self.rows += 1;
        let field = cells.field.trim();
        let visit = cells.visit.map_or(ONLY_VISIT, str::trim);
        let site = cells.site.trim();
        let mut groups = Vec::new();
        let names = self.names.counts.iter().map(String::as_str);
        let (count, mut bad) = self.count(row, names.zip(counts), &mut groups);
        let number = whole(site);
        if number.is_none() && self.is_total([field, visit, site], count) {
            let value = format!("{} in a row that seems to add up others", shown(site));
            let allowed = "one row a site; leave rows of totals out";
            return self
                .refuse(Error::new(Code::CountsTotal, "site", value, allowed).at(row, self.names.site.as_deref()));
        }
        let plants = match self.plants(row, cells.plants.map(str::trim), count.is_none()) {
            Ok(plants) => plants,
            Err(e) => {
                bad.push(e);
                None
            }
        };
        if let (Some(plants), Some(wanted), Some(_)) = (plants, self.wanted, number)
            && plants != wanted
        {
            *self.dropped.entry(plants).or_default() += 1;
            return;
        }
        let mut refused = |what: &str, column: Option<&str>, value: &str, allowed: &str| {
            bad.push(Error::new(Code::CountsValue, what, shown(value), allowed).at(row, column));
        };
        let no_field = self.is_blank(field);
        if no_field {
            refused("field", Some(&self.names.field), field, "a name");
        }
        let no_visit = self.is_blank(visit);
        if no_visit {
            refused("visit", self.names.visit.as_deref(), visit, "a name, number or date");
        }
        if number.is_none() {
            refused("site", self.names.site.as_deref(), site, &format!("{WHOLE}, rising along the walk"));
        }
        for e in bad {
            self.refuse(e);
        }
        let beside = self.beside(row, cells, groups);
        if let Some(number) = number
            && !no_field
            && !no_visit
        {
            match cells.plant.map(str::trim) {
                _ if self.layout != Layout::Plants => self.place(row, [field, visit], number, plants, count, &beside),
                plant => self.plant(row, [field, visit], number, plant, count, &beside),
            }
        }
    }

    fn is_missing(&self, cell: &str) -> bool {
        self.missing.iter().any(|m| m == cell)
    }

    /// The most that a site is counted to, where a cell says that there is as much or more.
    fn at_most(&self, cell: &str) -> Option<u32> {
        self.counted_to.filter(|most| cell.strip_suffix('+').and_then(whole) == Some(*most))
    }

    /// Whether a cell that is no count holds nothing; a number that stands for a missing count (`99`)
    /// may still be a site or a name.
    fn is_blank(&self, cell: &str) -> bool {
        cell.is_empty() || (whole(cell).is_none() && self.is_missing(cell))
    }

    /// The counts of a row added, or `None` where one of them is missing or refused; each of several into `groups`.
    fn count<'n, 'c>(
        &self,
        row: u64,
        counts: impl Iterator<Item = (&'n str, &'c str)>,
        groups: &mut Vec<Option<u32>>,
    ) -> (Option<u32>, Vec<Error>) {
        // Sites counted to a most are so as a whole.
        let apart = self.names.counts.len() > 1
            && self.counted_to.is_none()
            && matches!(self.layout, Layout::Sites | Layout::Plants);
        let (mut sum, mut missing, mut bad) = (0_u64, false, Vec::new());
        for (name, cell) in counts {
            let cell = cell.trim();
            let known = whole(cell).or_else(|| self.at_most(cell)).filter(|_| !self.is_missing(cell));
            if apart {
                groups.push(known);
            }
            if self.is_missing(cell) {
                missing = true;
            } else if let Some(count) = known {
                sum += u64::from(count);
            } else {
                let mut allowed = format!("{WHOLE}, or {} where missing", self.missing_words());
                if let Some(most) = self.counted_to {
                    allowed += &format!(", or {most}+");
                }
                if self.separator == Some(Separator::Semicolon) && cell::has_decimal_comma(cell) {
                    allowed += " (this one has a decimal comma: write 3, not 3,0)";
                }
                bad.push(Error::new(Code::CountsValue, "count", shown(cell), allowed).at(row, Some(name)));
            }
        }
        if missing || !bad.is_empty() {
            return (None, bad);
        }
        let sum = self.counted_to.map_or(sum, |most| sum.min(most.into()));
        let count = u32::try_from(sum).ok();
        if count.is_none() {
            bad.push(Error::new(Code::CountsValue, "sum of the count columns", sum, WHOLE).at(row, None));
        }
        (count, bad)
    }

    fn missing_words(&self) -> String {
        self.missing.iter().map(|m| shown(m)).collect::<Vec<_>>().join(" or ")
    }

    /// The plants of a site; a site whose count is missing may leave them open.
    fn plants(&self, row: u64, cell: Option<&str>, uncounted: bool) -> Result<Option<Plants>, Error> {
        let Some(cell) = cell.filter(|cell| !(uncounted && self.is_blank(cell))) else { return Ok(None) };
        let plants = whole(cell).and_then(|n| u16::try_from(n).ok()).and_then(|n| Plants::new(n).ok());
        plants.map(Some).ok_or_else(|| {
            let allowed = "a whole number from 1 to 65535";
            Error::new(Code::CountsValue, "plants", shown(cell), allowed).at(row, self.names.plants.as_deref())
        })
    }

    /// Whether a row without a number of a site is made from other rows: it says so, or its count is
    /// the sum of those of its walk, of the walk before it, or of all.
    fn is_total(&self, [field, visit, site]: [&str; 3], count: Option<u32>) -> bool {
        let walks = [self.find(field, visit), Some(self.last)];
        let of_walk = walks.into_iter().flatten().filter_map(|i| self.open.get(i)).filter(|open| open.rows.len() > 1);
        let mut sums = of_walk.map(|open| open.sum).chain((self.rows > 2).then_some(self.sum));
        [field, visit, site].into_iter().any(cell::names_a_total)
            || count.is_some_and(|count| count > 0 && sums.any(|sum| sum == u64::from(count)))
    }

    fn find(&self, field: &str, visit: &str) -> Option<usize> {
        let is_last = |open: &&Open| open.walk.field == field && open.walk.visit == visit;
        match self.open.get(self.last).filter(is_last) {
            Some(_) => Some(self.last),
            None => self.places.get(field)?.get(visit).copied(),
        }
    }

    /// The place of a walk, which is begun if it is not there.
    fn open(&mut self, field: &str, visit: &str) -> usize {
        self.find(field, visit).unwrap_or_else(|| {
            let walk = FieldWalk { field: field.to_owned(), visit: visit.to_owned(), ..FieldWalk::default() };
            self.open.push(Open { walk, ..Open::default() });
            let place = self.open.len() - 1;
            self.places.entry(field.to_owned()).or_default().insert(visit.to_owned(), place);
            place
        })
    }

    /// Puts a site at the end of its walk.
    fn place(
        &mut self,
        row: u64,
        [field, visit]: [&str; 2],
        site: u32,
        plants: Option<Plants>,
        count: Option<u32>,
        beside: &Beside,
    ) {
        self.last = self.open(field, visit);
        let Some(open) = self.open.get_mut(self.last) else { return };
        if let Some((&before, before_row)) = open.walk.sites.last().zip(open.rows.last())
            && site <= before
        {
            let first = open.walk.sites.binary_search(&site).ok().and_then(|i| open.rows.get(i));
            let walk = format!("{}, visit {}", shown(field), shown(visit));
            let (code, allowed) = match first {
                Some(first) => (Code::CountsRepeated, format!("once for {walk}, which has it in row {first}")),
                None => (
                    Code::CountsOrder,
                    format!(
                        "more than {before}, the site of {walk} before it (row {before_row}): sites rise along a walk"
                    ),
                ),
            };
            let e = Error::new(code, "site", site, allowed).at(row, self.names.site.as_deref());
            return self.refuse(e);
        }
        open.walk.sites.push(site);
        open.walk.counts.push(count);
        open.rows.push(row);
        open.plants.push(plants);
        open.beside.push(beside);
        open.sum += u64::from(count.unwrap_or(0));
        self.sum += u64::from(count.unwrap_or(0));
    }

    /// Everything taken in, or everything found wrong with it.
    pub fn finish(mut self) -> Result<Counts, Errors> {
        if self.layout == Layout::Plants {
            self.plants_of_sites();
        }
        let plants = self.one_size();
        if self.found.is_empty()
            && let Some(e) = self.nothing_counted()
        {
            self.refuse(e);
        }
        self.found.sort_by_key(|e| e.place().row);
        let apart = self.layout == Layout::Plants;
        let (mut walks, mut by_plant, mut by_group) = (Vec::new(), Vec::new(), Vec::new());
        let (mut places, mut of_sites) = (Vec::new(), Vec::new());
        for Open { walk, by_plant: plants, beside, .. } in self.open {
            walks.push(walk);
            by_plant.push(plants);
            by_group.push(beside.groups);
            places.push(beside.places);
            of_sites.push(beside.observers);
        }
        let by_group = by_group.iter().any(|groups| groups.len() > 1).then_some(by_group);
        let places = self.names.place.is_some().then_some(places);
        let mut names = vec![String::new(); self.observers.len()];
        self.observers.into_iter().for_each(|(name, place)| {
            names.iter_mut().skip(place).take(1).for_each(|to| name.clone_into(to));
        });
        let observers = self.names.observer.is_some().then_some(Observers { names, of_sites });
        let (plants, plants_from) = match (plants, self.wanted) {
            (Some(plants), _) => (plants, if apart { PlantsFrom::Apart } else { PlantsFrom::Column }),
            (None, Some(wanted)) => (wanted, PlantsFrom::Asked),
            (None, None) => (Plants::ONE, PlantsFrom::Assumed),
        };
        let noticed = Noticed {
            rows: self.rows,
            dropped_other_plants: self.dropped.values().sum(),
            missing_sites: walks.iter().map(|walk| walk.missing() as u64).sum(),
            skipped_sites: walks.iter().map(FieldWalk::skipped).sum(),
            plants_from,
            order_known: self.layout != Layout::Frequencies,
            visit_column: self.names.visit.is_some(),
        };
        let Names { counts: count_columns, .. } = self.names;
        let separator = self.separator;
        let by_plant = apart.then_some(by_plant);
        let counts = || Counts {
            walks,
            plants,
            count_columns,
            by_plant,
            by_group,
            places,
            observers,
            digest: None,
            separator,
            noticed,
        };
        Errors::or(self.found, counts).map_err(|errors| errors.and_more(self.more))
    }

    /// The number of plants that most sites have; sites with another number are refused.
    fn one_size(&mut self) -> Option<Plants> {
        let cells = self.open.iter().flat_map(|open| open.rows.iter().zip(&open.plants));
        let sites: Vec<(u64, Plants)> = cells.filter_map(|(&row, &plants)| Some((row, plants?))).collect();
        let mut tally = BTreeMap::<Plants, u64>::new();
        for (_, plants) in &sites {
            *tally.entry(*plants).or_default() += 1;
        }
        let (most, rows) = tally.into_iter().max_by_key(|&(_, rows)| rows)?;
        for (row, plants) in sites.into_iter().filter(|&(_, plants)| plants != most) {
            let allowed = format!("{}, as in {rows} other rows; or ask for the sites of one size", most.get());
            self.refuse(
                Error::new(Code::CountsPlants, "plants", plants.get(), allowed).at(row, self.names.plants.as_deref()),
            );
        }
        Some(most)
    }

    /// Why there is nothing to work on, if so.
    fn nothing_counted(&self) -> Option<Error> {
        if self.open.iter().any(|open| open.walk.present().next().is_some()) {
            return None;
        }
        let (what, at_least) = ("table of counts", "at least one site with a count");
        Some(match self.wanted {
            _ if self.rows == 0 => Error::new(Code::CountsEmpty, what, "without a row below its header", at_least),
            Some(wanted) if !self.dropped.is_empty() => {
                let sizes: Vec<_> =
                    self.dropped.iter().map(|(plants, rows)| format!("{} ({rows} rows)", plants.get())).collect();
                Error::new(Code::CountsPlants, "plants wanted", wanted.get(), sizes.join(" or "))
            }
            _ => Error::new(Code::CountsEmpty, what, "without a count: all are missing", at_least),
        })
    }
}
