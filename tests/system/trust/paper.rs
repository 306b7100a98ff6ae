//! The paper anchor: what a scanner reads off a printed report is a checkpoint, with the log's
//! signature and the witness's, and it is found in the log or not.

use std::path::Path;
use std::process::Command;

use serde_json::json;
use tests::programs::{printed, program, run};

use super::shop::Shop;

const PERIOD: &str = "site=north&from=2026-01-01&to=2026-12-31";
/// Dots in an inch at which pages are rendered: what an office scanner gives.
const DPI: u32 = 300;

/// A grey picture.
struct Picture {
    width: usize,
    height: usize,
    grey: Vec<u8>,
}

/// The pages of a PDF as pictures (`pdftoppm -gray` writes binary PGM).
fn pages(pdf: &Path) -> Vec<Picture> {
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = Command::new("pdftoppm");
    command.args(["-gray", "-r", &DPI.to_string()]).arg(pdf).arg(folder.path().join("page"));
    let output = run(&mut command);
    assert!(output.status.success(), "{}", printed(&output));
    let mut files: Vec<_> = std::fs::read_dir(folder.path())
        .expect("pages")
        .map(|file| file.expect("a page").path())
        .collect();
    files.sort();
    files.iter().map(|file| read_pgm(&std::fs::read(file).expect("a page"))).collect()
}

fn read_pgm(bytes: &[u8]) -> Picture {
    let mut fields = Vec::new();
    let mut at = 0;
    while fields.len() < 4 {
        let end = at + bytes[at..].iter().position(u8::is_ascii_whitespace).expect("a field");
        fields.push(std::str::from_utf8(&bytes[at..end]).expect("text").to_owned());
        at = end + 1;
    }
    assert_eq!((fields[0].as_str(), fields[3].as_str()), ("P5", "255"));
    let number = |n: usize| fields[n].parse().expect("a number");
    Picture { width: number(1), height: number(2), grey: bytes[at..].to_vec() }
}

/// Side of what a hand scanner sees at once, in pixels: 11 cm.
const SEEN: usize = 1300;

/// What the code on a page holds, and the side of a module in mm. The page is passed under the
/// scanner in steps of half of what it sees.
fn scanned(page: &Picture) -> Option<(String, f64)> {
    let steps = |length: usize| (0..length.saturating_sub(SEEN / 2)).step_by(SEEN / 2);
    steps(page.height).find_map(|top| steps(page.width).find_map(|left| read_code(page, left, top)))
}

fn read_code(page: &Picture, left: usize, top: usize) -> Option<(String, f64)> {
    let (width, height) = (SEEN.min(page.width - left), SEEN.min(page.height - top));
    let mut image = rqrr::PreparedImage::prepare_from_greyscale(width, height, |x, y| {
        page.grey[(top + y) * page.width + left + x]
    });
    image.detect_grids().iter().find_map(|grid| {
        let [a, b, ..] = grid.bounds;
        let side = f64::from((a.x - b.x).pow(2) + (a.y - b.y).pow(2)).sqrt();
        let (meta, content) = grid.decode().ok()?;
        let modules = f64::from(u32::try_from(meta.version.to_size()).ok()?);
        Some((content, side / modules / f64::from(DPI) * 25.4))
    })
}

#[test]
fn the_code_on_a_printed_report_is_an_anchor_that_verifies() {
    let shop = Shop::open(5);
    shop.fill_drums();
    let issued = shop.issue_report();
    let auditor = shop.auditor();
    let path = format!("/v1/reports/{}", issued["digest"].as_str().expect("a digest"));
    let report = auditor.get(&path).expect("an answer").json();
    let pdf = shop.folder.path().join("report.pdf");
    let print = auditor.get(&format!("{path}?format=pdf")).expect("an answer");
    std::fs::write(&pdf, print.body).expect("a file");

    let pages = pages(&pdf);
    let code = pages.last().and_then(scanned);
    let (note, module_mm) = code.expect("a code at the end that can be read");
    // Hand scanners read modules from about a quarter of a millimetre on (common practice, no source).
    assert!((0.25..=1.0).contains(&module_mm), "{module_mm} mm a module");
    assert_eq!(Some(note.as_str()), report["head"]["checkpoint"].as_str());
    // It was cosigned before it was printed, and the report says by whom and that nothing is open.
    assert_eq!(report["head"]["uncovered_entries"], 0, "{}", report["head"]);
    let by = report["head"]["cosigned"][0]["by"].as_str().expect("a witness");
    assert!(by.starts_with("witness.example.net/w1+"), "{by}");
    let text = run(Command::new("pdftotext").arg(&pdf).arg("-"));
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    for wanted in ["Cosigned by", "witness.example.net/w1", "Not covered from outside"] {
        assert!(text.contains(wanted), "`{wanted}` in print");
    }

    shop.wait_until_covered();
    let evidence = shop.evidence("sound");
    let scanned = shop.folder.path().join("scanned.txt");
    let read_back = |note: &str| {
        std::fs::write(&scanned, note).expect("a file");
        let mut command = Command::new(program("auditor"));
        run(command.args(["note", "--json", "--in"]).args([&evidence.folder, &scanned]))
    };
    let output = read_back(&note);
    assert!(output.status.success(), "{}", printed(&output));
    let anchor: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(anchor["size"], issued["as_of"]);
    assert_eq!(anchor["contained"], true);
    let signatures = anchor["signatures"].as_array().expect("signatures");
    assert!(signatures.len() == 2 && signatures.iter().all(|s| s["valid"] == true), "{anchor}");
    // Another number of entries is another checkpoint, and no signature fits it.
    let size = issued["as_of"].as_u64().expect("a size");
    let output = read_back(&note.replacen(&format!("\n{size}\n"), &format!("\n{}\n", size - 1), 1));
    assert_eq!(output.status.code(), Some(1), "{}", printed(&output));
}

#[test]
fn a_report_made_while_witnesses_are_away_says_how_much_nobody_outside_covers() {
    let mut shop = Shop::open(3);
    shop.kill_witness();
    shop.fill_drums();
    let issued = shop.issue_report();
    let path = format!("/v1/reports/{}", issued["digest"].as_str().expect("a digest"));
    let report = shop.auditor().get(&path).expect("an answer").json();
    let head = &report["head"];
    let (size, kept) = (head["size"].as_u64(), head["anchor"]["size"].as_u64());
    assert_eq!(head["uncovered_entries"].as_u64(), size.zip(kept).map(|(a, b)| a - b), "{head}");
    assert!(head["uncovered_entries"].as_u64() >= Some(4), "{head}");
    assert!(
        head["anchor"]["cosigned"][0]["at"].is_string() && head["cosigned"].is_null(),
        "{head}"
    );
}

#[test]
fn names_are_printed_for_those_who_may_read_them_and_never_issued() {
    let shop = Shop::open(1);
    let put = |role: &str| {
        let body = json!({ "name": "Orsel Vandrim" }).to_string();
        shop.api("op_adm", &[role]).put("/v1/people/op_l1/identity", body.as_bytes())
    };
    assert_eq!(put("technician").expect("an answer").status, 403);
    assert_eq!(put("lead").expect("an answer").status, 200);
    shop.fill_drums();
    // The report prints who approved a correction.
    let before = shop.auditor().get(&format!("/v1/reports/disposal?{PERIOD}")).expect("an answer");
    let seq = before.json()["containers"][0]["entries"][1].clone();
    let right = json!({ "what": "wipes", "mass": { "value": "0.40", "unit": "kg" } });
    let correction = json!({
        "specversion": "1.0", "id": "c1", "source": "/office",
        "type": "pulverlog.entry.corrected", "subject": format!("entry/{seq}"),
        "time": "2026-03-05T12:00:00+01:00",
        "data": { "reason": "mis_read", "approver": "op_l1", "data": right },
    });
    let answer = shop.api("op_k7", &["technician"]).record(&correction).expect("an answer");
    assert_eq!(answer.status, 201, "{}", answer.text());
    let issued = shop.issue_report();
    let print = |role: &str, rest: &str| {
        let path = format!("/v1/reports/disposal?{PERIOD}&format=pdf{rest}");
        shop.api("op_x1", &[role]).get(&path).expect("an answer")
    };
    let text = |body: &[u8]| {
        let pdf = shop.folder.path().join("names.pdf");
        std::fs::write(&pdf, body).expect("a file");
        let text = run(Command::new("pdftotext").args(["-raw"]).arg(&pdf).arg("-"));
        String::from_utf8_lossy(&text.stdout).split_whitespace().collect::<String>()
    };
    let named = text(&print("ehs", "&names=true").body);
    assert!(named.contains("OrselVandrim"), "{named}");
    let plain = text(&print("ehs", "").body);
    assert!(!plain.contains("Orsel") && plain.contains("op_l1"), "{plain}");
    assert_eq!(print("auditor", "&names=true").status, 403);
    let path = format!("/v1/reports/{}?format=pdf", issued["digest"].as_str().expect("a digest"));
    let released = shop.api("op_auth", &["authority"]).get(&path).expect("an answer");
    assert!(!text(&released.body).contains("Orsel"));
}
