//! `recorder restore`: a data directory made again from a backup or from a copy.
//!
//! A backup is everything of one moment. A copy is every entry up to a moment shortly before the
//! machine was lost, but no names, texts, reports or keys: those come from a backup beside it.
//!
//! What comes back may be less than what clients were told and witnesses saw. Going on from there would
//! be a second history of the same name, so a log made from a copy opens for reading only, unless
//! `--go-on` says that nothing was seen behind its end; and not even then if a checkpoint or receipt
//! from elsewhere shows otherwise. Then the way on is a successor log.

use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail, ensure};
use chain::Digest;
use chain::entry::Entry;
use chain::keys::Keys;
use chain::note::VerifierKey;
use chain::time::format_ms;
use chain::verify::{CheckpointFile, Evidence, Receipt, Verifier};
use ledger::copies::{CopyReader, Vault, restore};
use ledger::disk::OsDisk;
use ledger::notary::{Signed, read_checkpoint};
use ledger::people::PeopleStore;
use shopfloor::{Event, Fact};

use super::{backup, check, disk};
use crate::authn::credentials::Credentials;
use crate::config::{Config, CopyConfig};
use crate::copies;
use crate::log::Places;

/// Where a log comes from, and what is known of it from elsewhere.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct RestoreArgs {
    /// Directory of a backup or of a copy, or the name of a copy in the configuration.
    #[arg(long, value_name = "SOURCE")]
    pub from: PathBuf,
    /// Data directory to make; it must hold no log. Default: the configured one. With it the last
    /// signed checkpoint lies in `head` below it, wherever the configuration says.
    #[arg(long, value_name = "DIR")]
    pub to: Option<PathBuf>,
    /// The log's key (`keys.txt`) from elsewhere. Default: the key that lies beside the data, else that
    /// of the source, which then vouches for itself.
    #[arg(long, value_name = "FILE")]
    pub keys: Option<PathBuf>,
    /// A checkpoint of this log from elsewhere: of a witness, a printed report, an audit. May be given
    /// more than once. Only for copies.
    #[arg(long, value_name = "FILE")]
    pub checkpoint: Vec<PathBuf>,
    /// Receipts that clients hold, one JSON object a line. May be given more than once. Only for
    /// copies.
    #[arg(long, value_name = "FILE")]
    pub receipts: Vec<PathBuf>,
    /// Take only entries that a signed checkpoint of the copy covers: what is behind it rests on the
    /// word of whoever keeps the copy.
    #[arg(long)]
    pub signed_only: bool,
    /// A backup to take names, texts, issued reports and keys from; what the log says was erased since
    /// is erased again.
    #[arg(long, value_name = "DIR")]
    pub beside: Option<PathBuf>,
    /// Let the log made from a copy go on. Say it only if nobody can hold a receipt or checkpoint
    /// beyond its end: receipts waited for this copy, or you asked everybody who sends.
    #[arg(long)]
    pub go_on: bool,
}

/// Restores and says how far it goes.
///
/// # Errors
/// If there is a log already, or a watermark of one; if the source is not sound; if `--go-on` is not
/// safe.
pub fn run(config: &Config, args: &RestoreArgs) -> anyhow::Result<()> {
    let mut config = config.clone();
    if let Some(to) = &args.to {
        config.log.data_dir.clone_from(to);
        config.log.head_dir = None;
    }
    backup::demand_files(&config)?;
    demand_no_log(&config)?;
    if args.from.join("log").join("entries").is_dir() {
        let of_copies = !args.checkpoint.is_empty() || !args.receipts.is_empty() || args.go_on;
        ensure!(
            !of_copies && args.beside.is_none() && !args.signed_only,
            "`{}` is a backup: it goes on by itself unless its watermark forbids it; the other options \
             are for copies",
            args.from.display()
        );
        return backup::put_back(&config, &args.from);
    }
    let vault = vault(&config, &args.from)?;
    from_copy(&config, args, &*vault)
}

fn demand_no_log(config: &Config) -> anyhow::Result<()> {
    let log = config.log.data_dir.join("log");
    ensure!(!log.try_exists()?, "`{}` is there: a log is never written over", log.display());
    let head = config.head_dir();
    if head.join("watermark").try_exists()? {
        bail!(
            "`{}` holds the watermark of a log: if that log was longer than this, continuing would sign \
             two histories. Compare them, then move the watermark away",
            head.display()
        );
    }
    Ok(())
}

/// The copy in a directory, or the configured one of that name.
fn vault(config: &Config, from: &Path) -> anyhow::Result<Box<dyn Vault>> {
    let named = config.copies.to.iter().find(|to| Path::new(&to.name) == from);
    let to = match named {
        Some(to) => CopyConfig { same_disk: true, ..to.clone() },
        None => {
            let folder = Some(from.to_owned());
            CopyConfig { name: "given".into(), folder, same_disk: true, ..CopyConfig::default() }
        }
    };
    // Only reading: what is written would be locked from this time on.
    let opened = copies::open(&to, &config.log.data_dir, 0);
    opened.with_context(|| format!("`{}` is no backup and no copy", from.display()))
}

/// What somebody elsewhere knows of the log.
struct Known {
    checkpoints: Vec<Signed>,
    receipts: Vec<Receipt>,
}

impl Known {
    fn read(args: &RestoreArgs, key: &VerifierKey) -> anyhow::Result<Self> {
        let mut checkpoints = Vec::new();
        for path in &args.checkpoint {
            let name = path.display().to_string();
            let note = fs::read(path).with_context(|| format!("cannot read `{name}`"))?;
            let signed = read_checkpoint(&note, key, &name)?;
            checkpoints.push(signed.with_context(|| format!("`{name}` is no checkpoint"))?);
        }
        let mut receipts = Vec::new();
        for path in &args.receipts {
            let name = path.display().to_string();
            let bytes = fs::read(path).with_context(|| format!("cannot read `{name}`"))?;
            for value in serde_json::Deserializer::from_slice(&bytes).into_iter() {
                let value: serde_json::Value =
                    value.with_context(|| format!("`{name}` is not JSON"))?;
                let leaf = value["leaf"].as_str().and_then(|leaf| leaf.parse::<Digest>().ok());
                let receipt = value["seq"].as_u64().zip(leaf);
                let (seq, leaf) =
                    receipt.with_context(|| format!("`{name}`: a receipt has `seq` and `leaf`"))?;
                receipts.push(Receipt { seq, leaf });
            }
        }
        Ok(Self { checkpoints, receipts })
    }

    /// How many entries the log had by what they know.
    fn size(&self) -> u64 {
        let sizes = self.checkpoints.iter().map(|signed| signed.size);
        sizes.chain(self.receipts.iter().map(|receipt| receipt.seq + 1)).max().unwrap_or(0)
    }

    fn newest(&self) -> Option<&Signed> {
        self.checkpoints.iter().max_by_key(|signed| signed.size)
    }
}

fn from_copy(config: &Config, args: &RestoreArgs, vault: &dyn Vault) -> anyhow::Result<()> {
    if let Some(backup) = &args.beside {
        ensure!(backup.join("log").join("entries").is_dir(), "`{}` is no backup", backup.display());
    }
    let key = match &args.keys {
        Some(path) => {
            let bytes = fs::read(path).with_context(|| path.display().to_string())?;
            Some(Keys::parse(&bytes)?.log)
        }
        None => check::own_keys(config).ok().map(|keys| keys.log),
    };
    let vouched = key.is_some();
    let copy = CopyReader::open(vault, key)?;
    let end = match &copy.signed {
        Some(signed) if args.signed_only => signed.size,
        _ => copy.entries,
    };
    ensure!(end > 0, "the copy holds no entry");
    let known = Known::read(args, copy.key())?;
    let lost = known.size().saturating_sub(end);
    if args.go_on && lost > 0 {
        bail!(
            "{lost} entries that others know of are not in the copy (it has {end}, they know of {}): \
             going on would be a second history. Restore without `--go-on` and begin the next log",
            known.size()
        );
    }
    let watermark = match known.newest().filter(|newest| newest.size > end) {
        // It forbids to write, whoever starts the service and whenever.
        Some(later) => Some(later),
        None if args.go_on => {
            let newest = known.newest().into_iter().chain(&copy.signed);
            newest.filter(|signed| signed.size <= end).max_by_key(|signed| signed.size)
        }
        None => None,
    };
    if args.go_on && watermark.is_none() {
        bail!("the copy holds no signed checkpoint: give one with `--checkpoint`");
    }
    let note = watermark.map(|signed| signed.note.as_bytes());
    let restored = restore(&copy, end, &OsDisk, &Places::files(config), note)?;
    if let Some(backup) = &args.beside {
        backup::put_beside(config, backup)?;
        erase_again(config)?;
    }

    let mut out = io::stdout();
    let time = format_ms(restored.recorded_to_ms)?;
    writeln!(out, "{} entries, the last one recorded {time}", restored.entries)?;
    match &restored.signed {
        Some(signed) => {
            let file = config.log.data_dir.join("last-checkpoint.note");
            fs::write(&file, &signed.note).with_context(|| file.display().to_string())?;
            writeln!(
                out,
                "last signed checkpoint of the copy: {} entries, root {}; {} entries behind it are \
                 linked, but nobody signed for them",
                signed.size,
                signed.root,
                restored.entries - signed.size
            )?;
        }
        None => writeln!(out, "the copy holds no signed checkpoint: nobody signed for any entry")?,
    }
    audit(config, &known, copy.key(), &restored.signed, end)?;
    if !vouched {
        writeln!(
            out,
            "the key was that of the copy, {}: compare it with a printed report",
            copy.key().label()
        )?;
    }
    match (known.size(), lost) {
        (0, _) => writeln!(out, "nothing was given that others know: no loss can be told")?,
        (size, 0) => writeln!(out, "lost: 0 of the {size} entries that others know of")?,
        (size, lost) => writeln!(
            out,
            "lost: {lost} of the {size} entries that others know of, those numbered {end} to {}",
            size - 1
        )?,
    }
    if args.go_on {
        writeln!(out, "the log may go on")?;
    } else {
        writeln!(
            out,
            "the log opens for reading only. If nobody can hold anything beyond its end, restore it with \
             `--go-on`; else begin the next log: `recorder serve --create --continues {}`",
            config.log.data_dir.join("last-checkpoint.note").display()
        )?;
    }
    Ok(())
}

/// Reads everything back from the disk and checks it against every checkpoint and receipt there is.
fn audit(
    config: &Config,
    known: &Known,
    key: &VerifierKey,
    newest: &Option<Signed>,
    end: u64,
) -> anyhow::Result<()> {
    let mut checkpoints = disk::checkpoints(config)?;
    // The watermark may be of a longer log: that was told already and is no fault of this one.
    checkpoints.retain(|file| chain::copy::size_of(&file.note).is_some_and(|size| size <= end));
    let others = known.checkpoints.iter().filter(|signed| signed.size <= end);
    for (signed, outside) in newest.iter().map(|s| (s, false)).chain(others.map(|s| (s, true))) {
        let (name, note) = (format!("{} entries", signed.size), signed.note.clone().into_bytes());
        checkpoints.push(CheckpointFile { name, note, outside });
    }
    if checkpoints.is_empty() {
        bail!("restored, but no signed checkpoint is there to check it against: give one");
    }
    let mut receipts = known.receipts.clone();
    receipts.retain(|receipt| receipt.seq < end);
    let keys = Keys::of_log(key.clone());
    let mut verifier = Verifier::new(Evidence { keys, policy: None, checkpoints, receipts })?;
    disk::each_segment(config, |entries| {
        let mut file = entries.join(&b'\n');
        file.push(b'\n');
        Ok(verifier.push_file(&file, std::thread::available_parallelism().map_or(1, usize::from)))
    })?;
    backup::report(verifier.finish())
}

/// A backup may hold what the log says was erased later: it is erased again.
fn erase_again(config: &Config) -> anyhow::Result<()> {
    let people = PeopleStore::open(&OsDisk, &config.log.data_dir.join("people"))?;
    let credentials = Credentials::of(config);
    let mut again = 0_u64;
    disk::each_entry(config, |line| {
        let fact = Entry::parse(line).ok().and_then(|entry| Fact::from_entry(&entry).ok());
        if let Some(Event::DataErased(erased)) = fact.map(|fact| fact.event) {
            again += 1;
            match erased.text {
                Some(text) => drop(people.erase_text(&Digest::from_base64(&text.c)?)?),
                None => {
                    credentials.erase(&erased.person)?;
                    people.erase(erased.person.as_str())?;
                }
            }
        }
        Ok(std::ops::ControlFlow::Continue(()))
    })?;
    writeln!(io::stdout(), "{again} erasures that the log tells of were carried out again")?;
    Ok(())
}
