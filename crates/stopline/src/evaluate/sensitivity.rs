//! What becomes of a plan where things are not as it was computed for, one at a time, all exactly.
//!
//! - *k* is another than was thought.
//! - *The bucket* catches only a share c of the enemies: binomial thinning keeps k and makes the mean c·m, so that a plan
//!   whose thresholds are of enemies on the plants errs as at c·m. Thresholds times c put that right.
//! - *An observer* finds less than the one whose counts the plan was fitted to: the same.
//! - *A bare part* of the field has no enemies, and the field's mean m is that of all of it: a site is bare with chance
//!   b, else NB(m/(1 − b), k).
//! - *One corner*: the first sites lie so close together that they have all of their clumping in common.

use super::clustered::clustered_lines;
use super::{CurveRow, curve_of_laws, evaluate_lines};
use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::law::{Law, Laws};
use crate::params::{K, Mean, Share};
use crate::plan::{Digest, Plan};
use crate::score::Score;
use crate::simulate::{Clustered, Run};
use crate::watch::{Watch, tell};
use serde::ser::{Serialize, SerializeMap, SerializeStruct, Serializer};

/// Factors of k that are looked at, beside no clumping at all.
pub const K_FACTORS: [f64; 4] = [0.5, 0.75, 1.5, 2.0];
/// What an observer finds who finds 30 % less.
const FINDS: f64 = 0.7;
/// The bare part of a field.
const BARE: f64 = 1.0 / 3.0;
/// Sites from one corner.
const CORNER: u32 = 5;
/// Probability of counts that are left off a table.
const LEFT_OFF: f64 = 1e-16;

/// What is not as it was thought.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Otherwise {
    /// Nothing.
    AsPlanned,
    /// k is this many times what was thought; infinite: counts are not clumped.
    K(f64),
    /// The bucket catches this share.
    Caught(f64),
    /// An observer finds this share of what the usual one does.
    Finds(f64),
    /// This share of the field is bare.
    Bare(f64),
    /// So many first sites come from one corner.
    Corner(u32),
}

impl Otherwise {
    /// The word used in every language and file, and its number.
    #[must_use]
    pub const fn word(self) -> (&'static str, Option<f64>) {
        match self {
            Self::AsPlanned => ("as_planned", None),
            Self::K(times) => ("k_times", Some(times)),
            Self::Caught(share) => ("share_caught", Some(share)),
            Self::Finds(share) => ("observer_finds", Some(share)),
            Self::Bare(share) => ("bare_share", Some(share)),
            Self::Corner(sites) => ("one_corner", Some(sites as f64)),
        }
    }
}

/// What a plan does where one thing is otherwise.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// What is otherwise.
    pub otherwise: Otherwise,
    /// By the true means of fields, as asked.
    pub rows: Vec<CurveRow>,
}

/// A plan where things are otherwise. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensitivity {
    /// Digest of the plan.
    pub plan: Digest,
    /// The k that was thought.
    pub k: K,
    /// The first is as planned.
    pub cases: Vec<Case>,
}

/// What becomes of `plan` at each mean where one thing after the other is not as it was thought; `caught` is the share
/// of enemies that the bucket catches.
///
/// # Errors
/// `combination` unless the plan adds up counts of one k (of an uncertain k its middle value is taken); `out_of_range`
/// for a bucket that catches nothing; `too_much_work`, `interrupted`.
pub fn sensitivity(plan: &Plan, means: &[Mean], caught: Share, watch: &dyn Watch) -> Result<Sensitivity, Error> {
    let design = plan.asked();
    let k = design.dispersion.constant_k().filter(|_| design.score == Score::Count).ok_or_else(|| {
        let allowed = "counts with one k at every mean";
        Error::new(Code::Combination, "dispersion of the plan", design.dispersion.name(), allowed)
    })?;
    let mut all = vec![Otherwise::AsPlanned];
    all.extend(K_FACTORS.into_iter().chain([f64::INFINITY]).map(Otherwise::K));
    all.extend([
        Otherwise::Caught(caught.get()),
        Otherwise::Finds(FINDS),
        Otherwise::Bare(BARE),
        Otherwise::Corner(CORNER),
    ]);
    let of = all.len() as u64;
    let case = |(done, otherwise): (u64, Otherwise)| {
        tell(watch, done, of)?;
        Ok(Case { otherwise, rows: rows(plan, k, means, otherwise, watch)? })
    };
    let cases = (0..).zip(all).map(case).collect::<Result<_, Error>>()?;
    Ok(Sensitivity { plan: plan.digest().clone(), k, cases })
}

fn rows(plan: &Plan, k: K, means: &[Mean], otherwise: Otherwise, watch: &dyn Watch) -> Result<Vec<CurveRow>, Error> {
    let (lines, score) = (plan.lines(), &plan.asked().score);
    let own = Dispersion::ConstantK { k };
    let exact = |under: Dispersion, means: &[Mean]| Ok(evaluate_lines(lines, score, &under, means, watch)?.rows);
    match otherwise {
        Otherwise::AsPlanned => exact(own, means),
        Otherwise::K(times) if times == f64::INFINITY => exact(Dispersion::Poisson, means),
        Otherwise::K(times) => exact(Dispersion::ConstantK { k: K::new(k.get() * times)? }, means),
        Otherwise::Caught(share) | Otherwise::Finds(share) => {
            let thinned = |mean: &Mean| Mean::new(mean.get() * share).map_err(|e| e.named("mean of what is caught"));
            let thinned = means.iter().map(thinned).collect::<Result<Vec<_>, _>>()?;
            let rows = exact(own, &thinned)?;
            Ok(rows.into_iter().zip(means).map(|(row, mean)| CurveRow { mean: mean.get(), ..row }).collect())
        }
        Otherwise::Bare(share) => {
            let laws = means.iter().map(|&mean| Ok(Laws::one(bare(mean, k, share)?)));
            let laws = laws.collect::<Result<Vec<_>, Error>>()?;
            let means: Vec<f64> = means.iter().map(|mean| mean.get()).collect();
            Ok(curve_of_laws(lines, &means, &laws, watch)?.rows)
        }
        Otherwise::Corner(sites) => {
            let corner = Clustered::new(own, Share::new(1.0)?, Run::First(sites))?;
            clustered_lines(lines, score, &corner, means, watch)
        }
    }
}

/// The law of a site in a field of which a share is bare.
fn bare(mean: Mean, k: K, share: f64) -> Result<Law, Error> {
    let law = Law::NegBin { mean: Mean::new(mean.get() / (1.0 - share))?, k };
    let (mut p, mut len) = (Vec::new(), 64);
    loop {
        law.batch(1, len, &mut p);
        if p.last().is_some_and(|last| *last < LEFT_OFF) || len > 50_000 {
            break;
        }
        len *= 2;
    }
    let mut p: Vec<f64> = p.into_iter().map(|p| p * (1.0 - share)).collect();
    if let Some(none) = p.first_mut() {
        *none += share;
    }
    Law::table(0, p)
}

impl Serialize for Sensitivity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Sensitivity", 5)?;
        object.serialize_field("format", "stopline/sensitivity")?;
        object.serialize_field("version", &1)?;
        object.serialize_field("plan", self.plan.as_str())?;
        object.serialize_field("k", &self.k)?;
        object.serialize_field("cases", &self.cases)?;
        object.end()
    }
}

impl Serialize for Case {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let (word, number) = self.otherwise.word();
        let mut object = serializer.serialize_map(None)?;
        object.serialize_entry("otherwise", word)?;
        // JSON has no infinity.
        object.serialize_entry("number", &number.filter(|x| x.is_finite()))?;
        object.serialize_entry("rows", &self.rows.iter().map(Row).collect::<Vec<_>>())?;
        object.end()
    }
}

struct Row<'a>(&'a CurveRow);

impl Serialize for Row<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_map(None)?;
        object.serialize_entry("mean", &self.0.mean)?;
        object.serialize_entry("adequate", &self.0.adequate)?;
        object.serialize_entry("inadequate", &self.0.inadequate)?;
        object.serialize_entry("undecided", &self.0.undecided)?;
        object.serialize_entry("expected_sites", &self.0.expected_sites)?;
        object.end()
    }
}
