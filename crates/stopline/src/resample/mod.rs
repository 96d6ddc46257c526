//! What a plan does over sites of real walks drawn again, and whether the negative binomial curve describes it.
//!
//! Each walk, counted in full whatever the plan scores of it, stands for a field whose mean is the walk's. Its sites are drawn again with or without replacement or in
//! blocks of neighbours ([`Redraw`]), which assumes no law of counts, and the plan is walked over them; beside it stands
//! the exact curve at that mean and the clumping taken to be true, or fitted to the other fields where each field is
//! held out.
//!
//! *The verdict* compares how far the two are apart, as root mean square over the walks, with how far they are apart
//! for counts that really are negative binomial: sets of walks with these sites, means and k are drawn, drawn again and
//! compared in the same way, and p is the share of sets at least as far apart (Davison & Hinkley 1997, *Bootstrap Methods
//! and their Application*, § 4.2). It sees k that differ between fields and, in blocks, neighbours that are alike. It is
//! not seen by walks that are few or short.

mod fairness;

pub use crate::simulate::Redraw;
pub use fairness::Fairness;

use crate::counts::{Counts, FieldWalk};
use crate::dispersion::{Dispersion, fit_counts};
use crate::error::{Code, Error};
use crate::evaluate::{CurveRow, curve_of_laws};
use crate::lines::Call;
use crate::params::{K, Level, Mean};
use crate::plan::{Digest, Plan};
use crate::score::{Score, Site, Total};
use crate::simulate::{RealWalk, SimulatedRow, Walks, redraw_lines};
use crate::watch::Watch;
use serde::ser::{Serialize, SerializeMap, SerializeStruct, Serializer};

/// How walks are drawn again.
#[derive(Debug, Clone, Copy)]
pub struct Resampling {
    /// How sites are drawn.
    pub how: Redraw,
    /// How many times each walk is walked.
    pub walks: u64,
    /// Where the random numbers begin.
    pub seed: u64,
    /// Whether the k beside each field is that of the other fields.
    pub hold_out: bool,
    /// Sets of negative binomial walks that the verdict is got from, at least 99.
    pub sets: u32,
}

/// One walk drawn again.
#[derive(Debug, Clone, PartialEq)]
pub struct Resampled {
    /// Name of the field.
    pub field: String,
    /// Name of the visit.
    pub visit: String,
    /// Sites of the walk.
    pub sites: usize,
    /// What is taken to be true of the field.
    pub under: Dispersion,
    /// Over its sites drawn again.
    pub found: SimulatedRow,
    /// Exactly, by the law.
    pub exact: CurveRow,
}

/// Walks drawn again. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Resample {
    /// Digest of the plan.
    pub plan: Digest,
    /// How sites were drawn.
    pub how: Redraw,
    /// How many times each walk was walked.
    pub walks: u64,
    /// Where the random numbers began.
    pub seed: u64,
    /// Whether each field was held out of its k.
    pub held_out: bool,
    /// In the order of the counts.
    pub rows: Vec<Resampled>,
    /// Walks on which nothing was found, as field and visit: no law has such a mean.
    pub without_any: Vec<[String; 2]>,
    /// Whether the law is a fair description.
    pub fairness: Fairness,
}

/// A walk as it is drawn again.
struct Drawn<'a> {
    walk: &'a FieldWalk,
    steps: Box<[Total]>,
    mean: Mean,
    under: Dispersion,
}

/// Draws the sites of walks again and walks the plan over them, with the exact curve under `under` beside.
///
/// # Errors
/// `combination` where sites are not of the plan's size or have several units, the dispersion is not one k (or
/// Poisson), or less than three fields are to be held out one by one; `out_of_range` for a block of no sites or no walk
/// with any enemy; as [`crate::simulate::simulate`].
pub fn resample(
    plan: &Plan,
    counts: &Counts,
    under: &Dispersion,
    how: &Resampling,
    watch: &dyn Watch,
) -> Result<Resample, Error> {
    check(plan, counts, under, how)?;
    let of_field = |field: &str| if how.hold_out { without(counts, field, watch) } else { Ok(*under) };
    let (mut drawn, mut without_any) = (Vec::new(), Vec::new());
    for walk in &counts.walks {
        let (mean, steps) = scored(&plan.asked().score, walk.present())?;
        match Mean::new(mean) {
            Ok(mean) => drawn.push(Drawn { walk, steps, mean, under: of_field(&walk.field)? }),
            Err(_) => without_any.push([walk.field.clone(), walk.visit.clone()]),
        }
    }
    if drawn.is_empty() {
        return Err(Error::new(Code::OutOfRange, "walks with any enemy", 0, "1 or more"));
    }
    let walks = Walks::new(how.walks, how.seed)?;
    let real: Vec<_> = drawn.iter().map(|one| (one.mean.get(), one.steps.clone())).collect();
    let found = redraw_lines(plan.lines(), &real, how.how, &walks, watch)?;
    let exact = exact(plan, drawn.iter().map(|one| (one.mean, one.under)), watch)?;
    let fairness = fairness::fairness(plan, &drawn, how, watch)?;
    let rows = drawn.iter().zip(found).zip(exact).map(|((one, found), exact)| Resampled {
        field: one.walk.field.clone(),
        visit: one.walk.visit.clone(),
        sites: one.steps.len(),
        under: one.under,
        found,
        exact,
    });
    let (plan, rows) = (plan.digest().clone(), rows.collect());
    let Resampling { how, walks, seed, hold_out: held_out, .. } = *how;
    Ok(Resample { plan, how, walks, seed, held_out, rows, without_any, fairness })
}

fn check(plan: &Plan, counts: &Counts, under: &Dispersion, how: &Resampling) -> Result<(), Error> {
    let combination =
        |what: &str, value: String, allowed: String| Err(Error::new(Code::Combination, what, value, allowed));
    let plants = plan.asked().plants;
    if counts.plants != plants {
        let allowed = format!("{}, as in the plan", plants.get());
        return combination("plants of a site", counts.plants.get().to_string(), allowed);
    }
    if plan.asked().score.units() > 1.0 {
        let allowed = "1: a walk has one count a site".to_owned();
        return combination("units of a site", plan.asked().score.units().to_string(), allowed);
    }
    if !matches!(under, Dispersion::ConstantK { .. } | Dispersion::Poisson) {
        return combination("dispersion", under.name().to_owned(), "constant_k or poisson".to_owned());
    }
    how.how.checked()?;
    if !(99..=100_000).contains(&how.sets) {
        return Err(Error::new(Code::OutOfRange, "sets", how.sets, "from 99 to 100000"));
    }
    let fields: std::collections::BTreeSet<&str> = counts.walks.iter().map(|walk| walk.field.as_str()).collect();
    if how.hold_out && fields.len() < 3 {
        let allowed = "at least 3, to fit k without one";
        return Err(Error::new(Code::OutOfRange, "number of fields", fields.len(), allowed));
    }
    Ok(())
}

/// The mean of counts, and what a plan scores of each.
pub(crate) fn scored(score: &Score, counts: impl Iterator<Item = u32>) -> Result<RealWalk, Error> {
    let (mut total, mut steps) = (0.0, Vec::new());
    for count in counts {
        total += f64::from(count);
        steps.push(score.step(&Site::of(count))?);
    }
    Ok((total / steps.len() as f64, steps.into()))
}

/// The dispersion common to the other fields.
fn without(counts: &Counts, field: &str, watch: &dyn Watch) -> Result<Dispersion, Error> {
    Ok(fit_counts(&counts.of_fields(|name| name != field), Level::new(0.9)?, watch)?.for_plan()?.dispersion)
}

/// The exact curve at each mean, under its own dispersion.
fn exact(plan: &Plan, at: impl Iterator<Item = (Mean, Dispersion)>, watch: &dyn Watch) -> Result<Vec<CurveRow>, Error> {
    let at: Vec<(Mean, Dispersion)> = at.collect();
    let mut rows = Vec::with_capacity(at.len());
    for same in at.chunk_by(|a, b| a.1 == b.1) {
        let Some((_, under)) = same.first() else { continue };
        let means: Vec<Mean> = same.iter().map(|(mean, _)| *mean).collect();
        let laws = means.iter().map(|&mean| under.laws(&plan.asked().score, mean)).collect::<Result<Vec<_>, _>>()?;
        let means: Vec<f64> = means.iter().map(|mean| mean.get()).collect();
        rows.extend(curve_of_laws(plan.lines(), &means, &laws, watch)?.rows);
    }
    Ok(rows)
}

impl Serialize for Resample {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Resample", 10)?;
        object.serialize_field("format", "stopline/resample")?;
        object.serialize_field("version", &1)?;
        object.serialize_field("plan", self.plan.as_str())?;
        object.serialize_field("source", &self.how)?;
        object.serialize_field("walks", &self.walks)?;
        object.serialize_field("seed", &self.seed)?;
        object.serialize_field("held_out", &self.held_out)?;
        object.serialize_field("rows", &self.rows)?;
        object.serialize_field("without_any", &self.without_any)?;
        object.serialize_field("fairness", &self.fairness)?;
        object.end()
    }
}

impl Serialize for Resampled {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("field", &self.field)?;
        map.serialize_entry("visit", &self.visit)?;
        map.serialize_entry("sites", &self.sites)?;
        map.serialize_entry("k", &self.under.constant_k().map(K::get))?;
        map.serialize_entry("resampled", &self.found)?;
        let exact = |call: Call| self.exact.p(call);
        map.serialize_entry("exact_adequate", &exact(Call::Adequate))?;
        map.serialize_entry("exact_inadequate", &exact(Call::Inadequate))?;
        map.serialize_entry("exact_undecided", &exact(Call::Undecided))?;
        map.serialize_entry("exact_expected_sites", &self.exact.expected_sites)?;
        map.end()
    }
}
