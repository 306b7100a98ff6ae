//! What the recorder refused for good, and what came over MQTT and is no event: kept with the problem
//! document until somebody has mended the cause and sent it again. Nothing here is ever deleted by
//! the relay.
//!
//! One file an entry, `refused/<id>.json`; what was sent again moves to `refused/resent/`.

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use chain::canon;
use chain::time::format_ms;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::parcel::{Head, Parcel};
use crate::spool::{SpoolError, sync_folder, write_durably};

/// One entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Names it: 32 hexadecimal digits. The same event refused again is the same entry.
    pub id: String,
    /// When it was refused, UTC.
    pub refused_at: String,
    /// What was sent beside the events, and by whom.
    pub head: Head,
    /// For each event the problem document (RFC 9457), or `null` where it stands only because its
    /// batch was refused as a whole.
    pub problems: Vec<Value>,
    /// The events.
    pub events: Vec<Value>,
    /// Bytes that are no event, base64.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw_base64: Option<String>,
}

/// Why the store cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum RefusedError {
    /// The file system said no.
    #[error(transparent)]
    Store(#[from] SpoolError),
    /// An entry cannot be read.
    #[error("`{path}` holds no refused event")]
    Form {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        #[source]
        cause: serde_json::Error,
    },
}

/// The store.
#[derive(Debug)]
pub struct Refused {
    folder: PathBuf,
    count: AtomicUsize,
    /// One change at a time: an entry that is refused again while it is put away must stay.
    change: Mutex<()>,
}

fn failed<'p>(
    what: &'static str,
    path: &'p Path,
) -> impl FnOnce(std::io::Error) -> RefusedError + 'p {
    move |cause| SpoolError::File { what, path: path.to_owned(), cause }.into()
}

impl Entry {
    /// What the recorder refused of a parcel.
    pub fn of_parcel(parcel: &Parcel, problems: Vec<Value>, now_ms: i64) -> Self {
        // The events are canonical JSON: they were read before they were kept.
        let events = parcel.events.iter().map(|e| serde_json::from_slice(e).unwrap_or_default());
        Self {
            id: parcel.id().to_string(),
            refused_at: format_ms(now_ms).unwrap_or_default(),
            head: parcel.head.clone(),
            problems,
            events: events.collect(),
            raw_base64: None,
        }
    }

    /// Bytes that are no event.
    pub fn of_bytes(bytes: &[u8], from: &str, problem: Value, now_ms: i64) -> Self {
        let head = Head {
            from: from.to_owned(),
            taken_ms: now_ms,
            prefer: None,
            signature: None,
            whole: false,
        };
        Self {
            id: hex::encode(&Sha256::digest(bytes)[..16]),
            refused_at: format_ms(now_ms).unwrap_or_default(),
            head,
            problems: vec![problem],
            events: Vec::new(),
            raw_base64: Some(BASE64.encode(bytes)),
        }
    }

    /// The parcel as it was; `None` if it never was one.
    pub fn parcel(&self) -> Option<Parcel> {
        let canonical = |event: &Value| {
            let bytes = serde_json::to_vec(event).ok()?;
            Some(canon::to_bytes(&canon::parse(&bytes).ok()?))
        };
        let events: Vec<Vec<u8>> = self.events.iter().map(canonical).collect::<Option<_>>()?;
        (!events.is_empty()).then(|| Parcel { head: self.head.clone(), events })
    }
}

impl Refused {
    /// Opens the store in `folder`, creating it when it is not there.
    ///
    /// # Errors
    /// [`RefusedError`].
    pub fn open(folder: &Path) -> Result<Self, RefusedError> {
        fs::create_dir_all(folder.join("resent")).map_err(failed("create", folder))?;
        let store =
            Self { folder: folder.to_owned(), count: AtomicUsize::new(0), change: Mutex::new(()) };
        store.count.store(store.ids()?.len(), Ordering::Relaxed);
        Ok(store)
    }

    /// Entries that wait for somebody.
    pub fn count(&self) -> usize {
        self.count.load(Ordering::Relaxed)
    }

    fn path(&self, id: &str) -> PathBuf {
        self.folder.join(format!("{id}.json"))
    }

    fn ids(&self) -> Result<Vec<String>, RefusedError> {
        let mut ids = Vec::new();
        for item in fs::read_dir(&self.folder).map_err(failed("list", &self.folder))? {
            let name = item.map_err(failed("list", &self.folder))?.file_name();
            ids.extend(name.to_str().and_then(|n| n.strip_suffix(".json")).map(str::to_owned));
        }
        ids.sort_unstable();
        Ok(ids)
    }

    /// Keeps an entry. When this returns `Ok` it would survive a power cut.
    ///
    /// # Errors
    /// [`RefusedError`]: it is not kept, and the event must stay where it is.
    pub fn keep(&self, entry: &Entry) -> Result<(), RefusedError> {
        let _change = self.change.lock().unwrap_or_else(PoisonError::into_inner);
        let path = self.path(&entry.id);
        let known = path.try_exists().map_err(failed("look for", &path))?;
        // Text, numbers and JSON values always have a JSON form.
        let bytes = serde_json::to_vec_pretty(entry).unwrap_or_default();
        write_durably(&path, &bytes)?;
        if !known {
            self.count.fetch_add(1, Ordering::Relaxed);
        }
        Ok(())
    }

    /// Every entry, the oldest first.
    ///
    /// # Errors
    /// [`RefusedError`].
    pub fn list(&self) -> Result<Vec<Entry>, RefusedError> {
        let mut entries = Vec::new();
        for id in self.ids()? {
            entries.extend(self.get(&id)?);
        }
        entries.sort_by(|a, b| (&a.refused_at, &a.id).cmp(&(&b.refused_at, &b.id)));
        Ok(entries)
    }

    /// One entry.
    ///
    /// # Errors
    /// [`RefusedError`].
    pub fn get(&self, id: &str) -> Result<Option<Entry>, RefusedError> {
        // An id comes from whoever asks and must not lead out of the folder.
        if id.len() != 32 || !id.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Ok(None);
        }
        let path = self.path(id);
        match fs::read(&path) {
            Ok(bytes) => serde_json::from_slice(&bytes)
                .map(Some)
                .map_err(|cause| RefusedError::Form { path, cause }),
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(None),
            Err(error) => Err(failed("read", &path)(error)),
        }
    }

    /// Puts an entry away once `take` has taken it over. Should the power fail between, it is in both
    /// places and at worst sent again.
    ///
    /// # Errors
    /// [`RefusedError`], or the error of `take` inside: it stays in the list.
    pub fn put_away<T, E>(
        &self,
        id: &str,
        take: impl FnOnce() -> Result<T, E>,
    ) -> Result<Result<T, E>, RefusedError> {
        let _change = self.change.lock().unwrap_or_else(PoisonError::into_inner);
        let taken = take();
        if taken.is_ok() {
            let (from, to) = (self.path(id), self.folder.join("resent").join(format!("{id}.json")));
            fs::rename(&from, &to).map_err(failed("move", &from))?;
            sync_folder(&self.folder)?;
            self.count.fetch_sub(1, Ordering::Relaxed);
        }
        Ok(taken)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn an_entry_is_kept_once_listed_and_put_away() {
        let folder = tempfile::tempdir().unwrap();
        let store = Refused::open(folder.path()).unwrap();
        let head = Head {
            from: "press-1".into(),
            taken_ms: 5,
            prefer: Some("handling=strict".into()),
            signature: None,
            whole: false,
        };
        let parcel = Parcel { head, events: vec![br#"{"id":"1","n":9007199254740991}"#.to_vec()] };
        let problem = json!({ "type": "urn:pulverlog:problem:unknown-member" });
        let entry = Entry::of_parcel(&parcel, vec![problem.clone()], 1_000);
        store.keep(&entry).unwrap();
        store.keep(&entry).unwrap();
        store.keep(&Entry::of_bytes(b"\xff", "mqtt", problem, 2_000)).unwrap();

        let store = Refused::open(folder.path()).unwrap();
        assert_eq!(store.count(), 2);
        let listed = store.list().unwrap();
        assert_eq!(listed[0], entry);
        assert_eq!(listed[0].parcel(), Some(parcel), "the event is as it was");
        assert_eq!(listed[1].parcel(), None);
        assert_eq!(store.put_away(&entry.id, || Err::<(), _>("full")).unwrap(), Err("full"));
        assert_eq!(store.count(), 2, "it stays until it is taken over");
        store.put_away(&entry.id, || Ok::<_, ()>(())).unwrap().unwrap();
        assert_eq!((store.count(), store.get(&entry.id).unwrap()), (1, None));
        assert_eq!(store.get("../resent/00000000000000000000000").unwrap(), None);
    }
}
