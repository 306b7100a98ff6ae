//! A snapshot of the state as a file: version of the fold, tip, the state, SHA-256 of all before.
//!
//! A state grows with its shop and may be larger than the memory that is left, so it is written and
//! read in pieces. It is read only after all of it was found to be what was written.

use std::io::{self, BufReader, BufWriter, Read, Write};
use std::sync::Arc;

use chain::Digest;
use sha2::{Digest as _, Sha256};

use crate::disk::{Access, Dir, File, TEMP_SUFFIX};
use crate::engine::recovery::Tip;
use crate::error::{Doing, Result};

/// Writes the state of a fold.
pub type WriteState<'a> = dyn FnMut(&mut dyn Write) -> Result<()> + 'a;

/// A state as it is read again, with the prefix of the log it is as of.
pub type StateRead = (Tip, Box<dyn Read>);

/// Count, leaf and time of a tip.
pub(crate) const TIP_BYTES: usize = 8 + 32 + 8;
/// What stands before the state.
const HEAD_BYTES: usize = size_of::<u16>() + TIP_BYTES;
/// Bytes that are read or written at once.
const PIECE_BYTES: usize = 1 << 20;

pub(crate) fn tip_bytes(tip: Tip) -> Vec<u8> {
    [&tip.count.to_be_bytes()[..], tip.leaf.as_bytes(), &tip.recorded_at_ms.to_be_bytes()].concat()
}

pub(crate) fn parse_tip(bytes: &[u8]) -> Option<Tip> {
    let (count, rest) = bytes.split_first_chunk::<8>()?;
    let (leaf, rest) = rest.split_first_chunk::<32>()?;
    Some(Tip {
        count: u64::from_be_bytes(*count),
        leaf: Digest::from_bytes(*leaf),
        recorded_at_ms: i64::from_be_bytes(rest.try_into().ok()?),
    })
}

/// A file from some place on, to the one where it ends for us.
struct Part {
    file: Arc<dyn File>,
    at: u64,
    end: u64,
}

impl Read for Part {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let left = usize::try_from(self.end - self.at).unwrap_or(usize::MAX);
        let room = into.len().min(left);
        let read = self.file.read_at(&mut into[..room], self.at)?;
        self.at += read as u64;
        Ok(read)
    }
}

impl Write for Part {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write_all_at(bytes, self.at)?;
        self.at += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Digests what goes through.
struct Digesting<W> {
    to: W,
    digest: Sha256,
}

impl<W: Write> Write for Digesting<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.to.write(bytes)?;
        self.digest.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Puts a snapshot in the place of the one before, so that after a crash either of them is there.
///
/// # Errors
/// Those of the file system and of `write`; the one before is then still there.
pub(crate) fn store(
    dir: &dyn Dir,
    name: &str,
    (version, tip): (u16, Tip),
    write: &mut WriteState<'_>,
) -> Result<()> {
    let temp = format!("{name}{TEMP_SUFFIX}");
    if dir.stat(&temp).doing("look at", &temp)?.is_some() {
        dir.remove(&temp).doing("remove", &temp)?;
    }
    let file = dir.create(&temp, 0o600).doing("create", &temp)?;
    let part = Part { file: Arc::clone(&file), at: 0, end: u64::MAX };
    let buffered = BufWriter::with_capacity(PIECE_BYTES, part);
    let mut digesting = Digesting { to: buffered, digest: Sha256::new() };
    let head = [&version.to_be_bytes()[..], &tip_bytes(tip)].concat();
    digesting.write_all(&head).doing("write", &temp)?;
    write(&mut digesting)?;
    let Digesting { to: mut buffered, digest } = digesting;
    buffered.write_all(&digest.finalize()).and_then(|()| buffered.flush()).doing("write", &temp)?;
    file.sync_all().doing("sync", &temp)?;
    dir.rename(&temp, name).doing("rename", &temp)?;
    dir.sync().doing("sync", name)
}

/// Opens a snapshot of this version; `None` if there is none, or one that is not whole.
///
/// # Errors
/// Those of the file system.
pub(crate) fn open(dir: &dyn Dir, name: &str, version: u16) -> io::Result<Option<StateRead>> {
    if dir.stat(name)?.is_none() {
        return Ok(None);
    }
    let file = dir.open(name, Access::Read)?;
    let around = (HEAD_BYTES + Digest::LEN) as u64;
    let Some(end) = file.size()?.checked_sub(around).map(|state| state + HEAD_BYTES as u64) else {
        return Ok(None);
    };
    let mut head = [0; HEAD_BYTES];
    file.read_at(&mut head, 0)?;
    let (of_version, tip) = head.split_at(size_of::<u16>());
    let Some(tip) = parse_tip(tip).filter(|_| of_version == version.to_be_bytes()) else {
        return Ok(None);
    };
    if !is_whole(&file, end)? {
        return Ok(None);
    }
    let state = Part { file, at: HEAD_BYTES as u64, end };
    Ok(Some((tip, Box::new(BufReader::with_capacity(PIECE_BYTES, state)))))
}

/// Whether the digest at `end` is that of all bytes before.
fn is_whole(file: &Arc<dyn File>, end: u64) -> io::Result<bool> {
    let mut part = Part { file: Arc::clone(file), at: 0, end };
    let (mut digest, mut piece) = (Sha256::new(), vec![0; PIECE_BYTES]);
    loop {
        match part.read(&mut piece)? {
            0 => break,
            read => digest.update(&piece[..read]),
        }
    }
    let mut kept = [0; Digest::LEN];
    let read = file.read_at(&mut kept, end)?;
    Ok(read == kept.len() && digest.finalize()[..] == kept)
}
