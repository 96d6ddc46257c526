//! What plans and past fields say of the ground they are compared on.

use crate::counts::Counts;
use crate::dispersion::{Dispersion, Draws, Frequencies, spread};
use crate::error::{Code, Error};
use crate::params::{K, Level};
use crate::plan::Plan;
use crate::watch::Watch;

/// What named plans have in common; `None` without plans, or where none says it.
///
/// # Errors
/// `combination`, naming the first plan that differs.
pub fn in_common<T: PartialEq>(
    plans: &[(String, &Plan)],
    what: &str,
    of: impl Fn(&Plan) -> Option<T>,
) -> Result<Option<T>, Error> {
    let Some((_, first)) = plans.first() else { return Ok(None) };
    let said = of(first);
    match plans.iter().find(|(_, plan)| of(plan) != said) {
        Some((name, _)) => {
            let what = format!("{what} of the plans compared");
            Err(Error::new(Code::Combination, what, format!("another in {name}"), "the same in all"))
        }
        None => Ok(said),
    }
}

/// ln k below which a third of fields lie, in standard deviations of ln k from the median: the normal quantile of ⅓.
const LOWEST_THIRD: f64 = -0.430_727_299_295_457_5;

/// The k that the most clumped third of fields stay below, by the spread of ln k over the walks ([`spread`]), with
/// words for it; `None` where no spread is found.
///
/// # Errors
/// `interrupted`.
pub fn most_clumped_third(counts: &Counts, watch: &dyn Watch) -> Result<Option<(String, Dispersion)>, Error> {
    let walks = counts.walks.iter().map(|walk| Frequencies::of(&walk.present().collect::<Vec<_>>()));
    let walks = walks.collect::<Result<Vec<_>, _>>()?;
    // The bound that level and draws are for is not used.
    let Ok(spread) = spread(&walks, Level::new(0.9)?, Draws::new(99, 1)?, watch)? else { return Ok(None) };
    if spread.sd_log == 0.0 {
        return Ok(None);
    }
    let k = K::new(spread.median * libm::exp(LOWEST_THIRD * spread.sd_log))?;
    let name = format!("the most clumped third of past fields (k at most {:.2})", k.get());
    Ok(Some((name, Dispersion::ConstantK { k })))
}
