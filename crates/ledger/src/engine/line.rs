//! Lines of a segment: entries, and the trailer that closes each batch.
//!
//! A trailer is `#<entries in the batch> <first 16 hex digits of L of its last entry>`. The digits
//! check the newest entry, which no later `prev` vouches for yet, and through its own `prev` the
//! whole batch; the number tells where the batch began, so that recovery can tell "torn inside the
//! last batch" from "a hole before a later one" (rules R7, R8).

use chain::Digest;
use chain::entry::{EntryView, leaf_hash};
use chain::limits::ENTRY_BYTES_MAX;

/// Longest trailer: `#`, 20 digits, a space, 16 digits, line feed.
pub(crate) const TRAILER_BYTES_MAX: usize = 39;

/// The first 8 bytes of a leaf hash.
pub(crate) type Digits = [u8; 8];

/// The digits a trailer shows for this leaf.
pub(crate) fn digits_of(leaf: &Digest) -> Digits {
    let [a, b, c, d, e, f, g, h, ..] = *leaf.as_bytes();
    [a, b, c, d, e, f, g, h]
}

/// Writes a trailer with its line feed.
pub(crate) fn write_trailer(entries: u64, last_leaf: &Digest, out: &mut Vec<u8>) {
    out.push(b'#');
    out.extend_from_slice(entries.to_string().as_bytes());
    out.push(b' ');
    out.extend_from_slice(&last_leaf.to_hex()[..16]);
    out.push(b'\n');
}

/// What a whole line (without its line feed) is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Seen {
    /// A canonical entry.
    Entry(SeenEntry),
    /// A well-formed trailer.
    Trailer { entries: u64, digits: Digits },
    /// Anything else.
    Junk,
}

/// What recovery needs to know of an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct SeenEntry {
    pub(crate) seq: u64,
    pub(crate) prev: Digest,
    pub(crate) recorded_at_ms: i64,
    pub(crate) leaf: Digest,
}

/// Looks at a line.
pub(crate) fn look(line: &[u8]) -> Seen {
    match line.split_first() {
        Some((b'#', rest)) => look_trailer(rest).unwrap_or(Seen::Junk),
        Some((b'{', _)) if line.len() <= ENTRY_BYTES_MAX => match EntryView::parse(line) {
            Ok(view) => Seen::Entry(SeenEntry {
                seq: view.seq,
                prev: view.prev,
                recorded_at_ms: view.recorded_at_ms,
                leaf: leaf_hash(line),
            }),
            Err(_) => Seen::Junk,
        },
        _ => Seen::Junk,
    }
}

fn look_trailer(rest: &[u8]) -> Option<Seen> {
    let text = std::str::from_utf8(rest).ok()?;
    let (entries, digits) = text.split_once(' ')?;
    let plain = entries.bytes().all(|b| b.is_ascii_digit()) && !entries.starts_with('0');
    if !plain || digits.bytes().any(|b| b.is_ascii_uppercase()) {
        return None;
    }
    let mut bytes = Digits::default();
    hex::decode_to_slice(digits, &mut bytes).ok()?;
    Some(Seen::Trailer { entries: entries.parse().ok()?, digits: bytes })
}

/// The next line of `bytes` from `start`: its content and the offset after its line feed, or `None`
/// if no line of allowed length ends here.
pub(crate) fn next_line(bytes: &[u8], start: usize) -> Option<(&[u8], usize)> {
    let rest = bytes.get(start..)?;
    let window = &rest[..rest.len().min(ENTRY_BYTES_MAX + 1)];
    let len = memchr::memchr(b'\n', window)?;
    Some((&window[..len], start + len + 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trailers_have_one_spelling() {
        let leaf = Digest::of(b"x");
        let mut out = Vec::new();
        write_trailer(12, &leaf, &mut out);
        assert!(out.len() <= TRAILER_BYTES_MAX);
        let line = &out[..out.len() - 1];
        assert_eq!(look(line), Seen::Trailer { entries: 12, digits: digits_of(&leaf) });
        let text = String::from_utf8(line.to_vec()).expect("ASCII");
        for bad in [
            text.replace("#12", "#012"),
            text.replace("#12", "#+12"),
            text.replace("#12", "#0"),
            text.replace("#12", "#"),
            text.replace(' ', "  "),
            text.to_uppercase(),
            format!("{text} "),
            text[..text.len() - 1].to_owned(),
            text.replace("#12", "#99999999999999999999999"),
        ] {
            assert_eq!(look(bad.as_bytes()), Seen::Junk, "{bad}");
        }
    }

    #[test]
    fn a_line_is_never_longer_than_an_entry() {
        let mut bytes = vec![b'x'; ENTRY_BYTES_MAX];
        bytes.push(b'\n');
        assert_eq!(
            next_line(&bytes, 0).map(|(line, end)| (line.len(), end)),
            Some((65_535, 65_536))
        );
        bytes.insert(0, b'x');
        assert_eq!(next_line(&bytes, 0), None);
        assert_eq!(next_line(b"", 0), None);
        assert_eq!(next_line(b"\n", 0), Some((&b""[..], 1)));
        assert_eq!(next_line(b"abc", 0), None);
        assert_eq!(next_line(b"abc", 9), None);
    }
}
