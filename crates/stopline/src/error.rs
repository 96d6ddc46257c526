//! Errors: one type, a closed list of codes, the same codes in every language.
//!
//! An [`Error`] names the thing that was refused, the value it had and what is allowed; for tabular
//! input it also carries the row and column. Several findings about one input are reported together
//! as [`Errors`]. Codes are stable: they are never renamed, so programs may branch on them.

use std::fmt;

macro_rules! codes {
    ($($(#[$doc:meta])* $name:ident = $text:literal,)*) => {
        /// What kind of thing was refused. The text form is stable across versions and languages.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[non_exhaustive]
        pub enum Code { $($(#[$doc])* $name,)* }

        impl Code {
            /// Every code, in order of declaration.
            pub const ALL: &'static [Code] = &[$(Code::$name,)*];

            /// The stable text of the code, as programs see it.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Code::$name => $text,)* }
            }
        }
    };
}

codes! {
    /// A number that is not finite, or text where a number is needed.
    NotANumber = "not_a_number",
    /// A number outside its allowed range.
    OutOfRange = "out_of_range",
    /// The inadequate threshold is not below the adequate one.
    ThresholdsOrder = "thresholds_order",
    /// The two risks together reach 1.
    RisksSum = "risks_sum",
    /// The sites at which totals are compared are empty, not rising, or the first exceeds the last.
    Checks = "checks",
    /// A table of stop lines is not usable: rows out of order, lines that cross, no closing.
    Lines = "lines",
    /// Two parts of a request do not fit together.
    Combination = "combination",
    /// No plan of the asked kind keeps the asked risks within the most sites allowed.
    NoPlan = "no_plan",
    /// The work would exceed a stated limit.
    TooMuchWork = "too_much_work",
    /// An iteration did not settle within its bound.
    NotConverged = "not_converged",
    /// The caller asked to stop.
    Interrupted = "interrupted",
    /// A plan file is not JSON of the expected shape.
    PlanFormat = "plan_format",
    /// A plan file of a version this build does not know.
    PlanVersion = "plan_version",
    /// A plan file whose content does not match its digest or its stated risks.
    PlanEdited = "plan_edited",
    /// Counts that are not UTF-8 text.
    CountsEncoding = "counts_encoding",
    /// Counts without a single row of data.
    CountsEmpty = "counts_empty",
    /// A column that was asked for, or is required, is not in the header, or is there twice.
    CountsColumn = "counts_column",
    /// A cell that is not what its column allows.
    CountsValue = "counts_value",
    /// A row that cannot be read as a row: wrong number of cells, a broken quote.
    CountsRow = "counts_row",
    /// The same field, visit and site occur twice.
    CountsRepeated = "counts_repeated",
    /// Sites of a walk do not rise.
    CountsOrder = "counts_order",
    /// A row that looks like a total of other rows.
    CountsTotal = "counts_total",
    /// Sites of different size in one set of counts.
    CountsPlants = "counts_plants",
    /// The counts do not determine the clumping: all zero, or a single site.
    DispersionUndefined = "dispersion_undefined",
    /// An entry of a walk that cannot be taken.
    Entry = "entry",
    /// A line of a walk's log that cannot be read, or does not follow from the line before.
    Log = "log",
    /// A file that cannot be read.
    FileRead = "file_read",
    /// A file that cannot be written.
    FileWrite = "file_write",
    /// A command line, or a call from another language, that is not understood.
    Usage = "usage",
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// Where in an input the refused thing stands.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// Name of the file as the caller gave it; the core never sets it.
    pub file: Option<String>,
    /// Line of the input, the header being line 1.
    pub row: Option<u64>,
    /// Name of the column.
    pub column: Option<String>,
}

/// One thing that was refused: its name, its value, what is allowed and, for tables, where it stands.
///
/// ```
/// let e = stopline::Mean::new(-1.0).unwrap_err();
/// assert_eq!(e.code().as_str(), "out_of_range");
/// assert_eq!(e.to_string(), "mean is -1; allowed: more than 0, at most 1000000000");
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Error(Box<Inner>);

#[derive(Debug, Clone, PartialEq, Eq)]
struct Inner {
    code: Code,
    what: String,
    value: Option<String>,
    allowed: String,
    at: Place,
}

impl Error {
    /// An error about `what`, whose `value` is not within what is `allowed`.
    #[must_use]
    pub fn new(code: Code, what: impl Into<String>, value: impl fmt::Display, allowed: impl Into<String>) -> Self {
        Self(Box::new(Inner {
            code,
            what: what.into(),
            value: Some(value.to_string()),
            allowed: allowed.into(),
            at: Place::default(),
        }))
    }

    /// An error about `what` as a whole, where no single value is to blame.
    #[must_use]
    pub fn about(code: Code, what: impl Into<String>, allowed: impl Into<String>) -> Self {
        Self(Box::new(Inner { code, what: what.into(), value: None, allowed: allowed.into(), at: Place::default() }))
    }

    /// The same error under the name the caller used for the thing, e.g. `--inadequate` for `mean`.
    #[must_use]
    pub fn named(mut self, what: impl Into<String>) -> Self {
        self.0.what = what.into();
        self
    }

    /// The same error at a row and column of a table.
    #[must_use]
    pub fn at(mut self, row: u64, column: Option<&str>) -> Self {
        self.0.at.row = Some(row);
        self.0.at.column = column.map(str::to_owned);
        self
    }

    /// The same error in a named file.
    #[must_use]
    pub fn in_file(mut self, file: impl Into<String>) -> Self {
        self.0.at.file = Some(file.into());
        self
    }

    /// The stable code.
    #[must_use]
    pub fn code(&self) -> Code {
        self.0.code
    }
    /// Name of the refused thing.
    #[must_use]
    pub fn what(&self) -> &str {
        &self.0.what
    }
    /// Its value as given, if there is one.
    #[must_use]
    pub fn value(&self) -> Option<&str> {
        self.0.value.as_deref()
    }
    /// What would have been accepted, in words.
    #[must_use]
    pub fn allowed(&self) -> &str {
        &self.0.allowed
    }
    /// Where it stands.
    #[must_use]
    pub fn place(&self) -> &Place {
        &self.0.at
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Inner { what, value, allowed, at, .. } = &*self.0;
        if let Some(file) = &at.file {
            write!(f, "{file}: ")?;
        }
        if let Some(row) = at.row {
            write!(f, "row {row}")?;
            if let Some(column) = &at.column {
                write!(f, ", column {column}")?;
            }
            f.write_str(": ")?;
        }
        f.write_str(what)?;
        if let Some(value) = value {
            write!(f, " is {value}")?;
        }
        if !allowed.is_empty() {
            write!(f, "; allowed: {allowed}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {}

/// Everything found wrong with one input, in the order found; never empty.
///
/// Of an input with very many findings the first are kept and the others counted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Errors {
    found: Vec<Error>,
    more: u64,
}

impl Errors {
    /// `Ok(value)` where nothing was found, else everything found.
    pub(crate) fn or<T>(found: Vec<Error>, value: impl FnOnce() -> T) -> Result<T, Self> {
        if found.is_empty() { Ok(value()) } else { Err(Self { found, more: 0 }) }
    }

    /// The same findings, and `more` that were not kept.
    #[must_use]
    pub(crate) fn and_more(mut self, more: u64) -> Self {
        self.more = more;
        self
    }

    /// The findings.
    #[must_use]
    pub fn as_slice(&self) -> &[Error] {
        &self.found
    }

    /// How many were found beyond [`Self::as_slice`].
    #[must_use]
    pub fn more(&self) -> u64 {
        self.more
    }

    /// The findings, each changed by `f` (to add a file's name, say).
    #[must_use]
    pub fn map(self, f: impl FnMut(Error) -> Error) -> Self {
        Self { found: self.found.into_iter().map(f).collect(), more: self.more }
    }
}

impl From<Error> for Errors {
    fn from(e: Error) -> Self {
        Self { found: vec![e], more: 0 }
    }
}

impl fmt::Display for Errors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, e) in self.found.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{e}")?;
        }
        if self.more > 0 {
            write!(f, "\nand {} more", self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for Errors {}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn codes_are_distinct_snake_case() {
        let texts: BTreeSet<_> = Code::ALL.iter().map(|c| c.as_str()).collect();
        assert_eq!(texts.len(), Code::ALL.len());
        assert!(texts.iter().all(|t| t.bytes().all(|b| b.is_ascii_lowercase() || b == b'_')));
    }

    #[test]
    fn message_names_place_thing_value_and_allowed() {
        let e = Error::new(Code::CountsValue, "count", "x7", "a whole number from 0")
            .at(12, Some("count"))
            .in_file("walks.csv");
        assert_eq!(e.to_string(), "walks.csv: row 12, column count: count is x7; allowed: a whole number from 0");
    }
}
