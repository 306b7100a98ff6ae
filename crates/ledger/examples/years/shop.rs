//! A shop of many printers, day after day: every entry follows the one before, nothing is random, so
//! that two runs record the same.
//!
//! A printer and day have 200 entries: readings of its meter and of a pressure drop that a system
//! posts, and what people do: cleanings, inspections, checks, a cycle of powder, waste into a drum,
//! remarks. An assumption about a busy shop with an MES (no published rate was found); the machines,
//! people and lots are invented.

use chain::entry::{Actor, Via};
use jiff::{SignedDuration, Timestamp};
use ledger::{Handling, Submission};
use serde_json::{Value, json};

/// Entries of one printer and day.
pub(super) const PER_DAY: u64 = 200;
/// Readings among them.
const READINGS: u64 = 96;
/// A drum of a printer is opened, filled and closed in so many days.
const DRUM_DAYS: u64 = 5;
/// A filter stays fitted for so many days.
const FILTER_DAYS: u64 = 30;
/// Powder of the first day, so that no bin is ever empty.
const START_KG: &str = "100";
/// Who does the work, and who answers for what.
const TECHNICIAN: &str = "op_k7";
const LEAD: &str = "op_m2";
/// The only site.
pub(super) const SITE: &str = "north";

/// Where the shop stands.
#[derive(Debug, Clone)]
pub(super) struct Shop {
    printers: u64,
    /// Entries told.
    told: u64,
    start: Timestamp,
    /// Printer, place in its day, day.
    printer: u64,
    place: u64,
    day: u64,
    /// Told before anything else.
    ahead: std::collections::VecDeque<Told>,
}

/// An event before it is sent.
#[derive(Debug, Clone)]
struct Told {
    who: &'static str,
    name: &'static str,
    subject: String,
    data: Value,
}

fn told(who: &'static str, name: &'static str, subject: String, data: Value) -> Told {
    Told { who, name, subject, data }
}

fn quantity(value: impl Into<String>, unit: &str) -> Value {
    json!({ "value": value.into(), "unit": unit })
}

fn kg(value: &str) -> Value {
    quantity(value, "kg")
}

/// A commitment to words that nobody reads.
fn words(of: &str) -> Value {
    json!({ "c": chain::Digest::of(of.as_bytes()).to_base64() })
}

pub(super) fn printer(n: u64) -> String {
    format!("P-{n:03}")
}

impl Shop {
    /// A shop that begins at `start`.
    pub(super) fn new(printers: u64, start: Timestamp) -> Self {
        let mut shop = Self {
            printers,
            told: 0,
            start,
            printer: 0,
            place: 0,
            day: 0,
            ahead: std::collections::VecDeque::new(),
        };
        shop.set_up();
        shop
    }

    /// When the next entry is told: entries of a day come in equal steps.
    pub(super) fn now(&self) -> Timestamp {
        let step_ms = 86_400_000 / i128::from(self.printers * PER_DAY);
        let ms = i64::try_from(i128::from(self.told) * step_ms).unwrap_or(i64::MAX);
        self.start + SignedDuration::from_millis(ms)
    }

    /// The next entry, ready for the writer, and when its work was done.
    pub(super) fn next(&mut self) -> (Submission, i64) {
        while self.ahead.is_empty() {
            self.step();
        }
        let now = self.now();
        let Some(Told { who, name, subject, data }) = self.ahead.pop_front() else {
            unreachable!("something was told")
        };
        let event = json!({
            "specversion": "1.0", "id": format!("{:010}", self.told), "source": "/mes",
            "type": format!("pulverlog.{name}"), "subject": subject, "site": SITE,
            "time": now.to_string(), "operator": who, "data": data,
        });
        self.told += 1;
        let actor =
            Actor { id: "svc_mes".into(), via: Via::Service, on_behalf_of: Some(who.to_owned()) };
        let submission =
            Submission::prepare(actor, event.to_string().as_bytes(), Handling::Lenient, None)
                .unwrap_or_else(|error| panic!("`{name}` of the shop is no event: {error}"));
        (submission, now.as_millisecond())
    }

    fn set_up(&mut self) {
        let mut tell = |who, name, subject: String, data| {
            self.ahead.push_back(told(who, name, subject, data));
        };
        let settings = json!({
            "time_zone": "Europe/Berlin", "jurisdiction": "eu", "reason": "set_up",
            "late_after": quantity("24", "h"),
        });
        tell(LEAD, "config.changed", format!("site/{SITE}"), settings);
        for who in [LEAD, TECHNICIAN] {
            let roles = json!(["technician", "lead", "ehs", "quality"]);
            let data = json!({ "identity": words(who), "roles": roles });
            tell(LEAD, "person.enrolled", format!("person/{who}"), data);
        }
        let scale = json!({
            "kind": "scale", "label": "Floor scale", "room": "powder_room",
            "scale": { "interval": kg("0.02"), "capacity": kg("150") },
        });
        tell(LEAD, "equipment.registered", "equipment/W-1".into(), scale);
        let station = json!({
            "kind": "sieving_station", "label": "Sieving station", "room": "powder_room",
        });
        tell(LEAD, "equipment.registered", "equipment/S-02".into(), station);
        let stream = json!({
            "material": "PA12", "description": "polymer dust", "determination": "non_hazardous",
            "codes": {}, "decided_by": LEAD, "basis": "knowledge", "jurisdiction": "eu",
        });
        tell(LEAD, "stream.determined", "stream/ST-1".into(), stream);
        for n in 0..self.printers {
            let id = printer(n);
            let machine = format!("equipment/{id}");
            let registered = json!({
                "kind": "printer", "label": "Printer", "room": "print_room",
                "meters": [{ "id": "run", "unit": "h" }],
                "positions": [{ "id": "exhaust", "part_kind": "hepa_filter" }],
            });
            tell(LEAD, "equipment.registered", machine.clone(), registered);
            let task = |task: &str, action: &str, target: &str, limit: (&str, Value)| {
                let mut task = json!({
                    "task": task, "action": action, "target": target, "warn_percent": 80,
                    "source": { "basis": "site" },
                });
                task[limit.0] = limit.1;
                task
            };
            let hours = |value: &str| {
                ("every", json!({ "meter": "run", "quantity": quantity(value, "h") }))
            };
            let tasks = json!([
                task("clean_chamber", "clean", "chamber", hours("24")),
                task("replace_filter", "replace", "exhaust", hours("900")),
                task("check_earthing", "check", "earthing", ("calendar", json!("P1D"))),
                task("inspect_window", "inspect", "window", ("calendar", json!("P1D"))),
            ]);
            tell(LEAD, "plan.set", machine.clone(), json!({ "tasks": tasks }));
            let fitted =
                json!({ "position": "exhaust", "in": filter(&id, 0), "checks": filter_checks() });
            tell(TECHNICIAN, "part.fitted", machine.clone(), fitted);
            tell(TECHNICIAN, "check.done", machine, leak_check());
            self::lot(&format!("START-{id}"), START_KG, &mut tell);
            let first = json!({
                "from": format!("lot_container/START-{id}"), "into": format!("bin/US-{id}"),
                "mass": kg(START_KG), "scale": "W-1",
            });
            tell(TECHNICIAN, "powder.moved", "equipment/S-02".into(), first);
        }
    }

    /// What comes next: each printer in turn at the same place of its day.
    fn step(&mut self) {
        if (self.printer, self.place) == (0, 0) {
            self.ahead.push_back(scale_check());
        }
        let next = match self.place {
            even if even.is_multiple_of(2) && even / 2 < READINGS => {
                let hours = self.day * 24 + even / 8;
                let quarter = even / 2 % 4 * 25;
                let reading = quantity(format!("{hours}.{quarter:02}"), "h");
                let data = json!({ "meter": "run", "reading": reading });
                told(TECHNICIAN, "meter.read", self.machine(), data)
            }
            // 96 places between the readings, then those behind them.
            place => self.work(if place < 2 * READINGS { place / 2 } else { place - READINGS }),
        };
        self.ahead.push_back(next);
        self.printer += 1;
        if self.printer == self.printers {
            (self.printer, self.place) = (0, self.place + 1);
        }
        if self.place == PER_DAY {
            self.ship();
            (self.place, self.day) = (0, self.day + 1);
        }
    }

    fn machine(&self) -> String {
        format!("equipment/{}", printer(self.printer))
    }

    /// Work that is no reading, by its place among the others of the day.
    fn work(&self, place: u64) -> Told {
        let (id, day) = (printer(self.printer), self.day);
        let machine = self.machine();
        // Drums and filters of different printers do not end on the same day.
        let shifted = day + self.printer;
        let drum = self.drum(self.printer, shifted / DRUM_DAYS);
        let (first, last) =
            (day == 0 || shifted.is_multiple_of(DRUM_DAYS), shifted % DRUM_DAYS == DRUM_DAYS - 1);
        let lot = format!("L-{id}-{}", shifted / DRUM_DAYS);
        let container = |name, data| told(TECHNICIAN, name, format!("container/{drum}"), data);
        match place {
            0 if first => container(
                "container.opened",
                json!({
                    "stream": "ST-1", "tare": kg("9.80"), "area": "central", "location": "CAA-1",
                    "container_type": "DM", "capacity": quantity("208", "L"),
                }),
            ),
            1 if first => {
                container("container.labelled", json!({ "words": ["waste"], "hazards": [] }))
            }
            2 if first => received(&lot, "30"),
            3 if first => released(&lot),
            4..12 => self.cycle(place - 4, &id, &lot),
            12..16 => container(
                "waste.added",
                json!({
                    "what": "vacuum_bag", "item": format!("B-{drum}-{shifted}-{place}"),
                    "mass": kg("2.50"), "checks": [],
                }),
            ),
            16 if last => container("container.closed", json!({ "checks": [] })),
            17 if last => {
                container("container.weighed", json!({ "gross": kg("74.80"), "scale": "W-1" }))
            }
            18 if shifted.is_multiple_of(FILTER_DAYS) && day > 0 => {
                let n = shifted / FILTER_DAYS - self.printer / FILTER_DAYS;
                told(
                    TECHNICIAN,
                    "part.swapped",
                    machine,
                    json!({
                        "task": "replace_filter", "position": "exhaust",
                        "out": {
                            "serial": filter(&id, n - 1)["serial"], "reason": "interval",
                            "condition": "worn",
                        },
                        "in": filter(&id, n), "checks": filter_checks(),
                    }),
                )
            }
            19 if shifted.is_multiple_of(FILTER_DAYS) && day > 0 => {
                told(TECHNICIAN, "check.done", machine, leak_check())
            }
            20..24 => told(
                TECHNICIAN,
                "inspection.done",
                machine,
                json!({ "task": "inspect_window", "target": "window", "result": "pass" }),
            ),
            24..30 => {
                let checks = json!([{ "check": "area_vacuumed", "ok": true }]);
                let data = json!({
                    "task": "clean_chamber", "target": "chamber", "method": "vacuum", "checks": checks,
                });
                told(TECHNICIAN, "cleaning.done", machine, data)
            }
            30..34 => {
                let data = json!({
                    "task": "check_earthing", "check": "earthing", "measured": quantity("0.4", "Ohm"),
                    "limit": { "at_most": quantity("10", "Ohm") }, "result": "pass",
                });
                told(TECHNICIAN, "check.done", machine, data)
            }
            38.. => {
                let shown = quantity(format!("{}", 240 + place), "Pa");
                let data = json!({
                    "check": "pressure_drop", "target": "exhaust", "measured": shown,
                    "limit": { "at_most": quantity("900", "Pa") }, "result": "pass",
                });
                told(TECHNICIAN, "check.done", machine, data)
            }
            _ => {
                let text = words(&format!("{id} {day} {place}"));
                told(TECHNICIAN, "note.added", machine, json!({ "text": text }))
            }
        }
    }

    /// A cycle of powder: blended, sampled, loaded, built, recovered, sieved, surplus out.
    fn cycle(&self, step: u64, id: &str, lot: &str) -> Told {
        let blend = format!("BL-{id}-{}", self.day);
        let build = format!("build/BN-{id}-{}", self.day);
        let (container, hopper) = (format!("lot_container/{blend}"), format!("hopper/{id}.main"));
        let (unsieved, sieved) = (format!("bin/UN-{id}"), format!("bin/US-{id}"));
        let moved = |from: &str, into: String, mass: &str| json!({ "from": from, "into": into, "mass": kg(mass), "scale": "W-1" });
        let (name, subject, data) = match step {
            0 => (
                "powder.blended",
                format!("lot/{blend}"),
                json!({
                    "into": container, "blender": "S-02", "duration": quantity("20", "min"),
                    "scale": "W-1",
                    "components": [
                        { "from": sieved, "mass": kg("14"), "order": 1 },
                        { "from": format!("lot_container/{lot}"), "mass": kg("5.9"), "order": 2 },
                    ],
                }),
            ),
            1 => (
                "powder.moved",
                format!("lot/{blend}"),
                moved(&container, "sample/L-1".into(), "0.05"),
            ),
            2 => (
                "powder.loaded",
                self.machine(),
                json!({
                    "from": container, "into": hopper, "mass": kg("19.8"), "scale": "W-1",
                    "checks": [{ "check": "bonded", "ok": true }, { "check": "seal_removed_whole", "ok": true }],
                }),
            ),
            3 => ("build.started", build, json!({ "printer": id, "hopper": hopper })),
            4 => (
                "build.finished",
                build,
                json!({
                    "mass_used": kg("19.7"), "parts_mass": kg("2.1"),
                    "hours_at_temperature": quantity("14", "h"), "scale": "W-1", "hopper_scale": "W-1",
                }),
            ),
            5 => (
                "powder.recovered",
                build,
                json!({ "into": unsieved, "mass": kg("17.4"), "scale": "W-1" }),
            ),
            6 => (
                "powder.sieved",
                "equipment/S-02".into(),
                json!({
                    "sieve": format!("SV-{id}"), "aperture": quantity("150", "um"),
                    "spec_id": "ISO-3310-1", "from": unsieved,
                    "through": { "mass": kg("17.1"), "into": sieved },
                    "oversize": { "mass": kg("0.2"), "into": "oversize/OV-1" },
                    "duration": quantity("30", "min"), "scale": "W-1",
                }),
            ),
            _ => {
                let drum = self.drum(self.printer, (self.day + self.printer) / DRUM_DAYS);
                (
                    "powder.moved",
                    "equipment/S-02".into(),
                    moved(&sieved, format!("waste/{drum}"), "3.0"),
                )
            }
        };
        told(TECHNICIAN, name, subject, data)
    }

    fn drum(&self, printer_no: u64, n: u64) -> String {
        format!("D-{}-{n}", printer(printer_no))
    }

    /// Everything that was closed on this day leaves.
    fn ship(&mut self) {
        let closed = (0..self.printers).filter(|n| (self.day + n) % DRUM_DAYS == DRUM_DAYS - 1);
        let drums: Vec<String> = closed.map(|n| self.drum(n, (self.day + n) / DRUM_DAYS)).collect();
        if drums.is_empty() {
            return;
        }
        let shipment = format!("shipment/S-{}", self.day);
        let today = self.now().to_string()[..10].to_owned();
        let mass = format!("{}.00", 65 * drums.len());
        let received: Vec<Value> =
            drums.iter().map(|drum| json!({ "container": drum, "mass": kg("65.00") })).collect();
        for (name, data) in [
            (
                "shipment.offered",
                json!({
                    "document": { "kind": "transport_document", "number": format!("{:06}", self.day) },
                    "containers": drums, "transporter": "TR-1", "facility": "FA-1", "offered_by": TECHNICIAN,
                }),
            ),
            ("shipment.accepted", json!({ "transporter": "TR-1", "leg": 1, "day": today })),
            (
                "shipment.delivered",
                json!({
                    "facility": "FA-1", "received": received, "pieces": drums.len(), "day": today,
                    "signed_copy": "5f".repeat(32),
                }),
            ),
            (
                "disposal.certified",
                json!({ "certificate": format!("C-{}", self.day), "method": "D10", "mass": kg(&mass) }),
            ),
        ] {
            self.ahead.push_back(told(TECHNICIAN, name, shipment.clone(), data));
        }
    }
}

fn filter(id: &str, n: u64) -> Value {
    json!({ "serial": format!("HF-{id}-{n}"), "spec": { "filter_class": "H13" } })
}

fn filter_checks() -> Value {
    json!([
        { "check": "airflow_arrow_matches", "ok": true }, { "check": "gasket_seated", "ok": true },
    ])
}

fn leak_check() -> Value {
    json!({
        "check": "leak", "target": "exhaust", "measured": quantity("0.001", "%"),
        "limit": { "at_most": quantity("0.01", "%") }, "result": "pass",
    })
}

/// The scale shows what a weight of 20 kg weighs.
fn scale_check() -> Told {
    let data = json!({
        "check": "scale", "measured": kg("20.00"), "reference": kg("20"),
        "limit": { "at_least": kg("19.98"), "at_most": kg("20.02") }, "result": "pass",
        "instrument": "M-20",
    });
    told(TECHNICIAN, "check.done", "equipment/W-1".into(), data)
}

fn received(lot: &str, net_kg: &str) -> Told {
    let data = json!({
        "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X",
        "containers": [{ "id": lot, "gross": kg(&format!("{net_kg}.5")), "tare": kg("0.5") }],
        "certificate": { "number": "C-1", "digest": "ab".repeat(32) },
        "seals_whole": true, "scale": "W-1",
    });
    told(TECHNICIAN, "lot.received", format!("lot/{lot}"), data)
}

fn released(lot: &str) -> Told {
    told(LEAD, "lot.released", format!("lot/{lot}"), json!({ "meaning": "released" }))
}

fn lot(lot: &str, net_kg: &str, tell: &mut impl FnMut(&'static str, &'static str, String, Value)) {
    for Told { who, name, subject, data } in [received(lot, net_kg), released(lot)] {
        tell(who, name, subject, data);
    }
}
