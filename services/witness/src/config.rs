//! The one configuration file of a witness.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail, ensure};
use chain::note::{Ed25519Signer, KeyKind, VerifierKey};
use figment::Figment;
use figment::providers::{Env, Format, Toml};
use serde::Deserialize;

/// Settings; environment variables `WITNESS_*` override the file.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Config {
    /// Name of the witness: a schema-less URL such as `witness.example.org/w1`.
    pub name: String,
    /// Address to listen on.
    pub listen: SocketAddr,
    /// Folder of its memory. On a disk of its own backup; never shared with another witness.
    pub memory: PathBuf,
    /// File with the seed of its key: 64 hex digits, readable by its owner only.
    pub key_file: PathBuf,
    /// Verification keys (vkey) of the logs it knows. The name of a key is the log's origin;
    /// several keys of one origin are for a rotation.
    pub logs: Vec<String>,
}

impl Config {
    /// Reads the file.
    pub fn read(path: &Path) -> Result<Self> {
        Figment::new()
            .merge(Toml::file_exact(path))
            .merge(Env::prefixed("WITNESS_"))
            .extract()
            .with_context(|| format!("could not read the configuration `{}`", path.display()))
    }

    /// The keys of the logs by origin.
    pub fn log_keys(&self) -> Result<BTreeMap<String, Vec<VerifierKey>>> {
        let mut keys: BTreeMap<String, Vec<VerifierKey>> = BTreeMap::new();
        for text in &self.logs {
            let key: VerifierKey =
                text.parse().with_context(|| format!("`{text}` is no verification key"))?;
            ensure!(key.kind() == KeyKind::Ed25519, "`{text}` is not the key of a log");
            keys.entry(key.name().to_owned()).or_default().push(key);
        }
        ensure!(!keys.is_empty(), "no log is listed under `logs`");
        Ok(keys)
    }

    /// Everything that is wrong with what the configuration names; each begins with the name of the
    /// value.
    pub fn problems(&self) -> Vec<String> {
        let mut problems = Vec::new();
        if let Err(error) = self.signer() {
            problems.push(format!("`key_file`: {error:#}"));
        }
        if let Err(error) = self.log_keys() {
            problems.push(format!("`logs`: {error:#}"));
        }
        problems.extend(not_writable(&self.memory).map(|what| format!("`memory`: {what}")));
        problems
    }

    /// The signing key.
    pub fn signer(&self) -> Result<Ed25519Signer> {
        use std::os::unix::fs::PermissionsExt;
        let path = &self.key_file;
        let shown = path.display();
        let mode = std::fs::metadata(path)
            .with_context(|| format!("could not read the key file `{shown}`"))?
            .permissions()
            .mode();
        if mode & 0o077 != 0 {
            bail!("the key file `{shown}` can be read by others: set its mode to 0600");
        }
        let text = std::fs::read_to_string(path)
            .with_context(|| format!("could not read the key file `{shown}`"))?;
        let mut seed = [0; 32];
        hex::decode_to_slice(text.trim(), &mut seed)
            .with_context(|| format!("the key file `{shown}` does not hold 64 hex digits"))?;
        Ok(Ed25519Signer::witness(&self.name, &seed)?)
    }
}

/// Why a folder cannot be written to, or made, by this user; `None` if it can.
fn not_writable(folder: &Path) -> Option<String> {
    let there = |at: &&Path| !at.as_os_str().is_empty() && matches!(at.try_exists(), Ok(true));
    let nearest = folder.ancestors().find(there).unwrap_or(Path::new("."));
    let access = rustix::fs::Access::WRITE_OK | rustix::fs::Access::EXEC_OK;
    let shown = nearest.display();
    match rustix::fs::access(nearest, access) {
        Ok(()) if nearest.is_dir() => None,
        Ok(()) => Some(format!("`{shown}` is no folder")),
        Err(error) => Some(format!("`{shown}` cannot be written to by this user: {error}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_problem_is_told_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        std::fs::write(&file, "").unwrap();
        let config = Config {
            name: "witness.example.org/w1".to_owned(),
            listen: "127.0.0.1:0".parse().unwrap(),
            memory: file.join("memory"),
            key_file: folder.path().join("missing.key"),
            logs: vec!["nobody".to_owned()],
        };
        let problems = config.problems();
        for name in ["`key_file`", "`logs`", "`memory`"] {
            assert!(problems.iter().any(|problem| problem.starts_with(name)), "{problems:?}");
        }
    }
}
