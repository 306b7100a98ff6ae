//! Events that a terminal signed: the relay hands them on as they are, and the signature is good in the log.

use std::process::Command;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as B64;
use chain::checkpoint::event_message;
use chain::note::{Ed25519Signer, Signer as _};
use serde_json::{Value, json};
use tests::programs::{printed, program, run};
use tests::recorder::Running;
use tests::relay::{Machine, machine_event, wait_until};

use super::Shop;

const ORIGIN: &str = "records.brackwater.example/test";

/// `Pulverlog-Signature` of an event. The canonical form of the profile is sorted compact JSON.
fn signature(signer: &Ed25519Signer, event: &Value) -> String {
    let message = event_message(ORIGIN, event.to_string().as_bytes());
    format!("{};{}", signer.verifier().label(), B64.encode(signer.sign(&message)))
}

/// Enrols the key of a terminal: one person asks, another one stands for it.
fn enrol(shop: &Shop, recorder: &Running, signer: &Ed25519Signer) {
    let office = |subject: &str, role: &str, name: &str, about: &str, data: Value| {
        let event = json!({
            "specversion": "1.0", "id": name, "source": "/office", "time": "2026-03-05T14:07:00+01:00",
            "type": format!("pulverlog.{name}"), "subject": about, "data": data,
        });
        let api = recorder.client(&shop.recorder.token(subject, &[role]));
        let answer = api.record(&event).expect("an answer");
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()
    };
    let key = json!({
        "key": signer.vkey(), "usage": "client", "owner": "terminal-1", "approved_by": "op_lead",
    });
    let enrolled = office("op_admin", "admin", "key.enrolled", "log/self", key);
    let about = format!("entry/{}", enrolled["seq"]);
    office("op_lead", "lead", "entry.signed", &about, json!({ "meaning": "approved" }));
}

fn send(machine: &Machine, event: &Value, signature: &str) {
    let headers = [("pulverlog-signature", signature)];
    let body = event.to_string();
    let answer =
        machine.api.post("/v1/events", "application/cloudevents+json", &headers, body.as_bytes());
    let answer = answer.expect("an answer");
    assert_eq!(answer.status, 202, "{}", answer.text());
}

#[test]
fn a_signature_of_a_terminal_goes_through_the_relay_and_verifies_in_the_log() {
    let folder = tempfile::tempdir().expect("a folder");
    let shop = Shop::new(folder.path(), "");
    let signer = Ed25519Signer::new("terminal-1", &[7; 32]).expect("a key");
    let recorder = shop.start_recorder();
    enrol(&shop, &recorder, &signer);
    // The recorder is away while the terminal signs: the relay keeps the signature with its event.
    assert!(recorder.stop().success());
    let relay = shop.relay.start();
    let machine = shop.relay.machine(&relay);
    let event = machine_event("terminal", "signed");
    let mut other = machine_event("terminal", "changed-on-the-way");
    let of_other = signature(&signer, &other);
    other["data"]["reading"]["value"] = json!("99");
    send(&machine, &event, &signature(&signer, &event));
    send(&machine, &other, &of_other);
    relay.kill();
    let relay = shop.relay.start();
    let recorder = shop.start_recorder();
    shop.relay.wait_until_delivered(&relay);
    wait_until("the changed event is refused", || {
        shop.relay.machine(&relay).status()["refused"] == 1
    });
    let listed = shop.relay.say(&["refused", "list"]);
    assert!(listed.contains("bad-signature"), "{listed}");
    relay.stop();

    // In the log: who signed, and a signature over the event's bytes as they stand there.
    let auditor = recorder.client(&shop.recorder.token("op_audit", &["auditor"]));
    let page = auditor.get("/v1/feed?limit=1000").expect("a page").json();
    let items = page["items"].as_array().expect("items");
    let id = |item: &&Value| item["entry"]["event"]["id"] == "signed";
    let entry = &items.iter().find(id).expect("the event is recorded")["entry"];
    assert_eq!(entry["actor"]["id"], "svc_relay", "{entry}");
    assert_eq!(entry["sig"]["by"], signer.verifier().label(), "{entry}");
    let bytes = entry["event"].to_string();
    let value = B64.decode(entry["sig"]["value"].as_str().expect("text")).expect("base64");
    let value: [u8; 64] = value.try_into().expect("64 bytes");
    assert!(signer.verifier().verify(&event_message(ORIGIN, bytes.as_bytes()), &value), "{entry}");
    assert!(!items.iter().any(|item| item["entry"]["event"]["id"] == "changed-on-the-way"));

    // And by the auditor, who knows from the log alone whose key it is.
    assert!(recorder.stop().success());
    let bundle = folder.path().join("bundle");
    let export = run(&mut shop.recorder.command(&["export", bundle.to_str().expect("text")]));
    assert!(export.status.success(), "{}", printed(&export));
    let audit = run(Command::new(program("auditor")).args(["check", "--json"]).arg(&bundle));
    let verdict: Value = serde_json::from_slice(&audit.stdout).expect("one JSON object");
    assert_eq!(audit.status.code(), Some(0), "{verdict}");
    let count = |name: &str| verdict[name].as_u64().expect("a number");
    assert_eq!(count("entries") - count("without_client_signature"), 1, "{verdict}");
    assert_eq!(count("signed_by_unknown_key"), 0, "{verdict}");
}
