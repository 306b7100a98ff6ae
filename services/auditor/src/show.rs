//! An audit for people, and for programs.

use std::fmt::Write as _;

use chain::bundle::BundleVerdict;
use chain::time::format_ms;
use chain::verify::{ExcerptSummary, Fault, Summary, Verdict};
use serde_json::{Value, json};
use shopfloor::ids::PersonId;
use shopfloor::record::events::KeyUse;
use shopfloor::record::keys::{EnrolledKey, TwoPeople};

use crate::client_keys::{KeyStory, Signed};
use crate::paper::{Anchor, Contained};
use crate::reports::{Compared, ReportCheck};
use crate::{Audit, KeysFrom, Replay, Window};

/// Width of the column of labels.
const LABEL: usize = 12;

/// Lines of text, each with a label in a column of its own.
#[derive(Default)]
struct Sheet(String);

impl Sheet {
    fn line(&mut self, label: &str, text: impl std::fmt::Display) {
        // Writing into memory cannot fail.
        let _ = writeln!(self.0, "{label:<LABEL$}{text}");
    }

    fn more(&mut self, text: impl std::fmt::Display) {
        self.line("", text);
    }
}

fn time(ms: i64) -> String {
    format_ms(ms).unwrap_or_else(|_| "a time out of range".to_owned())
}

fn time_s(s: u64) -> String {
    i64::try_from(s).ok().and_then(|s| s.checked_mul(1000)).map_or_else(String::new, time)
}

/// `27104` as `27,104`.
fn count(number: u64) -> String {
    let digits = number.to_string();
    let mut out = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// `entry` or `entries` with their number.
fn entries(number: u64) -> String {
    format!("{} {}", count(number), if number == 1 { "entry" } else { "entries" })
}

fn span(ms: i64) -> String {
    let s = ms / 1000;
    match (s / 86_400, s / 3600 % 24, s / 60 % 60) {
        (0, 0, 0) => format!("{s} s"),
        (0, 0, min) => format!("{min} min"),
        (0, h, min) => format!("{h} h {min} min"),
        (d, h, _) => format!("{d} d {h} h"),
    }
}

/// The text for a terminal.
#[must_use]
pub fn text(audit: &Audit) -> String {
    let mut sheet = Sheet::default();
    show(&mut sheet, audit);
    let before = audit.before.iter().map(|earlier| ("continues", earlier));
    let next = audit.next.iter().map(|later| ("went on as", later));
    for (how, other) in before.chain(next) {
        sheet.0.push('\n');
        sheet.line(how, &other.origin);
        show(&mut sheet, other);
    }
    sheet.0
}

fn show(sheet: &mut Sheet, audit: &Audit) {
    sheet.line(if audit.is_sound() { "SOUND" } else { "BROKEN" }, &audit.origin);
    match &audit.verdict {
        BundleVerdict::Full(Verdict::Sound(summary)) => show_sound(sheet, summary, audit),
        BundleVerdict::SoundExcerpt(summary) => show_excerpt(sheet, summary),
        BundleVerdict::Full(Verdict::Broken(fault)) => {
            show_fault(sheet, fault);
            sheet.line("note", "this is the first fault in the documented order; nothing behind");
            sheet.more("it was looked at");
        }
        BundleVerdict::BrokenExcerpt(fault) => show_fault(sheet, fault),
    }
    if let Some(replay) = &audit.replay {
        show_replay(sheet, replay);
    }
    for difference in audit.differences() {
        let at = difference.seq.map_or_else(String::new, |seq| format!(" at entry {seq}"));
        sheet.line("DIFFERS", format!("{}{at}", difference.about));
        sheet.more(format!("said:    {}", difference.recorded));
        sheet.more(format!("follows: {}", difference.computed));
    }
    let whose = match audit.keys_from {
        KeysFrom::Bundle => "came with the evidence: compare with a copy from elsewhere",
        KeysFrom::Auditor => "are your own",
        KeysFrom::LogBefore => "the log's key was enrolled by the log before, which you believe",
    };
    sheet.line("keys", format!("SHA-256 {}", audit.keys_digest));
    sheet.more(whose);
    if audit.policy_digest.is_none() {
        sheet.line("policy", "none: no witness was asked for");
    }
}

fn show_fault(sheet: &mut Sheet, fault: &Fault) {
    sheet.line("entry", fault.seq);
    sheet.line("fault", format!("{}: {}", fault.kind.code(), fault.kind.text()));
    sheet.line("expected", &fault.expected);
    sheet.line("found", &fault.found);
    if let Some(name) = &fault.checkpoint {
        sheet.line("checkpoint", name);
    }
    if let Some((first, last)) = fault.among {
        sheet.line("among", format!("entries {first} to {last}: it cannot be told more closely"));
    }
}

fn show_sound(sheet: &mut Sheet, summary: &Summary, audit: &Audit) {
    sheet.line("entries", count(summary.entries));
    sheet.line("root", summary.root.to_base64());
    sheet.line("signed", format!("{} by {}", entries(summary.checkpoint_size), summary.log_key));
    for witness in &summary.witness_keys {
        sheet.line("witnessed", format!("by {witness}"));
    }
    if summary.witness_keys.is_empty() {
        sheet.line("witnessed", "by nobody");
    }
    if let Some(window) = &audit.window {
        show_window(sheet, window, summary);
    }
    let known = summary.entries - summary.unsigned - summary.signed_unknown;
    sheet.line("clients", format!("{} signed by {} known", entries(known), keys(summary)));
    if summary.signed_unknown > 0 {
        sheet.more(format!("{} signed by a key not in keys.txt", entries(summary.signed_unknown)));
    }
    sheet.more(format!("{} rest on the server's word alone", entries(summary.unsigned)));
}

fn keys(summary: &Summary) -> String {
    let number = summary.client_keys.len();
    format!("{number} {}", if number == 1 { "key" } else { "keys" })
}

fn show_window(sheet: &mut Sheet, window: &Window, summary: &Summary) {
    let of = count(summary.entries);
    let number = count(window.entries);
    sheet.line("not covered", format!("{number} of {of} entries by any outside checkpoint"));
    if window.entries == 0 {
        return;
    }
    match (window.since_ms, window.newest_ms) {
        (Some(since), Some(newest)) => sheet.more(format!(
            "recorded within {} after {}: whoever holds the log's key",
            span(newest - since),
            time(since)
        )),
        _ => sheet.more("all of it: whoever holds the log's key"),
    }
    sheet.more("could still rewrite them");
}

fn show_excerpt(sheet: &mut Sheet, summary: &ExcerptSummary) {
    sheet.line("excerpt", format!("{}, each proved to be in the log", entries(summary.entries)));
    sheet.line("signed", entries(summary.checkpoint_size));
    sheet.line("not covered", format!("{} by any witness", entries(summary.not_covered_outside)));
    sheet.line("clients", format!("{} rest on the server's word alone", entries(summary.unsigned)));
    sheet.line("NOT PROVED", "completeness: entries that matter may have been left out.");
    sheet.more("Only a full bundle shows that none is missing.");
}

fn show_replay(sheet: &mut Sheet, replay: &Replay) {
    sheet.line(
        "replay",
        format!("{} findings, {} kept anchors", count(replay.findings), count(replay.anchors)),
    );
    let equal = count(replay.digests_equal);
    sheet.more(format!("{equal} digests of fold states reached again"));
    if replay.digests_of_another_version > 0 {
        let number = count(replay.digests_of_another_version);
        sheet.more(format!("{number} digests of another version of the folds, not compared"));
    }
    if let Some(first) = replay.unreadable.first() {
        let number = entries(replay.unreadable.len() as u64);
        sheet.more(format!("{number} of a kind this program does not know, first {first}"));
    }
    for report in &replay.reports {
        show_report(sheet, report);
    }
    if !replay.reports_absent.is_empty() {
        let number = replay.reports_absent.len();
        sheet.line("reports", format!("{number} more were issued and are not in this bundle"));
    }
    for key in &replay.keys {
        show_key(sheet, key);
    }
    if let Some(seq) = replay.closed_by {
        sheet.line("closed", format!("by entry {seq}"));
    }
}

fn show_report(sheet: &mut Sheet, report: &ReportCheck) {
    let outcome = match &report.compared {
        Compared::Same => "worked out again, the same bytes",
        Compared::Differs => "worked out again, NOT the same",
        Compared::Beyond => "NOT COMPARED: it rests on entries that are not here",
    };
    sheet.line("report", format!("{} of {}: {outcome}", report.name, entries(report.as_of)));
    sheet.more(match report.issued_in {
        Some(seq) => format!("issued in entry {seq}"),
        None => "no entry here says that it was issued".to_owned(),
    });
}

fn show_key(sheet: &mut Sheet, key: &KeyStory) {
    let EnrolledKey { usage, owner, enrolled, revoked, .. } = &key.key;
    let usage = match usage {
        KeyUse::Client => "client key",
        KeyUse::Log => "log key",
    };
    match &key.label {
        Some(label) => sheet.line(usage, format!("{label} of {owner}")),
        None => sheet.line(usage, format!("of {owner}: CANNOT BE USED (malformed or weak)")),
    }
    sheet.more(format!("enrolled {}", two_people(enrolled)));
    if let Some(signed) = &key.signed {
        sheet.more(format!("signed {}", range(signed)));
    }
    if let Some(revoked) = revoked {
        sheet.more(format!("revoked {}", two_people(&revoked.people)));
        match &key.suspect {
            Some(suspect) => sheet.more(format!("SUSPECT: {}", range(suspect))),
            None => sheet.more("nothing signed with it is suspect"),
        }
    }
}

fn two_people(people: &TwoPeople) -> String {
    let TwoPeople { seq, by, approver, approved_in } = people;
    let by = by.as_ref().map_or("no person", PersonId::as_str);
    let approved = match approved_in {
        Some(approved) => format!("approved in entry {approved} by {approver}"),
        None if people.are_two() => format!("NOT APPROVED by {approver}"),
        None => "ONE PERSON ALONE".to_owned(),
    };
    format!("in entry {seq} by {by}, {approved}")
}

fn range(signed: &Signed) -> String {
    let Signed { first, last, entries: number } = signed;
    format!("{}, from {first} to {last}", entries(*number))
}

/// The same as one JSON object.
#[must_use]
pub fn as_json(audit: &Audit) -> Value {
    let mut out = match &audit.verdict {
        BundleVerdict::Full(Verdict::Sound(summary)) => sound_json(summary),
        BundleVerdict::SoundExcerpt(summary) => json!({
            "entries": summary.entries,
            "checkpoint_size": summary.checkpoint_size,
            "not_covered_outside": summary.not_covered_outside,
            "without_client_signature": summary.unsigned,
            "signed_by_unknown_key": summary.signed_unknown,
            "complete": false,
        }),
        BundleVerdict::Full(Verdict::Broken(fault)) | BundleVerdict::BrokenExcerpt(fault) => {
            json!({
                "seq": fault.seq,
                "fault": fault.kind.code(),
                "expected": fault.expected,
                "found": fault.found,
                "checkpoint": fault.checkpoint,
                "among": fault.among.map(|(a, b)| [a, b]),
            })
        }
    };
    let kind = match &audit.verdict {
        BundleVerdict::Full(_) => "full",
        BundleVerdict::SoundExcerpt(_) | BundleVerdict::BrokenExcerpt(_) => "excerpt",
    };
    let differences: Vec<Value> = audit
        .differences()
        .map(|d| {
            json!({ "seq": d.seq, "about": d.about, "recorded": d.recorded, "computed": d.computed })
        })
        .collect();
    if out["seq"].is_null()
        && let Some(seq) = audit.differences().find_map(|d| d.seq)
    {
        out["seq"] = json!(seq);
    }
    out["verdict"] = json!(if audit.is_sound() { "sound" } else { "broken" });
    out["kind"] = json!(kind);
    out["origin"] = json!(audit.origin);
    out["keys_sha256"] = json!(audit.keys_digest.to_string());
    out["keys_from_bundle"] = json!(audit.keys_from == KeysFrom::Bundle);
    out["policy_sha256"] = json!(audit.policy_digest.map(|digest| digest.to_string()));
    out["differences"] = json!(differences);
    out["replay"] = audit.replay.as_ref().map_or(Value::Null, replay_json);
    if let Some(window) = &audit.window {
        out["window"] = json!({
            "entries": window.entries,
            "since": window.since_ms.map(time),
            "newest": window.newest_ms.map(time),
        });
    }
    out["continues"] = json!(audit.before.iter().map(as_json).collect::<Vec<_>>());
    out["went_on_as"] = json!(audit.next.iter().map(as_json).collect::<Vec<_>>());
    out
}

fn sound_json(summary: &Summary) -> Value {
    json!({
        "entries": summary.entries,
        "root": summary.root.to_string(),
        "checkpoint_size": summary.checkpoint_size,
        "not_covered_outside": summary.not_covered_outside(),
        "without_client_signature": summary.unsigned,
        "signed_by_unknown_key": summary.signed_unknown,
        "log_key": summary.log_key,
        "witnesses": summary.witness_keys,
        "clients": summary.client_keys,
        "complete": true,
    })
}

fn replay_json(replay: &Replay) -> Value {
    let signed = |s: &Signed| json!({ "first": s.first, "last": s.last, "entries": s.entries });
    let people = |p: &TwoPeople| json!({ "entry": p.seq, "by": p.by, "approver": p.approver, "approved_in": p.approved_in });
    let keys: Vec<Value> = replay
        .keys
        .iter()
        .map(|key| {
            json!({
                "key": key.key.key, "usable": key.label.is_some(), "usage": key.key.usage,
                "owner": key.key.owner, "enrolled": people(&key.key.enrolled),
                "revoked": key.key.revoked.as_ref().map(|revoked| people(&revoked.people)),
                "in_force": key.key.is_in_force(),
                "signed": key.signed.as_ref().map(signed), "suspect": key.suspect.as_ref().map(signed),
            })
        })
        .collect();
    let reports: Vec<Value> = replay
        .reports
        .iter()
        .map(|report| {
            let compared = match &report.compared {
                Compared::Same => "same",
                Compared::Differs => "differs",
                Compared::Beyond => "beyond",
            };
            json!({
                "name": report.name, "as_of": report.as_of, "sha256": report.digest.to_string(),
                "issued_in": report.issued_in, "compared": compared,
            })
        })
        .collect();
    json!({
        "findings": replay.findings,
        "fold_digests_equal": replay.digests_equal,
        "fold_digests_of_another_version": replay.digests_of_another_version,
        "anchors": replay.anchors,
        "unreadable": replay.unreadable,
        "keys": keys,
        "reports": reports,
        "reports_absent": replay.reports_absent,
        "closed_by": replay.closed_by,
    })
}

/// A paper anchor for a terminal.
#[must_use]
pub fn anchor_text(anchor: &Anchor, contained: Option<&Contained>) -> String {
    let mut sheet = Sheet::default();
    let root = anchor.checkpoint.root;
    sheet.line("log", &anchor.checkpoint.origin);
    sheet.line("entries", count(anchor.checkpoint.size));
    sheet.line("root", root.to_base64());
    sheet.more(root);
    for signature in &anchor.signatures {
        let what = match signature.cosigned_s {
            Some(at) => format!("{} at {}", signature.label, time_s(at)),
            None => signature.label.clone(),
        };
        let label = if signature.cosigned_s.is_some() { "cosigned" } else { "signed" };
        sheet.line(label, what);
        sheet.more(match signature.valid {
            Some(true) => "valid",
            Some(false) => "NOT VALID: a typing error, or a forgery",
            None => "not checked: the key is not known here (--keys FILE)",
        });
    }
    if anchor.signatures.is_empty() {
        sheet.line("signed", "no signature line was typed in: origin, size and root still compare");
    }
    if let Some(contained) = contained {
        sheet.line("in the log", contained_text(contained, anchor.checkpoint.size));
    }
    sheet.0
}

fn contained_text(contained: &Contained, size: u64) -> String {
    match contained {
        Contained::Yes => format!("yes: the first {} are those it was made of", entries(size)),
        Contained::OtherLog(origin) => format!("NO: the bundle is of `{origin}`"),
        Contained::Shorter { entries: here } => {
            format!(
                "NO: only {} are here; entry {here} and all after it are missing",
                entries(*here)
            )
        }
        Contained::OtherRoot(root) => {
            format!("NO: the first {} have the root {}", entries(size), root.to_base64())
        }
    }
}

/// A paper anchor as one JSON object.
#[must_use]
pub fn anchor_json(anchor: &Anchor, contained: Option<&Contained>) -> Value {
    let signatures: Vec<Value> = anchor
        .signatures
        .iter()
        .map(|s| {
            json!({ "key": s.label, "cosigned_at": s.cosigned_s.map(time_s), "valid": s.valid })
        })
        .collect();
    json!({
        "origin": anchor.checkpoint.origin,
        "size": anchor.checkpoint.size,
        "root": anchor.checkpoint.root.to_base64(),
        "signatures": signatures,
        "contained": contained.map(|contained| *contained == Contained::Yes),
    })
}
