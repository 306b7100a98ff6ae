//! The maintenance report: what a week of one sieving station comes to, every line with its
//! entries, in every form, the same bytes for the same log.

#[path = "../../shopfloor/tests/equipment_shop/mod.rs"]
mod equipment_shop;

use equipment_shop::*;
use report::disposal::{Head, Options, Print};
use report::maintenance::{self, MaintenanceReport};
use report::pdf::Language;
use serde_json::{Value, json};
use shopfloor::common::Day;

const LEAD: &str = "op_lead1";
const STATION: &str = "equipment/S-02";

fn day(text: &str) -> Day {
    Day(text.parse().unwrap())
}

/// Ten working hours a day from Monday 2 March 2026: the sieve is cleaned late and changed in time,
/// one task is put off, one use overrides a missing leak check.
fn week() -> Shop {
    let mut shop = Shop::default();
    let first = "2026-03-02T06:00:00+01:00";
    let config = json!({ "time_zone": "Europe/Berlin", "reason": "first_settings" });
    shop.post_as(LEAD, first, "config.changed", "site/north", config);
    shop.post_as(LEAD, first, "equipment.registered", STATION, sieving_station());
    let mut replace = by_hours("replace_sieve", "replace", "main-sieve", "50");
    replace["also_does"] = json!(["clean_sieve"]);
    let tasks = json!({ "tasks": [
        by_hours("clean_sieve", "clean", "main-sieve", "20"),
        replace,
        by_calendar("test_earthing", "check", "earthing", "P3D"),
        by_calendar("look_at_hose", "inspect", "hose", "P1M"),
    ] });
    shop.post_as(LEAD, first, "plan.set", STATION, tasks);
    let fit =
        json!({ "position": "main-sieve", "in": sieve("SV-1"), "checks": yes(&["seal_seated"]) });
    shop.post(first, "part.fitted", STATION, fit);
    let filter = |serial: &str| {
        json!({
            "position": "exhaust", "in": { "serial": serial, "spec": { "filter_class": "H14" } },
            "checks": yes(&["airflow_arrow_matches", "gasket_seated"]),
        })
    };
    shop.post(first, "part.fitted", STATION, filter("HF-1"));
    let shown = |day: i64| json!({ "meter": "run", "reading": h(&(100 + 10 * day).to_string()) });
    shop.post(first, "meter.read", STATION, shown(0));
    for day in 1..4 {
        let evening = format!("2026-03-0{}T20:00:00+01:00", 1 + day);
        shop.post(&evening, "meter.read", STATION, shown(day));
    }
    let clean = json!({
        "task": "clean_sieve", "target": "main-sieve", "method": "vacuum",
        "reading": reading("130"),
    });
    let cleaned = shop.post("2026-03-04T20:30:00+01:00", "cleaning.done", STATION, clean);
    let sign = json!({ "meaning": "verified" });
    let signed = "2026-03-04T21:00:00+01:00";
    shop.post_as(LEAD, signed, "entry.signed", &format!("entry/{cleaned}"), sign);
    let swap = json!({
        "task": "replace_sieve", "position": "main-sieve", "in": sieve("SV-2"),
        "out": { "serial": "SV-1", "reason": "interval_reached", "condition": "worn" },
        "checks": yes(&["seal_seated"]), "reading": reading("140"),
    });
    shop.post("2026-03-05T20:00:00+01:00", "part.swapped", STATION, swap);
    let defer = json!({
        "task": "test_earthing", "reason": "meter_at_calibration", "until_day": "2026-03-12",
        "approved_by": "op_lead2",
    });
    shop.post_as(LEAD, "2026-03-05T20:10:00+01:00", "task.deferred", STATION, defer);
    // The filter is changed and the station used before its leak check: an override.
    let mut swap = filter("HF-2");
    swap["out"] = json!({ "serial": "HF-1", "reason": "wet", "condition": "failed" });
    shop.post("2026-03-06T08:00:00+01:00", "part.swapped", STATION, swap);
    let sieved = json!({
        "from": "bin/UN-1", "sieve": "SV-2", "aperture": { "value": "150", "unit": "um" },
        "through": { "into": "bin/US-1", "mass": { "value": "10.0", "unit": "kg" } },
        "oversize": { "into": "oversize/OV-1", "mass": { "value": "0.2", "unit": "kg" } },
        "duration": { "value": "30", "unit": "min" },
    });
    let used = shop.post("2026-03-06T09:00:00+01:00", "powder.sieved", STATION, sieved);
    let deviation = json!({
        "about": [STATION], "entries": [used], "what": "approved_by_lead", "severity": "major",
    });
    shop.post("2026-03-06T09:05:00+01:00", "deviation.opened", "deviation/DV-1", deviation);
    shop
}

fn compile(shop: &Shop) -> MaintenanceReport {
    let head = Head::new(
        "records.brackwater.example/north/2026",
        shop.recorded.len() as u64,
        chain::Digest::of(b""),
        "records.brackwater.example/north/2026+a1b2c3d4".into(),
        "",
        None,
    );
    let options = Options { at: at("2026-03-08T20:00:00Z") };
    let (from, to) = (day("2026-03-02"), day("2026-03-08"));
    maintenance::compile(&shop.state, &label("north"), from, to, head, &options)
}

#[test]
fn a_week_of_one_station() {
    let shop = week();
    let report = compile(&shop);
    // The sieve was cleaned after 30 of 20 h; with the new sieve cleaning counts as done, in time.
    // The earthing test fell due on the 5th and is open, put off or not.
    let work: Vec<String> =
        report.work.iter().map(|line| format!("{} {}", line.task, line.punctuality)).collect();
    assert_eq!(
        work,
        ["clean_sieve late", "clean_sieve on_time", "replace_sieve on_time", "test_earthing open"]
    );
    assert_eq!((report.on_time, report.late, report.open), (2, 1, 1));
    let rate = report.rate.as_ref().unwrap();
    // statsmodels 0.15.0: proportion_confint(2, 4, method="wilson") = 0.150039, 0.849961.
    assert_eq!((rate.low_percent.as_str(), rate.high_percent.as_str()), ("15.0", "85.0"));
    let parts: Vec<String> = report
        .parts
        .iter()
        .map(|p| {
            let hours = p.hours.as_ref().map_or("-".to_owned(), ToString::to_string);
            let out = p.out.as_ref().map_or("-", |s| s.as_str());
            format!("{out} {hours} {}", p.fitted.as_ref().unwrap())
        })
        .collect();
    assert_eq!(parts, ["- - SV-1", "- - HF-1", "SV-1 40 h SV-2", "HF-1 40 h HF-2"]);
    assert_eq!(report.deferrals[0].until_day, Some(day("2026-03-12")));
    let overridden = &report.deviations[0].overridden;
    assert!(overridden.contains(&"equipment.used_without_leak_check".to_owned()), "{overridden:?}");
    let signed: Vec<String> =
        report.signatures.iter().map(|s| format!("{} {} {}", s.person, s.meaning, s.at)).collect();
    assert_eq!(signed, ["op_lead1 verified 2026-03-04T21:00:00+01:00"]);
    let late = report.findings.iter().find(|f| f.rule == "equipment.done_late").unwrap();
    assert_eq!(late.settled_by, None);
}

#[test]
fn every_line_leads_to_its_entries() {
    let shop = week();
    let data: Value =
        serde_json::from_slice(&report::json::to_bytes(&compile(&shop)).unwrap()).unwrap();
    for part in ["work", "deferrals", "parts", "deviations", "findings", "signatures"] {
        let lines = data[part].as_array().unwrap();
        assert!(!lines.is_empty(), "{part}");
        for line in lines {
            let entries = match (&line["entries"], &line["entry"]) {
                (Value::Array(all), _) => all.clone(),
                (_, one) => vec![one.clone()],
            };
            let known = |entry: &Value| entry.as_u64().unwrap() < shop.recorded.len() as u64;
            assert!(!entries.is_empty() && entries.iter().all(known), "{part}: {line}");
        }
    }
    let csv = String::from_utf8(maintenance::to_csv(&compile(&shop))).unwrap();
    for section in ["rate", "work", "deferrals", "parts", "deviations", "findings", "signatures"] {
        assert!(csv.contains(&format!("section: {section}\r\n")), "{section}");
    }
    assert!(csv.contains("S-02,clean_sieve,late,2026-03-03,2026-03-04,op_t7"), "{csv}");
}

#[test]
fn it_prints_in_both_languages_the_same_bytes_each_time() {
    // Meaning, person and time of a signature stand in print (21 CFR 11.50(b)), and how much nobody
    // outside covers.
    let print = Print::default();
    let document = format!("{:?}", maintenance::document(&compile(&week()), &print).unwrap());
    for told in ["verified", "op_lead1", "2026-03-04T21:00:00+01:00", "Not covered from outside"] {
        assert!(document.contains(told), "{told}");
    }
    for (language, word) in [(Language::English, "en"), (Language::German, "de")] {
        let print = Print { language, ..Print::default() };
        let printed = maintenance::to_pdf(&compile(&week()), &print).unwrap();
        assert!(printed.starts_with(b"%PDF-"));
        assert_eq!(maintenance::to_pdf(&compile(&week()), &print).unwrap(), printed);
        if let Ok(dir) = std::env::var("PULVERLOG_PAGES") {
            let name = format!("maintenance-{word}.pdf");
            std::fs::write(std::path::Path::new(&dir).join(name), &printed).unwrap();
        }
    }
}
