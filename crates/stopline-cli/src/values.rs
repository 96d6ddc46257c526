//! Values of flags: read as text and checked here, so that −1, nan and inf are refused by the same
//! errors as everywhere, under the name of their flag.

use std::ffi::OsString;
use std::fmt::Display;
use std::str::FromStr;
use stopline::{Code, Error, K, Level, Mean, Plants, Risk, Share};

/// Joins a value that begins with `-`, such as `-1` or `-inf`, to its flag, which the parser would
/// otherwise take for a flag of its own.
pub fn join_negative(words: impl Iterator<Item = OsString>) -> Vec<OsString> {
    let mut joined: Vec<OsString> = Vec::new();
    for word in words {
        let flag = joined.last_mut().filter(|flag| is_flag(flag) && is_negative(&word));
        match flag {
            Some(flag) => {
                flag.push("=");
                flag.push(word);
            }
            None => joined.push(word),
        }
    }
    joined
}

fn is_flag(word: &OsString) -> bool {
    word.to_str().is_some_and(|w| w.len() > 2 && w.starts_with("--") && !w.contains('='))
}

fn is_negative(word: &OsString) -> bool {
    let rest = word.to_str().and_then(|w| w.strip_prefix('-'));
    rest.is_some_and(|r| r.starts_with(|c: char| c.is_ascii_digit() || ".,iInN".contains(c)))
}

/// A number; `allowed` says which.
pub fn number(flag: &str, text: &str, allowed: &str) -> Result<f64, Error> {
    let refused = |_| Error::new(Code::NotANumber, flag, shown(text), format!("a number {allowed}"));
    text.trim().parse().map_err(refused)
}

macro_rules! checked {
    ($($(#[$doc:meta])* $name:ident -> $type:ident;)*) => {
        $($(#[$doc])*
        pub fn $name(flag: &str, text: &str) -> Result<$type, Error> {
            number(flag, text, $type::ALLOWED).and_then(|x| $type::new(x).map_err(|e| e.named(flag)))
        })*
    };
}

checked! {
    /// A mean, more than 0.
    mean -> Mean;
    /// The clumping.
    k -> K;
    /// A risk, between 0 and 1.
    risk -> Risk;
    /// A share from 0 to 1.
    share -> Share;
    /// The level of an interval.
    level -> Level;
}

/// A weight, 0 or more.
pub fn weight(flag: &str, text: &str) -> Result<f64, Error> {
    let allowed = "from 0";
    let weight = number(flag, text, allowed)?;
    if weight.is_finite() && weight >= 0.0 {
        return Ok(weight);
    }
    Err(Error::new(
        if weight.is_finite() { Code::OutOfRange } else { Code::NotANumber },
        flag,
        shown(text),
        format!("a number {allowed}"),
    ))
}

/// Several values with commas between.
pub fn list<T>(flag: &str, text: &str, one: impl Fn(&str, &str) -> Result<T, Error>) -> Result<Vec<T>, Error> {
    text.split(',').map(|part| one(flag, part)).collect()
}

/// A whole number from `least` to `most`.
pub fn whole<N: FromStr + PartialOrd + Display>(flag: &str, text: &str, least: N, most: N) -> Result<N, Error> {
    let text = text.trim();
    let allowed = || format!("a whole number from {least} to {most}");
    let refused = |code| Err(Error::new(code, flag, shown(text), allowed()));
    match text.parse::<N>() {
        Ok(n) if least <= n && n <= most => Ok(n),
        Ok(_) => refused(Code::OutOfRange),
        Err(_) if text.parse::<f64>().is_ok_and(f64::is_finite) => refused(Code::OutOfRange),
        Err(_) => refused(Code::NotANumber),
    }
}

/// A number of plants.
pub fn plants(flag: &str, text: &str) -> Result<Plants, Error> {
    let n = whole(flag, text, 1, u32::from(u16::MAX))?;
    Plants::new(u16::try_from(n).unwrap_or(u16::MAX)).map_err(|e| e.named(flag))
}

/// A value as a message repeats it.
fn shown(text: &str) -> String {
    if text.trim().is_empty() { "empty".to_owned() } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn joined(words: &[&str]) -> Vec<OsString> {
        join_negative(words.iter().map(OsString::from))
    }

    #[test]
    fn only_values_that_look_negative_are_joined() {
        assert_eq!(joined(&["plan", "--k", "-1"]), ["plan", "--k=-1"]);
        assert_eq!(joined(&["--counts", "-1,0"]), ["--counts=-1,0"]);
        assert_eq!(joined(&["--k", "-inf", "--k", "-NaN"]), ["--k=-inf", "--k=-NaN"]);
        assert_eq!(joined(&["--json", "-h"]), ["--json", "-h"]);
        assert_eq!(joined(&["--k=1", "-1"]), ["--k=1", "-1"]);
        assert_eq!(joined(&["--k", "--json", "--", "-1"]), ["--k", "--json", "--", "-1"]);
    }

    #[test]
    fn numbers_are_refused_under_their_flag() {
        let code = |text: &str| mean("--inadequate", text).unwrap_err().code();
        assert_eq!([code("-1"), code("0"), code("2e9")], [Code::OutOfRange; 3]);
        assert_eq!([code("nan"), code("inf"), code("x"), code(""), code("1,5")], [Code::NotANumber; 5]);
        let e = whole("--min-sites", "2.5", 1, 9).unwrap_err();
        assert_eq!(e.to_string(), "--min-sites is 2.5; allowed: a whole number from 1 to 9");
        assert_eq!(whole("--every", "nan", 1, 9).unwrap_err().code(), Code::NotANumber);
        assert_eq!(list("--means", "0.5, 1,2", mean).unwrap().len(), 3);
        assert!(list("--means", "1,,2", mean).is_err());
    }
}
