//! Which cell of a row is what: the header against the columns asked for.

use super::cell::{shown, whole};
use super::reading::{Layout, Reading, Separator};
use super::rows::Rows;
use crate::error::{Code, Error, Errors};
use std::ops::RangeInclusive;

/// Most names that one message lists.
const LISTED: usize = 50;
/// Rows that are looked at to find columns that may hold counts.
const SAMPLED: usize = 1000;
/// The place of a column that was not found; its absence is reported, so that nothing is read there.
const NOWHERE: usize = usize::MAX;

/// Names of the columns that are read.
#[derive(Debug, Clone)]
pub(super) struct Names {
    pub field: String,
    pub visit: Option<String>,
    /// `None` where sites stand across.
    pub site: Option<String>,
    pub plants: Option<String>,
    /// The column that tells the plants of a site apart.
    pub plant: Option<String>,
    pub place: Option<[String; 2]>,
    pub observer: Option<String>,
    pub counts: Vec<String>,
}

/// Where those columns stand in a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Places {
    pub field: usize,
    pub visit: Option<usize>,
    pub site: Option<usize>,
    pub plants: Option<usize>,
    pub plant: Option<usize>,
    pub place: Option<[usize; 2]>,
    pub observer: Option<usize>,
    pub counts: Vec<usize>,
    /// Of those before, which are filled down.
    pub filled: Vec<usize>,
}

impl Places {
    /// The columns that say which site it is.
    fn identity(&self) -> impl Iterator<Item = usize> {
        let named = [Some(self.field), self.visit, self.site, self.plants, self.plant, self.observer];
        named.into_iter().flatten().chain(self.place.into_iter().flatten())
    }
}

/// The first row of a table, split by one separator.
pub(super) struct Header {
    pub separator: Separator,
    /// Line on which it stands.
    line: u64,
    columns: Vec<String>,
}

impl Header {
    /// Reads the header under the separator asked for, or the one that shows most of the columns asked for.
    pub fn read(text: &str, how: &Reading) -> Result<Self, Error> {
        if let Some(separator) = how.separator {
            return Self::split(text, separator);
        }
        let holds = |header: &Self| asked(how).iter().filter(|name| header.columns.iter().any(|c| c == *name)).count();
        let headers = Separator::ALL.into_iter().rev().map(|separator| Self::split(text, separator));
        // `max_by_key` takes the last of equals: a comma, where nothing tells them apart.
        let best = headers.max_by_key(|header| match header {
            Ok(header) => (holds(header), header.columns.len()),
            // Better told about than a header that holds nothing asked for.
            Err(_) => (0, usize::MAX),
        });
        best.unwrap_or_else(|| Self::split(text, Separator::Comma))
    }

    fn split(text: &str, separator: Separator) -> Result<Self, Error> {
        let mut rows = Rows::new(text, separator);
        match rows.advance()? {
            Some(line) => {
                let columns = rows.record.iter().map(|name| name.trim().to_owned()).collect();
                Ok(Self { separator, line, columns })
            }
            None => Err(Error::new(Code::CountsEmpty, "table of counts", "empty", "a header and a row for every site")),
        }
    }

    /// Numbers of cells that a row may have: columns without a name at the end may be left out.
    pub fn widths(&self) -> RangeInclusive<usize> {
        let least = self.columns.iter().rposition(|name| !name.is_empty()).map_or(0, |last| last + 1);
        least..=self.columns.len()
    }

    /// Finds the columns asked for; reports every one that is not there, or not there once.
    pub fn find(&self, text: &str, how: &Reading) -> Result<(Names, Places), Errors> {
        let by_plant = how.layout == Layout::Plants;
        let implied = |name, asked: bool| if asked { self.implied(name, how) } else { None };
        let names = Names {
            field: how.field.clone(),
            visit: how.visit.clone().or_else(|| self.implied("visit", how)),
            site: (how.layout != Layout::Walks).then(|| how.site.clone()),
            plants: how.plants.clone().or_else(|| implied("plants", !by_plant)),
            plant: how.plant.clone().or_else(|| implied("plant", by_plant)),
            place: how.place.clone(),
            observer: how.observer.clone(),
            counts: match (&how.count[..], how.layout) {
                ([], Layout::Walks) => self.columns.iter().filter(|name| whole(name).is_some()).cloned().collect(),
                ([], _) => self.implied("count", how).into_iter().collect(),
                (names, _) => names.to_vec(),
            },
        };
        let mut bad = Vec::new();
        let mut find = |name: &String| {
            self.place(name).unwrap_or_else(|e| {
                bad.push(e);
                NOWHERE
            })
        };
        let places = Places {
            field: find(&names.field),
            visit: names.visit.as_ref().map(&mut find),
            site: names.site.as_ref().map(&mut find),
            plants: names.plants.as_ref().map(&mut find),
            plant: names.plant.as_ref().map(&mut find),
            place: names.place.as_ref().map(|columns| columns.each_ref().map(&mut find)),
            observer: names.observer.as_ref().map(&mut find),
            counts: names.counts.iter().map(&mut find).collect(),
            filled: how.fill_down.iter().map(&mut find).collect(),
        };
        bad.extend(untold(how));
        let others = how.fill_down.iter().zip(&places.filled);
        let others = others.filter(|(_, place)| **place != NOWHERE && !places.identity().any(|known| known == **place));
        for (name, _) in others {
            let allowed = "columns that say which site it is; an empty count is missing";
            bad.push(Error::new(Code::CountsColumn, "column to fill down", shown(name), allowed).at(self.line, None));
        }
        let mut read: Vec<usize> = places.identity().chain(places.counts.iter().copied()).collect();
        if names.counts.is_empty() {
            bad.push(match how.layout {
                Layout::Walks => {
                    let allowed =
                        "columns headed by the numbers of the sites (1, 2, ...), or named as columns of counts";
                    self.refused("none headed by a number".to_owned(), allowed)
                }
                _ => self.no_count(text, how, &read),
            });
        }
        read.sort_unstable();
        let twice =
            read.iter().zip(read.iter().skip(1)).filter(|(a, b)| a == b).filter_map(|(a, _)| self.columns.get(*a));
        for name in twice {
            bad.push(self.refused(format!("{}, asked for twice", shown(name)), "every column once"));
        }
        Errors::or(bad, || (names, places))
    }

    /// A column that is read unasked, if it is there and not asked for as something else.
    pub fn implied(&self, name: &str, how: &Reading) -> Option<String> {
        let is_there = self.columns.iter().any(|c| c == name) && !asked(how).contains(&name);
        is_there.then(|| name.to_owned())
    }

    pub fn place(&self, name: &str) -> Result<usize, Error> {
        let mut places = self.columns.iter().enumerate().filter(|(_, c)| *c == name).map(|(i, _)| i);
        match (places.next(), places.next()) {
            (Some(place), None) => Ok(place),
            (Some(_), Some(_)) => Err(self.refused(format!("{}, there twice", shown(name)), "every name once")),
            (None, _) => {
                let header = list(self.columns.iter().map(|c| shown(c)));
                Err(self.refused(format!("{}, not in the header", shown(name)), &format!("one of {header}")))
            }
        }
    }

    fn refused(&self, value: String, allowed: &str) -> Error {
        Error::new(Code::CountsColumn, "column", value, allowed).at(self.line, None)
    }

    /// No column `count` and none asked for: lists what may be asked for.
    fn no_count(&self, text: &str, how: &Reading, read: &[usize]) -> Error {
        let candidates: Vec<_> = self.candidates(text, how, read).collect();
        let (value, allowed) = if candidates.is_empty() {
            ("not in the header", "a column `count`, or columns with a whole number in each row".to_owned())
        } else {
            ("not chosen", candidates.join(","))
        };
        Error::new(Code::CountsColumn, super::COUNT_COLUMN, value, allowed).at(self.line, None)
    }

    /// Columns that are not `read` otherwise and hold mostly whole numbers.
    fn candidates<'s>(&'s self, text: &str, how: &Reading, read: &'s [usize]) -> impl Iterator<Item = &'s str> {
        let mut score = vec![0_i64; self.columns.len()];
        let mut rows = Rows::new(text, self.separator);
        let _header = rows.advance();
        for _ in 0..SAMPLED {
            let Ok(Some(_)) = rows.advance() else { break };
            for (score, cell) in score.iter_mut().zip(&rows.record) {
                let cell = cell.trim();
                if !how.missing.iter().any(|m| m == cell) {
                    *score += if whole(cell).is_some() { 1 } else { -1 };
                }
            }
        }
        let free = move |(i, (name, score)): (usize, (&'s String, i64))| {
            (score > 0 && !read.contains(&i) && !name.is_empty()).then_some(name.as_str())
        };
        self.columns.iter().zip(score).enumerate().filter_map(free).take(LISTED)
    }
}

/// The columns of sites that stand across, by their numbers: those of the header, or from 1 in their order.
pub(super) fn sites_across(names: &Names, places: &Places) -> Vec<(u32, String, usize)> {
    let numbered = names.counts.iter().all(|name| whole(name).is_some());
    let sites = names.counts.iter().zip(&places.counts).zip(1..);
    let mut sites: Vec<(u32, String, usize)> = sites
        .map(|((name, place), order)| (whole(name).filter(|_| numbered).unwrap_or(order), name.clone(), *place))
        .collect();
    sites.sort_by_key(|(site, ..)| *site);
    sites
}

/// The names that a caller asked for, as opposed to those that are read if they are there.
fn asked(how: &Reading) -> Vec<&str> {
    let site = (how.layout != Layout::Walks).then_some(&how.site);
    let always = [Some(&how.field), site, how.visit.as_ref(), how.plants.as_ref(), how.plant.as_ref()];
    let beside = how.place.iter().flatten().chain(&how.observer);
    always.into_iter().flatten().chain(beside).chain(&how.count).map(String::as_str).collect()
}

/// What rows that are no sites cannot tell of these.
fn untold(how: &Reading) -> Vec<Error> {
    let across = matches!(how.layout, Layout::Walks | Layout::Frequencies);
    let refused = |what| Error::new(Code::Combination, what, "asked for", "where a row is a site or a plant of one");
    let place = (how.place.is_some() && across).then(|| refused("places of sites"));
    let observer = (how.observer.is_some() && how.layout == Layout::Frequencies).then(|| refused("observers"));
    place.into_iter().chain(observer).collect()
}

fn list(names: impl Iterator<Item = String>) -> String {
    let mut names: Vec<_> = names.take(LISTED + 1).collect();
    if names.len() > LISTED {
        names.truncate(LISTED);
        names.push("…".to_owned());
    }
    names.join(", ")
}
