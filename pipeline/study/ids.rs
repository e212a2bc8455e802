//! Digests and UIDs.

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;

/// A SHA-256 digest, printed as `sha256:` and 64 hex digits.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(transparent)]
pub struct Digest(String);

impl Digest {
    /// Of these bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self::finish(Sha256::new_with_prefix(bytes))
    }

    /// Of several parts. Each is preceded by its length, so that moving a boundary changes the digest.
    pub fn of_parts<'a>(parts: impl IntoIterator<Item = &'a [u8]>) -> Self {
        let mut hasher = Sha256::new();
        for part in parts {
            hasher.update((part.len() as u64).to_le_bytes());
            hasher.update(part);
        }
        Self::finish(hasher)
    }

    /// Of a hasher that was fed by its owner, for streams.
    pub fn finish(hasher: Sha256) -> Self {
        let mut text = String::from("sha256:");
        for byte in hasher.finalize() {
            // Writing to a String cannot fail.
            let _ = write!(text, "{byte:02x}");
        }
        Self(text)
    }

    /// With its `sha256:` prefix.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The 64 hex digits alone: safe as a file name.
    pub fn hex(&self) -> &str {
        self.0.strip_prefix("sha256:").unwrap_or(&self.0)
    }

    /// The first twelve hex digits, for a person to compare.
    pub fn short(&self) -> &str {
        self.hex().get(..12).unwrap_or(self.hex())
    }
}

impl std::fmt::Display for Digest {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

/// Whether this is a DICOM UID (PS3.5 section 9.1). Leading zeros in a component are tolerated: real
/// exports have them. Nothing else may be used as a UID, and no UID may be used in a path.
pub fn is_uid(text: &str) -> bool {
    !text.is_empty()
        && text.len() <= 64
        && text.split('.').all(|part| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-2, appendix B.1: the digest of "abc".
    #[test]
    fn digest_matches_the_standard() {
        assert_eq!(
            Digest::of(b"abc").as_str(),
            "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert_ne!(Digest::of_parts([b"ab".as_slice(), b"c"]), Digest::of_parts([b"a".as_slice(), b"bc"]));
    }

    #[test]
    fn uids_are_digits_and_dots_only() {
        assert!(is_uid("1.2.840.10008.5.1.4.1.1.4"));
        assert!(!is_uid("../../etc/passwd"));
        assert!(!is_uid("1..2"));
        assert!(!is_uid(&"1.".repeat(40)));
    }
}
