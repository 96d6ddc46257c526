//! What is said where no plan of a method meets a design: what would.

use super::checks::Closing;
use super::design::{Asked, Design, Method};
use crate::error::{Code, Error};
use crate::params::MOST_SITES;
use crate::watch::Watch;

/// The error of a design that no plan of a method meets.
pub(super) fn no_plan(design: &Design, method: Method, watch: &dyn Watch) -> Result<Error, Error> {
    let asked = design.asked()?;
    let cap = design.checks.cap();
    let fixed = found(asked.fewest_fixed(|_| true, watch).map(|f| f.map(|f| f.sites)))?;
    let would_do = match (fixed.flatten(), method) {
        (Some(fixed), Method::Calibrated) => found(cap_that_would_do(&asked, fixed, watch))?.flatten(),
        (fixed, _) => fixed,
    };
    let words = match would_do {
        Some(n) if n > cap => format!("max_sites {n} would do"),
        // Within the cap a plan that closes by a call exists: what asks too much is the open end.
        Some(_) if design.closing == Closing::Undecided => {
            "closing by a call, or a larger undecided_at_most, would do".to_owned()
        }
        Some(n) => always(&asked, n, method, watch)?,
        None => "no cap that was tried would do".to_owned(),
    };
    let fixed = match fixed {
        Some(Some(sites)) => format!("are {sites}"),
        Some(None) => format!("are more than {MOST_SITES}"),
        None => "take too much work to find".to_owned(),
    };
    let article = if method == Method::Optimal { "an" } else { "a" };
    Ok(Error::new(
        Code::NoPlan,
        format!("max_sites for {article} {} plan at the asked risks", method.as_str()),
        cap,
        format!("{words}; the fewest fixed sites at these risks {fixed}"),
    ))
}

/// That a fixed walk within the cap would do, and for two stages what keeps them from it: where a walk to the first check
/// alone keeps the risks there is nothing that a second would add.
fn always(asked: &Asked<'_>, sites: u32, method: Method, watch: &dyn Watch) -> Result<String, Error> {
    let checks = &asked.design.checks;
    let none = if checks.sites().contains(&sites) { "" } else { ", which is none of the checks," };
    let two_stage = matches!(method, Method::TwoStage | Method::TwoStageMinimax);
    let earlier = if two_stage && sites > 1 && asked.cuts(checks.first(), watch)?.is_some() {
        format!(", and so would a first check of fewer than {sites}")
    } else {
        String::new()
    };
    Ok(format!("always {sites} sites{none} would do (method fixed){earlier}"))
}

/// `None` for what would take too much work: that there is no plan was found out before.
fn found<T>(result: Result<T, Error>) -> Result<Option<T>, Error> {
    match result {
        Ok(found) => Ok(Some(found)),
        Err(e) if e.code() == Code::TooMuchWork => Ok(None),
        Err(e) => Err(e),
    }
}

/// A cap above the design's with a calibrated plan, the smallest to one part in 64: sought upwards in growing
/// steps from the fewest fixed sites, then by halving back.
fn cap_that_would_do(asked: &Asked<'_>, fixed: u32, watch: &dyn Watch) -> Result<Option<u32>, Error> {
    let exists = |cap: u32| asked.calibrated_exists(&asked.design.checks.with_cap(cap).sites(), watch);
    let start = asked.design.checks.cap();
    let mut below = start.max(asked.fewest_of_any_plan(watch)? - 1);
    let mut at = fixed.max(start + 1);
    let mut step = (at / 20).max(1);
    while at <= MOST_SITES && !exists(at)? {
        below = at;
        at = at.saturating_add(step);
        step *= 2;
    }
    if at > MOST_SITES {
        return Ok(None);
    }
    while at - below > 1.max(at / 64) {
        let middle = below + (at - below) / 2;
        match found(exists(middle))? {
            Some(true) => at = middle,
            Some(false) => below = middle,
            None => break,
        }
    }
    Ok(Some(at))
}
