//! The people store: what may be erased.
//!
//! The log holds pseudonyms and commitments only; names and free text lie here, one small file a
//! record, with the salt that opens the commitment. It is **neither truth nor index**: it cannot be
//! rebuilt, so it needs its own backup, and its damage never stops the log. Entries then show
//! pseudonyms and "text not available", which is also what they show after an erasure.
//!
//! ```text
//! <people>/persons/<op_..>.json     identity of a person: SHA-256(salt || JCS) is in `person.enrolled`
//! <people>/texts/<64 hex digits>.json   free text by its commitment SHA-256(salt || text)
//! ```
//!
//! Erasing overwrites the file, syncs, and removes it durably. On flash and on copying file systems
//! old blocks may outlive that; backups do in any case, until they rotate.
//!
//! Where the log lies in a database, so do these records, in a table that all recorders of the log
//! share. An erased row is gone for every reader at once; its bytes leave the disk when the database
//! vacuums the table, and its journal, standbys and backups when those rotate.

mod rows;

use std::sync::Arc;

use chain::Digest;
use serde::{Deserialize, Serialize};

use crate::disk::{Access, Dir, Disk, TEMP_SUFFIX, read_whole, write_durably};
use crate::engine::postgres::PgOptions;
use crate::error::{Doing as _, LedgerError, Result};
use crate::limits::PERSON_BYTES_MAX;
use crate::seams::Random;

/// Bytes of a salt: as long as the digest, so that a short name cannot be found by trying.
pub const PEOPLE_SALT_BYTES: usize = 32;

const SUFFIX: &str = ".json";
const MODE: u32 = 0o600;

/// Erasable records. Each call is durable when it returns.
#[derive(Debug)]
pub struct PeopleStore {
    records: Box<dyn Records>,
}

/// The two kinds of record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Persons,
    Texts,
}

impl Kind {
    const fn as_str(self) -> &'static str {
        match self {
            Self::Persons => "persons",
            Self::Texts => "texts",
        }
    }
}

/// Where records are kept, by kind and name. What they hold is not looked at.
trait Records: std::fmt::Debug + Send + Sync {
    /// A record; `Foreign` if it is too large to be one.
    fn get(&self, kind: Kind, name: &str) -> Result<Option<Vec<u8>>>;
    /// Keeps a record, replacing what is there.
    fn put(&self, kind: Kind, name: &str, bytes: &[u8]) -> Result<()>;
    /// Names of all records of a kind.
    fn list(&self, kind: Kind) -> Result<Vec<String>>;
    /// Makes a record unreadable for good; returns whether there was one.
    fn wipe(&self, kind: Kind, name: &str) -> Result<bool>;
}

/// Records as files, one each.
#[derive(Debug)]
struct Files {
    persons: Arc<dyn Dir>,
    texts: Arc<dyn Dir>,
}

impl Files {
    fn dir(&self, kind: Kind) -> &dyn Dir {
        match kind {
            Kind::Persons => &*self.persons,
            Kind::Texts => &*self.texts,
        }
    }
}

impl Records for Files {
    fn get(&self, kind: Kind, name: &str) -> Result<Option<Vec<u8>>> {
        match read_whole(self.dir(kind), name, PERSON_BYTES_MAX) {
            Err(error) if error.kind() == std::io::ErrorKind::InvalidData => Err(damaged(name)),
            read => read.doing("read", name),
        }
    }

    fn put(&self, kind: Kind, name: &str, bytes: &[u8]) -> Result<()> {
        write_durably(self.dir(kind), name, bytes, MODE).doing("write", name)
    }

    fn list(&self, kind: Kind) -> Result<Vec<String>> {
        let mut names = self.dir(kind).list().doing("list", kind.as_str())?;
        names.retain(|name| !name.ends_with(TEMP_SUFFIX));
        Ok(names)
    }

    fn wipe(&self, kind: Kind, name: &str) -> Result<bool> {
        let dir = self.dir(kind);
        if dir.stat(name).doing("look for", kind.as_str())?.is_none() {
            return Ok(false);
        }
        wipe(dir, name)?;
        Ok(true)
    }
}

/// A record as it is kept.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Deposit {
    /// Whose it is, by pseudonym: the person an identity is of, or whose words a text holds. It is
    /// erased with that person.
    pub person: String,
    /// The identity (canonical JSON) or the text.
    pub body: String,
    /// Who deposited it.
    pub by: String,
    /// When, ms since 1970.
    pub deposited_at_ms: i64,
    /// Lower-case hex.
    #[serde(with = "hex::serde")]
    pub salt: Salt,
}

/// Random bytes that keep a short text from being found by trying.
pub type Salt = [u8; PEOPLE_SALT_BYTES];

/// A fresh salt.
pub fn salt(random: &mut dyn Random) -> Salt {
    let mut salt = [0; PEOPLE_SALT_BYTES];
    random.fill(&mut salt);
    salt
}

impl std::fmt::Debug for Deposit {
    /// Shows no personal data, wherever it may be printed.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Deposit").field("person", &self.person).finish_non_exhaustive()
    }
}

impl Deposit {
    /// What the log holds instead: SHA-256(salt || body).
    #[must_use]
    pub fn commitment(&self) -> Digest {
        Digest::of(&[&self.salt[..], self.body.as_bytes()].concat())
    }
}

impl PeopleStore {
    /// Opens the store, making its directories if they are missing.
    ///
    /// # Errors
    /// I/O errors.
    pub fn open(disk: &dyn Disk, dir: &std::path::Path) -> Result<Self> {
        let name = dir.display().to_string();
        let root = disk.create_dir_all(dir).doing("create", &name)?;
        let persons = root.create_dir("persons").doing("create", "persons")?;
        let texts = root.create_dir("texts").doing("create", "texts")?;
        root.sync().doing("sync", &name)?;
        Ok(Self { records: Box::new(Files { persons, texts }) })
    }

    /// Opens the store that lies beside a log in a database.
    ///
    /// # Errors
    /// [`LedgerError::Away`]; [`LedgerError::Database`] if there are no tables.
    pub fn in_database(options: &PgOptions) -> Result<Self> {
        Ok(Self { records: Box::new(rows::Rows::open(options)?) })
    }

    /// Copies every record into another store, as it is. Returns how many that were.
    ///
    /// # Errors
    /// If one cannot be read or written.
    pub fn copy_to(&self, other: &Self) -> Result<u64> {
        let mut copied = 0;
        for kind in [Kind::Persons, Kind::Texts] {
            for name in self.records.list(kind)? {
                if let Some(bytes) = self.records.get(kind, &name)? {
                    other.records.put(kind, &name, &bytes)?;
                    copied += 1;
                }
            }
        }
        Ok(copied)
    }

    /// Whether everything kept here is kept alike in another store.
    ///
    /// # Errors
    /// If one cannot be read.
    pub fn is_part_of(&self, other: &Self) -> Result<bool> {
        for kind in [Kind::Persons, Kind::Texts] {
            for name in self.records.list(kind)? {
                if self.records.get(kind, &name)? != other.records.get(kind, &name)? {
                    return Ok(false);
                }
            }
        }
        Ok(true)
    }

    /// Keeps the identity of a person, replacing an earlier one, and returns the commitment that
    /// `person.enrolled` records. Its `body` is canonical JSON.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] if it is of no pseudonym or too large; I/O errors.
    pub fn put_person(&self, identity: &Deposit) -> Result<Digest> {
        self.put(Kind::Persons, &person_file(&identity.person)?, identity)
    }

    /// Keeps a free text and returns its commitment. Whoever was first stays: the same salt and text
    /// again changes nothing.
    ///
    /// # Errors
    /// As [`put_person`](Self::put_person).
    pub fn put_text(&self, text: &Deposit) -> Result<Digest> {
        person_file(&text.person)?;
        let commitment = text.commitment();
        match self.text(&commitment)? {
            Some(_) => Ok(commitment),
            None => self.put(Kind::Texts, &text_file(&commitment), text),
        }
    }

    /// The identity of a person, if it is kept and can be read.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] if the record is damaged; I/O errors.
    pub fn person(&self, id: &str) -> Result<Option<Deposit>> {
        self.get(Kind::Persons, &person_file(id)?)
    }

    /// The text behind a commitment, if it is kept.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] if the record is damaged; I/O errors.
    pub fn text(&self, commitment: &Digest) -> Result<Option<Deposit>> {
        let name = text_file(commitment);
        let deposit = self.get(Kind::Texts, &name)?;
        match deposit {
            Some(deposit) if deposit.commitment() != *commitment => Err(damaged(&name)),
            deposit => Ok(deposit),
        }
    }

    /// Pseudonyms with an identity on record.
    ///
    /// # Errors
    /// I/O errors.
    pub fn persons(&self) -> Result<Vec<String>> {
        let names = self.records.list(Kind::Persons)?;
        Ok(names.iter().filter_map(|name| name.strip_suffix(SUFFIX)).map(str::to_owned).collect())
    }

    /// Erases one text; returns whether there was one, damaged or not.
    ///
    /// # Errors
    /// I/O errors; calling again finishes the work.
    pub fn erase_text(&self, commitment: &Digest) -> Result<bool> {
        self.records.wipe(Kind::Texts, &text_file(commitment))
    }

    /// Erases a person's identity and every text of theirs; returns how many records that were.
    /// Damaged text records, which no longer tell whose they are, are left and counted apart.
    ///
    /// # Errors
    /// I/O errors; calling again finishes the work.
    pub fn erase(&self, id: &str) -> Result<Erased> {
        let mut erased = Erased::default();
        let person = person_file(id)?;
        for name in self.records.list(Kind::Texts)? {
            match self.get(Kind::Texts, &name) {
                Ok(Some(deposit)) if deposit.person == id => {
                    self.records.wipe(Kind::Texts, &name)?;
                    erased.texts += 1;
                }
                Ok(_) => {}
                Err(LedgerError::Foreign { .. }) => erased.unreadable += 1,
                Err(error) => return Err(error),
            }
        }
        // Last, so that an interrupted erasure is seen to be unfinished.
        erased.identity = self.records.wipe(Kind::Persons, &person)?;
        Ok(erased)
    }

    fn put(&self, kind: Kind, name: &str, deposit: &Deposit) -> Result<Digest> {
        let bytes = serde_json::to_vec(deposit).map_err(|_| damaged(name))?;
        if bytes.len() as u64 > PERSON_BYTES_MAX {
            return Err(LedgerError::Foreign {
                name: "a record of the people store".to_owned(),
                what: format!("has `{}` bytes, at most {PERSON_BYTES_MAX} are kept", bytes.len()),
            });
        }
        self.records.put(kind, name, &bytes)?;
        Ok(deposit.commitment())
    }

    fn get(&self, kind: Kind, name: &str) -> Result<Option<Deposit>> {
        match self.records.get(kind, name)? {
            None => Ok(None),
            Some(bytes) => serde_json::from_slice(&bytes).map(Some).map_err(|_| damaged(name)),
        }
    }
}

/// What an erasure did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Erased {
    /// Whether an identity was there and is gone.
    pub identity: bool,
    /// Texts that are gone.
    pub texts: u64,
    /// Text records too damaged to tell whose they are.
    pub unreadable: u64,
}

fn damaged(name: &str) -> LedgerError {
    let what = "of the people store is damaged: put it back from the backup of the people store";
    LedgerError::Foreign { name: name.to_owned(), what: what.to_owned() }
}

/// The pseudonym is the file name, so it must be one and nothing else.
fn person_file(id: &str) -> Result<String> {
    let rest = id.strip_prefix("op_").unwrap_or_default();
    let plain = |b: u8| b.is_ascii_alphanumeric() || b == b'_' || b == b'-';
    if rest.is_empty() || id.len() > chain::limits::ACTOR_ID_BYTES_MAX || !rest.bytes().all(plain) {
        return Err(LedgerError::Foreign {
            name: "a pseudonym".to_owned(),
            what: "is `op_` and letters, digits, `_`, `-`".to_owned(),
        });
    }
    Ok(format!("{id}{SUFFIX}"))
}

fn text_file(commitment: &Digest) -> String {
    format!("{commitment}{SUFFIX}")
}

fn wipe(dir: &dyn Dir, name: &str) -> Result<()> {
    let overwrite = || -> std::io::Result<()> {
        let file = dir.open(name, Access::ReadWrite)?;
        let len = usize::try_from(file.size()?).unwrap_or(0);
        file.write_all_at(&vec![0; len], 0)?;
        file.sync_all()?;
        dir.remove(name)?;
        dir.sync()
    };
    overwrite().doing("erase", name)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::sim::{Seeded, SimDisk};

    fn store(disk: &SimDisk) -> PeopleStore {
        PeopleStore::open(disk, Path::new("/data/people")).expect("opened")
    }

    fn deposit(person: &str, body: &str, random: &mut Seeded) -> Deposit {
        let (person, body, by) = (person.to_owned(), body.to_owned(), "op_lead".to_owned());
        Deposit { person, body, by, deposited_at_ms: 1, salt: salt(random) }
    }

    #[test]
    fn a_commitment_opens_with_what_is_kept_and_not_after_erasure() {
        let disk = SimDisk::new(1);
        let mut random = Seeded::new(4);
        let people = store(&disk);
        let identity = r#"{"badge":"B-17","name":"Somebody Invented"}"#;
        let enrolled = people.put_person(&deposit("op_k7", identity, &mut random)).expect("kept");
        let words = deposit("op_k7", "the left seal was torn", &mut random);
        let remark = people.put_text(&words).expect("kept");
        let later = Deposit { by: "op_other".to_owned(), deposited_at_ms: 2, ..words.clone() };
        assert_eq!(people.put_text(&later).expect("kept"), remark);
        assert_eq!(people.text(&remark).expect("read"), Some(words), "whoever was first stays");
        let same = deposit("op_k8", "the left seal was torn", &mut random);
        let same = people.put_text(&same).expect("kept");
        assert_ne!(remark, same, "the salt hides that two texts are alike");
        let alone = people.put_text(&deposit("op_k7", "erased alone", &mut random)).expect("kept");
        assert!(people.erase_text(&alone).expect("erased"));
        assert!(!people.erase_text(&alone).expect("nothing left"));
        assert_eq!(people.text(&alone).expect("read"), None);

        disk.power_cycle();
        let people = store(&disk);
        let kept = people.person("op_k7").expect("read").expect("there");
        assert_eq!((kept.body.as_str(), kept.commitment()), (identity, enrolled));
        let kept = people.text(&remark).expect("read").expect("there");
        assert_eq!((kept.body.as_str(), kept.person.as_str()), ("the left seal was torn", "op_k7"));
        assert_eq!(people.persons().expect("listed"), ["op_k7"]);

        let erased = people.erase("op_k7").expect("erased");
        assert_eq!(erased, Erased { identity: true, texts: 1, unreadable: 0 });
        disk.power_cycle();
        let people = store(&disk);
        assert_eq!(people.person("op_k7").expect("read"), None);
        assert_eq!(people.text(&remark).expect("read"), None);
        assert!(people.text(&same).expect("read").is_some(), "another person's text stays");
        let left = disk
            .files()
            .into_values()
            .any(|bytes| memchr::memmem::find(&bytes, b"Somebody").is_some());
        assert!(!left, "no file shows the name");
    }

    #[test]
    fn damage_concerns_one_record_and_is_named() {
        let disk = SimDisk::new(1);
        let mut random = Seeded::new(4);
        let people = store(&disk);
        people.put_person(&deposit("op_a", "{}", &mut random)).expect("kept");
        people.put_person(&deposit("op_b", "{}", &mut random)).expect("kept");
        let text = people.put_text(&deposit("op_a", "x", &mut random)).expect("kept");
        disk.tamper("/data/people/persons/op_a.json", Some(b"{\"person\":"));
        let error = people.person("op_a").expect_err("damaged").to_string();
        assert!(error.contains("`op_a.json`"), "{error}");
        assert!(people.person("op_b").expect("read").is_some());

        let path = format!("/data/people/texts/{text}.json");
        let changed = String::from_utf8(disk.files()[&path].clone()).expect("text");
        disk.tamper(&path, Some(changed.replace("\"x\"", "\"y\"").as_bytes()));
        assert!(people.text(&text).is_err(), "another text under the same commitment");
        disk.tamper(&path, Some(&[b'x'; 70_000]));
        assert!(people.text(&text).is_err(), "too large is not read");
        assert_eq!(people.erase("op_a").expect("erased").unreadable, 1);
    }

    #[test]
    fn a_record_is_replaced_whole_or_not_at_all() {
        for call in 0..8 {
            let disk = SimDisk::new(call);
            let mut random = Seeded::new(4);
            store(&disk).put_person(&deposit("op_a", "\"old\"", &mut random)).expect("kept");
            let people = store(&disk);
            disk.cut_power_at(disk.calls() + call);
            let replaced = people.put_person(&deposit("op_a", "\"new\"", &mut random));
            disk.power_cycle();
            let kept = store(&disk).person("op_a").expect("readable").expect("there").body;
            match replaced {
                Ok(_) => assert_eq!(kept, "\"new\""),
                Err(_) => assert!(kept == "\"old\"" || kept == "\"new\"", "{kept}"),
            }
        }
    }

    #[test]
    fn only_pseudonyms_are_file_names() {
        let disk = SimDisk::new(1);
        let people = store(&disk);
        for id in
            ["", "op_", "../op_a", "op_a/b", "op_a.json", "op_ä", "svc_mes", &"op_x".repeat(40)]
        {
            let deposit = deposit(id, "{}", &mut Seeded::new(1));
            assert!(people.put_person(&deposit).is_err(), "{id}");
        }
    }
}
