//! The check values of computations.md through the interface: events are posted to a real recorder
//! and the figures are read back.

use serde_json::{Value, json};
use shopfloor::people::events::Role;

use crate::bench::{Answer, BATCH, Bench};

const STATION: &str = "equipment/S-02";

/// A day in milliseconds.
const DAY_MS: i64 = 86_400_000;

/// Noon in UTC so many days after 2 March 2026.
fn noon(days: i64) -> String {
    let start: jiff::Timestamp = "2026-03-02T12:00:00Z".parse().unwrap();
    (start + jiff::SignedDuration::from_hours(24 * days)).to_string()
}

fn hours(value: &str) -> Value {
    json!({ "value": value, "unit": "h" })
}

fn reading(value: &str) -> Value {
    json!({ "meter": "run", "value": hours(value) })
}

fn sieve(serial: &str) -> Value {
    json!({
        "serial": serial, "certificate": "0f".repeat(32),
        "spec": { "aperture": { "value": "150", "unit": "um" }, "spec_id": "ISO3310-1" },
    })
}

/// A shop that records over HTTP, each event at its own time.
struct Floor {
    bench: Bench,
    sent: u32,
}

impl Floor {
    /// A log with one sieving station and a plan of these tasks.
    async fn open(tasks: Value) -> Self {
        let bench = Bench::start().await;
        // Long after the work, so that nothing lies in the future.
        bench.clock.jump(400 * DAY_MS);
        let mut floor = Self { bench, sent: 0 };
        let station = json!({
            "kind": "sieving_station", "label": "Sieving station 2", "room": "R-12",
            "meters": [{ "id": "run", "unit": "h" }],
            "positions": [
                { "id": "main-sieve", "part_kind": "sieve" },
                { "id": "exhaust", "part_kind": "hepa_filter" },
            ],
        });
        floor.post(&noon(0), "equipment.registered", STATION, station).await;
        floor.post(&noon(0), "plan.set", STATION, json!({ "tasks": tasks })).await;
        floor
    }

    /// Records one event and gives its entry.
    async fn post(&mut self, time: &str, kind: &str, subject: &str, data: Value) -> u64 {
        self.post_all(vec![(time.to_owned(), kind, subject, data)]).await[0]
    }

    async fn post_all(&mut self, events: Vec<(String, &str, &str, Value)>) -> Vec<u64> {
        let event = |(time, kind, subject, data): (String, &str, &str, Value)| {
            self.sent += 1;
            json!({
                "specversion": "1.0", "id": format!("e{}", self.sent), "source": "/test",
                "type": format!("pulverlog.{kind}"), "subject": subject, "site": "north",
                "time": time, "operator": "op_k7", "latereason": "entered_later", "data": data,
            })
        };
        let events: Vec<Value> = events.into_iter().map(event).collect();
        let body = Value::from(events).to_string();
        let token = self.bench.mes();
        let headers = [("content-type", BATCH)];
        let answer = self.bench.post("/v1/events", &token, &headers, body).await;
        assert_eq!(answer.status, 200, "{}", answer.json());
        let answer = answer.json();
        let receipt = |item: &Value| {
            item["receipt"]["seq"].as_u64().unwrap_or_else(|| panic!("not recorded: {item}"))
        };
        answer["results"].as_array().unwrap().iter().map(receipt).collect()
    }

    async fn read(&mut self, days: i64, shown: &str) -> u64 {
        let data = json!({ "meter": "run", "reading": hours(shown) });
        self.post(&noon(days), "meter.read", STATION, data).await
    }

    /// Asks as somebody who may ask everything.
    async fn ask(&self, path: &str) -> Answer {
        let token = self.bench.token("op_q1", &[Role::Quality], None);
        self.bench.get(path, &token).await
    }

    async fn answer(&self, path: &str) -> Value {
        let answer = self.ask(path).await;
        assert_eq!(answer.status, 200, "{path}: {}", answer.json());
        answer.json()
    }

    /// The lead corrects an entry; another one approves.
    async fn correct(&mut self, seq: u64, data: Value) -> u64 {
        let data = json!({ "reason": "mis_read", "approver": "op_lead2", "data": data });
        self.decide("entry.corrected", &format!("entry/{seq}"), data).await
    }

    /// The lead changes settings; gives the forecast that follows.
    async fn configure(&mut self, data: Value) -> Value {
        self.decide("config.changed", "site/north", data).await;
        self.answer("/v1/due?machine=S-02").await["items"][0]["forecast"].clone()
    }

    async fn decide(&mut self, kind: &str, subject: &str, data: Value) -> u64 {
        self.sent += 1;
        let token = self.bench.token("op_lead1", &[Role::Lead], None);
        let event = json!({
            "specversion": "1.0", "id": format!("e{}", self.sent), "source": "/test",
            "type": format!("pulverlog.{kind}"), "subject": subject, "time": noon(390),
            "latereason": "entered_later", "data": data,
        });
        let answer = self.bench.record(&token, &event).await;
        assert_eq!(answer.status, 201, "{}", answer.json());
        answer.json()["seq"].as_u64().unwrap()
    }
}

fn by_hours(task: &str, every: &str) -> Value {
    json!({
        "task": task, "action": "clean", "target": "main-sieve", "warn_percent": 90,
        "every": { "meter": "run", "quantity": hours(every) },
        "source": { "basis": "common_practice" },
    })
}

/// C1 and C2: service at 1000 h, limit 500 h; 8.62 h a day by the robust slope, 23 days to go, 16
/// to 42 by its band; on five-day weeks 12.07 h a working day and 17 working days. A mis-read that
/// could be true is among the readings.
#[actix_web::test]
async fn hours_and_the_forecast_of_the_due_day() {
    let mut floor = Floor::open(json!([by_hours("service", "500")])).await;
    for (week, shown) in ["1000", "1062", "1121", "1236", "1240", "1302"].iter().enumerate() {
        floor.read(7 * week as i64, shown).await;
    }
    // C1 at 302 of 500 h, told as of the last reading.
    let task = floor.answer("/v1/due?machine=S-02").await["items"][0].clone();
    assert_eq!((&task["state"], &task["percent"]), (&json!("within_limit"), &json!(60)));
    assert_eq!(task["by_meter"]["remaining"], json!({ "value": "198", "unit": "h" }));
    // The words of an answer are those of the question.
    for (state, listed) in [("due", 0), ("due_soon", 0), ("no_reading_yet", 0), ("within_limit", 1)]
    {
        let answer = floor.answer(&format!("/v1/due?machine=S-02&state={state}")).await;
        assert_eq!(answer["items"].as_array().map(Vec::len), Some(listed), "{state}");
    }
    let forecast = &task["forecast"];
    assert_eq!(forecast["per_working_day"], "12.07");
    assert_eq!(forecast["expected"], "2026-04-29", "17 working days after Monday 6 April");

    // Every day a working day: the axis of the check value.
    let every_day = json!({ "working_days": [1, 2, 3, 4, 5, 6, 7], "reason": "first_settings" });
    let forecast = floor.configure(every_day).await;
    assert_eq!(forecast["per_working_day"], "8.62");
    assert_eq!(forecast["expected"], "2026-04-29", "23 days after 6 April");
    assert_eq!(forecast["earliest"], "2026-04-22", "16 days");
    assert_eq!(forecast["latest"], "2026-05-18", "42 days");

    // Holidays count for nothing: two days off before the day move it by two.
    let closed = json!({ "holidays": ["2026-04-13", "2026-04-14"], "reason": "shutdown" });
    assert_eq!(floor.configure(closed).await["expected"], "2026-05-01");
    floor.bench.stop().await;
}

/// C3: a replaced meter goes on counting, 4200.0 + 22.5 h; a reading that goes back is held and told.
#[actix_web::test]
async fn a_meter_is_replaced_and_mis_read() {
    let mut floor = Floor::open(json!([])).await;
    floor.read(1, "4200.0").await;
    let swap = json!({
        "meter": "run", "last_old": hours("4210.0"), "first_new": hours("3.0"), "reason": "broken",
    });
    floor.post(&noon(2), "meter.replaced", STATION, swap).await;
    floor.read(3, "15.5").await;
    let mis_read = floor.read(4, "1.5").await;
    let meter = floor.answer("/v1/equipment/S-02").await["item"]["meters"][0].clone();
    assert_eq!(meter["counted"], json!({ "value": "4222.5", "unit": "h" }));
    assert_eq!(meter["held"][0]["entry"], mis_read);
    assert_eq!(meter["held"][0]["why"], "went_backwards");
    let found = floor.answer("/v1/findings?rule=equipment.meter_backwards").await;
    assert_eq!(
        (&found["open"], &found["items"][0]["id"]),
        (&json!(1), &json!(format!("F{mis_read}.2")))
    );
    let right = json!({ "meter": "run", "reading": hours("21.5") });
    floor.correct(mis_read, right).await;
    let found = floor.answer("/v1/findings?rule=equipment.meter_backwards").await;
    assert_eq!(found["open"], 0, "{found}");
    let meter = floor.answer("/v1/equipment/S-02").await["item"]["meters"][0].clone();
    assert_eq!(meter["counted"], json!({ "value": "4228.5", "unit": "h" }));
    floor.bench.stop().await;
}

/// C11: 450 kg/m3 in 200 m2: criterion 2.11911 mm, 10 m2, 9.53599 kg; 0.2 mm on the whole floor are
/// a cloud of 30 g/m3. C12: 0.3875 mg/m3, 7.75 % of 5 and 76.73 % of the limit by density.
#[actix_web::test]
async fn dust_that_lies_and_dust_in_the_air() {
    let mut floor = Floor::open(json!([])).await;
    let survey = json!({
        "room": "R-12", "footprint": { "value": "200", "unit": "m2" },
        "height": { "value": "3", "unit": "m" },
        "bulk_density": { "value": "450", "unit": "kg/m3" },
        "layers": [{
            "depth": { "value": "0.2", "unit": "mm" }, "area": { "value": "200", "unit": "m2" },
        }],
    });
    floor.post(&noon(1), "dust.surveyed", "site/north", survey).await;
    let dust = floor.answer("/v1/dust").await["items"][0]["assessment"].clone();
    let rounded = |value: &Value| format!("{:.5}", value.as_str().unwrap().parse::<f64>().unwrap());
    assert_eq!(rounded(&dust["criterion_mm"]), "2.11911");
    assert_eq!(rounded(&dust["mass_limit_kg"]), "9.53599");
    assert_eq!((&dust["area_limit_m2"], &dust["cloud_g_m3"]), (&json!("10"), &json!("30")));
    assert_eq!(dust["over"], true, "the volume is over 5 % of the footprint at the criterion");

    let sample = |value: &str, hours: &str| {
        json!({
            "concentration": { "value": value, "unit": "mg/m3" },
            "duration": { "value": hours, "unit": "h" }, "assumed": value == "0",
        })
    };
    let shift = json!({
        "room": "R-12", "fraction": "respirable",
        "samples": [sample("0.8", "2"), sample("0.3", "5"), sample("0", "1")],
        "density": { "value": "1.01", "unit": "g/cm3" },
    });
    floor.post(&noon(2), "exposure.measured", "person/op_k7", shift).await;
    let exposure = floor.answer("/v1/exposures").await["items"][0]["exposure"].clone();
    assert_eq!(exposure["average_mg_m3"], "0.3875");
    let percent: Vec<_> =
        exposure["against"].as_array().unwrap().iter().map(|a| &a["percent"]).collect();
    assert_eq!(percent, [&json!("7.75"), &json!("76.73")]);
    floor.bench.stop().await;
}

/// C15: 220 failed, 310 sound, 400 failed, 480 worn, 520 failed, 600 in use give 83.3, 62.5 and
/// 31.2 %. C19: the demand of these six in 150 days.
#[actix_web::test]
async fn lives_of_sieves_and_their_stock() {
    let mut floor = Floor::open(json!([])).await;
    let fit = json!({ "position": "main-sieve", "in": sieve("SV-1"), "reading": reading("1000") });
    floor.post(&noon(0), "part.fitted", STATION, fit).await;
    let (mut shown, mut days) = (1000, 0);
    let lives = [(220, "failed"), (310, "sound"), (400, "failed"), (480, "worn"), (520, "failed")];
    for (n, (ran, condition)) in lives.into_iter().enumerate() {
        (shown, days) = (shown + ran, days + ran / 20 + 1);
        let (old, new) = (format!("SV-{}", n + 1), format!("SV-{}", n + 2));
        let swap = json!({
            "position": "main-sieve", "in": sieve(&new), "reading": reading(&shown.to_string()),
            "out": { "serial": old, "reason": "see_condition", "condition": condition },
        });
        floor.post(&noon(days), "part.swapped", STATION, swap).await;
    }
    floor.read(days + 31, &(shown + 600).to_string()).await;
    let found = floor.answer("/v1/part-lives?kind=sieve&cost_ratio=5").await["item"].clone();
    let survival = found["summary"]["survival"].as_array().unwrap().iter();
    let survival: Vec<&Value> = survival.map(|step| &step["survive_percent"]).collect();
    assert_eq!(survival, [&json!("83.3"), &json!("62.5"), &json!("31.2")]);
    let part = floor.answer("/v1/parts/SV-4").await["item"].clone();
    assert_eq!((&part["state"], &part["hours"]["value"]), (&json!("out_worn"), &json!("480")));
    assert_eq!(part["stays"][0]["person"], "op_k7");

    let received = json!({ "part_kind": "sieve", "part": sieve("SV-9"), "bin": "B-7" });
    floor.post(&noon(1), "part.received", "site/north", received).await;
    let stock = floor.answer("/v1/part-stock?kind=sieve&window_days=600").await["item"].clone();
    assert_eq!((&stock["in_stock"], &stock["fitted"]), (&json!(["SV-9"]), &json!(6)));
    for bad in ["kind=spoon", "kind=sieve&service_percent=100", "kind=sieve&window_days=-1"] {
        let answer = floor.ask(&format!("/v1/part-stock?{bad}")).await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    floor.bench.stop().await;
}

/// C8 and C16: the check at 20 kg shows 20.06 with e = 0.02 kg, +0.06 outside 0.04: it fails, and
/// what was weighed since the last pass is suspect. C22: pressure grows 10 Pa a working day.
#[actix_web::test]
async fn a_failed_scale_and_a_loaded_filter() {
    let mut floor = Floor::open(json!([])).await;
    let scale = json!({
        "kind": "scale", "label": "Floor scale", "room": "R-12",
        "scale": {
            "interval": { "value": "0.02", "unit": "kg" },
            "capacity": { "value": "150", "unit": "kg" },
        },
    });
    floor.post(&noon(0), "equipment.registered", "equipment/W-01", scale).await;
    let check = |shown: &str, result: &str| {
        json!({
            "check": "scale", "target": "pan", "measured": { "value": shown, "unit": "kg" },
            "reference": { "value": "20.00", "unit": "kg" },
            "limit": { "at_most": { "value": "20.04", "unit": "kg" } }, "result": result,
        })
    };
    let weighed = json!({ "gross": { "value": "19.40", "unit": "kg" }, "scale": "W-01" });
    let passed = floor.post(&noon(3), "check.done", "equipment/W-01", check("20.02", "pass")).await;
    let suspect = floor.post(&noon(7), "container.weighed", "container/D-118", weighed).await;
    let failed =
        floor.post(&noon(10), "check.done", "equipment/W-01", check("20.06", "fail")).await;
    let scale = floor.answer("/v1/equipment/W-01/scale").await["item"].clone();
    assert_eq!(scale["checks"][1]["error_kg"], "0.06");
    assert_eq!(scale["checks"][1]["largest_error_kg"], "0.040");
    let window = json!({
        "failed_by": failed, "passed_by": passed, "closed_by": null, "suspect": [suspect],
        "after_failure": [],
    });
    assert_eq!(scale["windows"], json!([window]));

    let pressure = |pa: i64| {
        json!({
            "check": "pressure_drop", "target": "exhaust",
            "measured": { "value": pa.to_string(), "unit": "Pa" },
            "limit": { "at_most": { "value": "350", "unit": "Pa" } }, "result": "pass",
        })
    };
    for (days, pa) in [(7, 100), (8, 110), (9, 160), (10, 130), (11, 140), (14, 150)] {
        floor.post(&noon(days), "check.done", STATION, pressure(pa)).await;
    }
    let trend = floor.answer("/v1/equipment/S-02/pressure").await["items"][0].clone();
    assert_eq!(trend["forecast"]["per_working_day"], "10.00");
    assert_eq!(trend["forecast"]["expected"], "2026-04-13");
    floor.bench.stop().await;
}

/// An earlier answer can be asked for again, by entry and by time, whatever was corrected since.
#[actix_web::test]
async fn what_was_due_at_an_earlier_moment() {
    let mut floor = Floor::open(json!([by_hours("clean_sieve", "20")])).await;
    floor.read(0, "100.0").await;
    floor.bench.clock.jump(60_000);
    let mis_read = floor.read(1, "124.0").await;
    let then = floor.bench.recorder.now();
    floor.bench.clock.jump(60_000);
    let share = async |floor: &Floor, query: &str| {
        let list = floor.answer(&format!("/v1/due?machine=S-02{query}")).await;
        (list["as_of"].clone(), list["items"][0]["percent"].clone())
    };
    let as_of = json!(mis_read + 1);
    assert_eq!(share(&floor, "").await, (as_of.clone(), json!(120)));
    let corrected =
        floor.correct(mis_read, json!({ "meter": "run", "reading": hours("114.0") })).await;
    assert_eq!(share(&floor, "").await, (json!(corrected + 1), json!(70)));
    let before = (as_of, json!(120));
    assert_eq!(share(&floor, &format!("&as_of={}", mis_read + 1)).await, before);
    assert_eq!(share(&floor, &format!("&as_of={then}")).await, before, "by time");
    let all = floor.answer(&format!("/v1/due?as_of={}", mis_read + 1)).await;
    assert_eq!((&all["due"], &all["items"][0]["percent"]), (&json!(1), &json!(120)));

    let history = format!("/v1/equipment/S-02/history?as_of={}", mis_read + 1);
    let history = floor.answer(&history).await;
    let words = history["items"].as_array().unwrap().last().unwrap()["in_words"].clone();
    assert_eq!(words, "`run` shows 124.0 h", "as it was told then");
    let early = floor.ask("/v1/equipment/S-02?as_of=1").await;
    assert_eq!(early.code(), "not-found", "before it was registered");
    for bad in ["0", "99999", "-1", "soon", "2999-01-01T00:00:00Z"] {
        let answer = floor.ask(&format!("/v1/equipment/S-02?as_of={bad}")).await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    floor.bench.stop().await;
}

/// C14: the rate of work done on time with its interval, in the report of the period: the same
/// figures in every form, each line with its entries.
#[actix_web::test]
async fn the_maintenance_report_of_a_month() {
    let weekly = json!({
        "task": "test_earthing", "action": "check", "target": "earthing", "warn_percent": 90,
        "calendar": "P1W", "source": { "basis": "common_practice" },
    });
    let mut floor = Floor::open(json!([weekly])).await;
    let check = json!({
        "task": "test_earthing", "check": "earthing",
        "measured": { "value": "3", "unit": "Ohm" },
        "limit": { "at_most": { "value": "10", "unit": "Ohm" } }, "result": "pass",
    });
    for days in [7, 14, 22, 29] {
        floor.post(&noon(days), "check.done", STATION, check.clone()).await;
    }
    let path = "/v1/reports/maintenance?site=north&from=2026-03-02&to=2026-03-31";
    let report = floor.answer(path).await;
    assert_eq!((&report["on_time"], &report["late"]), (&json!(3), &json!(1)));
    // statsmodels 0.15.0, proportion_confint(3, 4, method="wilson"): 0.300642, 0.954413.
    assert_eq!(report["rate"]["low_percent"], "30.1");
    assert_eq!(report["rate"]["high_percent"], "95.4");
    assert_eq!(report["work"].as_array().unwrap().len(), 4);
    let csv = floor.ask(&format!("{path}&format=csv")).await;
    assert!(String::from_utf8(csv.body).unwrap().contains("section: work\r\n"));
    let pdf = floor.ask(&format!("{path}&format=pdf&lang=de")).await;
    assert!(pdf.body.starts_with(b"%PDF-"));
    floor.bench.stop().await;
}

/// A plan to begin with is data to record, and nothing of it is law.
#[actix_web::test]
async fn the_suggested_plan_can_be_recorded_as_it_is() {
    let mut floor = Floor::open(json!([])).await;
    let plan = floor.answer("/v1/equipment/S-02/starter-plan").await["item"].clone();
    let tasks = plan["tasks"].as_array().unwrap();
    assert!(tasks.iter().all(|task| task["source"]["basis"] == "common_practice"), "{plan}");
    floor.post(&noon(1), "plan.set", STATION, plan.clone()).await;
    let ready = floor.answer("/v1/equipment/S-02/readiness").await["item"].clone();
    assert_eq!(ready["tasks"].as_array().unwrap().len(), tasks.len());
    assert_eq!(ready["state"], "in_service");
    floor.bench.stop().await;
}
