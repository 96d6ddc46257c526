//! Tables whose rows are no sites: a walk with its sites across, a plant of a site, a count with its number of sites.
//!
//! Each takes its place among the walks as a site does, and is refused, like one, with all others that are wrong.

use super::{Beside, Cells, ONLY_VISIT, Walks};
use crate::counts::cell::{self, WHOLE, shown, whole};
use crate::error::{Code, Error};
use crate::params::Plants;

/// Most sites that frequencies may stand for: as many as a table of the largest size has.
const MOST_SITES: u64 = 40_000_000;

impl Walks<'_> {
    /// Takes in a row that is a plant of a site: the first of its site, or one more.
    pub(super) fn plant(
        &mut self,
        row: u64,
        [field, visit]: [&str; 2],
        site: u32,
        plant: Option<&str>,
        count: Option<u32>,
        beside: &Beside,
    ) {
        let known = self.find(field, visit);
        let one_more = known.and_then(|i| self.open.get(i)).is_some_and(|open| open.walk.sites.last() == Some(&site));
        if !one_more {
            let before = self.found.len();
            self.place(row, [field, visit], site, None, count, beside);
            if self.found.len() == before
                && let Some(open) = self.open.get_mut(self.last)
            {
                open.by_plant.push(vec![count]);
                open.plants_named = plant.map(str::to_owned).into_iter().collect();
            }
            return;
        }
        self.last = known.unwrap_or(self.last);
        let Some(open) = self.open.get_mut(self.last) else { return };
        if let Some(plant) = plant {
            if open.plants_named.iter().any(|named| named == plant) {
                let allowed = format!("once for site {site} of {}, visit {}", shown(field), shown(visit));
                let e = Error::new(Code::CountsRepeated, "plant", shown(plant), allowed);
                return self.refuse(e.at(row, self.names.plant.as_deref()));
            }
            open.plants_named.push(plant.to_owned());
        }
        let elsewhere = !open.beside.is_last(beside);
        open.beside.add(beside);
        let Some((sum, plants)) = open.walk.counts.last_mut().zip(open.by_plant.last_mut()) else { return };
        let together = sum.zip(count).map(|(sum, count)| sum.checked_add(count));
        plants.push(count);
        *sum = together.flatten();
        open.sum += u64::from(count.unwrap_or(0));
        self.sum += u64::from(count.unwrap_or(0));
        if elsewhere {
            let e = Error::about(Code::CountsValue, "place or observer", "the same for every plant of a site");
            self.refuse(e.at(row, None));
        }
        if together == Some(None) {
            self.refuse(Error::new(Code::CountsValue, "sum of the plants of a site", "larger", WHOLE).at(row, None));
        }
    }

    /// Takes in a row that is a walk: the number, column and cell of each site.
    pub fn walk<'c>(&mut self, row: u64, cells: Cells<'_>, sites: impl Iterator<Item = (u32, &'c str, &'c str)>) {
        let Some([field, visit]) = self.named(row, cells) else { return };
        if let Some(first) = self.find(field, visit).and_then(|i| self.open.get(i)?.rows.first()) {
            let allowed = format!("one row a walk: {}, visit {} is in row {first}", shown(field), shown(visit));
            return self.refuse(Error::new(Code::CountsRepeated, "walk", shown(field), allowed).at(row, None));
        }
        let sites: Vec<_> = sites.filter(|(.., cell)| !cell.trim().is_empty()).collect();
        let plants = match self.plants(row, cells.plants.map(str::trim), sites.is_empty()) {
            Ok(plants) => plants,
            Err(e) => return self.refuse(e),
        };
        self.rows += sites.len() as u64;
        if let (Some(plants), Some(wanted)) = (plants, self.wanted)
            && plants != wanted
        {
            *self.dropped.entry(plants).or_default() += sites.len() as u64;
            return;
        }
        let beside = self.beside(row, cells, Vec::new());
        for (site, name, cell) in sites {
            let (count, bad) = self.count(row, std::iter::once((name, cell)), &mut Vec::new());
            bad.into_iter().for_each(|e| self.refuse(e));
            self.place(row, [field, visit], site, plants, count, &beside);
        }
    }

    /// Takes in a row that is a count with the number of sites that have it.
    pub fn frequency<'c>(&mut self, row: u64, cells: Cells<'_>, counts: impl Iterator<Item = &'c str>) {
        let Some([field, visit]) = self.named(row, cells) else { return };
        let names = self.names.counts.iter().map(String::as_str);
        let (count, mut bad) = self.count(row, names.zip(counts), &mut Vec::new());
        let sites = cells.site.trim();
        let number = whole(sites).filter(|number| u64::from(*number) <= MOST_SITES.saturating_sub(self.rows));
        if number.is_none() {
            let allowed = format!("a whole number from 0, together at most {MOST_SITES}");
            let e = Error::new(Code::CountsValue, "number of sites", shown(sites), allowed);
            bad.push(e.at(row, self.names.site.as_deref()));
        }
        let plants = match self.plants(row, cells.plants.map(str::trim), count.is_none()) {
            Ok(plants) => plants,
            Err(e) => {
                bad.push(e);
                None
            }
        };
        if let Some(known) = self.find(field, visit).and_then(|i| self.open.get(i))
            && let Some(place) = known.walk.counts.iter().position(|known| *known == count)
            && let Some(first) = known.rows.get(place).filter(|_| count.is_some())
        {
            let allowed = format!("once for {}, visit {}, which has it in row {first}", shown(field), shown(visit));
            bad.push(Error::new(Code::CountsRepeated, "count", count.unwrap_or(0), allowed).at(row, None));
        }
        let (true, Some(number)) = (bad.is_empty(), number) else {
            return bad.into_iter().for_each(|e| self.refuse(e));
        };
        self.rows += u64::from(number);
        if let (Some(plants), Some(wanted)) = (plants, self.wanted)
            && plants != wanted
        {
            *self.dropped.entry(plants).or_default() += u64::from(number);
            return;
        }
        self.last = self.open(field, visit);
        let Some(open) = self.open.get_mut(self.last) else { return };
        for _ in 0..number {
            let site = open.walk.sites.last().map_or(1, |last| last + 1);
            open.walk.sites.push(site);
            open.walk.counts.push(count);
            open.rows.push(row);
            open.plants.push(plants);
        }
    }

    /// Field and visit of a row that is no site; a row of totals, or without them, is refused.
    fn named<'a>(&mut self, row: u64, cells: Cells<'a>) -> Option<[&'a str; 2]> {
        let (field, visit) = (cells.field.trim(), cells.visit.map_or(ONLY_VISIT, str::trim));
        if [field, visit].into_iter().any(cell::names_a_total) {
            let value = format!("{} in a row that seems to add up others", shown(field));
            let allowed = "leave rows of totals out";
            self.refuse(Error::new(Code::CountsTotal, "field", value, allowed).at(row, Some(&self.names.field)));
            return None;
        }
        let mut bad = Vec::new();
        if self.is_blank(field) {
            let e = Error::new(Code::CountsValue, "field", shown(field), "a name");
            bad.push(e.at(row, Some(&self.names.field)));
        }
        if self.is_blank(visit) {
            let e = Error::new(Code::CountsValue, "visit", shown(visit), "a name, number or date");
            bad.push(e.at(row, self.names.visit.as_deref()));
        }
        let good = bad.is_empty();
        bad.into_iter().for_each(|e| self.refuse(e));
        good.then_some([field, visit])
    }

    /// Where plants stand apart, their number at each site; sites of another size than wanted are dropped.
    pub(super) fn plants_of_sites(&mut self) {
        self.rows = self.open.iter().map(|open| open.by_plant.len() as u64).sum();
        let size = |plants: &Vec<Option<u32>>| u16::try_from(plants.len()).ok().and_then(|n| Plants::new(n).ok());
        for open in &mut self.open {
            let sizes: Vec<Option<Plants>> = open.by_plant.iter().map(size).collect();
            let keep: Vec<bool> = sizes.iter().map(|size| self.wanted.is_none() || *size == self.wanted).collect();
            for size in sizes.iter().zip(&keep).filter(|(_, keep)| !**keep).filter_map(|(size, _)| *size) {
                *self.dropped.entry(size).or_default() += 1;
            }
            fn kept<T>(all: &mut Vec<T>, keep: &[bool]) {
                let mut keep = keep.iter();
                all.retain(|_| keep.next().copied().unwrap_or(false));
            }
            open.plants = sizes;
            kept(&mut open.plants, &keep);
            kept(&mut open.walk.sites, &keep);
            kept(&mut open.walk.counts, &keep);
            kept(&mut open.rows, &keep);
            kept(&mut open.by_plant, &keep);
            open.beside.groups.iter_mut().for_each(|group| kept(group, &keep));
            kept(&mut open.beside.places, &keep);
            kept(&mut open.beside.observers, &keep);
        }
    }
}
