//! Frames: how one parcel stands in a segment, and how frames are found again in damaged bytes.
//!
//! A frame is 20 bytes of head and the payload, integers little-endian:
//!
//! | bytes | |
//! |---|---|
//! | 0..4 | `PRL1` |
//! | 4..8 | CRC-32 (IEEE 802.3) of everything behind it, head and payload |
//! | 8..12 | length of the payload, at least 1 |
//! | 12..20 | number of the frame, ascending over the life of the spool |
//!
//! A checksum tells torn from whole; it is no protection against somebody who writes to the disk.

use std::ops::Range;

use crate::limits::FRAME_BYTES_MAX;

const MAGIC: &[u8; 4] = b"PRL1";
/// Bytes before the payload.
pub(super) const HEAD_BYTES: usize = 20;

/// A whole frame in a segment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Frame {
    /// Its number.
    pub(super) number: u64,
    /// Where it lies, head included.
    pub(super) place: Range<usize>,
}

impl Frame {
    /// Where its payload lies.
    pub(super) fn payload(&self) -> Range<usize> {
        self.place.start + HEAD_BYTES..self.place.end
    }
}

/// Appends a frame to `out`.
pub(super) fn write(out: &mut Vec<u8>, number: u64, payload: &[u8]) {
    let len = u32::try_from(payload.len()).unwrap_or(u32::MAX).to_le_bytes();
    let number = number.to_le_bytes();
    let mut crc = crc32fast::Hasher::new();
    crc.update(&len);
    crc.update(&number);
    crc.update(payload);
    out.extend_from_slice(MAGIC);
    out.extend_from_slice(&crc.finalize().to_le_bytes());
    out.extend_from_slice(&len);
    out.extend_from_slice(&number);
    out.extend_from_slice(payload);
}

/// The frame that begins at `start`, if one does.
fn at(bytes: &[u8], start: usize) -> Option<Frame> {
    let head = bytes.get(start..start.checked_add(HEAD_BYTES)?)?;
    if !head.starts_with(MAGIC) {
        return None;
    }
    let u32_at = |at: usize| head[at..at + 4].try_into().ok().map(u32::from_le_bytes);
    let crc = u32_at(4)?;
    let len = usize::try_from(u32_at(8)?).ok().filter(|len| (1..=FRAME_BYTES_MAX).contains(len))?;
    let number = u64::from_le_bytes(head[12..20].try_into().ok()?);
    let end = start + HEAD_BYTES + len;
    (crc32fast::hash(bytes.get(start + 8..end)?) == crc)
        .then_some(Frame { number, place: start..end })
}

/// Every whole frame, and the bytes between and behind them that are none.
pub(super) fn scan(bytes: &[u8]) -> (Vec<Frame>, Vec<Range<usize>>) {
    let (mut frames, mut gaps) = (Vec::new(), Vec::new());
    let mut from = 0;
    while from < bytes.len() {
        if let Some(frame) = at(bytes, from) {
            from = frame.place.end;
            frames.push(frame);
            continue;
        }
        let next = (from + 1..bytes.len())
            .find(|start| bytes[*start] == MAGIC[0] && at(bytes, *start).is_some())
            .unwrap_or(bytes.len());
        gaps.push(from..next);
        from = next;
    }
    (frames, gaps)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn three() -> Vec<u8> {
        let mut bytes = Vec::new();
        for number in 0..3 {
            write(&mut bytes, number, format!("payload {number}").as_bytes());
        }
        bytes
    }

    #[test]
    fn frames_are_found_again() {
        let (frames, gaps) = scan(&three());
        assert_eq!(frames.iter().map(|f| f.number).collect::<Vec<_>>(), [0, 1, 2]);
        assert_eq!(&three()[frames[1].payload()], b"payload 1");
        assert!(gaps.is_empty());
    }

    #[test]
    fn any_flipped_bit_costs_its_own_frame_and_no_other() {
        let whole = three();
        let frame_len = whole.len() / 3;
        for bit in 0..whole.len() * 8 {
            let mut bytes = whole.clone();
            bytes[bit / 8] ^= 1 << (bit % 8);
            let hit = (bit / 8 / frame_len) as u64;
            let (frames, gaps) = scan(&bytes);
            let found: Vec<u64> = frames.iter().map(|f| f.number).collect();
            assert_eq!(found, (0..3).filter(|n| *n != hit).collect::<Vec<_>>(), "bit {bit}");
            assert_eq!(gaps.len(), 1, "bit {bit}");
        }
    }

    #[test]
    fn a_length_that_leads_nowhere_is_checked_before_it_is_used() {
        let mut bytes = three();
        bytes[8..12].copy_from_slice(&u32::MAX.to_le_bytes());
        assert_eq!(scan(&bytes).0.len(), 2);
        assert!(scan(&[0; 4_096]).0.is_empty(), "zeros are no frame");
    }
}
