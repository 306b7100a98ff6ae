//! A log keeps its key for life: the key is changed by closing the log and beginning the next one.
//! Whoever believes the key of the first log follows to the second.

use std::process::Command;

use serde_json::{Value, json};
use tests::programs::{printed, program, run};
use tests::recorder::{Client, Place, event};

fn record(api: &Client, event: &Value) -> Value {
    let answer = api.record(event).expect("an answer");
    assert_eq!(answer.status, 201, "{}", answer.text());
    answer.json()
}

fn reading(id: &str) -> Value {
    let data = json!({ "meter": "run", "reading": { "value": "12.5", "unit": "h" } });
    event(id, "meter.read", "equipment/S-02", "2026-03-05T14:07:00+01:00", data)
}

fn office(id: &str, name: &str, subject: &str, data: Value) -> Value {
    json!({
        "specversion": "1.0", "id": id, "source": "/office", "type": format!("pulverlog.{name}"),
        "subject": subject, "time": "2026-03-05T14:07:00+01:00", "data": data,
    })
}

#[test]
fn the_next_log_has_its_own_key_and_is_followed_with_the_old_one_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let sub = |name: &str| {
        let path = folder.path().join(name);
        std::fs::create_dir_all(&path).expect("a folder");
        path
    };
    let old = Place::named(&sub("old"), "records.brackwater.example/2026");
    let new = Place::named(&sub("new"), "records.brackwater.example/2027");
    let say = |place: &Place, words: &[&str]| {
        let output = run(&mut place.command(words));
        assert!(output.status.success(), "{words:?}: {}", printed(&output));
        String::from_utf8(output.stdout).expect("text")
    };
    let (old_key, new_key) = (say(&old, &["keys"]), say(&new, &["keys"]));
    assert_ne!(old_key, new_key);

    let running = old.start_with(&["--create"]);
    let api = |subject: &str, role: &str| running.client(&old.token(subject, &[role]));
    record(&api("svc_mes", "service"), &reading("one"));
    let enrolment = json!({
        "key": new_key.trim(), "usage": "log", "owner": "records", "approved_by": "op_lead",
    });
    let enrolled =
        record(&api("op_admin", "admin"), &office("k", "key.enrolled", "log/self", enrolment));
    let about = format!("entry/{}", enrolled["seq"]);
    let approval = office("a", "entry.signed", &about, json!({ "meaning": "approved" }));
    record(&api("op_lead", "lead"), &approval);
    assert!(running.stop().success());

    let close = ["close", "--reason", "year_end"];
    let note = say(&old, &close);
    assert_eq!(say(&old, &close), note, "closed once, the same end each time");
    let end = folder.path().join("final.note");
    std::fs::write(&end, &note).expect("a file");
    let end = end.to_str().expect("text");

    // The old log can be read, and nothing can be added to it.
    let closed = old.start();
    let mes = closed.client(&old.token("svc_mes", &["service"]));
    let refused = mes.record(&reading("late")).expect("an answer");
    assert_eq!(refused.status, 503, "{}", refused.text());
    let auditor = closed.client(&old.token("op_auditor", &["auditor"]));
    assert_eq!(auditor.get("/v1/entries/1").expect("an answer").status, 200);
    assert!(closed.stop().success());

    let running = new.start_with(&["--create", "--continues", end]);
    record(&running.client(&new.token("svc_mes", &["service"])), &reading("one"));
    assert!(running.stop().success());
    // A log cites the one before in entry 0 or never.
    let again = run(&mut new.command(&["serve", "--continues", end]));
    assert!(!again.status.success(), "{}", printed(&again));

    let bundle = |place: &Place, name: &str| {
        let dir = folder.path().join(name);
        say(place, &["export", dir.to_str().expect("text")]);
        dir
    };
    let (before, after) = (bundle(&old, "before"), bundle(&new, "after"));
    let own = folder.path().join("own-keys.txt");
    std::fs::write(&own, &old_key).expect("a file");
    let follow = || {
        let mut command = Command::new(program("auditor"));
        command
            .args(["check", "--json", "--keys"])
            .arg(&own)
            .arg(&before)
            .arg("--next")
            .arg(&after);
        let output = run(&mut command);
        let verdict: Value = serde_json::from_slice(&output.stdout).expect("one JSON object");
        (output.status.code(), verdict)
    };
    let (code, verdict) = follow();
    assert_eq!(code, Some(0), "{verdict}");
    let next = &verdict["went_on_as"][0];
    assert_eq!(
        (&next["origin"], &next["entries"]),
        (&json!("records.brackwater.example/2027"), &json!(2))
    );
    assert_eq!(next["keys_from_bundle"], false);

    // Somebody else begins a log of that name with a key of their own and cites the same end.
    let forged = Place::named(&sub("forged"), "records.brackwater.example/2027");
    let running = forged.start_with(&["--create", "--continues", end]);
    record(&running.client(&forged.token("svc_mes", &["service"])), &reading("one"));
    assert!(running.stop().success());
    std::fs::remove_dir_all(&after).expect("removed");
    std::fs::rename(bundle(&forged, "forged-bundle"), &after).expect("in its place");
    let (code, verdict) = follow();
    assert_eq!(code, Some(1), "{verdict}");
    assert_eq!(verdict["went_on_as"][0]["differences"][0]["about"], "key of the log", "{verdict}");
}
