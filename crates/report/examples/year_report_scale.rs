//! Measures the year report of a site with very many entries.
//!
//! `cargo run --release -p report --example year_report_scale [entries] [percent]` folds a year of
//! `entries` (1,000,000) of which `percent` (10) are about waste, the rest meter readings, and
//! prints how long the report takes in each form. Nothing is written. A drum takes 20 bags; ten
//! drums go on a shipment with two transporters, a receipt and a certificate.

#[path = "../../shopfloor/tests/waste_support/mod.rs"]
mod waste_support;

use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use report::disposal::{self, Head, Options, Print};
use serde_json::{Value, json};
use shopfloor::common::Day;
use waste_support::Shop;

const BAGS: usize = 20;
const DRUMS: usize = 10;
const MACHINES: usize = 997;
/// Entries of one shipment with its drums.
const LOAD: usize = DRUMS * (BAGS + 5) + 5;

/// A year that is filled in equal steps.
struct Year {
    shop: Shop,
    now: Timestamp,
    step: SignedDuration,
    /// Readings after each entry about waste, in thousandths.
    readings_milli: usize,
    owed_milli: usize,
}

impl Year {
    fn tell(&mut self, who: &str, name: &str, subject: &str, data: Value) {
        self.now += self.step;
        self.shop.record(self.now, self.now, who, name, subject, data);
        self.owed_milli += self.readings_milli;
        while self.owed_milli >= 1_000 {
            self.owed_milli -= 1_000;
            self.now += self.step;
            let told = self.shop.facts.len();
            let hours = json!({ "value": told.to_string(), "unit": "h" });
            let data = json!({ "meter": "run", "reading": hours });
            let machine = format!("equipment/M-{}", told % MACHINES);
            self.shop.record(self.now, self.now, "op_t1", "meter.read", &machine, data);
        }
    }

    /// Ten drums from the first bag to the certificate.
    fn load(&mut self, n: usize) {
        let kg = |value: &str| json!({ "value": value, "unit": "kg" });
        let labels: Vec<String> = (0..DRUMS).map(|d| format!("D-{n}-{d}")).collect();
        for label in &labels {
            let drum = format!("container/{label}");
            let stream = format!("ST-{}", n % 6);
            let place = json!({ "area": "central", "location": "CAA-1" });
            let opened = json!({
                "stream": stream, "tare": kg("9.80"), "area": "central", "location": "CAA-1",
                "container_type": "DM", "capacity": { "value": "208", "unit": "L" },
            });
            self.tell("op_t1", "container.opened", &drum, opened);
            let marks = json!({ "words": ["hazardous_waste"], "hazards": ["flammable_solid"] });
            self.tell("op_t1", "container.labelled", &drum, marks);
            for bag in 0..BAGS {
                let bag = format!("B-{label}-{bag}");
                let data =
                    json!({ "what": "vacuum_bag", "item": bag, "mass": kg("2.50"), "checks": [] });
                self.tell("op_t1", "waste.added", &drum, data);
            }
            self.tell("op_t1", "container.closed", &drum, json!({ "checks": [] }));
            let weighed = json!({ "gross": kg("59.80"), "scale": "SC-1" });
            self.tell("op_t1", "container.weighed", &drum, weighed);
            let moved =
                json!({ "from": place, "to": place, "giver": "op_t1", "receiver": "op_e1" });
            self.tell("op_t1", "container.moved", &drum, moved);
        }
        let (shipment, day) = (format!("shipment/S-{n}"), self.now.to_string()[..10].to_owned());
        let offered = json!({
            "document": { "kind": "manifest", "number": format!("{n:09}ABC") },
            "containers": labels, "transporter": "TR-1", "facility": "FA-1", "offered_by": "op_e1",
        });
        self.tell("op_e1", "shipment.offered", &shipment, offered);
        for leg in [1, 2] {
            let data = json!({ "transporter": format!("TR-{leg}"), "leg": leg, "day": day });
            self.tell("op_e1", "shipment.accepted", &shipment, data);
        }
        let received: Vec<Value> =
            labels.iter().map(|l| json!({ "container": l, "mass": kg("49.95") })).collect();
        let delivered = json!({
            "facility": "FA-1", "received": received, "pieces": DRUMS, "day": day,
            "signed_copy": "5f".repeat(32),
        });
        self.tell("op_e1", "shipment.delivered", &shipment, delivered);
        let certified =
            json!({ "certificate": format!("C-{n}"), "method": "H040", "mass": kg("499.50") });
        self.tell("op_e1", "disposal.certified", &shipment, certified);
    }
}

fn year(entries: usize, percent: usize) -> Year {
    let waste = (entries * percent / 100).max(LOAD);
    let steps = i64::try_from(entries).expect("a number of entries");
    let step = SignedDuration::from_millis(364 * 86_400_000 / steps.max(1));
    let shop = Shop::new("us", "America/New_York");
    let now = shop.local("2026-01-01", "00:00");
    let readings_milli = entries.saturating_sub(waste) * 1_000 / waste;
    let mut year = Year { shop, now, step, readings_milli, owed_milli: 0 };
    for n in 0..6 {
        let determined = json!({
            "material": "PA12", "description": "polymer dust", "determination": "hazardous",
            "codes": { "rcra": ["D001"] }, "decided_by": "op_e1", "basis": "test",
            "jurisdiction": "us",
        });
        year.tell("op_e1", "stream.determined", &format!("stream/ST-{n}"), determined);
    }
    for n in 0..waste / LOAD {
        year.load(n);
    }
    year
}

fn timed<T>(what: &str, work: impl FnOnce() -> T) -> (T, Duration) {
    let begun = Instant::now();
    let made = work();
    let took = begun.elapsed();
    println!("  {what:<10} {:>8.3} s", took.as_secs_f64());
    (made, took)
}

fn main() {
    let mut args = std::env::args().skip(1);
    let mut number = |default: usize| args.next().map_or(default, |a| a.parse().expect("a number"));
    let (entries, percent) = (number(1_000_000), number(10));
    let begun = Instant::now();
    let year = year(entries, percent);
    let shop = &year.shop;
    println!(
        "{} entries folded in {:.1} s: {} containers, {} shipments",
        shop.facts.len(),
        begun.elapsed().as_secs_f64(),
        shop.state.waste.containers().count(),
        shop.state.waste.shipments().count(),
    );
    let head = Head::new(
        "records.brackwater.example/north/2026",
        shop.facts.len() as u64,
        chain::Digest::of(b""),
        "records.brackwater.example/north/2026+a1b2c3d4".into(),
        "",
        None,
    );
    let day = |text: &str| Day(text.parse().expect("a day"));
    let (from, to) = (day("2026-01-01"), day("2026-12-31"));
    let options = Options { at: shop.noon("2026-12-31") };
    let (report, compiled) = timed("compile", || {
        disposal::compile(&shop.state, &shop.label(), from, to, head, &options)
    });
    let (json, written) =
        timed("json", || report::json::to_bytes(&report).expect("the data can be written"));
    let (csv, _) = timed("csv", || disposal::to_csv(&report));
    let (pdf, printed) =
        timed("pdf", || disposal::to_pdf(&report, &Print::default()).expect("it can be printed"));
    println!(
        "JSON {:.3} s for {} bytes; PDF {:.3} s for {} bytes (each with compiling); CSV {} bytes",
        (compiled + written).as_secs_f64(),
        json.len(),
        (compiled + printed).as_secs_f64(),
        pdf.len(),
        csv.len(),
    );
}
