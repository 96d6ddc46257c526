//! Files that come in. A file `-` is standard input.

use crate::arguments::ReadingArguments;
use crate::failure::Failure;
use crate::{sheet, values};
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use stopline::counts::{Counts, Reading, Summary};
use stopline::decide::Log;
use stopline::plan::{Digest, Plan, Table};
use stopline::{Code, Error};

/// Most bytes of a plan file: a plan with the most sites has some 10 MiB.
const LARGEST_PLAN: u64 = 1 << 28;

fn open(path: &Path) -> Result<Box<dyn Read>, Failure> {
    if path == Path::new("-") {
        return Ok(Box::new(io::stdin()));
    }
    let file = File::open(path).map_err(|e| not_read("file", &e).in_file(&name(path)))?;
    Ok(Box::new(file))
}

fn not_read(what: &str, e: &io::Error) -> Failure {
    Error::new(Code::FileRead, what, format!("not readable ({e})"), "a file that can be read").into()
}

fn name(path: &Path) -> String {
    if path == Path::new("-") { "standard input".to_owned() } else { path.display().to_string() }
}

/// Most bytes of a table of counts, as in the core.
const LARGEST_TABLE: u64 = 1 << 30;

/// A table of counts: text, or a sheet of a workbook.
pub fn counts(path: &Path, how: &ReadingArguments) -> Result<Counts, Failure> {
    counts_as(path, how, &how.reading()?)
}

/// A table of counts, read otherwise than the flags alone say.
pub fn counts_as(path: &Path, how: &ReadingArguments, reading: &Reading) -> Result<Counts, Failure> {
    let (bytes, digest) = text(path, how)?;
    let counts = Counts::read(&bytes[..], reading);
    let mut counts = counts.map_err(|e| Failure::from(e).in_file(&name(path)).with_counts_to_choose())?;
    // Of the file itself, before a sheet of it became text.
    counts.digest = Some(digest);
    Ok(counts)
}

/// A table of summaries.
pub fn summaries(path: &Path, how: &ReadingArguments) -> Result<(Vec<Summary>, Digest), Failure> {
    let site = how.site_column.clone().unwrap_or_else(|| "sites".to_owned());
    let reading = Reading { site, ..how.reading()? };
    let (bytes, digest) = text(path, how)?;
    let summaries = Summary::read(&bytes[..], &reading).map_err(|e| Failure::from(e).in_file(&name(path)))?;
    Ok((summaries, digest))
}

/// The text of a table from its header on, and the digest of the file.
fn text(path: &Path, how: &ReadingArguments) -> Result<(Vec<u8>, Digest), Failure> {
    let header_row =
        how.header_row.as_deref().map(|text| values::whole("--header-row", text, 1, 1_000_000)).transpose()?;
    let in_file = |e: Failure| e.in_file(&name(path));
    let mut bytes = Vec::new();
    // One byte more than is read, so that the core refuses what is larger.
    let table = open(path)?.take(LARGEST_TABLE + 1);
    { table }.read_to_end(&mut bytes).map_err(|e| in_file(not_read("table of counts", &e)))?;
    let digest = Digest::of_bytes(&bytes);
    if sheet::is_workbook(&bytes) {
        bytes = sheet::table(bytes, how.sheet.as_deref()).map_err(|e| in_file(e.into()))?.into_bytes();
    } else if let Some(sheet) = &how.sheet {
        return Err(in_file(Error::new(Code::Combination, "--sheet", sheet, "an .xlsx or .ods file").into()));
    }
    if let Some(row) = header_row {
        sheet::blank_above(&mut bytes, row);
    }
    Ok((bytes, digest))
}

/// A plan file; a byte order mark is passed over.
pub fn plan(path: &Path) -> Result<Plan, Failure> {
    let in_file = |e: Error| Failure::from(e).in_file(&name(path));
    let text = String::from_utf8(bytes(path, "plan file")?)
        .map_err(|_| in_file(Error::about(Code::PlanFormat, "plan file is not UTF-8 text", "JSON in UTF-8")))?;
    Plan::from_json(text.trim_start_matches('\u{feff}')).map_err(in_file)
}

/// The log of a walk; a torn last line is passed over.
pub fn log(path: &Path) -> Result<Log, Failure> {
    let in_file = |e: Error| Failure::from(e).in_file(&name(path));
    let mut bytes = bytes(path, "log of a walk")?;
    bytes.truncate(bytes.iter().rposition(|&b| b == b'\n').map_or(0, |last| last + 1));
    let text = String::from_utf8(bytes)
        .map_err(|_| in_file(Error::about(Code::Log, "log of a walk is not UTF-8 text", "JSON Lines in UTF-8")))?;
    Ok(Log::read(&text).map_err(in_file)?.0)
}

fn bytes(path: &Path, what: &str) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    let in_file = |e: Failure| e.in_file(&name(path));
    open(path)?.take(LARGEST_PLAN + 1).read_to_end(&mut bytes).map_err(|e| in_file(not_read(what, &e)))?;
    if bytes.len() as u64 > LARGEST_PLAN {
        return Err(in_file(Error::new(Code::TooMuchWork, what, "larger", "at most 256 MiB").into()));
    }
    Ok(bytes)
}

/// A table of lines.
pub fn table(path: &Path) -> Result<Table, Failure> {
    Table::read(open(path)?).map_err(|e| Failure::from(e).in_file(&name(path)))
}
