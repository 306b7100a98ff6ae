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

use std::sync::Arc;

use chain::Digest;
use serde::{Deserialize, Serialize};

use crate::disk::{Access, Dir, Disk, TEMP_SUFFIX, read_whole, write_durably};
use crate::error::{Doing as _, LedgerError, Result};
use crate::limits::PERSON_BYTES_MAX;
use crate::seams::Random;

/// Bytes of a salt: as long as the digest, so that a short name cannot be found by trying.
pub const PEOPLE_SALT_BYTES: usize = 32;

const SUFFIX: &str = ".json";
const MODE: u32 = 0o600;

/// Erasable records on disk. Each call is durable when it returns.
#[derive(Debug)]
pub struct PeopleStore {
    persons: Arc<dyn Dir>,
    texts: Arc<dyn Dir>,
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
        Ok(Self { persons, texts })
    }

    /// Keeps the identity of a person, replacing an earlier one, and returns the commitment that
    /// `person.enrolled` records. Its `body` is canonical JSON.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] if it is of no pseudonym or too large; I/O errors.
    pub fn put_person(&self, identity: &Deposit) -> Result<Digest> {
        put(&*self.persons, &person_file(&identity.person)?, identity)
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
            None => put(&*self.texts, &text_file(&commitment), text),
        }
    }

    /// The identity of a person, if it is kept and can be read.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] if the record is damaged; I/O errors.
    pub fn person(&self, id: &str) -> Result<Option<Deposit>> {
        get(&*self.persons, &person_file(id)?)
    }

    /// The text behind a commitment, if it is kept.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] if the record is damaged; I/O errors.
    pub fn text(&self, commitment: &Digest) -> Result<Option<Deposit>> {
        let name = text_file(commitment);
        let deposit = get(&*self.texts, &name)?;
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
        let names = self.persons.list().doing("list", "persons")?;
        Ok(names.iter().filter_map(|name| name.strip_suffix(SUFFIX)).map(str::to_owned).collect())
    }

    /// Erases one text; returns whether there was one, damaged or not.
    ///
    /// # Errors
    /// I/O errors; calling again finishes the work.
    pub fn erase_text(&self, commitment: &Digest) -> Result<bool> {
        let name = text_file(commitment);
        if self.texts.stat(&name).doing("look for", "a text")?.is_none() {
            return Ok(false);
        }
        wipe(&*self.texts, &name)?;
        Ok(true)
    }

    /// Erases a person's identity and every text of theirs; returns how many records that were.
    /// Damaged text records, which no longer tell whose they are, are left and counted apart.
    ///
    /// # Errors
    /// I/O errors; calling again finishes the work.
    pub fn erase(&self, id: &str) -> Result<Erased> {
        let mut erased = Erased::default();
        let person = person_file(id)?;
        for name in self.texts.list().doing("list", "texts")? {
            match get(&*self.texts, &name) {
                Ok(Some(deposit)) if deposit.person == id => {
                    wipe(&*self.texts, &name)?;
                    erased.texts += 1;
                }
                Ok(_) => {}
                Err(LedgerError::Foreign { .. }) => erased.unreadable += 1,
                Err(error) => return Err(error),
            }
        }
        // Last, so that an interrupted erasure is seen to be unfinished.
        if self.persons.stat(&person).doing("look for", "a person")?.is_some() {
            wipe(&*self.persons, &person)?;
            erased.identity = true;
        }
        Ok(erased)
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

fn put(dir: &dyn Dir, name: &str, deposit: &Deposit) -> Result<Digest> {
    let bytes = serde_json::to_vec(deposit).map_err(|_| damaged(name))?;
    if bytes.len() as u64 > PERSON_BYTES_MAX {
        return Err(LedgerError::Foreign {
            name: "a record of the people store".to_owned(),
            what: format!("has `{}` bytes, at most {PERSON_BYTES_MAX} are kept", bytes.len()),
        });
    }
    write_durably(dir, name, &bytes, MODE).doing("write", name)?;
    Ok(deposit.commitment())
}

fn get(dir: &dyn Dir, name: &str) -> Result<Option<Deposit>> {
    if name.ends_with(TEMP_SUFFIX) {
        return Ok(None);
    }
    match read_whole(dir, name, PERSON_BYTES_MAX) {
        Err(error) if error.kind() == std::io::ErrorKind::InvalidData => Err(damaged(name)),
        read => match read.doing("read", name)? {
            None => Ok(None),
            Some(bytes) => serde_json::from_slice(&bytes).map(Some).map_err(|_| damaged(name)),
        },
    }
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
