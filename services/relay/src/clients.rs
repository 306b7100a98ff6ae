//! Who may send over HTTP: a file with a table for each client.
//!
//! ```toml
//! [press-1]
//! token_sha256 = "64 hexadecimal digits"   # of the token that `relay token` printed
//! sources = ["/machines/press-1"]          # optional: whose events it may send
//! ```
//!
//! Only hashes of tokens are kept. A token has 256 random bits, so its plain hash gives nothing away.

use std::collections::BTreeMap;
use std::path::Path;

use anyhow::{Context as _, Result};
use figment::Figment;
use figment::providers::{Format as _, Toml};
use serde::Deserialize;
use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;

use crate::wire::Sources;

/// A client.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Client {
    /// Its name in the file.
    pub name: String,
    /// Whose events it may send.
    pub sources: Sources,
    token_sha256: [u8; 32],
}

/// Every client.
#[derive(Debug, Clone, Default)]
pub struct Clients(Vec<Client>);

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    token_sha256: String,
    sources: Option<Vec<String>>,
}

/// Hash of a token.
pub fn token_sha256(token: &str) -> [u8; 32] {
    Sha256::digest(token).into()
}

impl Clients {
    /// Reads the file.
    ///
    /// # Errors
    /// What is wrong, with the client's name.
    pub fn read(path: &Path) -> Result<Self> {
        let shown = path.display();
        let rows: BTreeMap<String, Row> = Figment::new()
            .merge(Toml::file_exact(path))
            .extract()
            .with_context(|| format!("could not read the clients of `{shown}`"))?;
        let client = |(name, row): (String, Row)| {
            let mut token_sha256 = [0; 32];
            hex::decode_to_slice(&row.token_sha256, &mut token_sha256).with_context(|| {
                format!("`{name}.token_sha256` in `{shown}` is not 64 hexadecimal digits")
            })?;
            Ok(Client { name, sources: Sources::new(row.sources), token_sha256 })
        };
        rows.into_iter().map(client).collect::<Result<_>>().map(Self)
    }

    /// Whose token this is. Takes the same time whichever client it is, and for nobody's.
    pub fn holder(&self, token: &str) -> Option<&Client> {
        let hash = token_sha256(token);
        let mut found = None;
        for client in &self.0 {
            if bool::from(client.token_sha256.ct_eq(&hash)) {
                found = Some(client);
            }
        }
        found
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether nobody may send.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_belongs_to_its_client_and_to_nobody_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("clients.toml");
        let hash = |token| hex::encode(token_sha256(token));
        let rows = format!(
            "[press-1]\ntoken_sha256 = \"{}\"\nsources = [\"/m/1\"]\n[press-2]\ntoken_sha256 = \"{}\"\n",
            hash("one"),
            hash("two")
        );
        std::fs::write(&path, rows).unwrap();
        let clients = Clients::read(&path).unwrap();
        assert_eq!(clients.holder("two").unwrap().name, "press-2");
        assert_eq!(clients.holder("one").unwrap().name, "press-1");
        assert_eq!(clients.holder(&hash("one")), None, "the hash is no token");
        assert_eq!(clients.holder(""), None);

        std::fs::write(&path, "[press-1]\ntoken_sha256 = \"12\"\n").unwrap();
        let error = format!("{:#}", Clients::read(&path).unwrap_err());
        assert!(error.contains("press-1.token_sha256"), "{error}");
    }
}
