//! How results are written: each number that may be missing is followed by what it is, in the key with `_is`.

use super::estimate::{Bound, Clumping, Estimate, Why};
use serde::ser::{Serialize, SerializeMap};

/// Writes `name` and in `name_is` what it is.
pub(super) fn value<M: SerializeMap>(map: &mut M, name: &str, number: Option<f64>, is: &str) -> Result<(), M::Error> {
    map.serialize_entry(name, &number)?;
    map.serialize_entry(&format!("{name}_is"), is)
}

/// Writes a number, or null with the reason in `name_is`.
pub(super) fn number<M: SerializeMap>(map: &mut M, name: &str, number: Result<f64, Why>) -> Result<(), M::Error> {
    match number {
        Ok(number) => map.serialize_entry(name, &number),
        Err(why) => {
            map.serialize_entry(name, &None::<f64>)?;
            map.serialize_entry(&format!("{name}_is"), &why.to_string())
        }
    }
}

/// Writes a result, or null with the reason in `name_is`.
pub(super) fn part<M: SerializeMap, T: Serialize>(
    map: &mut M,
    name: &str,
    part: &Result<T, Why>,
) -> Result<(), M::Error> {
    match part {
        Ok(part) => map.serialize_entry(name, part),
        Err(why) => number(map, name, Err(*why)),
    }
}

/// Writes `name` and the ends of its interval, each followed by what it is in words.
pub(super) fn estimate<M: SerializeMap>(
    map: &mut M,
    [name, low, high]: [&str; 3],
    of: &Estimate,
) -> Result<(), M::Error> {
    value(map, name, of.k.k(), of.k.name())?;
    let Some(interval) = of.interval else {
        value(map, low, None, "undefined")?;
        return value(map, high, None, "undefined");
    };
    value(map, low, Some(interval.low), "estimated")?;
    match interval.high {
        Bound::At(k) => value(map, high, Some(k), "estimated"),
        Bound::Unbounded => value(map, high, None, "unbounded"),
    }
}

/// In words, why there is no finite k.
pub(super) fn why(k: Clumping) -> Option<String> {
    match k {
        Clumping::Estimated(_) => None,
        Clumping::Poisson => Some("sites vary no more than independent counts do".to_owned()),
        Clumping::Undefined(why) => Some(why.to_string()),
    }
}
