//! A table of lines typed in from a paper, as CSV.

use super::checks::{Checks, Closing};
use crate::error::{Code, Error, Errors};
use crate::lines::{Call, Lines, Row};
use crate::score::Total;
use std::io::Read;

/// The columns of the table, as in plan files.
const COLUMNS: [&str; 3] = ["sites", "inadequate_at_most", "adequate_at_least"];

/// Lines read from a table, with the checks and closing they imply.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// The lines.
    pub lines: Lines,
    /// Where they are checked.
    pub checks: Checks,
    /// How the last row closes: undecided where it leaves totals between its lines.
    pub closing: Closing,
}

impl Table {
    /// Reads CSV with the columns `sites,inadequate_at_most,adequate_at_least`; an empty cell is a line
    /// that cannot be reached at that check.
    ///
    /// # Errors
    /// `counts_encoding`, `counts_column`, `counts_value`, `counts_row` with row and column; `lines` for
    /// a table that is not usable.
    ///
    /// ```
    /// let text = "sites,inadequate_at_most,adequate_at_least\n5,,14\n10,17,18\n";
    /// let table = stopline::plan::Table::read(text.as_bytes())?;
    /// assert_eq!(table.lines.cap(), 10);
    /// # Ok::<(), stopline::Errors>(())
    /// ```
    pub fn read(mut input: impl Read) -> Result<Self, Errors> {
        let mut bytes = Vec::new();
        input
            .read_to_end(&mut bytes)
            .map_err(|e| Error::new(Code::FileRead, "table of lines", e, "a readable file"))?;
        let text = std::str::from_utf8(&bytes)
            .map_err(|_| Error::about(Code::CountsEncoding, "table of lines is not UTF-8", "save as CSV UTF-8"))?;
        let mut reader =
            csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.trim_start_matches('\u{feff}').as_bytes());
        let header = reader.headers().map_err(|e| broken(&e))?.clone();
        let mut at = [0; 3];
        for (position, name) in at.iter_mut().zip(COLUMNS) {
            *position = header.iter().position(|h| h == name).ok_or_else(|| {
                Error::new(
                    Code::CountsColumn,
                    "column of the table",
                    name,
                    format!("a header with {}", COLUMNS.join(",")),
                )
            })?;
        }
        let (mut rows, mut found) = (Vec::new(), Vec::new());
        for record in reader.records() {
            let record = match record {
                Ok(record) => record,
                Err(e) => {
                    found.push(broken(&e));
                    break;
                }
            };
            let line = record.position().map_or(0, csv::Position::line);
            let mut cell = |i: usize| -> Option<Total> {
                let name = COLUMNS.get(i).copied().unwrap_or_default();
                let text = at.get(i).and_then(|&c| record.get(c)).unwrap_or_default();
                if text.is_empty() && i > 0 {
                    return None;
                }
                let value = text.parse::<Total>().ok().filter(|&t| t >= 0);
                if value.is_none() {
                    let allowed = if i == 0 {
                        "a number of sites"
                    } else {
                        "a total from 0, or empty where the line cannot be reached"
                    };
                    found.push(Error::new(Code::CountsValue, name, text, allowed).at(line, Some(name)));
                }
                value
            };
            let (sites, low, high) = (cell(0), cell(1), cell(2));
            rows.push((u32::try_from(sites.unwrap_or(0)).unwrap_or(u32::MAX), low, high));
        }
        Errors::or(found, || ())?;
        Ok(Self::of(&rows)?)
    }

    /// The table of these rows: sites, inadequate at most, adequate at least.
    ///
    /// # Errors
    /// `lines` or `checks` for rows that are not usable.
    pub fn of(rows: &[(u32, Option<Total>, Option<Total>)]) -> Result<Self, Error> {
        let Some(&(_, low, high)) = rows.last() else {
            return Err(Error::about(Code::Lines, "table of lines is empty", "at least one check"));
        };
        let meets = low.zip(high).is_some_and(|(a, b)| a.checked_add(1) == Some(b));
        let closing = if meets { Closing::Call } else { Closing::Undecided };
        let row = |(i, &(at, low, high)): (usize, &(u32, Option<Total>, Option<Total>))| {
            let last = i + 1 == rows.len();
            Row::two_calls(at, low, high, (last && !meets).then_some(Call::Undecided))
        };
        let lines = Lines::new(rows.iter().enumerate().map(row).collect())?;
        Ok(Self { lines, checks: rhythm(rows)?, closing })
    }
}

/// Regular checks as min, cap and step; others as a list.
fn rhythm(rows: &[(u32, Option<Total>, Option<Total>)]) -> Result<Checks, Error> {
    let sites: Vec<u32> = rows.iter().map(|r| r.0).collect();
    if let (&[first, second, ..], Some(&last)) = (sites.as_slice(), sites.last())
        && let Some(every) = second.checked_sub(first)
        && let Ok(checks) = Checks::every(first, last, every)
        && checks.sites() == sites
    {
        return Ok(checks);
    }
    Checks::at(sites)
}

fn broken(e: &csv::Error) -> Error {
    let row = e.position().map_or(0, csv::Position::line);
    Error::about(Code::CountsRow, format!("row of the table cannot be read ({e})"), "one cell for each column")
        .at(row, None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_regular_and_irregular_tables_and_names_bad_cells() {
        let head = "sites,inadequate_at_most,adequate_at_least\n";
        let read = |rows: &str| Table::read(format!("{head}{rows}").as_bytes());
        let regular = read("5,,14\r\n10,9,20\r\n15,18,19\r\n").unwrap();
        assert_eq!(regular.checks, Checks::every(5, 15, 5).unwrap());
        assert_eq!(regular.closing, Closing::Call);
        let undecided = read("10,0,5\n29,3,9\n").unwrap();
        assert_eq!((undecided.checks.sites(), undecided.closing), (vec![10, 29], Closing::Undecided));
        let errors = read("5,x,14\n10,9,-2\n").unwrap_err();
        let places: Vec<_> = errors.as_slice().iter().map(|e| (e.place().row, e.value())).collect();
        assert_eq!(places, [(Some(2), Some("x")), (Some(3), Some("-2"))]);
        assert!(read("5,9,9\n").is_err());
        assert!(read("").is_err());
        assert_eq!(Table::read("a,b\n1,2\n".as_bytes()).unwrap_err().as_slice()[0].code(), Code::CountsColumn);
        assert_eq!(Table::read(&b"sites\xff"[..]).unwrap_err().as_slice()[0].code(), Code::CountsEncoding);
    }
}
