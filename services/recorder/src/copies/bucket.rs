//! A copy in object storage that speaks the S3 protocol.
//!
//! Objects are put with `If-None-Match: *`, so the store itself refuses to replace one, and with a
//! SHA-256 checksum that it compares. With `lock_days` each carries a retention (object lock), which
//! the bucket must have been made for. Nothing is ever deleted: the credentials need no right to.

use std::path::Path as File;
use std::time::Duration;

use futures_util::TryStreamExt as _;
use ledger::copies::{Put, Vault, VaultError};
use object_store::aws::{AmazonS3, AmazonS3Builder, Checksum, S3ConditionalPut};
use object_store::path::Path;
use object_store::{ClientOptions, HeaderMap, HeaderValue, ObjectStore, ObjectStoreExt as _};
use object_store::{PutMode, PutOptions, RetryConfig};
use serde::Deserialize;

use crate::config::{ConfigError, CopyConfig};
use crate::limits::{COPY_ANSWER_TIME, COPY_CONNECT_TIME, COPY_LOCK_DAYS_MAX};

/// Objects carry a retention counted from about now: so old may that now be.
const LOCK_RENEWED_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * 3_600_000;

/// See the [module](self).
pub(super) struct Bucket {
    /// Waits for answers; a vault is called from a thread of its own.
    waiter: tokio::runtime::Runtime,
    reads: AmazonS3,
    writes: std::sync::Mutex<(AmazonS3, i64)>,
    to: CopyConfig,
    keys: Credentials,
    prefix: Path,
    opened_ms: i64,
    opened: std::time::Instant,
}

/// What the credentials file holds, as TOML.
#[derive(Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Credentials {
    access_key_id: String,
    secret_access_key: String,
    session_token: Option<String>,
}

impl std::fmt::Debug for Bucket {
    /// Shows no credentials, wherever it may be printed.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Bucket").field("prefix", &self.prefix).finish_non_exhaustive()
    }
}

/// Bucket and prefix of `s3://bucket/prefix`.
fn place(address: &str) -> Option<(&str, &str)> {
    let (bucket, prefix) = address.strip_prefix("s3://")?.split_once('/')?;
    let plain = |part: &str| {
        let fits = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-');
        !part.is_empty() && !part.starts_with('.') && part.bytes().all(fits)
    };
    (plain(bucket) && prefix.split('/').all(plain)).then_some((bucket, prefix))
}

/// Values of a destination in a bucket that make no sense.
pub(super) fn check(to: &CopyConfig) -> Result<(), ConfigError> {
    let wrong = |name, what: &str| Err(ConfigError::Value { name, what: what.to_owned() });
    if to.bucket.as_deref().and_then(place).is_none() {
        return wrong(
            "copies.to.bucket",
            "is not `s3://bucket/prefix`; each log has its own prefix",
        );
    }
    if let Some(endpoint) = &to.endpoint {
        let local = ["http://127.0.0.1:", "http://[::1]:"].iter().any(|l| endpoint.starts_with(l));
        if !endpoint.starts_with("https://") && !local {
            return wrong(
                "copies.to.endpoint",
                "is not `https`: records would travel in the clear",
            );
        }
    }
    if to.credentials_file.is_none() {
        return wrong(
            "copies.to.credentials_file",
            "is missing: credentials are never values here",
        );
    }
    if to.lock_days.is_some_and(|days| !(1..=COPY_LOCK_DAYS_MAX).contains(&days)) {
        return wrong("copies.to.lock_days", "is 1 to 36500");
    }
    if !matches!(to.lock_mode.as_str(), "compliance" | "governance") {
        return wrong("copies.to.lock_mode", "is `compliance` or `governance`");
    }
    Ok(())
}

/// Reads the credentials. What is wrong with them is told without showing them.
fn credentials(file: &File) -> Result<Credentials, VaultError> {
    use std::os::unix::fs::MetadataExt as _;
    let name = file.display();
    let failed =
        |error: std::io::Error| VaultError::Failed(format!("cannot read `{name}`: {error}"));
    let mode = std::fs::metadata(file).map_err(failed)?.mode();
    if mode & 0o077 != 0 {
        return Err(VaultError::Failed(format!("`{name}` may be read by others: `chmod 600` it")));
    }
    let text = std::fs::read_to_string(file).map_err(failed)?;
    // The error of the reader would quote the line.
    toml::from_str(&text).map_err(|_| {
        VaultError::Failed(format!(
            "`{name}` is not TOML with `access_key_id`, `secret_access_key` and, if there is one, \
             `session_token`"
        ))
    })
}

impl Bucket {
    /// A copy in the configured bucket. Nobody is asked yet.
    pub(super) fn open(to: &CopyConfig, now_ms: i64) -> Result<Self, VaultError> {
        let failed = |what: String| VaultError::Failed(what);
        let file = to.credentials_file.as_deref();
        let keys = credentials(file.ok_or_else(|| failed("no credentials".to_owned()))?)?;
        let address = to.bucket.as_deref().and_then(place);
        let (_, prefix) = address.ok_or_else(|| failed("no bucket".to_owned()))?;
        let waiter = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let waiter = waiter.map_err(|error| failed(error.to_string()))?;
        let reads = client(to, &keys, None)?;
        let writes = std::sync::Mutex::new((client(to, &keys, Some(now_ms))?, now_ms));
        let (prefix, to) = (Path::from(prefix), to.clone());
        let (opened_ms, opened) = (now_ms, std::time::Instant::now());
        Ok(Self { waiter, reads, writes, to, keys, prefix, opened_ms, opened })
    }

    fn path(&self, name: &str) -> Path {
        Path::from(format!("{}/{name}", self.prefix))
    }

    /// The client for writing, whose retention is counted from about now.
    fn writes(&self) -> Result<AmazonS3, VaultError> {
        let passed = i64::try_from(self.opened.elapsed().as_millis()).unwrap_or(i64::MAX);
        let now_ms = self.opened_ms.saturating_add(passed);
        let mut writes = self.writes.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if self.to.lock_days.is_some() && now_ms - writes.1 >= LOCK_RENEWED_MS {
            *writes = (client(&self.to, &self.keys, Some(now_ms))?, now_ms);
        }
        Ok(writes.0.clone())
    }

    fn trouble(&self, error: &object_store::Error) -> VaultError {
        use object_store::Error as E;
        match error {
            E::PermissionDenied { .. } | E::Unauthenticated { .. } => VaultError::Refused(
                "the credentials are not accepted, or may not do this in that bucket".to_owned(),
            ),
            E::NotFound { .. } => VaultError::Failed("there is no such bucket".to_owned()),
            E::NotImplemented { .. } | E::NotSupported { .. } => {
                VaultError::Failed("the store cannot refuse to replace an object".to_owned())
            }
            other => VaultError::Away(self.without_secrets(other)),
        }
    }

    /// What a store said, short, on one line, and never with what we signed in with.
    fn without_secrets(&self, error: &object_store::Error) -> String {
        let first: Option<&(dyn std::error::Error + 'static)> = Some(error);
        let all = std::iter::successors(first, |error| error.source());
        let mut said = all.map(ToString::to_string).collect::<Vec<_>>().join(": ");
        let Credentials { access_key_id, secret_access_key, session_token } = &self.keys;
        for secret in [Some(access_key_id), Some(secret_access_key), session_token.as_ref()] {
            if let Some(secret) = secret.filter(|secret| !secret.is_empty()) {
                said = said.replace(secret.as_str(), "***");
            }
        }
        let plain = |c: char| if c.is_control() { ' ' } else { c };
        said.chars().map(plain).take(300).collect()
    }
}

/// A client; for writing, with what locks an object.
fn client(
    to: &CopyConfig,
    keys: &Credentials,
    writing_at_ms: Option<i64>,
) -> Result<AmazonS3, VaultError> {
    let failed = |what: &str| VaultError::Failed(what.to_owned());
    let (bucket, _) = to.bucket.as_deref().and_then(place).ok_or_else(|| failed("no bucket"))?;
    let mut options = ClientOptions::new()
        .with_timeout(COPY_ANSWER_TIME)
        .with_connect_timeout(COPY_CONNECT_TIME)
        .with_allow_http(to.endpoint.as_deref().is_some_and(|e| e.starts_with("http://")));
    if let (Some(days), Some(now_ms)) = (to.lock_days, writing_at_ms) {
        let until_ms = now_ms.saturating_add(i64::from(days).saturating_mul(DAY_MS));
        let until =
            chain::time::format_ms(until_ms).map_err(|_| failed("`lock_days` is too far"))?;
        let value = |text: &str| HeaderValue::from_str(text).map_err(|_| failed("no header"));
        let mut headers = HeaderMap::new();
        // A store that locks wants to be told which checksum comes along.
        headers.insert("x-amz-sdk-checksum-algorithm", HeaderValue::from_static("SHA256"));
        headers.insert("x-amz-object-lock-mode", value(&to.lock_mode.to_uppercase())?);
        headers.insert("x-amz-object-lock-retain-until-date", value(&until)?);
        options = options.with_default_headers(headers);
    }
    let mut builder = AmazonS3Builder::new()
        .with_bucket_name(bucket)
        .with_region(&to.region)
        .with_access_key_id(&keys.access_key_id)
        .with_secret_access_key(&keys.secret_access_key)
        .with_conditional_put(S3ConditionalPut::ETagMatch)
        .with_checksum_algorithm(Checksum::SHA256)
        .with_disable_tagging(true)
        // The courier tries again by itself and tells that it does.
        .with_retry(RetryConfig {
            max_retries: 1,
            retry_timeout: Duration::from_secs(5),
            ..RetryConfig::default()
        })
        .with_client_options(options);
    if let Some(endpoint) = &to.endpoint {
        builder = builder.with_endpoint(endpoint.trim_end_matches('/'));
    }
    if let Some(token) = &keys.session_token {
        builder = builder.with_token(token);
    }
    builder.build().map_err(|_| failed("the bucket cannot be reached as it is configured"))
}

impl Vault for Bucket {
    fn put_new(&self, name: &str, bytes: &[u8]) -> Result<Put, VaultError> {
        let options = PutOptions { mode: PutMode::Create, ..PutOptions::default() };
        let (writes, path) = (self.writes()?, self.path(name));
        let put = writes.put_opts(&path, bytes.to_vec().into(), options);
        match self.waiter.block_on(put) {
            Ok(_) => Ok(Put::Kept),
            Err(object_store::Error::AlreadyExists { .. }) => Ok(Put::WasThere),
            Err(error) => Err(self.trouble(&error)),
        }
    }

    fn get(&self, name: &str) -> Result<Option<Vec<u8>>, VaultError> {
        let path = self.path(name);
        let got = self.waiter.block_on(async { self.reads.get(&path).await?.bytes().await });
        match got {
            Ok(bytes) => Ok(Some(bytes.to_vec())),
            Err(object_store::Error::NotFound { .. }) => Ok(None),
            Err(error) => Err(self.trouble(&error)),
        }
    }

    fn list(&self, folder: &str, after: &str) -> Result<Vec<String>, VaultError> {
        let prefix = self.path(folder.trim_end_matches('/'));
        let found = match after {
            "" => self.reads.list(Some(&prefix)),
            after => self.reads.list_with_offset(Some(&prefix), &self.path(after)),
        };
        let found: Vec<_> = self
            .waiter
            .block_on(found.map_ok(|object| object.location).try_collect())
            .map_err(|error| self.trouble(&error))?;
        let root = format!("{}/", self.prefix);
        let name = |path: Path| path.as_ref().strip_prefix(&root).map(str::to_owned);
        let mut names: Vec<String> = found.into_iter().filter_map(name).collect();
        names.sort_unstable();
        Ok(names)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_of_buckets() {
        assert_eq!(place("s3://copies/north/2026"), Some(("copies", "north/2026")));
        for bad in ["copies/north", "s3://copies", "s3:///north", "s3://copies/", "s3://c/../d"] {
            assert_eq!(place(bad), None, "{bad}");
        }
    }

    #[test]
    fn bad_credentials_are_told_of_without_showing_them() {
        use std::os::unix::fs::PermissionsExt as _;
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("keys.toml");
        let mode = |mode| std::fs::set_permissions(&file, std::fs::Permissions::from_mode(mode));
        std::fs::write(&file, "access_key_id = \"abc\"\nsecret = \"hush-hush\"\n").unwrap();
        mode(0o644).unwrap();
        let error = credentials(&file).err().unwrap().to_string();
        assert!(error.contains("chmod 600"), "{error}");
        mode(0o600).unwrap();
        let error = credentials(&file).err().unwrap().to_string();
        assert!(error.contains("secret_access_key") && !error.contains("hush"), "{error}");
    }
}
