//! A SHA-256 value and the ways it is written down.

use std::fmt;
use std::str::FromStr;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use sha2::{Digest as _, Sha256};

/// A SHA-256 value: a leaf hash, a node of the tree, a root, or the digest of a document.
///
/// Digests here are public values, so comparing them needs no constant time.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest([u8; 32]);

/// The text was not a digest.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DigestError {
    /// Not exactly 64 lower-case hexadecimal digits.
    #[error("a digest has 64 lower-case hexadecimal digits")]
    Hex,
    /// Not the standard base64 (RFC 4648 section 4, padded) of exactly 32 bytes.
    #[error("a digest has 44 characters of standard base64")]
    Base64,
}

impl Digest {
    /// Length in bytes.
    pub const LEN: usize = 32;

    /// SHA-256 of `bytes`.
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// A digest from its 32 bytes.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The 32 bytes.
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// Standard base64 with padding: 44 characters, as in checkpoints and proofs.
    pub fn to_base64(&self) -> String {
        BASE64.encode(self.0)
    }

    /// Reads what [`Digest::to_base64`] writes and nothing else.
    pub fn from_base64(text: &str) -> Result<Self, DigestError> {
        let bytes = BASE64.decode(text).map_err(|_| DigestError::Base64)?;
        bytes.try_into().map(Self).map_err(|_| DigestError::Base64)
    }

    /// The 64 lower-case hexadecimal digits, as in an entry.
    pub fn to_hex(&self) -> [u8; 64] {
        let mut out = [0; 64];
        hex::encode_to_slice(self.0, &mut out).expect("64 digits hold 32 bytes");
        out
    }
}

impl FromStr for Digest {
    type Err = DigestError;

    /// Exactly 64 lower-case hexadecimal digits; a digest has one spelling only.
    fn from_str(text: &str) -> Result<Self, DigestError> {
        decode_hex(text).map(Self).ok_or(DigestError::Hex)
    }
}

/// `N` bytes from exactly `2 * N` lower-case hexadecimal digits: one spelling only, unlike what
/// the usual decoders take.
pub(crate) fn decode_hex<const N: usize>(text: &str) -> Option<[u8; N]> {
    let (pairs, []) = text.as_bytes().as_chunks::<2>() else { return None };
    let pairs: &[[u8; 2]; N] = pairs.try_into().ok()?;
    // 255 stands for no digit: the bits above the fourth tell it apart after both are joined.
    let mut wrong = 0;
    let bytes = pairs.map(|[high, low]| {
        let (high, low) = (HEX_VALUE[usize::from(high)], HEX_VALUE[usize::from(low)]);
        wrong |= high | low;
        high << 4 | (low & 15)
    });
    (wrong < 16).then_some(bytes)
}

const HEX_VALUE: [u8; 256] = {
    let mut table = [255; 256];
    let digits = b"0123456789abcdef";
    let mut value = 0;
    while value < 16 {
        table[digits[value] as usize] = value as u8;
        value += 1;
    }
    table
};

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(std::str::from_utf8(&self.to_hex()).expect("hexadecimal digits are ASCII"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl AsRef<[u8]> for Digest {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4 examples, as printed in NIST's "SHA256.pdf" example computations.
    const EMPTY: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
    const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

    #[test]
    fn known_values() {
        assert_eq!(Digest::of(b"").to_string(), EMPTY);
        assert_eq!(Digest::of(b"abc").to_string(), ABC);
        assert_eq!(format!("{:?}", Digest::of(b"abc")), ABC);
    }

    #[test]
    fn one_spelling_only() {
        assert_eq!(ABC.parse(), Ok(Digest::of(b"abc")));
        for bad in [&ABC.to_uppercase(), &ABC[1..], &format!("{ABC}0"), &format!("{ABC}00"), ""] {
            assert_eq!(bad.parse::<Digest>(), Err(DigestError::Hex), "{bad}");
        }
        let text = Digest::of(b"abc").to_base64();
        assert_eq!(Digest::from_base64(&text), Ok(Digest::of(b"abc")));
        // The last character carries two unused bits; a set one would be a second spelling.
        let odd = format!("{}1=", &text[..42]);
        for bad in [odd.as_str(), &text[..43], &format!("{text}\n"), &format!(" {text}"), "AAAA"] {
            assert_eq!(Digest::from_base64(bad), Err(DigestError::Base64), "{bad}");
        }
    }
}
