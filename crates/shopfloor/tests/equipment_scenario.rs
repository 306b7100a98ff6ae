//! A sieving station from its first day to its first filter, as a maintenance lead would follow it:
//! register, plan, run forty hours, clean, swap, mis-read, correct. After each step the due list
//! says what is to be done, and why.

mod equipment_shop;

use equipment_shop::*;
use serde_json::json;
use shopfloor::common::Day;
use shopfloor::equipment::{DueQuery, DueTask};

const LEAD: &str = "op_lead1";
const STATION: &str = "equipment/S-02";

/// The due list at `now`, one line a task.
fn due(shop: &Shop, now: &str) -> Vec<String> {
    let list = shop.state.equipment.due(&shop.state.record, &DueQuery::default(), at(now));
    list.tasks.iter().map(|t| format!("{} | {} | {}", t.task, t.state, t.in_words)).collect()
}

fn task(shop: &Shop, now: &str, task: &str) -> DueTask {
    let list = shop.state.equipment.due(&shop.state.record, &DueQuery::default(), at(now));
    list.tasks.into_iter().find(|t| t.task.as_str() == task).expect("the task is in the plan")
}

/// What speaks against starting the station.
fn holds(shop: &Shop, now: &str) -> Vec<String> {
    let readiness = shop.state.equipment.readiness(&shop.state.record, &label("S-02"), at(now));
    readiness.expect("the station is on record").holds.into_iter().map(|h| h.in_words).collect()
}

fn read(shop: &mut Shop, time: &str, shown: &str) -> u64 {
    shop.post(time, "meter.read", STATION, json!({ "meter": "run", "reading": h(shown) }))
}

fn day(text: &str) -> Day {
    serde_json::from_value(json!(text)).unwrap()
}

#[test]
fn from_an_empty_log_to_the_right_answer_at_each_step() {
    let mut shop = Shop::default();

    // ---- Monday 2 March 2026, 6:00. The station is registered: one hour meter, two positions.
    shop.post_as(
        LEAD,
        "2026-03-02T06:00:00+01:00",
        "equipment.registered",
        STATION,
        sieving_station(),
    );
    assert_eq!(due(&shop, "2026-03-02T06:00:00+01:00"), [""; 0], "no plan, nothing due");

    // ---- Its plan: the defaults of the trade, for the shop to replace by its own experience.
    let mut replace_sieve = by_hours("replace_sieve", "replace", "main-sieve", "50");
    replace_sieve["also_does"] = json!(["clean_sieve"]);
    let tasks = json!({ "tasks": [
        by_hours("clean_sieve", "clean", "main-sieve", "20"),
        replace_sieve,
        by_hours("replace_filter", "replace", "exhaust", "100"),
        by_calendar("test_earthing", "check", "earthing", "P1M"),
    ] });
    shop.post_as(LEAD, "2026-03-02T06:05:00+01:00", "plan.set", STATION, tasks);
    assert_eq!(
        due(&shop, "2026-03-02T06:05:00+01:00"),
        [
            "clean_sieve | no_reading_yet | 0 % of limit, meter not read yet",
            "replace_sieve | no_reading_yet | 0 % of limit, meter not read yet",
            "replace_filter | no_reading_yet | 0 % of limit, meter not read yet",
            "test_earthing | within_limit | 0 % of limit, due on 2026-04-02, 31 days left",
        ]
    );

    // ---- What sits in it: a sieve and a filter.
    let first_sieve =
        json!({ "position": "main-sieve", "in": sieve("SV-1"), "checks": yes(&["seal_seated"]) });
    shop.post("2026-03-02T06:08:00+01:00", "part.fitted", STATION, first_sieve);
    let first_filter = json!({
        "position": "exhaust", "in": { "serial": "HF-1", "spec": { "filter_class": "H14" } },
        "checks": yes(&["airflow_arrow_matches", "gasket_seated"]),
    });
    shop.post("2026-03-02T06:09:00+01:00", "part.fitted", STATION, first_filter);

    // ---- Forty hours: the meter is read at the start and at the end of each long shift.
    read(&mut shop, "2026-03-02T06:10:00+01:00", "1210.0");
    for (date, shown) in [("02", "1218.0"), ("03", "1228.5"), ("04", "1239.0"), ("05", "1250.0")] {
        read(&mut shop, &format!("2026-03-{date}T18:00:00+01:00"), shown);
    }
    assert_eq!(
        due(&shop, "2026-03-05T18:00:00+01:00"),
        [
            "clean_sieve | due | 200 % of limit, 20.0 h over the limit",
            "replace_sieve | within_limit | 80 % of limit, 10.0 h left",
            "replace_filter | within_limit | 40 % of limit, 60.0 h left",
            "test_earthing | within_limit | 9 % of limit, due on 2026-04-02, 28 days left",
        ]
    );
    let cleaning = task(&shop, "2026-03-05T18:00:00+01:00", "clean_sieve");
    assert_eq!(cleaning.due_since, Some(day("2026-03-04")), "first seen at the third evening");
    assert_eq!(cleaning.source_in_words, "common practice, no source");
    assert!(cleaning.cautions.contains(&"combustible_dust".to_owned()));
    // Four days with a reading: 10.58 h a working day, 10 h left on the sieve.
    let swap = task(&shop, "2026-03-05T18:00:00+01:00", "replace_sieve");
    assert_eq!(swap.forecast.expected, Some(day("2026-03-06")));
    assert_eq!(swap.forecast.per_working_day.as_deref(), Some("10.58"));
    assert_eq!(
        holds(&shop, "2026-03-05T18:00:00+01:00"),
        ["`clean_sieve` is due: 200 % of limit, 20.0 h over the limit"]
    );

    // ---- Clean: the due list forgets it, the record does not: it was late.
    let cleaned = shop.post(
        "2026-03-05T18:30:00+01:00",
        "cleaning.done",
        STATION,
        json!({
            "task": "clean_sieve", "target": "main-sieve", "method": "vacuum",
            "reading": reading("1250.0"), "checks": yes(&["airflow_off", "top_to_bottom"]),
        }),
    );
    assert_eq!(
        shop.found(cleaned),
        ["equipment.done_late: `clean_sieve` of `S-02` was due since 2026-03-04"]
    );
    assert_eq!(
        due(&shop, "2026-03-05T18:30:00+01:00")[..2],
        [
            "replace_sieve | within_limit | 80 % of limit, 10.0 h left",
            "replace_filter | within_limit | 40 % of limit, 60.0 h left",
        ]
    );
    assert_eq!(holds(&shop, "2026-03-05T18:30:00+01:00"), [""; 0]);

    // ---- Friday, 8 h later. Swap: isolate, exchange, test, return. The new sieve is a clean one.
    read(&mut shop, "2026-03-06T14:00:00+01:00", "1258.0");
    let isolate = json!({ "lock": "LK-4", "energy_checked": true });
    shop.post("2026-03-06T14:10:00+01:00", "equipment.isolated", STATION, isolate);
    assert_eq!(holds(&shop, "2026-03-06T14:15:00+01:00"), ["lock `LK-4` is on"]);
    let swapped = shop.post(
        "2026-03-06T14:30:00+01:00",
        "part.swapped",
        STATION,
        json!({
            "task": "replace_sieve", "position": "main-sieve",
            "out": { "serial": "SV-1", "reason": "interval_reached", "condition": "worn" },
            "in": sieve("SV-2"), "checks": yes(&["seal_seated"]), "reading": reading("1258.0"),
        }),
    );
    assert_eq!(shop.found(swapped), [""; 0]);
    let give_back =
        json!({ "lock": "LK-4", "tests": yes(&["function", "earthing"]), "released_by": LEAD });
    shop.post_as(LEAD, "2026-03-06T15:00:00+01:00", "equipment.returned", STATION, give_back);
    assert_eq!(holds(&shop, "2026-03-06T15:00:00+01:00"), [""; 0]);
    let clean = task(&shop, "2026-03-06T15:00:00+01:00", "clean_sieve");
    assert_eq!(clean.in_words, "0 % of limit, 20 h left");
    assert_eq!(clean.last_done.unwrap().through.unwrap().as_str(), "replace_sieve");
    let old = shop.state.equipment.part(&label("SV-1"), day("2026-03-06")).unwrap();
    assert_eq!((old.state.as_str(), old.hours.to_string()), ("out_worn", "48.0 h".to_owned()));

    // ---- Mis-read: 1362.0 instead of 1262.0. It is held; the count does not move.
    let mis_read = read(&mut shop, "2026-03-06T19:00:00+01:00", "1362.0");
    assert_eq!(
        shop.found(mis_read),
        [
            "equipment.meter_faster_than_time: `run` shows 1362.0 h after 1258.0, 4.5 h later; held for review"
        ]
    );
    assert_eq!(
        task(&shop, "2026-03-06T19:00:00+01:00", "replace_filter").in_words,
        "48 % of limit, 52.0 h left",
        "as before the mis-read"
    );
    let meters = shop.state.equipment.machine(&label("S-02")).unwrap().meters;
    assert_eq!(meters[0].last.as_ref().unwrap().shown.to_string(), "1258.0 h");
    assert_eq!(meters[0].held[0].entry, mis_read);

    // The next shift reads on as if nothing had happened.
    read(&mut shop, "2026-03-07T02:00:00+01:00", "1266.5");
    assert_eq!(
        task(&shop, "2026-03-07T02:00:00+01:00", "clean_sieve").in_words,
        "42 % of limit, 11.5 h left"
    );

    // ---- Correct: the reading counts with its right value, its finding is settled, and the
    // original stays in the record.
    let corrected = shop.correct(
        "2026-03-07T08:00:00+01:00",
        mis_read,
        json!({ "meter": "run", "reading": h("1262.0") }),
    );
    let meters = shop.state.equipment.machine(&label("S-02")).unwrap().meters;
    assert_eq!(meters[0].held, [], "nothing is held any more");
    assert_eq!(shop.findings(mis_read)[0].settled_by, Some(corrected));
    assert_eq!(shop.state.record.amendments(mis_read)[0].by, corrected);
    assert_eq!(
        due(&shop, "2026-03-07T08:00:00+01:00"),
        [
            "replace_filter | within_limit | 56 % of limit, 43.5 h left",
            "clean_sieve | within_limit | 42 % of limit, 11.5 h left",
            "replace_sieve | within_limit | 17 % of limit, 41.5 h left",
            "test_earthing | within_limit | 16 % of limit, due on 2026-04-02, 26 days left",
        ]
    );

    // ---- The week in one sentence: three tasks fell due or were done, one of them late.
    let week =
        shop.state.equipment.upkeep(Some(&label("north")), day("2026-03-02"), day("2026-03-08"));
    assert_eq!((week.on_time, week.late, week.open), (2, 1, 0));
    let lines: Vec<String> =
        week.lines.iter().map(|l| format!("{} {}", l.task, l.punctuality)).collect();
    assert_eq!(lines, ["clean_sieve late", "clean_sieve on_time", "replace_sieve on_time"]);
    let history = shop.state.equipment.history(&label("S-02"), None, None).unwrap();
    let friday: Vec<&str> = history
        .iter()
        .filter(|line| line.day == day("2026-03-06"))
        .map(|line| line.in_words.as_str())
        .collect();
    assert_eq!(
        friday,
        [
            "`run` shows 1258.0 h",
            "lock `LK-4`",
            "task `replace_sieve`: `main-sieve`: SV-1 (worn) for SV-2",
            "2 tests, 0 failed",
            "`run` shows 1262.0 h",
        ]
    );
}

/// A limit is not moved by putting the work off: the new day is worked to, the old one counts.
#[test]
fn a_deferral_is_worked_to_and_still_counts_late() {
    let mut shop = Shop::default();
    let t = "2026-03-02T06:00:00+01:00";
    shop.post_as(LEAD, t, "equipment.registered", STATION, sieving_station());
    let tasks = json!({ "tasks": [by_calendar("test_earthing", "check", "earthing", "P1W")] });
    shop.post_as(LEAD, t, "plan.set", STATION, tasks);
    assert_eq!(
        task(&shop, "2026-03-08T12:00:00+01:00", "test_earthing").state.as_str(),
        "within_limit"
    );
    assert_eq!(
        task(&shop, "2026-03-09T12:00:00+01:00", "test_earthing").in_words,
        "100 % of limit, due today"
    );

    let defer = json!({
        "task": "test_earthing", "reason": "meter_at_calibration", "until_day": "2026-03-12",
        "approved_by": "op_lead2",
    });
    shop.post_as(LEAD, "2026-03-09T13:00:00+01:00", "task.deferred", STATION, defer);
    let deferred = task(&shop, "2026-03-10T12:00:00+01:00", "test_earthing");
    assert_eq!(deferred.in_words, "80 % of limit, due on 2026-03-12, 2 days left");
    assert_eq!(deferred.due_since, Some(day("2026-03-09")), "by its original limit");
    assert_eq!(deferred.deferred.unwrap().original_due_on, Some(day("2026-03-09")));

    let check = json!({
        "task": "test_earthing", "check": "earthing", "measured": { "value": "3.2", "unit": "Ohm" },
        "limit": { "at_most": { "value": "10", "unit": "Ohm" } }, "result": "pass",
    });
    let done = shop.post("2026-03-11T09:00:00+01:00", "check.done", STATION, check);
    assert_eq!(shop.rules(done), ["equipment.done_late"]);
    let month = shop.state.equipment.upkeep(None, day("2026-03-01"), day("2026-03-31"));
    assert_eq!((month.on_time, month.late, month.open), (0, 1, 1), "and open again since the 18th");
    assert_eq!(month.lines[0].due_on, Some(day("2026-03-09")));
}

/// Overdue work does not become on time by writing a laxer plan.
#[test]
fn a_new_plan_does_not_undo_what_fell_due() {
    let mut shop = Shop::default();
    let t = "2026-03-02T06:00:00+01:00";
    shop.post_as(LEAD, t, "equipment.registered", STATION, sieving_station());
    let plan =
        |every: &str| json!({ "tasks": [by_hours("clean_sieve", "clean", "main-sieve", every)] });
    shop.post_as(LEAD, t, "plan.set", STATION, plan("20"));
    read(&mut shop, t, "100.0");
    read(&mut shop, "2026-03-04T06:00:00+01:00", "121.0");
    shop.post_as(LEAD, "2026-03-05T06:00:00+01:00", "plan.set", STATION, plan("40"));
    let cleaning = task(&shop, "2026-03-06T06:00:00+01:00", "clean_sieve");
    assert_eq!(cleaning.in_words, "52 % of limit, 19.0 h left", "the new limit is worked to");
    assert_eq!(cleaning.due_since, Some(day("2026-03-04")), "the old one was passed");
    let clean = json!({ "task": "clean_sieve", "target": "main-sieve", "method": "vacuum" });
    let done = shop.post("2026-03-06T07:00:00+01:00", "cleaning.done", STATION, clean);
    assert_eq!(shop.rules(done), ["equipment.done_late"]);
}

/// A failed check asks for the work that puts it right, whatever the hours say.
#[test]
fn a_failed_check_makes_the_replacement_due() {
    let mut shop = Shop::default();
    let t = "2026-03-02T06:00:00+01:00";
    shop.post_as(LEAD, t, "equipment.registered", STATION, sieving_station());
    let tasks = json!({ "tasks": [
        by_hours("clean_sieve", "clean", "main-sieve", "20"),
        by_hours("replace_sieve", "replace", "main-sieve", "50"),
    ] });
    shop.post_as(LEAD, t, "plan.set", STATION, tasks);
    read(&mut shop, t, "100.0");
    let torn = json!({ "target": "main-sieve", "result": "fail", "observations": ["torn"] });
    let failed = shop.post("2026-03-03T06:00:00+01:00", "inspection.done", STATION, torn);
    let replace = task(&shop, "2026-03-03T07:00:00+01:00", "replace_sieve");
    assert_eq!((replace.state.as_str(), replace.failed_check), ("due", Some(failed)));
    assert_eq!(
        task(&shop, "2026-03-03T07:00:00+01:00", "clean_sieve").state.as_str(),
        "within_limit"
    );
    let fit =
        json!({ "position": "main-sieve", "in": sieve("SV-2"), "checks": yes(&["seal_seated"]) });
    shop.post("2026-03-03T08:00:00+01:00", "part.fitted", STATION, fit);
    assert_eq!(
        task(&shop, "2026-03-03T09:00:00+01:00", "replace_sieve").state.as_str(),
        "within_limit"
    );
}
