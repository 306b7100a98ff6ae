//! Four stories of a year, told by scripts, with what the record answers along the way.

mod waste_support;

use shopfloor::common::Day;
use shopfloor::waste::category::{self, Category, Month};
use shopfloor::waste::clocks::{self, ClockKind, ClockNote, ClockState};
use shopfloor::waste::container::ContainerState;
use shopfloor::waste::{retention, view};
use waste_support::{Shop, label, stages};

fn day(text: &str) -> Day {
    Day(text.parse().unwrap())
}

/// Plays the stages of a script one by one; `check` sees the shop at the end of each.
fn told(script: &str, mut check: impl FnMut(&str, &Shop)) {
    let mut shop = Shop::new("us", "America/New_York");
    for (title, part) in stages(script) {
        shop.play(part);
        check(title, &shop);
    }
}

fn clock(shop: &Shop, kind: ClockKind, on: &str) -> Option<clocks::Clock> {
    let all = clocks::clocks(&shop.state, &shop.label(), shop.noon(on));
    all.into_iter().find(|c| c.kind == kind)
}

#[test]
fn a_quiet_year() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(include_str!("waste_scenarios/quiet_year.txt"));
    let now = shop.noon("2026-12-31");
    let clocks = clocks::clocks(&shop.state, &shop.label(), now);
    assert!(clocks.iter().all(|c| c.state != ClockState::Overdue), "{clocks:#?}");
    let months = category::month_views(
        &shop.state,
        &shop.label(),
        day("2026-01-01"),
        day("2026-12-31"),
        now,
    );
    assert!(months.iter().all(|m| m.category == Some(Category::VerySmall)));
    let states: Vec<_> = ["D-1", "D-2", "D-3"]
        .map(|id| shop.state.waste.container(&label(id)).unwrap().state(now).0)
        .to_vec();
    use ContainerState::{Disposed, OnSite};
    assert_eq!(states, [Disposed, Disposed, OnSite]);
    for container in shop.state.waste.containers() {
        let view = view::container(&shop.state, container.id, now).unwrap();
        assert!(view.custody.iter().all(|c| !c.gap && c.both_signed != Some(false)), "{view:#?}");
    }
    // Nobody asks for the records of 2026 before 2029.
    let records = retention::retention(&shop.state, &shop.label(), now);
    assert!(records.iter().all(|r| !r.deletable));
    let kept = records.iter().find(|r| r.subject.to_string() == "shipment/S-1").unwrap();
    assert_eq!(kept.keep_until, Some(day("2029-03-20")));
}

#[test]
fn the_month_that_tips() {
    let june = Month::of(day("2026-06-01"));
    told(include_str!("waste_scenarios/month_that_tips.txt"), |stage, shop| match stage {
        "the 20th" => {
            // computations.md C21.
            let month = category::month(&shop.state, &shop.label(), june, shop.noon("2026-06-20"));
            assert_eq!(month.category, Some(Category::VerySmall));
            assert_eq!(month.margin_kg.unwrap().to_string(), "14.00 kg");
            assert_eq!(month.forecast.unwrap().non_acute_kg.to_string(), "129 kg");
            assert!(month.warn);
            assert!(clock(shop, ClockKind::Accumulation, "2026-06-20").is_none());
        }
        "the 26th" => {
            let month = category::month(&shop.state, &shop.label(), june, shop.noon("2026-06-26"));
            assert_eq!(month.category, Some(Category::Small));
            // The drum is now under the 180 days of its first waste (40 CFR 262.16(b)).
            let clock = clock(shop, ClockKind::Accumulation, "2026-06-26").unwrap();
            assert_eq!((clock.start, clock.last_day), (day("2026-06-02"), day("2026-11-29")));
            assert_eq!(clock.category, Some(Category::Small));
            assert_eq!(clock.words, "within limit, 156 days left");
        }
        other => panic!("stage `{other}`"),
    });
}

#[test]
fn the_drum_that_came_back() {
    let d1 = label("D-1");
    let state =
        |shop: &Shop, on: &str| shop.state.waste.container(&d1).unwrap().state(shop.noon(on)).0;
    told(include_str!("waste_scenarios/drum_that_came_back.txt"), |stage, shop| match stage {
        "on its way back" => {
            assert_eq!(state(shop, "2026-03-05"), ContainerState::Returned);
            assert!(clock(shop, ClockKind::Accumulation, "2026-03-05").is_none());
        }
        "back on site" => {
            assert_eq!(state(shop, "2026-03-07"), ContainerState::OnSite);
            // 190 kg in February: small; its whole time again from the return (262.16(e)).
            let clock = clock(shop, ClockKind::Accumulation, "2026-03-07").unwrap();
            assert_eq!((clock.start, clock.last_day), (day("2026-03-06"), day("2026-09-02")));
            assert!(clock.notes.contains(&ClockNote::StartedAgain));
        }
        "left again" => {
            assert_eq!(state(shop, "2026-03-17"), ContainerState::InTransit);
            // A new document, a new day 0 (262.42(c)).
            let report = clock(shop, ClockKind::ExceptionReport, "2026-03-17").unwrap();
            assert_eq!(report.subject.to_string(), "shipment/S-2");
            assert_eq!(report.start, day("2026-03-16"));
        }
        "disposed of" => {
            assert_eq!(state(shop, "2026-05-01"), ContainerState::Disposed);
            let view = view::container(&shop.state, &d1, shop.noon("2026-05-01")).unwrap();
            let holders: Vec<&str> = view.custody.iter().map(|c| c.holder.as_str()).collect();
            assert_eq!(
                holders,
                [
                    "op_e1",
                    "transporter/TR-1",
                    "transporter/TR-1",
                    "op_e1",
                    "transporter/TR-1",
                    "facility/FA-2",
                    "facility/FA-2"
                ]
            );
            assert!(view.custody.iter().all(|c| !c.gap), "{:#?}", view.custody);
            let open = clocks::clocks(&shop.state, &shop.label(), shop.noon("2026-05-01"));
            assert!(open.iter().all(|c| c.kind == ClockKind::DeterminationReview), "{open:#?}");
        }
        other => panic!("stage `{other}`"),
    });
}

#[test]
fn the_receipt_that_never_came() {
    let ask = ClockKind::AskForCopy;
    let report = ClockKind::ExceptionReport;
    let told_as = |shop: &Shop, kind, on| clock(shop, kind, on).map(|c| (c.last_day, c.state));
    told(include_str!("waste_scenarios/receipt_that_never_came.txt"), |stage, shop| match stage {
        // 40 CFR 262.42(a): accepted 10 March; day 45 is 24 April, day 60 is 9 May.
        "waiting" => {
            let due = (day("2026-04-24"), ClockState::DueSoon);
            assert_eq!(told_as(shop, ask, "2026-04-15"), Some(due));
            let late = (day("2026-04-24"), ClockState::Overdue);
            assert_eq!(told_as(shop, ask, "2026-04-25"), Some(late));
        }
        "asked" => {
            assert_eq!(told_as(shop, ask, "2026-04-25"), None);
            let due = (day("2026-05-09"), ClockState::Due);
            assert_eq!(told_as(shop, report, "2026-05-09"), Some(due));
        }
        "reported" => assert_eq!(told_as(shop, report, "2026-05-10"), None),
        "the copy" => {
            let records = retention::retention(&shop.state, &shop.label(), shop.noon("2026-07-01"));
            let exception = records
                .iter()
                .find(|r| r.record == retention::RecordKind::ExceptionReport)
                .unwrap();
            // 40 CFR 262.40(b): three years from the due date of the report.
            assert_eq!(exception.keep_until, Some(day("2029-05-09")));
        }
        other => panic!("stage `{other}`"),
    });
}

#[test]
fn a_legal_hold_keeps_records_past_their_date() {
    // 40 CFR 262.40(d).
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(include_str!("waste_scenarios/quiet_year.txt"));
    let deletable = |shop: &Shop| {
        let records = retention::retention(&shop.state, &shop.label(), shop.noon("2029-03-21"));
        let record = records.into_iter().find(|r| r.subject.to_string() == "shipment/S-1");
        record.map(|r| (r.deletable, r.held))
    };
    assert_eq!(deletable(&shop), Some((true, false)));
    shop.parameter("shop_legal_hold", "1");
    assert_eq!(deletable(&shop), Some((false, true)));
}
