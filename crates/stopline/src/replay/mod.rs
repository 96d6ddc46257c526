//! A plan run over full walks that were counted before it: where each would have stopped, and whether it agrees with
//! the whole walk.
//!
//! *The call of the whole walk* is that of the plan's last check on the total of all its sites, scaled to the sites of
//! that check. *The interval* of the field's mean is the equal-tailed exact one for the total of all sites at the
//! clumping of the plan (of a negative binomial p = m/(m + k): I_p(t, nk) = α/2 and I_p(t + 1, nk) = 1 − α/2, I the
//! regularised incomplete beta function; Clopper & Pearson 1934, Biometrika 26:404–413, for the binomial): a call that it
//! *contradicts* is wrong for the whole interval. Sites without a count are passed over, as in the field.
//!
//! A scout's path is one order of the sites; random orders show what another path would have come to, with the standard
//! error of the orders drawn. A walk that ends before the plan stops is too short to say what the plan would call.
//! [`leave_one_out`] fits k and derives the lines without a field, then replays it: the field had no say in its plan.

mod ended;
mod interval;
mod left_out;

pub use ended::{Ended, Random};
pub use interval::Between;
pub use left_out::{LeftOut, leave_one_out};

use crate::counts::{Counts, FieldWalk};
use crate::error::{Code, Error};
use crate::lines::{Call, Row, Verdict};
use crate::minutes::Minutes;
use crate::params::Level;
use crate::plan::{Digest, Plan};
use crate::score::{Site, Total};
use crate::watch::{Watch, tell};
use ended::{random, walked};
use interval::between;
use serde::Serialize;
use serde::ser::{SerializeStruct, Serializer};

/// How walks are replayed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Replaying {
    /// Random orders of each walk, 2 or more; 0 for none.
    pub orders: u32,
    /// Where the random numbers begin.
    pub seed: u64,
    /// Level of the interval of a field's mean.
    pub level: Level,
    /// The user's own times.
    pub timings: Option<Minutes>,
}

/// Most random orders of a walk.
const MOST_ORDERS: u32 = 1_000_000;

/// One walk replayed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Replayed {
    /// Name of the field.
    pub field: String,
    /// Name of the visit.
    pub visit: String,
    /// Sites that were counted.
    pub sites: u32,
    /// Sites that were not.
    pub missing: usize,
    /// Total of all sites.
    pub total: Total,
    /// Total over sites.
    pub mean: f64,
    /// What the last check says of the whole walk.
    pub whole: Call,
    /// Interval of the field's mean by the whole walk; none where the model has none.
    pub interval: Option<Between>,
    /// In the order walked.
    pub walked: Ended,
    /// Minutes that stopping early saves; none without timings, or where the walk is too short.
    pub minutes_saved: Option<f64>,
    /// In random orders; none where none were asked for.
    pub random: Option<Random>,
}

/// Walks together; those that were too short are not among the stopped ones.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Tally {
    /// Walks replayed.
    pub walks: usize,
    /// Walks on which the plan stopped.
    pub stopped: usize,
    /// Of these, calls that are those of the whole walk.
    pub agree: usize,
    /// Of these, calls that the interval of the whole walk contradicts.
    pub contradicted: usize,
    /// Sites of these walks.
    pub sites: u64,
    /// Sites at which the plan stopped.
    pub used: u64,
    /// Minutes saved; none without timings.
    pub minutes_saved: Option<f64>,
}

/// A plan replayed over walks. Its JSON form is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Replay {
    /// Digest of the plan.
    pub plan: Digest,
    /// How it was replayed.
    pub how: Replaying,
    /// In the order of the counts.
    pub walks: Vec<Replayed>,
    /// In the order walked, all together.
    pub tally: Tally,
    /// In random orders: the average over walks.
    pub random: Option<Random>,
}

/// Replays a plan over walks.
///
/// # Errors
/// `combination` where sites are not of the plan's size; `out_of_range` for one order or more than a million; `entry` where
/// counts do not fit the plan's score; `interrupted`.
///
/// ```
/// # use stopline::{Dispersion, K, Level, Mean, Plants, Quiet, Score, Thresholds, counts::{Counts, Reading}};
/// # use stopline::plan::{Aim, Design, Plan, Table};
/// use stopline::replay::{Replaying, replay};
/// # let table = Table::of(&[(2, Some(0), Some(5)), (4, Some(3), Some(4))])?;
/// # let aim = Aim::TwoCalls { thresholds: Some(Thresholds::new(Mean::new(0.5)?, Mean::new(2.0)?)?), risks: None };
/// # let design = Design { score: Score::Count, plants: Plants::ONE, dispersion: Dispersion::ConstantK { k: K::new(1.0)? },
/// #     aim, checks: table.checks, closing: table.closing };
/// # let plan = Plan::given(design, table.lines, &Quiet)?; // at 2 sites: up to 0, from 5; at 4 sites: up to 3, from 4
/// let table = "field,site,plants,count\nowl,1,1,3\nowl,2,1,2\nowl,3,1,0\nowl,4,1,4\nheron,1,1,1\nheron,2,1,0\n";
/// let counts = Counts::read(table.as_bytes(), &Reading::default()).unwrap();
/// let how = Replaying { orders: 0, seed: 1, level: Level::new(0.9)?, timings: None };
/// let replay = replay(&plan, &counts, &how, &Quiet)?;
/// assert_eq!(replay.walks[0].walked.stopped_at, Some(2)); // a total of 5
/// assert_eq!(replay.walks[1].walked.stopped_at, None); // too short
/// # Ok::<(), stopline::Error>(())
/// ```
pub fn replay(plan: &Plan, counts: &Counts, how: &Replaying, watch: &dyn Watch) -> Result<Replay, Error> {
    let plants = plan.asked().plants;
    if counts.plants != plants {
        let allowed = format!("{}, as in the plan", plants.get());
        return Err(Error::new(Code::Combination, "plants of a site", counts.plants.get(), allowed));
    }
    // Of a single order there is no standard error.
    if how.orders == 1 || how.orders > MOST_ORDERS {
        let allowed = format!("0, or 2 to {MOST_ORDERS}");
        return Err(Error::new(Code::OutOfRange, "orders", how.orders, allowed));
    }
    let of = counts.walks.len() as u64;
    let mut walks = Vec::new();
    for (number, walk) in (0..).zip(&counts.walks) {
        tell(watch, number, of)?;
        walks.extend(one(plan, walk, number, how)?);
    }
    let (tally, random) = (Tally::of(&walks), Random::average(walks.iter().filter_map(|walk| walk.random)));
    Ok(Replay { plan: plan.digest().clone(), how: *how, walks, tally, random })
}

/// One walk; `None` where no site was counted.
fn one(plan: &Plan, walk: &FieldWalk, number: u64, how: &Replaying) -> Result<Option<Replayed>, Error> {
    let score = &plan.asked().score;
    let steps = walk.present().map(|count| score.step(&Site::of(count))).collect::<Result<Vec<_>, _>>()?;
    let (Ok(sites), Some(last)) = (u32::try_from(steps.len()), plan.lines().rows().last()) else { return Ok(None) };
    if sites == 0 {
        return Ok(None);
    }
    let total: Total = steps.iter().sum();
    let whole = scaled(last, total, sites);
    let interval = between(plan.asked(), sites, total, how.level)?;
    let walked = walked(plan, &steps, whole, interval);
    let saved = |at: u32| {
        let most = score.counted_to().unwrap_or(u32::MAX);
        let counted: f64 = walk.present().skip(at as usize).map(|count| f64::from(count.min(most))).sum();
        how.timings.map(|times| times.of_walk(f64::from(sites - at), plan.asked().plants, counted))
    };
    let minutes_saved = walked.stopped_at.and_then(saved);
    let random = (how.orders > 0).then(|| random(plan, &steps, whole, number, how));
    Ok(Some(Replayed {
        field: walk.field.clone(),
        visit: walk.visit.clone(),
        sites,
        missing: walk.missing(),
        total,
        mean: total as f64 / (f64::from(sites) * score.units()),
        whole,
        interval,
        walked,
        minutes_saved,
        random,
    }))
}

/// The call of a check on a total of another number of sites, scaled to its own.
fn scaled(row: &Row, total: Total, sites: u32) -> Call {
    let at_check = i128::from(total) * i128::from(row.at);
    let scaled = Total::try_from(at_check.div_euclid(i128::from(sites))).unwrap_or(Total::MAX);
    row.stops.iter().find(|stop| stop.holds(scaled)).map_or(Call::Undecided, |stop| stop.call)
}

impl Tally {
    fn of(walks: &[Replayed]) -> Self {
        let mut tally = Self { walks: walks.len(), ..Self::default() };
        for walk in walks {
            let Some(at) = walk.walked.stopped_at else { continue };
            tally.stopped += 1;
            tally.agree += usize::from(walk.walked.agrees == Some(true));
            tally.contradicted += usize::from(walk.walked.contradicted == Some(true));
            tally.sites += u64::from(walk.sites);
            tally.used += u64::from(at);
            if let Some(minutes) = walk.minutes_saved {
                *tally.minutes_saved.get_or_insert(0.0) += minutes;
            }
        }
        tally
    }
}

impl Replay {
    /// The walks on which the call is not that of the whole walk, or its interval contradicts it.
    pub fn disagreeing(&self) -> impl Iterator<Item = &Replayed> {
        let odd = |walk: &&Replayed| walk.walked.agrees == Some(false) || walk.walked.contradicted == Some(true);
        self.walks.iter().filter(odd)
    }

    /// The walks that end before the plan stops.
    pub fn too_short(&self) -> impl Iterator<Item = &Replayed> {
        self.walks.iter().filter(|walk| walk.walked.stopped_at.is_none())
    }
}

impl Serialize for Replay {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let named = |walk: &Replayed| [walk.field.clone(), walk.visit.clone()];
        let mut object = serializer.serialize_struct("Replay", 11)?;
        object.serialize_field("format", "stopline/replay")?;
        object.serialize_field("version", &1)?;
        object.serialize_field("plan", self.plan.as_str())?;
        object.serialize_field("level", &self.how.level)?;
        object.serialize_field("orders", &self.how.orders)?;
        object.serialize_field("seed", &self.how.seed)?;
        object.serialize_field("walks", &self.walks)?;
        object.serialize_field("disagreeing", &self.disagreeing().map(named).collect::<Vec<_>>())?;
        object.serialize_field("too_short", &self.too_short().map(named).collect::<Vec<_>>())?;
        object.serialize_field("tally", &self.tally)?;
        object.serialize_field("random", &self.random)?;
        object.end()
    }
}

impl Serialize for Call {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

/// What a plan says of steps in the order given: the sites and the call where it stops.
fn stop(plan: &Plan, steps: impl IntoIterator<Item = Total>) -> Option<(u32, Total, Call)> {
    let mut total = 0_i64;
    for (at, step) in (1..).zip(steps) {
        total = total.saturating_add(step);
        if let Verdict::Stop(call) = plan.lines().verdict(at, total) {
            return Some((at, total, call));
        }
    }
    None
}
