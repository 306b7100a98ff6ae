//! A head office that follows the logs of two sites: what it keeps, what it answers, and what a site
//! cannot do unseen.

use std::path::Path;
use std::sync::Arc;

use chain::proof::TlogProof;
use ledger::sim::SimClock;
use recorder::config::{Config, FollowedConfig};
use serde_json::Value;
use shopfloor::people::events::Role;

use crate::bench::{Bench, NOON_MS, reading};

/// Lets a configuration follow a running site, with a token that its operator handed over.
pub(crate) fn follow(config: &mut Config, name: &str, site: &Bench) {
    let reader = site.token("svc_head_office", &[Role::Auditor], None);
    follow_with(config, name, site, &reader);
}

fn follow_with(config: &mut Config, name: &str, site: &Bench, token: &str) {
    let token_file = site.dir.path().join("head-office.token");
    std::fs::write(&token_file, format!("{token}\n")).unwrap();
    config.following.logs.push(FollowedConfig {
        name: name.to_owned(),
        url: site.base.clone(),
        key: site.recorder.log.key().to_string(),
        token_file,
    });
}

/// A site with an origin of its own.
async fn site(name: &'static str) -> Bench {
    site_in(Arc::new(tempfile::tempdir().unwrap()), name).await
}

async fn site_in(dir: Arc<tempfile::TempDir>, name: &'static str) -> Bench {
    let named = |config: &mut Config| {
        config.log.origin = format!("records.brackwater.example/{name}");
    };
    Bench::start_in(dir, SimClock::new(NOON_MS), named).await
}

async fn head_office_in(dir: Arc<tempfile::TempDir>, sites: &[(&str, &Bench)]) -> Bench {
    Bench::start_in(dir, SimClock::new(NOON_MS), |config| {
        config.log.origin = "records.brackwater.example/office".into();
        for (name, site) in sites {
            follow(config, name, site);
        }
    })
    .await
}

async fn head_office(sites: &[(&str, &Bench)]) -> Bench {
    head_office_in(Arc::new(tempfile::tempdir().unwrap()), sites).await
}

async fn readings(site: &Bench, ids: &[&str]) {
    for (number, id) in ids.iter().enumerate() {
        let answer = site.record(&site.mes(), &reading(id, &format!("{}", 10 + number))).await;
        assert_eq!(answer.status, 201, "{}", answer.json());
    }
    site.recorder.log.publish().await.unwrap();
}

async fn asked(office: &Bench, path: &str) -> Value {
    let lead = office.token("op_x", &[Role::Lead], None);
    let answer = office.get(path, &lead).await;
    assert_eq!(answer.status, 200, "{path}: {}", answer.json());
    answer.json()
}

/// What the office says of the log with this name.
async fn standing(office: &Bench, name: &str) -> Value {
    let list = asked(office, "/v1/logs").await;
    list["items"].as_array().unwrap().iter().find(|item| item["log"] == name).unwrap().clone()
}

fn copy_dir(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        match entry.file_type().unwrap().is_dir() {
            true => copy_dir(&entry.path(), &target),
            false => drop(std::fs::copy(entry.path(), target).unwrap()),
        }
    }
}

#[actix_web::test]
async fn a_head_office_answers_over_its_sites_from_entries_it_checked() {
    let (north, south) = (site("north").await, site("south").await);
    crate::examples::tell(&north).await;
    crate::examples::tell(&south).await;
    readings(&south, &["south-1"]).await;
    north.recorder.log.publish().await.unwrap();
    let office = head_office(&[("north", &north), ("south", &south)]).await;
    office.recorder.following.look_at_all().await;

    for (name, site) in [("north", &north), ("south", &south)] {
        let told = standing(&office, name).await;
        assert_eq!(told["kept"]["size"], site.recorder.log.size(), "{told}");
        assert_eq!(told["kept"]["root"], site.head().1.to_base64());
        assert_eq!((told["behind"].as_u64(), told.get("trouble")), (Some(0), None), "{told}");
        assert!(told["machines"].as_u64().unwrap() >= 3, "{told}");
    }
    // The same question as at each site, answered for both.
    let of_log = |answer: &Value, log: &str| {
        answer["items"].as_array().unwrap().iter().filter(|item| item["log"] == log).count()
    };
    let due = asked(&office, "/v1/logs/due?state=within_limit").await;
    let there = asked(&north, "/v1/due").await;
    assert_eq!(of_log(&due, "north"), there["items"].as_array().unwrap().len());
    assert!(of_log(&due, "south") > 0, "{due}");
    let clocks = asked(&office, "/v1/logs/clocks").await;
    let there = asked(&south, "/v1/clocks?site=north").await;
    assert_eq!(of_log(&clocks, "south"), there["items"].as_array().unwrap().len(), "{clocks}");
    let findings = asked(&office, "/v1/logs/findings?limit=1000").await;
    let there = asked(&north, "/v1/findings?open=true").await;
    assert_eq!(of_log(&findings, "north"), there["items"].as_array().unwrap().len());
    let lots = asked(&office, "/v1/logs/lots/PA-0417").await;
    assert_eq!((of_log(&lots, "north"), of_log(&lots, "south")), (1, 1), "{lots}");

    // An entry is the site's, byte for byte, and its proof needs the site's key only.
    let lead = office.token("op_x", &[Role::Lead], None);
    let entry = office.get("/v1/logs/south/entries/5", &lead).await.body;
    assert_eq!(Some(&entry), south.recorder.log.entry(5).unwrap().as_ref());
    let proof = office.get("/v1/logs/south/entries/5/proof", &lead).await.body;
    let proof = TlogProof::parse(&proof).unwrap();
    proof
        .verify(&chain::entry::leaf_hash(&entry), &[south.recorder.log.key().clone()], None)
        .unwrap();
    let beyond = format!("/v1/logs/south/entries/{}", south.recorder.log.size());
    assert_eq!(office.get(&beyond, &lead).await.status, 404);
    assert_eq!(office.get("/v1/logs/west/entries/0", &lead).await.status, 404);

    // A token for one site does not look over the others.
    let one = office.token("op_x", &[Role::Lead], Some(&["north"]));
    for path in ["/v1/logs", "/v1/logs/due", "/v1/logs/lots/PA-0417", "/v1/logs/south/entries/5"] {
        assert_eq!(office.get(path, &one).await.code(), "forbidden-site", "{path}");
    }
    for bench in [office, north, south] {
        bench.stop().await;
    }
}

#[actix_web::test]
async fn checkpoints_of_sites_are_kept_in_the_office_log_from_time_to_time() {
    let north = site("north").await;
    readings(&north, &["a", "b"]).await;
    let office = head_office(&[("north", &north)]).await;
    let before = office.recorder.log.size();
    office.recorder.following.look_at_all().await;
    assert_eq!(office.names(before), ["log.followed"]);
    let told = standing(&office, "north").await;
    assert_eq!(told["kept_by"], before, "{told}");
    let entry = asked(&office, &format!("/v1/entries/{before}")).await;
    let note = entry["event"]["data"]["note"].as_str().unwrap().to_owned();
    let key = north.recorder.log.key().clone();
    let signed = chain::checkpoint::Checkpoint::open(note.as_bytes(), &[key]).unwrap();
    assert_eq!(signed.checkpoint.size, north.recorder.log.size());

    // Not with every look, and not when there is nothing new.
    readings(&north, &["c"]).await;
    office.recorder.following.look_at_all().await;
    assert_eq!(office.recorder.log.size(), before + 1);
    assert_eq!(standing(&office, "north").await["kept"]["size"], north.recorder.log.size());
    office.clock.jump(3_600_000);
    office.recorder.following.look_at_all().await;
    office.recorder.following.look_at_all().await;
    assert_eq!(office.names(before), ["log.followed", "log.followed"]);
    for bench in [office, north] {
        bench.stop().await;
    }
}

#[actix_web::test]
async fn a_site_that_puts_an_old_copy_back_is_told_after_a_restart_of_both() {
    let north = site("north").await;
    readings(&north, &["a", "b"]).await;
    let dir = north.stop().await;
    let old = tempfile::tempdir().unwrap();
    copy_dir(&dir.path().join("data"), &old.path().join("data"));
    let north = site_in(dir, "north").await;
    readings(&north, &["c", "d", "e"]).await;
    let office = head_office(&[("north", &north)]).await;
    office.recorder.following.look_at_all().await;
    let kept = standing(&office, "north").await["kept"].clone();
    north.stop().await;
    let office_dir = office.stop().await;

    let north = site_in(Arc::new(old), "north").await;
    let office = head_office_in(office_dir, &[("north", &north)]).await;
    let before = office.recorder.log.size();
    office.recorder.following.look_at_all().await;
    let told = standing(&office, "north").await;
    assert!(told["trouble"].as_str().unwrap().contains("shortened"), "{told}");
    assert_eq!(told["kept"], kept, "what was kept stays");
    assert_eq!(office.recorder.log.size(), before, "an old answer of a cache is no contradiction");
    for _ in 0..3 {
        office.recorder.following.look_at_all().await;
    }
    assert_eq!(office.names(before), ["log.disputed"], "recorded once");
    let entry = asked(&office, &format!("/v1/entries/{before}")).await;
    assert_eq!(entry["event"]["data"]["contradiction"], "shortened");
    assert_eq!(standing(&office, "north").await["disputed_by"], before);
    let metrics = office.get("/metrics", &office.token("op_v", &[Role::Admin], None)).await;
    let metrics = String::from_utf8(metrics.body).unwrap();
    assert!(metrics.contains("pulverlog_followed_disputed{log=\"north\"} 1"), "{metrics}");

    // Recording on from the old copy makes another history, whichever way it is looked at.
    readings(&north, &["x", "y", "z", "and-more"]).await;
    office.recorder.following.look_at_all().await;
    let told = standing(&office, "north").await;
    assert!(told["trouble"].as_str().unwrap().contains("contradicts"), "{told}");
    assert_eq!(told["kept"], kept);
    for bench in [office, north] {
        bench.stop().await;
    }
}

#[actix_web::test]
async fn an_office_that_lost_its_mirror_still_has_the_memory_of_its_own_log() {
    let north = site("north").await;
    readings(&north, &["a", "b"]).await;
    let dir = north.stop().await;
    let old = tempfile::tempdir().unwrap();
    copy_dir(&dir.path().join("data"), &old.path().join("data"));
    let north = site_in(dir, "north").await;
    readings(&north, &["c", "d"]).await;
    let office = head_office(&[("north", &north)]).await;
    office.recorder.following.look_at_all().await;
    let office_dir = office.stop().await;
    std::fs::remove_dir_all(office_dir.path().join("data/followed")).unwrap();

    // The site as it was: the mirror is fetched anew and fits.
    let office = head_office_in(office_dir, &[("north", &north)]).await;
    let before = office.recorder.log.size();
    office.recorder.following.look_at_all().await;
    let told = standing(&office, "north").await;
    assert_eq!((told["kept"]["size"].as_u64(), told.get("trouble")), (Some(north.head().0), None));
    let office_dir = office.stop().await;
    north.stop().await;

    // The site with an old copy: the mirror has nothing to compare with, the log has.
    std::fs::remove_dir_all(office_dir.path().join("data/followed")).unwrap();
    let north = site_in(Arc::new(old), "north").await;
    let office = head_office_in(office_dir, &[("north", &north)]).await;
    for _ in 0..3 {
        office.recorder.following.look_at_all().await;
    }
    assert_eq!(office.names(before), ["log.disputed"]);
    let data = asked(&office, &format!("/v1/entries/{before}")).await["event"]["data"].clone();
    assert_eq!(data["contradiction"], "shortened");
    for bench in [office, north] {
        bench.stop().await;
    }
}

#[actix_web::test]
async fn two_roots_over_the_same_entries_are_recorded_at_once_with_both_signatures() {
    let north = site("north").await;
    let dir = north.stop().await;
    let twin = Arc::new(tempfile::tempdir().unwrap());
    copy_dir(&dir.path().join("data"), &twin.path().join("data"));
    // The same key signs two logs.
    let (north, twin) = (site_in(dir, "north").await, site_in(twin, "north").await);
    readings(&north, &["a", "b"]).await;
    readings(&twin, &["a", "c"]).await;
    let office = head_office(&[("north", &north)]).await;
    office.recorder.following.look_at_all().await;
    let office_dir = office.stop().await;
    let office = head_office_in(office_dir, &[("north", &twin)]).await;
    let before = office.recorder.log.size();
    office.recorder.following.look_at_all().await;
    assert_eq!(office.names(before), ["log.disputed"]);
    let data = asked(&office, &format!("/v1/entries/{before}")).await["event"]["data"].clone();
    assert_eq!(data["contradiction"], "other_history");
    let open = |member: &str| {
        let note = data[member].as_str().unwrap().as_bytes();
        let key = north.recorder.log.key().clone();
        chain::checkpoint::Checkpoint::open(note, &[key]).unwrap().checkpoint
    };
    let (kept, shown) = (open("kept"), open("shown"));
    assert_eq!(kept.size, shown.size);
    assert_ne!(kept.root, shown.root);
    for bench in [office, north, twin] {
        bench.stop().await;
    }
}

#[actix_web::test]
async fn what_hinders_following_is_named_and_ends_when_it_is_mended() {
    let north = site("north").await;
    readings(&north, &["a"]).await;
    let one_site = north.token("svc_head_office", &[Role::Auditor], Some(&["south"]));
    let office = Bench::start_with(|config| {
        config.log.origin = "records.brackwater.example/office".into();
        follow_with(config, "north", &north, &one_site);
    })
    .await;
    let token_file = office.recorder.config.following.logs[0].token_file.clone();
    let trouble = async |office: &Bench| {
        office.recorder.following.look_at_all().await;
        let told = standing(office, "north").await;
        assert_eq!(told.get("kept"), None, "{told}");
        told["trouble"].as_str().unwrap().to_owned()
    };
    assert!(trouble(&office).await.contains("left out of its feed"));
    std::fs::write(&token_file, "nonsense").unwrap();
    assert!(trouble(&office).await.contains("status 401"));
    std::fs::remove_file(&token_file).unwrap();
    assert!(trouble(&office).await.contains("token_file"));
    assert!(!trouble(&office).await.contains(&*token_file.display().to_string()));
    let good = north.token("svc_head_office", &[Role::Auditor], None);
    std::fs::write(&token_file, good).unwrap();
    office.recorder.following.look_at_all().await;
    let told = standing(&office, "north").await;
    assert_eq!(told["kept"]["size"], north.recorder.log.size(), "{told}");
    north.stop().await;
    office.recorder.following.look_at_all().await;
    let told = standing(&office, "north").await;
    assert_eq!(told["trouble"], "it could not be reached");
    assert!(told["kept"]["size"].as_u64().unwrap() > 0, "what was kept still answers: {told}");
    office.stop().await;
}
