//! Authorities made for one test, and the certificates they sign.

use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use anyhow::Result;

/// An authority.
#[derive(Debug)]
pub struct Authority {
    params: rcgen::CertificateParams,
    key: rcgen::KeyPair,
    folder: PathBuf,
    /// Its own certificate, as PEM.
    pub file: PathBuf,
}

/// A certificate and its private key, as PEM.
#[derive(Debug)]
pub struct Paper {
    /// The certificate.
    pub certificate: PathBuf,
    /// The key, for its owner's eyes only.
    pub key: PathBuf,
}

impl Authority {
    /// An authority whose papers lie in `folder`.
    ///
    /// # Errors
    /// If one cannot be made or written.
    pub fn new(folder: &Path, name: &str) -> Result<Self> {
        let mut params = rcgen::CertificateParams::new(vec![])?;
        params.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
        // Two authorities of one name must not be taken for each other either.
        params.distinguished_name.push(rcgen::DnType::CommonName, "an authority for a test");
        let key = rcgen::KeyPair::generate()?;
        let pem = params.self_signed(&key)?.pem();
        let file = write(folder, &format!("{name}.pem"), &pem)?;
        Ok(Self { params, key, folder: folder.to_owned(), file })
    }

    /// A certificate for a host, kept under `name`.
    ///
    /// # Errors
    /// If it cannot be made or written.
    pub fn sign(&self, name: &str, host: &str) -> Result<Paper> {
        let key = rcgen::KeyPair::generate()?;
        let params = rcgen::CertificateParams::new(vec![host.to_owned()])?;
        let issuer = rcgen::Issuer::from_params(&self.params, &self.key);
        let certificate = params.signed_by(&key, &issuer)?;
        Ok(Paper {
            certificate: write(&self.folder, &format!("{name}.pem"), &certificate.pem())?,
            key: write(&self.folder, &format!("{name}.key"), &key.serialize_pem())?,
        })
    }
}

fn write(folder: &Path, name: &str, text: &str) -> Result<PathBuf> {
    let path = folder.join(name);
    std::fs::write(&path, text)?;
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600))?;
    Ok(path)
}
