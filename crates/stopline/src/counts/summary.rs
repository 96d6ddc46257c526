//! Summaries of fields, as papers print them: number of sites, mean and variance.
//!
//! They tell how the variance goes with the mean over fields, and a k by moments of each; not more, since the
//! counts themselves are gone.

use super::cell::{has_decimal_comma, shown, whole};
use super::filled::Filled;
use super::header::Header;
use super::reading::Reading;
use super::rows::{self, Rows};
use crate::error::{Code, Error, Errors};
use std::collections::BTreeMap;
use std::io::Read;

/// A field on a visit: its sites, their mean and variance.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Name of the field.
    pub field: String,
    /// Name of the visit; `1` where the table has no column of visits.
    pub visit: String,
    /// Number of sites.
    pub sites: u64,
    /// Mean per site.
    pub mean: f64,
    /// Variance with divisor n − 1; `None` where it is missing.
    pub variance: Option<f64>,
}

impl Summary {
    /// Reads a table with columns of fields, visits, sites (the column [`Reading::site`]), `mean` and `variance`.
    ///
    /// # Errors
    /// Everything found wrong, by line: the codes of [`Counts::read`](super::Counts::read).
    ///
    /// ```
    /// use stopline::counts::{Reading, Summary};
    /// let how = Reading { site: "n".into(), ..Reading::default() };
    /// let table = "field,n,mean,variance\nheron,20,1.5,3.2\nplover,20,0.4,NA\n";
    /// let read = Summary::read(table.as_bytes(), &how)?;
    /// assert_eq!((read[0].mean, read[1].variance), (1.5, None));
    /// # Ok::<(), stopline::Errors>(())
    /// ```
    pub fn read(input: impl Read, how: &Reading) -> Result<Vec<Self>, Errors> {
        let bytes = super::bytes(input)?;
        let text = rows::text(&bytes)?;
        let header = Header::read(text, how)?;
        let mut bad = Vec::new();
        let mut find = |name: &str| header.place(name).map_err(|e| bad.push(e)).unwrap_or(usize::MAX);
        let visit = how.visit.clone().or_else(|| header.implied("visit", how));
        let (field, sites, mean, variance) = (find(&how.field), find(&how.site), find("mean"), find("variance"));
        let visit = visit.map(|name| find(&name));
        let filled: Vec<usize> = how.fill_down.iter().map(|name| find(name)).collect();
        Errors::or(bad, || ())?;

        let (mut filled, mut table) = (Filled::new(&filled), Rows::new(text, header.separator));
        let (mut found, mut bad) = (Vec::new(), Vec::new());
        let mut lines = BTreeMap::<(String, String), u64>::new();
        table.advance()?; // the header
        loop {
            let line = match table.advance() {
                Ok(Some(line)) => line,
                Ok(None) => break,
                Err(e) => {
                    bad.push(e);
                    break;
                }
            };
            if let Err(e) = table.fits(line, &header.widths()) {
                bad.push(e);
                continue;
            }
            let cell = |place| table.record.get(place).unwrap_or_default();
            filled.row(cell);
            let known = |place| filled.above(place).unwrap_or_else(|| cell(place)).trim();
            let mut refused = |what: &str, value: &str, allowed: &str| {
                bad.push(Error::new(Code::CountsValue, what, shown(value), allowed).at(line, Some(what)));
            };
            let (field, visit) = (known(field).to_owned(), visit.map_or("1", known).to_owned());
            if field.is_empty() {
                refused("field", "", "a name");
            }
            let sites_here = whole(known(sites)).filter(|n| *n > 0);
            if sites_here.is_none() {
                refused("sites", known(sites), "a whole number from 1");
            }
            let mut number = |what: &str, text: &str| {
                let number = text.parse::<f64>().ok().filter(|x| (0.0..1e15).contains(x));
                if number.is_none() {
                    let comma = if has_decimal_comma(text) { " (this one has a decimal comma)" } else { "" };
                    refused(what, text, &format!("a number from 0{comma}"));
                }
                number
            };
            let mean = number("mean", known(mean));
            let text = known(variance);
            let is_missing = how.missing.iter().any(|missing| missing == text);
            let variance = if is_missing { None } else { number("variance", text) };
            if let (Some(mean), Some(v)) = (mean, variance)
                && mean == 0.0
                && v > 0.0
            {
                refused("variance", text, "0 where the mean is 0");
            }
            let (Some(sites), Some(mean)) = (sites_here, mean) else { continue };
            if let Some(first) = lines.insert((field.clone(), visit.clone()), line) {
                let allowed = format!("once for visit {}, which is in row {first}", shown(&visit));
                bad.push(Error::new(Code::CountsRepeated, "field", shown(&field), allowed).at(line, Some(&how.field)));
            }
            found.push(Self { field, visit, sites: sites.into(), mean, variance });
        }
        if bad.is_empty() && found.is_empty() {
            let at_least = "at least one field with its sites, mean and variance";
            bad.push(Error::new(Code::CountsEmpty, "table of summaries", "without a row below its header", at_least));
        }
        Errors::or(bad, || found)
    }
}
