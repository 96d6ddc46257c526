//! The digest of a plan: SHA-256 of its canonical JSON (RFC 8785), of what bears on decisions.

use crate::error::{Code, Error};
use sha2::{Digest as _, Sha256};
use std::fmt;

/// Keys that never alter a decision and are outside the digest, besides `digest` itself.
const OUTSIDE: [&str; 4] = ["digest", "about", "host", "made_by"];

/// `sha256:` and 64 hexadecimal digits.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Digest(String);

impl Digest {
    /// The text form.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Reads the text form.
    ///
    /// # Errors
    /// `usage` for any other text.
    ///
    /// ```
    /// use stopline::plan::Digest;
    /// let digest = Digest::of_bytes(b"abc");
    /// assert_eq!(Digest::parse(digest.as_str())?, digest);
    /// assert!(Digest::parse("sha256:ABC").is_err());
    /// # Ok::<(), stopline::Error>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, Error> {
        let hex = text.strip_prefix("sha256:").unwrap_or_default();
        if hex.len() != 64 || !hex.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f')) {
            return Err(Error::new(Code::Usage, "digest", text, "sha256: and 64 hexadecimal digits"));
        }
        Ok(Self(text.to_owned()))
    }

    /// The first eight hexadecimal digits, for people to compare.
    #[must_use]
    pub fn short(&self) -> &str {
        self.0.get(7..15).unwrap_or(&self.0)
    }

    /// Digest of a plan's JSON object.
    pub(super) fn of(mut plan: serde_json::Value) -> Self {
        if let Some(object) = plan.as_object_mut() {
            OUTSIDE.iter().for_each(|key| {
                object.remove(*key);
            });
        }
        // Numbers of a JSON value are finite: it always has a canonical form.
        Self::of_bytes(&serde_json_canonicalizer::to_vec(&plan).unwrap_or_default())
    }

    /// Digest of any bytes.
    #[must_use]
    pub fn of_bytes(bytes: &[u8]) -> Self {
        let hex: String = Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect();
        Self(format!("sha256:{hex}"))
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sha256_of_abc_as_in_fips_180() {
        // FIPS 180-4, example for "abc".
        assert_eq!(
            Digest::of_bytes(b"abc").as_str(),
            "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn order_of_keys_spacing_and_what_is_outside_do_not_count() {
        let of = |text: &str| Digest::of(serde_json::from_str(text).unwrap());
        assert_eq!(
            of(r#"{"b":1.0,"a":{"y":2,"x":1e1}}"#),
            of(r#"{"a":{"x":10,"y":2},"b":1,"about":{"title":"x"},"digest":"y"}"#)
        );
        assert_ne!(of(r#"{"b":1}"#), of(r#"{"b":2}"#));
    }
}
