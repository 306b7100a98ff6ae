//! What an auditor takes away, fetched over HTTP with an auditor's token and checked like any
//! other evidence: entries, the newest checkpoint, keys, policy.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;
use std::str::FromStr as _;

use anyhow::{Context as _, bail, ensure};
use chain::Digest;
use chain::bundle::{self, Bundle, BundleKind, BundleVerdict, OwnEvidence, ReadMe};
use chain::checkpoint::Checkpoint;
use chain::entry::Entry;
use chain::keys::Keys;
use chain::tile::{Tile, TileKind};
use chain::verify::{Receipt, Verdict};
use jiff::Timestamp;
use shopfloor::{Fact, State};
use zip::write::SimpleFileOptions;

/// Policy of a log without witnesses (C2SP tlog-policy).
const NO_WITNESSES: &str = "quorum none\n";

/// Threads that read entries while they are checked.
const THREADS: usize = 2;

/// Asks the service.
pub struct Auditor {
    /// Address of the service, without a slash at the end.
    pub base: String,
    /// An auditor's token, for every site.
    pub token: String,
    http: reqwest::Client,
}

/// A full bundle and what it says.
pub struct Evidence {
    /// The files.
    pub bundle: Bundle,
    /// The checkpoint it ends with.
    pub checkpoint: Checkpoint,
    /// The same as a signed note.
    pub note: String,
    /// The verdict on it.
    pub verdict: Verdict,
}

/// The folds over a log and what they were folded from.
pub struct Refolded {
    /// Every fact, by entry number.
    pub facts: Vec<Fact>,
    /// The state after the last entry.
    pub state: State,
    /// How many entries there are of each type.
    pub kinds: BTreeMap<String, usize>,
}

impl Refolded {
    /// How many entries.
    pub fn entries(&self) -> u64 {
        self.facts.len() as u64
    }
}

impl Auditor {
    /// An auditor with a token.
    pub fn new(base: String, token: String) -> Self {
        let http = reqwest::Client::builder().no_proxy().build();
        Self { base, token, http: http.expect("a client without special settings") }
    }

    /// The body of a good answer.
    ///
    /// # Errors
    /// If there is none.
    pub async fn get(&self, path: &str) -> anyhow::Result<Vec<u8>> {
        let asked = self.http.get(format!("{}{path}", self.base)).bearer_auth(&self.token).send();
        let answer = asked.await.with_context(|| format!("`{path}` was not answered"))?;
        let status = answer.status();
        let body = answer.bytes().await.with_context(|| format!("`{path}` broke off"))?;
        ensure!(status.is_success(), "`{path}`: {status}, {}", String::from_utf8_lossy(&body));
        Ok(body.to_vec())
    }

    /// Fetches everything the newest checkpoint covers and checks it, together with the receipts
    /// the clients hold.
    ///
    /// # Errors
    /// If it cannot be fetched or not be checked; a broken log is no error but a verdict.
    pub async fn fetch(&self, leaves: &BTreeMap<u64, String>) -> anyhow::Result<Evidence> {
        let note = String::from_utf8(self.get("/log/checkpoint").await?)?;
        let keys = self.get("/log/keys").await?;
        let parsed = Keys::parse(&keys)?;
        let checkpoint = Checkpoint::open(note.as_bytes(), &[parsed.log])?.checkpoint;
        let entries = self.entries(checkpoint.size).await?;
        let mut bundle = Bundle::new();
        let read_me = ReadMe {
            kind: BundleKind::Full,
            origin: &checkpoint.origin,
            entries: checkpoint.size,
            checkpoint_size: checkpoint.size,
            root: checkpoint.root,
            keys: &keys,
            policy: NO_WITNESSES.as_bytes(),
        };
        bundle.insert(bundle::READ_ME, read_me.text().into_bytes())?;
        bundle.insert(bundle::KEYS, keys.clone())?;
        bundle.insert(bundle::POLICY, NO_WITNESSES.as_bytes().to_vec())?;
        bundle.insert(&bundle::checkpoint_name(checkpoint.size), note.clone().into_bytes())?;
        bundle.insert(bundle::ENTRIES, entries)?;
        let own = OwnEvidence { receipts: receipts(leaves)?, ..OwnEvidence::default() };
        let verdict = match bundle.check(own, THREADS)? {
            BundleVerdict::Full(verdict) => verdict,
            BundleVerdict::SoundExcerpt(_) | BundleVerdict::BrokenExcerpt(_) => {
                bail!("a bundle of all entries was taken for an excerpt")
            }
        };
        Ok(Evidence { bundle, checkpoint, note, verdict })
    }

    /// All entries as lines, out of the log's entry bundles.
    async fn entries(&self, size: u64) -> anyhow::Result<Vec<u8>> {
        let mut lines = Vec::new();
        let mut index = 0;
        while let Some(tile) = Tile::in_tree(TileKind::Entries, index, size) {
            let bytes = self.get(&format!("/log/{tile}")).await?;
            for entry in tile.entries(&bytes)? {
                lines.extend_from_slice(entry);
                lines.push(b'\n');
            }
            index += 1;
        }
        Ok(lines)
    }
}

fn receipts(leaves: &BTreeMap<u64, String>) -> anyhow::Result<Vec<Receipt>> {
    let read = leaves.iter().map(|(seq, leaf)| {
        let leaf = Digest::from_str(leaf).map_err(|_| anyhow::anyhow!("`{leaf}` is no digest"))?;
        Ok(Receipt { seq: *seq, leaf })
    });
    read.collect()
}

impl Evidence {
    /// Folds the entries again, as a stranger would: from the lines alone.
    ///
    /// # Errors
    /// If a line is no entry or holds no readable event.
    pub fn refold(&self) -> anyhow::Result<Refolded> {
        let entries = self.bundle.get(bundle::ENTRIES).unwrap_or_default();
        let mut kinds = BTreeMap::new();
        let mut facts: Vec<Fact> = Vec::new();
        for line in entries.split(|b| *b == b'\n').filter(|line| !line.is_empty()) {
            let entry = Entry::parse(line)?;
            let fact = Fact::from_entry(&entry)
                .with_context(|| format!("entry {} cannot be read", entry.seq))?;
            *kinds.entry(fact.event.kind().name.to_owned()).or_default() += 1;
            facts.push(fact);
        }
        let state = super::check::refold(&facts, Timestamp::MAX);
        Ok(Refolded { facts, state, kinds })
    }

    /// Writes the bundle as a directory and as a zip file beside it.
    ///
    /// # Errors
    /// If a file cannot be written, or the directory holds something already.
    pub fn write(&self, dir: &Path, zip: &Path) -> anyhow::Result<()> {
        let file = std::fs::File::create(zip)
            .with_context(|| format!("`{}` cannot be written", zip.display()))?;
        let mut archive = zip::ZipWriter::new(file);
        for (name, content) in self.bundle.iter() {
            let path = dir.join(name);
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            std::fs::write(&path, content)
                .with_context(|| format!("`{}` cannot be written", path.display()))?;
            archive.start_file(name, SimpleFileOptions::default())?;
            archive.write_all(content)?;
        }
        archive.finish()?;
        Ok(())
    }
}
