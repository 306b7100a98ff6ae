//! A sieving station from its first day to its first filter, as a maintenance lead would follow it:
//! register, plan, run forty hours, clean, swap, mis-read, correct. After each step the due list
//! says what is to be done, and why.

mod equipment_shop;

use equipment_shop::{Shop, at, by_calendar, by_hours, h, sieving_station};
use serde_json::json;
use shopfloor::equipment::{DueQuery, DueTask};

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

#[test]
fn from_an_empty_log_to_the_right_answer_at_each_step() {
    let mut shop = Shop::default();

    // Monday 2 March 2026, 6:00. The station is registered with its hour meter and two positions.
    shop.post_as(
        "op_lead1",
        "2026-03-02T06:00:00+01:00",
        "equipment.registered",
        STATION,
        sieving_station(),
    );
    assert_eq!(due(&shop, "2026-03-02T06:00:00+01:00"), [""; 0], "no plan, nothing due");

    // Its plan: the defaults of the trade, for the shop to replace by its own experience.
    let mut replace_sieve = by_hours("replace_sieve", "replace", "main-sieve", "50");
    replace_sieve["also_does"] = json!(["clean_sieve"]);
    shop.post_as(
        "op_lead1",
        "2026-03-02T06:05:00+01:00",
        "plan.set",
        STATION,
        json!({ "tasks": [
            by_hours("clean_sieve", "clean", "main-sieve", "20"),
            replace_sieve,
            by_hours("replace_filter", "replace", "exhaust", "100"),
            by_calendar("test_earthing", "check", "earthing", "P1M"),
        ] }),
    );
    assert_eq!(
        due(&shop, "2026-03-02T06:05:00+01:00"),
        [
            "clean_sieve | no reading yet | 0 % of limit, meter not read yet",
            "replace_sieve | no reading yet | 0 % of limit, meter not read yet",
            "replace_filter | no reading yet | 0 % of limit, meter not read yet",
            "test_earthing | within limit | 0 % of limit, due on 2026-04-02, 31 days left",
        ]
    );

    // Forty hours: the meter is read at the start and at the end of each long shift.
    shop.post(
        "2026-03-02T06:10:00+01:00",
        "meter.read",
        STATION,
        json!({ "meter": "run", "reading": h("1210.0") }),
    );
    for (day, shown) in [("02", "1218.0"), ("03", "1228.5"), ("04", "1239.0"), ("05", "1250.0")] {
        let time = format!("2026-03-{day}T18:00:00+01:00");
        shop.post(&time, "meter.read", STATION, json!({ "meter": "run", "reading": h(shown) }));
    }
    assert_eq!(
        due(&shop, "2026-03-05T18:00:00+01:00"),
        [
            "clean_sieve | due | 200 % of limit, 20.0 h over the limit",
            "replace_sieve | within limit | 80 % of limit, 10.0 h left",
            "replace_filter | within limit | 40 % of limit, 60.0 h left",
            "test_earthing | within limit | 9 % of limit, due on 2026-04-02, 28 days left",
        ]
    );
    let cleaning = task(&shop, "2026-03-05T18:00:00+01:00", "clean_sieve");
    assert_eq!(cleaning.due_since.unwrap().to_string(), "2026-03-04", "seen at the third reading");
    assert_eq!(cleaning.source_in_words, "common practice, no source");
    assert!(cleaning.cautions.contains(&"combustible_dust".to_owned()));

    // Four days with a reading: 10.58 h a working day, 10 h left on the sieve.
    let swap = task(&shop, "2026-03-05T18:00:00+01:00", "replace_sieve");
    assert_eq!(swap.forecast.expected.unwrap().to_string(), "2026-03-06");
    assert_eq!(swap.forecast.per_working_day.as_deref(), Some("10.58"));
}
