//! What people take away over HTTP as anybody would: the report that was issued, and the evidence,
//! checked like any other.

use std::collections::BTreeMap;
use std::io::{Cursor, Read as _};
use std::path::Path;
use std::str::FromStr as _;

use anyhow::{Context as _, bail, ensure};
use chain::Digest;
use chain::bundle::{self, Bundle, BundleVerdict, OwnEvidence};
use chain::entry::Entry;
use chain::verify::{Receipt, Verdict};
use jiff::Timestamp;
use jiff::civil::Date;
use report::disposal::DisposalReport;
use serde_json::{Value, json};
use shopfloor::{Fact, State};

use crate::reports::Form;

/// Threads that read entries while they are checked.
const THREADS: usize = 2;

/// Somebody who asks the service over HTTP.
pub struct Caller {
    /// Address of the service, without a slash at the end.
    pub base: String,
    /// The token.
    pub token: String,
    http: reqwest::Client,
}

/// A full bundle and what it says.
pub struct Evidence {
    /// The archive, as it was taken away.
    pub archive: Vec<u8>,
    /// The files in it.
    pub bundle: Bundle,
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

/// A report that was issued, as the service gives it out.
pub struct Issued {
    /// Entry that tells it.
    pub seq: u64,
    /// What it says.
    pub report: DisposalReport,
    /// Its forms by suffix: `json`, `csv`, `pdf`.
    pub forms: Vec<(&'static str, Vec<u8>)>,
}

impl Caller {
    /// A caller with a token.
    pub fn new(base: String, token: String) -> Self {
        let http = reqwest::Client::builder().no_proxy().build();
        Self { base, token, http: http.expect("a client without special settings") }
    }

    /// The body of a good answer.
    ///
    /// # Errors
    /// If there is none.
    pub async fn get(&self, path: &str) -> anyhow::Result<Vec<u8>> {
        self.asked(self.http.get(format!("{}{path}", self.base)), path).await
    }

    async fn asked(&self, request: reqwest::RequestBuilder, path: &str) -> anyhow::Result<Vec<u8>> {
        let asked = request.bearer_auth(&self.token).send();
        let answer = asked.await.with_context(|| format!("`{path}` was not answered"))?;
        let status = answer.status();
        let body = answer.bytes().await.with_context(|| format!("`{path}` broke off"))?;
        ensure!(status.is_success(), "`{path}`: {status}, {}", String::from_utf8_lossy(&body));
        Ok(body.to_vec())
    }

    /// Issues the disposal report of a site and period, and takes it in every form.
    ///
    /// # Errors
    /// If it is not issued, or not given out as it was issued.
    pub async fn issue(&self, site: &str, from: Date, to: Date) -> anyhow::Result<Issued> {
        const PATH: &str = "/v1/reports/disposal";
        let order = json!({ "site": site, "from": from, "to": to });
        let post = self.http.post(format!("{}{PATH}", self.base)).json(&order);
        let issued: Value = serde_json::from_slice(&self.asked(post, PATH).await?)?;
        let digest = issued["digest"].as_str().context("no digest of the report")?;
        let seq = issued["seq"].as_u64().context("no entry of the report")?;
        let mut forms = Vec::new();
        for form in Form::ALL.iter().map(|form| form.as_str()) {
            let path = format!("/v1/reports/{digest}?format={form}");
            forms.push((form, self.get(&path).await?));
        }
        let json = forms.iter().find(|(form, _)| *form == Form::Json.as_str());
        let report = serde_json::from_slice(json.map_or(&[], |(_, bytes)| &bytes[..]))?;
        Ok(Issued { seq, report, forms })
    }

    /// Takes the evidence away and checks it, together with the receipts the clients hold.
    ///
    /// # Errors
    /// If it cannot be taken or not be checked; a broken log is no error but a verdict.
    pub async fn take(&self, leaves: &BTreeMap<u64, String>) -> anyhow::Result<Evidence> {
        let archive = self.get("/v1/evidence").await?;
        let bundle = unpacked(&archive)?;
        let own = OwnEvidence { receipts: receipts(leaves)?, ..OwnEvidence::default() };
        let verdict = match bundle.check(own, THREADS)? {
            BundleVerdict::Full(verdict) => verdict,
            BundleVerdict::SoundExcerpt(_) | BundleVerdict::BrokenExcerpt(_) => {
                bail!("a bundle of all entries was taken for an excerpt")
            }
        };
        Ok(Evidence { archive, bundle, verdict })
    }
}

fn unpacked(archive: &[u8]) -> anyhow::Result<Bundle> {
    let mut archive = zip::ZipArchive::new(Cursor::new(archive))?;
    let mut bundle = Bundle::new();
    for index in 0..archive.len() {
        let mut file = archive.by_index(index)?;
        let name = file.name()?.into_owned();
        let mut content = Vec::new();
        file.read_to_end(&mut content)?;
        bundle.insert(&name, content)?;
    }
    Ok(bundle)
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

    /// Writes the archive, and its files into a directory beside it.
    ///
    /// # Errors
    /// If a file cannot be written.
    pub fn write(&self, dir: &Path, zip: &Path) -> anyhow::Result<()> {
        let failed = |path: &Path| format!("`{}` cannot be written", path.display());
        std::fs::write(zip, &self.archive).with_context(|| failed(zip))?;
        for (name, content) in self.bundle.iter() {
            let path = dir.join(name);
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            std::fs::write(&path, content).with_context(|| failed(&path))?;
        }
        Ok(())
    }
}
