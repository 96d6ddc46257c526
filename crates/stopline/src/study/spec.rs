//! The grid of a study as text, from which it can be made again.

use super::real::Walk;
use super::{Crossed, Grid, Real, cell};
use crate::error::{Code, Error};
use crate::params::{K, Mean, Plants, Share};
use crate::plan::Plan;
use crate::simulate::{Redraw, Run};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// Version of the text.
const VERSION: u32 = 1;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Text {
    format: String,
    version: u32,
    plans: Vec<Named>,
    k: Vec<Option<f64>>,
    shared: Vec<f64>,
    run: Option<u32>,
    means: Vec<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    real: Option<RealText>,
    walks: u64,
    repeats: u32,
    seed: u64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RealText {
    plants: u16,
    ways: Vec<Way>,
    walks: Vec<Walk>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Way {
    draw: String,
    block: Option<u32>,
}

impl RealText {
    fn of(real: &Real) -> Self {
        let way = |how: &Redraw| {
            let (draw, block) = how.word();
            Way { draw: draw.to_owned(), block }
        };
        Self { plants: real.plants.get(), ways: real.ways.iter().map(way).collect(), walks: real.walks.clone() }
    }

    fn real(self) -> Result<Real, Error> {
        let way = |way: Way| Redraw::of(&way.draw, way.block.unwrap_or(0));
        Real::of(Plants::new(self.plants)?, self.ways.into_iter().map(way).collect::<Result<_, _>>()?, self.walks)
    }
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Named {
    name: String,
    plan: Box<RawValue>,
}

impl Grid {
    /// The grid as one line of JSON, the plans as their files.
    #[must_use]
    pub fn to_json(&self) -> String {
        let named = |(name, plan): &(String, Plan)| {
            // A plan's file is an object of JSON.
            let file = plan.to_json().ok()?;
            let value: serde_json::Value = serde_json::from_str(&file).ok()?;
            Some(Named { name: name.clone(), plan: RawValue::from_string(value.to_string()).ok()? })
        };
        let text = Text {
            format: "stopline/study".to_owned(),
            version: VERSION,
            plans: self.plans.iter().filter_map(named).collect(),
            k: self.k.iter().map(|k| k.map(K::get)).collect(),
            shared: self.shared.iter().map(|share| share.get()).collect(),
            run: cell::run(self.run),
            means: self.means.iter().map(|mean| mean.get()).collect(),
            real: self.real.as_ref().map(RealText::of),
            walks: self.walks,
            repeats: self.repeats,
            seed: self.seed,
        };
        serde_json::to_string(&text).unwrap_or_default()
    }

    /// Makes a grid again.
    ///
    /// # Errors
    /// `plan_format` for other text; as [`Plan::from_json`] and [`Grid::new`].
    pub fn from_json(text: &str) -> Result<Self, Error> {
        let refused =
            |e: &dyn std::fmt::Display| Error::new(Code::PlanFormat, "grid of a study", e, "as it was written");
        let text: Text = serde_json::from_str(text).map_err(|e| refused(&e))?;
        if text.format != "stopline/study" || text.version != VERSION {
            return Err(refused(&format!("{} of version {}", text.format, text.version)));
        }
        let plan = |named: Named| Ok((named.name, Plan::from_json(named.plan.get())?));
        Self::new(Crossed {
            plans: text.plans.into_iter().map(plan).collect::<Result<_, Error>>()?,
            k: text.k.into_iter().map(|k| k.map(K::new).transpose()).collect::<Result<_, _>>()?,
            shared: text.shared.into_iter().map(Share::new).collect::<Result<_, _>>()?,
            run: text.run.map_or(Run::WholeWalk, Run::Sites),
            means: text.means.into_iter().map(Mean::new).collect::<Result<_, _>>()?,
            real: text.real.map(RealText::real).transpose()?,
            walks: text.walks,
            repeats: text.repeats,
            seed: text.seed,
        })
    }
}
