//! From bytes to rows of cells, with the line of the file on which each row begins.
//!
//! The csv crate splits the cells; its own line numbers are not used, since they lag behind after
//! `\r\n` and blank lines. It also reads a quote that is never closed up to the end of the file
//! without complaint, which is refused here.

use super::cell::shown;
use super::reading::Separator;
use crate::error::{Code, Error};
use csv::{Reader, ReaderBuilder, StringRecord};
use std::ops::RangeInclusive;

const SAVE: &str = "UTF-8 text: save as CSV UTF-8";

/// The text of a file of counts, without a byte order mark.
pub(super) fn text(bytes: &[u8]) -> Result<&str, Error> {
    let refused = |value: &str| Error::new(Code::CountsEncoding, "encoding", value, SAVE);
    if bytes.starts_with(b"PK\x03\x04") {
        return Err(refused("that of a compressed file, such as .xlsx or .ods"));
    }
    // UTF-16 of plain letters without a mark is valid UTF-8, but full of NUL.
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") || bytes.contains(&0) {
        return Err(refused("not UTF-8 (UTF-16, or not text)"));
    }
    let text = std::str::from_utf8(bytes).map_err(|e| {
        let (before, after) = bytes.split_at_checked(e.valid_up_to()).unwrap_or((bytes, &[]));
        let byte = after.first().copied().unwrap_or_default();
        refused(&format!("not UTF-8 (byte {byte:#04x})")).at(1 + line_ends(before), None)
    })?;
    Ok(text.strip_prefix('\u{feff}').unwrap_or(text))
}

/// Number of lines that end in `bytes`, by `\n`, `\r\n` or `\r`.
fn line_ends(bytes: &[u8]) -> u64 {
    let mut ends = 0;
    let mut rest = bytes.iter().peekable();
    while let Some(&b) = rest.next() {
        ends += u64::from(b == b'\n' || (b == b'\r' && rest.peek() != Some(&&b'\n')));
    }
    ends
}

/// Whether `record` ends inside quotes.
fn ends_in_quotes(record: &[u8], separator: u8) -> bool {
    let (mut inside, mut at_start) = (false, true);
    for &b in record {
        if b == b'"' && (at_start || inside) {
            inside = !inside;
            // The second quote of a pair inside quotes opens them again.
            at_start = !inside;
        } else if !inside {
            at_start = b == separator;
        } else {
            at_start = false;
        }
    }
    inside
}

/// The rows of a table, the header first.
pub(super) struct Rows<'t> {
    text: &'t str,
    separator: u8,
    reader: Reader<&'t [u8]>,
    /// The row that was read last.
    pub record: StringRecord,
    at: usize,
    line: u64,
}

impl<'t> Rows<'t> {
    pub fn new(text: &'t str, separator: Separator) -> Self {
        let reader = ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(separator.byte())
            .from_reader(text.as_bytes());
        Self { text, separator: separator.byte(), reader, record: StringRecord::new(), at: 0, line: 1 }
    }

    /// Reads the next row that is not blank into [`Self::record`] and returns the line it begins on.
    pub fn advance(&mut self) -> Result<Option<u64>, Error> {
        loop {
            let read = self.reader.read_record(&mut self.record);
            let line = self.begin();
            match read {
                Ok(true) if self.record.iter().all(|cell| cell.trim().is_empty()) => {}
                Ok(more) => return if more { self.closed(line) } else { Ok(None) },
                Err(e) => return Err(Error::new(Code::CountsRow, "row", e, "a row of cells").at(line, None)),
            }
        }
    }

    /// Moves to where the row just read begins and returns its line.
    fn begin(&mut self) -> u64 {
        let from = self.record.position().map_or(self.at, |p| usize::try_from(p.byte()).unwrap_or(self.at));
        let rest = self.text.as_bytes().get(from..).unwrap_or_default();
        // What is left of the end of the row before, and blank lines.
        let start = from + rest.iter().take_while(|&&b| b == b'\n' || b == b'\r').count();
        self.line += line_ends(self.text.as_bytes().get(self.at..start).unwrap_or_default());
        self.at = start;
        self.line
    }

    fn closed(&self, line: u64) -> Result<Option<u64>, Error> {
        let is_last = self.reader.position().byte() >= self.text.len() as u64;
        let record = self.text.as_bytes().get(self.at..).unwrap_or_default();
        if is_last && ends_in_quotes(record, self.separator) {
            let value = "opened and never closed";
            return Err(Error::new(Code::CountsRow, "a quote (\")", value, "quotes in pairs").at(line, None));
        }
        Ok(Some(line))
    }

    /// Whether the last row has as many cells as the header allows; cells beyond must be empty.
    pub fn fits(&self, line: u64, widths: &RangeInclusive<usize>) -> Result<(), Error> {
        let beyond = self.record.iter().skip(*widths.end()).find(|cell| !cell.trim().is_empty());
        if self.record.len() >= *widths.start() && beyond.is_none() {
            return Ok(());
        }
        let value = match beyond {
            Some(cell) => format!("{} ({} is beyond the header)", self.record.len(), shown(cell.trim())),
            None => self.record.len().to_string(),
        };
        let allowed = format!("{}, as in the header (a cell that holds the separator stands in quotes)", widths.end());
        Err(Error::new(Code::CountsRow, "number of cells", value, allowed).at(line, None))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str) -> Vec<(u64, Vec<String>)> {
        let mut rows = Rows::new(text, Separator::Comma);
        let mut found = Vec::new();
        while let Some(line) = rows.advance().unwrap() {
            found.push((line, rows.record.iter().map(str::to_owned).collect()));
        }
        found
    }

    #[test]
    fn rows_know_their_line() {
        for end in ["\n", "\r\n", "\r"] {
            let text = ["a,b", "1,2", "", "\"x", "y\",3", " , ", "4,5", "", ""].join(end);
            let broken = format!("x{end}y");
            let expected = [(1, vec!["a", "b"]), (2, vec!["1", "2"]), (4, vec![&*broken, "3"]), (7, vec!["4", "5"])]
                .map(|(line, cells)| (line, cells.into_iter().map(str::to_owned).collect::<Vec<_>>()));
            assert_eq!(lines(&text), expected, "{end:?}");
        }
    }

    #[test]
    fn a_quote_left_open_is_refused_on_its_row() {
        for text in ["a,b\n1,2\n3,\"4\n5,6\n", "a,b\n1,2\n\"3", "a,b\n1,2\n3,\"x\"\"\n"] {
            let mut rows = Rows::new(text, Separator::Comma);
            assert_eq!(rows.advance().unwrap(), Some(1));
            assert_eq!(rows.advance().unwrap(), Some(2));
            let e = rows.advance().unwrap_err();
            assert_eq!((e.code(), e.place().row), (Code::CountsRow, Some(3)), "{text}");
        }
        assert_eq!(lines("a,b\n1,\"x\"\"y\"").len(), 2);
        assert_eq!(lines("a,b\n1,5\" pipe\n\"p\"q,\"\"").len(), 3);
    }

    #[test]
    fn only_utf8_is_text() {
        assert_eq!(text("\u{feff}a,é".as_bytes()).unwrap(), "a,é");
        let utf16: Vec<u8> = "field,site".encode_utf16().flat_map(u16::to_le_bytes).collect();
        let marked: Vec<u8> = [0xff, 0xfe].into_iter().chain(utf16.clone()).collect();
        for bytes in [&utf16[..], &marked[..], b"PK\x03\x04rest", b"a\nb\r\n\xe9,1"] {
            let e = text(bytes).unwrap_err();
            assert_eq!(e.code(), Code::CountsEncoding);
            assert!(e.to_string().contains("save as CSV UTF-8"), "{e}");
        }
        assert_eq!(text(b"a\nb\r\n\xe9,1").unwrap_err().place().row, Some(3));
    }
}
