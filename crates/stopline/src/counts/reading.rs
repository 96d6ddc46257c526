//! How a table of counts is to be read: names of columns, the separator, what stands for missing.

use crate::error::{Code, Error};
use crate::params::Plants;

/// What stands between the cells of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Separator {
    /// `,`
    Comma,
    /// `;`, as spreadsheets write it where the comma is the decimal sign.
    Semicolon,
    /// A tab.
    Tab,
}

impl Separator {
    /// Every separator.
    pub const ALL: [Separator; 3] = [Separator::Comma, Separator::Semicolon, Separator::Tab];

    /// `,`, `;` or `tab`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Separator::Comma => ",",
            Separator::Semicolon => ";",
            Separator::Tab => "tab",
        }
    }

    /// Reads `,`, `;` or `tab` (or the tab itself).
    ///
    /// ```
    /// use stopline::counts::Separator;
    /// assert_eq!(Separator::parse("tab")?, Separator::Tab);
    /// assert!(Separator::parse("|").is_err());
    /// # Ok::<(), stopline::Error>(())
    /// ```
    ///
    /// # Errors
    /// `usage` for anything else.
    pub fn parse(text: &str) -> Result<Self, Error> {
        match text {
            "," => Ok(Separator::Comma),
            ";" => Ok(Separator::Semicolon),
            "tab" | "\t" => Ok(Separator::Tab),
            _ => Err(Error::new(Code::Usage, "separator", text, ", or ; or tab")),
        }
    }

    pub(super) const fn byte(self) -> u8 {
        match self {
            Separator::Comma => b',',
            Separator::Semicolon => b';',
            Separator::Tab => b'\t',
        }
    }
}

/// How a table of counts is to be read. Names are those of the header, exactly.
///
/// ```
/// use stopline::counts::Reading;
/// let how = Reading { count: vec!["spiders".into(), "lacewings".into()], ..Reading::default() };
/// assert_eq!((how.field.as_str(), how.site.as_str()), ("field", "site"));
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reading {
    /// Column that names the field.
    pub field: String,
    /// Column that names the visit. `None`: the column `visit`, or a single visit where there is none.
    pub visit: Option<String>,
    /// Column with the number of the site, rising along the walk.
    pub site: String,
    /// Column with the plants counted at the site. `None`: the column `plants`; where there is none,
    /// every site has [`Self::plants_wanted`] plants, or else one.
    pub plants: Option<String>,
    /// Columns with counts; several are added. Empty: the column `count`.
    pub count: Vec<String>,
    /// What a cell of counts holds where nothing was recorded; never read as 0.
    pub missing: Vec<String>,
    /// `None`: the separator under which the header holds the columns asked for.
    pub separator: Option<Separator>,
    /// Sites of this many plants are read, others dropped and counted. `None`: all must be alike.
    pub plants_wanted: Option<Plants>,
}

impl Default for Reading {
    fn default() -> Self {
        Self {
            field: "field".to_owned(),
            visit: None,
            site: "site".to_owned(),
            plants: None,
            count: Vec::new(),
            missing: vec![String::new(), "NA".to_owned()],
            separator: None,
            plants_wanted: None,
        }
    }
}
