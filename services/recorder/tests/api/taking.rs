//! Taking away: reports, evidence, backups; and what the commands say about a log on disk.

use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use chain::Digest;
use chain::bundle::{Bundle, BundleVerdict, OwnEvidence};
use chain::checkpoint::cosign;
use chain::note::Ed25519Signer;
use chain::verify::Verdict;
use ledger::seams::OsRandom;
use ledger::sim::SimClock;
use recorder::cli::backup::{self, BackupArgs};
use recorder::cli::check::{self, CheckArgs};
use recorder::cli::export::{self, ExportArgs};
use recorder::cli::restore::{self, RestoreArgs};
use recorder::cli::{Seams, rebuild};
use recorder::config::{Config, WitnessConfig};
use serde_json::{Value, json};
use shopfloor::people::events::Role;

use crate::bench::{BATCH, Bench, NOON_MS, config, on_disk, reading, with_index_on_disk};

const YEAR: &str = "site=north&from=2026-01-01&to=2026-12-31";
const ORDER: &str = r#"{"site":"north","from":"2026-01-01","to":"2026-12-31"}"#;

/// A few readings, so that the log holds more than its opening.
async fn fill(bench: &Bench) {
    let events: Vec<Value> = (0..40).map(|n| reading(&format!("r{n}"), "1")).collect();
    let body = Value::from(events).to_string();
    let answer = bench.post("/v1/events", &bench.mes(), &[("content-type", BATCH)], body).await;
    assert_eq!(answer.status, 200);
}

/// The files of an archive.
fn unzip(bytes: &[u8]) -> Bundle {
    let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
    let mut bundle = Bundle::new();
    for index in 0..archive.len() {
        let mut file = archive.by_index(index).unwrap();
        let name = file.name().unwrap().into_owned();
        let mut content = Vec::new();
        file.read_to_end(&mut content).unwrap();
        bundle.insert(&name, content).unwrap();
    }
    bundle
}

fn verdict(bundle: &Bundle) -> Verdict {
    match bundle.check(OwnEvidence::default(), 1).unwrap() {
        BundleVerdict::Full(verdict) => verdict,
        other => panic!("a full bundle was taken for {other:?}"),
    }
}

#[actix_web::test]
async fn a_report_has_the_same_bytes_until_the_log_grows() {
    let bench = Bench::start().await;
    fill(&bench).await;
    let lead = bench.token("op_lead", &[Role::Lead], None);
    let get =
        async |rest: &str| bench.get(&format!("/v1/reports/disposal?{YEAR}{rest}"), &lead).await;
    let json = get("").await;
    assert_eq!(json.status, 200, "{}", String::from_utf8_lossy(&json.body));
    let report = json.json();
    assert_eq!(report["head"]["size"], 41);
    assert_eq!(report["head"]["root"], bench.head().1.to_base64());
    for (rest, type_, start) in [
        ("&format=json", "application/json", "{"),
        ("&format=csv", "text/csv; charset=utf-8", ""),
        ("&format=pdf", "application/pdf", "%PDF-"),
        ("&format=pdf&lang=de", "application/pdf", "%PDF-"),
    ] {
        let (one, two) = (get(rest).await, get(rest).await);
        assert_eq!((one.status, one.header("content-type")), (200, Some(type_)), "{rest}");
        assert!(one.body.starts_with(start.as_bytes()), "{rest}");
        assert!(one.body == two.body, "{rest}: other bytes for the same head");
    }
    bench.clock.jump(86_400_000);
    let token = bench.token("op_lead", &[Role::Lead], None);
    let later = bench.get(&format!("/v1/reports/disposal?{YEAR}"), &token).await;
    assert!(later.body == json.body, "the hour of asking changes nothing");

    for bad in [
        "site=north&from=2026-01-01",
        "site=north&from=2026-12-31&to=2026-01-01",
        "site=north&from=2026-13-01&to=2026-12-31",
        "site=north&from=1990-01-01&to=2026-12-31",
        "site=a%20b&from=2026-01-01&to=2026-12-31",
    ] {
        let answer = bench.get(&format!("/v1/reports/disposal?{bad}"), &token).await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    for bad in ["&format=xls", "&lang=xx", "&colour=red"] {
        let answer = bench.get(&format!("/v1/reports/disposal?{YEAR}{bad}"), &token).await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    let south = bench.token("op_lead", &[Role::Lead], Some(&["south"]));
    let answer = bench.get(&format!("/v1/reports/disposal?{YEAR}"), &south).await;
    assert_eq!(answer.code(), "not-found", "another site's report");
    assert_eq!(bench.recorder.log.size(), 41, "compiling records nothing");
    bench.stop().await;
}

#[actix_web::test]
async fn an_issued_report_stands_in_the_record_and_is_given_out_as_it_was() {
    let bench = Bench::start().await;
    fill(&bench).await;
    let ehs = bench.token("op_ehs", &[Role::Ehs], None);
    let authority = bench.token("op_auth", &[Role::Authority], None);
    let headers = [("content-type", "application/json")];
    let south = bench.token("op_auth", &[Role::Authority], Some(&["south"]));
    let mut listed = Vec::new();
    for (kind, seq) in [("disposal", 41), ("maintenance", 42)] {
        let order = format!("/v1/reports/{kind}");
        let issued = bench.post(&order, &ehs, &headers, ORDER).await;
        assert_eq!(issued.status, 201, "{}", issued.json());
        let view = issued.json();
        assert_eq!((&view["report"], &view["site"]), (&json!(kind), &json!("north")));
        assert_eq!((&view["as_of"], &view["seq"]), (&json!(seq), &json!(seq)));
        assert_eq!(bench.names(seq), ["report.issued"]);

        listed.insert(0, view.clone());
        let list = bench.get("/v1/reports", &authority).await.json();
        assert_eq!(list["items"], json!(listed));
        let path = issued.header("location").unwrap();
        let json = bench.get(path, &authority).await;
        assert_eq!(Digest::of(&json.body).to_string(), view["digest"].as_str().unwrap());
        assert_eq!(json.json()["report"], kind);
        let pdf = bench.get(&format!("{path}?format=pdf"), &authority).await;
        assert_eq!(Digest::of(&pdf.body).to_string(), view["pdf_digest"].as_str().unwrap());
        assert_eq!(bench.get(&format!("{path}?format=csv"), &authority).await.status, 200);

        assert_eq!(bench.get(path, &south).await.code(), "not-found");
        assert_eq!(bench.get("/v1/reports", &south).await.json()["items"], json!([]));

        // A file that was changed is not passed off as the one issued.
        let digest = view["digest"].as_str().unwrap();
        let file = bench.dir.path().join(format!("data/reports/{digest}.json"));
        std::fs::write(&file, b"{}").unwrap();
        assert_eq!(bench.get(path, &authority).await.code(), "internal");
    }
    for kind in ["disposal", "maintenance"] {
        let compile = format!("/v1/reports/{kind}?{YEAR}");
        let answer = bench.get(&compile, &authority).await;
        assert_eq!(answer.code(), "forbidden", "released reports only");
    }
    bench.stop().await;
}

#[actix_web::test]
async fn the_evidence_is_sound_and_one_changed_byte_is_found() {
    let bench = Bench::start().await;
    fill(&bench).await;
    let ehs = bench.token("op_ehs", &[Role::Ehs], None);
    let headers = [("content-type", "application/json")];
    for kind in ["disposal", "maintenance"] {
        let path = format!("/v1/reports/{kind}");
        assert_eq!(bench.post(&path, &ehs, &headers, ORDER).await.status, 201);
    }
    let auditor = bench.token("op_audit", &[Role::Auditor], None);
    let taken = bench.get("/v1/evidence", &auditor).await;
    assert_eq!((taken.status, taken.header("content-type")), (200, Some("application/zip")));
    let bundle = unzip(&taken.body);
    match verdict(&bundle) {
        Verdict::Sound(summary) => assert_eq!((summary.entries, summary.checkpoint_size), (43, 43)),
        Verdict::Broken(fault) => panic!("{fault}"),
    }
    for name in [
        "READ-ME-FIRST.txt",
        "policy.txt",
        "reports/disposal-41.json",
        "reports/disposal-41.pdf",
        "reports/maintenance-42.json",
        "reports/maintenance-42.csv",
        "reports/maintenance-42.pdf",
    ] {
        assert!(bundle.get(name).is_some_and(|content| !content.is_empty()), "{name}");
    }
    let mut changed = Bundle::new();
    for (name, content) in bundle.iter() {
        let mut content = content.to_vec();
        if name == "entries.ndjson" {
            let at = content.len() / 2;
            content[at] ^= 1;
        }
        changed.insert(name, content).unwrap();
    }
    assert!(matches!(verdict(&changed), Verdict::Broken(_)));
    let north = bench.token("op_audit", &[Role::Auditor], Some(&["north"]));
    assert_eq!(bench.get("/v1/evidence", &north).await.code(), "forbidden-site");
    bench.stop().await;
}

fn seams() -> Seams {
    let clock = std::sync::Arc::new(SimClock::new(NOON_MS));
    Seams { clock, random: || Box::new(OsRandom) }
}

fn check(config: &Config) -> Result<u64, String> {
    match check::verdict(config, &CheckArgs { keys: None, bytes: false }).unwrap() {
        Verdict::Sound(summary) => Ok(summary.entries),
        Verdict::Broken(fault) => Err(fault.to_string()),
    }
}

fn from(dir: std::path::PathBuf) -> RestoreArgs {
    RestoreArgs { from: dir, ..RestoreArgs::default() }
}

fn the_segment(config: &Config) -> std::path::PathBuf {
    config.log.data_dir.join("log/entries/00000000000000000000.log")
}

#[actix_web::test]
async fn a_log_on_disk_is_checked_exported_copied_and_rebuilt() {
    let _alone = with_index_on_disk().await;
    let bench = Bench::start_with(on_disk).await;
    fill(&bench).await;
    bench.recorder.log.publish().await.unwrap();
    let mut config = config(bench.dir.path());
    on_disk(&mut config);
    let away = tempfile::tempdir().unwrap();
    let to = |name: &str| away.path().join(name);

    // While the service runs.
    assert_eq!(check(&config), Ok(41));
    export::run(&config, &ExportArgs { dir: to("bundle") }).unwrap();
    assert!(matches!(verdict(&read(&to("bundle"))), Verdict::Sound(s) if s.entries == 41));
    assert!(export::run(&config, &ExportArgs { dir: to("bundle") }).is_err(), "not into another");
    backup::backup(&config, &BackupArgs { dir: to("copy"), with_keys: true }).unwrap();
    assert!(rebuild::run(&config, &seams()).is_err(), "not while the service runs");

    let dir = bench.stop().await;
    rebuild::run(&config, &seams()).unwrap();
    assert_eq!(check(&config), Ok(41));

    // The copy goes on as the log it is a copy of.
    let other = tempfile::tempdir().unwrap();
    let restored = crate::bench::config(other.path());
    restore::run(&restored, &from(to("copy"))).unwrap();
    assert!(restore::run(&restored, &from(to("copy"))).is_err(), "never over a log");
    let again = std::sync::Arc::new(other);
    let bench = Bench::start_in(again, SimClock::new(NOON_MS + 1), |_| {}).await;
    assert_eq!(bench.recorder.log.size(), 41);
    assert_eq!(
        bench.record(&bench.mes(), &reading("r0", "1")).await.status,
        200,
        "known in the copy"
    );
    assert_eq!(bench.record(&bench.mes(), &reading("new", "1")).await.status, 201);
    bench.stop().await;

    // A byte of an entry is changed on the disk.
    let segment = the_segment(&config);
    let mut bytes = std::fs::read(&segment).unwrap();
    let at = bytes.iter().position(|b| *b == b'\n').unwrap() + 100;
    bytes[at] ^= 1;
    std::fs::set_permissions(&segment, std::fs::Permissions::from_mode(0o600)).unwrap();
    std::fs::write(&segment, bytes).unwrap();
    let found = check(&config).unwrap_err();
    assert!(found.contains("broken at entry 1"), "{found}");
    assert!(backup::backup(&config, &BackupArgs { dir: to("bad"), with_keys: false }).is_err());
    drop(dir);
}

/// An exported bundle asks for the witnesses of the configuration, by itself.
#[actix_web::test]
async fn an_export_asks_for_the_witnesses_and_takes_the_reports_along() {
    let bench = Bench::start().await;
    fill(&bench).await;
    let ehs = bench.token("op_ehs", &[Role::Ehs], None);
    let headers = [("content-type", "application/json")];
    assert_eq!(bench.post("/v1/reports/maintenance", &ehs, &headers, ORDER).await.status, 201);
    bench.recorder.log.publish().await.unwrap();
    let mut config = config(bench.dir.path());
    let dir = bench.stop().await;

    let witness = Ed25519Signer::witness("witness.example.net/w1", &[7; 32]).unwrap();
    let stranger = Ed25519Signer::witness("witness.example.net/w1", &[8; 32]).unwrap();
    config.witnesses = vec![WitnessConfig {
        url: "https://witness.example.net".to_owned(),
        key: witness.verifier().to_string(),
    }];
    let away = tempfile::tempdir().unwrap();
    let exported = |name: &str| {
        let to = away.path().join(name);
        export::run(&config, &ExportArgs { dir: to.clone() }).unwrap();
        read(&to)
    };
    let checkpoints = config.log.data_dir.join("log/checkpoints");
    let newest = newest_checkpoint(&checkpoints);
    let alone = std::fs::read_to_string(&newest).unwrap();
    let text = alone.split_once("\n\n").unwrap().0.to_owned() + "\n";
    let cosigned = |signer: &Ed25519Signer| {
        std::fs::write(&newest, format!("{alone}{}", cosign(&text, 1_772_712_000, signer)))
            .unwrap();
    };
    let fault = |bundle: &Bundle| match verdict(bundle) {
        Verdict::Broken(fault) => fault.to_string(),
        Verdict::Sound(summary) => panic!("{summary}"),
    };

    let bare = exported("bare");
    let policy = String::from_utf8(bare.get("policy.txt").unwrap().to_vec()).unwrap();
    assert!(policy.contains(&witness.verifier().to_string()), "{policy}");
    assert!(!policy.contains("quorum none"), "{policy}");
    assert!(bare.get("reports/maintenance-41.json").is_some());
    assert!(bare.get("reports/maintenance-41.pdf").is_some());
    assert!(fault(&bare).contains("quorum"), "nobody cosigned: {}", fault(&bare));
    cosigned(&stranger);
    let foreign = exported("foreign");
    assert!(fault(&foreign).contains("quorum"), "a stranger: {}", fault(&foreign));
    cosigned(&witness);
    match verdict(&exported("cosigned")) {
        Verdict::Sound(summary) => assert_eq!(summary.not_covered_outside(), 0, "{summary}"),
        Verdict::Broken(fault) => panic!("{fault}"),
    }
    drop(dir);
}

/// The checkpoint of the most entries.
fn newest_checkpoint(dir: &Path) -> std::path::PathBuf {
    let files = std::fs::read_dir(dir).unwrap().map(|file| file.unwrap().path());
    files.max().unwrap()
}

fn read(dir: &Path) -> Bundle {
    fn walk(dir: &Path, prefix: &str, bundle: &mut Bundle) {
        for entry in std::fs::read_dir(dir).unwrap() {
            let entry = entry.unwrap();
            let name = format!("{prefix}{}", entry.file_name().to_str().unwrap());
            if entry.file_type().unwrap().is_dir() {
                walk(&entry.path(), &format!("{name}/"), bundle);
            } else {
                bundle.insert(&name, std::fs::read(entry.path()).unwrap()).unwrap();
            }
        }
    }
    let mut bundle = Bundle::new();
    walk(dir, "", &mut bundle);
    bundle
}

#[actix_web::test]
async fn a_watermark_of_a_longer_log_forbids_going_on_from_an_older_copy() {
    let bench = Bench::start().await;
    fill(&bench).await;
    let config = config(bench.dir.path());
    let away = tempfile::tempdir().unwrap();
    let copy = away.path().join("copy");
    backup::backup(&config, &BackupArgs { dir: copy.clone(), with_keys: true }).unwrap();
    bench.record(&bench.mes(), &reading("later", "1")).await;
    let dir = bench.stop().await;
    std::fs::remove_dir_all(dir.path().join("data/log")).unwrap();
    let refused = restore::run(&config, &from(copy)).unwrap_err();
    assert!(refused.to_string().contains("watermark"), "{refused}");
}
