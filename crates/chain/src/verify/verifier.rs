//! The check as a state machine: entries go in one by one, the verdict comes out.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::thread;

use super::examine::{Clients, Examined, Facts, SignatureState, opening};
use super::{
    CannotCheck, CheckpointFile, Evidence, Fault, FaultKind, Summary, Verdict, entry_fault,
};
use crate::checkpoint::{Checkpoint, CheckpointError, SignedCheckpoint};
use crate::digest::Digest;
use crate::entry::{Head, LinkError};
use crate::keys::Keys;
use crate::merkle::Frontier;
use crate::note::{Note, VerifierKey};
use crate::policy::Policy;
use crate::time;

/// The type of the event in entry 0.
const OPENING_TYPE: &str = "pulverlog.log.opened";

/// Lines handed to the threads at a time, for each thread: enough to keep them busy, few enough
/// that a fault near the beginning is found early.
const LINES_PER_THREAD: usize = 4_096;

/// A check under way. Its size does not grow with the log.
#[derive(Clone)]
pub struct Verifier {
    keys: Keys,
    clients: Clients,
    policy: Option<Policy>,
    /// In ascending order of size, then name.
    checkpoints: Vec<Candidate>,
    /// How many of them the entries have reached; those are sound.
    reached: usize,
    receipts: BTreeMap<u64, BTreeSet<Digest>>,
    head: Head,
    /// The tree without its last entry.
    before_last: Frontier,
    /// An entry whose link does not fit; the entry after it tells whose fault that is.
    broken_link: Option<BrokenLink>,
    fault: Option<Fault>,
    unsigned: u64,
    signed_unknown: u64,
    signed_by: BTreeSet<String>,
}

/// A checkpoint and whether it may be believed.
#[derive(Clone)]
struct Candidate {
    name: String,
    outside: bool,
    checkpoint: Checkpoint,
    signed: Result<SignedCheckpoint, CheckpointError>,
}

#[derive(Clone, Copy)]
struct BrokenLink {
    /// The hash of the entry before.
    expected: Digest,
    /// The hash the entry names.
    found: Digest,
    /// The entry's own hash.
    leaf: Digest,
}

impl Verifier {
    /// Begins a check; checkpoints are read and their signatures verified here.
    ///
    /// # Errors
    /// [`CannotCheck`].
    pub fn new(evidence: Evidence) -> Result<Self, CannotCheck> {
        let Evidence { keys, policy, checkpoints, receipts } = evidence;
        if checkpoints.is_empty() {
            return Err(CannotCheck::NoCheckpoint);
        }
        if let Some(policy) = &policy
            && !policy.logs.is_empty()
            && policy.logs.iter().all(|log| log.key != keys.log)
        {
            return Err(CannotCheck::LogNotInPolicy { key: keys.log.label() });
        }
        let witnesses = policy.iter().flat_map(|policy| &policy.witnesses).map(|w| &w.key);
        let trusted: Vec<VerifierKey> =
            std::iter::once(&keys.log).chain(&keys.witnesses).chain(witnesses).cloned().collect();
        let mut checkpoints = checkpoints
            .into_iter()
            .map(|file| Candidate::read(file, keys.origin(), &trusted))
            .collect::<Result<Vec<_>, _>>()?;
        checkpoints.sort_by(|a, b| (a.checkpoint.size, &a.name).cmp(&(b.checkpoint.size, &b.name)));
        let mut by_seq: BTreeMap<u64, BTreeSet<Digest>> = BTreeMap::new();
        for receipt in receipts {
            by_seq.entry(receipt.seq).or_default().insert(receipt.leaf);
        }
        let mut verifier = Self {
            clients: Clients::new(&keys),
            keys,
            policy,
            checkpoints,
            reached: 0,
            receipts: by_seq,
            head: Head::empty(),
            before_last: Frontier::new(),
            broken_link: None,
            fault: None,
            unsigned: 0,
            signed_unknown: 0,
            signed_by: BTreeSet::new(),
        };
        verifier.fault = verifier.reach_checkpoints().err();
        Ok(verifier)
    }

    /// Takes the next entry, without its line feed. [`ControlFlow::Break`] says that a fault was
    /// found and further entries will not change the verdict.
    pub fn push(&mut self, entry: &[u8]) -> ControlFlow<()> {
        let examined = self.clients.examine(entry);
        self.accept(entry, examined)
    }

    /// Takes the rest of a file that does not end in a line feed: a line that was cut.
    pub fn push_cut(&mut self, rest: &[u8]) -> ControlFlow<()> {
        self.settle_broken_link(None);
        if self.fault.is_none() {
            self.fault = Some(Fault::cut_line(self.head.size(), rest));
        }
        ControlFlow::Break(())
    }

    /// Takes a whole `entries.ndjson`, reading and hashing its lines on `threads` threads.
    pub fn push_file(&mut self, file: &[u8], threads: usize) -> ControlFlow<()> {
        let mut lines = file.split_inclusive(|byte| *byte == b'\n').peekable();
        while lines.peek().is_some() {
            let window: Vec<&[u8]> =
                lines.by_ref().take(threads.max(1) * LINES_PER_THREAD).collect();
            let whole: Vec<&[u8]> =
                window.iter().filter_map(|line| line.strip_suffix(b"\n")).collect();
            for (line, examined) in whole.iter().zip(self.examine_all(&whole, threads)) {
                self.accept(line, examined)?;
            }
            // Only the last line of a file can lack its line feed.
            if let Some(rest) = window.last().filter(|line| !line.ends_with(b"\n")) {
                self.push_cut(rest)?;
            }
        }
        ControlFlow::Continue(())
    }

    fn examine_all(&self, lines: &[&[u8]], threads: usize) -> Vec<Examined> {
        let examine = |lines: &[&[u8]]| -> Vec<Examined> {
            lines.iter().map(|line| self.clients.examine(line)).collect()
        };
        if threads <= 1 {
            return examine(lines);
        }
        thread::scope(|scope| {
            let examine = &examine;
            let workers: Vec<_> = lines
                .chunks(lines.len().div_ceil(threads).max(1))
                .map(|chunk| scope.spawn(move || examine(chunk)))
                .collect();
            let results = workers.into_iter().map(|worker| worker.join());
            results.flat_map(|result| result.expect("examining a line does not panic")).collect()
        })
    }

    /// Ends the check.
    pub fn finish(mut self) -> Verdict {
        self.settle_broken_link(None);
        if self.fault.is_none() {
            self.fault = self.check_end().err();
        }
        match self.fault {
            Some(fault) => Verdict::Broken(fault),
            None => Verdict::Sound(self.summary()),
        }
    }

    fn accept(&mut self, line: &[u8], examined: Examined) -> ControlFlow<()> {
        let prev = examined.facts.as_ref().ok().map(|facts| facts.prev);
        self.settle_broken_link(prev);
        if self.fault.is_none() {
            self.fault = self.check_entry(line, examined).err();
        }
        if self.fault.is_some() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }

    /// Checks 2 to 13 of the documented order for one entry.
    fn check_entry(&mut self, line: &[u8], examined: Examined) -> Result<(), Fault> {
        let facts = examined.facts.map_err(|error| entry_fault(self.head.size(), &error))?;
        let leaf = examined.leaf;
        let checked = self.head.check(facts.seq, facts.prev, facts.recorded_at_ms);
        match checked {
            Ok(()) => {}
            Err(LinkError::Prev { expected, found }) if self.head.size() > 0 => {
                self.broken_link = Some(BrokenLink { expected, found, leaf });
                return Ok(());
            }
            Err(error) => return Err(self.link_fault(error)),
        }
        if self.head.size() == 0 {
            self.check_opening(line)?;
        }
        self.check_signature(&facts)?;
        if let Some(receipts) = self.receipts.remove(&facts.seq)
            && let Some(other) = receipts.iter().find(|receipt| **receipt != leaf)
        {
            return Err(self.fault_here(FaultKind::Receipt, other, leaf));
        }
        self.before_last.clone_from(self.head.frontier());
        self.head
            .advance(facts.seq, facts.prev, facts.recorded_at_ms, leaf)
            .map_err(|error| self.link_fault(error))?;
        self.reach_checkpoints()
    }

    /// Whose fault a broken link is; `next` is what the entry after it names, if there is one.
    fn settle_broken_link(&mut self, next: Option<Digest>) {
        let Some(BrokenLink { expected, found, leaf }) = self.broken_link.take() else { return };
        let seq = self.head.size();
        // The root that follows if the entry before had the hash that this entry names.
        let mut tree = self.before_last.clone();
        tree.push(found);
        tree.push(leaf);
        let mut signed_roots = self.checkpoints[self.reached..]
            .iter()
            .take_while(|candidate| candidate.checkpoint.size == tree.size())
            .filter(|candidate| candidate.signed.is_ok())
            .map(|candidate| candidate.checkpoint.root)
            .peekable();
        let nothing_follows = next.is_none() && signed_roots.peek().is_none();
        let mut fault = if next == Some(leaf) || signed_roots.any(|root| root == tree.root()) {
            Fault::new(seq - 1, FaultKind::Altered, found, expected)
        } else {
            Fault::new(seq, FaultKind::Link, expected, found)
        };
        fault.among = nothing_follows.then_some((seq - 1, seq));
        self.fault = Some(fault);
    }

    fn check_opening(&self, line: &[u8]) -> Result<(), Fault> {
        let expected =
            (OPENING_TYPE.to_owned(), self.keys.origin().to_owned(), self.keys.log.to_string());
        let found = opening(line);
        if found == expected {
            return Ok(());
        }
        let text = |(kind, origin, key)| format!("`{kind}` of log `{origin}` with key `{key}`");
        Err(self.fault_here(FaultKind::Opening, text(expected), text(found)))
    }

    fn check_signature(&mut self, facts: &Facts) -> Result<(), Fault> {
        match &facts.signature {
            SignatureState::Absent => self.unsigned += 1,
            SignatureState::UnknownKey => self.signed_unknown += 1,
            SignatureState::Valid(key) => {
                if !self.signed_by.contains(key) {
                    self.signed_by.insert(key.clone());
                }
            }
            SignatureState::Bad(key) => return Err(Fault::bad_signature(facts.seq, key)),
        }
        Ok(())
    }

    /// Checks the checkpoints whose size the entries have just reached.
    fn reach_checkpoints(&mut self) -> Result<(), Fault> {
        let size = self.head.size();
        let rest = &self.checkpoints[self.reached..];
        let here = rest.iter().take_while(|candidate| candidate.checkpoint.size == size).count();
        if here == 0 {
            return Ok(());
        }
        let here = self.reached..self.reached + here;
        for candidate in &self.checkpoints[here.clone()] {
            self.check_signed(candidate)?;
        }
        let first = &self.checkpoints[here.start];
        let other = |c: &&Candidate| c.checkpoint.root != first.checkpoint.root;
        if let Some(second) = self.checkpoints[here.clone()].iter().find(other) {
            let text = |c: &Candidate| format!("root {} (`{}`)", c.checkpoint.root, c.name);
            let mut fault = self.fault_at_checkpoint(FaultKind::SplitView, second);
            (fault.expected, fault.found) = (text(first), text(second));
            return Err(fault);
        }
        let root = self.head.root();
        if first.checkpoint.root != root {
            let mut fault = self.fault_at_checkpoint(FaultKind::Root, first);
            let good = here.start.checked_sub(1).map_or(0, |i| self.checkpoints[i].checkpoint.size);
            (fault.expected, fault.found) = (first.checkpoint.root.to_string(), root.to_string());
            fault.among = size.checked_sub(1).map(|last| (good.min(last), last));
            return Err(fault);
        }
        self.reached = here.end;
        Ok(())
    }

    fn check_signed(&self, candidate: &Candidate) -> Result<(), Fault> {
        let Err(error) = &candidate.signed else { return Ok(()) };
        let mut fault = self.fault_at_checkpoint(FaultKind::CheckpointSignature, candidate);
        fault.expected = format!("a checkpoint signed by `{}`", self.keys.log.label());
        fault.found = match error {
            CheckpointError::Note(cause) => cause.to_string(),
            other => other.to_string(),
        };
        Err(fault)
    }

    /// Checks 14 and 15 of the documented order.
    fn check_end(&self) -> Result<(), Fault> {
        let entries = self.head.size();
        if let Some(candidate) = self.checkpoints.get(self.reached) {
            self.check_signed(candidate)?;
            let expected = format!("{} entries", candidate.checkpoint.size);
            let mut fault =
                self.fault_here(FaultKind::TailCut, expected, format!("{entries} entries"));
            fault.checkpoint = Some(candidate.name.clone());
            return Err(fault);
        }
        if let Some(seq) = self.receipts.keys().next() {
            let expected = format!("entry {seq}, for which a receipt is held");
            return Err(self.fault_here(
                FaultKind::TailCut,
                expected,
                format!("{entries} entries"),
            ));
        }
        let met = |policy: &Policy| self.checkpoints.iter().any(|c| c.meets(Some(policy)));
        if let Some(policy) = self.policy.as_ref().filter(|policy| !met(policy)) {
            let quorum = policy.to_string();
            let expected = quorum.lines().last().unwrap_or_default().to_owned();
            let mut fault =
                self.fault_here(FaultKind::Quorum, expected, "no checkpoint that meets it");
            fault.seq = 0;
            return Err(fault);
        }
        Ok(())
    }

    fn summary(&self) -> Summary {
        let policy = self.policy.as_ref().filter(|policy| policy.quorum.is_some());
        let supported = |c: &&Candidate| {
            c.outside || if policy.is_some() { c.meets(policy) } else { c.is_cosigned() }
        };
        let size = |c: &Candidate| c.checkpoint.size;
        let cosignatures = self.checkpoints.iter().filter_map(|c| c.signed.as_ref().ok());
        let witnesses: BTreeSet<String> =
            cosignatures.flat_map(|s| &s.cosignatures).map(|c| c.key.label()).collect();
        Summary {
            entries: self.head.size(),
            root: self.head.root(),
            checkpoint_size: self.checkpoints.last().map_or(0, size),
            outside_size: self.checkpoints.iter().filter(supported).map(size).max().unwrap_or(0),
            unsigned: self.unsigned,
            signed_unknown: self.signed_unknown,
            log_key: self.keys.log.label(),
            witness_keys: witnesses.into_iter().collect(),
            client_keys: self.signed_by.iter().cloned().collect(),
        }
    }

    fn link_fault(&self, error: LinkError) -> Fault {
        let text = |ms| time::format_ms(ms).unwrap_or_else(|_| format!("{ms} ms"));
        match error {
            LinkError::Seq { expected, found } => self.fault_here(FaultKind::Seq, expected, found),
            LinkError::Prev { expected, found } => {
                self.fault_here(FaultKind::Link, expected, found)
            }
            LinkError::Time { earliest, found } => {
                let expected = format!("{} or later", text(earliest));
                self.fault_here(FaultKind::Time, expected, text(found))
            }
        }
    }

    /// A fault of the entry whose turn it is.
    fn fault_here(&self, kind: FaultKind, expected: impl ToString, found: impl ToString) -> Fault {
        Fault::new(self.head.size(), kind, expected, found)
    }

    /// A fault that a checkpoint shows: it names the last entry the checkpoint covers.
    fn fault_at_checkpoint(&self, kind: FaultKind, candidate: &Candidate) -> Fault {
        let mut fault = self.fault_here(kind, "", "");
        fault.seq = candidate.checkpoint.size.saturating_sub(1);
        fault.checkpoint = Some(candidate.name.clone());
        fault
    }
}

impl Candidate {
    fn read(
        file: CheckpointFile,
        origin: &str,
        trusted: &[VerifierKey],
    ) -> Result<Self, CannotCheck> {
        let CheckpointFile { name, note, outside } = file;
        let text = match Note::parse(&note) {
            Ok(note) => note.text,
            Err(cause) => return Err(CannotCheck::Note { name, cause }),
        };
        let checkpoint = match Checkpoint::parse_text(&text) {
            Ok(checkpoint) => checkpoint,
            Err(cause) => return Err(CannotCheck::Checkpoint { name, cause }),
        };
        let signed = if checkpoint.origin == origin {
            Checkpoint::open(&note, trusted)
        } else {
            let found = checkpoint.origin.clone();
            Err(CheckpointError::WrongOrigin { expected: origin.to_owned(), found })
        };
        Ok(Self { name, outside, checkpoint, signed })
    }

    fn is_cosigned(&self) -> bool {
        self.signed.as_ref().is_ok_and(|signed| !signed.cosignatures.is_empty())
    }

    /// Whether the policy's quorum is met by the cosignatures; false without a policy.
    fn meets(&self, policy: Option<&Policy>) -> bool {
        let signed = self.signed.as_ref().ok();
        signed
            .zip(policy)
            .is_some_and(|(signed, policy)| policy.is_met(|witness| signed.is_cosigned_by(witness)))
    }
}
