//! Sheets of workbooks (.xlsx, .ods) as the text that tables of counts are read from.
//!
//! Each row of the sheet becomes one row of comma-separated text on the same line, so that errors name the
//! row that a person sees. Dates become 2026-07-31; whatever else a cell holds is checked like text.

use calamine::{Data, Reader, open_workbook_auto_from_rs};
use csv::WriterBuilder;
use std::io::Cursor;
use stopline::{Code, Error};

/// Whether a file begins like a workbook.
pub fn is_workbook(bytes: &[u8]) -> bool {
    bytes.starts_with(b"PK\x03\x04")
}

/// The sheet asked for, or the only one, as comma-separated text.
pub fn table(bytes: Vec<u8>, wanted: Option<&str>) -> Result<String, Error> {
    let unread = |e: &dyn std::fmt::Display| {
        Error::new(
            Code::CountsEncoding,
            "workbook",
            format!("not readable ({e})"),
            "an .xlsx or .ods file without a password",
        )
    };
    let mut book = open_workbook_auto_from_rs(Cursor::new(bytes)).map_err(|e| unread(&e))?;
    let names = book.sheet_names();
    let allowed = || format!("one of {}", names.join(", "));
    let name = match (wanted, &names[..]) {
        (Some(wanted), names) if names.iter().any(|name| name == wanted) => wanted,
        (Some(wanted), _) => return Err(Error::new(Code::Usage, "--sheet", wanted, allowed())),
        (None, [only]) => only,
        (None, _) => return Err(Error::new(Code::Usage, "--sheet", "missing", allowed())),
    };
    let sheet = book.worksheet_range(name).map_err(|e| unread(&e))?;
    let Some((first_row, first_column)) = sheet.start() else { return Ok(String::new()) };
    // Rows of one line each; a cell of several lines becomes one of blanks.
    let mut text = "\n".repeat(first_row as usize).into_bytes();
    for row in sheet.rows() {
        let before = std::iter::repeat_n(String::new(), first_column as usize);
        let cells = before.chain(row.iter().map(cell)).map(|cell| cell.replace(['\n', '\r'], " "));
        let mut line = WriterBuilder::new().flexible(true).from_writer(&mut text);
        line.write_record(cells).and_then(|()| line.flush().map_err(Into::into)).map_err(|e| unread(&e))?;
    }
    String::from_utf8(text).map_err(|e| unread(&e))
}

fn cell(data: &Data) -> String {
    match data {
        Data::DateTime(date) if date.is_datetime() => {
            let (year, month, day, ..) = date.to_ymd_hms_milli();
            format!("{year:04}-{month:02}-{day:02}")
        }
        data => data.to_string(),
    }
}

/// Empties the lines above a row, so that the rows below keep their numbers.
pub fn blank_above(bytes: &mut Vec<u8>, row: u32) {
    let mut begins = bytes.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(i, _)| i + 1);
    let above = (row - 1) as usize;
    let Some(start) = above.checked_sub(1).map_or(Some(0), |i| begins.nth(i)) else { return bytes.clear() };
    bytes.splice(..start, std::iter::repeat_n(b'\n', above));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_below_the_header_keep_their_numbers() {
        let blanked = |row| {
            let mut bytes = b"title\nnote, more\nfield,site\n".to_vec();
            blank_above(&mut bytes, row);
            String::from_utf8(bytes).unwrap()
        };
        assert_eq!(blanked(1), "title\nnote, more\nfield,site\n");
        assert_eq!(blanked(3), "\n\nfield,site\n");
        assert_eq!(blanked(9), "");
    }
}
