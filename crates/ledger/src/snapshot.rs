//! Snapshots of a fold's state, as files in a directory:
//! ```text
//! <name>              the root: mark, version of the fold, tip, the state, number and lengths of
//!                     the pieces file, SHA-256 of all before
//! <name>.pieces-<n>   pieces of the state that the root refers to; only ever added to
//! ```
//! A state grows with its shop and may be larger than the memory that is left, so most of it lies in
//! pieces ([`shopfloor::pieces`]): a snapshot adds those that changed, a start reads the root alone. The
//! root is replaced as a whole, after the pieces it refers to are durable, and read only after all of it
//! was found to be what was written. Each piece is checked by whoever reads it.
//!
//! Replaced pieces stay where they are until the file is more than twice as long as when it was begun:
//! then a snapshot begins the next one, to which the pages of the state are copied, and this one goes.

mod pieces;
#[cfg(test)]
mod tests;

use std::fmt;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::sync::{Arc, Mutex, PoisonError};

use chain::Digest;
use sha2::{Digest as _, Sha256};
use shopfloor::pieces::Pieces;

pub use pieces::MemPieces;
use pieces::PiecesFile;

use crate::disk::{Access, Dir, File, Span, TEMP_SUFFIX};
use crate::engine::recovery::Tip;
use crate::error::{Doing, Result};
use crate::limits::SNAPSHOT_GARBAGE_BYTES;

/// Writes the state of a fold, pages of it as pieces.
pub type WriteState<'a> = dyn FnMut(&Arc<dyn Pieces>, &mut dyn Write) -> Result<()> + 'a;

/// A state as it is read again.
pub struct StateRead {
    /// The prefix of the log it is as of.
    pub tip: Tip,
    /// Where its pieces lie. The next snapshot adds to the same, unless there is too much garbage.
    pub pieces: Arc<dyn Pieces>,
    /// What was written, apart from the pieces.
    pub state: Box<dyn Read>,
}

impl fmt::Debug for StateRead {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { tip, pieces, state: _ } = self;
        f.debug_struct("StateRead")
            .field("tip", tip)
            .field("pieces", pieces)
            .finish_non_exhaustive()
    }
}

/// Count, leaf and time of a tip.
pub(crate) const TIP_BYTES: usize = 8 + 32 + 8;
/// What a root begins with.
const MARK: [u8; 4] = *b"root";
/// What stands before the state.
const HEAD_BYTES: usize = MARK.len() + size_of::<u16>() + TIP_BYTES;
/// What stands behind it: number, length and length when begun of the pieces file.
const FOOT_BYTES: usize = 3 * size_of::<u64>();
/// Bytes of a root that are read or written at once.
const STEP_BYTES: usize = 1 << 20;

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

/// Whether replaced pieces may take so much room that they are better left behind. What is garbage is not
/// counted: a state that only grew is copied, too, each time it has doubled.
pub(crate) fn is_mostly_garbage(len: u64, begun_len: u64, slack: u64) -> bool {
    len > begun_len.saturating_mul(2).saturating_add(slack)
}

/// The snapshots of one fold. Whoever owns this owns the files.
#[derive(Debug)]
pub(crate) struct Snapshots {
    root: Arc<Root>,
    /// Where the next snapshot appends to.
    open: Option<Open>,
    /// Bytes of garbage that are left alone in any case.
    slack: u64,
    /// Whether a root was put in place and may be gone after a crash: what the one before refers
    /// to must stay then.
    unsure: bool,
}

#[derive(Debug)]
struct Open {
    pieces: Arc<PiecesFile>,
    /// Its length after the first snapshot in it, once there is one.
    begun_len: Option<u64>,
}

/// What a root says of its pieces file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Foot {
    number: u64,
    len: u64,
    begun_len: u64,
}

impl Foot {
    fn to_bytes(self) -> Vec<u8> {
        [self.number, self.len, self.begun_len].map(u64::to_be_bytes).concat()
    }

    fn parse(bytes: &[u8; FOOT_BYTES]) -> Self {
        let number =
            |at: usize| u64::from_be_bytes(std::array::from_fn(|byte| bytes[8 * at + byte]));
        Self { number: number(0), len: number(1), begun_len: number(2) }
    }
}

impl Snapshots {
    /// Those under a name; nothing is read or written yet.
    pub(crate) fn new(dir: Arc<dyn Dir>, name: &str) -> Self {
        Self::with(dir, name, SNAPSHOT_GARBAGE_BYTES, std::process::abort)
    }

    fn with(dir: Arc<dyn Dir>, name: &str, slack: u64, end: fn() -> !) -> Self {
        let root = Root { dir, name: name.to_owned(), replacing: Mutex::new(()), end };
        Self { root: Arc::new(root), open: None, slack, unsure: false }
    }

    /// Reads the snapshot of this version; `None` if there is none, or one that is not whole.
    ///
    /// # Errors
    /// Those of the file system.
    pub(crate) fn read(&mut self, version: u16) -> io::Result<Option<StateRead>> {
        let Some((tip, foot, state)) = self.root.read(version)? else { return Ok(None) };
        let Some(pieces) = self.pieces_of(foot)? else { return Ok(None) };
        let appended_to = self.open.as_ref().map(|open| open.pieces.number());
        self.remove_strays(&[Some(foot.number), appended_to]);
        Ok(Some(StateRead { tip, pieces, state }))
    }

    /// The pieces a root refers to: those that are open, if it is the same file.
    fn pieces_of(&mut self, foot: Foot) -> io::Result<Option<Arc<PiecesFile>>> {
        let is_open = |open: &&Open| open.pieces.number() == foot.number;
        if let Some(open) = self.open.as_ref().filter(is_open) {
            return Ok((open.pieces.end() >= foot.len).then(|| Arc::clone(&open.pieces)));
        }
        let name = self.root.pieces_name(foot.number);
        if self.root.dir.stat(&name)?.is_none_or(|stat| stat.len < foot.len) {
            return Ok(None);
        }
        let file = self.root.dir.open(&name, Access::ReadWrite)?;
        let to_append = self.open.is_none();
        if to_append && file.size()? > foot.len {
            // Of a snapshot that was not finished.
            file.set_len(foot.len)?;
        }
        let pieces = PiecesFile::new(Arc::clone(&self.root), foot.number, file, foot.len);
        let pieces = Arc::new(pieces);
        if to_append {
            let begun_len = Some(foot.begun_len);
            self.open = Some(Open { pieces: Arc::clone(&pieces), begun_len });
        }
        Ok(Some(pieces))
    }

    /// Puts a snapshot in the place of the one before, so that after a crash either of them is there.
    ///
    /// # Errors
    /// Those of the file system and of `write`; the one before is then still there.
    pub(crate) fn store(
        &mut self,
        (version, tip): (u16, Tip),
        write: &mut WriteState<'_>,
    ) -> Result<()> {
        let (pieces, begun_len) = self.open_to_append()?;
        let root = Arc::clone(&self.root);
        let temp = root.temp_name();
        if root.dir.stat(&temp).doing("look at", &temp)?.is_some() {
            root.dir.remove(&temp).doing("remove", &temp)?;
        }
        let file = root.dir.create(&temp, 0o600).doing("create", &temp)?;
        let from_start = Span::from_start(Arc::clone(&file));
        let buffered = BufWriter::with_capacity(STEP_BYTES, from_start);
        let mut digesting = Digesting { to: buffered, digest: Sha256::new() };
        let head = [&MARK[..], &version.to_be_bytes(), &tip_bytes(tip)].concat();
        digesting.write_all(&head).doing("write", &temp)?;
        write(&(Arc::clone(&pieces) as Arc<dyn Pieces>), &mut digesting)?;

        // The pieces first: no root refers to what may be gone after a crash.
        let len = pieces.sync().doing("sync", pieces.name())?;
        let foot = Foot { number: pieces.number(), len, begun_len: begun_len.unwrap_or(len) };
        digesting.write_all(&foot.to_bytes()).doing("write", &temp)?;
        let Digesting { to: mut buffered, digest } = digesting;
        let ended = buffered.write_all(&digest.finalize()).and_then(|()| buffered.flush());
        ended.doing("write", &temp)?;
        file.sync_all().doing("sync", &temp)?;
        self.unsure = true;
        root.replace_by(&temp)?;
        self.unsure = false;
        self.open = Some(Open { pieces, begun_len: Some(foot.begun_len) });
        self.remove_strays(&[Some(foot.number)]);
        Ok(())
    }

    /// The pieces file to append to, a new one if there is none yet, if there is too much garbage
    /// in it, or if it is not known what of it is on the device.
    fn open_to_append(&mut self) -> Result<(Arc<PiecesFile>, Option<u64>)> {
        let is_fit = |open: &&Open| {
            let is_garbage = |begun| is_mostly_garbage(open.pieces.end(), begun, self.slack);
            !open.pieces.is_in_doubt() && !open.begun_len.is_some_and(is_garbage)
        };
        if let Some(open) = self.open.as_ref().filter(is_fit) {
            return Ok((Arc::clone(&open.pieces), open.begun_len));
        }
        let pieces = Arc::new(self.begin_pieces()?);
        self.open = Some(Open { pieces: Arc::clone(&pieces), begun_len: None });
        Ok((pieces, None))
    }

    fn begin_pieces(&self) -> Result<PiecesFile> {
        let root = &self.root;
        let of_root = root.foot().doing("read", &root.name)?.map(|foot| foot.number);
        let there = root.pieces_numbers().doing("list the directory of", &root.name)?;
        let open = self.open.as_ref().map(|open| open.pieces.number());
        let newest = there.into_iter().chain(of_root).chain(open).max().unwrap_or(0);
        let number = newest.checked_add(1).unwrap_or(1);
        // What was begun before and never got a root.
        self.remove_strays(&[of_root]);
        let name = root.pieces_name(number);
        let file = root.dir.create(&name, 0o600).doing("create", &name)?;
        root.dir.sync().doing("sync", &name)?;
        Ok(PiecesFile::new(Arc::clone(root), number, file, 0))
    }

    /// Removes what no root refers to, apart from these pieces files. What cannot be removed now is
    /// removed by a later snapshot or start. Who still reads an open file goes on reading it.
    fn remove_strays(&self, needed: &[Option<u64>]) {
        if self.unsure {
            return;
        }
        let Root { dir, name, .. } = &*self.root;
        let removed = self.root.pieces_numbers().and_then(|numbers| {
            let strays = numbers.into_iter().filter(|number| !needed.contains(&Some(*number)));
            let strays: Vec<String> = strays.map(|stray| self.root.pieces_name(stray)).collect();
            if !strays.is_empty() {
                // Not before the root that does without them is there to stay.
                dir.sync()?;
            }
            strays.iter().try_for_each(|stray| dir.remove(stray))?;
            let temp = self.root.temp_name();
            if dir.stat(&temp)?.is_some() { dir.remove(&temp) } else { Ok(()) }
        });
        if let Err(error) = removed {
            tracing::warn!(%error, snapshot = name, "files of older snapshots were not removed");
        }
    }
}

/// The root in its directory.
#[derive(Debug)]
struct Root {
    dir: Arc<dyn Dir>,
    name: String,
    /// Held while it is replaced, and from when a piece was found lost: none is put there after.
    replacing: Mutex<()>,
    /// Ends the process, after a piece was found lost.
    end: fn() -> !,
}

impl Root {
    fn temp_name(&self) -> String {
        format!("{}{TEMP_SUFFIX}", self.name)
    }

    fn pieces_name(&self, number: u64) -> String {
        format!("{}.pieces-{number}", self.name)
    }

    /// Of the pieces files that are there.
    fn pieces_numbers(&self) -> io::Result<Vec<u64>> {
        let prefix = format!("{}.pieces-", self.name);
        let number = |name: &String| name.strip_prefix(&prefix)?.parse().ok();
        Ok(self.dir.list()?.iter().filter_map(number).collect())
    }

    fn replace_by(&self, temp: &str) -> Result<()> {
        let _replacing = self.replacing.lock().unwrap_or_else(PoisonError::into_inner);
        self.dir.rename(temp, &self.name).doing("rename", temp)?;
        self.dir.sync().doing("sync", &self.name)
    }

    /// Sees to it that the next start finds no snapshot, and ends the process.
    fn give_up(&self) -> ! {
        let _replacing = self.replacing.lock().unwrap_or_else(PoisonError::into_inner);
        let removed = match self.dir.remove(&self.name) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            Ok(()) | Err(_) => self.dir.sync(),
        };
        if let Err(error) = removed {
            let name = &self.name;
            tracing::error!(%error, "`{name}` cannot be removed: remove it by hand before the next start");
        }
        (self.end)()
    }

    /// What a whole root of this version says: tip, pieces file, and the state.
    #[expect(clippy::type_complexity, reason = "taken apart by the only caller")]
    fn read(&self, version: u16) -> io::Result<Option<(Tip, Foot, Box<dyn Read>)>> {
        let Some((file, end)) = self.open()? else { return Ok(None) };
        let mut head = [0; HEAD_BYTES];
        file.read_at(&mut head, 0)?;
        let begins = [&MARK[..], &version.to_be_bytes()].concat();
        let Some(tip) = head.strip_prefix(&begins[..]).and_then(parse_tip) else {
            return Ok(None);
        };
        if !is_whole(&file, end + FOOT_BYTES as u64)? {
            return Ok(None);
        }
        let foot = read_foot(&*file, end)?;
        let state = Span::new(file, HEAD_BYTES as u64..end);
        Ok(Some((tip, foot, Box::new(BufReader::with_capacity(STEP_BYTES, state)))))
    }

    /// What it says of its pieces file, of whatever version it is and whether it is whole or not.
    fn foot(&self) -> io::Result<Option<Foot>> {
        let Some((file, end)) = self.open()? else { return Ok(None) };
        let mut mark = [0; MARK.len()];
        file.read_at(&mut mark, 0)?;
        if mark == MARK { read_foot(&*file, end).map(Some) } else { Ok(None) }
    }

    /// Opens it; the second value tells where its state ends. `None` if there is none or it is too short.
    fn open(&self) -> io::Result<Option<(Arc<dyn File>, u64)>> {
        if self.dir.stat(&self.name)?.is_none() {
            return Ok(None);
        }
        let file = self.dir.open(&self.name, Access::Read)?;
        let end = file.size()?.checked_sub((FOOT_BYTES + Digest::LEN) as u64);
        Ok(end.filter(|end| *end >= HEAD_BYTES as u64).map(|end| (file, end)))
    }
}

fn read_foot(file: &dyn File, at: u64) -> io::Result<Foot> {
    let mut foot = [0; FOOT_BYTES];
    file.read_at(&mut foot, at)?;
    Ok(Foot::parse(&foot))
}

/// Whether the digest at `end` is that of all bytes before.
fn is_whole(file: &Arc<dyn File>, end: u64) -> io::Result<bool> {
    let mut whole = Span::new(Arc::clone(file), 0..end);
    let (mut digest, mut step) = (Sha256::new(), vec![0; STEP_BYTES]);
    loop {
        match whole.read(&mut step)? {
            0 => break,
            read => digest.update(&step[..read]),
        }
    }
    let mut kept = [0; Digest::LEN];
    let read = file.read_at(&mut kept, end)?;
    Ok(read == kept.len() && digest.finalize()[..] == kept)
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
