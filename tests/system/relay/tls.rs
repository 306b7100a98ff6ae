//! The way from the relay to the recorder over TLS: nothing goes to a recorder whose certificate comes
//! from another authority, nor from a relay that the recorder does not know, and nothing is lost meanwhile.

use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use tests::receipts::kept_on_disk;
use tests::recorder::Place;
use tests::relay::{RelayPlace, free_port, machine_event, wait_until};

/// An authority, made for one test, and what it signs.
struct Authority {
    params: rcgen::CertificateParams,
    key: rcgen::KeyPair,
    /// Its own certificate.
    file: PathBuf,
}

/// A certificate and its private key.
struct Paper {
    certificate: PathBuf,
    key: PathBuf,
}

impl Authority {
    fn new(folder: &Path, name: &str) -> Self {
        let mut params = rcgen::CertificateParams::new(vec![]).expect("no names");
        params.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
        // Two authorities of one name must not be taken for each other either.
        params.distinguished_name.push(rcgen::DnType::CommonName, "an authority for a test");
        let key = rcgen::KeyPair::generate().expect("a key");
        let pem = params.self_signed(&key).expect("a certificate").pem();
        let file = write(folder, &format!("{name}.pem"), &pem);
        Self { params, key, file }
    }

    /// A certificate for 127.0.0.1.
    fn sign(&self, folder: &Path, name: &str) -> Paper {
        let key = rcgen::KeyPair::generate().expect("a key");
        let params = rcgen::CertificateParams::new(vec!["127.0.0.1".to_owned()]).expect("names");
        let issuer = rcgen::Issuer::from_params(&self.params, &self.key);
        let certificate = params.signed_by(&key, &issuer).expect("a certificate");
        Paper {
            certificate: write(folder, &format!("{name}.pem"), &certificate.pem()),
            key: write(folder, &format!("{name}.key"), &key.serialize_pem()),
        }
    }
}

fn write(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, text).expect("a file");
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).expect("its mode");
    path
}

#[test]
fn events_go_to_the_recorder_of_the_right_authority_only_and_only_with_the_right_certificate() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = folder.path();
    let [servers, clients, strangers] =
        ["servers", "clients", "strangers"].map(|name| Authority::new(at, name));
    let [server, known, unknown] = [
        servers.sign(at, "recorder"),
        clients.sign(at, "relay"),
        strangers.sign(at, "unknown-relay"),
    ];
    let recorder = Place::new(&at.join("recorder"));
    recorder.configure(&format!(
        "[listen.tls]\ncertificate_file = {:?}\nkey_file = {:?}\nclient_authorities_file = {:?}\n",
        server.certificate, server.key, clients.file
    ));
    let port = free_port();
    let running = recorder.start_at(&format!("127.0.0.1:{port}"));
    let token = recorder.token("svc_relay", &["service"]);
    let relay = |name: &str, url: &str, trusted: Option<&Authority>, shown: Option<&Paper>| {
        let mut lines = String::new();
        if let Some(authority) = trusted {
            lines.push_str(&format!("authorities_file = {:?}\n", authority.file));
        }
        if let Some(Paper { certificate, key }) = shown {
            lines.push_str(&format!("certificate_file = {certificate:?}\nkey_file = {key:?}\n"));
        }
        RelayPlace::new(&at.join(name), url, &token, &lines)
    };
    let url = format!("https://127.0.0.1:{port}");
    let refused = [
        ("the authorities of the web", relay("web", &url, None, Some(&known))),
        ("another authority", relay("other", &url, Some(&strangers), Some(&known))),
        ("no certificate to show", relay("nameless", &url, Some(&servers), None)),
        ("a stranger's certificate", relay("stranger", &url, Some(&servers), Some(&unknown))),
        (
            "another name than the certificate's",
            relay("name", &url.replace("127.0.0.1", "localhost"), Some(&servers), Some(&known)),
        ),
        ("no TLS", relay("clear", &url.replace("https", "http"), Some(&servers), None)),
    ];
    for (why, place) in &refused {
        let relay = place.start();
        let machine = place.machine(&relay);
        let event = machine_event("m", &format!("kept from {why}").replace([' ', '\''], "-"));
        assert!(machine.send(&event), "{why}");
        wait_until(why, || {
            let status = machine.status();
            let reason = &status["delivery"]["reason"];
            status["waiting"] == 1 && (reason == "no-answer" || reason == "stranger")
        });
        relay.stop();
    }

    let good = relay("good", &url, Some(&servers), Some(&known));
    let relay = good.start();
    assert!(good.machine(&relay).send(&machine_event("m", "delivered")));
    good.wait_until_delivered(&relay);
    relay.stop();
    assert!(running.stop().success());
    let ids: Vec<String> = kept_on_disk(&recorder).into_keys().collect();
    let sent: Vec<&String> = ids.iter().filter(|id| !id.starts_with("log-")).collect();
    assert!(sent.iter().any(|id| *id == "delivered"), "{ids:?}");
    assert!(!sent.iter().any(|id| id.starts_with("kept-from")), "{ids:?}");
}
