//! The player against a real recorder: HTTP, files, tokens.

use std::collections::BTreeSet;
use std::sync::Arc;

use chain::verify::Verdict;
use ledger::seams::{Clock, OsRandom};

use super::*;
use crate::demo::shop::Expect;

struct Stopped;
impl Clock for Stopped {
    fn now_ms(&self) -> i64 {
        1_800_000_000_000
    }
}

fn args() -> DemoArgs {
    DemoArgs {
        once: Some("unused".into()),
        seed: 1,
        events: None,
        data: None,
        address: SocketAddr::from(([127, 0, 0, 1], 0)),
    }
}

/// The first days of the year, with a retry and a clash of ids in them.
fn first_days() -> Script {
    let mut script = shop::script(Options::default());
    let clash = script
        .posts
        .iter()
        .position(|post| post.items.iter().any(|i| matches!(i.expect, Expect::Conflict(_))))
        .expect("a clash is planted in November");
    script.posts.truncate(clash + 40);
    script.troubles.clear();
    script
}

#[actix_web::test]
async fn what_was_acknowledged_is_in_the_log_exactly_once() {
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    let script = first_days();
    let (kept, args) = (Kept::new(&args()).unwrap(), args());
    let seams = Seams { clock: Arc::new(Stopped), random: || Box::new(OsRandom) };
    let config = settings(Config::default(), &kept, &args);
    let house = House::open(config, &seams, &args, script.begins).await.unwrap();
    let result = house.perform(script).await.unwrap();

    let played = &result.performance.played;
    let surprises: Vec<_> = played.surprises(&result.script).collect();
    assert!(surprises.is_empty(), "{surprises:?}");
    let recorded: Vec<u64> = played.recorded().collect();
    let distinct: BTreeSet<u64> = recorded.iter().copied().collect();
    assert_eq!(recorded.len(), distinct.len(), "two events got one entry");
    assert_eq!(recorded.len(), result.script.recorded());
    // The receipts went into the check: a leaf that is not the acknowledged one breaks it.
    let Verdict::Sound(summary) = &result.evidence.verdict else {
        panic!("{:?}", result.evidence.verdict)
    };
    assert_eq!(summary.entries, result.refolded.entries());
    assert!(recorded.iter().all(|seq| *seq < summary.entries));
    // The report was issued over the API: the record tells it, and the evidence holds it.
    let issued = &result.issued;
    assert_eq!(result.refolded.state.record.reports()[0].seq, issued.seq);
    for (form, bytes) in &issued.forms {
        let name = format!("reports/disposal-{}.{form}", issued.seq);
        assert_eq!(result.evidence.bundle.get(&name), Some(&bytes[..]), "{name}");
    }
    // Work is recorded at the shop's time, not at that of the machine that plays it.
    let last = result.refolded.facts.last().unwrap();
    assert!(last.recorded_at <= result.script.ends);
    house.close().await.unwrap();
}

#[actix_web::test]
async fn a_receipt_that_the_log_does_not_honour_breaks_the_verdict() {
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    let mut script = first_days();
    script.posts.truncate(20);
    let (kept, args) = (Kept::new(&args()).unwrap(), args());
    let seams = Seams { clock: Arc::new(Stopped), random: || Box::new(OsRandom) };
    let config = settings(Config::default(), &kept, &args);
    let house = House::open(config, &seams, &args, script.begins).await.unwrap();
    let result = house.perform(script).await.unwrap();
    let mut leaves = result.performance.leaves.clone();
    let first = *leaves.keys().next().unwrap();
    leaves.insert(first, "0".repeat(64));
    let auditor = house.caller(AUDITOR, Role::Auditor, None).unwrap();
    let evidence = auditor.take(&leaves).await.unwrap();
    assert!(matches!(evidence.verdict, Verdict::Broken(_)), "{:?}", evidence.verdict);
    house.close().await.unwrap();
}

#[test]
fn a_directory_that_holds_something_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("mine.txt"), "mine").unwrap();
    let args = DemoArgs { data: Some(dir.path().to_owned()), ..args() };
    let error = Kept::new(&args).err().expect("refused").to_string();
    assert!(error.contains("is not empty"), "{error}");
    assert!(dir.path().join("mine.txt").try_exists().unwrap());
}

#[test]
fn more_events_are_made_on_demand() {
    let args = DemoArgs { events: Some(40_000), ..args() };
    let script = script(&args).unwrap();
    assert!((40_000..80_000).contains(&script.events()), "{}", script.events());
    let args = DemoArgs { events: Some(usize::MAX / 2), ..args };
    assert!(script_error(&args).contains("no more than"));
}

fn script_error(args: &DemoArgs) -> String {
    script(args).expect_err("too many").to_string()
}
