//! The check of k while walking: are the counts of this field more clumped than the plan takes them to be?
//!
//! After each site from the third the walk's Σx² is held against its law given sites and total, exactly ([`pairs`]).
//! Looking again and again would cry wolf too often at .05 a look, so that one level for every look is found from
//! the plan: the largest at which, at no true mean, more than 5 walks in 100 under the plan's k are ever alarmed before or at
//! their stop. Whether a look alarms depends on pairs and total, so that the walks not yet alarmed are followed
//! over (sites, total, pairs), given the total: free of the mean, which enters by the law of the total alone.
//!
//! It is made for whole counts under one k (of an interval of k its lower end: an alarm then speaks against all
//! of it) or without clumping. Other scores have no such law given the total, and where k moves with the mean or from field
//! to field a field's counts cannot speak against it.

mod pairs;
mod report;
mod season;
#[cfg(test)]
mod tests;

pub use report::{Alarmed, CheckedPlan};
pub use season::{Season, SeasonPower, season, season_power};

use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::law::Law;
use crate::lines::Lines;
use crate::params::{K, Mean};
use crate::plan::{Aim, Design, Plan};
use crate::score::{Score, Total};
use crate::watch::{Quiet, Watch, tell};
use pairs::{Above, Last, Pairs, Recursion, open, pairs_of};
use serde::Serialize;

/// At most so many walks in one are ever alarmed under the plan's k.
pub const FALSE_ALARMS: f64 = 0.05;
/// The first site after which counts are looked at.
pub(crate) const FIRST_LOOK: u32 = 3;
/// Totals that are followed at most.
const MOST_TOTAL: usize = 600;
/// Multiply-adds of the laws of one plan that are done at most (some tenths of a second).
const MOST_WORK: f64 = 1e9;
/// Means over which the worst is sought first.
const MEANS: u32 = 60;

/// The check of k of one plan.
#[derive(Debug, Clone)]
pub struct CheckOfK {
    lines: Lines,
    /// The plan's k, of an interval its lower end; none: without clumping.
    k: Option<K>,
    /// Totals that are followed.
    most: usize,
    level: f64,
    worst: (f64, f64),
    power: Vec<Power>,
    /// For each look, for each total, the chance of so many pairs or more.
    looks: Vec<Vec<Option<Above>>>,
}

/// How often more clumping is noticed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Power {
    /// True mean per site.
    pub mean: f64,
    /// The true k.
    pub k: f64,
    /// How often a walk is alarmed.
    pub alarmed: f64,
}

/// What the check says of a walk.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Look {
    /// Sites looked at, up to the stop.
    pub sites: u32,
    /// Their Σx².
    pub squares: Total,
    /// Chance of such a Σx² or a larger one, given sites and total, at the plan's k.
    pub p: f64,
    /// A look alarms where that chance is at most this.
    pub level: f64,
    /// The plan's k, of an interval its lower end; none: without clumping.
    pub k: Option<f64>,
    /// The site after which the walk was first alarmed.
    pub alarmed_at: Option<u32>,
    /// How often a field with half the k (without clumping: with twice the variance) is alarmed.
    pub power: Vec<Power>,
    /// The same in words.
    pub reading: String,
}

impl Plan {
    /// The check of k while walking; worked out when first asked for.
    ///
    /// # Errors
    /// As [`CheckOfK::of`].
    pub fn check_of_k(&self) -> Result<&CheckOfK, Error> {
        self.check_of_k.get_or_init(|| CheckOfK::of(self, &Quiet)).as_ref().map_err(Clone::clone)
    }

    /// The plan of the same request for half the k (of an interval of k, half its lower end; without clumping, the k at
    /// which the variance is twice the mean between the thresholds): what to walk by where the check of k alarms. Where its
    /// most sites do not do, half as many more are tried, and again.
    ///
    /// # Errors
    /// As [`Plan::design`]; `combination` where the plan has no one k, or its lines were given from outside.
    pub fn fallback(&self, watch: &dyn Watch) -> Result<Self, Error> {
        let k = match assumed(self)? {
            Some(k) => 0.5 * k.get(),
            None => {
                let means = means(self, self.lines());
                libm::exp(means.iter().map(|&m| libm::log(m)).sum::<f64>() / means.len() as f64)
            }
        };
        let mut design = Design { dispersion: Dispersion::ConstantK { k: K::new(k)? }, ..self.asked().clone() };
        loop {
            match self.derived_anew(design.clone(), watch) {
                Err(e) if e.code() == Code::NoPlan && design.checks.cap() < 5 * self.asked().checks.cap() => {
                    let cap = design.checks.cap();
                    design.checks = design.checks.with_cap(cap + cap.div_ceil(2));
                }
                found => return found,
            }
        }
    }
}

impl CheckOfK {
    /// The check of a plan, and its level.
    ///
    /// # Errors
    /// `combination` where the plan has no such check; `too_much_work` where its totals are too large;
    /// `interrupted`.
    ///
    /// ```
    /// # use stopline::{Dispersion, K, Plants, Quiet, Score, decide::CheckOfK};
    /// # use stopline::plan::{Aim, Design, Plan, Table};
    /// let table = Table::of(&[(6, Some(4), Some(12)), (12, Some(16), Some(17))])?;
    /// let design = Design { score: Score::Count, plants: Plants::ONE, dispersion: Dispersion::ConstantK { k: K::new(2.0)? },
    ///     aim: Aim::TwoCalls { thresholds: None, risks: None }, checks: table.checks, closing: table.closing };
    /// let check = CheckOfK::of(&Plan::given(design, table.lines, &Quiet)?, &Quiet)?;
    /// assert!(check.worst().1 <= 0.05 && check.level() > 0.005);
    /// assert_eq!(check.look(&[2, 1, 3, 2]).unwrap().alarmed_at, None);
    /// assert_eq!(check.look(&[0, 0, 0, 11]).unwrap().alarmed_at, Some(4));
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn of(plan: &Plan, watch: &dyn Watch) -> Result<Self, Error> {
        let k = assumed(plan)?;
        let lines = plan.lines().clone();
        let most = totals(&lines, k)?;
        let mut check = Self { lines, k, most, level: 0.0, worst: (0.0, 0.0), power: Vec::new(), looks: Vec::new() };
        check.looks = check.laws(watch)?;
        check.find_level(watch)?;
        let half = k.map(|k| 0.5 * k.get());
        for mean in means(plan, &check.lines) {
            let k = K::new(half.unwrap_or(mean))?;
            let alarms = check.alarms(Some(k), check.level)?;
            check.power.push(Power { mean, k: k.get(), alarmed: check.alarmed(&alarms, Some(k), mean)? });
        }
        Ok(check)
    }

    /// A look alarms where the chance of such counts is at most this.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.level
    }

    /// The true mean at which most walks are alarmed under the plan's k, and how often that is.
    #[must_use]
    pub fn worst(&self) -> (f64, f64) {
        self.worst
    }

    /// How often half the k (without clumping: twice the variance) is noticed, at the plan's thresholds.
    #[must_use]
    pub fn power(&self) -> &[Power] {
        &self.power
    }

    /// The plan's k, of an interval its lower end; `None` without clumping.
    #[must_use]
    pub fn k(&self) -> Option<K> {
        self.k
    }

    /// The largest total at which counts are looked at.
    #[must_use]
    pub fn most(&self) -> usize {
        self.most
    }

    /// How often walks are alarmed before or at their stop where counts have this k (`None`: no clumping), at each mean.
    ///
    /// # Errors
    /// `out_of_range`.
    pub fn alarmed_under(&self, k: Option<K>, means: &[Mean]) -> Result<Vec<f64>, Error> {
        let alarms = self.alarms(k, self.level)?;
        means.iter().map(|mean| self.alarmed(&alarms, k, mean.get())).collect()
    }

    /// What the counts of a walk say, in the order walked; `None` before the third site, or where the total is larger than
    /// what is followed.
    #[must_use]
    pub fn look(&self, steps: &[Total]) -> Option<Look> {
        let (mut total, mut pairs, mut squares) = (0_usize, 0_usize, 0);
        let (mut last, mut alarmed_at) = (None, None);
        for (at, &x) in (1_u32..).zip(steps) {
            let count = usize::try_from(x).ok()?;
            total = total.checked_add(count)?;
            if total > self.most {
                break;
            }
            (pairs, squares) = (pairs + pairs_of(count), squares + x * x);
            if let Some(p) = self.p(at, total, pairs) {
                if p <= self.level {
                    alarmed_at = alarmed_at.or(Some(at));
                }
                last = Some((at, squares, p));
            }
            if !open(&self.lines, at, total) {
                break;
            }
        }
        let (sites, squares, p) = last?;
        let k = self.k.map(K::get);
        let reading = self.reading(p, alarmed_at);
        Some(Look { sites, squares, p, level: self.level, k, alarmed_at, power: self.power.clone(), reading })
    }

    fn p(&self, at: u32, total: usize, pairs: usize) -> Option<f64> {
        let look = self.looks.get(at.checked_sub(FIRST_LOOK)? as usize)?;
        Some(look.get(total)?.as_ref()?.at(pairs).min(1.0))
    }

    /// Laws of pairs at each look.
    fn laws(&self, watch: &dyn Watch) -> Result<Vec<Vec<Option<Above>>>, Error> {
        let mut recursion = Recursion::new(self.last(self.k), self.most);
        let mut looks = Vec::new();
        // Totals from which a walk may still come.
        let mut lowest = 0;
        for at in 1..=self.lines.cap() {
            tell(watch, at.into(), self.lines.cap().into())?;
            recursion.step();
            if recursion.work > MOST_WORK {
                return Err(too_much(self.most, self.lines.cap()));
            }
            if at >= FIRST_LOOK {
                let above =
                    |(total, law): (usize, &Option<Pairs>)| law.as_ref().filter(|_| total >= lowest).map(Above::of);
                looks.push(recursion.here.iter().enumerate().map(above).collect());
            }
            lowest = (lowest..=self.most).find(|&total| open(&self.lines, at, total)).unwrap_or(self.most + 1);
        }
        Ok(looks)
    }

    fn last(&self, k: Option<K>) -> Last {
        Last { k: k.map(K::get) }
    }

    /// For each look and total, how many of the walks with that total are alarmed there first.
    fn alarms(&self, k: Option<K>, level: f64) -> Result<Vec<Vec<f64>>, Error> {
        let mut recursion = Recursion::new(self.last(k), self.most);
        let mut alarms = Vec::new();
        for at in 1..=self.lines.cap() {
            let look = at.checked_sub(FIRST_LOOK).and_then(|i| self.looks.get(i as usize));
            let alarming = |total: usize| Some(look?.get(total)?.as_ref()?.alarming(level));
            let row = recursion.step_alarmed(|total| open(&self.lines, at, total), alarming);
            alarms.push(row);
            if recursion.work > MOST_WORK {
                return Err(too_much(self.most, self.lines.cap()));
            }
        }
        Ok(alarms)
    }

    /// P(ever alarmed) at one mean.
    fn alarmed(&self, alarms: &[Vec<f64>], k: Option<K>, mean: f64) -> Result<f64, Error> {
        let law = law(mean, k)?;
        let mut p = Vec::new();
        let mut sum = 0.0;
        for (at, row) in (1_u32..).zip(alarms).filter(|(_, row)| row.iter().any(|&alarm| alarm > 0.0)) {
            law.batch(at, self.most + 1, &mut p);
            sum += p.iter().zip(row).map(|(p, alarm)| p * alarm).sum::<f64>();
        }
        Ok(sum)
    }

    /// The mean with most alarms, and how often.
    fn worst_of(&self, alarms: &[Vec<f64>]) -> Result<(f64, f64), Error> {
        let cap = f64::from(self.lines.cap());
        let (from, to) = (libm::log(0.5 / cap), libm::log(self.most as f64));
        let step = (to - from) / f64::from(MEANS);
        let at = |x: f64| self.alarmed(alarms, self.k, libm::exp(x)).map(|p| (x, p));
        let mut best = (from, 0.0);
        for i in 0..=MEANS {
            let found = at(from + step * f64::from(i))?;
            best = if found.1 > best.1 { found } else { best };
        }
        // By thirds towards the top between the neighbours.
        let (mut low, mut high) = (best.0 - step, best.0 + step);
        for _ in 0..24 {
            let (a, b) = (at(low + (high - low) / 3.0)?, at(high - (high - low) / 3.0)?);
            if a.1 < b.1 {
                low = a.0;
            } else {
                high = b.0;
            }
            for found in [a, b] {
                best = if found.1 > best.1 { found } else { best };
            }
        }
        Ok((libm::exp(best.0), best.1))
    }

    /// The largest level, to half a part in 100, that alarms at most so many walks at every mean.
    fn find_level(&mut self, watch: &dyn Watch) -> Result<(), Error> {
        const STEPS: u64 = 40;
        let (mut low, mut high) = (1e-9, 0.5);
        let mut next = 0.5 * FALSE_ALARMS;
        for step in 0..STEPS {
            tell(watch, step, STEPS)?;
            let worst = self.worst_of(&self.alarms(self.k, next)?)?;
            if worst.1 <= FALSE_ALARMS {
                (low, self.level, self.worst) = (next, next, worst);
            } else {
                high = next;
            }
            if high < 1.005 * low {
                break;
            }
            // Alarms are about in proportion to the level, but it moves by jumps.
            let guess = next * (FALSE_ALARMS - 1e-4) / worst.1;
            let inside = guess > 1.002 * low && guess < 0.998 * high;
            next = if inside && step % 3 < 2 { guess } else { libm::sqrt(low * high) };
        }
        Ok(())
    }

    fn reading(&self, p: f64, alarmed_at: Option<u32>) -> String {
        let than = self.k.map_or("counts without clumping".to_owned(), |k| format!("k {}", short(k.get())));
        if let Some(at) = alarmed_at {
            return format!(
                "More clumped than planned: with {than}, at most 5 walks in 100 would ever look as uneven as this one after site {at}. The plan's risks may not hold here; a plan for a lower k is the careful one."
            );
        }
        let [low, high] = self.found();
        let power = if low == high { low } else { format!("{low} to {high}") };
        let less = if self.k.is_some() { "half that k" } else { "twice that variance" };
        let times = if p > 0.01 { format!("{:.0} times", 100.0 * p) } else { "about once".to_owned() };
        format!(
            "Clumping: {than} would give counts as uneven as these {times} in 100; no alarm. Silence is not reassurance: a field with {less} is noticed on {power} walks of 100."
        )
    }

    /// The least and the largest power, in walks of 100.
    fn found(&self) -> [String; 2] {
        let (low, high) =
            self.power.iter().fold((1.0_f64, 0.0_f64), |(low, high), p| (low.min(p.alarmed), high.max(p.alarmed)));
        [low, high].map(|p| format!("{:.0}", 100.0 * p))
    }
}

/// A k in words: no more digits than it needs.
fn short(k: f64) -> String {
    format!("{}", (k * 1e3).round() / 1e3)
}

/// The k that is checked, or why it cannot be.
fn assumed(plan: &Plan) -> Result<Option<K>, Error> {
    let asked = plan.asked();
    let refuse = |value: &str, allowed: &str| Err(Error::new(Code::Combination, "check of k", value, allowed));
    if asked.score != Score::Count {
        return refuse(
            &format!("{} sites", asked.score.as_str()),
            "whole counts: others hold no Σx² given their total",
        );
    }
    if plan.lines().cap() < FIRST_LOOK {
        return refuse("fewer sites", "walks of 3 sites or more");
    }
    match asked.dispersion {
        Dispersion::Poisson => Ok(None),
        Dispersion::ConstantK { k } => Ok(Some(k)),
        Dispersion::KInterval { low, .. } => Ok(Some(low)),
        Dispersion::KSpread { .. } => {
            refuse("k differs from field to field", "one k: one field cannot speak against all")
        }
        _ => refuse("k moves with the mean", "one k: else counts given their total depend on the mean"),
    }
}

/// Totals that are worth following: every upper line, and what one site may add.
fn totals(lines: &Lines, k: Option<K>) -> Result<usize, Error> {
    let upper = lines.rows().iter().filter_map(|row| row.highest()).map(|(total, _)| total.max(1)).max();
    let Some(upper) = upper.and_then(|total| usize::try_from(total).ok()) else {
        let allowed = "a plan with an upper line";
        return Err(Error::new(Code::Combination, "check of k", "no upper line", allowed));
    };
    if upper > MOST_TOTAL {
        return Err(too_much(upper, lines.cap()));
    }
    let site = law(2.0 * upper as f64 / f64::from(lines.cap()), k)?;
    let mut p = Vec::new();
    site.batch(1, upper, &mut p);
    let mut below = 0.0;
    let rare = p.iter().position(|p| {
        below += p;
        below > 0.999
    });
    Ok((upper + rare.unwrap_or(upper)).max(3 * upper / 2).min(MOST_TOTAL))
}

fn too_much(total: usize, sites: u32) -> Error {
    let value = format!("totals up to {total} at {sites} sites");
    Error::new(Code::TooMuchWork, "check of k", value, "smaller totals or fewer sites (about 150 at 60, 250 at 20)")
}

fn law(mean: f64, k: Option<K>) -> Result<Law, Error> {
    let mean = Mean::new(mean)?;
    Ok(k.map_or(Law::Poisson { mean }, |k| Law::NegBin { mean, k }))
}

/// Where power is told: the thresholds, else the mean at the last upper line.
fn means(plan: &Plan, lines: &Lines) -> Vec<f64> {
    let thresholds = match plan.asked().aim {
        Aim::TwoCalls { thresholds: Some(t), .. } => vec![t.inadequate(), t.adequate()],
        Aim::ThreeCalls { lower, upper } => vec![lower.thresholds.inadequate(), upper.thresholds.adequate()],
        Aim::Interval { critical, .. } => vec![critical],
        Aim::TwoCalls { thresholds: None, .. } | Aim::Precision { .. } => Vec::new(),
    };
    if !thresholds.is_empty() {
        return thresholds.into_iter().map(Mean::get).collect();
    }
    let last = lines.rows().iter().rev().find_map(|row| row.highest()).map_or(1, |(total, _)| total.max(1));
    vec![last as f64 / f64::from(lines.cap())]
}
