//! How many fields and sites tell k as closely as wanted.
//!
//! The standard error of a common k, over k, is 1/(k·√Σ(n−1)·I(m, k)) over walks of n sites and mean m, I the expected
//! information of a site (`precision`) and n − 1 for the mean that is fitted. Fields with means like those seen are
//! supposed, all with one k: where k differs from field to field, more are needed.

use super::estimate::Why;
use super::fit::Fit;
use super::frequencies::Frequencies;
use crate::counts::Counts;
use crate::error::{Code, Error};
use serde::Serialize;

/// Sites of a walk that are looked at.
const SITES: [u32; 5] = [10, 15, 20, 30, 60];

/// What k of a wanted closeness needs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Needed {
    /// Standard error of the common k over k, as these walks give it.
    pub relative_error: f64,
    /// The one wanted.
    pub wanted: f64,
    /// Fields of so many sites, each walked once, that are needed.
    pub fields: Vec<Fields>,
}

/// A number of fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Fields {
    /// Sites of each walk.
    pub sites: u32,
    /// Number of fields.
    pub fields: u64,
}

/// What a standard error of `wanted` over k needs, where fields are like these walks and have this k.
///
/// # Errors
/// Why nothing can be told.
pub fn needed(walks: &[Frequencies], k: f64, wanted: f64) -> Result<Needed, Why> {
    let (mut all, mut of_site, mut number) = (0.0, 0.0, 0.0);
    for walk in walks.iter().filter(|walk| walk.sum() > 0 && walk.sites() > 1) {
        let sites = walk.sites() as f64;
        let (se, _) = walk.se_expected(k)?;
        let information = 1.0 / (sites * se * se);
        all += (sites - 1.0) * information;
        of_site += information;
        number += 1.0;
    }
    if number == 0.0 {
        return Err(Why::AllZero);
    }
    let of_site = of_site / number;
    let fields = SITES.map(|sites| {
        let needed = 1.0 / (wanted * wanted * k * k * of_site * f64::from(sites - 1));
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // from 1 to 2⁵³
        let fields = libm::ceil(needed).clamp(1.0, 9e15) as u64;
        Fields { sites, fields }
    });
    Ok(Needed { relative_error: 1.0 / (k * libm::sqrt(all)), wanted, fields: fields.to_vec() })
}

impl Fit {
    /// With what a standard error of `wanted` over k needs.
    ///
    /// # Errors
    /// `out_of_range` unless 0.01 ≤ `wanted` ≤ 1.
    pub fn with_needed(mut self, counts: &Counts, wanted: f64) -> Result<Self, Error> {
        if !(0.01..=1.0).contains(&wanted) {
            return Err(Error::new(Code::OutOfRange, "quality", wanted, "from 0.01 to 1"));
        }
        let walks = counts.walks.iter().map(|walk| Frequencies::of(&walk.present().collect::<Vec<_>>()));
        let walks = walks.collect::<Result<Vec<_>, _>>()?;
        self.needed = Some(self.common.conditional.k.or_why().and_then(|k| needed(&walks, k, wanted)));
        Ok(self)
    }
}
