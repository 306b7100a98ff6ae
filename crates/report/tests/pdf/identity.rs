//! The same input gives the same bytes: in another thread, in another process, on another day.

use std::process::Command;

use report::pdf::{Paper, render};
use sha2::{Digest, Sha256};

use super::sample::{document, full, settings};

fn digest() -> String {
    hex::encode(Sha256::digest(render(&full(), &settings(Paper::A4)).unwrap()))
}

/// Prints the digest for [`threads_and_processes_agree`], which runs this test alone in processes
/// of their own.
#[test]
fn printed_digest() {
    println!("digest {}", digest());
}

#[test]
fn threads_and_processes_agree() {
    let here = digest();
    let threads: Vec<_> = (0..2).map(|_| std::thread::spawn(digest)).collect();
    for thread in threads {
        assert_eq!(thread.join().unwrap(), here);
    }
    for _ in 0..2 {
        let output = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "identity::printed_digest", "--nocapture"])
            .output()
            .unwrap();
        let said = String::from_utf8(output.stdout).unwrap();
        assert!(said.contains(&format!("digest {here}")), "{said}");
    }
}

/// Reports are compiled again by auditors and compared byte by byte, so a change of the bytes is a
/// change of format: this digest moves only with a line in the upgrade notes. It also moves if
/// another crate of the build turns on a different compressor in flate2; then mend that crate.
#[test]
fn the_bytes_of_the_sample_are_the_ones_written_down() {
    let golden = include_str!("sample.sha256").trim();
    assert_eq!(digest(), golden, "see the comment of this test");
}

#[test]
fn another_date_or_letter_gives_other_bytes() {
    let one = render(&document("A", vec![]), &settings(Paper::A4)).unwrap();
    let other = render(&document("B", vec![]), &settings(Paper::A4)).unwrap();
    assert_ne!(one, other);
    let mut later = settings(Paper::A4);
    later.created = "2026-04-07T06:30:01Z".parse().unwrap();
    assert_ne!(render(&document("A", vec![]), &later).unwrap(), one);
}
