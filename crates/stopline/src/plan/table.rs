//! A table of lines typed in from a paper, as CSV.

use super::checks::{Checks, Closing};
use crate::error::{Code, Error, Errors};
use crate::lines::{Call, Column, Lines, Row};
use crate::score::Total;
use std::io::Read;

/// Lines read from a table, with the checks and closing they imply.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// The lines.
    pub lines: Lines,
    /// Where they are checked.
    pub checks: Checks,
    /// How the last row closes: undecided where it leaves totals between its lines.
    pub closing: Closing,
    /// Its columns beside `sites`: those of the aim it may be given for.
    pub columns: &'static [Column],
}

impl Table {
    /// Reads CSV with the columns `sites,inadequate_at_most,adequate_at_least`, for three calls also
    /// `marginal_from,marginal_to`, or for a precision `sites,enough_at_least`; an empty cell is a line
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
        let has = |name: &str| header.iter().position(|h| h == name);
        let columns = [Column::PRECISION, Column::THREE_CALLS]
            .into_iter()
            .find(|columns| columns.iter().any(|c| has(c.as_str()).is_some() && !Column::TWO_CALLS.contains(c)))
            .unwrap_or(Column::TWO_CALLS);
        let names: Vec<&str> = std::iter::once("sites").chain(columns.iter().map(|c| c.as_str())).collect();
        let at = names.iter().map(|name| {
            let allowed = || format!("a header with {}", names.join(","));
            has(name).ok_or_else(|| Error::new(Code::CountsColumn, "column of the table", *name, allowed()))
        });
        let at = at.collect::<Result<Vec<_>, _>>()?;
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
                let name = names.get(i).copied().unwrap_or_default();
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
            let sites = cell(0).unwrap_or(0);
            rows.push((u32::try_from(sites).unwrap_or(u32::MAX), (1..names.len()).map(cell).collect()));
        }
        Errors::or(found, || ())?;
        Ok(Self::in_columns(columns, &rows)?)
    }

    /// The table of these rows: sites, inadequate at most, adequate at least.
    ///
    /// # Errors
    /// `lines` or `checks` for rows that are not usable.
    pub fn of(rows: &[(u32, Option<Total>, Option<Total>)]) -> Result<Self, Error> {
        let rows: Vec<_> = rows.iter().map(|&(sites, low, high)| (sites, vec![low, high])).collect();
        Self::in_columns(Column::TWO_CALLS, &rows)
    }

    /// The table of rows that each hold the sites and a total in each of `columns`.
    ///
    /// # Errors
    /// `lines` or `checks` for rows that are not usable.
    pub fn of_columns(columns: &'static [Column], rows: &[Vec<Option<Total>>]) -> Result<Self, Error> {
        let row = |row: &Vec<Option<Total>>| match row.split_first() {
            Some((Some(sites), totals)) if totals.len() == columns.len() => {
                Ok((u32::try_from(*sites).unwrap_or(0), totals.to_vec()))
            }
            _ => {
                let names: Vec<&str> = columns.iter().map(|c| c.as_str()).collect();
                let allowed = format!("sites, {}", names.join(", "));
                Err(Error::new(Code::Lines, "row of a table of lines", format!("{row:?}"), allowed))
            }
        };
        Self::in_columns(columns, &rows.iter().map(row).collect::<Result<Vec<_>, _>>()?)
    }

    /// The table of rows of sites with a total in each column.
    fn in_columns(columns: &'static [Column], rows: &[(u32, Vec<Option<Total>>)]) -> Result<Self, Error> {
        let row = |sites: u32, totals: &[Option<Total>], middle: Option<Call>| match *totals {
            [enough] => Row::enough(sites, enough, middle),
            [low, from, to, high] => Row::three_calls(sites, low, from.zip(to), high, middle),
            _ => {
                let at = |i: usize| totals.get(i).copied().flatten();
                Row::two_calls(sites, at(0), at(1), middle)
            }
        };
        let Some((last, before)) = rows.split_last() else {
            return Err(Error::about(Code::Lines, "table of lines is empty", "at least one check"));
        };
        let closes = row(last.0, &last.1, None).closes();
        let closing = if closes { Closing::Call } else { Closing::Undecided };
        let middle = (!closes).then_some(Call::Undecided);
        let made = before.iter().map(|(sites, totals)| row(*sites, totals, None));
        let lines = Lines::new(made.chain([row(last.0, &last.1, middle)]).collect())?;
        Ok(Self { lines, checks: rhythm(rows.iter().map(|r| r.0).collect())?, closing, columns })
    }
}

/// Regular checks as min, cap and step; others as a list.
fn rhythm(sites: Vec<u32>) -> Result<Checks, Error> {
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
