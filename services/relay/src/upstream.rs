//! The way to the recorder: HTTP with the relay's token.

use std::io::Read as _;
use std::path::PathBuf;

use anyhow::{Context as _, Result, ensure};
use ureq::tls::{Certificate, ClientCert, PemItem, PrivateKey, RootCerts, TlsConfig, parse_pem};

use crate::answer::Response;
use crate::config::{self, Recorder};
use crate::courier::{Shipment, Upstream};
use crate::limits::{ANSWER_BYTES_MAX, ANSWER_TIME_MAX, CONNECT_TIME_MAX, TOKEN_BYTES_MAX};
use crate::wire::SIGNATURE_HEADER;

/// A recorder behind an address.
#[derive(Debug)]
pub struct Http {
    agent: ureq::Agent,
    events: String,
    token_file: PathBuf,
}

impl Http {
    /// Prepares the way; nothing is sent yet.
    ///
    /// # Errors
    /// When the certificates cannot be read.
    pub fn new(recorder: &Recorder) -> Result<Self> {
        let mut tls = TlsConfig::builder();
        if let Some(file) = &recorder.authorities_file {
            tls = tls.root_certs(RootCerts::new_with_certs(&certificates(file)?));
        }
        if let (Some(chain), Some(key)) = (&recorder.certificate_file, &recorder.key_file) {
            let shown = key.display();
            let key = PrivateKey::from_pem(config::secret(key)?.as_bytes())
                .with_context(|| format!("`{shown}` holds no private key"))?;
            tls = tls.client_cert(Some(ClientCert::new_with_certs(&certificates(chain)?, key)));
        }
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .timeout_global(Some(ANSWER_TIME_MAX))
            .timeout_connect(Some(CONNECT_TIME_MAX))
            .user_agent(concat!("pulverlog-relay/", env!("CARGO_PKG_VERSION")))
            .tls_config(tls.build())
            .build()
            .into();
        Ok(Self {
            agent,
            events: format!("{}/v1/events", recorder.url.trim_end_matches('/')),
            token_file: recorder.token_file.clone(),
        })
    }

    /// The token as it stands in its file now.
    fn token(&self) -> Result<String> {
        let token = config::secret(&self.token_file)?;
        let formed = (1..=TOKEN_BYTES_MAX).contains(&token.len())
            && token.bytes().all(|b| b.is_ascii_graphic());
        ensure!(formed, "`{}` holds no token", self.token_file.display());
        Ok(token)
    }
}

fn certificates(file: &std::path::Path) -> Result<Vec<Certificate<'static>>> {
    let shown = file.display();
    let pem = std::fs::read(file).with_context(|| format!("could not read `{shown}`"))?;
    let mut found = Vec::new();
    for item in parse_pem(&pem) {
        if let PemItem::Certificate(certificate) =
            item.with_context(|| format!("`{shown}` is no PEM"))?
        {
            found.push(certificate);
        }
    }
    ensure!(!found.is_empty(), "`{shown}` holds no certificate");
    Ok(found)
}

impl Upstream for Http {
    fn post(&mut self, shipment: &Shipment) -> Result<Response, String> {
        let token = self.token().map_err(|error| format!("{error:#}"))?;
        let mut request = self
            .agent
            .post(&self.events)
            .header("authorization", format!("Bearer {token}"))
            .header("content-type", shipment.media_type);
        if let Some(prefer) = &shipment.prefer {
            request = request.header("prefer", prefer);
        }
        if let Some(signature) = &shipment.signature {
            request = request.header(SIGNATURE_HEADER, signature);
        }
        let mut answer = request.send(&shipment.body[..]).map_err(|error| error.to_string())?;
        let header = |name| answer.headers().get(name).and_then(|value| value.to_str().ok());
        let media_type = header("content-type").unwrap_or_default();
        let media_type =
            media_type.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
        let retry_after = header("retry-after").map(str::to_owned);
        let status = answer.status().as_u16();
        let mut body = Vec::new();
        answer
            .body_mut()
            .as_reader()
            .take(ANSWER_BYTES_MAX)
            .read_to_end(&mut body)
            .map_err(|error| format!("the answer broke off: {error}"))?;
        Ok(Response { status, media_type, retry_after, body })
    }
}
