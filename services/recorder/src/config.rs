//! Configuration: one TOML file, then environment variables `PULVERLOG_<SECTION>__<NAME>`.
//!
//! Every value has a unit in its name and a default that is safe on one machine. Secrets are never
//! values here, only names of files. Unknown names are refused, so that a typing error cannot
//! switch a safeguard off.

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};

use chain::note::{KeyKind, VerifierKey};
use figment::Figment;
use figment::providers::{Env, Format as _, Serialized, Toml};
use ledger::limits::{SEGMENT_BYTES, SEGMENT_BYTES_MAX, SEGMENT_BYTES_MIN};
use serde::{Deserialize, Serialize};

use crate::authn::pins::{PIN_CHARS_LEAST, PIN_CHARS_MAX};
use crate::limits::WITNESSES_MAX;

/// Prefix of the environment variables.
pub const ENV_PREFIX: &str = "PULVERLOG_";

/// Configuration that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// A file or variable cannot be read.
    #[error("the configuration cannot be read: {0}")]
    Read(#[source] Box<figment::Error>),
    /// A value makes no sense, alone or beside another.
    #[error("`{name}` {what}")]
    Value {
        /// Its name, for example `auth.issuer`.
        name: &'static str,
        /// What is wrong and what is wanted.
        what: String,
    },
}

/// The whole configuration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Config {
    /// The log and where it lies.
    pub log: LogConfig,
    /// Where the service listens.
    pub listen: ListenConfig,
    /// Whose tokens are accepted.
    pub auth: AuthConfig,
    /// How much a client may ask for.
    pub limits: LimitsConfig,
    /// Witnesses that are asked to cosign each published checkpoint.
    pub witnesses: Vec<WitnessConfig>,
    /// What is asked of them together.
    pub witnessing: WitnessingConfig,
    /// Who is sent entries as they are recorded.
    pub webhooks: WebhooksConfig,
    /// Where the log is kept too.
    pub copies: CopiesConfig,
    /// Other logs that this one follows, as a head office follows those of its sites.
    pub following: FollowingConfig,
    /// The program log.
    pub logs: LogsConfig,
    /// Traces of requests.
    pub traces: TracesConfig,
}

/// The program log, on standard error. `PULVERLOG_LOG` in the environment overrides the levels.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LogsConfig {
    /// How a line is written.
    pub format: LogFormat,
    /// What is told: `error`, `warn`, `info`, `debug`, `trace` or `off`.
    pub level: String,
    /// Other levels for modules and what lies below them, such as `recorder::webhooks`.
    pub levels: BTreeMap<String, String>,
}

/// How a line of the program log is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line, for programs.
    Json,
}

/// Traces of requests, sent to an OpenTelemetry collector.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TracesConfig {
    /// Where spans are sent as OTLP, protobuf over HTTP, such as `http://127.0.0.1:4318/v1/traces`.
    /// Absent: nowhere, and none are made.
    pub endpoint: Option<String>,
    /// Of 1,000 requests without a trace context of their own so many are traced.
    pub sampled_per_mille: u16,
}

impl Default for LogsConfig {
    fn default() -> Self {
        let levels = BTreeMap::from([("actix_server".to_owned(), "warn".to_owned())]);
        Self { format: LogFormat::Text, level: "info".to_owned(), levels }
    }
}

impl LogsConfig {
    /// The levels as `tracing_subscriber::EnvFilter` reads them.
    #[must_use]
    pub fn directives(&self) -> String {
        let levels = self.levels.iter().map(|(module, level)| format!("{module}={level}"));
        std::iter::once(self.level.clone()).chain(levels).collect::<Vec<_>>().join(",")
    }
}

impl Default for TracesConfig {
    fn default() -> Self {
        Self { endpoint: None, sampled_per_mille: 1_000 }
    }
}

/// The log and where it lies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LogConfig {
    /// Data directory.
    pub data_dir: PathBuf,
    /// Where the entries lie: empty for segments in the data directory, or the address of a database
    /// such as `postgres://log@db.example.org/shop?sslmode=verify-full&sslrootcert=/etc/ca.pem`, which
    /// several recorders may share. Never with a password.
    pub store: String,
    /// File that holds the password of the database. Absent: the variable PGPASSWORD, if it is set.
    pub store_password_file: Option<PathBuf>,
    /// Directory of the last signed checkpoint; another disk if there is one. Default: `head` in
    /// the data directory.
    pub head_dir: Option<PathBuf>,
    /// Origin of the log: a schema-less URL, one log per site group and year. Only used when the
    /// log is created; afterwards entry 0 says what it is.
    pub origin: String,
    /// Keep the index in memory and build it at every start: for tests and small logs.
    pub index_in_memory: bool,
    /// Accept a data directory in memory (tmpfs), where a power cut loses everything. For tests.
    pub allow_tmpfs: bool,
    /// Size of a segment in bytes. Each is filled with zeros before it is used, so this is also the
    /// least free space the log needs. Segments written with another size stay readable.
    pub segment_bytes: u64,
}

/// Where the service listens.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ListenConfig {
    /// Address and port.
    pub address: SocketAddr,
    /// Worker threads; 0: as many as processors.
    pub workers: usize,
    /// Connections per worker at once; more wait in the backlog.
    pub connections_per_worker: usize,
    /// Addresses of the proxies before the service. From these alone `X-Forwarded-For` is read, so that
    /// each client behind them has its own rate of failed sign-ins. Nothing else rests on it.
    pub proxies: Vec<IpAddr>,
    /// TLS; without it the service listens in the clear and belongs behind a proxy.
    pub tls: Option<TlsConfig>,
}

/// TLS by rustls: versions 1.2 and 1.3, with its default suites.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TlsConfig {
    /// Certificate chain, PEM.
    pub certificate_file: PathBuf,
    /// Private key, PEM, readable by the service alone.
    pub key_file: PathBuf,
    /// Authorities whose client certificates are demanded, PEM. Absent: none is asked for.
    pub client_authorities_file: Option<PathBuf>,
}

/// Whose tokens are accepted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AuthConfig {
    /// Issuer, exactly as in `iss`. Not used with a local issuer.
    pub issuer: String,
    /// Audience, exactly as in `aud`.
    pub audience: String,
    /// Key set of the issuer (RFC 7517) in a file ...
    pub jwks_file: Option<PathBuf>,
    /// ... or behind an `https` address.
    pub jwks_url: Option<String>,
    /// Accept tokens of the key in `keys/issuer.key`, made by `recorder token`. For development,
    /// demonstrations and tests: whoever can read that file can be anybody.
    pub local_issuer: bool,
    /// Media type in the token's `typ` (RFC 9068 section 2.1).
    pub token_type: String,
    /// Claim that lists the roles.
    pub roles_claim: String,
    /// Claim that lists the sites; a token without it is for every site.
    pub sites_claim: String,
    /// Signing an entry needs a sign-in at most this long ago, in seconds: a session that was left
    /// open signs nothing (21 CFR 11.200(a)(1); the value is common practice, no source).
    pub sign_within_s: u32,
    /// Classes of authentication of which a signature needs one in the token's `acr`, as the identity
    /// provider calls them (RFC 9470). Empty: any. A badge with its PIN is two factors by itself.
    pub sign_acr: Vec<String>,
    /// Fewest characters of a PIN that is chosen from now on, 4 to 64 (OWASP ASVS 5.0, 6.2.1 asks for 8
    /// where the PIN stands alone; here it stands beside a badge and behind a lock-out).
    pub pin_chars_min: usize,
}

/// How much a client may ask for. Rates are per token subject.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LimitsConfig {
    /// Requests a second, sustained.
    pub requests_per_s: u32,
    /// Requests at once.
    pub requests_burst: u32,
    /// Failed sign-ins a minute from one address before it is told to wait.
    pub failed_sign_ins_per_minute: u32,
}

/// One witness (C2SP tlog-witness).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WitnessConfig {
    /// Address below which `add-checkpoint` lies, `https://..` or `http://..`. Only it is called,
    /// and no redirect is followed.
    pub url: String,
    /// Its verification key (C2SP vkey), received from its operator.
    pub key: String,
}

/// What is asked of the witnesses together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WitnessingConfig {
    /// How many of them must have cosigned a checkpoint for it to count as witnessed. This is the
    /// quorum of `policy.txt` too. Not used without witnesses.
    pub quorum: usize,
    /// Record also when too few answer. If `false`, nothing is recorded while an entry older than
    /// `unwitnessed_s_max` is not covered.
    pub fail_open: bool,
    /// See `fail_open`, in seconds.
    pub unwitnessed_s_max: u32,
    /// Time one witness has for its answer, in ms.
    pub answer_ms_max: u32,
    /// Least time between two entries that keep a cosigned checkpoint in the log, in seconds.
    pub anchor_gap_s: u32,
}

impl Default for WitnessingConfig {
    fn default() -> Self {
        Self {
            quorum: 1,
            fail_open: true,
            unwitnessed_s_max: 3_600,
            answer_ms_max: 5_000,
            anchor_gap_s: 3_600,
        }
    }
}

/// Who is sent entries as they are recorded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WebhooksConfig {
    /// What may be called: host names, addresses and networks such as `10.20.0.0/16`. Every target
    /// must stand here; an address inside (private, loopback, link-local ..) that its name leads to
    /// must too.
    pub allow: Vec<String>,
    /// Authorities of the receivers' certificates, PEM. Absent: those of the system.
    pub authorities_file: Option<PathBuf>,
    /// Attempts to deliver an entry before it is put on the list of dead letters.
    pub attempts_max: u32,
    /// Wait after the first attempt, in ms; it doubles with each.
    pub first_wait_ms: u32,
    /// Longest wait between two attempts, in seconds, unless the receiver asks for more.
    pub longest_wait_s: u32,
    /// Time a receiver has for its answer, in ms.
    pub answer_ms_max: u32,
    /// The receivers.
    pub subscriptions: Vec<SubscriptionConfig>,
}

/// One receiver and what it is sent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct SubscriptionConfig {
    /// Its name. How far it is is kept under it: another name begins anew.
    pub name: String,
    /// Where entries are sent, `https://..`; `http://..` only for a loopback address.
    pub url: String,
    /// Only entries of this site. Absent: of every site, and those of none.
    pub site: Option<String>,
    /// Only these types of event, with or without `pulverlog.`. Empty: every type.
    pub types: Vec<String>,
    /// Only subjects that begin like this, such as `equipment/` or `lot/PA-`.
    pub subject: Option<String>,
    /// Begin with the first entry of the log instead of the next one.
    pub from_beginning: bool,
}

/// Other logs that this one follows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FollowingConfig {
    /// Pause between two looks at a log, in seconds.
    pub look_s: u32,
    /// Least time between two entries that keep a checkpoint of the same log, in seconds.
    pub kept_gap_s: u32,
    /// Time a log has for an answer, in ms.
    pub answer_ms_max: u32,
    /// Authorities of their certificates, PEM. Absent: those of the system.
    pub authorities_file: Option<PathBuf>,
    /// The logs.
    pub logs: Vec<FollowedConfig>,
}

/// One log that is followed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct FollowedConfig {
    /// Its name here, a label. What is kept of it lies below it: another name begins anew.
    pub name: String,
    /// Where its service is, `https://..`; `http://..` only for a loopback address.
    pub url: String,
    /// Its verification key (C2SP vkey), received from its operator and not from the address above.
    pub key: String,
    /// File with a token that may read its feed for every site. Read anew for each look.
    pub token_file: PathBuf,
}

impl Default for FollowingConfig {
    fn default() -> Self {
        Self {
            look_s: 30,
            kept_gap_s: 3_600,
            answer_ms_max: 30_000,
            authorities_file: None,
            logs: Vec::new(),
        }
    }
}

impl Default for WebhooksConfig {
    fn default() -> Self {
        Self {
            allow: Vec::new(),
            authorities_file: None,
            // 1 s, 2 s, 4 s .. up to an hour: some twelve hours for each entry.
            attempts_max: 24,
            first_wait_ms: 1_000,
            longest_wait_s: 3_600,
            answer_ms_max: 10_000,
            subscriptions: Vec::new(),
        }
    }
}

/// Where the log is kept too.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CopiesConfig {
    /// Rest between two rounds of copying, in ms: what is at most lost with the machine, unless
    /// receipts wait for the copy.
    pub interval_ms: u32,
    /// Longest time an answer waits for the copies it must wait for, in ms.
    pub acknowledge_ms_max: u32,
    /// The destinations.
    pub to: Vec<CopyConfig>,
}

/// One destination: a folder or a bucket. Each holds the copy of one log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CopyConfig {
    /// Its name, in metrics and messages.
    pub name: String,
    /// A folder on another disk or machine. It must be there; it is never made.
    pub folder: Option<PathBuf>,
    /// Allow a folder on the disk of the log, which is lost with it. For tests.
    pub same_disk: bool,
    /// Object storage that speaks the S3 protocol: `s3://bucket/prefix`.
    pub bucket: Option<String>,
    /// Address of that storage, `https://..`; absent: that of the region.
    pub endpoint: Option<String>,
    /// Its region.
    pub region: String,
    /// File with `access_key_id` and `secret_access_key`, TOML, readable by the service alone.
    pub credentials_file: Option<PathBuf>,
    /// Days each object is locked against deletion. The bucket must have been made with object lock.
    pub lock_days: Option<u32>,
    /// `compliance` (nobody can end it) or `governance` (who has that right can).
    pub lock_mode: String,
    /// Give receipts only when the entry stands here too.
    pub acknowledge_after_copy: bool,
}

impl Default for CopiesConfig {
    fn default() -> Self {
        Self { interval_ms: 1_000, acknowledge_ms_max: 5_000, to: Vec::new() }
    }
}

impl Default for CopyConfig {
    fn default() -> Self {
        Self {
            name: String::new(),
            folder: None,
            same_disk: false,
            bucket: None,
            endpoint: None,
            region: "us-east-1".into(),
            credentials_file: None,
            lock_days: None,
            lock_mode: "compliance".into(),
            acknowledge_after_copy: false,
        }
    }
}

impl Default for LogConfig {
    fn default() -> Self {
        Self {
            data_dir: "data".into(),
            store: String::new(),
            store_password_file: None,
            head_dir: None,
            origin: "records.localhost/log".into(),
            index_in_memory: false,
            allow_tmpfs: false,
            segment_bytes: SEGMENT_BYTES,
        }
    }
}

impl Default for ListenConfig {
    fn default() -> Self {
        Self {
            address: SocketAddr::from(([127, 0, 0, 1], 8780)),
            workers: 0,
            connections_per_worker: 1_000,
            proxies: Vec::new(),
            tls: None,
        }
    }
}

impl Default for AuthConfig {
    fn default() -> Self {
        Self {
            issuer: String::new(),
            audience: "pulverlog".into(),
            jwks_file: None,
            jwks_url: None,
            local_issuer: false,
            token_type: "at+jwt".into(),
            roles_claim: "roles".into(),
            sites_claim: "sites".into(),
            sign_within_s: 300,
            sign_acr: Vec::new(),
            pin_chars_min: 6,
        }
    }
}

impl Default for LimitsConfig {
    fn default() -> Self {
        Self { requests_per_s: 200, requests_burst: 400, failed_sign_ins_per_minute: 30 }
    }
}

impl Config {
    /// Reads the defaults, the file if one is named, and the environment, and checks the result.
    ///
    /// # Errors
    /// [`ConfigError`].
    pub fn load(file: Option<&Path>) -> Result<Self, ConfigError> {
        let config: Self =
            sources(file).extract().map_err(|error| ConfigError::Read(Box::new(error)))?;
        config.check()?;
        Ok(config)
    }

    /// As [`load`](Self::load), but goes on after a fault: what cannot be read is left at its default,
    /// and every fault is told, those of single values and those of values beside each other.
    ///
    /// # Errors
    /// [`ConfigError::Read`] if the file cannot be read as TOML at all.
    pub fn load_all(file: Option<&Path>) -> Result<(Self, Vec<ConfigFault>), ConfigError> {
        let read = |error| ConfigError::Read(Box::new(error));
        let sources = sources(file);
        let mut values: serde_json::Value = sources.extract().map_err(read)?;
        let mut faults = Vec::new();
        let config = loop {
            let error = match serde_path_to_error::deserialize::<_, Self>(&values) {
                Ok(config) => break config,
                Err(error) => error,
            };
            let what = error.inner().to_string();
            let mut path: Vec<String> = error.path().iter().map(|part| part.to_string()).collect();
            // Of a name that nobody knows only its place is told; the message has the name.
            if let Some(name) =
                what.strip_prefix("unknown field `").and_then(|w| w.split('`').next())
                && path.last().map(String::as_str) != Some(name)
            {
                path.retain(|part| part != "?");
                path.push(name.to_owned());
            }
            let name = path.join(".").replace(".[", "[");
            let source = sources.find_metadata(&name).map(|known| match &known.source {
                Some(source) => format!("{}, {source}", known.name),
                None => known.name.to_string(),
            });
            faults.push(ConfigFault { name, what, source });
            if !take_out(&mut values, &path) {
                break Self::default();
            }
        };
        let beside = config.faults().into_iter().map(|error| match error {
            ConfigError::Value { name, what } => {
                ConfigFault { name: name.to_owned(), what, source: None }
            }
            ConfigError::Read(error) => {
                ConfigFault { name: String::new(), what: error.to_string(), source: None }
            }
        });
        faults.extend(beside);
        Ok((config, faults))
    }

    /// Directory of the keys.
    pub fn keys_dir(&self) -> PathBuf {
        self.log.data_dir.join("keys")
    }

    /// Whether the entries lie in a database.
    pub fn is_in_database(&self) -> bool {
        !self.log.store.is_empty()
    }

    /// Directory of the watermark.
    pub fn head_dir(&self) -> PathBuf {
        self.log.head_dir.clone().unwrap_or_else(|| self.log.data_dir.join("head"))
    }

    /// Values that make no sense, alone or beside another.
    ///
    /// # Errors
    /// [`ConfigError::Value`], the first of them.
    pub fn check(&self) -> Result<(), ConfigError> {
        self.faults().into_iter().next().map_or(Ok(()), Err)
    }

    /// Every value that makes no sense, alone or beside another.
    #[must_use]
    pub fn faults(&self) -> Vec<ConfigError> {
        let checks = [
            self.check_log(),
            self.check_auth(),
            self.check_limits(),
            self.check_witnesses(),
            crate::following::check(self).map(drop),
            crate::webhooks::check(&self.webhooks),
            self.check_copies(),
            self.check_logs(),
            self.check_traces(),
        ];
        checks.into_iter().filter_map(Result::err).collect()
    }

    fn check_logs(&self) -> Result<(), ConfigError> {
        let words = ["error", "warn", "info", "debug", "trace", "off"];
        let is_level = |level: &String| words.contains(&level.as_str());
        let is_module = |module: &String| {
            !module.is_empty()
                && module.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b':'))
        };
        if !is_level(&self.logs.level) {
            return wrong("logs.level", "is `error`, `warn`, `info`, `debug`, `trace` or `off`");
        }
        if !self.logs.levels.iter().all(|(module, level)| is_module(module) && is_level(level)) {
            return wrong(
                "logs.levels",
                "are modules such as `recorder::webhooks`, each with a level",
            );
        }
        Ok(())
    }

    fn check_traces(&self) -> Result<(), ConfigError> {
        if let Some(endpoint) = &self.traces.endpoint {
            let addressed = endpoint.starts_with("https://") || endpoint.starts_with("http://");
            if !addressed || endpoint.contains(['?', '#', '@', ' ']) {
                return wrong(
                    "traces.endpoint",
                    "is no address such as `http://127.0.0.1:4318/v1/traces`",
                );
            }
        }
        if self.traces.sampled_per_mille > 1_000 {
            return wrong("traces.sampled_per_mille", "is 0 to 1000");
        }
        Ok(())
    }

    fn check_log(&self) -> Result<(), ConfigError> {
        let origin = &self.log.origin;
        let formed = (1..=128).contains(&origin.len())
            && origin.bytes().all(|b| {
                b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-' | b'/' | b':')
            });
        if !formed || origin.contains("://") {
            return wrong(
                "log.origin",
                "is a schema-less URL such as `records.example.org/north/2026`",
            );
        }
        if self.is_in_database() && !ledger::engine::postgres::is_database(&self.log.store) {
            return wrong("log.store", "is empty or begins with `postgres://`");
        }
        if !(SEGMENT_BYTES_MIN..=SEGMENT_BYTES_MAX).contains(&self.log.segment_bytes) {
            return wrong("log.segment_bytes", "is 16384 to 268435456 (16 KiB to 256 MiB)");
        }
        Ok(())
    }

    fn check_auth(&self) -> Result<(), ConfigError> {
        if self.auth.audience.is_empty() {
            return wrong("auth.audience", "is empty: name this service as its tokens do");
        }
        let sources = [self.auth.jwks_file.is_some(), self.auth.jwks_url.is_some()];
        if sources == [true, true] {
            return wrong("auth.jwks_url", "stands beside `auth.jwks_file`: use one of them");
        }
        if sources.contains(&true) && self.auth.issuer.is_empty() {
            return wrong("auth.issuer", "is missing: name the issuer whose key set this is");
        }
        if let Some(url) = &self.auth.jwks_url {
            let local = url.starts_with("http://127.0.0.1:") || url.starts_with("http://[::1]:");
            if !url.starts_with("https://") && !local {
                return wrong(
                    "auth.jwks_url",
                    "is not `https`: keys fetched in the clear are anybody's",
                );
            }
        }
        // They stand in a header, in quotes and with spaces between them.
        let plain = |b: u8| b.is_ascii_graphic() && !matches!(b, b'"' | b'\\');
        if self.auth.sign_acr.iter().any(|acr| acr.is_empty() || !acr.bytes().all(plain)) {
            return wrong("auth.sign_acr", "holds what no `acr` is: a space, a quote, nothing");
        }
        if !(PIN_CHARS_LEAST..=PIN_CHARS_MAX).contains(&self.auth.pin_chars_min) {
            return wrong("auth.pin_chars_min", "is 4 to 64");
        }
        Ok(())
    }

    fn check_limits(&self) -> Result<(), ConfigError> {
        if self.limits.requests_per_s == 0
            || self.limits.requests_burst == 0
            || self.limits.failed_sign_ins_per_minute == 0
        {
            return wrong("limits", "are at least 1");
        }
        Ok(())
    }

    fn check_copies(&self) -> Result<(), ConfigError> {
        if self.is_in_database() && !self.copies.to.is_empty() {
            // Two recorders that serve one log are not of one mind at every moment how long it is.
            return wrong("copies.to", "is for a log in files: a database has its standby");
        }
        crate::copies::check(&self.copies)
    }

    fn check_witnesses(&self) -> Result<(), ConfigError> {
        let mut known: Vec<VerifierKey> = Vec::new();
        for witness in &self.witnesses {
            if !witness.url.starts_with("https://") && !witness.url.starts_with("http://") {
                return wrong(
                    "witnesses.url",
                    "is no address such as `https://witness.example.org`",
                );
            }
            if witness.url.contains(['?', '#', '@', ' ']) {
                return wrong("witnesses.url", "is an address without query, fragment or user");
            }
            match witness.key.parse::<VerifierKey>() {
                Ok(key) if key.kind() != KeyKind::CosignatureV1 => {
                    return wrong("witnesses.key", "is not the key of a witness (type 0x04)");
                }
                Ok(key) if known.iter().any(|other| other.public() == key.public()) => {
                    return wrong("witnesses.key", "stands there twice: one witness has one voice");
                }
                Ok(key) => known.push(key),
                Err(error) => return wrong("witnesses.key", &format!("cannot be used: {error}")),
            }
        }
        let rule = &self.witnessing;
        if !known.is_empty() && !(1..=known.len()).contains(&rule.quorum) {
            return wrong("witnessing.quorum", "is at least 1 and at most the number of witnesses");
        }
        if known.len() > WITNESSES_MAX {
            return wrong("witnesses", "are more than a checkpoint has room for");
        }
        if !(10..=60_000).contains(&rule.answer_ms_max) {
            return wrong("witnessing.answer_ms_max", "is 10 to 60000");
        }
        Ok(())
    }
}

/// One fault of a configuration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ConfigFault {
    /// Name of the value, for example `listen.address`.
    pub name: String,
    /// What is wrong and what is wanted.
    pub what: String,
    /// The file or the variable it stands in, where that is known.
    pub source: Option<String>,
}

fn wrong<T>(name: &'static str, what: &str) -> Result<T, ConfigError> {
    Err(ConfigError::Value { name, what: what.to_owned() })
}

/// Defaults, file, environment.
fn sources(file: Option<&Path>) -> Figment {
    let mut sources = Figment::from(Serialized::defaults(Config::default()));
    if let Some(file) = file {
        sources = sources.merge(Toml::file_exact(file));
    }
    // Names without `__` are for the program itself, such as PULVERLOG_CONFIG.
    let named = |name: &figment::value::UncasedStr| name.as_str().contains("__");
    sources.merge(Env::prefixed(ENV_PREFIX).filter(named).split("__"))
}

/// Takes a value out of what was read, so that reading can go on with its default; whether it was
/// there.
fn take_out(values: &mut serde_json::Value, path: &[String]) -> bool {
    let Some((last, parents)) = path.split_last() else { return false };
    let mut at = values;
    for name in parents {
        // A list is taken out whole: half a witness is none.
        let Some(serde_json::Value::Object(_)) = at.get(name) else {
            return at.as_object_mut().is_some_and(|object| object.remove(name).is_some());
        };
        let Some(next) = at.get_mut(name) else { return false };
        at = next;
    }
    at.as_object_mut().is_some_and(|object| object.remove(last).is_some())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_told_at_once_and_at_its_name() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("pulverlog.toml");
        let text = "
            [log]
            segment_bytes = 1
            [listen]
            adress = \"127.0.0.1:1\"
            workers = \"many\"
            [auth]
            audience = \"\"
            [[witnesses]]
            url = \"https://witness.example.org\"
            keys = \"x\"
            [logs]
            level = \"loud\"
            [colours]
            paper = \"white\"
        ";
        std::fs::write(&file, text).unwrap();
        let (_, faults) = Config::load_all(Some(&file)).unwrap();
        let mut names: Vec<&str> = faults.iter().map(|fault| &*fault.name).collect();
        names.sort_unstable();
        let expected = [
            "auth.audience",
            "colours",
            "listen.adress",
            "listen.workers",
            "log.segment_bytes",
            "logs.level",
            "witnesses[0].keys",
        ];
        assert_eq!(names, expected, "{faults:#?}");
        let of = |name: &str| faults.iter().find(|fault| fault.name == name).unwrap();
        let source = of("listen.workers").source.clone().unwrap_or_default();
        assert!(source.contains("pulverlog.toml"), "{source}");

        std::fs::write(&file, "[log").unwrap();
        assert!(Config::load_all(Some(&file)).is_err(), "what is no TOML is not gone through");
        std::fs::write(&file, "").unwrap();
        assert_eq!(Config::load_all(Some(&file)).unwrap(), (Config::default(), Vec::new()));
    }

    #[test]
    fn the_defaults_are_usable_and_accept_nobody() {
        let config = Config::default();
        config.check().unwrap();
        assert!(!config.auth.local_issuer && config.auth.jwks_file.is_none());
        assert!(config.listen.address.ip().is_loopback());
    }

    #[test]
    fn senseless_values_are_named() {
        let check = |name: &str, change: &dyn Fn(&mut Config)| {
            let mut config = Config::default();
            change(&mut config);
            let error = config.check().unwrap_err().to_string();
            assert!(error.contains(name), "{error}");
        };
        check("log.origin", &|c| c.log.origin = "https://records.example.org".into());
        check("log.origin", &|c| c.log.origin = "a b".into());
        check("log.segment_bytes", &|c| c.log.segment_bytes = 4_096);
        check("log.segment_bytes", &|c| c.log.segment_bytes = 1 << 30);
        check("auth.issuer", &|c| c.auth.jwks_file = Some("keys.json".into()));
        check("auth.jwks_url", &|c| {
            c.auth.issuer = "https://id.example.org".into();
            c.auth.jwks_url = Some("http://id.example.org/keys".into());
        });
        check("auth.sign_acr", &|c| c.auth.sign_acr = vec!["a b".into()]);
        check("auth.pin_chars_min", &|c| c.auth.pin_chars_min = 3);
        check("limits", &|c| c.limits.requests_burst = 0);
        check("logs.level", &|c| c.logs.level = "loud".into());
        check("logs.levels", &|c| {
            c.logs.levels.insert("a,b".into(), "info".into());
        });
        check("traces.endpoint", &|c| c.traces.endpoint = Some("collector:4318".into()));
        check("traces.sampled_per_mille", &|c| c.traces.sampled_per_mille = 1_001);
        let witness = |url: &str, key: &str| WitnessConfig { url: url.into(), key: key.into() };
        // FORMAT.md section 12: keys of a log and of a witness.
        let log = "records.example.org/brackwater/2026+44879021+AYqI4910CfGV/VLbLTy6XXLKZwm/HZQSG/N0iAG0D29c";
        let good = "witness.example.net/w1+0abc1f19+BIE5dw6ofRdfVqNUZsNMfszLjYqRtO43ol32D1uPybOU";
        let url = "https://witness.example.net";
        check("witnesses.url", &|c| c.witnesses = vec![witness("file:///etc", good)]);
        check("witnesses.url", &|c| c.witnesses = vec![witness("https://a@b.example", good)]);
        check("witnesses.key", &|c| c.witnesses = vec![witness(url, log)]);
        check("witnesses.key", &|c| c.witnesses = vec![witness(url, "nobody")]);
        check("witnesses.key", &|c| c.witnesses = vec![witness(url, good), witness(url, good)]);
        let followed = |name: &str, url: &str, key: &str| {
            let (name, url, key) = (name.into(), url.into(), key.into());
            FollowedConfig { name, url, key, token_file: "token".into() }
        };
        let site = "https://records.example.org";
        let follow = |c: &mut Config, logs: Vec<FollowedConfig>| c.following.logs = logs;
        check("following.logs.name", &|c| follow(c, vec![followed("a b", site, log)]));
        check("following.logs.url", &|c| {
            follow(c, vec![followed("north", "http://records.example.org", log)]);
        });
        check("following.logs.key", &|c| follow(c, vec![followed("north", site, good)]));
        check("following.logs.key", &|c| {
            c.log.origin = "records.example.org/brackwater/2026".into();
            follow(c, vec![followed("north", site, log)]);
        });
        check("following.logs.key", &|c| {
            follow(c, vec![followed("north", site, log), followed("south", site, log)]);
        });
        check("following.look_s", &|c| c.following.look_s = 0);
        check("witnessing.quorum", &|c| {
            c.witnesses = vec![witness(url, good)];
            c.witnessing.quorum = 2;
        });
    }

    #[test]
    fn a_typing_error_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("pulverlog.toml");
        std::fs::write(&file, "[listen]\nadress = \"127.0.0.1:1\"\n").unwrap();
        assert!(Config::load(Some(&file)).unwrap_err().to_string().contains("adress"));
        std::fs::write(&file, "[listen]\naddress = \"127.0.0.1:1\"\n").unwrap();
        assert_eq!(Config::load(Some(&file)).unwrap().listen.address.port(), 1);
    }
}
