//! Lines that are each as narrow as their own exact risk allows, whatever shape they have together.
//!
//! From the narrowest lines each is widened just enough for its own risk, in turn, until all risks are kept, and drawn
//! in again where another line's widening left room. A line's own risk falls as it widens, path by path; of two lines
//! with a fixed end each widening raises the other's risk, so that the first lines to keep both are the narrowest of
//! all that do (the least fixed point).

use super::widths::{Side, Widths};
use super::{LN_NEVER, MOST_CHANGES};
use crate::error::{Code, Error};

/// Where a line runs, and the risk that it keeps.
#[derive(Clone, Copy)]
pub(super) struct Direction {
    pub side: Side,
    pub slope: f64,
    /// Change of its log likelihood ratio per unit of the total: moved outwards by h, the line changes its risk by
    /// about e^(−h·d).
    pub per_total: f64,
    pub risk: f64,
}

impl Direction {
    /// The different tables of the line at checks of these `sites`, from distance `after` outwards.
    ///
    /// # Errors
    /// `too_much_work` where they are too many.
    pub fn widths(&self, sites: &[u32], after: f64) -> Result<Widths, Error> {
        // Ville's inequality: a line at distance h is ever met with chance at most e^(−h·d).
        let widest = ((LN_NEVER - libm::log(self.risk)) / self.per_total).max(after + 1.0);
        let changes = (widest - after) * sites.len() as f64;
        if changes > MOST_CHANGES {
            let allowed = format!("at most {MOST_CHANGES:.0e}: fewer checks, lower means, or thresholds further apart");
            let what = "different calibrated lines";
            return Err(Error::new(Code::TooMuchWork, what, format!("about {changes:.0e}"), allowed));
        }
        let first = (1.0 - libm::log(self.risk)) / self.per_total;
        Ok(Widths::of(self.slope, sites, (after, widest), first, self.side))
    }
}

/// Positions of the lines, and the risks over the asked ones.
#[derive(Clone, Copy)]
struct Tried<const N: usize> {
    at: [usize; N],
    risks: [f64; N],
}

/// The distances of the narrowest lines whose risks, over the asked ones, are all at most 1; `None` where the widest
/// do not do. `line_of_risk` says which line each risk is kept by.
#[allow(clippy::indexing_slicing)] // lines and risks are numbered below N
pub(super) fn narrowest<const N: usize>(
    widths: &mut [Widths; N],
    line_of_risk: [usize; N],
    risks: impl Fn([f64; N]) -> Result<[f64; N], Error>,
) -> Result<Option<[f64; N]>, Error> {
    let distances = |widths: &[Widths; N], at: [usize; N]| {
        let mut h = [0.0; N];
        h.iter_mut().zip(widths).zip(at).for_each(|((h, widths), at)| *h = widths.at(at));
        h
    };
    let tried = |widths: &mut [Widths; N], at: [usize; N]| -> Result<Tried<N>, Error> {
        for (widths, at) in widths.iter_mut().zip(at) {
            widths.reach(at);
        }
        Ok(Tried { at, risks: risks(distances(widths, at))? })
    };
    let mut now = tried(widths, [0; N])?;
    while let Some(risk) = now.risks.iter().position(|&r| r > 1.0) {
        let line = line_of_risk[risk];
        let with = |position: usize| {
            let mut at = now.at;
            at[line] = position;
            at
        };
        // Outwards in growing steps, then halving back.
        let (mut narrow, mut step) = (now.at[line], 1);
        let mut wide = loop {
            let next = widths[line].reach(narrow + step);
            if next == narrow {
                return Ok(None);
            }
            step *= 2;
            let tried = tried(widths, with(next))?;
            if tried.risks[risk] <= 1.0 {
                break tried;
            }
            narrow = next;
        };
        while wide.at[line] - narrow > 1 {
            let middle = narrow + (wide.at[line] - narrow) / 2;
            let tried = tried(widths, with(middle))?;
            if tried.risks[risk] <= 1.0 { wide = tried } else { narrow = middle }
        }
        now = wide;
    }
    for line in line_of_risk {
        while now.at[line] > 0 {
            let mut at = now.at;
            at[line] -= 1;
            let tried = tried(widths, at)?;
            if tried.risks.iter().any(|&r| r > 1.0) {
                break;
            }
            now = tried;
        }
    }
    Ok(Some(distances(widths, now.at)))
}
