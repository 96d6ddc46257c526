//! A fixed walk that ends as soon as its call can no longer change.
//!
//! Counts only add: once the total is above the cut the call at the last site will be adequate. A total
//! can no longer pass the cut only where a site adds at most a known number: for positive units and capped
//! counts the walk also ends when the sites left are too few. Every call is that of the fixed walk, so its exact risks are
//! the same, and it takes fewer sites.

use super::checks::Checks;
use super::design::Design;
use super::fixed::Fixed;
use crate::error::Error;
use crate::lines::{Lines, Row};
use crate::score::Total;

/// The walk of `fixed`, looked at whenever the design has a check.
pub(super) fn curtailed(design: &Design, fixed: Fixed) -> Result<(Checks, Lines), Error> {
    let Fixed { sites: last, cut, .. } = fixed;
    let checks = design.checks.with_cap(last);
    let row = |n: u32| {
        let can_still_add = match design.score.most() {
            Some(most) => Some(most * Total::from(last - n)),
            None => (n == last).then_some(0),
        };
        let inadequate = can_still_add.map(|more| cut - more).filter(|&t| t >= 0);
        Row::two_calls(n, inadequate, Some(cut + 1), None)
    };
    let lines = Lines::new(checks.sites().into_iter().map(row).collect())?;
    Ok((checks, lines))
}
