//! Lines of cells that are done, each with a checksum, appended and never changed.
//!
//! A line is the first 16 hexadecimal digits of the SHA-256 of what follows, a blank, and a cell; the first line of a
//! shard names the study instead. A process that goes on with a study begins a shard of its own, so that nothing is ever
//! written after a line that was cut off. The last line of a shard may be cut off anywhere; any other line that does not
//! agree with its checksum is refused by its number.

use super::Grid;
use crate::error::{Code, Error};
use crate::plan::Digest;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Write};

/// Where bytes can be made durable.
pub trait Durable: Write {
    /// Returns when everything written would outlive the machine.
    ///
    /// # Errors
    /// That of the machine.
    fn sync(&mut self) -> io::Result<()>;
}

impl Durable for File {
    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

/// A line for this text, with its end.
#[must_use]
pub fn line(text: &str) -> String {
    format!("{} {text}\n", checksum(text))
}

fn checksum(text: &str) -> String {
    Digest::of_bytes(text.as_bytes()).as_str().chars().skip(7).take(16).collect()
}

/// The first line of a shard of a study.
#[must_use]
pub fn head(grid: &Grid) -> String {
    line(&format!(r#"{{"study":"{}"}}"#, grid.digest()))
}

/// Appends a line as a whole, and makes it durable.
///
/// # Errors
/// `file_write`.
pub fn append(to: &mut impl Durable, line: &str) -> Result<(), Error> {
    let written = to.write_all(line.as_bytes()).and_then(|()| to.flush()).and_then(|()| to.sync());
    written
        .map_err(|e| Error::new(Code::FileWrite, "shard of a study", format!("not written ({e})"), "room on the disk"))
}

#[derive(Deserialize)]
struct Number {
    cell: usize,
}

/// The cells of a shard of this study, by number; none where not even its first line is whole.
///
/// # Errors
/// `log` for a line that was changed, or a shard of another study, with the number of the line.
pub fn read(shard: &[u8], grid: &Grid, cells: &mut BTreeMap<usize, String>) -> Result<(), Error> {
    let wrong = |number: u64, value: &str| {
        Error::new(Code::Log, "line of a shard", value, "as it was written, in a shard of this study").at(number, None)
    };
    // What follows the last end of a line was cut off.
    let whole = shard.iter().rposition(|byte| *byte == b'\n').map_or(0, |last| last + 1);
    let lines = shard.get(..whole).unwrap_or_default().split_inclusive(|byte| *byte == b'\n');
    for (number, line) in (1..).zip(lines) {
        let text = std::str::from_utf8(line).map_err(|_| wrong(number, "not text"))?.trim_end_matches('\n');
        let (sum, text) = text.split_once(' ').ok_or_else(|| wrong(number, "without a checksum"))?;
        if checksum(text) != sum {
            return Err(wrong(number, "changed"));
        }
        if number == 1 {
            if self::line(text) != head(grid) {
                return Err(wrong(number, "of another study"));
            }
            continue;
        }
        let Number { cell } = serde_json::from_str(text).map_err(|_| wrong(number, "without a cell"))?;
        if cell >= grid.cells() {
            return Err(wrong(number, "of a cell that is not in the grid"));
        }
        match cells.get(&cell) {
            Some(known) if known != text => return Err(wrong(number, "another than the same cell elsewhere")),
            Some(_) => {}
            None => {
                cells.insert(cell, text.to_owned());
            }
        }
    }
    Ok(())
}
