//! The one configuration file of a relay: TOML, then environment variables `RELAY_<SECTION>__<NAME>`.
//! Secrets are never values here, only names of files. Unknown names are refused.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, bail, ensure};
use figment::Figment;
use figment::providers::{Env, Format as _, Toml};
use serde::Deserialize;

use crate::limits::SPOOL_BYTES_MIN;

/// Settings.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Config {
    /// Folder of the spool and of what was refused. On a disk that keeps what it was told to flush.
    pub data_dir: PathBuf,
    /// Where machines send to.
    #[serde(default)]
    pub listen: Listen,
    /// The recorder.
    pub recorder: Recorder,
    /// How much may wait.
    #[serde(default)]
    pub spool: SpoolSize,
    /// The broker, if machines publish to one.
    pub mqtt: Option<Mqtt>,
}

/// Where machines send to.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Listen {
    /// Address and port.
    pub address: SocketAddr,
    /// Who may send: see [`crate::clients`]. Without it nobody may, over HTTP.
    pub clients_file: Option<PathBuf>,
    /// TLS; without it only loopback is a sensible address.
    pub tls: Option<Tls>,
}

/// TLS by rustls: versions 1.2 and 1.3, with its default suites.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tls {
    /// Certificate chain, PEM.
    pub certificate_file: PathBuf,
    /// Private key, PEM, readable by the service alone.
    pub key_file: PathBuf,
    /// Authorities whose client certificates are demanded, PEM. Absent: none is asked for.
    pub client_authorities_file: Option<PathBuf>,
}

/// The recorder.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recorder {
    /// Its address, `https://..`; in the clear only to loopback, unless `allow_clear`.
    pub url: String,
    /// File with the relay's token (role `service`), readable by the service alone. Read again for
    /// every request, so that whatever renews it needs to tell nobody.
    pub token_file: PathBuf,
    /// Authorities of the recorder's certificate, PEM. Absent: those of the web.
    pub authorities_file: Option<PathBuf>,
    /// Certificate chain the relay shows, PEM, if the recorder asks for one ...
    pub certificate_file: Option<PathBuf>,
    /// ... and its private key, PEM.
    pub key_file: Option<PathBuf>,
    /// Longest pause between two tries, in seconds.
    #[serde(default = "pause_s_max")]
    pub pause_s_max: u32,
    /// Send the token in the clear over a network. For tests on a network of their own.
    #[serde(default)]
    pub allow_clear: bool,
}

fn pause_s_max() -> u32 {
    30
}

/// How much may wait.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SpoolSize {
    /// Most bytes of the spool. When they are used up machines are told to wait.
    pub bytes_max: u64,
    /// Most events the recorder refused that are kept. When there are so many, nothing is sent on and
    /// so nothing lost, until somebody has looked.
    pub refused_max: usize,
}

/// The broker (MQTT 5).
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mqtt {
    /// Host.
    pub host: String,
    /// Port.
    #[serde(default = "mqtt_port")]
    pub port: u16,
    /// Name of the relay at the broker; the broker keeps its messages under it while it is away.
    pub client_id: String,
    /// Topic filters with events.
    pub topics: Vec<String>,
    /// Sources whose events may come this way; one that ends with `/*` stands for all below. Absent:
    /// every source; who may publish is then the broker's word alone.
    pub sources: Option<Vec<String>>,
    /// User name.
    pub username: Option<String>,
    /// File with the password, readable by the service alone.
    pub password_file: Option<PathBuf>,
    /// Authorities of the broker's certificate, PEM: speak TLS. Absent: in the clear.
    pub authorities_file: Option<PathBuf>,
}

fn mqtt_port() -> u16 {
    1_883
}

impl Default for Listen {
    fn default() -> Self {
        let address = SocketAddr::from(([127, 0, 0, 1], 8_785));
        Self { address, clients_file: None, tls: None }
    }
}

impl Default for SpoolSize {
    fn default() -> Self {
        Self { bytes_max: 256 << 20, refused_max: 10_000 }
    }
}

impl Config {
    /// Reads the file and checks it.
    ///
    /// # Errors
    /// What is wrong, with the name of the value.
    pub fn read(path: &Path) -> Result<Self> {
        let config: Self = Figment::new()
            .merge(Toml::file_exact(path))
            .merge(Env::prefixed("RELAY_").filter(|n| n.as_str().contains("__")).split("__"))
            .extract()
            .with_context(|| format!("could not read the configuration `{}`", path.display()))?;
        config.check()?;
        Ok(config)
    }

    /// Values that make no sense, alone or beside another.
    fn check(&self) -> Result<()> {
        let Recorder { url, certificate_file, key_file, .. } = &self.recorder;
        let clear = match url.split_once("://") {
            Some(("https", _)) => false,
            Some(("http", rest)) => !["127.0.0.1", "[::1]", "localhost"].iter().any(|host| {
                rest.strip_prefix(host).is_some_and(|r| r.is_empty() || r.starts_with([':', '/']))
            }),
            Some(_) | None => {
                bail!("`recorder.url` is no address such as `https://records.example.org`")
            }
        };
        ensure!(
            !url.contains(['?', '#', '@', ' ']),
            "`recorder.url` is an address without query, fragment or user"
        );
        ensure!(
            !clear || self.recorder.allow_clear,
            "`recorder.url` is not `https`: the token would be anybody's"
        );
        ensure!(
            certificate_file.is_some() == key_file.is_some(),
            "`recorder.certificate_file` and `recorder.key_file` belong together"
        );
        ensure!(
            (1..=3_600).contains(&self.recorder.pause_s_max),
            "`recorder.pause_s_max` is 1 to 3600"
        );
        ensure!(
            self.spool.bytes_max >= SPOOL_BYTES_MIN,
            "`spool.bytes_max` is at least {SPOOL_BYTES_MIN}"
        );
        ensure!(self.spool.refused_max >= 1, "`spool.refused_max` is at least 1");
        let listens = self.listen.clients_file.is_some();
        ensure!(
            listens || self.mqtt.is_some(),
            "nobody can send: name `listen.clients_file`, `mqtt`, or both"
        );
        if let Some(mqtt) = &self.mqtt {
            ensure!(!mqtt.topics.is_empty(), "`mqtt.topics` is empty");
            ensure!(!mqtt.client_id.is_empty(), "`mqtt.client_id` is empty");
            ensure!(
                mqtt.password_file.is_none() || mqtt.username.is_some(),
                "`mqtt.password_file` needs `mqtt.username`"
            );
        }
        Ok(())
    }
}

impl Config {
    /// Everything that is wrong with what the configuration names; each begins with the name of the
    /// value.
    #[must_use]
    pub fn problems(&self) -> Vec<String> {
        let mut problems = Vec::new();
        let mut must = |name: &str, outcome: Result<()>| {
            problems.extend(outcome.err().map(|error| format!("`{name}`: {error:#}")));
        };
        must("data_dir", is_writable(&self.data_dir));
        if let Some(file) = &self.listen.clients_file {
            must("listen.clients_file", crate::clients::Clients::read(file).map(drop));
        }
        if let Some(tls) = &self.listen.tls {
            must("listen.tls", crate::tls::server_config(tls).map(drop));
        }
        must("recorder.token_file", secret(&self.recorder.token_file).map(drop));
        must("recorder", crate::upstream::Http::new(&self.recorder).map(drop));
        if let Some(mqtt) = &self.mqtt {
            if let Some(file) = &mqtt.password_file {
                must("mqtt.password_file", secret(file).map(drop));
            }
            if let Some(file) = &mqtt.authorities_file {
                must("mqtt.authorities_file", crate::tls::client_config(file).map(drop));
            }
        }
        problems
    }
}

/// Whether a folder can be written to, or made, by this user.
fn is_writable(folder: &Path) -> Result<()> {
    let there = |at: &&Path| !at.as_os_str().is_empty() && matches!(at.try_exists(), Ok(true));
    let nearest = folder.ancestors().find(there).unwrap_or(Path::new("."));
    let access = rustix::fs::Access::WRITE_OK | rustix::fs::Access::EXEC_OK;
    let shown = nearest.display();
    ensure!(nearest.is_dir(), "`{shown}` is no folder");
    rustix::fs::access(nearest, access)
        .with_context(|| format!("`{shown}` cannot be written to by this user"))
}

/// Reads a secret that only its owner may read; white space around it does not count.
///
/// # Errors
/// When it cannot be read, or others may read it.
pub fn secret(path: &Path) -> Result<String> {
    use std::os::unix::fs::PermissionsExt as _;
    let shown = path.display();
    let mode = std::fs::metadata(path)
        .with_context(|| format!("could not read `{shown}`"))?
        .permissions()
        .mode();
    ensure!(mode & 0o007 == 0, "`{shown}` may be read by everybody: `chmod o-rwx` it");
    let text =
        std::fs::read_to_string(path).with_context(|| format!("could not read `{shown}`"))?;
    Ok(text.trim().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
        data_dir = "data"
        [listen]
        clients_file = "clients.toml"
        [recorder]
        url = "https://records.example.org"
        token_file = "token"
        [mqtt]
        host = "broker.example.org"
        client_id = "relay-1"
        topics = ["shop/+/events"]
    "#;

    fn read(text: &str) -> Result<Config> {
        let folder = tempfile::tempdir()?;
        let path = folder.path().join("relay.toml");
        std::fs::write(&path, text)?;
        Config::read(&path)
    }

    #[test]
    fn a_short_file_is_enough_and_binds_to_loopback() {
        let config = read(GOOD).unwrap();
        assert!(config.listen.address.ip().is_loopback());
        assert_eq!(config.mqtt.unwrap().port, 1_883);
    }

    #[test]
    fn every_problem_of_files_is_told_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let mut config = read(GOOD).unwrap();
        let missing = |name: &str| folder.path().join(name);
        std::fs::write(missing("file"), "").unwrap();
        config.data_dir = missing("file").join("data");
        config.listen.clients_file = Some(missing("clients.toml"));
        config.recorder.token_file = missing("token");
        config.recorder.authorities_file = Some(missing("ca.pem"));
        let problems = config.problems();
        for name in ["`data_dir`", "`listen.clients_file`", "`recorder.token_file`", "`recorder`"] {
            assert!(problems.iter().any(|problem| problem.starts_with(name)), "{problems:?}");
        }
    }

    #[test]
    fn senseless_values_are_named() {
        for (from, to, name) in [
            ("https://", "http://", "recorder.url"),
            ("https://", "http://localhost.", "recorder.url"),
            ("https://", "ftp://", "recorder.url"),
            ("records.example.org", "a@records.example.org", "recorder.url"),
            (r#"["shop/+/events"]"#, "[]", "mqtt.topics"),
            ("data_dir", "data_dri", "data_dri"),
            ("[listen]", "[spool]\nbytes_max = 1\n[listen]", "spool.bytes_max"),
        ] {
            let error = format!("{:#}", read(&GOOD.replace(from, to)).unwrap_err());
            assert!(error.contains(name), "{to}: {error}");
        }
        assert!(
            read(&GOOD.replace("https://records.example.org", "http://127.0.0.1:8780")).is_ok()
        );
    }
}
