//! Published test vectors, read from the shared folder beside the workspace when it is there
//! (`PULVERLOG_SHARED`, or `../shared`). Its `vectors/*/SOURCE.md` name repository, commit and
//! licence of each set. Without the folder these tests say loudly that they were skipped.

use std::path::{Path, PathBuf};

use serde_json::Value as Json;

mod crypto;
mod json;
mod notes;
mod tree;

/// The folder of one set of vectors.
fn vectors(set: &str) -> Option<PathBuf> {
    let workspace = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let shared = std::env::var_os("PULVERLOG_SHARED")
        .map_or_else(|| workspace.join("../shared"), PathBuf::from);
    let folder = shared.join("vectors").join(set);
    let there = folder.try_exists().unwrap();
    if !there {
        eprintln!("SKIPPED: no vectors `{set}`; set PULVERLOG_SHARED to run them");
    }
    there.then_some(folder)
}

fn read_json(path: &Path) -> Json {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn text<'a>(json: &'a Json, name: &str) -> &'a str {
    json[name].as_str().unwrap_or_else(|| panic!("no text `{name}`"))
}

fn texts<'a>(json: &'a Json, name: &str) -> Vec<&'a str> {
    json[name].as_array().unwrap().iter().map(|item| item.as_str().unwrap()).collect()
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

fn name(path: &Path) -> &str {
    path.file_name().unwrap().to_str().unwrap()
}

/// Compares with a file that was reviewed; `PULVERLOG_UPDATE=1` rewrites it.
fn golden(file: &str, actual: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden").join(file);
    if std::env::var_os("PULVERLOG_UPDATE").is_some() {
        std::fs::write(path, actual).unwrap();
        return;
    }
    assert_eq!(std::fs::read_to_string(path).unwrap(), actual);
}
