//! Each attack of the threat model that is said to be noticed, and what notices it; and each that is
//! said to go unnoticed, so that nobody promises more than holds.

#[path = "trust/excerpt.rs"]
mod excerpt;
#[path = "trust/forge.rs"]
mod forge;
#[path = "trust/interop.rs"]
mod interop;
#[path = "trust/opening.rs"]
mod opening;
#[path = "trust/paper.rs"]
mod paper;
#[path = "trust/shop.rs"]
mod shop;
#[path = "trust/succession.rs"]
mod succession;

use std::process::Command;

use chain::canon::Value as CanonValue;
use chain::note::{Ed25519Signer, Note};
use forge::Forger;
use serde_json::json;
use shop::{ORIGIN, Shop, WITNESS, copy, size_of};
use tests::programs::{printed, program, run};
use tests::recorder::event;
use tests::witness::WitnessPlace;

const HOUR_MS: i64 = 3_600_000;

/// Changes what a meter showed: the nicer history of whoever wants one.
fn nicer(entry: &mut chain::entry::Entry) {
    let text = String::from_utf8(chain::canon::to_bytes(&entry.event)).expect("text");
    let nicer: CanonValue =
        chain::canon::parse(text.replace("\"12.5\"", "\"99.5\"").as_bytes()).expect("an event");
    entry.event = nicer;
}

fn post(url: &str, body: &str) -> (u16, String) {
    let agent = ureq::Agent::new_with_config(
        ureq::Agent::config_builder().http_status_as_error(false).build(),
    );
    let mut answer = agent.post(format!("{url}/add-checkpoint")).send(body).expect("an answer");
    (answer.status().as_u16(), answer.body_mut().read_to_string().expect("text"))
}

#[test]
fn a_witnessed_log_is_sound_and_says_who_covers_it() {
    let shop = Shop::open(20);
    let evidence = shop.evidence("sound");
    assert_eq!(evidence.fault(), (0, None, None));
    let (_, verdict) = evidence.audit(&[]);
    assert_eq!(verdict["witnesses"].as_array().map(Vec::len), Some(1), "{verdict}");
    assert_eq!(verdict["not_covered_outside"], 0, "{verdict}");
    assert_eq!(verdict["replay"]["anchors"], 1, "{verdict}");
    let ready = shop.auditor().get("/readyz").expect("an answer").json();
    assert!(ready["unwitnessed_entries"].as_u64() <= Some(1), "{ready}");
    // Read live over the tile interface, with keys brought along, it is the same log.
    let keys = evidence.path("keys.txt");
    let policy = evidence.path("policy.txt");
    let token = shop.folder.path().join("token");
    std::fs::write(&token, shop.place.token("op_auditor", &["auditor"])).expect("a file");
    let live = run(Command::new(program("auditor"))
        .args(["check", shop.base(), "--keys"])
        .arg(keys)
        .arg("--policy")
        .arg(policy)
        .arg("--token-file")
        .arg(token));
    assert!(live.status.success(), "{}", printed(&live));
}

#[test]
fn an_edited_record_is_seen_by_anybody_who_checks() {
    let shop = Shop::open(20);
    let evidence = shop.evidence("sound");
    let edited = evidence.text("entries.ndjson").replacen("\"12.5\"", "\"99.5\"", 1);
    let note = evidence.get(&format!("checkpoints/{}.note", size_of(&shop.remembered())));
    let seq = edited.lines().position(|line| line.contains("99.5")).expect("the edit") as u64;
    let edited = evidence.with("edited", edited.as_bytes(), &note);
    assert_eq!(edited.fault(), (1, Some("altered".to_owned()), Some(seq)));
}

#[test]
fn a_recomputed_history_is_seen_by_what_was_held_outside_and_by_nothing_else() {
    let shop = Shop::open(20);
    let receipt = shop.read_meter("with-receipt");
    shop.wait_until_covered();
    let evidence = shop.evidence("sound");
    let held = shop.folder.path().join("held.note");
    std::fs::write(&held, shop.remembered()).expect("a file");
    let seq = receipt["seq"].as_u64().expect("a number");

    let mut forger = Forger::new(&shop.place.data(), ORIGIN, &evidence.get("entries.ndjson"));
    forger.rewrite(usize::try_from(seq).expect("small"), nicer);
    let forged = evidence.with("forged", &forger.entries(), forger.checkpoint().as_bytes());
    let own_policy = evidence.path("policy.txt");
    let own_policy = own_policy.to_str().expect("text");

    // The policy asks for a witness, and none has cosigned this.
    assert_eq!(forged.fault(), (1, Some("quorum".to_owned()), Some(0)));
    // A forger brings a policy that asks for nobody: believed as it came, nothing shows it. The
    // audit says how much nobody outside covers, which is everything.
    forged.put("policy.txt", b"quorum none\n");
    let (code, verdict) = forged.audit(&[]);
    assert_eq!((code, verdict["not_covered_outside"].as_u64()), (0, verdict["entries"].as_u64()));
    assert_eq!(forged.audit(&["--policy", own_policy]).1["fault"], "quorum");
    // A checkpoint from the witness, an earlier audit or a sheet of paper shows it ...
    let (code, verdict) = forged.audit(&["--checkpoint", held.to_str().expect("text")]);
    assert_eq!((code, verdict["fault"].as_str()), (1, Some("split-view")), "{verdict}");
    let note =
        run(Command::new(program("auditor")).args(["note", "--in"]).args([&forged.folder, &held]));
    assert_eq!(note.status.code(), Some(1), "{}", printed(&note));
    let note = run(Command::new(program("auditor"))
        .args(["note", "--in"])
        .args([&evidence.folder, &held]));
    assert!(note.status.success(), "{}", printed(&note));
    // ... and so does the receipt of a client.
    let kept = shop.folder.path().join("receipts.json");
    std::fs::write(&kept, receipt.to_string()).expect("a file");
    let (code, verdict) = forged.audit(&["--receipts", kept.to_str().expect("text")]);
    assert_eq!((code, verdict["fault"].as_str()), (1, Some("receipt")), "{verdict}");
    assert_eq!(verdict["seq"].as_u64(), Some(seq));
}

#[test]
fn a_cut_tail_is_seen_by_a_later_checkpoint_and_by_nothing_else() {
    let shop = Shop::open(20);
    let evidence = shop.evidence("sound");
    let held = shop.folder.path().join("held.note");
    std::fs::write(&held, shop.remembered()).expect("a file");
    let mut forger = Forger::new(&shop.place.data(), ORIGIN, &evidence.get("entries.ndjson"));
    forger.lines.truncate(10);
    let cut = evidence.with("cut", &forger.entries(), forger.checkpoint().as_bytes());
    cut.put("policy.txt", b"quorum none\n");
    assert_eq!(cut.fault(), (0, None, None));
    let (code, verdict) = cut.audit(&["--checkpoint", held.to_str().expect("text")]);
    assert_eq!(
        (code, verdict["fault"].as_str(), verdict["seq"].as_u64()),
        (1, Some("tail-cut"), Some(10))
    );
}

#[test]
fn a_witness_refuses_a_second_history_and_keeps_the_evidence() {
    let shop = Shop::open(20);
    let evidence = shop.evidence("sound");
    let size = size_of(&shop.remembered());
    let mut forger = Forger::new(&shop.place.data(), ORIGIN, &evidence.get("entries.ndjson"));
    forger.lines.truncate(usize::try_from(size).expect("small"));
    forger.rewrite(5, nicer);
    // The same size with another root.
    assert_eq!(post(shop.witness_url(), &forger.request(size)), (409, format!("{size}\n")));
    // A larger one that does not extend what was cosigned.
    let now_ms = forger.now_ms();
    forger.own("access.refused", json!({ "operation": "readEntry", "roles": [] }), now_ms);
    assert_eq!(post(shop.witness_url(), &forger.request(size)).0, 422);
    // A smaller one.
    forger.lines.truncate(10);
    assert_eq!(post(shop.witness_url(), &forger.request(5)), (409, format!("{size}\n")));

    let key = shop.log_key.parse().expect("the log's key");
    let mut refused = 0;
    for file in std::fs::read_dir(shop.witness_place.memory()).expect("a folder") {
        let path = file.expect("a file").path();
        if path.extension().is_some_and(|e| e == "refused") {
            let note = std::fs::read(&path).expect("a note");
            Note::parse(&note).expect("a note").verify([&key]).expect("signed by the log itself");
            refused += 1;
        }
    }
    assert_eq!(refused, 2, "both second histories are kept, signed by the log");
    assert_eq!(size_of(&shop.remembered()), size, "what was cosigned stays");
    // Two histories, one a reader: whoever compares two checkpoints of one size sees it.
    let mut forger = Forger::new(&shop.place.data(), ORIGIN, &evidence.get("entries.ndjson"));
    forger.rewrite(5, nicer);
    evidence.put("checkpoints/other.note", forger.checkpoint().as_bytes());
    let (code, fault, _) = evidence.fault();
    assert_eq!((code, fault.as_deref()), (1, Some("split-view")));
}

#[test]
fn an_old_copy_of_the_data_is_not_written_to() {
    let mut shop = Shop::open(5);
    shop.stop();
    let (data, old) = (shop.place.data(), shop.folder.path().join("old"));
    copy(&data, &old);
    shop.start();
    shop.read_meter("after-the-copy");
    shop.wait_until_covered();
    shop.stop();
    let newer = shop.folder.path().join("newer");
    std::fs::rename(&data, &newer).expect("moved away");

    // The whole directory was put back, watermark and all: only the witness knows better.
    copy(&old, &data);
    shop.start();
    let ready = shop.auditor().get("/readyz").expect("an answer");
    assert_eq!(ready.status, 503);
    assert!(ready.text().contains("was an old copy put back?"), "{}", ready.text());
    let data_json = json!({ "meter": "run", "reading": { "value": "1.0", "unit": "h" } });
    let refused =
        event("x", "meter.read", "equipment/S-02", "2026-03-05T14:07:00+01:00", data_json);
    let answer = shop.api("svc_mes", &["service"]).record(&refused).expect("an answer");
    assert_eq!(answer.status, 503, "{}", answer.text());
    shop.stop();

    // The last signed head lies on another disk and was not put back: the recorder itself knows.
    std::fs::remove_dir_all(&data).expect("removed");
    copy(&old, &data);
    std::fs::remove_dir_all(data.join("head")).expect("removed");
    copy(&newer.join("head"), &data.join("head"));
    shop.start();
    let answer = shop.api("svc_mes", &["service"]).record(&refused).expect("an answer");
    assert_eq!(answer.status, 503, "{}", answer.text());
    assert_eq!(shop.auditor().get("/readyz").expect("an answer").status, 503);
    shop.stop();

    // The right data, put back: nothing stands in the way.
    std::fs::remove_dir_all(&data).expect("removed");
    copy(&newer, &data);
    shop.start();
    assert_eq!(shop.auditor().get("/readyz").expect("an answer").status, 200);
}

#[test]
fn cosignatures_of_strangers_and_of_other_checkpoints_do_not_count() {
    let shop = Shop::open(5);
    let first = shop.remembered();
    shop.read_meter("more");
    shop.wait_until_covered();
    let evidence = shop.evidence("sound");
    let entries = evidence.get("entries.ndjson");
    let newest = Note::parse(&shop.remembered()).expect("a note");
    let line_by = |note: &Note, name: &str| {
        let line = note.signatures.iter().find(|line| line.name == name);
        line.expect("a signature line").clone()
    };
    let by_log = line_by(&newest, ORIGIN);
    let with = |line| Note { text: newest.text.clone(), signatures: vec![by_log.clone(), line] };

    // A stranger under the witness's name: its key has another id, so the line counts for nothing.
    let stranger = Ed25519Signer::witness(WITNESS, &[9; 32]).expect("a key");
    let line = chain::checkpoint::cosign(&newest.text, 1_800_000_000, &stranger);
    let note = with(line.clone()).to_string();
    let foreign = evidence.with("foreign", &entries, note.as_bytes());
    assert_eq!(foreign.fault(), (1, Some("quorum".to_owned()), Some(0)));
    // The same with the witness's key id written over it.
    let own_id = line_by(&newest, WITNESS).key_id;
    let note = with(chain::note::SignatureLine { key_id: own_id, ..line }).to_string();
    let dressed = evidence.with("dressed", &entries, note.as_bytes());
    assert_eq!(dressed.fault().1.as_deref(), Some("checkpoint-signature"));
    // A true cosignature of an earlier checkpoint.
    let note = with(line_by(&Note::parse(&first).expect("a note"), WITNESS)).to_string();
    let replayed = evidence.with("replayed", &entries, note.as_bytes());
    assert_eq!(replayed.fault().1.as_deref(), Some("checkpoint-signature"));
}

#[test]
fn entries_dated_outside_their_bracket_are_told() {
    let shop = Shop::open(5);
    let evidence = shop.evidence("sound");
    // Without the anchor that the log kept itself: over another history it would tell by its root.
    let only_shop = |forger: &mut Forger| {
        forger.lines.truncate(6);
        forger.lines.retain(|line| !String::from_utf8_lossy(line).contains("anchor.kept"));
    };
    let second = WitnessPlace::new(&shop.folder.path().join("second"), "witness.example.net/w2");
    let running = second.start(&[&shop.log_key], None);
    let keys = format!("{}\n{}\n", shop.log_key, second.key);
    let ask = |forger: &Forger, old: u64| {
        let (status, line) = post(&running.url, &forger.request(old));
        assert_eq!(status, 200, "{line}");
        format!("{}{line}", forger.checkpoint())
    };
    // The clock of the log stood two hours back: everything is linked, signed and cosigned, but an
    // anchor is said to be older than the cosignature in it.
    let mut forger = Forger::new(&shop.place.data(), ORIGIN, &evidence.get("entries.ndjson"));
    only_shop(&mut forger);
    forger.rewrite(0, |entry| entry.recorded_at_ms -= 2 * HOUR_MS);
    let anchor = ask(&forger, 0);
    let kept = forger.lines.len() as u64;
    let now_ms = forger.now_ms();
    forger.own("anchor.kept", json!({ "note": anchor }), now_ms);
    let note = ask(&forger, kept);
    let back = evidence.with("back", &forger.entries(), note.as_bytes());
    back.put("keys.txt", keys.as_bytes());
    back.put("policy.txt", b"quorum none\n");
    let (code, verdict) = back.audit(&[]);
    assert_eq!((code, verdict["seq"].as_u64()), (1, Some(kept)), "{verdict}");
    assert_eq!(verdict["differences"][0]["about"], "recorded time");

    // Entries dated after the witness saw them.
    let now_ms = forger.now_ms() + 4 * HOUR_MS;
    forger.own("access.refused", json!({ "operation": "readEntry", "roles": [] }), now_ms);
    forger.lines.remove(usize::try_from(kept).expect("small"));
    forger.rewrite(usize::try_from(kept).expect("small"), |_| {});
    let third = WitnessPlace::new(&shop.folder.path().join("third"), "witness.example.net/w3");
    let running = third.start(&[&shop.log_key], None);
    let (status, line) = post(&running.url, &forger.request(0));
    assert_eq!(status, 200, "{line}");
    let note = format!("{}{line}", forger.checkpoint());
    let ahead = evidence.with("ahead", &forger.entries(), note.as_bytes());
    ahead.put("keys.txt", format!("{}\n{}\n", shop.log_key, third.key).as_bytes());
    ahead.put("policy.txt", b"quorum none\n");
    let (code, verdict) = ahead.audit(&[]);
    assert_eq!((code, verdict["seq"].as_u64()), (1, Some(kept)), "{verdict}");
}

#[test]
fn the_log_works_on_without_its_witness_and_says_so() {
    let mut shop = Shop::open(3);
    shop.kill_witness();
    shop.read_meter("while-away");
    let anchors = shop.auditor().get("/v1/anchors").expect("an answer").json();
    assert!(anchors["uncovered_entries"].as_u64() >= Some(1), "{anchors}");
    assert!(anchors["uncovered_since"].is_string(), "{anchors}");
    let metrics = shop.api("op_admin", &["admin"]).get("/metrics").expect("an answer").text();
    let uncovered = metrics.lines().find(|line| line.starts_with("pulverlog_uncovered_entries "));
    assert_ne!(uncovered, Some("pulverlog_uncovered_entries 0"), "{metrics}");
    // It comes back with its memory: a restart of the recorder asks it at once.
    shop.stop();
    shop.start_witness();
    shop.start();
    shop.wait_until_covered();
}
