//! A recorder with a witness, and what an auditor takes away from it.

use std::path::{Path, PathBuf};
use std::process::Command;

use chain::tile::{Tile, TileKind};
use serde_json::{Value, json};
use tests::programs::{program, run, workspace};
use tests::recorder::{Client, Place, Running, event};
use tests::witness::{RunningWitness, WitnessPlace};

pub(super) const ORIGIN: &str = "records.brackwater.example/test";
pub(super) const WITNESS: &str = "witness.example.net/w1";
/// How often it is asked whether the witness has cosigned: some ten seconds of asking.
const TRIES_MAX: usize = 20_000;

/// A recorder, its witness, and events.
pub(super) struct Shop {
    pub(super) folder: tempfile::TempDir,
    pub(super) place: Place,
    pub(super) witness_place: WitnessPlace,
    witness: Option<RunningWitness>,
    address: String,
    pub(super) log_key: String,
    running: Option<Running>,
}

impl Shop {
    /// Opens a shop and records so many readings, which its witness covers.
    pub(super) fn open(readings: u64) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let place = Place::new(folder.path());
        let first = place.start();
        let keys = first.client("").get("/log/keys").expect("keys").text();
        assert!(first.stop().success());
        let log_key = keys.lines().find(|line| !line.starts_with('#')).expect("a key").to_owned();
        let witness_place = WitnessPlace::new(&folder.path().join("witness"), WITNESS);
        let witness = witness_place.start(&[&log_key], None);
        place.configure(&format!(
            "[[witnesses]]\nurl = {:?}\nkey = {:?}\n",
            witness.url, witness_place.key
        ));
        let address = witness.address().to_owned();
        let (witness, running) = (Some(witness), Some(place.start()));
        let shop = Self { folder, place, witness_place, witness, address, log_key, running };
        for number in 0..readings {
            shop.read_meter(&format!("before-{number}"));
        }
        shop.wait_until_covered();
        shop
    }

    /// Address of the recorder.
    pub(super) fn base(&self) -> &str {
        &self.running.as_ref().expect("the recorder runs").base
    }

    /// Address of the witness.
    pub(super) fn witness_url(&self) -> &str {
        &self.witness.as_ref().expect("the witness runs").url
    }

    /// Takes the witness away.
    pub(super) fn kill_witness(&mut self) {
        self.witness = None;
    }

    /// Brings it back, with what it remembers, where it was.
    pub(super) fn start_witness(&mut self) {
        self.witness = Some(self.witness_place.start(&[&self.log_key], Some(&self.address)));
    }

    pub(super) fn api(&self, subject: &str, roles: &[&str]) -> Client {
        let running = self.running.as_ref().expect("the recorder runs");
        running.client(&self.place.token(subject, roles))
    }

    pub(super) fn auditor(&self) -> Client {
        self.api("op_auditor", &["auditor"])
    }

    /// Records a meter reading; returns its receipt.
    pub(super) fn read_meter(&self, id: &str) -> Value {
        let data = json!({ "meter": "run", "reading": { "value": "12.5", "unit": "h" } });
        self.record(&event(id, "meter.read", "equipment/S-02", "2026-03-05T14:07:00+01:00", data))
    }

    pub(super) fn record(&self, event: &Value) -> Value {
        let answer = self.api("svc_mes", &["service"]).record(event).expect("an answer");
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()
    }

    /// Puts waste into two drums.
    pub(super) fn fill_drums(&self) {
        let technician = self.api("op_k7", &["technician"]);
        for drum in ["D-118", "D-119"] {
            let record = |name: &str, time: &str, data: Value| {
                let subject = format!("container/{drum}");
                let event = event(&format!("{drum}-{name}"), name, &subject, time, data);
                let answer = technician.record(&event).expect("an answer");
                assert_eq!(answer.status, 201, "{}", answer.text());
            };
            let kg = |value: &str| json!({ "value": value, "unit": "kg" });
            let opened = json!({
                "stream": "PA-DUST", "tare": kg("9.80"), "area": "central", "location": "CAA-2",
            });
            record("container.opened", "2026-03-05T09:00:00+01:00", opened);
            let added = json!({ "what": "wipes", "mass": kg("0.50") });
            record("waste.added", "2026-03-05T09:10:00+01:00", added);
        }
    }

    /// Issues the disposal report; returns what was issued.
    pub(super) fn issue_report(&self) -> Value {
        let order = json!({ "site": "north", "from": "2026-01-01", "to": "2026-12-31" });
        let body = order.to_string();
        let ehs = self.api("op_e1", &["ehs"]);
        let answer = ehs.post("/v1/reports/disposal", "application/json", &[], body.as_bytes());
        let answer = answer.expect("an answer");
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()
    }

    /// Asks for a checkpoint over everything and waits until the witness has cosigned it.
    pub(super) fn wait_until_covered(&self) {
        let api = self.auditor();
        let size = || api.get("/v1/anchors").expect("an answer").json();
        let wanted = size()["as_of"].as_u64().expect("a number");
        let proof = api.get(&format!("/v1/entries/{}/proof", wanted - 1)).expect("an answer");
        assert_eq!(proof.status, 200, "{}", proof.text());
        let covered = |_: &usize| size()["witnessed"]["size"].as_u64() >= Some(wanted);
        assert!((0..TRIES_MAX).any(|n| covered(&n)), "no witness cosigned: {}", size());
    }

    pub(super) fn stop(&mut self) {
        let running = self.running.take().expect("the recorder runs");
        assert!(running.stop().success());
    }

    pub(super) fn start(&mut self) {
        self.running = Some(self.place.start());
    }

    /// Takes everything away that an auditor needs, over the public interface.
    pub(super) fn evidence(&self, name: &str) -> Evidence {
        let api = self.auditor();
        let get = |path: &str| {
            let answer = api.get(path).expect("an answer");
            assert_eq!(answer.status, 200, "{path}: {}", answer.text());
            answer.body
        };
        let note = get("/log/checkpoint");
        let size = size_of(&note);
        let mut entries = Vec::new();
        for index in 0..size.div_ceil(256) {
            let tile = Tile::in_tree(TileKind::Entries, index, size).expect("a tile of the tree");
            for entry in tile.entries(&get(&format!("/log/{tile}"))).expect("a bundle") {
                entries.extend([entry, b"\n"].concat());
            }
        }
        let evidence = Evidence { folder: self.folder.path().join(name) };
        std::fs::create_dir_all(evidence.folder.join("checkpoints")).expect("a folder");
        evidence.put("keys.txt", &get("/log/keys"));
        evidence.put("policy.txt", &get("/log/policy"));
        evidence.put("entries.ndjson", &entries);
        evidence.put(&format!("checkpoints/{size}.note"), &note);
        evidence
    }

    /// What the witness remembers: the newest checkpoint it cosigned.
    pub(super) fn remembered(&self) -> Vec<u8> {
        let name = chain::Digest::of(ORIGIN.as_bytes());
        std::fs::read(self.witness_place.memory().join(format!("{name}.note"))).expect("a note")
    }
}

/// The size line of a checkpoint.
pub(super) fn size_of(note: &[u8]) -> u64 {
    let text = String::from_utf8_lossy(note);
    text.lines().nth(1).expect("a size").parse().expect("a number")
}

/// A full bundle in a folder.
pub(super) struct Evidence {
    pub(super) folder: PathBuf,
}

impl Evidence {
    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    pub(super) fn put(&self, name: &str, bytes: &[u8]) {
        std::fs::write(self.path(name), bytes).expect("a file");
    }

    pub(super) fn get(&self, name: &str) -> Vec<u8> {
        std::fs::read(self.path(name)).expect("a file")
    }

    pub(super) fn text(&self, name: &str) -> String {
        String::from_utf8(self.get(name)).expect("text")
    }

    /// The same in another folder, with other entries and this one checkpoint.
    pub(super) fn with(&self, name: &str, entries: &[u8], note: &[u8]) -> Self {
        let other = Self { folder: self.folder.with_file_name(name) };
        std::fs::create_dir_all(other.folder.join("checkpoints")).expect("a folder");
        for file in ["keys.txt", "policy.txt"] {
            other.put(file, &self.get(file));
        }
        other.put("entries.ndjson", entries);
        other.put(&format!("checkpoints/{}.note", size_of(note)), note);
        other
    }

    /// Verdict of the auditor: exit code, and its JSON.
    pub(super) fn audit(&self, more: &[&str]) -> (i32, Value) {
        let mut command = Command::new(program("auditor"));
        let output = run(command.args(["check", "--json"]).args(more).arg(&self.folder));
        let verdict = serde_json::from_slice(&output.stdout).expect("one JSON object");
        (output.status.code().expect("an exit code"), verdict)
    }

    /// Exit code and fault by the auditor, after the Python script said the same of the same files.
    pub(super) fn fault(&self) -> (i32, Option<String>, Option<u64>) {
        let (code, verdict) = self.audit(&[]);
        let script = workspace().join("tests/python/verify_log.py");
        let python = run(Command::new("python3").arg(script).arg(&self.folder));
        let said = String::from_utf8_lossy(&python.stdout).into_owned();
        let (fault, seq) = (verdict["fault"].as_str().map(str::to_owned), verdict["seq"].as_u64());
        assert_eq!(python.status.code(), Some(code), "{said} {verdict}");
        if let (Some(fault), Some(seq)) = (&fault, seq) {
            assert_eq!(said.trim(), format!("broken at entry {seq}: {fault}"));
        }
        (code, fault, seq)
    }
}

/// Copies a folder with everything in it.
pub(super) fn copy(from: &Path, to: &Path) {
    let copied = run(Command::new("cp").arg("-a").arg(from).arg(to));
    assert!(copied.status.success(), "`cp` copies a folder");
}
