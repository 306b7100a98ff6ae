//! Where the evidence comes from: a folder, a zip file or a running recorder.

use std::fs;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

use chain::bundle::{self, Bundle, BundleError};
use chain::checkpoint::Checkpoint;
use chain::copy;
use chain::note::Note;
use chain::tile::{Tile, TileKind};

/// Most bytes of evidence that are read, all files together: what fits in the memory of a small
/// computer. A bigger log is checked by a machine that is bigger too.
pub const EVIDENCE_BYTES_MAX: u64 = 8 << 30;
/// Most bytes of one answer of a recorder: 256 entries of 65,535 bytes with their lengths.
const ANSWER_BYTES_MAX: u64 = 256 * 65_537;
/// Time one request may take.
const REQUEST_S_MAX: u64 = 60;

/// Why evidence could not be read. None of these says anything about the log.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// A file or folder.
    #[error("could not read `{path}`")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        cause: std::io::Error,
    },
    /// A zip file.
    #[error("`{path}` is no readable zip file")]
    Zip {
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        cause: zip::result::ZipError,
    },
    /// A recorder.
    #[error("could not fetch `{url}`")]
    Fetch {
        /// What was asked for.
        url: String,
        /// Why.
        #[source]
        cause: Box<ureq::Error>,
    },
    /// A recorder's answer.
    #[error("the answer of `{url}` is unusable: {detail}")]
    Answer {
        /// What was asked for.
        url: String,
        /// What is wrong.
        detail: String,
    },
    /// A name that leads out of the bundle or stands there twice, or too many files.
    #[error("the files cannot be those of a bundle")]
    Bundle(#[from] BundleError),
    /// Too much.
    #[error("the evidence holds more than {EVIDENCE_BYTES_MAX} bytes")]
    TooMuch,
    /// A recorder's data directory.
    #[error(
        "`{0}` is a recorder's data directory: stop the recorder and use its `check` or `export`"
    )]
    DataDirectory(PathBuf),
}

/// Reads a folder. Hidden files, links and devices are passed over: the first are an editor's or a
/// file manager's, the others could point at the rest of the auditor's machine.
///
/// # Errors
/// [`SourceError`].
pub fn read_folder(folder: &Path) -> Result<Bundle, SourceError> {
    let unreadable = |path: &Path| {
        let path = path.to_owned();
        move |cause| SourceError::Read { path, cause }
    };
    if folder.join("log").join("entries").is_dir() {
        return Err(SourceError::DataDirectory(folder.to_owned()));
    }
    let mut files = Bundle::new();
    let mut room = EVIDENCE_BYTES_MAX;
    let mut folders = vec![folder.to_owned()];
    while let Some(here) = folders.pop() {
        for item in fs::read_dir(&here).map_err(unreadable(&here))? {
            let item = item.map_err(unreadable(&here))?;
            let path = item.path();
            if item.file_name().as_encoded_bytes().starts_with(b".") {
                continue;
            }
            let kind = fs::symlink_metadata(&path).map_err(unreadable(&path))?;
            if kind.is_dir() {
                folders.push(path);
            } else if kind.is_file() {
                room = room.checked_sub(kind.len()).ok_or(SourceError::TooMuch)?;
                let name = path.strip_prefix(folder).unwrap_or(&path).to_string_lossy();
                files.insert(&name, fs::read(&path).map_err(unreadable(&path))?)?;
            }
        }
    }
    // A copy that a recorder keeps elsewhere is evidence too, under other names.
    if copy::is_copy(files.iter().map(|(name, _)| name)) {
        return Ok(copy::as_bundle(&files)?);
    }
    Ok(files)
}

/// Reads a zip file. Sizes are counted while unpacking, so that a small file cannot fill memory.
///
/// # Errors
/// [`SourceError`].
pub fn read_zip(path: &Path) -> Result<Bundle, SourceError> {
    let content =
        fs::read(path).map_err(|cause| SourceError::Read { path: path.to_owned(), cause })?;
    let broken = |cause| SourceError::Zip { path: path.to_owned(), cause };
    let mut archive = zip::ZipArchive::new(Cursor::new(content)).map_err(broken)?;
    let mut files = Bundle::new();
    let mut room = EVIDENCE_BYTES_MAX;
    for index in 0..archive.len() {
        let file = archive.by_index(index).map_err(broken)?;
        if file.is_dir() {
            continue;
        }
        let name = file.name().map_err(broken)?.into_owned();
        let mut bytes = Vec::new();
        file.take(room + 1)
            .read_to_end(&mut bytes)
            .map_err(|cause| SourceError::Read { path: path.to_owned(), cause })?;
        room = room.checked_sub(bytes.len() as u64).ok_or(SourceError::TooMuch)?;
        files.insert(&name, bytes)?;
    }
    Ok(files)
}

/// Fetches the newest checkpoint of a recorder and every entry it covers, as C2SP tlog-tiles.
///
/// The keys are not fetched: whoever supplies the log must not supply what it is checked against.
///
/// # Errors
/// [`SourceError`].
pub fn fetch(base: &str, token: Option<&str>) -> Result<Bundle, SourceError> {
    let base = base.trim_end_matches('/');
    let agent = ureq::Agent::new_with_config(
        ureq::Agent::config_builder()
            .timeout_global(Some(std::time::Duration::from_secs(REQUEST_S_MAX)))
            .max_redirects(0)
            .build(),
    );
    let get = |path: &str| -> Result<Vec<u8>, SourceError> {
        let url = format!("{base}{path}");
        let failed = |cause| SourceError::Fetch { url: url.clone(), cause: Box::new(cause) };
        let mut request = agent.get(&url);
        if let Some(token) = token {
            request = request.header("Authorization", format!("Bearer {token}"));
        }
        let mut answer = request.call().map_err(failed)?;
        answer.body_mut().with_config().limit(ANSWER_BYTES_MAX).read_to_vec().map_err(failed)
    };
    let wrong =
        |path: &str, detail: String| SourceError::Answer { url: format!("{base}{path}"), detail };

    let head = "/log/checkpoint";
    let note = get(head)?;
    let size = Note::parse(&note)
        .map_err(|e| e.to_string())
        .and_then(|n| Checkpoint::parse_text(&n.text).map_err(|e| e.to_string()))
        .map_err(|detail| wrong(head, detail))?
        .size;
    let mut entries = Vec::new();
    let mut bytes = 0;
    let bundles = size.div_ceil(u64::from(chain::limits::TILE_WIDTH));
    for index in 0..bundles {
        let Some(tile) = Tile::in_tree(TileKind::Entries, index, size) else { break };
        let path = format!("/log/{tile}");
        let bundle = get(&path)?;
        bytes += bundle.len() as u64;
        if bytes > EVIDENCE_BYTES_MAX {
            return Err(SourceError::TooMuch);
        }
        for entry in tile.entries(&bundle).map_err(|e| wrong(&path, e.to_string()))? {
            entries.extend_from_slice(entry);
            entries.push(b'\n');
        }
    }
    let mut files = Bundle::new();
    files.insert(bundle::ENTRIES, entries)?;
    files.insert(&bundle::checkpoint_name(size), note)?;
    Ok(files)
}
