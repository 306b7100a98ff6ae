//! Copies away from the machine: the disk is destroyed under load and the log made again from its copy.
//! What is lost is what the receipts of the clients say, no more and no less; nothing at all where
//! receipts waited for the copy.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use serde_json::{Value, json};
use tests::programs::{printed, program, run};
use tests::receipts::{Receipts, kept_on_disk, reading};
use tests::recorder::{Place, Running};

const CLIENTS: usize = 6;
/// Events that are acknowledged before something happens.
const BEFORE: usize = 200;

/// A recorder that copies to a folder, and what is kept of it elsewhere: its keys.
struct Shop {
    folder: tempfile::TempDir,
    place: Place,
    token: String,
}

fn copying(to: &Path, acknowledge: bool) -> String {
    format!(
        "[copies]\ninterval_ms = 100\nacknowledge_ms_max = 2000\n[[copies.to]]\nname = \"nas\"\n\
         folder = {to:?}\nsame_disk = true\nacknowledge_after_copy = {acknowledge}\n"
    )
}

impl Shop {
    fn new(acknowledge: bool) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let copy = folder.path().join("copy");
        std::fs::create_dir(&copy).expect("the share");
        let place = Place::new(&folder.path().join("machine"));
        place.configure(&copying(&copy, acknowledge));
        let key = run(&mut place.command(&["keys"]));
        assert!(key.status.success(), "{}", printed(&key));
        let token = place.token("svc_mes", &["service"]);
        std::fs::write(folder.path().join("keys.txt"), key.stdout).expect("a printed report");
        copy_files(&place.data().join("keys"), &folder.path().join("safe"));
        Self { folder, place, token }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn start(&self) -> Running {
        self.place.start_with(&["--create"])
    }

    /// Another machine with the keys out of the safe.
    fn new_machine(&self, name: &str, acknowledge: bool) -> Place {
        let place = Place::new(&self.path(name));
        place.configure(&copying(&self.path("copy"), acknowledge));
        copy_files(&self.path("safe"), &place.data().join("keys"));
        place
    }

    /// Several clients send until `enough` says so of what was acknowledged; returns what they were
    /// told. The last word is the killing of the recorder.
    fn load_until_killed(
        &self,
        running: Running,
        meanwhile: impl FnOnce(&AtomicUsize),
    ) -> Receipts {
        let acknowledged = AtomicUsize::new(0);
        let all = Mutex::new(Receipts::default());
        std::thread::scope(|scope| {
            for client in 0..CLIENTS {
                let api = running.client(&self.token);
                let (acknowledged, all) = (&acknowledged, &all);
                scope.spawn(move || {
                    let mut receipts = Receipts::default();
                    let mut ids = (0..).map(|number| format!("c{client}n{number}"));
                    while ids.next().is_some_and(|id| receipts.send(&api, &id)) {
                        acknowledged.fetch_add(1, Ordering::SeqCst);
                    }
                    all.lock().expect("no panic").extend(receipts);
                });
            }
            meanwhile(&acknowledged);
            running.kill();
        });
        all.into_inner().expect("no panic")
    }

    fn audit(&self) -> (Option<i32>, Value) {
        let mut command = Command::new(program("auditor"));
        command
            .args(["check", "--json", "--keys"])
            .arg(self.path("keys.txt"))
            .arg(self.path("copy"));
        let output = run(&mut command);
        let verdict = serde_json::from_slice(&output.stdout).expect("one JSON object");
        (output.status.code(), verdict)
    }
}

fn copy_files(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for file in std::fs::read_dir(from).expect("files") {
        let file = file.expect("a file").path();
        std::fs::copy(&file, to.join(file.file_name().expect("a name"))).expect("copied");
    }
}

fn wait_until(enough: usize, acknowledged: &AtomicUsize) {
    while acknowledged.load(Ordering::SeqCst) < enough {
        std::thread::yield_now();
    }
}

/// The number in front of a word in what was printed.
fn number_before(text: &str, word: &str) -> u64 {
    let words: Vec<&str> = text.split_whitespace().collect();
    let at = words.iter().position(|found| *found == word).expect("the word");
    words[at - 1].parse().expect("a number")
}

fn restore(place: &Place, words: &[&str]) -> (bool, String) {
    let output = run(&mut place.command(&[&["restore"], words].concat()));
    (output.status.success(), printed(&output))
}

#[test]
fn a_destroyed_disk_costs_what_the_receipts_say_and_no_more() {
    let shop = Shop::new(false);
    let running = shop.start();
    let all = shop.load_until_killed(running, |acknowledged| {
        wait_until(BEFORE, acknowledged);
        // The way to the share fails; clients are served on.
        std::fs::rename(shop.path("copy"), shop.path("unreachable")).expect("away");
        let before = acknowledged.load(Ordering::SeqCst);
        wait_until(before + BEFORE, acknowledged);
    });
    std::fs::remove_dir_all(shop.place.data()).expect("destroyed");
    std::fs::rename(shop.path("unreachable"), shop.path("copy")).expect("reachable");

    let (code, verdict) = shop.audit();
    assert_eq!(code, Some(0), "{verdict}");
    let receipts = shop.path("receipts.ndjson");
    std::fs::write(&receipts, all.lines()).expect("what clients hold");
    let (copy, receipts) = (shop.path("copy"), receipts.to_str().expect("text").to_owned());
    let copy = copy.to_str().expect("text");
    let machine = shop.new_machine("other", false);
    let known = ["--from", copy, "--receipts", &receipts];
    // Going on is refused before anything is made.
    let (well, said) = restore(&machine, &[&known[..], &["--go-on"]].concat());
    assert!(!well && said.contains("second history"), "{said}");
    let (well, said) = restore(&machine, &known);
    assert!(well, "{said}");
    let entries = number_before(&said, "entries,");
    let lost = all.highest().expect("receipts") + 1 - entries;
    assert!(lost >= BEFORE as u64, "{said}");
    assert!(said.contains(&format!("lost: {lost} of the {} entries", entries + lost)), "{said}");
    assert!(said.contains("sound:"), "{said}");
    // Each event that is missing is one whose receipt says so, and the others stand as they were told.
    let missing = all.not_in(&kept_on_disk(&machine)).len() as u64;
    assert!(missing <= lost && missing >= BEFORE as u64, "{missing} of {lost}");

    // It can be read, and nothing can be added to it; the next log names its last signed end.
    let running = machine.start();
    let refused =
        running.client(&shop.token_of(&machine)).record(&reading("new")).expect("an answer");
    assert_eq!(refused.status, 503, "{}", refused.text());
    assert!(running.stop().success());
    let next = Place::named(&shop.path("next"), "records.brackwater.example/next");
    let end = machine.data().join("last-checkpoint.note");
    let running = next.start_with(&["--create", "--continues", end.to_str().expect("text")]);
    let answer = running.client(&shop.token_of(&next)).record(&reading("new")).expect("an answer");
    assert_eq!(answer.status, 201, "{}", answer.text());
    assert!(running.stop().success());
    println!(
        "{} events acknowledged, {lost} entries lost with the disk, as stated",
        all.acknowledged()
    );
}

impl Shop {
    fn token_of(&self, place: &Place) -> String {
        place.token("svc_mes", &["service"])
    }
}

#[test]
fn nothing_is_lost_where_receipts_wait_for_the_copy() {
    let shop = Shop::new(true);
    let running = shop.start();
    let mut all =
        shop.load_until_killed(running, |acknowledged| wait_until(2 * BEFORE, acknowledged));
    std::fs::remove_dir_all(shop.place.data()).expect("destroyed");
    let receipts = shop.path("receipts.ndjson");
    std::fs::write(&receipts, all.lines()).expect("what clients hold");
    let machine = shop.new_machine("other", true);
    let (copy, receipts) = (shop.path("copy"), receipts.to_str().expect("text").to_owned());
    let copy = copy.to_str().expect("text");
    let (well, said) = restore(&machine, &["--from", copy, "--receipts", &receipts, "--go-on"]);
    assert!(well && said.contains("lost: 0 of the"), "{said}");

    // It goes on as the same log: what had no answer is sent again and stands once.
    let running = machine.start();
    all.send_again(&running.client(&shop.token_of(&machine)));
    assert!(running.stop().success());
    let lost = all.not_in(&kept_on_disk(&machine));
    assert!(lost.is_empty(), "lost or doubled: {lost:?}");
    let (code, verdict) = shop.audit();
    assert_eq!(code, Some(0), "{verdict}");
    println!(
        "{} events acknowledged after the copy stood, 0 lost with the disk",
        all.acknowledged()
    );
}

#[test]
fn without_the_copy_the_outcome_is_unknown_and_the_receipt_comes_later() {
    let shop = Shop::new(true);
    let running = shop.start();
    let api = running.client(&shop.token);
    assert_eq!(api.record(&reading("one")).expect("an answer").status, 201);
    let ready = || api.get("/readyz").expect("an answer");
    assert_eq!((ready().status, &ready().json()["uncopied_entries"]), (200, &Value::from(0)));

    std::fs::rename(shop.path("copy"), shop.path("unreachable")).expect("away");
    let answer = api.record(&reading("two")).expect("an answer");
    assert_eq!(answer.status, 503, "{}", answer.text());
    assert_eq!(answer.json()["type"], "urn:pulverlog:problem:not-copied", "{}", answer.text());
    assert_eq!(ready().status, 503);
    // Known already, and still no receipt.
    let again = api.record(&reading("two")).expect("an answer");
    assert_eq!(again.json()["type"], "urn:pulverlog:problem:not-copied", "{}", again.text());

    std::fs::rename(shop.path("unreachable"), shop.path("copy")).expect("reachable");
    let mut answer = api.record(&reading("two")).expect("an answer");
    while answer.status == 503 {
        answer = api.record(&reading("two")).expect("an answer");
    }
    assert_eq!(answer.status, 200, "{}", answer.text());
    assert_eq!(answer.json()["seq"], 2, "recorded once: {}", answer.text());
    assert!(running.stop().success());
    // The clean stop leaves a copy that is signed to its end.
    let (code, verdict) = shop.audit();
    assert_eq!(code, Some(0), "{verdict}");
    let check = run(&mut shop.place.command(&["check"]));
    assert!(printed(&check).contains("copy `nas`: 3 entries, 0 behind"), "{}", printed(&check));

    // The old data put back: the copy knows more, with the log's own signature.
    let (old, data) = (shop.path("old"), shop.place.data());
    let saved =
        run(&mut shop.place.command(&["backup", old.to_str().expect("text"), "--with-keys"]));
    assert!(saved.status.success(), "{}", printed(&saved));
    let running = shop.place.start();
    let api = running.client(&shop.token);
    assert_eq!(api.record(&reading("three")).expect("an answer").status, 201);
    assert!(running.stop().success());
    std::fs::remove_dir_all(&data).expect("destroyed");
    let (well, said) = restore(&shop.place, &["--from", old.to_str().expect("text")]);
    assert!(well, "{said}");
    let running = shop.place.start();
    let refused = running.client(&shop.token).record(&reading("four")).expect("an answer");
    assert_eq!(refused.status, 503, "{}", refused.text());
    assert!(refused.text().contains("signed by this log"), "{}", refused.text());
    assert!(running.stop().success());
}

#[test]
fn a_recorder_killed_while_it_ships_goes_on_where_the_copy_ends() {
    let shop = Shop::new(false);
    let mut all = Receipts::default();
    for round in 0..4 {
        let running = shop.start();
        let api = running.client(&shop.token);
        let mut receipts = Receipts::default();
        for number in 0..60 {
            receipts.send(&api, &format!("r{round}n{number}"));
        }
        running.kill();
        all.extend(receipts);
    }
    assert!(shop.start().stop().success());
    let (code, verdict) = shop.audit();
    assert_eq!((code, &verdict["entries"]), (Some(0), &Value::from(241)), "{verdict}");
    assert!(all.not_in(&kept_on_disk(&shop.place)).is_empty());
}

#[test]
fn a_year_ends_in_its_copy_and_the_next_one_is_followed_from_copy_to_copy() {
    let shop = Shop::new(false);
    let next = Place::named(&shop.path("next"), "records.brackwater.example/next");
    let next_key = run(&mut next.command(&["keys"]));
    let next_key = String::from_utf8(next_key.stdout).expect("text");
    let running = shop.start();
    assert!(running.client(&shop.token).record(&reading("one")).is_ok_and(|a| a.status == 201));
    // Two people enrol the key of the next log.
    let office = |id: &str, name: &str, subject: &str, data: Value| {
        json!({
            "specversion": "1.0", "id": id, "source": "/office", "subject": subject, "data": data,
            "type": format!("pulverlog.{name}"), "time": "2026-12-30T14:07:00+01:00",
        })
    };
    let by = |subject: &str, role: &str, event: &Value| {
        let answer = running.client(&shop.place.token(subject, &[role])).record(event);
        let answer = answer.expect("an answer");
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()["seq"].clone()
    };
    let enrolment = json!({
        "key": next_key.trim(), "usage": "log", "owner": "records", "approved_by": "op_lead",
    });
    let seq = by("op_admin", "admin", &office("k", "key.enrolled", "log/self", enrolment));
    let approved = json!({ "meaning": "approved" });
    let about = format!("entry/{seq}");
    by("op_lead", "lead", &office("a", "entry.signed", &about, approved));
    assert!(running.stop().success());
    let closed = run(&mut shop.place.command(&["close", "--reason", "year_end"]));
    assert!(closed.status.success(), "{}", printed(&closed));
    let (code, verdict) = shop.audit();
    assert_eq!(code, Some(0), "{verdict}");
    assert_eq!((&verdict["entries"], &verdict["checkpoint_size"]), (&5.into(), &5.into()));

    // The next log, at first by mistake in the place of the old one: told, and nothing is written there.
    let end = shop.path("final.note");
    std::fs::write(&end, closed.stdout).expect("kept");
    let before = files_below(&shop.path("copy"));
    let begin = ["--create", "--continues", end.to_str().expect("text")];
    next.configure(&copying(&shop.path("copy"), false));
    let running = next.start_with(&begin);
    let anchors = running.client(&next.token("op_auditor", &["auditor"])).get("/v1/anchors");
    let anchors = anchors.expect("an answer").json();
    assert!(anchors["copies"][0]["trouble_since"].is_string(), "{anchors}");
    assert!(running.stop().success());
    assert_eq!(files_below(&shop.path("copy")), before);
    let mut moved = next.command(&["serve"]);
    std::fs::create_dir(shop.path("copy-of-next")).expect("a share");
    let config = shop.path("next").join("pulverlog.toml");
    let text = std::fs::read_to_string(&config).expect("the configuration");
    let own = text.replace(
        shop.path("copy").to_str().expect("text"),
        shop.path("copy-of-next").to_str().expect("text"),
    );
    std::fs::write(&config, own).expect("the configuration");
    let running = next.try_start(&mut moved).unwrap_or_else(|ended| panic!("{ended}"));
    assert!(running.stop().success());

    let mut follow = Command::new(program("auditor"));
    follow.args(["check", "--json", "--keys"]).arg(shop.path("keys.txt")).arg(shop.path("copy"));
    let output = run(follow.arg("--next").arg(shop.path("copy-of-next")));
    let verdict: Value = serde_json::from_slice(&output.stdout).expect("one JSON object");
    assert_eq!(output.status.code(), Some(0), "{verdict}");
    assert_eq!(verdict["went_on_as"][0]["origin"], "records.brackwater.example/next");
}

/// Every file below a folder, by path.
fn files_below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(here) = folders.pop() {
        for item in std::fs::read_dir(here).expect("a folder") {
            let path = item.expect("an item").path();
            if path.is_dir() { folders.push(path) } else { found.push(path) }
        }
    }
    found.sort();
    found
}

/// Names and texts come from a backup that is older than what was erased since: the log tells of it.
#[test]
fn what_was_erased_since_the_backup_is_erased_again() {
    let shop = Shop::new(false);
    let running = shop.start();
    let as_person = |running: &Running, place: &Place, subject: &str, role: &str| {
        running.client(&place.token(subject, &[role]))
    };
    let admin = as_person(&running, &shop.place, "op_admin", "admin");
    for person in ["op_goes", "op_stays"] {
        let path = format!("/v1/people/{person}/identity");
        let named = admin.put(&path, br#"{"name":"Orsel Vandrim"}"#).expect("an answer");
        assert!(named.status < 300, "{}", named.text());
    }
    let technician = as_person(&running, &shop.place, "op_stays", "technician");
    let text = |words: &str| {
        let body = json!({ "text": words }).to_string();
        let kept = technician.post("/v1/texts", "application/json", &[], body.as_bytes());
        let kept = kept.expect("an answer");
        assert_eq!(kept.status, 201, "{}", kept.text());
        format!("/v1/texts/{}", kept.json()["digest"].as_str().expect("a digest"))
    };
    let (erased_text, kept_text) = (text("told by a friend"), text("the seal was torn"));
    let backup = shop.path("backup");
    let backup = backup.to_str().expect("text");
    let made = run(&mut shop.place.command(&["backup", backup]));
    assert!(made.status.success(), "{}", printed(&made));

    for what in ["/v1/people/op_goes", &erased_text] {
        let path = format!("{what}/erasure");
        let order = br#"{"reason":"on_request"}"#;
        let erased = admin.post(&path, "application/json", &[], order).expect("an answer");
        assert_eq!(erased.status, 200, "{}", erased.text());
    }
    assert!(running.stop().success());
    std::fs::remove_dir_all(shop.place.data()).expect("destroyed");

    let machine = shop.new_machine("other", false);
    let copy = shop.path("copy");
    let words = ["--from", copy.to_str().expect("text"), "--beside", backup, "--go-on"];
    let (well, said) = restore(&machine, &words);
    assert!(well && said.contains("2 erasures"), "{said}");
    let running = machine.start();
    let lead = as_person(&running, &machine, "op_lead", "lead");
    let status = |path: &str| lead.get(path).expect("an answer").status;
    assert_eq!(status("/v1/people/op_goes/identity"), 404);
    assert_eq!(status("/v1/people/op_stays/identity"), 200);
    assert_eq!(status(&erased_text), 404);
    assert_eq!(status(&kept_text), 200);
    assert!(running.stop().success());
}
