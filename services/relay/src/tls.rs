//! TLS at the door, by rustls: versions 1.2 and 1.3 with its default suites.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{ClientConfig, RootCertStore, ServerConfig};

use crate::config::{Tls, secret};

/// What the door offers.
///
/// # Errors
/// When a file cannot be used.
pub fn server_config(tls: &Tls) -> Result<ServerConfig> {
    let builder = ServerConfig::builder();
    let builder = match &tls.client_authorities_file {
        None => builder.with_no_client_auth(),
        Some(file) => {
            let verifier = WebPkiClientVerifier::builder(Arc::new(authorities(file)?));
            builder.with_client_cert_verifier(verifier.build()?)
        }
    };
    let shown = tls.key_file.display();
    let key = PrivateKeyDer::from_pem_slice(secret(&tls.key_file)?.as_bytes())
        .with_context(|| format!("`{shown}` holds no private key"))?;
    builder
        .with_single_cert(certificates(&tls.certificate_file)?, key)
        .context("certificate and key of the door cannot be used")
}

/// What is asked of a server whose certificate comes from these authorities.
///
/// # Errors
/// When the file cannot be used.
pub fn client_config(authorities_file: &Path) -> Result<ClientConfig> {
    let roots = authorities(authorities_file)?;
    Ok(ClientConfig::builder().with_root_certificates(roots).with_no_client_auth())
}

fn authorities(file: &Path) -> Result<RootCertStore> {
    let mut roots = RootCertStore::empty();
    for authority in certificates(file)? {
        roots
            .add(authority)
            .with_context(|| format!("an authority in `{}` cannot be used", file.display()))?;
    }
    Ok(roots)
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>> {
    CertificateDer::pem_file_iter(file)
        .and_then(Iterator::collect)
        .with_context(|| format!("`{}` holds no certificates", file.display()))
}
