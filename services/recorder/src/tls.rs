//! TLS by rustls: versions 1.2 and 1.3 with its default suites, and client certificates on demand.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::sync::Arc;

use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig};

use crate::config::TlsConfig;

/// TLS that cannot be offered.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file cannot be read as PEM.
    #[error("`{name}` holds no usable PEM: {what}")]
    Pem {
        /// The file.
        name: String,
        /// What is wrong.
        what: String,
    },
    /// Everybody may read the private key.
    #[error("`{name}` may be read by everybody (mode {mode:04o}): `chmod o-rwx` it")]
    Open {
        /// The file.
        name: String,
        /// Its permission bits.
        mode: u32,
    },
    /// Certificate and key do not belong together, or an authority cannot be used.
    #[error("certificate and key cannot be used")]
    Use(#[source] rustls::Error),
    /// The authorities for client certificates.
    #[error("the authorities for client certificates cannot be used")]
    Authorities(#[source] rustls::server::VerifierBuilderError),
}

/// What the service offers.
///
/// # Errors
/// [`TlsError`].
pub fn server_config(tls: &TlsConfig) -> Result<ServerConfig, TlsError> {
    let key_file = &tls.key_file;
    let mode = fs::metadata(key_file).map_err(pem(key_file))?.mode() & 0o7777;
    if mode & 0o007 != 0 {
        return Err(TlsError::Open { name: key_file.display().to_string(), mode });
    }
    let chain = certificates(&tls.certificate_file)?;
    let key = PrivateKeyDer::from_pem_file(key_file).map_err(pem(key_file))?;
    let builder = ServerConfig::builder();
    let builder = match &tls.client_authorities_file {
        None => builder.with_no_client_auth(),
        Some(file) => {
            let mut roots = RootCertStore::empty();
            for authority in certificates(file)? {
                roots.add(authority).map_err(TlsError::Use)?;
            }
            let verifier = WebPkiClientVerifier::builder(Arc::new(roots));
            builder.with_client_cert_verifier(verifier.build().map_err(TlsError::Authorities)?)
        }
    };
    builder.with_single_cert(chain, key).map_err(TlsError::Use)
}

/// When the first of the certificates in a chain ends, in seconds since 1970.
///
/// # Errors
/// [`TlsError::Pem`].
pub fn end_s(file: &Path) -> Result<i64, TlsError> {
    let mut ends = Vec::new();
    for certificate in certificates(file)? {
        let (_, read) = x509_parser::parse_x509_certificate(&certificate).map_err(pem(file))?;
        ends.push(read.validity().not_after.timestamp());
    }
    ends.into_iter().min().ok_or("there is no certificate").map_err(pem(file))
}

/// How many certificates a file holds.
///
/// # Errors
/// [`TlsError::Pem`].
pub fn certificates_in(file: &Path) -> Result<usize, TlsError> {
    certificates(file).map(|certificates| certificates.len())
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    CertificateDer::pem_file_iter(file).and_then(Iterator::collect).map_err(pem(file))
}

fn pem<E: std::fmt::Display>(file: &Path) -> impl FnOnce(E) -> TlsError + '_ {
    move |error| TlsError::Pem { name: file.display().to_string(), what: error.to_string() }
}
