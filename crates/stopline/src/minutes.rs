//! What a walk takes in minutes, by the user's own times.

use crate::error::{Code, Error};
use crate::params::Plants;
use serde::Serialize;

/// Minutes of the parts of a walk.
///
/// ```
/// use stopline::{Minutes, Plants};
/// let times = Minutes::new(2.0)?.with_plant(0.5)?.with_enemy(0.1)?;
/// // Ten sites of three plants with 20 enemies: 10·(2 + 3·0.5) + 20·0.1.
/// assert_eq!(times.of_walk(10.0, Plants::new(3)?, 20.0), 37.0);
/// # Ok::<(), stopline::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Minutes {
    per_site: f64,
    per_plant: f64,
    per_enemy: f64,
    in_and_out: f64,
}

impl Minutes {
    /// Minutes for each site and the way to the next.
    ///
    /// # Errors
    /// `out_of_range` unless from 0 to 100 000, as for the others.
    pub fn new(per_site: f64) -> Result<Self, Error> {
        let per_site = checked("minutes of a site", per_site)?;
        Ok(Self { per_site, per_plant: 0.0, per_enemy: 0.0, in_and_out: 0.0 })
    }

    /// With minutes more for each plant of a site.
    ///
    /// # Errors
    /// As [`Minutes::new`].
    pub fn with_plant(self, minutes: f64) -> Result<Self, Error> {
        Ok(Self { per_plant: checked("minutes of a plant", minutes)?, ..self })
    }

    /// With minutes more for each enemy counted.
    ///
    /// # Errors
    /// As [`Minutes::new`].
    pub fn with_enemy(self, minutes: f64) -> Result<Self, Error> {
        Ok(Self { per_enemy: checked("minutes of an enemy", minutes)?, ..self })
    }

    /// With minutes for walking into the field and out again, which stopping early may not save.
    ///
    /// # Errors
    /// As [`Minutes::new`].
    pub fn with_in_and_out(self, minutes: f64) -> Result<Self, Error> {
        Ok(Self { in_and_out: checked("minutes in and out", minutes)?, ..self })
    }

    /// Minutes between the first site and the last of so many sites and enemies.
    #[must_use]
    pub fn of_walk(&self, sites: f64, plants: Plants, enemies: f64) -> f64 {
        (self.per_site + self.per_plant * f64::from(plants.get())) * sites + self.per_enemy * enemies
    }

    /// Minutes for each plant of a site.
    #[must_use]
    pub const fn per_plant(&self) -> f64 {
        self.per_plant
    }

    /// Minutes of walking into the field and out again.
    #[must_use]
    pub const fn in_and_out(&self) -> f64 {
        self.in_and_out
    }
}

fn checked(what: &str, minutes: f64) -> Result<f64, Error> {
    if (0.0..=1e5).contains(&minutes) {
        Ok(minutes)
    } else {
        Err(Error::new(Code::OutOfRange, what, minutes, "from 0 to 100000"))
    }
}
