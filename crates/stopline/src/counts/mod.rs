//! Site counts, as people write them down: reading and checking.
//!
//! A table has one row a site: the field, the visit, the number of the site along the walk, the
//! plants counted there, and the enemies counted, in one column or in one per group (then added).
//! It becomes [`Counts`]: one [`FieldWalk`] per field and visit. Nothing is guessed or mended: a
//! missing count stays missing and is never 0; a row that cannot be taken as written is refused,
//! and all such rows are reported together, by line of the file. Sites of different size (plants)
//! are never mixed or rescaled, since clumping belongs to the size of a site.
//!
//! ```
//! use stopline::counts::{Counts, Reading};
//! let table = "field,visit,site,plants,count\nheron,1,1,3,0\nheron,1,2,3,NA\nheron,1,3,3,4\n";
//! let counts = Counts::read(table.as_bytes(), &Reading::default())?;
//! let walk = &counts.walks[0];
//! assert_eq!((walk.field.as_str(), walk.sites.len(), walk.missing()), ("heron", 3, 1));
//! assert_eq!(walk.present().sum::<u32>(), 4);
//! assert_eq!(counts.plants.get(), 3);
//! # Ok::<(), stopline::Errors>(())
//! ```

mod cell;
mod columns;
mod filled;
mod groups;
mod header;
mod noticed;
mod reading;
mod rows;
mod summary;
mod walks;
mod weights;

pub use columns::Columns;
pub use noticed::{Noticed, PlantsFrom};
pub use reading::{Layout, Reading, Separator};
pub use summary::Summary;
pub use weights::{WeightedSum, Weights};

use crate::error::{Code, Error, Errors};
use crate::params::Plants;
use crate::plan::Digest;
use filled::Filled;
use std::io::Read;
use walks::{Cells, Walks};

/// [`Error::what`] of the `counts_column` error for counts whose column was neither named nor is
/// called `count`. Where columns with whole numbers were found, [`Error::allowed`] lists them with
/// `,` between, ready to be asked for.
pub const COUNT_COLUMN: &str = "count column";

/// Most bytes of a table that are read: 1 GiB, some 40 million sites.
const MOST_BYTES: u64 = 1 << 30;

/// The site counts of one field on one visit, in the order walked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FieldWalk {
    /// Name of the field.
    pub field: String,
    /// Name of the visit; `1` where the table has no column of visits.
    pub visit: String,
    /// Numbers of the sites, rising.
    pub sites: Vec<u32>,
    /// The count of each site, all groups added; `None` where any of them is missing.
    pub counts: Vec<Option<u32>>,
}

impl FieldWalk {
    /// The counts that are not missing, in the order walked.
    pub fn present(&self) -> impl Iterator<Item = u32> + '_ {
        self.counts.iter().copied().flatten()
    }

    /// Number of sites whose count is missing.
    #[must_use]
    pub fn missing(&self) -> usize {
        self.counts.iter().filter(|count| count.is_none()).count()
    }

    /// Numbers left out between the first site and the last.
    #[must_use]
    pub fn skipped(&self) -> u64 {
        match (self.sites.first(), self.sites.last()) {
            (Some(first), Some(last)) => {
                (u64::from(*last) + 1).saturating_sub(u64::from(*first) + self.sites.len() as u64)
            }
            _ => 0,
        }
    }
}

/// Checked site counts, all of sites of one size.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Counts {
    /// The walks, in the order in which they are first met; never empty.
    pub walks: Vec<FieldWalk>,
    /// Plants at every site.
    pub plants: Plants,
    /// The columns that were added to a site's count.
    pub count_columns: Vec<String>,
    /// For each walk, each site, the count of each plant, where the plants stood apart ([`Layout::Plants`]).
    pub by_plant: Option<Vec<Vec<Vec<Option<u32>>>>>,
    /// For each walk, each of [`Self::count_columns`], the count of each site, where several columns were added.
    pub by_group: Option<Vec<Vec<Vec<Option<u32>>>>>,
    /// For each walk, the place of each site, where columns of places were read.
    pub places: Option<Vec<Vec<Option<[f64; 2]>>>>,
    /// Who counted, where a column of observers was read.
    pub observers: Option<Observers>,
    /// SHA-256 of the bytes that were read; `None` for counts that came in memory.
    pub digest: Option<Digest>,
    /// What stood between cells; `None` for counts that were not text.
    pub separator: Option<Separator>,
    /// What was noticed while reading.
    pub noticed: Noticed,
}

/// Who counted the sites.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Observers {
    /// Their names, in the order in which they are first met.
    pub names: Vec<String>,
    /// For each walk, each site, the place among the names; `None` where nobody is named.
    pub of_sites: Vec<Vec<Option<usize>>>,
}

impl Counts {
    /// The walks of the fields that are `kept`, without what stood beside the counts; what was noticed while reading
    /// stays.
    pub(crate) fn of_fields(&self, kept: impl Fn(&str) -> bool) -> Self {
        Self {
            walks: self.walks.iter().filter(|walk| kept(&walk.field)).cloned().collect(),
            by_plant: None,
            by_group: None,
            places: None,
            observers: None,
            count_columns: self.count_columns.clone(),
            digest: self.digest.clone(),
            ..*self
        }
    }

    /// Reads a table of counts: CSV with `,` or `;`, or tab-separated; UTF-8, with or without a mark.
    ///
    /// Blank rows are passed over. Rows of one walk need not stand together.
    ///
    /// # Errors
    /// Everything found wrong, in order of the lines of the table, the header being line 1 if nothing
    /// stands above it: `file_read`, `too_much_work` (above 1 GiB), `counts_encoding`, `counts_empty`,
    /// `counts_column`, `counts_row`, `counts_value`, `counts_repeated`, `counts_order`,
    /// `counts_total`, `counts_plants`.
    ///
    /// ```
    /// use stopline::counts::{Counts, Reading};
    /// let table = "field;site;count\nheron;1;2\nheron;2;3,5\nheron;2;0\n";
    /// let errors = Counts::read(table.as_bytes(), &Reading::default()).unwrap_err();
    /// let found: Vec<_> = errors.as_slice().iter().map(|e| (e.place().row, e.code().as_str())).collect();
    /// assert_eq!(found, [(Some(3), "counts_value"), (Some(4), "counts_repeated")]);
    /// ```
    pub fn read(input: impl Read, how: &Reading) -> Result<Self, Errors> {
        let bytes = bytes(input)?;
        let text = rows::text(&bytes)?;
        let header = header::Header::read(text, how)?;
        let (names, places) = header.find(text, how)?;
        let sites_across = header::sites_across(&names, &places);
        let mut filled = Filled::new(&places.filled);
        let mut walks = Walks::new(names, &how.missing, Some(header.separator), how.plants_wanted, how.layout)
            .counted_to(how.counted_to);
        let mut table = rows::Rows::new(text, header.separator);
        table.advance()?; // the header
        let widths = header.widths();
        loop {
            match table.advance() {
                Ok(Some(line)) => match table.fits(line, &widths) {
                    Ok(()) => {
                        let cell = |place| table.record.get(place).unwrap_or_default();
                        filled.row(cell);
                        let known = |place| filled.above(place).unwrap_or_else(|| cell(place));
                        let cells = Cells {
                            field: known(places.field),
                            visit: places.visit.map(known),
                            site: places.site.map_or("", known),
                            plants: places.plants.map(known),
                            plant: places.plant.map(known),
                            place: places.place.map(|both| both.map(known)),
                            observer: places.observer.map(known),
                        };
                        let counts = places.counts.iter().map(|&place| cell(place));
                        match how.layout {
                            Layout::Sites | Layout::Plants => walks.row(line, cells, counts),
                            Layout::Walks => {
                                let sites = sites_across.iter();
                                walks.walk(
                                    line,
                                    cells,
                                    sites.map(|&(site, ref name, place)| (site, &name[..], cell(place))),
                                );
                            }
                            Layout::Frequencies => walks.frequency(line, cells, counts),
                        }
                    }
                    Err(e) => walks.refuse(e),
                },
                Ok(None) => break,
                // What follows a quote left open has no rows.
                Err(e) => {
                    walks.refuse(e);
                    break;
                }
            }
        }
        walks.finish().map(|counts| Self { digest: Some(Digest::of_bytes(&bytes)), ..counts })
    }
}

/// All bytes of a table.
fn bytes(input: impl Read) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    input.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(|e| {
        Error::new(Code::FileRead, "table of counts", format!("not readable ({e})"), "a table that can be read")
    })?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(Error::new(Code::TooMuchWork, "table of counts", "larger", "at most 1 GiB"));
    }
    Ok(bytes)
}
