//! What a walk takes in minutes, by the user's own times.

use crate::error::{Code, Error};
use serde::Serialize;

/// Minutes of the parts of a walk.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Timings {
    per_site: f64,
    per_enemy: f64,
    in_and_out: f64,
}

impl Timings {
    /// Minutes for each site and the way to the next, for each enemy counted, and for walking into the field and out
    /// again, which stopping early may not save.
    ///
    /// # Errors
    /// `out_of_range` unless each is from 0 to 100 000.
    pub fn new(per_site: f64, per_enemy: f64, in_and_out: f64) -> Result<Self, Error> {
        for (what, minutes) in
            [("minutes of a site", per_site), ("minutes of an enemy", per_enemy), ("minutes in and out", in_and_out)]
        {
            if !(0.0..=1e5).contains(&minutes) {
                return Err(Error::new(Code::OutOfRange, what, minutes, "from 0 to 100000"));
            }
        }
        Ok(Self { per_site, per_enemy, in_and_out })
    }

    /// Minutes between the first site and the last of so many sites and enemies.
    #[must_use]
    pub fn minutes(&self, sites: f64, enemies: f64) -> f64 {
        self.per_site * sites + self.per_enemy * enemies
    }

    /// Minutes of walking into the field and out again.
    #[must_use]
    pub const fn in_and_out(&self) -> f64 {
        self.in_and_out
    }
}
