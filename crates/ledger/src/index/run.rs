//! A run: what the index knows of consecutive entries, sorted, in a file that never changes.
//! ```text
//! keys     parts of keys of events in ascending order, each with its entry
//! lists    parts of rows, ascending: a subject, the first entry of the row, those that follow
//! foot     sieve of the keys; first key of each part; first row of each part and where the part lies
//! ```
//! Behind each part and the foot stands the SHA-256 of it: a bit that rotted must never make a recorded
//! event look new. What is needed to open one (a [`Head`]) lies in the tree; its foot is read with the
//! first question, a part with each question that the sieve lets through.

use std::io::{self, BufWriter, Write as _};
use std::sync::{Arc, OnceLock};

use chain::Digest;

use super::fault::Fault;
use super::sieve::Sieve;
use crate::disk::{Access, Dir, File, Span};
use crate::submission::{KEY_BYTES, Key};

/// Keys of a part. In tests a few entries make several.
const PART_KEYS: usize = if cfg!(test) { 2 } else { 682 };
/// Key and entry.
const RECORD_BYTES: usize = KEY_BYTES + 8;
/// Bytes of a whole part of keys with its digest.
const KEYS_STRIDE: usize = PART_KEYS * RECORD_BYTES + Digest::LEN;
/// Bytes of rows after which a part of lists ends.
const LISTS_BYTES: usize = if cfg!(test) { 40 } else { 16 << 10 };
/// Most entries of a row.
const ROW_ENTRIES: usize = if cfg!(test) { 4 } else { 1_024 };
/// Bytes that are gathered before they are written.
const GATHERED_BYTES: usize = 1 << 20;
/// A run is synced in steps, so that nobody who syncs another file waits for a gigabyte of it.
const SYNC_BYTES: u64 = 16 << 20;

/// Which run: how often its entries were merged, and the entry it begins at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Name {
    pub(super) level: u8,
    pub(super) from: u64,
}

impl Name {
    /// What the names of files begin with.
    pub(super) const PREFIX: &'static str = "run-";

    pub(super) fn file(self) -> String {
        format!("{}{}-{:020}", Self::PREFIX, self.level, self.from)
    }

    /// Row of its head in the tree.
    pub(super) fn row(self) -> Vec<u8> {
        [&[b'h', self.level][..], &self.from.to_be_bytes()].concat()
    }

    pub(super) fn of_row(row: &[u8]) -> Option<Self> {
        let (level, from) = row.get(1..)?.split_first()?;
        Some(Self { level: *level, from: u64::from_be_bytes(from.try_into().ok()?) })
    }
}

/// What the tree says of a run. It counts once this stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Head {
    /// The entry after its last.
    pub(super) to: u64,
    /// How many keys it has: an event that came twice has one.
    pub(super) keys: u64,
    /// Where its foot begins.
    foot_at: u64,
    /// Length of its file.
    pub(super) len: u64,
}

impl Head {
    pub(super) fn to_bytes(self) -> Vec<u8> {
        [self.to, self.keys, self.foot_at, self.len].map(u64::to_be_bytes).concat()
    }

    pub(super) fn parse(bytes: &[u8]) -> Option<Self> {
        let (numbers, []) = bytes.as_chunks::<8>() else { return None };
        let [to, keys, foot_at, len] = *numbers else { return None };
        let [to, keys, foot_at, len] = [to, keys, foot_at, len].map(u64::from_be_bytes);
        Some(Self { to, keys, foot_at, len })
    }
}

/// A run whose file is whole as far as its length tells.
#[derive(Debug)]
pub(super) struct Run {
    pub(super) name: Name,
    pub(super) head: Head,
    file: Arc<dyn File>,
    foot: OnceLock<Foot>,
}

/// Where to look for what.
#[derive(Debug)]
struct Foot {
    sieve: Sieve,
    /// The first key of each part.
    firsts: Vec<Key>,
    lists: Vec<ListsPart>,
}

/// A part of lists, by its first row.
#[derive(Debug)]
struct ListsPart {
    subject: Box<str>,
    first: u64,
    at: u64,
    /// Without its digest.
    len: u32,
}

/// Entries about a subject as they stand in a part.
struct Row<'p> {
    subject: &'p str,
    first: u64,
    /// Those that follow the first, each as its distance from it.
    after: &'p [[u8; 4]],
}

impl Row<'_> {
    fn entries(&self) -> impl Iterator<Item = u64> + '_ {
        let behind = |four: &[u8; 4]| self.first + u64::from(u32::from_be_bytes(*four));
        std::iter::once(self.first).chain(self.after.iter().map(behind))
    }
}

impl Run {
    pub(super) fn open(dir: &dyn Dir, name: Name, head: Head) -> Result<Self, Fault> {
        let opened = dir.open(&name.file(), Access::Read);
        let sized = opened.and_then(|file| Ok((file.size()?, file)));
        let (len, file) = sized.map_err(|error| format!("`{}`: {error}", name.file()))?;
        if len != head.len {
            let len_of = format!("`{}` has `{len}` bytes instead of `{}`", name.file(), head.len);
            return Err(len_of.into());
        }
        Ok(Self { name, head, file, foot: OnceLock::new() })
    }

    fn damaged(&self, what: &str) -> Fault {
        format!("`{}` is damaged: {what} is not what was written", self.name.file()).into()
    }

    /// Bytes that a digest stands behind.
    fn read(&self, at: u64, len: u64, what: &str) -> Result<Vec<u8>, Fault> {
        let len = usize::try_from(len).map_err(|_| self.damaged(what))?;
        let mut bytes = vec![0; len + Digest::LEN];
        let read = self.file.read_at(&mut bytes, at);
        let read = read.map_err(|error| format!("`{}`: {error}", self.name.file()))?;
        let digest = bytes.split_off(len);
        if read < len + Digest::LEN || Digest::of(&bytes).as_bytes()[..] != digest {
            return Err(self.damaged(what));
        }
        Ok(bytes)
    }

    fn foot(&self) -> Result<&Foot, Fault> {
        if let Some(foot) = self.foot.get() {
            return Ok(foot);
        }
        let len = (self.head.len.checked_sub(self.head.foot_at))
            .and_then(|len| len.checked_sub(Digest::LEN as u64));
        let bytes = self.read(self.head.foot_at, len.unwrap_or(u64::MAX), "its foot")?;
        let foot = Foot::parse(&bytes).ok_or_else(|| self.damaged("its foot"))?;
        Ok(self.foot.get_or_init(|| foot))
    }

    fn keys_part(&self, part: usize) -> Result<Vec<u8>, Fault> {
        let before = (part * PART_KEYS) as u64;
        let keys = self.head.keys.saturating_sub(before).min(PART_KEYS as u64);
        self.read(
            (part * KEYS_STRIDE) as u64,
            keys * RECORD_BYTES as u64,
            &format!("part `{part}`"),
        )
    }

    /// The first entry with a key.
    pub(super) fn seq_of(&self, key: &Key) -> Result<Option<u64>, Fault> {
        let foot = self.foot()?;
        if !foot.sieve.lets_through(key) {
            return Ok(None);
        }
        let part = foot.firsts.partition_point(|first| first <= key).checked_sub(1);
        let Some(part) = part else { return Ok(None) };
        let part = self.keys_part(part)?;
        let records: &[[u8; RECORD_BYTES]] = part.as_chunks().0;
        let at = records.binary_search_by(|record| record[..KEY_BYTES].cmp(key.as_bytes()));
        Ok(at.ok().map(|at| parse_record(&records[at]).1))
    }

    /// Adds entries about a subject from `from` on to `found`, until there are `max`.
    pub(super) fn entries_about(
        &self,
        subject: &str,
        from: u64,
        max: usize,
        found: &mut Vec<u64>,
    ) -> Result<(), Fault> {
        let parts = &self.foot()?.lists;
        // The row that begins before `from` may reach beyond it.
        let at_or_before = |part: &ListsPart| (&*part.subject, part.first) <= (subject, from);
        let begin = parts.partition_point(at_or_before).saturating_sub(1);
        for part in &parts[begin..] {
            if &*part.subject > subject {
                break;
            }
            let bytes = self.lists_part(part)?;
            let mut rest = &bytes[..];
            while let Some(row) = self.next_row(&mut rest)? {
                if row.subject > subject || found.len() >= max {
                    return Ok(());
                }
                if row.subject == subject {
                    let room = max - found.len();
                    found.extend(row.entries().filter(|seq| *seq >= from).take(room));
                }
            }
        }
        Ok(())
    }

    fn lists_part(&self, part: &ListsPart) -> Result<Vec<u8>, Fault> {
        self.read(part.at, u64::from(part.len), &format!("its part at byte `{}`", part.at))
    }

    fn next_row<'p>(&self, rest: &mut &'p [u8]) -> Result<Option<Row<'p>>, Fault> {
        if rest.is_empty() {
            return Ok(None);
        }
        let (row, behind) = parse_row(rest).ok_or_else(|| self.damaged("a row"))?;
        *rest = behind;
        Ok(Some(row))
    }
}

fn parse_record(record: &[u8; RECORD_BYTES]) -> (Key, u64) {
    let (mut key, mut seq) = ([0; KEY_BYTES], [0; 8]);
    key.copy_from_slice(&record[..KEY_BYTES]);
    seq.copy_from_slice(&record[KEY_BYTES..]);
    (Key::from_bytes(key), u64::from_be_bytes(seq))
}

/// A subject behind its length.
pub(super) fn write_subject(subject: &str, out: &mut Vec<u8>) -> Result<(), Fault> {
    let len = u16::try_from(subject.len()).map_err(|_| "a subject is too long")?;
    out.extend_from_slice(&len.to_be_bytes());
    out.extend_from_slice(subject.as_bytes());
    Ok(())
}

/// What [`write_subject`] wrote, and what stands behind it.
pub(super) fn split_subject(bytes: &[u8]) -> Option<(&str, &[u8])> {
    let (len, rest) = bytes.split_first_chunk()?;
    let (subject, rest) = rest.split_at_checked(usize::from(u16::from_be_bytes(*len)))?;
    Some((std::str::from_utf8(subject).ok()?, rest))
}

fn parse_row(bytes: &[u8]) -> Option<(Row<'_>, &[u8])> {
    let (subject, rest) = split_subject(bytes)?;
    let (first, rest) = rest.split_first_chunk()?;
    let (count, rest) = rest.split_first_chunk()?;
    let len = usize::try_from(u32::from_be_bytes(*count)).ok()?.checked_mul(4)?;
    let (after, rest) = rest.split_at_checked(len)?;
    let row = Row { subject, first: u64::from_be_bytes(*first), after: after.as_chunks().0 };
    Some((row, rest))
}

impl Foot {
    fn to_bytes(&self) -> Result<Vec<u8>, Fault> {
        let firsts_len = self.firsts.len() * KEY_BYTES;
        let mut bytes = Vec::with_capacity(16 + self.sieve.len_bytes() + firsts_len);
        bytes.extend_from_slice(&(self.sieve.len_bytes() as u64).to_be_bytes());
        self.sieve.write(&mut bytes);
        bytes.extend_from_slice(&(firsts_len as u64).to_be_bytes());
        self.firsts.iter().for_each(|first| bytes.extend_from_slice(first.as_bytes()));
        for part in &self.lists {
            write_subject(&part.subject, &mut bytes)?;
            bytes.extend_from_slice(&part.first.to_be_bytes());
            bytes.extend_from_slice(&part.at.to_be_bytes());
            bytes.extend_from_slice(&part.len.to_be_bytes());
        }
        Ok(bytes)
    }

    fn parse(bytes: &[u8]) -> Option<Self> {
        let (sieve, rest) = split_sized(bytes)?;
        let (firsts, mut rest) = split_sized(rest)?;
        let (firsts, []) = firsts.as_chunks() else { return None };
        let mut lists = Vec::new();
        while !rest.is_empty() {
            let (subject, behind) = split_subject(rest)?;
            let (first, behind) = behind.split_first_chunk()?;
            let (at, behind) = behind.split_first_chunk()?;
            let (len, behind) = behind.split_first_chunk()?;
            lists.push(ListsPart {
                subject: subject.into(),
                first: u64::from_be_bytes(*first),
                at: u64::from_be_bytes(*at),
                len: u32::from_be_bytes(*len),
            });
            rest = behind;
        }
        let firsts = firsts.iter().map(|first| Key::from_bytes(*first)).collect();
        Some(Self { sieve: Sieve::parse(sieve)?, firsts, lists })
    }
}

/// Bytes behind their length, and what stands behind them.
fn split_sized(bytes: &[u8]) -> Option<(&[u8], &[u8])> {
    let (len, rest) = bytes.split_first_chunk()?;
    rest.split_at_checked(usize::try_from(u64::from_be_bytes(*len)).ok()?)
}

/// Reads the keys of a run from the first to the last.
pub(super) struct KeysReader<'r> {
    run: &'r Run,
    part: usize,
    bytes: Vec<u8>,
    at: usize,
    /// The key that comes next.
    pub(super) next: Option<(Key, u64)>,
}

impl<'r> KeysReader<'r> {
    pub(super) fn open(run: &'r Run) -> Result<Self, Fault> {
        let mut this = Self { run, part: 0, bytes: Vec::new(), at: 0, next: None };
        this.advance()?;
        Ok(this)
    }

    /// The key that was next.
    pub(super) fn advance(&mut self) -> Result<Option<(Key, u64)>, Fault> {
        let here = self.next.take();
        if self.at == self.bytes.len() && ((self.part * PART_KEYS) as u64) < self.run.head.keys {
            self.bytes = self.run.keys_part(self.part)?;
            self.part += 1;
            self.at = 0;
        }
        if let Some((record, _)) = self.bytes[self.at..].split_first_chunk() {
            self.next = Some(parse_record(record));
            self.at += RECORD_BYTES;
        }
        Ok(here)
    }
}

/// Reads the lists of a run from the first to the last.
pub(super) struct ListsReader<'r> {
    run: &'r Run,
    parts: std::slice::Iter<'r, ListsPart>,
    bytes: Vec<u8>,
    at: usize,
    /// The row that comes next.
    pub(super) next: Option<(String, Vec<u64>)>,
}

impl<'r> ListsReader<'r> {
    /// The subject of the row that comes next.
    pub(super) fn subject(&self) -> Option<&str> {
        self.next.as_ref().map(|(subject, _)| subject.as_str())
    }

    pub(super) fn open(run: &'r Run) -> Result<Self, Fault> {
        let parts = run.foot()?.lists.iter();
        let mut this = Self { run, parts, bytes: Vec::new(), at: 0, next: None };
        this.advance()?;
        Ok(this)
    }

    /// The row that was next.
    pub(super) fn advance(&mut self) -> Result<Option<(String, Vec<u64>)>, Fault> {
        let here = self.next.take();
        if self.at == self.bytes.len()
            && let Some(part) = self.parts.next()
        {
            self.bytes = self.run.lists_part(part)?;
            self.at = 0;
        }
        let mut rest = &self.bytes[self.at..];
        if let Some(row) = self.run.next_row(&mut rest)? {
            self.next = Some((row.subject.to_owned(), row.entries().collect()));
        }
        self.at = self.bytes.len() - rest.len();
        Ok(here)
    }
}

/// Writes a run: all its keys in ascending order, then all its lists.
pub(super) struct Writer {
    name: Name,
    file: Arc<dyn File>,
    out: BufWriter<Span>,
    /// Bytes given to `out`, and how many of them are synced.
    at: u64,
    synced: u64,
    foot: Foot,
    keys: u64,
    /// The part that is not full yet, of keys and then of lists.
    part: Vec<u8>,
    /// The row that is not full yet.
    row: (String, Vec<u64>),
    /// The row the part of lists begins with.
    begins: Option<(Box<str>, u64)>,
}

impl Writer {
    /// Begins a file; what an earlier try left under this name is in the way. There will be at most
    /// `keys_max` keys.
    pub(super) fn begin(dir: &dyn Dir, name: Name, keys_max: u64) -> Result<Self, Fault> {
        let file_name = name.file();
        let begun = dir.stat(&file_name).and_then(|there| {
            if there.is_some() {
                dir.remove(&file_name)?;
            }
            dir.create(&file_name, 0o600)
        });
        let file = begun.map_err(|error| Fault::passing(&file_name, &error))?;
        let out = BufWriter::with_capacity(GATHERED_BYTES, Span::from_start(Arc::clone(&file)));
        let foot = Foot { sieve: Sieve::for_keys(keys_max), firsts: Vec::new(), lists: Vec::new() };
        let (part, row, begins) = (Vec::new(), Default::default(), None);
        Ok(Self { name, file, out, at: 0, synced: 0, foot, keys: 0, part, row, begins })
    }

    /// Adds a key that is greater than those before.
    pub(super) fn key(&mut self, key: &Key, seq: u64) -> Result<(), Fault> {
        if self.part.is_empty() {
            self.foot.firsts.push(*key);
        }
        self.foot.sieve.add(key);
        self.keys += 1;
        self.part.extend_from_slice(key.as_bytes());
        self.part.extend_from_slice(&seq.to_be_bytes());
        if self.part.len() == PART_KEYS * RECORD_BYTES {
            self.write_part()?;
        }
        Ok(())
    }

    /// Ends the keys; lists may follow.
    pub(super) fn end_keys(&mut self) -> Result<(), Fault> {
        if self.part.is_empty() { Ok(()) } else { self.write_part() }
    }

    /// Adds entries about a subject, behind those that were added of it; subjects ascend.
    pub(super) fn list(&mut self, subject: &str, seqs: &[u64]) -> Result<(), Fault> {
        for &seq in seqs {
            let (open, entries) = &self.row;
            let is_within = |first: &u64| u32::try_from(seq - first).is_ok();
            let has_room = || entries.len() < ROW_ENTRIES && entries.first().is_none_or(is_within);
            if open != subject || !has_room() {
                self.end_row()?;
                self.row.0.clear();
                self.row.0.push_str(subject);
            }
            self.row.1.push(seq);
        }
        Ok(())
    }

    fn end_row(&mut self) -> Result<(), Fault> {
        let (subject, entries) = &mut self.row;
        let Some((first, after)) = entries.split_first() else { return Ok(()) };
        if self.begins.is_none() {
            self.begins = Some((subject.as_str().into(), *first));
        }
        write_subject(subject, &mut self.part)?;
        self.part.extend_from_slice(&first.to_be_bytes());
        let count = u32::try_from(after.len()).map_err(|_| "a row is too long")?;
        self.part.extend_from_slice(&count.to_be_bytes());
        for seq in after {
            let behind = u32::try_from(seq - first).map_err(|_| "a row reaches too far")?;
            self.part.extend_from_slice(&behind.to_be_bytes());
        }
        entries.clear();
        if self.part.len() >= LISTS_BYTES { self.end_lists_part() } else { Ok(()) }
    }

    fn end_lists_part(&mut self) -> Result<(), Fault> {
        let Some((subject, first)) = self.begins.take() else { return Ok(()) };
        let len = u32::try_from(self.part.len()).map_err(|_| "a part is too long")?;
        self.foot.lists.push(ListsPart { subject, first, at: self.at, len });
        self.write_part()
    }

    /// Writes the part and its digest.
    fn write_part(&mut self) -> Result<(), Fault> {
        let part = std::mem::take(&mut self.part);
        self.write_checked(&part)?;
        self.part = part;
        self.part.clear();
        Ok(())
    }

    fn write_checked(&mut self, bytes: &[u8]) -> Result<(), Fault> {
        let digest = Digest::of(bytes);
        let mut write = || -> io::Result<()> {
            self.out.write_all(bytes)?;
            self.out.write_all(digest.as_bytes())?;
            self.at += (bytes.len() + Digest::LEN) as u64;
            if self.at - self.synced >= SYNC_BYTES {
                self.out.flush()?;
                self.file.sync_data()?;
                self.synced = self.at;
            }
            Ok(())
        };
        write().map_err(|error| Fault::passing(&self.name.file(), &error))
    }

    /// Ends the run, which begins to count when its head does; `to` is the entry after its last.
    pub(super) fn finish(mut self, dir: &dyn Dir, to: u64) -> Result<Run, Fault> {
        self.end_row()?;
        self.end_lists_part()?;
        let foot_at = self.at;
        let foot = self.foot.to_bytes()?;
        self.write_checked(&foot)?;
        let durable = self.out.flush().and_then(|()| self.file.sync_all());
        durable
            .and_then(|()| dir.sync())
            .map_err(|error| Fault::passing(&self.name.file(), &error))?;
        let head = Head { to, keys: self.keys, foot_at, len: self.at };
        let foot = OnceLock::from(self.foot);
        Ok(Run { name: self.name, head, file: self.file, foot })
    }
}
