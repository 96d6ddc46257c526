//! Where the counts of simulated walks come from.
//!
//! Sites of their own: a [`Dispersion`] is a source of walks whose sites are independent. *Clustered* sites: the gamma
//! part of a negative binomial count with mean m and exponent k is split in two, Gamma(kρ) common to a run of
//! neighbours and Gamma(k(1 − ρ)) of the site's own, both of scale m/k. Each site's count keeps the law NB(m, k), and
//! the share ρ of its extra-Poisson variance m²/k is the covariance of two sites of a run. Given the common part S, a
//! count is Poisson(S) + NB(m(1 − ρ), k(1 − ρ)). An uncertain k is drawn anew for each walk; of an interval of k the
//! walks have its best single value, as the exact curve has.

use crate::dispersion::Dispersion;
use crate::error::{Code, Error};
use crate::law::{Law, Pool};
use crate::params::{K, MOST_SITES, Mean, Share};
use crate::score::Score;
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};

/// Neighbours that have a part of their counts in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Run {
    /// So many sites after one another: 1 to r, r + 1 to 2r, …
    Sites(u32),
    /// All sites of a walk.
    WholeWalk,
    /// The first so many sites, as where they all lie in one corner; the others are independent.
    First(u32),
}

/// Walks whose sites are alike within runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clustered {
    under: Dispersion,
    shared: Share,
    run: Run,
}

impl Clustered {
    /// A share ρ of the extra-Poisson variance, common to the sites of each run.
    ///
    /// # Errors
    /// `out_of_range` for a run of no sites or of more than a walk may have; `combination` where counts have no
    /// extra-Poisson variance to share.
    pub fn new(under: Dispersion, shared: Share, run: Run) -> Result<Self, Error> {
        if let Run::Sites(sites) | Run::First(sites) = run
            && !(1..=MOST_SITES).contains(&sites)
        {
            return Err(Error::new(Code::OutOfRange, "run", sites, format!("a whole number from 1 to {MOST_SITES}")));
        }
        if matches!(under, Dispersion::Poisson | Dispersion::Binomial) {
            let allowed = "counts with a clumping k: others have no extra-Poisson variance to share";
            return Err(Error::new(Code::Combination, "shared part of counts", under.name(), allowed));
        }
        Ok(Self { under, shared, run })
    }

    /// The share ρ.
    #[must_use]
    pub const fn shared(&self) -> Share {
        self.shared
    }

    /// What it is common to.
    #[must_use]
    pub const fn run(&self) -> Run {
        self.run
    }

    /// The one k of every mean, if there is one.
    #[must_use]
    pub const fn k(&self) -> Option<K> {
        self.under.constant_k()
    }
}

/// How the sites of a real walk are drawn again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Redraw {
    /// Each site any of the walk's.
    WithReplacement,
    /// All sites of the walk in a random order; one that ends before the plan stops goes on in a new order.
    WithoutReplacement,
    /// So many neighbours after one another from a random place, the last site being a neighbour of the first
    /// (circular blocks: Politis & Romano 1992).
    Blocks(u32),
}

impl Redraw {
    /// Itself, where a block is no empty one.
    pub(crate) fn checked(self) -> Result<Self, Error> {
        match self {
            Self::Blocks(block) if !(1..=MOST_SITES).contains(&block) => {
                Err(Error::new(Code::OutOfRange, "block", block, format!("a whole number from 1 to {MOST_SITES}")))
            }
            how => Ok(how),
        }
    }

    /// The word used in every language and file, and the sites of a block.
    #[must_use]
    pub const fn word(self) -> (&'static str, Option<u32>) {
        match self {
            Self::WithReplacement => ("with_replacement", None),
            Self::WithoutReplacement => ("without_replacement", None),
            Self::Blocks(block) => ("blocks", Some(block)),
        }
    }

    /// What a word and the sites of a block say.
    ///
    /// # Errors
    /// `usage` for another word; `out_of_range` for a block of no sites.
    pub fn of(word: &str, block: u32) -> Result<Self, Error> {
        match word {
            "with_replacement" => Ok(Self::WithReplacement),
            "without_replacement" => Ok(Self::WithoutReplacement),
            "blocks" => Self::Blocks(block).checked(),
            _ => Err(Error::new(Code::Usage, "draw", word, "with_replacement, without_replacement or blocks")),
        }
    }
}

impl Serialize for Redraw {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        let (word, block) = self.word();
        map.serialize_entry("draw", word)?;
        if block.is_some() {
            map.serialize_entry("block", &block)?;
        }
        map.end()
    }
}

/// What a source is, as an evaluation states it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Origin {
    /// Sites are independent.
    Independent,
    /// Sites of a run have a part in common.
    Clustered {
        /// Share ρ of the extra-Poisson variance that is common.
        shared: Share,
        /// Sites of a run; none: the whole walk.
        run: Option<u32>,
        /// Whether only the first run has a part in common.
        #[serde(skip_serializing_if = "std::ops::Not::not")]
        first: bool,
    },
}

/// A source of walks: a [`Dispersion`], or [`Clustered`].
pub trait Source: drawn::Drawn {}

impl Source for Dispersion {}
impl Source for Clustered {}

pub(crate) mod drawn {
    use super::{Dispersion, Error, Law, Mean, Origin, Redraw, Score};
    use crate::score::Total;

    /// How the sites of a walk are drawn.
    #[derive(Debug, Clone)]
    pub struct Sites {
        /// The law of what each site has of its own.
        pub own: Option<Law>,
        /// What sites have in common.
        pub common: Option<Common>,
        /// The law of sites beyond those that have something in common, where it is another.
        pub later: Option<Law>,
        /// Instead of all this: real steps, drawn again.
        pub redrawn: Option<(Box<[Total]>, Redraw)>,
    }

    impl Sites {
        /// Sites of their own.
        pub fn own(law: Law) -> Self {
            Self { own: Some(law), common: None, later: None, redrawn: None }
        }
    }

    /// A gamma part common to each run of `run` sites up to `sites`, to which each of these adds a Poisson count.
    #[derive(Debug, Clone, Copy)]
    pub struct Common {
        pub shape: f64,
        pub scale: f64,
        pub run: u32,
        pub sites: u32,
    }

    pub trait Drawn: Sync {
        fn under(&self) -> Dispersion;
        fn origin(&self) -> Origin;
        /// The kinds of walks there are at a mean, each with its weight.
        fn walks(&self, score: &Score, mean: Mean) -> Result<Vec<(f64, Sites)>, Error>;
    }
}

use drawn::{Common, Drawn, Sites};

impl Drawn for Dispersion {
    fn under(&self) -> Dispersion {
        *self
    }

    fn origin(&self) -> Origin {
        Origin::Independent
    }

    fn walks(&self, score: &Score, mean: Mean) -> Result<Vec<(f64, Sites)>, Error> {
        let laws = self.laws(score, mean)?;
        let several = if laws.pool == Pool::Average { usize::MAX } else { 1 };
        Ok(laws.nodes.into_iter().take(several).map(|(weight, law)| (weight, Sites::own(law))).collect())
    }
}

impl Drawn for Clustered {
    fn under(&self) -> Dispersion {
        self.under
    }

    fn origin(&self) -> Origin {
        let run = if let Run::Sites(sites) | Run::First(sites) = self.run { Some(sites) } else { None };
        Origin::Clustered { shared: self.shared, run, first: matches!(self.run, Run::First(_)) }
    }

    fn walks(&self, score: &Score, mean: Mean) -> Result<Vec<(f64, Sites)>, Error> {
        let shared = self.shared.get();
        let (run, until) = match self.run {
            Run::Sites(run) => (run, u32::MAX),
            Run::First(run) => (run, run),
            Run::WholeWalk => (u32::MAX, u32::MAX),
        };
        if *score != Score::Count && shared > 0.0 {
            let allowed = "plans that add up whole counts: only these are split into parts";
            return Err(Error::about(Code::Combination, "shared part of another score", allowed));
        }
        let mut walks = self.under.walks(score, mean)?;
        for (_, sites) in &mut walks {
            // At means where the variance is no larger than the mean there is nothing to share.
            if let Some(Law::NegBin { mean, k }) = sites.own
                && shared > 0.0
            {
                sites.later.clone_from(&sites.own);
                let (m, k) = (mean.get(), k.get());
                let rest = 1.0 - shared;
                let own = || Ok(Law::NegBin { mean: Mean::new(m * rest)?, k: K::new(k * rest)? });
                sites.own = (rest > 0.0).then(own).transpose()?;
                sites.common = Some(Common { shape: k * shared, scale: m / k, run, sites: until });
            }
        }
        Ok(walks)
    }
}
