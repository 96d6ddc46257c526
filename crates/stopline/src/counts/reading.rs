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

/// What one row of a table is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[non_exhaustive]
pub enum Layout {
    /// A site.
    #[default]
    Sites,
    /// A walk: its sites stand across, in columns headed by their numbers (or named as columns of counts, then
    /// numbered from 1 in that order unless their names are numbers). An empty cell is a site not visited.
    Walks,
    /// A plant of a site; the plants of a site stand together and are added.
    Plants,
    /// A count with the number of sites that have it. The order of the sites is then not known.
    Frequencies,
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
    /// Column with the number of the site, rising along the walk; for [`Layout::Frequencies`] with the number of sites,
    /// and not looked at for [`Layout::Walks`].
    pub site: String,
    /// Column with the plants counted at the site. `None`: the column `plants`; where there is none,
    /// every site has [`Self::plants_wanted`] plants, or else one.
    pub plants: Option<String>,
    /// Column with the number or name of the plant, for [`Layout::Plants`]. `None`: the column `plant`, if there is one.
    pub plant: Option<String>,
    /// Columns with the two coordinates of a site, or its row and its step along it, where rows are sites or plants.
    /// A site without is read; its place is not known.
    pub place: Option<[String; 2]>,
    /// Column with who counted the site, not for [`Layout::Frequencies`].
    pub observer: Option<String>,
    /// Columns with counts; several are added. Empty: the column `count`.
    pub count: Vec<String>,
    /// What a cell of counts holds where nothing was recorded; never read as 0.
    pub missing: Vec<String>,
    /// `None`: the separator under which the header holds the columns asked for.
    pub separator: Option<Separator>,
    /// What a row is.
    pub layout: Layout,
    /// Of the columns that say which site it is, those whose empty cells repeat the cell above (merged cells).
    pub fill_down: Vec<String>,
    /// Sites were counted to this and no further: a larger sum is read as this, and so is a cell that says so (`10+`).
    pub counted_to: Option<u32>,
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
            plant: None,
            place: None,
            observer: None,
            count: Vec::new(),
            missing: vec![String::new(), "NA".to_owned()],
            separator: None,
            layout: Layout::Sites,
            fill_down: Vec::new(),
            counted_to: None,
            plants_wanted: None,
        }
    }
}
