//! Where a result comes from: what a paper names, so that others get the same numbers.

use super::drawn::Draws;
use super::fit::Fit;
use super::weighted::HowWeighed;
use crate::plan::Digest;
use serde::ser::{Serialize, SerializeMap, Serializer};

/// What a result was made from and by.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Origin {
    /// SHA-256 of the bytes that were read; `None` for counts that came in memory.
    pub input: Option<Digest>,
    /// The command or call.
    pub command: Option<String>,
}

impl Fit {
    /// The seed of what was drawn at random, if anything was.
    #[must_use]
    pub fn seed(&self) -> Option<u64> {
        let weighted = self.weighted.as_ref().and_then(|fit| match &fit.how {
            HowWeighed::Resampled(of) => Some(of.draws),
            HowWeighed::Count(_) => None,
        });
        let study = self.study.as_ref().map(|study| study.draws);
        let places = self.places.as_ref().and_then(|places| Some(places.as_ref().ok()?.draws));
        let observers = self.observers.as_ref().map(|of| of.draws);
        study.or(weighted).or(places).or(observers).map(Draws::seed)
    }

    /// With the command that it answers.
    #[must_use]
    pub fn with_command(mut self, command: String) -> Self {
        self.origin.command = Some(command);
        self
    }
}

/// The origin with version and seed, as it is written.
pub(super) struct Made<'a>(pub &'a Origin, pub Option<u64>);

impl Serialize for Made<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(origin, seed) = self;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("name", "stopline")?;
        map.serialize_entry("version", env!("CARGO_PKG_VERSION"))?;
        map.serialize_entry("command", &origin.command)?;
        map.serialize_entry("input", &origin.input.as_ref().map(Digest::as_str))?;
        map.serialize_entry("seed", seed)?;
        map.end()
    }
}
